"""Figures for a whole class: the first run, and the runs after it.

    python scripts/lab/benchmark_class.py [--students 150] [--cores all] [--keep FOLDER]

Every student of an invented class hands in one take of the sound laboratory, as phones and
browsers write them (AAC, Opus, MP3). The class is graded by the teacher's command; then again with
nothing changed, after a copy with new times, with one retake, with one mark changed. Of each run:
wall and CPU seconds of all its processes, and how many jobs there were. At the end: the most
memory that any process of a stage took (its high-water mark, read while it runs), and the room on
the disk. With --keep the recordings stay in FOLDER, for the next time.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import contextlib
import csv
import os
import re
import shutil
import subprocess
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field

import psutil

from environment import SCRIPTS
from lab import bench
from pegmark.signals.audio import RATE_HZ

DESKS = ("violin", "violin", "viola", "violin", "cello", "double bass")  # as an orchestra has them
BIG_FORMATS = ("m4a", "ogg", "mp3")
BIG_SEED = 5_000_000
LOOK_S = 0.25  # between two looks at the memory of the processes
STAGE = re.compile(r"(\w+)\.py$")
BIG_ROSTER = ("student_id", "family_name", "given_name", "instrument", "section", "email")
BIG_MARKS = ("student_id", "criterion", "points", "comment")


@dataclass
class Run:
    """What one run took."""

    name: str
    code: int
    wall_s: float
    cpu_s: float
    jobs: Counter[str]
    peak_mb: dict[str, float] = field(default_factory=dict)  # stage -> the most of one process

    def row(self) -> str:
        """A line of the table."""
        jobs = ", ".join(f"{count} {rule}" for rule, count in self.jobs.items()) or "none"
        return f"{self.name:24s} {self.wall_s:8.1f} {self.cpu_s:8.1f}   {self.code}   {jobs}"


def main() -> None:
    """Make the class, run it, print the figures."""
    parser = bench.options_of(__doc__, students=150, cores="all")
    parser.add_argument("--keep", type=Path, help="keep the recordings in this folder")
    options = parser.parse_args()
    bench.begin(options, "psutil")
    with tempfile.TemporaryDirectory() as folder:
        takes = options.keep or Path(folder) / "takes"
        class_dir = Path(folder) / "class"
        seconds = make_class(class_dir, takes, options.students)
        print(
            f"{options.students} students, {seconds / 60:.0f} minutes recorded, "
            f"{size_mb(class_dir):.0f} MB; seeds from {BIG_SEED}"
        )
        print(f"{'run':24s} {'wall s':>8s} {'CPU s':>8s}  code  jobs", flush=True)
        runs = []
        for name, change in CHANGES.items():
            change(class_dir, takes, options.students)
            runs.append(grade(name, class_dir, options.cores))
            print(runs[-1].row(), flush=True)
        peaks: dict[str, float] = {}
        for run in runs:
            for stage, peak in run.peak_mb.items():
                peaks[stage] = max(peak, peaks.get(stage, 0.0))
        print("most memory of a process, MB: " + ", ".join(
            f"{stage} {peak:.0f}" for stage, peak in sorted(peaks.items(), key=lambda p: -p[1])
        ))  # fmt: skip
        print(f"results: {size_mb(class_dir / 'results'):.0f} MB")


# -- the class ----------------------------------------------------------------------------------


def make_class(class_dir: Path, takes: Path, students: int) -> float:
    """A class folder with a take of every student; how many seconds were recorded."""
    (class_dir / "submissions").mkdir(parents=True)
    takes.mkdir(parents=True, exist_ok=True)
    rows = []
    for number in range(students):
        student, instrument = f"b{number:03d}", DESKS[number % len(DESKS)]
        rows.append([student, f"Desk{number}", "Player", instrument, "", ""])
        take = record(takes, number, instrument)
        shutil.copy(take, class_dir / "submissions" / f"{student}_tuning{take.suffix}")
    write_table(class_dir / "roster.csv", BIG_ROSTER, rows)
    (class_dir / "assignment.yaml").write_text(
        'title: "Tuning"\nclass_name: "Large Class"\ndue: 2026-03-06 18:00 +00:00\n',
        encoding="utf-8",
    )
    write_marks(class_dir, 1)
    return sum(map(seconds_of, sorted((class_dir / "submissions").iterdir())))


def record(takes: Path, number: int, instrument: str) -> Path:
    """The take of one number and instrument: made once, then kept in `takes`."""
    path = (
        takes / f"{number}-{instrument.replace(' ', '_')}.{BIG_FORMATS[number % len(BIG_FORMATS)]}"
    )
    if path.exists():
        return path
    import numpy as np

    from lab.containers import write_recording
    from lab.takes import random_take

    table = bench.TABLE
    audio, _ = random_take(BIG_SEED + number, table[instrument], "usual")
    as_played = np.repeat(
        audio, 48000 // RATE_HZ
    )  # Opus takes 48 kHz; the images are above hearing
    part = path.with_name(f"part-{path.name}")
    write_recording(part, as_played, 48000, kind=path.suffix[1:])
    part.rename(path)
    return path


def seconds_of(path: Path) -> float:
    """How long a recording is."""
    import av

    with av.open(str(path)) as container:
        return float(container.duration or 0) / av.time_base


def write_marks(class_dir: Path, points: int) -> None:
    """The teacher's marks of the first student."""
    write_table(class_dir / "marks.csv", BIG_MARKS, [["b000", "bridge", str(points), ""]])


