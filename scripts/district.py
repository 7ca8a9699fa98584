"""Many class folders in one workflow, with one summary and one page over all of them.

The list names a folder a line; beside it stands, under its name and `-results`, what is about all:
`overview.html`, a log of each class, and the engine's memory. Used by grade.py, inside the
environment.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from urllib.parse import quote

import classfolder
import running
from pegmark.files.store import read_json, write_json, write_text
from pegmark.publish import district
from pegmark.records.problems import TeacherError, problem
from pegmark.words.terminal import tell

LIST_COMMENT = "#"


def grade_classes(list_file: Path, root: Path, how: running.How) -> int:
    """Grade all classes of the list; 0 when all went well, else the worst of their exit codes."""
    try:
        folders = read_list(list_file)
        results = results_beside(list_file)
        handle = classfolder.hold(results, tell)
    except TeacherError as error:
        tell(*(f"{one['message']} {one['action']}" for one in error.problems))
        return running.EXIT_REFUSED
    except OSError as error:
        tell(f"Nothing was graded: {classfolder.machine_says(error)}")
        return running.EXIT_REFUSED
    try:
        prepare(results, folders, how)
        ended = run(results, folders, root, how)
    finally:
        classfolder.let_go(handle)
    states = [state_read(results, number, folder) for number, folder in numbered(folders)]
    page = results / "overview.html"
    write_text(page, district.district_page(states))
    how.say(*district.summary_lines(states), f"All classes: {page}")
    if ended == running.EXIT_STOPPED:
        return ended
    return max(running.EXIT_UNFINISHED if s["code"] is None else s["code"] for s in states)


def read_list(list_file: Path) -> list[Path]:
    """The class folders of a list: one a line, from where the list stands; # begins a comment.

    Raises TeacherError when there is none, or one stands twice.
    """
    try:
        text = list_file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise refused(f"{list_file} is no list in UTF-8.", "Save it as plain text.") from None
    lines = [line.strip() for line in text.splitlines()]
    folders = [
        (list_file.parent / Path(line).expanduser()).resolve()
        for line in lines
        if line and not line.startswith(LIST_COMMENT)
    ]
    if not folders:
        raise refused(f"{list_file} names no class folder.", "Write one in each line.")
    twice = sorted({str(one) for one in folders if folders.count(one) > 1})
    if twice:
        raise refused(f"{list_file} names a folder twice: {twice[0]}.", "Take one out.")
    return folders


def refused(message: str, action: str) -> TeacherError:
    """The error of a list that cannot be used."""
    return TeacherError([problem("class_list", message, action)])


def results_beside(list_file: Path) -> Path:
    """The folder for what is about all classes."""
    results = list_file.resolve().with_name(f"{list_file.stem}-results")
    results.mkdir(mode=classfolder.PRIVATE, exist_ok=True)
    return results


def numbered(folders: list[Path]) -> list[tuple[int, Path]]:
    """The classes by their number, from 1."""
    return list(enumerate(folders, start=1))


def prepare(results: Path, folders: list[Path], how: running.How) -> None:
    """Write what the jobs read, and take away how the classes ended the last time."""
    for name in ("classes", "logs"):
        shutil.rmtree(results / name, ignore_errors=True)
    plan = {
        "classes": [str(folder) for folder in folders],
        "profile": how.profile,
        "go_on": how.go_on,
        "prune": how.prune,
    }
    write_json(results / "plan.json", plan)


def run(results: Path, folders: list[Path], root: Path, how: running.How) -> int:
    """Run the workflow over all classes; the exit code of grade.py for the run as a whole."""
    names = {str(number): folder.name for number, folder in numbered(folders)}
    command = running.engine_command(root / "workflow" / "classes.smk", how)
    log = results / "logs" / "run.log"
    code, output = running.run_engine(command, results, log, names, how)
    if code not in (0, running.EXIT_STOPPED):
        tell(f"Not every class was reached. {running.last_reason(output)}", f"Details: {log}")
    return code


def state_of_class(folder: Path, code: int, number: int, results: Path) -> district.ClassState:
    """How a class stands after its run, for the page in `results`."""
    made = folder / "results"
    ticket, opinion = made / "tickets" / "publish.json", made / "work" / "recheck.json"
    counts = None
    if ticket.is_file() and (made / "dashboard.html").is_file():
        takes = len(read_json(made / "tickets" / "class.json")["takes"])
        second = read_json(opinion) if opinion.is_file() else None
        records = running.read_records(folder)
        counts = district.class_counts(records, read_json(ticket), second, takes)
    page = os.path.relpath(made / "dashboard.html", results)
    return {
        "folder": str(folder),
        "address": quote(page) if counts else None,
        "log": f"logs/{number}.log",
        "code": code,
        "counts": counts,
    }


def state_read(results: Path, number: int, folder: Path) -> district.ClassState:
    """How the class's job said it stands; one without an answer was lost."""
    told = results / "classes" / f"{number}.json"
    if told.is_file():
        state: district.ClassState = read_json(told)
        return state
    return {**state_of_class(folder, 0, number, results), "code": None}
