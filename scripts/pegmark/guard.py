"""Guards around a stage: a child process with limits, and faults that end as a result.

One bad take never stops the class: a recording that crashes a codec takes only a child process
with it, and a fault in our own code ends as a record that says so and where its log is.
"""

from __future__ import annotations

import os
import signal
import sys
import time
import traceback
from collections.abc import Callable
from typing import Any

from pegmark.problems import Problem, problem

FAULT = "program_fault"  # the code of a problem that is ours, not the recording's
POLL_S = 0.005
ENDS = {0: "done", 1: "failed"}  # the child's exit codes; any other, or a signal, is a crash
NO_MEMORY = 3


def run_in_child(work: Callable[[], None], *, seconds: float, memory_bytes: int) -> str:
    """Run `work` in a forked child with limits on time and memory.

    Returns "done", "timed_out" (the child is killed), "crashed" (a signal, or no memory left), or
    "failed" (another exception: its traceback is on the standard error). `memory_bytes` bounds
    the child's address space.
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


def _work_and_exit(work: Callable[[], None], seconds: float, memory_bytes: int) -> None:
    import resource

    try:
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


def or_fault(work: Callable[[], dict[str, Any]], instead: dict[str, Any]) -> dict[str, Any]:
    """What `work` gives, or `instead` with the fault as its problem when our code fails.

    `instead` is the stage's record without a result. Failures of the machine (a full disk, a
    missing file) are not faults of the take: they end the job, and it runs again next time.
    """
    try:
        return work()
    except OSError:
        raise
    except Exception as error:
        traceback.print_exc()
        return {**instead, "status": "unreadable", "problems": [fault(error)]}


def fault(error: BaseException) -> Problem:
    """The problem that tells of a fault in the program."""
    return problem(
        FAULT,
        f"The program failed on this take ({type(error).__name__}: {error}).",
        "Grade this take by ear, and send results/logs to whoever looks after the program.",
    )
