"""Figures for whole classes: the first run, and the runs after it; and the least they could cost.

    python scripts/lab/benchmark_class.py [--sizes 30,120,500] [--cores 2] [--made FOLDER]

Every student of an invented class hands in two minutes as phones, browsers and learning platforms
write them (`lab.large_class`). The class is graded by the teacher's command; then again with
nothing changed, with one retake, one mark, one tolerance. Of each run: wall and CPU seconds of all
its processes, jobs, and the largest process of the jobs and of the scheduler. Of the first run:
what each job took. Beside it the floor (`lab.class_floor`): the same takes measured and the same
sheets and clips made in one process without an engine, with a check that the results are the same.
With --made the recordings stay in FOLDER for the next time: 22 MB a student, and a few minutes.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import contextlib
import multiprocessing
import re
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import psutil

from lab import bench, large_class, provenance

WATCH_S = 0.5  # between two looks at the scheduler's memory and time
JOB_STARTED = re.compile(r"^(?:local)?rule (\w+):", re.MULTILINE)
STEPS_TOOK = re.compile(r"^([\w ]+): (\d+) steps, ([0-9.]+) CPU s, (\d+) MB$", re.MULTILINE)
RUN_COLUMNS = ("run", "wall s", "CPU s", "CPU s a take", "jobs", "job MB", "scheduler MB", "code")
PART_COLUMNS = ("first run", "steps", "CPU s", "CPU s a take", "MB")
FLOOR_COLUMNS = ("floor", "CPU s", "CPU s a take", "MB")


@dataclass
class Run:
    """What one run took."""

    code: int
    wall_s: float
    cpu_s: float
    log: str
    scheduler_mb: float
    scheduler_s: float
    parts: list[tuple[str, int, float, float]] = field(default_factory=list)

    def row(self, name: str, students: int) -> tuple[object, ...]:
        """A line of the table of runs."""
        jobs = len(JOB_STARTED.findall(self.log)) - self.log.count("localrule all:")
        of_jobs = [mb for part, *_, mb in self.parts if not part.startswith("server")]
        each_s = self.cpu_s / students
        times = self.wall_s, self.cpu_s, each_s, jobs
        return name, *times, max(of_jobs, default=None), self.scheduler_mb, self.code

    def rows(self, students: int) -> Iterator[tuple[object, ...]]:
        """The lines of the table of parts; what is left is the shells that start the steps."""
        parts = [*self.parts, ("scheduler", 1, self.scheduler_s, self.scheduler_mb)]
        for name, steps, cpu_s, mb in parts:
            yield name, steps, cpu_s, cpu_s / students, mb
        rest_s = self.cpu_s - sum(cpu_s for _, _, cpu_s, _ in parts)
        yield "shells, summary", None, rest_s, rest_s / students, None


def main() -> None:
    """Make the classes, run them, print the figures."""
    parser = bench.options_of(__doc__, sizes="30,120,500", cores="2")
    parser.add_argument("--made", type=Path, help="keep the recordings in this folder")
    options = parser.parse_args()
    bench.begin(options, "psutil")
    with tempfile.TemporaryDirectory(dir=options.made and options.made.parent) as folder:
        made = options.made or Path(folder) / "made"
        for students in map(int, options.sizes.split(",")):
            grade_one(Path(folder) / f"class{students}", made, students, options.cores)


def grade_one(class_dir: Path, made: Path, students: int, cores: str) -> None:
    """All runs of one class, and its floor."""
    large_class.make_class(class_dir, made, students)
    again = large_class.recording(made, students)
    first: list[Run] = []

    def runs() -> Iterator[tuple[object, ...]]:
        for name, change in CHANGES.items():
            change(class_dir, again)
            first.append(run := grade(class_dir, cores))
            yield run.row(f"{students}: {name}", students)

    bench.print_table(RUN_COLUMNS, runs())
    bench.print_table(PART_COLUMNS, first[0].rows(students))
    print_floor(class_dir, students, first[0].cpu_s)


def print_floor(class_dir: Path, students: int, cold_s: float) -> None:
    """The least that the class could cost, and how far the first run is from it."""
    from lab.class_floor import class_floor

    own = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=own) as one:
        cpu_s, mb = one.submit(class_floor, class_dir).result()
    whole_s = sum(cpu_s.values())
    rows: list[tuple[object, ...]] = [(k, s, s / students, None) for k, s in cpu_s.items()]
    bench.print_table(FLOOR_COLUMNS, [*rows, ("together", whole_s, whole_s / students, mb)])
    print(f"first run against the floor: {cold_s / whole_s:.2f} times its CPU s", flush=True)


# -- what changes between the runs ----------------------------------------------------------------


def nothing(class_dir: Path, again: Path) -> None:
    """Leave everything as it is."""


def hand_in_again(class_dir: Path, again: Path) -> None:
    """A second take of the first student."""
    large_class.hand_in(class_dir, again, "b000 take 2")


def change_a_mark(class_dir: Path, again: Path) -> None:
    """Another number of points in one cell."""
    large_class.write_marks(class_dir, 0)


def change_a_tolerance(class_dir: Path, again: Path) -> None:
    """Another tolerance for all."""
    with open(class_dir / "assignment.yaml", "a", encoding="utf-8") as stream:
        stream.write("tolerances: {in_tune_cents: 4}\n")


CHANGES = {
    "cold": nothing,
    "unchanged": nothing,
    "one retake": hand_in_again,
    "one mark": change_a_mark,
    "one tolerance": change_a_tolerance,
}


# -- running it -------------------------------------------------------------------------------


def grade(class_dir: Path, cores: str) -> Run:
    """Grade the class by the teacher's command, and watch what it takes."""
    command = [
        sys.executable,
        str(provenance.ROOT / "scripts" / "grade.py"),
        str(class_dir),
        "--cores",
        cores,
    ]
    start = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    ended = threading.Event()
    seen: dict[str, float] = {"mb": 0.0, "cpu_s": 0.0}
    watcher = threading.Thread(target=watch, args=(process.pid, ended, seen))
    watcher.start()
    _, status, used = os.wait4(process.pid, 0)
    wall_s = time.monotonic() - start
    ended.set()
    watcher.join()
    process.returncode = os.waitstatus_to_exitcode(status)
    log = (class_dir / "results" / "logs" / "run.log").read_text("utf-8")
    cpu_s = used.ru_utime + used.ru_stime
    parts = [(name, int(n), float(s), float(mb)) for name, n, s, mb in STEPS_TOOK.findall(log)]
    return Run(process.returncode, wall_s, cpu_s, log, seen["mb"], seen["cpu_s"], parts)


def watch(pid: int, ended: threading.Event, seen: dict[str, float]) -> None:
    """Note the scheduler's high-water mark and CPU seconds until the run has ended."""
    while not ended.wait(WATCH_S):
        with contextlib.suppress(psutil.Error, OSError):
            for process in psutil.Process(pid).children():
                if "snakemake" in process.cmdline():
                    used = process.cpu_times()
                    seen["cpu_s"] = used.user + used.system
                    seen["mb"] = max(seen["mb"], peak_mb(process.pid))


def peak_mb(pid: int) -> float:
    """The most memory a process has had so far (VmHWM), in MB."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    found = re.search(r"^VmHWM:\s+(\d+) kB", status, re.MULTILINE)
    return int(found[1]) / 1024 if found else 0.0


if __name__ == "__main__":
    main()
