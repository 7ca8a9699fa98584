# Before the first rule: the class folder, the intake, and what the rules share.
#
# The intake runs in the main process only, before the workflow looks at times; it writes nothing
# on a dry run or a lint. Afterwards results/tickets/ says, per student and stage, what there is to
# do and with which code, and only tickets whose content changed have a new time.

import atexit
import contextlib
import io
import json
import os
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(workflow.basedir)
sys.path.insert(0, str(ROOT / "scripts"))

import classfolder
from code_digest import code_digest, remember_modules
from snakemake.cli import parse_args
from snakemake.shell import shell as shell_commands

from pegmark.deliver.results import is_delivered
from pegmark.files.store import dump_json, write_if_changed
from pegmark.records.problems import TeacherError
from pegmark.receive import check_folder, take_in
from pegmark.words.terminal import plain_line, tell

LOOKING = (
    "dryrun lint unlock summary detailed_summary list_rules list_target_rules list_changes "
    "list_input_changes list_params_changes list_untracked list_conda_envs dag rulegraph "
    "filegraph d3dag print_compilation containerize cleanup_metadata cleanup_shadow "
    "delete_all_output delete_temp_output report"
)  # options of the engine that only look, or that clear away

# How the rules start a stage: the environment's own Python on the stage's script, forked by the
# run's server where there is one. Rules name no path of the machine, so that a project that moved
# is the same workflow.
CLIENT, SCRIPTS = (
    shlex.quote(str(ROOT / "scripts" / name)) for name in ("stage_client.py", "")
)
START = f"{shlex.quote(sys.executable)} -I -S {CLIENT} {SCRIPTS}"
PREFIX = classfolder.STEP_SHELL + f' {START}/"$1".py "${{@:2}}"; }}; '
shell_commands.prefix(PREFIX.replace("{", "{{").replace("}", "}}"))
# The same bytes on every machine and with any number of cores.
os.environ.update(
    PYTHONHASHSEED="0",
    OPENBLAS_NUM_THREADS="1",
    OMP_NUM_THREADS="1",
    MKL_NUM_THREADS="1",
)


def only_looks():
    """Whether this start runs no job; the engine itself says so only after the rules are read."""
    try:
        with contextlib.redirect_stderr(io.StringIO()):
            _, args = parse_args(sys.argv[1:])
    except SystemExit:  # started by another program, not by the engine's own command
        return False
    return any(
        getattr(args, name, None) not in (None, False) for name in LOOKING.split()
    )


def start_servers():
    """The processes that the steps of this run are forked from; they end with this one."""
    folder = tempfile.mkdtemp(prefix="pegmark-")  # the servers take it away
    for kind in ("takes", "students"):
        command = [sys.executable, str(ROOT / "scripts" / "stage_server.py"), folder]
        server = subprocess.Popen([*command, kind], stdin=subprocess.PIPE)
        atexit.register(server.communicate)  # closes its input, and waits for its end
    os.environ.update(PEGMARK_STAGES=folder)


DRY = only_looks()
ASIDE = tempfile.TemporaryDirectory() if DRY else None


def class_folder():
    folder = Path(config["class_dir"]).expanduser()
    near = folder if folder.is_dir() else ROOT / folder
    if not near.is_dir():
        stop(f"There is no folder {folder}. Give the folder that holds roster.csv.")
    if workflow.is_main_process:  # before the engine makes a folder of its own in it
        try:
            check_folder(near)
            if not DRY:
                classfolder.check_writing(near)
        except TeacherError as error:
            stop(NOTHING_CHANGED, *str(error).splitlines())
        except OSError as error:
            stop(f"The class was not graded: {classfolder.machine_says(error)}")
    return near.resolve()


def stop(*sentences):
    """End this start with sentences for the teacher."""
    sys.exit("\n".join(map(plain_line, sentences)))


NOTHING_CHANGED = "The class was not graded, and nothing was changed:"


