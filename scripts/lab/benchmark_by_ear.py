"""Figures for tuning to a sounded A: invented takes in which another sounds it, beside the truth.

    python scripts/lab/benchmark_by_ear.py [--takes 3] [--seed 51000000] [--keep FOLDER]

For each of those who sound it (a piano, a reed, a partner, a tone ...; `lab.openings.SOUNDED`) so
many whole takes, and as many in which nobody does: was the A found within A_FOUND_CENTS, and the
level of every string beside the one that its truth earns from the A that was sounded. It is right,
open (the teacher is asked), given (better than earned: the benefit of the doubt, by design) or
wrong: points lost that were earned. Where nobody sounds an A, an A that is not open is wrong.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import argparse
from collections import Counter
from collections.abc import Iterator
from typing import Any

import numpy as np

from lab import bench
from lab.bench import INSTRUMENTS, TABLE
from lab.benchmark_grade import ideal_take, score_take
from pegmark.files.store import read_json, rounded, write_json
from pegmark.trade.instruments import Instrument
from pegmark.trade.tolerances import LEVELS

A_FOUND_CENTS = 3.0  # what a teacher hears as another A (common practice, no source)
LEVEL_OUTCOMES = ("right", "open", "given", "wrong")
BY_EAR_COLUMNS = ("who sounds it", "takes", "A found", *LEVEL_OUTCOMES, "wrong in")


def main() -> None:
    """Print a row for each of those who sound the A, then all of them together."""
    parser = bench.options_of(__doc__, takes=3, seed=51_000_000)
    parser.add_argument("--keep", type=Path, help="keep the measured takes in this folder")
    options = parser.parse_args()
    bench.begin(options)
    bench.print_table(BY_EAR_COLUMNS, _rows(options))


def _rows(options: argparse.Namespace) -> Iterator[tuple[object, ...]]:
    from lab.openings import SOUNDED

    seed, together, found_in_all = options.seed, Counter[str](), 0
    for by in (*SOUNDED, None):
        counts, found, wrong = Counter[str](), 0, []
        for _ in range(options.takes):
            instrument = TABLE[INSTRUMENTS[seed % len(INSTRUMENTS)]]
            measured, truth = _listen(seed, instrument, by, options.keep)
            levels, is_found = _compared(measured, truth, instrument)
            counts.update(levels.values())
            found += is_found
            wrong += [f"{seed} {name}" for name, how in levels.items() if how == "wrong"]
            seed += 1
        shown = tuple(counts[one] for one in LEVEL_OUTCOMES)
        yield (by or "nobody", options.takes, found, *shown, ", ".join(wrong))
        if by:
            together += counts
            found_in_all += found
    takes = options.takes * len(SOUNDED)
    yield ("somebody", takes, found_in_all, *(together[one] for one in LEVEL_OUTCOMES), "")


def _listen(
    seed: int, instrument: Instrument, by: str | None, keep: Path | None
) -> tuple[dict[str, Any], dict[str, Any]]:
    """A take as it was measured, and its truth."""
    path = keep / f"{seed}.json" if keep else None
    if path and path.exists():
        kept = read_json(path)
        return kept["measured"], kept["truth"]
    from lab.chain import hear
    from lab.openings import opening_take

    audio, truth = opening_take(seed, instrument, by, whole=True)
    measured = rounded(hear(audio, instrument).measured)
    if path:
        write_json(path, {"measured": measured, "truth": rounded(truth)})
    return measured, truth


def _compared(
    measured: dict[str, Any], truth: dict[str, Any], instrument: Instrument
) -> tuple[dict[str, str], bool]:
    """How the level of each string compares with the truth's, and whether the A was found."""
    record = score_take(measured, instrument, "by_ear")
    a_cents = 1200 * float(np.log2(truth["a4_hz"] / 440))
    ideal = ideal_take(truth, instrument)
    tone = {"kind": "reference_tone", "string": None, "start_s": 0.0, "end_s": 1.0,
            "f0_hz": truth["a4_hz"], "deviation_cents": None}  # fmt: skip
    own = [n for n in ideal["notes"] if n["kind"] != "reference_tone"]
    ideal["notes"] = [{**own[0], **tone}, *own]
    perfect = score_take(ideal, instrument, "by_ear")
    own_a = next(name for name in instrument.strings if name[0] == "A")
    counted = record["strings"][own_a]["zero_cents"]
    is_sounded = record["strings"][own_a]["judged"]["against"] == "reference_tone"
    is_found = is_sounded and abs(counted - a_cents) <= A_FOUND_CENTS
    return {
        name: _outcome(string["verdict"], perfect["strings"][name]["verdict"], name, truth)
        for name, string in record["strings"].items()
    }, is_found


def _outcome(heard: str, true: str, name: str, truth: dict[str, Any]) -> str:
    if heard not in LEVELS:
        return "open"
    if truth["by"] is None:  # from the student's own A: all but A itself
        return "wrong" if name[0] == "A" else "right"
    if true not in LEVELS or heard == true:
        return "right"
    return "given" if LEVELS.index(heard) < LEVELS.index(true) else "wrong"


if __name__ == "__main__":
    main()
