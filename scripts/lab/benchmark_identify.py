"""Figures for naming strings: simulated takes, by instrument and by how far they start out.

    python scripts/lab/benchmark_identify.py [--quick]

Per group: notes named rightly, left unsure, named wrongly (the last must stay near zero), takes
with any wrong name, and CPU milliseconds for a take. `nearest` is the share that the nearest
open string alone would get right.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import argparse
import math
import time

from lab.paths import Habits, random_path
from pegmark.identify import name_strings
from pegmark.trade.instruments import Instrument, load_instruments

if TYPE_CHECKING:
    from pegmark.records.take import Notes

CONFIG = Path(__file__).resolve().parents[2] / "config" / "instruments.yaml"
SPREADS = (150, 250, 350, 450, 550)  # cents, drawn evenly over +-spread


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Figures for naming strings, simulated takes.")
    parser.add_argument("--quick", action="store_true", help="a tenth of the takes")
    parser.add_argument("--seed", type=int, default=1_000_000)
    takes = 30 if (options := parser.parse_args()).quick else 300
    table = load_instruments(CONFIG)
    print("instrument      spread  notes  right%  unsure%  wrong%  takes wrong  nearest%  ms/take")
    for key in ("violin", "viola", "cello", "double bass", "five-string bass"):
        for spread in SPREADS:
            print(f"{key:16s}{spread:5d}  " + _group(table[key], spread, takes, options.seed))


def _record(notes: list[Any]) -> Notes:
    return {
        "take": "lab",
        "status": "ok",
        "problems": [],
        "recording": None,
        "notes": notes,
        "speech": [],
    }


def _group(instrument: Instrument, spread: float, takes: int, seed: int) -> str:
    counts = {"right": 0, "unsure": 0, "wrong": 0, "nearest": 0}
    wrong_takes, total, cpu = 0, 0, 0.0
    for k in range(takes):
        path = random_path(instrument, seed + k, Habits(spread_cents=spread, uniform=True))
        notes = [{**n, "f0_hz": n["coarse_hz"]} for n in path.notes]
        begin = time.process_time()
        named = name_strings(_record(notes), instrument)["notes"]
        cpu += time.process_time() - begin
        wrong = 0
        for note, truth in zip(named, path.names, strict=True):
            total += 1
            found: Any = note["string"]
            if isinstance(truth, tuple) and found is not None:
                found = (found, note["string_2"])
            else:
                counts["nearest"] += _nearest(note["f0_hz"], instrument) == truth
            if found is None:
                counts["unsure"] += 1
            else:
                counts["right" if found == truth else "wrong"] += 1
                wrong += found != truth
        wrong_takes += wrong > 0
    share = {name: 100 * count / total for name, count in counts.items()}
    return (
        f"{total:5d}  {share['right']:6.2f}  {share['unsure']:7.2f}  {share['wrong']:6.3f}  "
        f"{wrong_takes:5d}/{takes:<5d}  {share['nearest']:8.1f}  {1000 * cpu / takes:7.1f}"
    )


def _nearest(f0_hz: float, instrument: Instrument) -> str:
    return min(instrument.hz().items(), key=lambda item: abs(math.log(f0_hz / item[1])))[0]


if __name__ == "__main__":
    main()
