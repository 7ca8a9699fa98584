"""One run over a class: the lock, the workflow with its progress, and the teacher's summary.

Used by grade.py, inside the environment.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from pegmark.files import read_json
from pegmark.guard import FAULT
from pegmark.marks import write_template
from pegmark.problems import TeacherError
from pegmark.receive import Intake, stray_report, take_in

STEP = re.compile(rb"^(\d+) of (\d+) steps")
EXIT_REFUSED, EXIT_FAULT = 2, 1
SHOWN_REASONS = 2  # per student in the summary; the dashboard has them all


def grade_class(class_dir: Path, root: Path, cores: str) -> int:
    """Take in, run, sum up. Returns the exit code of the command."""
    class_dir = class_dir.resolve()
    if not class_dir.is_dir():
        print(f"There is no folder {class_dir}. Give the folder that holds roster.csv.")
        return EXIT_REFUSED
    with contextlib.ExitStack() as stack:
        if not stack.enter_context(only_run(class_dir)):
            print(f"{class_dir.name} is being graded already. Wait until that run has ended.")
            return EXIT_REFUSED
        try:
            intake = take_in(class_dir, root / "config", dry=True)
        except TeacherError as error:
            print("Nothing was graded and nothing was changed. Please mend this first:")
            for one in error.problems:
                print(f"  - {one['message']} {one['action']}")
            return EXIT_REFUSED
        tell_intake(intake)
        code = run_workflow(class_dir, root, cores)
    tell_summary(class_dir, intake)
    return code


def write_marks_template(class_dir: Path) -> int:
    """Write the marks file with every open cell; the class must have been graded before."""
    records = read_records(class_dir)
    if not records:
        print("There are no results yet: grade the class first, without --marks-template.")
        return EXIT_REFUSED
    path = write_template(class_dir, records)
    print(f"Fill in the points in {path}." if path else "No cell is open: nothing to fill in.")
    return 0


# -- one run at a time ------------------------------------------------------------------------


@contextlib.contextmanager
def only_run(class_dir: Path) -> Iterator[bool]:
    """True when no other run works on the class; then what a killed run left is cleared away."""
    lock = class_dir / "results" / "logs" / ".running"
    lock.parent.mkdir(parents=True, exist_ok=True)
    with open(lock, "w") as stream:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        if at_work(class_dir):
            yield False
            return
        clear_after_kill(class_dir)
        yield True


def at_work(class_dir: Path) -> bool:
    """Whether a process of an earlier run still works in the class folder (Linux only)."""
    for link in Path("/proc").glob("[0-9]*/cwd"):
        with contextlib.suppress(OSError):
            own = int(link.parent.name) == os.getpid()
            if own or os.readlink(link) != str(class_dir):
                continue
            command = (link.parent / "cmdline").read_bytes()
            if b"snakemake" in command or str(Path(__file__).parent).encode() in command:
                return True
    return False


def clear_after_kill(class_dir: Path) -> None:
    """Remove the locks and half-written files of a run that was killed."""
    locks = [path for path in (class_dir / ".snakemake" / "locks").glob("*") if path.is_file()]
    for path in locks:
        path.unlink(missing_ok=True)
    if locks:
        print("An earlier run was stopped before its end; going on from where it was.")
    for part in (class_dir / "results").rglob(".part-*"):
        part.unlink(missing_ok=True)


# -- the workflow -----------------------------------------------------------------------------


def run_workflow(class_dir: Path, root: Path, cores: str) -> int:
    """Run the workflow with a progress bar; its whole output goes to results/logs/run.log."""
    log = class_dir / "results" / "logs" / "run.log"
    command = [
        *(sys.executable, "-m", "snakemake", "--snakefile", str(root / "Snakefile")),
        *("--workflow-profile", str(root / "workflow" / "profiles" / "default")),
        *("--cores", cores, "--config", f"class_dir={class_dir}"),
    ]
    with open(log, "wb") as stream:
        engine = subprocess.Popen(
            command, cwd=class_dir, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        assert engine.stdout is not None
        show_progress(engine.stdout, stream)
    code = engine.wait()
    if code == 0:
        return 0
    faults = [name for name, record in read_records(class_dir).items() if has_fault(record)]
    if faults:
        print(f"The program itself failed on: {', '.join(faults)}. Their sheets say so.")
    else:
        print("The grading did not finish. What was there before is still there.")
        print(last_reason(log))
    print(f"Details: {log}")
    return EXIT_FAULT


def show_progress(lines: IO[bytes], log: IO[bytes]) -> None:
    """Copy the engine's lines to the log, and its count of steps to a progress bar."""
    from tqdm import tqdm

    with tqdm(
        desc="Grading", unit="step", leave=False, bar_format="{desc} {bar} {n_fmt}/{total_fmt}"
    ) as bar:
        for line in lines:
            log.write(line)
            if step := STEP.match(line):
                bar.total = int(step[2])
                bar.update(int(step[1]) - bar.n)


def has_fault(record: dict[str, Any]) -> bool:
    """Whether our own program failed on this student's take."""
    return any(one["code"] == FAULT for one in record["problems"])


def last_reason(log: Path) -> str:
    """One line about why the engine stopped."""
    text = log.read_text(encoding="utf-8", errors="replace")
    if "No space left on device" in text:
        return "The disk is full: make room, then run again."
    lines = [line for line in text.splitlines() if "Error" in line or "exception" in line]
    return lines[-1].strip() if lines else "No reason was given."


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


def tell_summary(class_dir: Path, intake: Intake) -> None:
    """How the class stands, in a few lines."""
    records = read_records(class_dir)
    by_status: dict[str, list[dict[str, Any]]] = {}
    for record in records.values():
        by_status.setdefault(record["status"], []).append(record)
    print(f"{len(by_status.get('graded', []))} of {len(records)} graded without a question.")
    for record in by_status.get("needs_listening", []):
        print(f"  listen: {name_of(record)}: {reasons(record)}")
    for record in by_status.get("unreadable", []):
        print(f"  unreadable: {name_of(record)}: {reasons(record)}")
    for status, words in (("missing", "nothing handed in"), ("excused", "excused")):
        for record in by_status.get(status, []):
            print(f"  {words}: {name_of(record)}")
    unmatched = [row["file"] for row in intake.attention if row["code"].startswith("match_")]
    if unmatched:
        print(f"  nobody's file: {', '.join(unmatched)}")
    print(f"Dashboard: {class_dir / 'results' / 'dashboard.html'}")


def name_of(record: dict[str, Any]) -> str:
    """The student's name as people say it."""
    student = record["student"]
    return f"{student['given_name']} {student['family_name']}"


def reasons(record: dict[str, Any]) -> str:
    """The first reasons why a person is needed."""
    messages = [one["message"] for one in record["problems"] if one["code"] != "open_points"]
    more = len(messages) - SHOWN_REASONS
    return " ".join(messages[:SHOWN_REASONS]) + (f" ({more} more)" if more > 0 else "")
