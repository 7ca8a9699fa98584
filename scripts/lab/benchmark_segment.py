"""Finding notes: what of a take is found, what is taken for a note and is none, and the cost.

    python scripts/lab/benchmark_segment.py [--quick] [--takes 40] [--seed 800000] [--list]

Takes of the sound laboratory at 35, 20 and 12 dB, all four instruments in turn: every other one
an invented take (every fourth with sampled players, where Debian's fluid-soundfont-gm is
installed), the others drills of one hard thing each. None of the seeds were used to fit anything.

A note is *found* when one of the right pitch begins within 30 ms of it. A bow has no sharp
beginning: those of bows are printed at 60 ms too. A take's level is that of its noise; where
somebody speaks or plays, or a tone sounds, a note has far less over everything else (-6 to 6 dB
mostly): the targets are for the *clear* notes, those that begin under nothing but the noise;
*covered* ones and all together stand beside. A note found within 200 ms is late, but no
invention; *precision* is the share of all notes said that belong to a true one in this sense. What
is wrong is listed by what sounded then, with how many of them got a string's name afterwards
(`pegmark.identify.strings`), which alone can do harm. Kinds are those of the whole chain: two
strings under one bow are told from one by `pegmark.measure.take`. The targets are the project's
own.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lab import bench, figures, samples
from lab.bench import INSTRUMENTS, TABLE
from lab.chain import Cost
from lab.chain import hear as hear_take
from lab.drills import DRILLS, drill
from lab.takes import random_take
from pegmark.trade.instruments import Instrument

LEVELS_DB = (35.0, 20.0, 12.0)
FOUND_TARGET = {35.0: 98, 20.0: 95, 12.0: 85}  # per cent, issue "Measure like a laboratory"
PRECISION_TARGET, KIND_PERCENT = 98, 98
WITHIN_S = (0.03, 0.06, 0.2)
COVER_EDGE_S = 0.1  # rooms prolong what covers a note
PITCH_CENTS = 60.0  # a start is that of a note when the pitch is this close
CLEAR_NOTES = "clear notes"
GROUPS = (  # name, ways of playing, whether covered
    (CLEAR_NOTES, ("plucked", "bowed"), (False,)),
    ("- plucked", ("plucked",), (False,)),
    ("- bowed", ("bowed",), (False,)),
    ("covered notes", ("plucked", "bowed"), (True,)),
    ("all notes", ("plucked", "bowed"), (False, True)),
)
Note = dict[str, Any]


@dataclass
class Level:
    """What the takes of one level gave."""

    starts: dict[tuple[str, bool], list[float]] = field(default_factory=dict)  # (way, covered) -> s
    kinds: Counter[tuple[str, str]] = field(default_factory=Counter)  # (true, said)
    wrong: Counter[str] = field(default_factory=Counter)  # by what sounded
    graded: Counter[str] = field(default_factory=Counter)  # of these, with a string's name
    said: int = 0
    tones: list[bool] = field(default_factory=list)  # sounded tones: whether told
    spoken: list[bool] = field(default_factory=list)  # passages of speech: whether told
    drills: dict[str, list[int]] = field(default_factory=dict)  # name -> [notes, found, wrong]
    cost: Cost = field(default_factory=Cost)
    lines: list[str] = field(default_factory=list)


def hear(audio: np.ndarray, instrument: Instrument, level: Level) -> dict[str, Any]:
    """The notes of a take with their strings and kinds."""
    heard = hear_take(audio, instrument, level.cost)
    kinds = [{"kind": note["kind"]} for note in heard.measured["notes"]]
    notes = [{**a, **b} for a, b in zip(heard.named["notes"], kinds, strict=True)]
    return {**heard.named, "notes": notes}


def way_of(note: Note) -> str:
    """How a true note was sounded."""
    by = note.get("by", note["kind"])
    return "plucked" if by == "plucked" else "bowed"


def pitches(note: Note) -> list[float]:
    """The pitches of a true note, in Hz: where a turning string begins and ends too."""
    known = [note["f0_hz"], note.get("f0_2_hz")]
    if note["cents"] is not None:
        target = note["f0_hz"] / 2 ** (note["cents"] / 1200)
        known += [target * 2 ** (note[end] / 1200) for end in ("start_cents", "end_cents")]
    return [hz for hz in known if hz]


def agrees(said: Note, true: Note) -> bool:
    """Whether the pitch said is one that the true note has."""
    cents = [1200 * np.log2(said["f0_hz"] / hz) for hz in pitches(true)]
    return bool(min(cents) < PITCH_CENTS and max(cents) > -PITCH_CENTS) and (
        min(map(abs, cents)) < PITCH_CENTS or min(cents) < 0 < max(cents)
    )


def matched(said: list[Note], true: list[Note]) -> dict[int, int]:
    """Index of a true note -> index of the said one nearest in time, none used twice."""
    pairs = sorted(
        (abs(s["start_s"] - t["start_s"]), i, j)
        for i, t in enumerate(true)
        for j, s in enumerate(said)
        if abs(s["start_s"] - t["start_s"]) <= WITHIN_S[-1] and agrees(s, t)
    )
    taken: dict[int, int] = {}
    for _, i, j in pairs:
        if i not in taken and j not in taken.values():
            taken[i] = j
    return taken


def cause(said: Note, truth: dict[str, Any]) -> str:
    """What sounded when a note was said that is none."""
    at = said["start_s"]

    def during(spans: Iterable[Note], after_s: float = 0.3) -> list[Note]:
        return [s for s in spans if s["start_s"] - 0.3 < at < s["end_s"] + after_s]

    own = during(truth["notes"], 1.5)
    if any(agrees(said, note) for note in own):
        return "a string again"
    if during(truth["speech"]):
        return "speech"
    if during(truth["tones"]):
        return "reference tone"
    if any(abs(at - note["start_s"]) < WITHIN_S[-1] for note in own):
        return "another pitch"
    if during(truth["others"]):
        return "another player"
    return "knock or noise"


def count(level: Level, record: dict[str, Any], truth: dict[str, Any], name: str) -> None:
    """Add one take to a level."""
    said = [n for n in record["notes"] if n["kind"] != "reference_tone"]
    true = truth["notes"]
    pairs = matched(said, true)
    for i, note in enumerate(true):
        off = said[pairs[i]]["start_s"] - note["start_s"] if i in pairs else np.inf
        covered = is_covered(note, truth)
        level.starts.setdefault((way_of(note), covered), []).append(off)
        if i in pairs:
            level.kinds[note["kind"], said[pairs[i]]["kind"]] += 1
        if abs(off) > WITHIN_S[0]:
            level.lines.append(
                f"{name}: {note['kind']} {note['string']} at {note['start_s']:.2f} s, "
                f"{note.get('snr_db', 0):.0f} dB{', covered' if covered else ''}: "
                + (f"{off:+.3f} s" if i in pairs else "missed")
            )
    wrong = [note for j, note in enumerate(said) if j not in pairs.values()]
    for note in wrong:
        reason = cause(note, truth)
        level.wrong[reason] += 1
        level.graded[reason] += note.get("string") is not None and note["kind"] != "harmonic"
        level.lines.append(
            f"{name}: wrong at {note['start_s']:.2f} s, {note['kind']} {note['f0_hz']:.1f} Hz, "
            f"{reason}, {note.get('string')}"
        )
    level.said += len(said)
    heard = [n for n in record["notes"] if n["kind"] == "reference_tone"]
    level.tones += [_told(tone, heard) for tone in truth["tones"]]
    level.tones += [False] * sum(not _told(tone, truth["tones"]) for tone in heard)
    level.spoken += [_told(passage, record["speech"]) for passage in truth["speech"]]
    tally = level.drills.setdefault(name.split(",")[0], [0, 0, 0])
    tally[0] += len(true)
    tally[1] += len(pairs)
    tally[2] += len(wrong)


def is_covered(note: Note, truth: dict[str, Any]) -> bool:
    """Whether speech, a tone or another player sounds where a true note begins."""
    spans = (*truth["speech"], *truth["tones"], *truth["others"])
    edge = COVER_EDGE_S
    return any(s["start_s"] - edge < note["start_s"] < s["end_s"] + edge for s in spans)


def _told(span: Note, others: Iterable[Note]) -> bool:
    middle = (span["start_s"] + span["end_s"]) / 2
    return any(
        other["start_s"] < middle < other["end_s"]
        and abs(other.get("f0_hz", 1) / span.get("f0_hz", 1) - 1) < 0.01
        for other in others
    )


def make(k: int, snr_db: float, seed: int) -> tuple[Any, Any, Any]:
    """(audio, truth, (name, instrument)) of the k-th take of a level."""
    instrument = TABLE[INSTRUMENTS[(k // 2) % len(INSTRUMENTS)]]
    if k % 2:
        kind = list(DRILLS)[(k // 2) % len(DRILLS)]
        audio, truth = drill(kind, instrument, seed + k, snr_db=snr_db)
    else:
        real = k % 8 == 6 and samples.SOUND_FONT.is_file()
        instrument = TABLE[INSTRUMENTS[(k // 8) % 4]] if real else instrument
        kind = "sampled players" if real else "invented"
        audio, truth = random_take(seed + k, instrument, "usual", real=real, snr_db=snr_db)
    return audio, truth, (f"{kind}, {instrument.key}, seed {seed + k}", instrument)


def share(starts: Iterable[float], within_s: float) -> float:
    """Per cent of starts that are no more than so far off."""
    return figures.share(abs(start) <= within_s for start in starts)


def print_tables(levels: dict[float, Level]) -> None:
    """Print targets and figures side by side."""
    heads = [f"{snr:.0f} dB" for snr in levels]
    rows: list[tuple[object, ...]] = []

    def row(name: str, target: object, cells: Iterable[object]) -> None:
        rows.append((name, target, *cells))

    aims = " / ".join(str(FOUND_TARGET[snr]) for snr in levels)
    for within in WITHIN_S:
        for name, ways, covers in GROUPS:
            starts = [
                [s for way in ways for c in covers for s in one.starts.get((way, c), [])]
                for one in levels.values()
            ]
            if within == WITHIN_S[0]:
                row(f"{name}: sounded", "", map(len, starts))
            aim = aims if within == WITHIN_S[0] and name == CLEAR_NOTES else ""
            figures = (f"{share(s, within):.1f}" if s else "" for s in starts)
            row(f"{name}: found within {1000 * within:.0f} ms, %", aim, figures)
    wrong = [sum(one.wrong.values()) for one in levels.values()]
    said = [one.said for one in levels.values()]
    cells = (f"{100 - 100 * w / n:.1f}" for w, n in zip(wrong, said, strict=True))
    row("precision, %", PRECISION_TARGET, cells)
    for reason in sorted({reason for one in levels.values() for reason in one.wrong}):
        cells = (f"{one.wrong[reason]} ({one.graded[reason]})" for one in levels.values())
        row(f"- {reason} (named as a string)", "", cells)
    right = [sum(n for (t, s), n in one.kinds.items() if t == s) for one in levels.values()]
    total = [one.kinds.total() for one in levels.values()]
    cells = (f"{100 * r / max(n, 1):.1f}" for r, n in zip(right, total, strict=True))
    row("kind right, %", KIND_PERCENT, cells)
    for true, told in sorted({k for one in levels.values() for k in one.kinds if k[0] != k[1]}):
        row(f"- {true} called {told}", "", (one.kinds[true, told] for one in levels.values()))
    for name, told in (("reference tones told", "tones"), ("passages of speech told", "spoken")):
        answers = [getattr(one, told) for one in levels.values()]
        row(name, "", (f"{sum(a)} of {len(a)}" for a in answers))
    cost = (f"{one.cost.a_minute('segment'):.2f}" for one in levels.values())
    row("CPU s per recorded minute", "", cost)
    bench.print_table(("", "target", *heads), rows)
    drills = sorted({name for one in levels.values() for name in one.drills})
    tallies = (
        (name, *(str(one.drills.get(name, [0, 0, 0]))[1:-1] for one in levels.values()))
        for name in drills
    )
    bench.print_table(("takes: notes, found within 200 ms, wrong", *heads), tallies)


def main() -> None:
    """Print the tables."""
    parser = bench.options_of(__doc__, takes=40, seed=800_000)
    parser.add_argument("--quick", action="store_true", help="eight takes a level")
    parser.add_argument("--list", action="store_true", help="name what was missed and what wrong")
    options = parser.parse_args()
    bench.begin(options)
    levels = {snr_db: Level() for snr_db in LEVELS_DB}
    for number, (snr_db, level) in enumerate(levels.items()):
        for k in range(8 if options.quick else options.takes):
            audio, truth, (name, instrument) = make(k, snr_db, options.seed + 1000 * number)
            count(level, hear(audio, instrument, level), truth, name)
    print_tables(levels)
    if options.list:
        for snr_db, level in levels.items():
            print(f"\n{snr_db:.0f} dB\n" + "\n".join(level.lines))


if __name__ == "__main__":
    main()
