"""Guards around a stage: a child process with limits, and faults that end as a result.

One bad take never stops the class: a recording that crashes a codec takes only a child process
with it, and a fault in our own code ends as a record that says so and where its log is.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from pegmark.files.store import read_json, rounded, write_json
from pegmark.records.problems import Problem, problem
from pegmark.records.validation import valid

FAULT = "program_fault"  # the code of a problem that is ours, not the recording's
STAGE_S = 600.0  # for one step of one take: 20 minutes of audio take half a minute
POLL_S = 0.005
ENDS = {0: "done", 1: "failed"}  # the child's exit codes; any other, or a signal, is a crash
NO_MEMORY = 3
OWNERS = {  # stage -> whose log it writes
    **dict.fromkeys(("decode", "segment", "identify", "measure"), "takes"),
    **dict.fromkeys(("score", "render"), "students"),
}

Record = Mapping[str, Any]


def run_in_child(
    work: Callable[[], None], *, seconds: float, memory_bytes: int | None = None
) -> str:
    """Run `work` in a forked child with limits on time and memory.

    Returns "done", "timed_out" (the child is killed), "crashed" (a signal, or no memory left), or
    "failed" (another exception: its traceback is on the standard error). `memory_bytes` bounds
    the child's address space (None: no bound).
    """
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        _work_and_exit(work, seconds, memory_bytes)
    deadline = time.monotonic() + seconds
    try:
        while time.monotonic() < deadline:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                return ENDS.get(os.waitstatus_to_exitcode(status), "crashed")
            time.sleep(POLL_S)
    except BaseException:  # we are stopped ourselves: leave nobody behind
        _end(child)
        raise
    _end(child)
    return "timed_out"


def _end(child: int) -> None:
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def _work_and_exit(work: Callable[[], None], seconds: float, memory_bytes: int | None) -> None:
    import resource

    try:
        if memory_bytes is not None:
            resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 2))
        work()
        sys.stdout.flush()
        os._exit(0)
    except MemoryError:
        os._exit(NO_MEMORY)
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
        os._exit(1)


def guarded(
    work: Callable[[], Record],
    instead: Record,
    write: Callable[[Record], None],
    seconds: float = STAGE_S,
) -> None:
    """Write what `work` gives, or `instead` with the fault as its problem when our code fails.

    `instead` is the stage's record without a result. A hang and a crash of a library are faults
    too; failures of the machine are not: they end the job, and it runs again next time.
    """
    end = run_in_child(lambda: write(or_fault(work, instead)), seconds=seconds)
    if end == "failed":
        sys.exit("This step failed; see above.")
    if end != "done":
        write(_failed(instead, stopped(end)))


def guarded_record(
    work: Callable[[], Record], instead: Record, name: str, path: Path, seconds: float = STAGE_S
) -> None:
    """Write the record of a stage as `guarded` does: `instead` with what `work` gives, rounded.

    A record that is not what its schema `name` says is a fault of ours as any other.
    """
    guarded(
        lambda: valid(rounded({**instead, **work()}), name),
        instead,
        lambda record: write_json(path, record),
        seconds,
    )


def or_fault(work: Callable[[], Record], instead: Record) -> Record:
    """What `work` gives, or `instead` with the fault as its problem when our code fails.

    Failures of the machine (a full disk, a missing file) are not faults of the take: they are
    raised.
    """
    try:
        return work()
    except OSError:
        raise
    except Exception as error:
        traceback.print_exc()
        return _failed(instead, fault(error))


def _failed(instead: Record, told: Problem) -> Record:
    return {**instead, "status": "unreadable", "problems": [told, *instead.get("problems", [])]}


def fault(error: BaseException) -> Problem:
    """The problem that tells of a fault in the program."""
    return _told(f"The program failed here ({type(error).__name__}: {error}).")


def stopped(end: str) -> Problem:
    """The problem of a stage that hung or crashed."""
    how = "took too long here and was stopped" if end == "timed_out" else "crashed here"
    return _told(f"The program {how}.")


def _told(message: str) -> Problem:
    return problem(
        FAULT,
        message,
        f"Grade this take by ear, run again, and if it happens again, send {_log()} to whoever "
        "looks after the program.",
    )


def _log() -> str:
    """Where the running stage script writes its log, below the class folder."""
    script, arguments = Path(sys.argv[0]).stem, sys.argv[1:]
    if script not in OWNERS:
        return f"results/logs/{script}.log"
    parser = argparse.ArgumentParser(add_help=False, allow_abbrev=False)
    parser.add_argument("--ticket", type=Path, required=True)
    ticket = parser.parse_known_args(arguments)[0].ticket
    return f"results/logs/{OWNERS[script]}/{ticket.stem}.log"


def faults_of_class(work: Path) -> dict[str, Problem]:
    """Whose results our own program failed on -> the first fault of each.

    `work` holds records/, faults/ and recheck.json; faults of the class as a whole stand under
    "class".
    """
    told = {path.stem: read_json(path)["problems"] for path in _listing(work / "records")}
    for path in _listing(work / "faults"):
        told.setdefault(path.stem, []).extend(read_json(path))
    if (work / "recheck.json").is_file():
        told["class"] = read_json(work / "recheck.json")["problems"]
    mine = {who: [one for one in all_ if one["code"] == FAULT] for who, all_ in told.items()}
    return {who: one[0] for who, one in mine.items() if one}


def _listing(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.json"))
