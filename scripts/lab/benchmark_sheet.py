"""Figures for a sheet: CPU seconds with the start-up of its process, without, and of the pictures.

    python scripts/lab/benchmark_sheet.py

Goals: 2.0 with start-up, 1.0 without, 0.3 for the pictures. Figures are medians.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import json
import resource
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from functools import partial
from typing import Any

from lab import bench
from lab import sheet_examples as examples
from pegmark.render import pictures, sheet, string_path

RUNS = 7
SHEET_COLUMNS = ("CPU seconds a sheet", "start-up", "without", "pictures", "PDF kB")


def in_process(work: Callable[[], object]) -> float:
    """Median CPU seconds of `work` in this process, after one run to warm up."""
    work()
    times = []
    for _ in range(RUNS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return statistics.median(times)


def whole_process(record: Any, ticket: Any) -> float:
    """Median CPU seconds of scripts/render.py, started for one student."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "record.json").write_text(json.dumps(record), "utf-8")
        (place / "ticket.json").write_text(json.dumps(ticket), "utf-8")
        named = {
            "--record": "record.json",
            "--ticket": "ticket.json",
            "--sheet": "sheet.pdf",
            "--clips": "clips",
            "--faults": "faults.json",
        }
        command = [sys.executable, str(bench.provenance.ROOT / "scripts" / "render.py")]
        for option, name in named.items():
            command += [option, str(place / name)]
        times = []
        for _ in range(RUNS):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(command, check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(times)


def draw(record: Any, ticket: Any) -> None:
    """All pictures of one sheet."""
    frame = string_path.frame_of(record)
    instrument = examples.TABLE[ticket["instrument"]["key"]]
    for rank, (name, string) in enumerate(record["strings"].items()):
        notes = [note for note in record["notes"] if note["string"] == name]
        home = string_path.home_of(record, name, instrument)
        pictures.string_svg(string, notes, frame, home, rank)


def main() -> None:
    """Print the figures."""
    bench.begin(bench.options_of(__doc__).parse_args())
    cases = {
        "one page": (examples.marked(examples.record()), examples.ticket()),
        "set tight": (examples.bass(), examples.ticket("double bass", paper="Letter")),
        "missing": (examples.unmeasured("missing"), examples.ticket()),
    }
    bench.print_table(SHEET_COLUMNS, (row(name, *case) for name, case in cases.items()))


def row(name: str, record: Any, ticket: Any) -> tuple[object, ...]:
    """What one sheet costs."""
    render = partial(sheet.render_sheet, record, ticket)
    drawn = in_process(partial(draw, record, ticket))
    size_kb = len(render()) / 1000
    return name, whole_process(record, ticket), in_process(render), drawn, size_kb


if __name__ == "__main__":
    main()
