"""Who sounds, and how: plucked or bowed, a steady bow or a tone, an A that another gives.

    python3 scripts/lab/benchmark_hearing.py [--quick] [--takes 24] [--openings 52] [--seed 3000000]
        [--font FILE] [--notes FOLDER] [--list]

- Kinds: takes of `lab.kinds` by models, by the sound fonts that the tables were fitted on, and by
  --font, one that they were not. --notes: a folder of single real notes, named ..._pizz.flac and
  ..._arco.flac, each brought to the nearest open string of a bass or a cello.
- Steady bows: synthetic ones that wander by 0.05 to 1 cents, and tones with a string beside them.
- Openings: an A that another sounds (`lab.openings`): told, by whom missed, whether the step from
  it to the student's first note was a turn, and of computed ones (a sample's own tuning is not
  stated) how far off and inside the stated interval; and takes in which nobody does.

- Partners: usual and easy takes alone, and with a partner who tunes the same strings 14 and 20 dB
  below: strings left wrongly or with a move that nobody made, and whose notes got a string.

None of the seeds were used to fit anything. The targets are the project's own.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from lab import bench, provenance, rooms, samples, strings
from lab.bench import INSTRUMENTS, TABLE
from lab.chain import hear
from lab.drills import drill
from lab.kinds import kinds_take
from lab.openings import SOUNDED, opening_take
from lab.takes import random_take
from lab.truths import Turning, left_cents
from pegmark.identify import name_strings
from pegmark.measure import measure_take
from pegmark.segment import find_notes
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument
from pegmark.trade.pitch import A4_HZ, equal_hz

HEARD_NEAR_S, HEARD_NEAR_CENTS = (-0.15, 0.3), 70.0  # a note said is a true one's
KIND_TARGET, BOW_TARGET = "99", "0.3"  # per cent
EXACT_SOUNDS = (
    "computed piano",
    "computed reed",
    "computed partner",
    "tone",
)  # whose pitch is known
PARTNERS_DB = (-14.0, -20.0)
WANDERS_CENTS = (0.05, 0.1, 0.2, 1.0)
Note = dict[str, Any]


def nearest(said: Sequence[Any], true: Note) -> Note | None:
    """The note said that is nearest in time to a true one and has its pitch."""
    near = [
        note
        for note in said
        if HEARD_NEAR_S[0] < note["start_s"] - true["start_s"] < HEARD_NEAR_S[1]
        and abs(1200 * np.log2(note["f0_hz"] / true["f0_hz"])) < HEARD_NEAR_CENTS
    ]
    return min(near, key=lambda n: abs(n["start_s"] - true["start_s"])) if near else None


def kinds(seed: int, takes: int, font: Path | None) -> tuple[Counter[Any], list[str]]:
    """(counts of (instrument, true kind, kind said), what was said wrongly)."""
    counts: Counter[Any] = Counter()
    wrong = []
    for k in range(takes):
        instrument = TABLE[INSTRUMENTS[k % 4]]
        audio, truth = kinds_take(seed + k, instrument, font)
        said = find_notes(audio, RATE_HZ, instrument)["notes"]
        for true in truth["notes"]:
            found = nearest(said, true)
            kind = found["kind"] if found else "missed"
            counts[instrument.key, true["kind"], kind] += 1
            if kind not in ("missed", true["kind"]):
                wrong.append(f"{instrument.key} {seed + k} {true['start_s']:.1f} s {true}: {kind}")
    return counts, wrong


def real_notes(folder: Path) -> tuple[Counter[Any], list[str]]:
    """The same of a folder of single notes."""
    import soundfile
    from scipy.signal import resample

    counts: Counter[Any] = Counter()
    wrong = []
    for path in sorted(folder.glob("*.flac")):
        name = re.match(r"([a-g])(b?)(\d)_", path.name)
        if name is None:
            continue
        audio, rate_hz = soundfile.read(path)
        own_hz = equal_hz(name[1].upper() + name[2] + name[3], A4_HZ)
        keys = ("five-string bass in c", "cello")
        strings_of = [(key, hz) for key in keys for hz in TABLE[key].hz().values()]
        key, hz = min(strings_of, key=lambda pair: abs(np.log2(pair[1] / own_hz)))
        sound = resample(audio, round(len(audio) * RATE_HZ / rate_hz * own_hz / hz))
        sound = np.pad(0.3 * sound / np.abs(sound).max(), (8000, 8000))
        noise = rooms.noise(len(sound), RATE_HZ, seed=1)
        sound += noise * np.sqrt(np.mean(sound**2)) * 10 ** (-25 / 20)
        said = find_notes(sound.astype(np.float32), RATE_HZ, TABLE[key])["notes"]
        true = "plucked" if "pizz" in path.name else "bowed"
        near = [n for n in said if abs(1200 * np.log2(n["f0_hz"] / hz)) < HEARD_NEAR_CENTS]
        longest = max(near, key=lambda n: n["end_s"] - n["start_s"], default={"kind": "missed"})
        counts["real bass", true, longest["kind"]] += 1
        if longest["kind"] not in ("missed", true):
            wrong.append(f"{path.name}: {longest['kind']}")
    return counts, wrong


def steady_bows(seed: int, takes: int) -> tuple[int, int]:
    """(bows taken for tones, bows)."""
    told = bows = 0
    for k in range(takes):
        instrument = TABLE[(*INSTRUMENTS, "five-string bass")[k % 5]]
        rng = np.random.default_rng([seed + k, 41])
        body = strings.Body.of(instrument.name, seed + k)
        pieces = [np.zeros(RATE_HZ // 2)]
        for hz in instrument.hz().values():
            seconds = float(rng.uniform(1.2, 5))
            sound, _ = strings.bow(
                hz * 2 ** (rng.normal(0, 20) / 1200), seconds, RATE_HZ, body=body,
                seed=int(rng.integers(2**31)), wander_cents=float(rng.choice(WANDERS_CENTS)),
                attack_s=float(rng.uniform(0.03, 0.25)), noise_db=float(rng.uniform(-50, -25)),
                attack_cents=float(rng.choice([0, -6])),
            )  # fmt: skip
            if k % 2:
                sound = _levelled(sound, seconds)
            pieces += [sound * rng.uniform(0.3, 1), np.zeros(int(rng.uniform(0.1, 0.6) * RATE_HZ))]
        audio = rooms.reverberate(np.concatenate(pieces), RATE_HZ, rt60_s=0.4, seed=seed + k)
        audio = rooms.mix(audio, rooms.noise(len(audio), RATE_HZ, seed=k), 30.0, RATE_HZ, 0.6)
        said = find_notes(audio, RATE_HZ, instrument)["notes"]
        told += sum(note["kind"] == "reference_tone" for note in said)
        bows += len(instrument.strings)
    return told, bows


def _levelled(sound: np.ndarray, seconds: float) -> np.ndarray:
    """A bow whose level does not swell."""
    level = np.sqrt(np.convolve(sound**2, np.ones(1600) / 1600, "same"))
    t = np.arange(len(sound)) / RATE_HZ
    inside = (t > 0.4) & (t < seconds - 0.1)
    gain = np.where(inside, np.median(level[inside]) / np.maximum(level, 1e-9), 1.0)
    return sound * np.convolve(gain, np.ones(800) / 800, "same")


def tones(seed: int, takes: int) -> tuple[int, int]:
    """(tones told, tones), each with a string plucked beside it."""
    told = count = 0
    for k in range(takes):
        instrument = TABLE[INSTRUMENTS[k % 4]]
        audio, truth = drill("tone and string", instrument, seed + k)
        said = find_notes(audio, RATE_HZ, instrument)["notes"]
        for tone in truth["tones"]:
            middle_s = (tone["start_s"] + tone["end_s"]) / 2
            told += any(
                note["kind"] == "reference_tone" and note["start_s"] < middle_s < note["end_s"]
                for note in said
            )
            count += 1
    return told, count


def opening(seed: int, by: str | None, instrument: Instrument, font: Path) -> dict[str, Any]:
    """How one opening was heard: result, and error and half-width in cents where it was told."""
    audio, truth = opening_take(seed, instrument, by, font=font)
    record = name_strings({"take": "t", **find_notes(audio, RATE_HZ, instrument)}, instrument)
    measured = measure_take(audio, RATE_HZ, record, instrument)
    notes = measured["notes"]
    heard = [note for note in notes if note["kind"] == "reference_tone"]
    if by is None:
        return {"by": by, "result": "invented" if heard else "right"}
    begin_s, end_s = truth["tones"][0]["start_s"] - 0.2, truth["tones"][-1]["end_s"] + 0.3
    own = [n for n in notes if n["string"] and begin_s < n["start_s"] < end_s - 0.6]
    told = [n for n in heard if begin_s < n["start_s"] < end_s and n["f0_hz"]]
    late = [n for n in heard if n["start_s"] > end_s]
    first_s = min(note["start_s"] for note in truth["notes"])
    moves = [m for told in measured["strings"].values() for m in told["moves"]]
    turned = any(m["start_s"] < first_s for m in moves)
    result = "missed" if not told else "her string" if own else "too many" if late else "right"
    result = "a turn" if turned else result
    found: dict[str, Any] = {"by": by, "result": result}
    if told and by in EXACT_SOUNDS:
        last = told[-1]
        off = 1200 * np.log2(last["f0_hz"] / truth["a4_hz"])
        found |= {"off": off - 1200 * round(off / 1200), "half": last["uncertainty_cents"]}
    return found


def partners(seed: int, takes: int, partner_db: float | None) -> Counter[Any]:
    """How takes were heard: "spoilt" ones, strings, "unsure"; notes by (whose, has a string).

    A take is spoilt where a string is off by more than 3 cents and its interval, or moved where
    nobody turned it.
    """
    counts: Counter[Any] = Counter(takes=takes)
    for k in range(takes):
        instrument = TABLE[INSTRUMENTS[k % 4]]
        audio, truth = random_take(
            seed + k, instrument, ("usual", "easy")[k // 4 % 2], real=bool(k // 8 % 2),
            with_room=lambda room: replace(room, partner_db=partner_db, other_player_db=None),
        )  # fmt: skip
        heard = hear(audio, instrument)
        turning, wrong = Turning(), False
        for name, told in heard.measured["strings"].items():
            counts["unsure"] += told["heard"] == "unsure"
            if told["heard"] != "heard":
                continue
            turning.add(told, truth, name)
            off, half = told["deviation_cents"], told["uncertainty_cents"]
            if off is not None and half is not None:
                wrong |= abs(off - left_cents(truth, name)) > max(bench.WRONG_CENTS, half)
        counts["strings"] += turning.strings
        counts["spoilt"] += wrong or turning.invented > 0
        for note in heard.named["notes"]:
            whose = _whose(note, truth)
            counts[whose, bool(note["string"])] += 1
    return counts


def _whose(note: Any, truth: Note) -> str:
    for whose, true in (("hers", truth["notes"]), ("a partner's", truth["others"])):
        if any(nearest([note], one) for one in true):
            return whose
    return "nobody's"


def print_partners(seed: int, takes: int) -> None:
    """A row for takes alone, and for each level of a partner."""
    print("\n| partner | takes | spoilt | strings | unsure | hers without | a partner's with |")
    print("|---|---|---|---|---|---|---|")
    for partner_db in (None, *PARTNERS_DB):
        n = partners(seed, takes, partner_db)
        hers = f"{n['hers', False]} of {n['hers', True] + n['hers', False]}"
        others = [n["a partner's", named] for named in (True, False)]
        cells = (n["takes"], n["spoilt"], n["strings"], n["unsure"], hers)
        name = "none" if partner_db is None else f"{partner_db:.0f} dB"
        print(f"| {name} | " + " | ".join(map(str, cells)) + f" | {others[0]} of {sum(others)} |")


def print_kinds(name: str, counts: Counter[Any]) -> None:
    """A row an instrument: kinds right, %, of plucks and of bows found; and how many missed."""
    for key in dict.fromkeys(instrument for instrument, _, _ in counts):
        cells = []
        for kind in ("plucked", "bowed"):
            own = {said: n for (k, true, said), n in counts.items() if (k, true) == (key, kind)}
            found = sum(n for said, n in own.items() if said != "missed")
            right = 100 * own.get(kind, 0) / max(found, 1)
            cells.append(f"{right:.1f} of {found}, {own.get('missed', 0)} missed")
        print(f"| {name}, {key} | {KIND_TARGET} | " + " | ".join(cells) + " |")


def print_openings(answers: Iterable[dict[str, Any]]) -> None:
    """A row for everybody who sounds an A."""
    rows: dict[str, list[dict[str, Any]]] = {}
    for answer in answers:
        rows.setdefault(answer["by"] or "nobody", []).append(answer)
    print("\n| A sounded by | openings | right | else | off, p95 | inside, % |")
    print("|---|---|---|---|---|---|")
    for by, some in rows.items():
        results = Counter(answer["result"] for answer in some)
        right = results.pop("right", 0)
        off = np.array([[abs(a["off"]), a["half"] or 0.0] for a in some if "off" in a])
        cells = ["", ""]
        if len(off):
            inside = 100 * np.mean(off[:, 0] <= off[:, 1])
            cells = [f"{np.quantile(off[:, 0], 0.95):.1f}", f"{inside:.0f}"]
        others = ", ".join(f"{n} {what}" for what, n in results.items())
        print(f"| {by} | {len(some)} | {right} | {others} | " + " | ".join(cells) + " |")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="few takes of each")
    parser.add_argument("--takes", type=int, default=24, help="of each player, and of bows")
    parser.add_argument("--openings", type=int, default=52)
    parser.add_argument("--seed", type=int, default=3_000_000)
    parser.add_argument("--font", type=Path, help="a sound font that nothing was fitted on")
    parser.add_argument("--notes", type=Path, help="a folder of single real notes")
    parser.add_argument("--list", action="store_true", help="name what was wrong")
    options = parser.parse_args()
    takes = 4 if options.quick else options.takes
    print(f"commit {provenance.commit()}, seeds from {options.seed}\n")
    print("| kinds right | target, % | plucks, % | bows, % |\n|---|---|---|---|")
    fonts = {"models": None, "sampled": samples.SOUND_FONT, "sampled, other": samples.OTHER_FONT}
    if options.font:
        fonts["sampled, new"] = options.font
    wrong: list[str] = []
    for name, font in fonts.items():
        if font is None or font.is_file():
            counts, more = kinds(options.seed, takes, font)
            print_kinds(name, counts)
            wrong += more
    if options.notes:
        counts, more = real_notes(options.notes)
        print_kinds("real notes", counts)
        wrong += more
    told, bows = steady_bows(options.seed + 10_000, takes)
    print(f"\nsteady bows taken for tones: {told} of {bows} (at most {BOW_TARGET} %)")
    print("tones told beside a string: {} of {}".format(*tones(options.seed + 20_000, takes)))
    answers = []
    font = options.font or samples.SOUND_FONT
    for k in range(13 if options.quick else options.openings):
        by = list(SOUNDED)[k % len(SOUNDED)]
        instrument = TABLE[INSTRUMENTS[(k + k // len(SOUNDED)) % 4]]
        answers.append(opening(options.seed + 30_000 + k, by, instrument, font))
        if k % 4 == 0:
            instrument = TABLE[INSTRUMENTS[k // 4 % 4]]
            answers.append(opening(options.seed + 40_000 + k, None, instrument, font))
    print_openings(answers)
    print_partners(options.seed + 50_000, takes)
    if options.list:
        print("\n" + "\n".join(wrong))


if __name__ == "__main__":
    main()
