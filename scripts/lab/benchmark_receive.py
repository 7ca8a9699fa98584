"""Figures for the intake: a made class, taken in for the first time and again.

    python scripts/lab/benchmark_receive.py [--students 150] [--files 2]

Prints CPU seconds without hashing (the files are small) and the peak of memory.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import csv
import itertools
import random
import resource
import tempfile
import time

from lab import bench
from lab.classroom import hand_in
from lab.spellings import make_class, spell


def make_folder(root: Path, size: int, each: int) -> int:
    """A class folder of `size` students; returns the number of recordings."""
    students = make_class(3, size)
    rng = random.Random(3)
    columns = ("student_id", "family_name", "given_name", "instrument", "section", "nickname")
    with open(root / "roster.csv", "w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        writer.writerows([getattr(one, column) for column in columns] for one in students)
    made = 0
    for one in students:
        for _ in range(each):
            file = spell(one, students, rng).file
            if not (root / "submissions" / file).exists():
                made += 1
                hand_in(root, file, f"recording {made}")
    return made


def main() -> None:
    """Time import, first and second intake."""
    options = bench.options_of(__doc__, students=150, files=2).parse_args()
    bench.begin(options)
    size, each = options.students, options.files
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        made = make_folder(root, size, each)
        marks = [time.process_time()]
        from pegmark.receive import take_in

        marks.append(time.process_time())
        for _ in range(2):
            intake = take_in(root, bench.CONFIG)
            marks.append(time.process_time())
    load, first, again = (after - before for before, after in itertools.pairwise(marks))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{size} students, {made} recordings, {intake.count('received')} matched")
    print(f"import {load:.2f} s, first {first:.2f} s, again {again:.2f} s, peak {peak:.0f} MB")


if __name__ == "__main__":
    main()