def receive():
    """The class index."""
    if not workflow.is_main_process:
        return class_ticket()
    try:
        if not DRY:
            classfolder.hold(Path(), say)
            classfolder.recognise(Path())
        if wanted("taken_in") and not DRY:
            write_tickets(code_tickets(), due_again([]))
            return class_ticket()
        intake = take_in(FOLDER, ROOT / "config", dry=DRY, go_on=wanted("go_on"))
        tickets = {**intake.tickets, **code_tickets()}
        if DRY:
            set_aside(tickets, due_again(intake.again))
        else:
            write_tickets(tickets, due_again(intake.again))
    except TeacherError as error:
        stop(NOTHING_CHANGED, *str(error).splitlines())
    except OSError as error:
        stop(f"The class was not graded: {classfolder.machine_says(error)}")
    for sentence in intake.removed:
        say(sentence)
    return {"students": intake.students, "takes": intake.takes}


def class_ticket():
    """The class index as an intake wrote it."""
    return json.loads(Path("results/tickets/class.json").read_text(encoding="utf-8"))


def wanted(setting):
    """Whether a switch of the configuration is on; `taken_in`: the intake was done just now."""
    return str(config.get(setting, False)).lower() in ("1", "true", "yes")


def say(sentence):
    tell(sentence, stream=sys.stderr)


def code_tickets():
    """What the jobs are made of: an edit of a module is a changed ticket."""
    tickets = {
        f"code/{job}.json": dump_json(code_digest(*(f"{stage}.py" for stage in stages)))
        for job, stages in classfolder.JOBS.items()
    }
    remember_modules()
    return tickets


def due_again(again):
    """Tickets of jobs that are due though nothing changed: what failed or was taken away."""
    delivered = is_delivered(Path("results/work"), Path("results"))
    return [*again, *([] if delivered else ["code/deliver.json"])]


def write_tickets(tickets, due):
    """Write the tickets that changed."""
    for name, text in tickets.items():
        write_if_changed(Path("results/tickets", name), text)
    classfolder.keep_private(Path("results"))
    if "code/deliver.json" in due:
        Path("results/seal.json").unlink(missing_ok=True)


def set_aside(tickets, due):
    """On a dry run: write what a real run would write elsewhere, for as long as this start lasts."""
    for name, text in tickets.items():
        path = Path("results/tickets", name)
        if name in due or not (path.is_file() and path.read_text("utf-8") == text):
            write_if_changed(Path(ASIDE.name, "tickets", name), text)


def ticket(pattern):
    """Where the rules find a ticket: set aside on a dry run where it differs, else in its place."""
    if not DRY:
        return f"results/tickets/{pattern}"

    def where(wildcards):
        name = pattern.format(**wildcards)
        aside = Path(ASIDE.name, "tickets", name)
        return str(aside if aside.exists() else Path("results/tickets", name))

    return where if "{" in pattern else where({})


def seen_from_aside(folder):
    """The class folder as links in the temporary one: what only looks writes nothing in it.

    The engine's memory of the results is read there, and its log and locks stay outside.
    """
    view = Path(ASIDE.name, "class")
    engine = view / classfolder.ENGINE
    engine.mkdir(parents=True)
    for path in folder.iterdir():
        if path.name != classfolder.ENGINE:
            (view / path.name).symlink_to(path)
    for path in (folder / classfolder.ENGINE).glob("*"):
        if path.name not in ("iocache", "locks", "log"):
            (engine / path.name).symlink_to(path)
    return str(view)


FOLDER = class_folder()


workdir: seen_from_aside(FOLDER) if DRY else FOLDER


CLASS = receive()
if not DRY and (workflow.is_main_process or workflow.remote_exec):
    start_servers()  # on another node too, of its own
TAKES = CLASS["takes"]
STUDENTS = {one["student_id"]: one for one in CLASS["students"]}


wildcard_constraints:
    take=r"[0-9a-f]{16}-[a-z0-9_-]+",
    student=r"[A-Za-z0-9][A-Za-z0-9._-]*",


def of_takes(pattern):
    """The files of a student's takes to grade."""
    return lambda wildcards: expand(pattern, take=STUDENTS[wildcards.student]["takes"])