def write_table(path: Path, columns: tuple[str, ...], rows: list[list[str]]) -> None:
    """Write a CSV table."""
    with open(path, "w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        writer.writerows(rows)


# -- what changes between the runs ----------------------------------------------------------------


def nothing(class_dir: Path, takes: Path, students: int) -> None:
    """Leave everything as it is."""


def give_new_times(class_dir: Path, takes: Path, students: int) -> None:
    """As a copy that keeps no times."""
    for path in (class_dir / "submissions").iterdir():
        os.utime(path)


def hand_in_again(class_dir: Path, takes: Path, students: int) -> None:
    """A second take of the first student."""
    take = record(takes, students, DESKS[0])
    shutil.copy(take, class_dir / "submissions" / f"b000_tuning take 2{take.suffix}")


def change_a_mark(class_dir: Path, takes: Path, students: int) -> None:
    """Another number of points in one cell."""
    write_marks(class_dir, 0)


CHANGES = {
    "first": nothing,
    "nothing changed": nothing,
    "recordings copied anew": give_new_times,
    "one retake": hand_in_again,
    "one mark": change_a_mark,
}


# -- running it -------------------------------------------------------------------------------


def grade(name: str, class_dir: Path, cores: str) -> Run:
    """Grade the class by the teacher's command, and watch what it takes."""
    log = class_dir / "results" / "logs" / "run.log"
    peaks: dict[str, float] = {}
    start = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, str(SCRIPTS / "grade.py"), str(class_dir), "--cores", cores],
        stdout=subprocess.DEVNULL,
    )
    ended = threading.Event()
    watcher = threading.Thread(target=watch, args=(process.pid, ended, peaks))
    watcher.start()
    _, status, usage = os.wait4(process.pid, 0)
    wall_s = time.monotonic() - start
    ended.set()
    watcher.join()
    process.returncode = os.waitstatus_to_exitcode(status)
    jobs = Counter(re.findall(r"^(?:local)?rule (\w+):", log.read_text("utf-8"), re.MULTILINE))
    jobs.pop("all", None)
    cpu_s = usage.ru_utime + usage.ru_stime
    return Run(name, process.returncode, wall_s, cpu_s, jobs, peaks)


def watch(pid: int, ended: threading.Event, peaks: dict[str, float]) -> None:
    """Note the high-water mark of every process below `pid`, by stage, until the run has ended."""
    top = psutil.Process(pid)
    while not ended.wait(LOOK_S):
        with contextlib.suppress(psutil.Error):
            for process in (top, *top.children(recursive=True)):
                with contextlib.suppress(psutil.Error, OSError):
                    stage = stage_of(process.cmdline())
                    peaks[stage] = max(peak_mb(process.pid), peaks.get(stage, 0.0))


def stage_of(command: list[str]) -> str:
    """What a process is: the name of its script, or "engine"."""
    if "snakemake" in command[:3]:
        return "engine"
    found = [match[1] for word in command[:3] if (match := STAGE.search(word))]
    return found[0] if found else "shell"


def peak_mb(pid: int) -> float:
    """The most memory a process has had so far (VmHWM), in MB."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    found = re.search(r"^VmHWM:\s+(\d+) kB", status, re.MULTILINE)
    return int(found[1]) / 1024 if found else 0.0


def size_mb(folder: Path) -> float:
    """The room a folder takes, in MB; a file with two names counts once."""
    files = {s.st_ino: s.st_size for p in folder.rglob("*") if p.is_file() and (s := p.stat())}
    return sum(files.values()) / 1e6


if __name__ == "__main__":
    main()
