"""One run over a class: the intake, the workflow with its progress, and the teacher's summary.

Used by grade.py, inside the environment.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import IO, TYPE_CHECKING

import classfolder
import environment
import progress
from pegmark.deliver.results import KEPT
from pegmark.files.store import read_json
from pegmark.receive import check_folder, take_in
from pegmark.receive.attention_rows import stray_report
from pegmark.receive.handed import Intake
from pegmark.receive.marks import write_template
from pegmark.records.faults import faults_of_class
from pegmark.records.problems import TeacherError
from pegmark.words.terminal import EXIT_REFUSED, tell

if TYPE_CHECKING:
    from pegmark.records.student import Record

EXIT_FAULT, EXIT_UNFINISHED, EXIT_STOPPED = 1, 3, 130
LAST_LINES = 400  # of the engine's, kept for the reason of its end: a full disk may hold no log
NO_ROOM = re.compile(  # the last: how NumPy says it
    r"No space left on device|Disk quota exceeded|File too large|\d+ requested and \d+ written"
)
REASON = re.compile(r"^(?!CalledProcess|Workflow|Rule)\w+(?:Error|Exception)\b.*", re.MULTILINE)
LEAST_ROOM = 1 << 16  # bytes: with less, whatever failed, failed for want of room


@dataclass(frozen=True)
class How:
    """How a class is to be graded, as the command line says."""

    profile: str = "default"
    cores: str | None = None  # as the profile says
    go_on: bool = False
    prune: bool = False
    quiet: bool = False

    def say(self, *sentences: str) -> None:
        """Tell what is no fault, unless only faults are wanted."""
        if not self.quiet:
            tell(*sentences)


def grade_class(class_dir: Path, root: Path, how: How) -> int:
    """Take in, run, sum up. Returns the exit code of the command."""
    class_dir = class_dir.resolve()
    intake = tried(class_dir, lambda: receive(class_dir, root, how))
    if intake is None:
        return EXIT_REFUSED
    how.say(*intake_lines(intake))
    tell(*retention_lines(intake, date.today()))
    began = time.time()
    code = run_workflow(class_dir, root, names_of(intake), how)
    if code in (0, EXIT_FAULT):
        tell(*kept_lines(class_dir, began))
        how.say(*summary_lines(class_dir))
    return code


def look_at(class_dir: Path, root: Path) -> int:
    """Say what a run would take in and ask; nothing is written."""
    class_dir = class_dir.resolve()

    def look() -> Intake:
        check_folder(class_dir)
        return take_in(class_dir, root / "config", dry=True)

    intake = tried(class_dir, look)
    if intake is None:
        return EXIT_REFUSED
    tell(*intake_lines(intake))
    counts = ", ".join(f"{intake.count(one)} {one}" for one in ("received", "missing", "excused"))
    tell(f"{len(intake.students)} students: {counts}. Nothing was graded and nothing written.")
    for row in intake.attention:
        if not row["action"].startswith("Nothing to do"):
            tell(f"  {row['message']} {row['action']}")
    return 0


def tried(class_dir: Path, work: Callable[[], Intake]) -> Intake | None:
    """What `work` gives; None when the folder must be mended first, which is told."""
    if not class_dir.is_dir():
        tell(f"There is no folder {class_dir}. Give the folder that holds roster.csv.")
        return None
    try:
        return work()
    except TeacherError as error:
        tell("Nothing was graded and nothing was changed. Please fix this first:")
        tell(*(f"  - {one['message']} {one['action']}" for one in error.problems))
    except OSError as error:
        tell(f"Nothing was graded: {classfolder.machine_says(error)}")
    return None


def receive(class_dir: Path, root: Path, how: How) -> Intake:
    """Take the folder in; the engine then takes it as it is."""
    check_folder(class_dir)
    classfolder.check_writing(class_dir)
    handle = classfolder.hold(class_dir, tell)
    try:
        classfolder.recognise(class_dir)
        intake = take_in(class_dir, root / "config", go_on=how.go_on, prune=how.prune)
        classfolder.keep_private(class_dir / "results")
        return intake
    finally:
        classfolder.let_go(handle)


def write_marks_template(class_dir: Path) -> int:
    """Write the marks file with every open cell; the class must have been graded before."""
    records = read_records(class_dir)
    if not records:
        tell("There are no results yet: grade the class first, without --marks-template.")
        return EXIT_REFUSED
    path = write_template(class_dir, records)
    tell(f"Fill in the points in {path}." if path else "No cell is open: nothing to fill in.")
    return 0


# -- the workflow -----------------------------------------------------------------------------


def run_workflow(class_dir: Path, root: Path, names: Mapping[str, str], how: How) -> int:
    """Run the workflow, showing how far it is; its whole output goes to results/logs/run.log.

    `names`: whose a take or a student id is.
    """
    command = [
        *engine_command(root / "Snakefile", how),
        *("--config", f"class_dir={class_dir}", "taken_in=True"),
    ]
    log = class_dir / "results" / "logs" / "run.log"
    code, output = run_engine(command, class_dir, log, names, how)
    if code in (0, EXIT_STOPPED):
        return code
    return tell_failure(class_dir, output)


def run_engine(
    command: Sequence[str], folder: Path, log: Path, names: Mapping[str, str], how: How
) -> tuple[int, str]:
    """Run the engine in a folder, showing how far it is; its exit code and its last lines."""
    engine = subprocess.Popen(
        command,
        cwd=folder,
        env=engine_environment(how),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    assert engine.stdout is not None
    signal.signal(signal.SIGTERM, lambda *_: engine.terminate())
    stopped = False
    last: deque[bytes] = deque(maxlen=LAST_LINES)
    try:
        show_progress(engine.stdout, log, last, names, how)
    except KeyboardInterrupt:  # the engine got it too, and ends its steps
        stopped = True
    with contextlib.suppress(KeyboardInterrupt):
        engine.communicate()
    code = engine.wait()
    if code != 0 and (stopped or code < 0):
        tell("Stopped. What was done is kept; run again to go on from there.")
        code = EXIT_STOPPED
    return code, b"".join(last).decode("utf-8", errors="replace")


def engine_command(snakefile: Path, how: How) -> list[str]:
    """How the engine is started on a workflow, without the workflow's own settings."""
    return [
        *(sys.executable, "-m", "snakemake", "--snakefile", str(snakefile)),
        *("--workflow-profile", str(environment.PROFILES / how.profile)),
        *(("--cores", how.cores) if how.cores else ()),
    ]


