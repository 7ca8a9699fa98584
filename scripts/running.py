"""One run over a class: the intake, the workflow with its progress, and the teacher's summary.

Used by grade.py, inside the environment.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import signal
import subprocess
import sys
from collections import deque
from pathlib import Path
from typing import IO, Any

import classfolder
from pegmark.files.store import read_json
from pegmark.receive import take_in
from pegmark.receive.attention_rows import stray_report
from pegmark.receive.handed import Intake
from pegmark.receive.marks import write_template
from pegmark.records.faults import faults_of_class
from pegmark.records.problems import TeacherError

STEP = re.compile(rb"^(\d+) of (\d+) steps")
EXIT_FAULT, EXIT_REFUSED, EXIT_UNFINISHED, EXIT_STOPPED = 1, 2, 3, 130
BAR = "{desc} {bar} {n_fmt}/{total_fmt}"
LAST_LINES = 400  # of the engine's, kept for the reason of its end: a full disk may hold no log
NO_ROOM = re.compile(  # the last: how NumPy says it
    r"No space left on device|Disk quota exceeded|File too large|\d+ requested and \d+ written"
)
REASON = re.compile(r"^(?!CalledProcess|Workflow|Rule)\w+(?:Error|Exception)\b.*", re.MULTILINE)
LEAST_ROOM = 1 << 16  # bytes: with less, whatever failed, failed for want of room


def grade_class(class_dir: Path, root: Path, cores: str) -> int:
    """Take in, run, sum up. Returns the exit code of the command."""
    class_dir = class_dir.resolve()
    if not class_dir.is_dir():
        print(f"There is no folder {class_dir}. Give the folder that holds roster.csv.")
        return EXIT_REFUSED
    try:
        intake = receive(class_dir, root)
    except TeacherError as error:
        print("Nothing was graded and nothing was changed. Please fix this first:")
        for one in error.problems:
            print(f"  - {one['message']} {one['action']}")
        return EXIT_REFUSED
    except OSError as error:
        print(f"Nothing was graded: {classfolder.machine_says(error)}")
        return EXIT_REFUSED
    tell_intake(intake)
    code = run_workflow(class_dir, root, cores)
    if code in (0, EXIT_FAULT):
        tell_summary(class_dir)
    return code


def receive(class_dir: Path, root: Path) -> Intake:
    """Take the folder in; the engine does the same again, and finds nothing left to do."""
    handle = classfolder.hold(class_dir, print)
    try:
        classfolder.recognise(class_dir)
        return take_in(class_dir, root / "config")
    finally:
        classfolder.let_go(handle)


def write_marks_template(class_dir: Path) -> int:
    """Write the marks file with every open cell; the class must have been graded before."""
    records = read_records(class_dir)
    if not records:
        print("There are no results yet: grade the class first, without --marks-template.")
        return EXIT_REFUSED
    path = write_template(class_dir, records)
    print(f"Fill in the points in {path}." if path else "No cell is open: nothing to fill in.")
    return 0


# -- the workflow -----------------------------------------------------------------------------


def run_workflow(class_dir: Path, root: Path, cores: str) -> int:
    """Run the workflow with a progress bar; its whole output goes to results/logs/run.log."""
    command = [
        *(sys.executable, "-m", "snakemake", "--snakefile", str(root / "Snakefile")),
        *("--workflow-profile", str(root / "workflow" / "profiles" / "default")),
        *("--cores", cores, "--config", f"class_dir={class_dir}"),
    ]
    engine = subprocess.Popen(
        command, cwd=class_dir, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    assert engine.stdout is not None
    signal.signal(signal.SIGTERM, lambda *_: engine.terminate())
    stopped = False
    last: deque[bytes] = deque(maxlen=LAST_LINES)
    try:
        show_progress(engine.stdout, class_dir / "results" / "logs" / "run.log", last)
    except KeyboardInterrupt:  # the engine got it too, and ends its steps
        stopped = True
    with contextlib.suppress(KeyboardInterrupt):
        engine.communicate()
    code = engine.wait()
    if code == 0:
        return 0
    if stopped or code < 0:
        print("Stopped. What was done is kept; run again to go on from there.")
        return EXIT_STOPPED
    return tell_failure(class_dir, b"".join(last).decode("utf-8", errors="replace"))


def show_progress(lines: IO[bytes], log: Path, last: deque[bytes]) -> None:
    """Copy the engine's lines to the log, and its count of steps to a progress bar."""
    from tqdm import tqdm

    with contextlib.ExitStack() as stack:
        bar = stack.enter_context(
            tqdm(desc="Grading", leave=False, disable=None, bar_format=BAR)  # None: not in files
        )
        stream: IO[bytes] | None = None
        with contextlib.suppress(OSError):
            log.parent.mkdir(parents=True, exist_ok=True)
            stream = stack.enter_context(open(log, "wb", buffering=0))
        for line in lines:
            last.append(line)
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.write(line)
            if step := STEP.match(line):
                bar.total = int(step[2])
                bar.update(int(step[1]) - bar.n)


def tell_failure(class_dir: Path, output: str) -> int:
    """Say why the engine failed, and return the command's exit code."""
    results = class_dir / "results"
    faults = faults_of_class(results / "work")
    log = f"Details: {results / 'logs' / 'run.log'}"
    if NO_ROOM.search(output) or shutil.disk_usage(class_dir).free < LEAST_ROOM:
        print("The disk is full. Make room, then run again; the earlier results are still there.")
    elif faults and is_last_step(output):
        print(f"The program itself failed on: {', '.join(faults)}.")
        for owner, told in faults.items():
            print(f"  {owner}: {told['message']} {told['action']}")
        return EXIT_FAULT
    else:
        print("The grading did not finish. The earlier results are still there.")
        print(last_reason(output))
    print(log)
    return EXIT_UNFINISHED


def is_last_step(output: str) -> bool:
    """Whether everything was delivered, and only the last step ended with an error."""
    failed = set(re.findall(r"^Error in rule (\w+)", output, re.MULTILINE))
    return failed == {"deliver"}


def last_reason(output: str) -> str:
    """One line about why the engine stopped."""
    if "is being graded already" in output:
        return "Another run began on this folder at the same moment."
    reasons = REASON.findall(output)
    return str(reasons[-1]) if reasons else "No reason was given."


# -- what the teacher reads -------------------------------------------------------------------


def read_records(class_dir: Path) -> dict[str, dict[str, Any]]:
    """The records of the class's students, in roster order."""
    results = class_dir / "results"
    if not (results / "tickets" / "class.json").is_file():
        return {}
    students = read_json(results / "tickets" / "class.json")["students"]
    paths = {
        one["student_id"]: results / "records" / f"{one['student_id']}.json" for one in students
    }
    return {student: read_json(path) for student, path in paths.items() if path.is_file()}


def tell_intake(intake: Intake) -> None:
    """What was found in the folder."""
    print(intake.understood)
    for line in (*stray_report(intake), *intake.removed):
        print(f"  {line}")


def tell_summary(class_dir: Path) -> None:
    """How the class stands and what to do now: the same words and numbers as on the dashboard."""
    from pegmark.publish.todo import step_lines
    from pegmark.records.states import counts_by_state

    results = class_dir / "results"
    records = read_records(class_dir)
    ticket = read_json(results / "tickets" / "publish.json")
    opinion = results / "work" / "recheck.json"
    states = counts_by_state(list(records.values()))
    print("; ".join(f"{words}: {count}" for words, count in states))
    for line in step_lines(records, ticket, read_json(opinion) if opinion.is_file() else None):
        print(f"  {line}")
    print(f"Dashboard: {results / 'dashboard.html'}")
