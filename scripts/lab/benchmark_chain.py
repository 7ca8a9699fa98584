"""The whole chain on invented takes: notes found, strings named, pitches measured, what is left.

    python scripts/lab/benchmark_chain.py [--quick] [--takes 32] [--seed 900000] [--list] [--wide]

Takes of the sound laboratory, with the model's notes and with sampled players ("real": bows of all
instruments and the bass's plucks from Debian's fluid-soundfont-gm), go through
pegmark.segment.notes, identify and measure as a student's would. None of the seeds were used to
tune anything.

Per group, of all strings that were sounded: how far what they were LEFT at is from the truth
(median and 95th percentile of those heard), how often the truth lies inside the stated 95 %
interval, how many are unsure or not heard, and how many are *silently wrong*: said to be heard,
and off by more than 5 cents and more than their own interval. `--list` names those. Then what
the stages cost, and the memory of each as the workflow runs it, a process of its own.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))


sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import argparse
import json
import os
import subprocess
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import numpy as np

from lab import samples
from lab.takes import random_take
from pegmark.identify import name_strings
from pegmark.measure import measure_take
from pegmark.segment import find_notes
from pegmark.trade.instruments import Instrument, load_instruments

if TYPE_CHECKING:
    from pegmark.records.take import Measured, Notes

SCRIPTS = Path(__file__).resolve().parents[2]
CONFIG = SCRIPTS.parent / "config" / "instruments.yaml"
RATE_HZ = 16000
INSTRUMENTS = ("violin", "viola", "cello", "double bass")
DIFFICULTIES = ("easy", "usual", "hard")
WRONG_CENTS = 5.0  # a string off by more than this and its interval is wrong
HEARD_S = 1.0  # a string that sounds on so long after it slipped lets one hear where it stands
STAGES = ("segment", "identify", "measure")
# Runs a script and prints the CPU seconds and the peak of memory, in MB, of it and its children.
# (Its ru_maxrss would be ours: a process inherits that from the one it was forked from.)
WATCHED = """
import os, pathlib, re, resource, runpy, sys
sys.argv = sys.argv[1:]
sys.path.insert(0, str(pathlib.Path(sys.argv[0]).parent))
runpy.run_path(sys.argv[0], run_name="__main__")
own = re.search(r"VmHWM:\\s+(\\d+)", pathlib.Path("/proc/self/status").read_text())
peak = max(int(own[1]), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
print(f"{sum(os.times()[:4]):.2f} | {peak / 1024:.0f}")
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

    @property
    def is_known(self) -> bool:
        return self.heard == "heard" and self.error_cents is not None

    @property
    def silently_wrong(self) -> bool:
        if self.error_cents is None or self.half_cents is None or not self.is_known:
            return False
        return not self.sounded or abs(self.error_cents) > max(WRONG_CENTS, self.half_cents)


@dataclass
class Group:
    """What the takes of one group gave; CPU seconds per stage, seconds recorded."""

    verdicts: list[Verdict] = field(default_factory=list)
    cpu_s: dict[str, float] = field(default_factory=lambda: dict.fromkeys(STAGES, 0.0))
    recorded_s: float = 0.0
    takes: int = 0


def hear(
    audio: np.ndarray, instrument: Instrument, cpu_s: dict[str, float] | None = None
) -> Measured:
    """The measured record of a take; adds what each stage cost to `cpu_s`."""
    clock = [time.process_time()]
    notes: Notes = {"take": "benchmark", **find_notes(audio, RATE_HZ, instrument)}
    clock.append(time.process_time())
    strings = name_strings(notes, instrument)
    clock.append(time.process_time())
    record = measure_take(audio, RATE_HZ, strings, instrument)
    clock.append(time.process_time())
    for stage, spent in zip(STAGES, np.diff(clock), strict=True):
        if cpu_s is not None:
            cpu_s[stage] += float(spent)
    return record


def left_cents(truth: dict[str, Any], string: str) -> float:
    """What a string was left at, without what slipped when it was hardly heard any more."""
    ends = [n["end_s"] for n in truth["notes"] if string in (n["string"], n.get("string_2"))]
    unheard = [
        slip["to_cents"] - slip["from_cents"]
        for slip in truth["slips"]
        if slip["string"] == string and slip["end_s"] >= max(ends, default=0.0) - HEARD_S
    ]
    return float(truth["strings"][string]["left_cents"] - sum(unheard))


def compare(record: Measured, truth: dict[str, Any], take: str) -> list[Verdict]:
    """Every string of a take against its truth."""
    verdicts = []
    for name, string in record["strings"].items():
        true = truth["strings"][name]
        found = string["deviation_cents"]
        error = None if found is None else found - left_cents(truth, name)
        half = string["uncertainty_cents"]
        verdicts.append(Verdict(take, name, true["heard"], string["heard"], error, half))
    return verdicts


def run_group(
    difficulty: str,
    real: bool,
    takes: int,
    seed: int,
    table: dict[str, Instrument],
    wide: bool = False,
) -> Group:
    """`takes` invented takes, all instruments in turn."""
    group = Group()
    for k in range(takes):
        instrument = table[INSTRUMENTS[k % len(INSTRUMENTS)]]
        audio, truth = random_take(seed + k, instrument, difficulty, real=real, wide=wide)
        record = hear(audio, instrument, group.cpu_s)
        players = f"{', real' if real else ''}{', wide' if wide else ''}"
        name = f"{difficulty}{players}, seed {seed + k}, {instrument.key}"
        group.verdicts += compare(record, truth, name)
        group.recorded_s += len(audio) / RATE_HZ
        group.takes += 1
    return group


def row(name: str, verdicts: Iterable[Verdict]) -> str:
    """A group's row of the table."""
    sounded = [v for v in verdicts if v.sounded]
    known = [v for v in sounded if v.is_known]
    errors = np.array([abs(v.error_cents or 0.0) for v in known])
    halves = np.array([v.half_cents or 0.0 for v in known])
    counts = [sum(v.heard == answer for v in sounded) for answer in ("unsure", "not_heard")]
    wrong = sum(v.silently_wrong for v in verdicts)
    if not known:
        return f"| {name} | {len(sounded)} | | | | | {counts[0]} | {counts[1]} | {wrong} |"
    inside = 100 * np.mean(errors <= halves)
    return (
        f"| {name} | {len(sounded)} | {np.median(errors):.2f} | {np.quantile(errors, 0.95):.2f} "
        f"| {inside:.1f} | {np.median(halves):.1f} | {counts[0]} | {counts[1]} | {wrong} |"
    )


def memory_rows(instrument: Instrument, seed: int) -> list[str]:
    """Rows: what each stage's own process costs for one take, as the workflow runs it."""
    audio, _ = random_take(seed, instrument, "usual")
    rows = []
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
            rows.append(f"| {stage} | {child.stdout.strip()} |")
    return rows


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="few takes: under two minutes")
    parser.add_argument("--takes", type=int, default=32, help="takes per group")
    parser.add_argument("--seed", type=int, default=900_000)
    parser.add_argument("--wide", action="store_true", help="also bodies, bows, partners of others")
    parser.add_argument("--list", action="store_true", help="name the silently wrong strings")
    options = parser.parse_args()
    takes = len(INSTRUMENTS) if options.quick else options.takes
    table = load_instruments(CONFIG)
    groups = {}
    sources = (False, True) if samples.SOUND_FONT.is_file() else (False,)
    for number, (difficulty, real) in enumerate((d, r) for r in sources for d in DIFFICULTIES):
        name = f"{difficulty}, {'real' if real else 'model'}"
        groups[name] = run_group(difficulty, real, takes, options.seed + 10_000 * number, table)
    if options.wide and samples.SOUND_FONT.is_file():
        for number, real in enumerate(sources):
            name = f"wide, {'real' if real else 'model'}"
            seed = options.seed + 100_000 + 10_000 * number
            groups[name] = run_group("usual", real, takes, seed, table, wide=True)
    print("| group | strings | p50 | p95 | inside, % | half-width | unsure | not heard | wrong |")
    print("|---|---|---|---|---|---|---|---|---|")
    verdicts = [v for group in groups.values() for v in group.verdicts]
    for name, group in groups.items():
        print(row(name, group.verdicts))
    for name in INSTRUMENTS:
        print(row(name, [v for v in verdicts if v.take.endswith(f", {name}")]))
    print(row("all", verdicts))
    if options.list:
        for v in verdicts:
            if v.silently_wrong:
                print(f"{v.take}: {v.string} off by {v.error_cents:+.1f}, said {v.half_cents:.1f}")
    print("\n| stage | CPU s per recorded minute |\n|---|---|")
    minutes = sum(group.recorded_s for group in groups.values()) / 60
    for stage in STAGES:
        print(f"| {stage} | {sum(g.cpu_s[stage] for g in groups.values()) / minutes:.2f} |")
    print("\n| stage as a process of its own, one take | CPU s | peak MB |\n|---|---|---|")
    print("\n".join(memory_rows(table["cello"], options.seed)))


if __name__ == "__main__":
    main()
