"""What the workflow engine itself takes for very many takes: time and memory of its job graph.

    python scripts/lab/benchmark_graph.py [--most 10000] [--class_size 120]

No sound is heard here. For a class of each size an invented roster and one small file a student
are taken in; then the engine plans every step and passes each through its scheduler, with its own
`--touch` in place of doing it. For many classes in one workflow the graph over all classes is
planned, and one class of the usual size measured, which is all that a job of it holds. CPU and wall
seconds, and the most memory of the engine's process, as the system counts them at its end.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import csv
import os
import re
import subprocess
import tempfile
import time
from dataclasses import dataclass

import environment
from lab import bench
from pegmark.files.store import write_json

GRAPH_SIZES = (500, 2000)  # takes, beside the smallest and the most that are asked for
GRAPH_HEAD = "{:>12s} {:>8s} {:>10s} {:>8s} {:>9s} {:>10s} {:>8s} {:>9s}"
GRAPH_COLUMNS = ("wall s", "CPU s", "memory MB")  # of planning, then of passing all through
DISTRICT_TAKES = 100_000  # takes of a large district
GRAPH_ROSTER = ("student_id", "family_name", "given_name", "instrument", "section", "email")
OF_TAKE = ("decoded/{}.npy", "decoded/{}.json", "notes/{}.json", "strings/{}.json",
           "measured/{}.json")  # fmt: skip
OF_STUDENT = ("scores/{}.json", "records/{}.json", "sheets/{}.pdf", "faults/{}.json")
OF_CLASS = ("recheck.json", "dashboard.html", "gradebook.csv", "attention.csv")


@dataclass
class Cost:
    """What a start of the engine took."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    output: str


def main() -> None:
    """Print the costs, a row for each size."""
    parser = bench.options_of(__doc__, most=10_000, class_size=120)
    options = parser.parse_args()
    bench.begin(options)
    sizes = [takes for takes in GRAPH_SIZES if takes < options.most]
    print(GRAPH_HEAD.format("one class of", "steps", *GRAPH_COLUMNS, *GRAPH_COLUMNS))
    for takes in (options.class_size, *sizes, options.most):
        print(row(takes, *cost_of_class(takes)), flush=True)
    print(
        "\n" + GRAPH_HEAD.format("classes of", "jobs", *GRAPH_COLUMNS, *["" for _ in GRAPH_COLUMNS])
    )
    for many in (options.most, DISTRICT_TAKES):
        classes = -(-many // options.class_size)
        print(row(options.class_size, classes, cost_of_classes(classes)), flush=True)


def row(takes: int, jobs: int, *costs: Cost) -> str:
    """A line of the tables: wall and CPU seconds and memory of each start."""
    told = [f"{one.wall_s:10.1f} {one.cpu_s:8.1f} {one.peak_mb:9.0f}" for one in costs]
    return f"{takes:12d} {jobs:8d} " + " ".join(told)


def cost_of_class(takes: int) -> tuple[int, Cost, Cost]:
    """The steps of one class of that many takes; what planning, and passing them through, took."""
    with tempfile.TemporaryDirectory() as folder:
        class_dir = make_class(Path(folder) / "class", takes)
        start = (environment.ROOT / "Snakefile", class_dir, "--config", f"class_dir={class_dir}")
        planned = engine(*start, "--dry-run")
        steps = int(re.findall(r"^total +(\d+)", planned.output, re.MULTILINE)[-1])
        lay_out(class_dir / "results", planned.output)
        return steps, planned, engine(*start, "--touch", "--forceall", "--quiet", "all")


def make_class(class_dir: Path, takes: int) -> Path:
    """A class folder with as many students, each with one small file that stands for a take."""
    (class_dir / "submissions").mkdir(parents=True)
    with open(class_dir / "roster.csv", "w", newline="", encoding="utf-8") as stream:
        table = csv.writer(stream)
        table.writerow(GRAPH_ROSTER)
        for number in range(takes):
            student = f"q{number:06d}"
            table.writerow([student, f"Desk{number}", "Player", "violin", "", ""])
            (class_dir / "submissions" / f"{student}_tuning.wav").write_text(student)
    return class_dir


def lay_out(results: Path, planned: str) -> None:
    """An empty file for every output that was planned, so that the engine's `--touch` finds it."""
    takes = re.findall(r"^ +wildcards: take=(\S+)$", planned, re.MULTILINE)
    students = re.findall(r"^ +wildcards: student=(\S+)$", planned, re.MULTILINE)
    names = [pattern.format(take) for pattern in OF_TAKE for take in takes]
    names += [f"work/{pattern.format(one)}" for pattern in OF_STUDENT for one in students]
    for name in (*names, *(f"work/{one}" for one in OF_CLASS), "seal.json"):
        path = results / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    for one in students:
        (results / "work" / "clips" / one).mkdir(parents=True, exist_ok=True)
    (results / "work" / "outbox").mkdir(exist_ok=True)


def cost_of_classes(classes: int) -> Cost:
    """What planning the workflow over that many classes took."""
    with tempfile.TemporaryDirectory() as folder:
        plan = {"classes": [f"/class-{n}" for n in range(classes)], "profile": "default"}
        write_json(Path(folder) / "plan.json", plan)
        return engine(environment.ROOT / "workflow" / "classes.smk", Path(folder), "--dry-run")


def engine(snakefile: Path, folder: Path, *more: str) -> Cost:
    """Start the engine on a workflow in a folder, and see what it took until its end."""
    profile = environment.PROFILES / "default"
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(snakefile),
               "--workflow-profile", str(profile), *more]  # fmt: skip
    began = time.monotonic()
    with tempfile.TemporaryFile("w+") as told:
        process = subprocess.Popen(command, cwd=folder, stdout=told, stderr=told)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        told.seek(0)
        output = told.read()
    if process.returncode != 0:
        sys.exit(f"The engine failed:\n{output}")
    cpu_s = usage.ru_utime + usage.ru_stime
    return Cost(time.monotonic() - began, cpu_s, usage.ru_maxrss / 1024, output)


if __name__ == "__main__":
    main()
