"""The class folder between runs: one run at a time, and what a killed or copied run left behind.

Both ways to start, grade.py and the workflow engine itself, call `hold` and then `recognise`
before the intake, so that they cannot come to different results.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from environment import SCRIPTS
from pegmark.deliver.manifest import holds
from pegmark.files.store import PART, is_full, remove
from pegmark.records.problems import Problem, TeacherError, problem

ENGINE = ".snakemake"  # the engine's own folder, inside the class folder
KNOWN = f"{ENGINE}/results-known"  # stands where the engine's memory of the results stands
JOBS = {  # of the workflow -> the stages that each runs
    "listen": ("decode", "segment", "identify", "measure"),
    "report": ("score", "render"),
    **{class_level: (class_level,) for class_level in ("recheck", "publish", "deliver")},
}
STAGES = tuple(stage for stages in JOBS.values() for stage in stages)
STEP_SHELL = "stage() {"  # how the shell command of every rule begins (common.smk)
PRIVATE = 0o700  # of results/: whoever may not enter cannot read what is in it
LAST_STEPS_S = 60.0  # most steps end within seconds; a hanging one is stopped after minutes
MARGIN_S = 10.0  # what is written next must be later, on file systems with coarse times too

Say = Callable[[str], None]


def hold(class_dir: Path, say: Say) -> int | None:
    """Hold the folder for this process, and clear up after a run that was killed.

    The lock is the operating system's, on the folder itself: it ends with the process, however
    that ends, and leaves no file. Returns what `let_go` wants (None on a network drive without
    such locks: there the engine's own lock must do). Raises TeacherError when another run is at
    work.
    """
    handle = os.open(class_dir, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise TeacherError([busy(class_dir)]) from None
    except OSError:
        os.close(handle)
        return None
    try:
        keep_private(class_dir / "results")
        unlock_after_kill(class_dir, say)
        tidy(class_dir / "results")
    except BaseException:
        os.close(handle)
        raise
    return handle


def keep_private(results: Path) -> None:
    """Let nobody but their owner look into the results: they are about children."""
    with contextlib.suppress(OSError):  # no results yet, or a file system without permissions
        if results.stat().st_mode & 0o077:
            results.chmod(PRIVATE)


def let_go(handle: int | None) -> None:
    """Let another process hold the folder."""
    if handle is not None:
        os.close(handle)


def busy(class_dir: Path) -> Problem:
    """The problem of a second run on one folder."""
    return problem(
        "already_running",
        f"{class_dir.resolve().name} is being graded already.",
        "Wait until that run has ended.",
    )


# -- after a kill -------------------------------------------------------------------------------


def unlock_after_kill(class_dir: Path, say: Say) -> None:
    """Remove the engine's locks, which a killed run leaves, when its last steps have ended."""
    locks = class_dir / ENGINE / "locks"
    if not any(locks.glob("*.lock")):
        return
    say("An earlier run was stopped before its end; going on from where it was.")
    wait_for_steps(class_dir)
    shutil.rmtree(locks)


def wait_for_steps(class_dir: Path) -> None:
    """Wait until the steps that a killed run had begun have ended; they may outlive it."""
    import psutil

    _, alive = psutil.wait_procs(steps_at_work(class_dir), timeout=LAST_STEPS_S)
    if alive:
        raise TeacherError(
            [
                problem(
                    "steps_at_work",
                    f"Steps of an earlier run are still at work (process {alive[0].pid}).",
                    "Wait some minutes, then run again.",
                )
            ]
        )


def steps_at_work(class_dir: Path) -> list[Any]:
    """The processes of our stages that work in the class folder, and the shells that start them."""
    import psutil

    folder = str(class_dir.resolve())
    return [
        process
        for process in psutil.process_iter(["cwd", "cmdline"])
        if process.info["cwd"] == folder and is_step(process.info["cmdline"] or [])
    ]


def is_step(command: list[str]) -> bool:
    """Whether a command line is a stage's, its server's, or that of the shell that starts one."""
    stages = {str(SCRIPTS / f"{name}.py") for name in (*STAGES, "steps", "stage_server")}
    return bool(stages & set(command[:3])) or any(STEP_SHELL in word for word in command[1:])


def tidy(results: Path) -> None:
    """Remove half-written files, and bring times that lie ahead to now.

    Such times come from another machine's clock; what is written next must be later.
    """
    now = time.time()
    for path in everything(results):
        with contextlib.suppress(FileNotFoundError):
            if path.name.startswith(PART):
                remove(path)
            elif path.lstat().st_mtime > now:
                set_time(path, now - MARGIN_S)


# -- after a copy -------------------------------------------------------------------------------


def recognise(class_dir: Path) -> None:
    """Judge results that came without the engine's memory of them, as copies often do.

    Where they are byte for byte what the last whole run left, all get one time, so that nothing
    is made again. Otherwise the tickets are forgotten, so that everything is.
    """
    known = class_dir / KNOWN
    if known.exists():
        return
    results = class_dir / "results"
    if holds(results):
        now = time.time() - MARGIN_S
        for path in everything(results):
            set_time(path, now)
    else:
        for path in (results / "tickets").glob("*/*.json"):
            path.unlink()
        (results / "tickets" / "publish.json").unlink(missing_ok=True)
    known.parent.mkdir(exist_ok=True)
    known.touch()


def everything(results: Path) -> Iterator[Path]:
    """Every file and folder below the results."""
    for folder, folders, files in os.walk(results):
        for name in (*folders, *files):
            yield Path(folder, name)


def set_time(path: Path, seconds: float) -> None:
    """Give a file or folder a time of change."""
    os.utime(path, (seconds, seconds), follow_symlinks=False)


# -- what the machine says ----------------------------------------------------------------------


def check_writing(class_dir: Path) -> None:
    """Raise OSError where nothing can be written into a class folder, before anything is."""
    for folder in (class_dir, class_dir / "results"):
        if folder.is_dir() and not os.access(folder, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder))


def no_writing(path: str | None) -> str:
    """What to do where reading or writing is not allowed."""
    where = path or "the class folder"
    return (
        f"{where} may not be read or written by this account; give yourself permission, or copy "
        "the class folder to a folder of your own."
    )


def machine_says(error: OSError) -> str:
    """A failure of the machine in words, with what to do."""
    if is_full(error):
        return (
            "the disk is full. Free some space and run again; the earlier results are still there."
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"{no_writing(error.filename)}"
    where = f" ({error.filename})" if error.filename else ""
    return f"{error.strerror or error}{where}. Mend that, then run again."
