"""The whole chain on invented takes: notes found, strings named, pitches measured, what is left.

    python scripts/lab/benchmark_chain.py [--quick] [--takes 32] [--seed 900000] [--list] [--wide]

Takes of the sound laboratory, with the model's notes and with sampled players ("real": bows of all
instruments and the bass's plucks from Debian's fluid-soundfont-gm), go through
pegmark.segment.notes, identify and measure as a student's would. None of the seeds were used to
tune anything.

Per group, of all strings that were sounded: how far what they were LEFT at is from the truth
(median and 95th percentile of those heard), how often the truth lies inside the stated 95 %
interval, how many are unsure or not heard, and how many are *silently wrong*: said to be heard,
and off by more than 3 cents and more than their own interval. `--list` names those. Then how
turns were told (those of 5 to 10, 10 to 20, 20 cents and more; those that nobody made; their sizes'
errors and intervals) and slips that could be heard. Then what the stages cost, and the memory of
each as the workflow runs it, a process of its own.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import json
import subprocess
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from environment import SCRIPTS
from lab import bench, figures, samples
from lab.bench import INSTRUMENTS, TABLE
from lab.chain import CHAIN_STAGES, Cost, hear
from lab.takes import DIFFICULTY, random_take
from lab.truths import TURN_COLUMNS, Turning, left_cents
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Measured


CHAIN_COLUMNS = (
    "group", "strings", "p50", "p95", "inside, %", "half-width", "unsure", "not heard", "wrong",
)  # fmt: skip
# Runs a script and prints the CPU seconds and the peak of memory, in MB, of it and its children.
# (Its ru_maxrss would be ours: a process inherits that from the one it was forked from.)
WATCHED = """
import os, pathlib, re, resource, runpy, sys
sys.argv = sys.argv[1:]
sys.path.insert(0, str(pathlib.Path(sys.argv[0]).parent))
runpy.run_path(sys.argv[0], run_name="__main__")
own = re.search(r"VmHWM:\\s+(\\d+)", pathlib.Path("/proc/self/status").read_text())
peak = max(int(own[1]), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
print(f"{sum(os.times()[:4]):.2f} {peak / 1024:.0f}")
"""


@dataclass
class Verdict:
    """One string of a take: how it was said to be heard, and its error where it has a pitch."""

    take: str
    string: str
    sounded: bool
    heard: str
    error_cents: float | None
    half_cents: float | None
    bowed: bool = False  # among the notes that describe it

    @property
    def is_known(self) -> bool:
        return self.heard == "heard" and self.error_cents is not None

    @property
    def silently_wrong(self) -> bool:
        if self.error_cents is None or self.half_cents is None or not self.is_known:
            return False
        return not self.sounded or abs(self.error_cents) > max(bench.WRONG_CENTS, self.half_cents)


@dataclass
class Group:
    """What the takes of one group gave."""

    verdicts: list[Verdict] = field(default_factory=list)
    cost: Cost = field(default_factory=Cost)
    turning: Turning = field(default_factory=Turning)


def compare(record: Measured, truth: dict[str, Any], take: str) -> list[Verdict]:
    """Every string of a take against its truth."""
    verdicts = []
    for name, string in record["strings"].items():
        true = truth["strings"][name]
        found = string["deviation_cents"]
        error = None if found is None else found - left_cents(truth, name)
        half = string["uncertainty_cents"]
        bowed = any(
            note["role"] in ("final", "check")
            and note["kind"] != "plucked"
            and name in (note["string"], note.get("string_2"))
            for note in record["notes"]
        )
        verdicts.append(Verdict(take, name, true["heard"], string["heard"], error, half, bowed))
    return verdicts


def run_group(difficulty: str, takes: int, seed: int, **kind: Any) -> Group:
    """`takes` invented takes, all instruments in turn; kind: options of `random_take`."""
    group = Group()
    for k in range(takes):
        instrument = TABLE[INSTRUMENTS[k % len(INSTRUMENTS)]]
        audio, truth = random_take(seed + k, instrument, difficulty, **kind)
        heard = hear(audio, instrument, group.cost)
        of_kind = "".join(f", {name}" for name, is_so in kind.items() if is_so)
        name = f"{difficulty}{of_kind}, seed {seed + k}, {instrument.key}"
        group.verdicts += compare(heard.measured, truth, name)
        for string, told in heard.measured["strings"].items():
            if told["heard"] == "heard":
                group.turning.add(told, truth, string)
    return group


def row(name: str, verdicts: Iterable[Verdict]) -> tuple[object, ...]:
    """A group's row of the table."""
    verdicts = list(verdicts)
    sounded = [v for v in verdicts if v.sounded]
    known = [v for v in sounded if v.is_known]
    errors = np.array([abs(v.error_cents or 0.0) for v in known])
    halves = np.array([v.half_cents or 0.0 for v in known])
    counts = [sum(v.heard == answer for v in sounded) for answer in ("unsure", "not_heard")]
    return (
        name,
        len(sounded),
        figures.percentile(errors, 50),
        figures.percentile(errors, 95),
        figures.share(errors <= halves),
        figures.percentile(halves, 50),
        *counts,
        sum(v.silently_wrong for v in verdicts),
    )


def memory_rows(instrument: Instrument, seed: int) -> Iterator[tuple[object, ...]]:
    """Rows: what each stage's own process costs for one take, as the workflow runs it."""
    audio, _ = random_take(seed, instrument, "usual")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        np.save(place / "t.npy", audio)
        facts = {"take": "t", "status": "ok", "problems": [], "rate_hz": RATE_HZ}
        facts |= {"samples": len(audio), "clipped_fraction": 0.0}
        (place / "t.json").write_text(json.dumps(facts))
        ticket = {"take": "t", "instrument": instrument.as_dict()}
        (place / "ticket.json").write_text(json.dumps(ticket))
        audio_in = ["--audio", "t.npy"]
        for stage, inputs in (
            ("segment", [*audio_in, "--facts", "t.json", "--notes", "notes.json"]),
            ("identify", ["--notes", "notes.json", "--strings", "strings.json"]),
            ("measure", [*audio_in, "--strings", "strings.json", "--measured", "measured.json"]),
        ):
            command = [sys.executable, "-c", WATCHED, str(SCRIPTS / f"{stage}.py")]
            child = subprocess.run(
                [*command, "--ticket", "ticket.json", *inputs],
                cwd=place, check=True, capture_output=True, text=True,
            )  # fmt: skip
            yield (stage, *child.stdout.split())


def groups_of(takes: int, seed: int, *, wide: bool) -> Iterator[tuple[str, Group]]:
    """Every group of takes with its name."""
    sources = (False, True) if samples.SOUND_FONT.is_file() else (False,)
    for number, (real, difficulty) in enumerate((r, d) for r in sources for d in DIFFICULTY):
        name = f"{difficulty}, {'real' if real else 'model'}"
        yield name, run_group(difficulty, takes, seed + 10_000 * number, real=real)
    for number, real in enumerate(sources if wide and True in sources else ()):
        name = f"wide, {'real' if real else 'model'}"
        first = seed + 100_000 + 10_000 * number
        yield name, run_group("usual", takes, first, real=real, wide=True)


def main() -> None:
    """Print the tables."""
    parser = bench.options_of(__doc__, takes=32, seed=900_000)
    parser.add_argument("--quick", action="store_true", help="few takes: under two minutes")
    parser.add_argument("--wide", action="store_true", help="also bodies, bows, partners of others")
    parser.add_argument("--list", action="store_true", help="name the silently wrong strings")
    options = parser.parse_args()
    bench.begin(options)
    takes = len(INSTRUMENTS) if options.quick else options.takes
    groups = dict(groups_of(takes, options.seed, wide=options.wide))
    verdicts = [v for group in groups.values() for v in group.verdicts]
    rows = [row(name, group.verdicts) for name, group in groups.items()]
    rows += [row(n, [v for v in verdicts if v.take.endswith(f", {n}")]) for n in INSTRUMENTS]
    usual = [v for v in verdicts if v.take.startswith("usual")]
    for n in INSTRUMENTS:
        for bowed, what in ((True, "bowed last"), (False, "plucks only")):
            kept = [v for v in usual if v.take.endswith(f", {n}") and v.bowed == bowed]
            rows.append(row(f"usual, {n}, {what}", kept))
    bench.print_table(CHAIN_COLUMNS, [*rows, row("all", verdicts)])
    bench.print_table(TURN_COLUMNS, [group.turning.row(n) for n, group in groups.items()])
    if options.list:
        for v in verdicts:
            if v.silently_wrong:
                print(f"{v.take}: {v.string} off by {v.error_cents:+.1f}, said {v.half_cents:.1f}")
    costs = [group.cost for group in groups.values()]
    minutes = sum(cost.recorded_s for cost in costs) / 60
    spent = [(stage, sum(cost.cpu_s[stage] for cost in costs) / minutes) for stage in CHAIN_STAGES]
    bench.print_table(("stage", "CPU s per recorded minute"), spent)
    columns = ("stage as a process of its own, one take", "CPU s", "peak MB")
    bench.print_table(columns, memory_rows(TABLE["cello"], options.seed))


if __name__ == "__main__":
    main()