def engine_environment(how: How) -> dict[str, str]:
    """The engine's variables: with a profile's own packages and modules on Python's path."""
    lock = environment.PROFILES / how.profile / "requirements.txt"
    if not lock.is_file():
        return dict(os.environ)
    path = [str(environment.added(lock)), str(environment.ROOT / "scripts" / "cluster")]
    return {**os.environ, "PYTHONPATH": os.pathsep.join([*path, os.environ.get("PYTHONPATH", "")])}


def show_progress(
    output: IO[bytes], log: Path, last: deque[bytes], names: Mapping[str, str], how: How
) -> None:
    """Copy the engine's lines to the log, and show how far it is and what a cluster lost."""
    follower = progress.Follower(names)
    if how.quiet:
        shown = progress.silence(follower)
    else:
        shown = progress.bar(follower) if sys.stderr.isatty() else progress.lines(follower)
    with contextlib.ExitStack() as stack:
        show = stack.enter_context(shown)
        stream: IO[bytes] | None = None
        with contextlib.suppress(OSError):
            log.parent.mkdir(parents=True, exist_ok=True)
            stream = stack.enter_context(open(log, "wb", buffering=0))
        for line in output:
            last.append(line)
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.write(line)
            text = line.decode("utf-8", errors="replace").rstrip("\n")
            if lost := progress.lost_sentence(text, names):
                tell(lost)
            elif (rule := follower.read(text)) in progress.COUNTED:
                show(rule)


def names_of(intake: Intake) -> dict[str, str]:
    """Whose a take or a student id is, as a person says it."""
    told = json.loads(intake.tickets["publish.json"])["students"]
    whose = {one["student_id"]: f"{one['given_name']} {one['family_name']}" for one in told}
    for student in intake.students:
        for take in student["takes"]:
            whose[take] = whose[student["student_id"]]
    return whose


def tell_failure(class_dir: Path, output: str) -> int:
    """Say why the engine failed, and return the command's exit code."""
    results = class_dir / "results"
    faults = faults_of_class(results / "work")
    log = f"Details: {results / 'logs' / 'run.log'}"
    if NO_ROOM.search(output) or shutil.disk_usage(class_dir).free < LEAST_ROOM:
        tell(
            "The disk is full. Free some space and run again; the earlier results are still there."
        )
    elif faults and is_last_step(output):
        tell(f"The program itself failed on: {', '.join(faults)}.")
        for owner, told in faults.items():
            tell(f"  {owner}: {told['message']} {told['action']}")
        return EXIT_FAULT
    else:
        tell("The grading did not finish. The earlier results are still there.")
        tell(last_reason(output))
    tell(log)
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


def read_records(class_dir: Path) -> dict[str, Record]:
    """The records of the class's students, in roster order."""
    results = class_dir / "results"
    if not (results / "tickets" / "class.json").is_file():
        return {}
    students = read_json(results / "tickets" / "class.json")["students"]
    paths = {
        one["student_id"]: results / "records" / f"{one['student_id']}.json" for one in students
    }
    return {student: read_json(path) for student, path in paths.items() if path.is_file()}


def intake_lines(intake: Intake) -> list[str]:
    """What was found in the folder."""
    return [intake.understood, *(f"  {one}" for one in (*stray_report(intake), *intake.removed))]


def retention_lines(intake: Intake, today: date) -> list[str]:
    """That the recordings should be forgotten by now, where the assignment says so."""
    if not intake.keep_until or today.isoformat() < intake.keep_until:
        return []
    return [
        f"These recordings were to be kept until {intake.keep_until}. To remove them and keep the "
        f"points: python3 scripts/forget.py {intake.class_dir} --audio"
    ]


def kept_lines(class_dir: Path, began: float) -> list[str]:
    """What this run's last step left alone or moved beside, since it is the teacher's own."""
    log = class_dir / "results" / "logs" / "deliver.log"
    if not log.is_file() or log.stat().st_mtime < began:
        return []
    lines = log.read_text(encoding="utf-8", errors="replace").splitlines()
    return [line for line in lines if line.startswith(KEPT)]


def summary_lines(class_dir: Path) -> list[str]:
    """How the class stands and what to do now: the same words and numbers as on the dashboard."""
    from pegmark.publish.todo import step_lines
    from pegmark.records.states import counts_by_state

    results = class_dir / "results"
    records = read_records(class_dir)
    ticket = read_json(results / "tickets" / "publish.json")
    opinion = results / "work" / "recheck.json"
    states = counts_by_state(list(records.values()))
    steps = step_lines(records, ticket, read_json(opinion) if opinion.is_file() else None)
    return [
        "; ".join(f"{words}: {count}" for words, count in states),
        *(f"  {line}" for line in steps),
        f"Dashboard: {results / 'dashboard.html'}",
    ]
