# Before the first rule: the class folder, the intake, and what the rules share.
#
# The intake runs in the main process only, before the workflow looks at times; it writes nothing
# on a dry run or a lint. Afterwards results/tickets/ says, per student and stage, what there is to
# do, and only tickets whose content changed have a new time.

import ast
import hashlib
import json
import os
import shlex
import sys
from pathlib import Path

ROOT = Path(workflow.basedir)
SCRIPTS = ROOT / "scripts"
sys.path.insert(0, str(SCRIPTS))

from snakemake.cli import get_argument_parser

from pegmark.problems import TeacherError
from pegmark.receive import take_in

PYTHON = shlex.quote(sys.executable)
HERE = shlex.quote(str(SCRIPTS))
LOOKING = (
    "dryrun lint unlock summary detailed_summary list_rules list_target_rules list_changes "
    "list_input_changes list_params_changes dag rulegraph filegraph d3dag print_compilation "
    "cleanup_metadata delete_all_output delete_temp_output report"
)  # options of the engine that only look, or that clear away


def only_looks():
    """Whether this start runs no job; the engine itself says so only after the rules are read."""
    args, _ = get_argument_parser().parse_known_args(sys.argv[1:])
    return any(getattr(args, name, None) not in (None, False) for name in LOOKING.split())


DRY = only_looks()


def class_folder():
    folder = Path(config["class_dir"]).expanduser()
    near = folder if folder.is_dir() else ROOT / folder
    return near.resolve()


def receive():
    """The class index, and the tickets a real run would write first."""
    if not workflow.is_main_process:
        return json.loads(Path("results/tickets/class.json").read_text(encoding="utf-8")), []
    try:
        intake = take_in(Path(), ROOT / "config", dry=DRY)
    except TeacherError as error:
        sys.exit(f"The class was not graded, and nothing was changed:\n{error}")
    tickets = {f"results/tickets/{path}": text for path, text in intake.tickets.items()}
    waiting = [path for path, text in tickets.items() if not holds(Path(path), text)]
    return {"students": intake.students, "takes": intake.takes}, waiting if DRY else []


def holds(path, text):
    return path.is_file() and path.read_text(encoding="utf-8") == text


def code_of(script):
    """A digest of a stage's script, every module of ours behind it, and their templates.

    Snakemake does not see an edit behind an import; as a parameter of the rule it does, and a
    checkout with new times, or in another folder, changes nothing.
    """
    found, waiting = {}, [SCRIPTS / script]
    while waiting:
        path = waiting.pop()
        if path in found or not path.is_file():
            continue
        content = path.read_bytes()
        found[path] = hashlib.sha256(content).hexdigest()
        if path.suffix == ".py":
            waiting.extend(imported(ast.parse(content)))
            waiting.extend((SCRIPTS / "pegmark/templates").glob(f"{path.stem}.*"))
    return hashlib.sha256("".join(found[path] for path in sorted(found)).encode()).hexdigest()[:16]


def imported(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pegmark"):
            base = SCRIPTS / node.module.replace(".", "/")
            yield base.with_suffix(".py")
            yield from (base / f"{name.name}.py" for name in node.names)
        elif isinstance(node, ast.Import):
            for name in node.names:
                if name.name.startswith("pegmark"):
                    yield SCRIPTS / (name.name.replace(".", "/") + ".py")


workdir: class_folder()


CLASS, WAITING = receive()
TAKES = CLASS["takes"]
STUDENTS = {one["student_id"]: one for one in CLASS["students"]}


wildcard_constraints:
    take=r"[0-9a-f]{16}-[a-z0-9_-]+",
    student=r"[A-Za-z0-9][A-Za-z0-9._-]*",


if WAITING:  # only on a dry run, so that its list of jobs is the list of a real run

    rule receive:
        output:
            WAITING,
        shell:
            "false"
