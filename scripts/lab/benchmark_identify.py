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

import math
import time

from lab import bench
from lab.paths import Habits, random_path
from pegmark.identify import name_strings
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Notes

KEYS = (*bench.INSTRUMENTS, "five-string bass")
IDENTIFY_COLUMNS = (
    "instrument", "spread", "notes", "right %", "unsure %", "wrong %", "takes wrong", "nearest %",
    "ms/take",
)  # fmt: skip
SPREADS = (150, 250, 350, 450, 550)  # cents, drawn evenly over +-spread


def main() -> None:
    """Print the table."""
    parser = bench.options_of(__doc__, takes=300, seed=1_000_000)
    parser.add_argument("--quick", action="store_true", help="a tenth of the takes")
    options = parser.parse_args()
    bench.begin(options)
    takes = max(1, options.takes // 10) if options.quick else options.takes
    bench.print_table(
        IDENTIFY_COLUMNS,
        (
            (key, spread, *_group(bench.TABLE[key], spread, takes, options.seed))
            for key in KEYS
            for spread in SPREADS
        ),
    )


def _record(notes: list[Any]) -> Notes:
    return {
        "take": "lab",
        "status": "ok",
        "problems": [],
        "recording": None,
        "notes": notes,
        "speech": [],
    }


def _group(instrument: Instrument, spread: float, takes: int, seed: int) -> tuple[object, ...]:
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
    share = {name: 100 * number / total for name, number in counts.items()}
    parts = (share["right"], share["unsure"], f"{share['wrong']:.3f}")
    return (total, *parts, wrong_takes, share["nearest"], 1000 * cpu / takes)


def _nearest(f0_hz: float, instrument: Instrument) -> str:
    return min(instrument.hz().items(), key=lambda item: abs(math.log(f0_hz / item[1])))[0]


if __name__ == "__main__":
    main()
