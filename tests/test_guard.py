"""The guards around a stage: every way a child can end has its word, and nothing is left behind."""

from __future__ import annotations

import ctypes
import faulthandler
import os
import resource
import signal
import time
from pathlib import Path

import pytest

from pegmark.files.store import read_json, write_json
from pegmark.records.faults import FAULT, fault, guarded, or_fault, run_in_child

PLENTY = 1 << 40  # of address space: no limit
SLEEP_S = 60.0  # longer than any test may take


def address_space() -> int:
    """What this process has already taken, which a child begins with."""
    return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()


@pytest.fixture
def run(monkeypatch):
    """`run_in_child`, and then a look that the child is gone, not even a zombie."""
    fork, children = os.fork, []

    def remember():
        children.append(fork())
        return children[-1]

    def go(work, seconds=20.0, memory_bytes=PLENTY):
        monkeypatch.setattr(os, "fork", remember)
        end = run_in_child(work, seconds=seconds, memory_bytes=memory_bytes)
        assert not is_alive(children[-1])
        return end

    return go


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_what_a_child_writes_is_there(run, tmp_path):
    assert run(lambda: (tmp_path / "made").write_text("whole")) == "done"
    assert (tmp_path / "made").read_text() == "whole"


def test_what_a_child_changes_is_not(run):
    values = [1]
    assert run(lambda: values.append(2)) == "done"
    assert values == [1]


def test_an_exception_is_a_failure_and_its_traceback_is_in_the_log(run, capfd):
    assert run(lambda: {}["no such key"]) == "failed"
    assert "KeyError: 'no such key'" in capfd.readouterr().err


@pytest.mark.parametrize(
    "crash",
    [
        lambda: ctypes.string_at(0),
        os.abort,
        lambda: os.kill(os.getpid(), signal.SIGKILL),
        lambda: os._exit(7),
    ],
    ids=["segmentation fault", "abort", "killed", "odd exit code"],
)
def test_a_crash_stays_in_the_child(run, crash):
    def work():
        faulthandler.disable()  # the test runner's, which would fill the output
        crash()

    assert run(work) == "crashed"


def test_a_child_that_wants_too_much_memory(run):
    limit = address_space() + (64 << 20)
    assert run(lambda: bytearray(16 << 20), memory_bytes=limit) == "done"
    assert run(lambda: bytearray(512 << 20), memory_bytes=limit) == "crashed"


def endless() -> None:
    while True:
        pass


def deaf() -> None:
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    time.sleep(SLEEP_S)


@pytest.mark.parametrize("hang", [endless, deaf])
def test_a_child_that_hangs_is_stopped(run, hang):
    started = time.monotonic()
    assert run(hang, seconds=0.3) == "timed_out"
    assert time.monotonic() - started < SLEEP_S / 2


def test_a_child_leaves_no_core_and_has_a_limit_of_computing_time(run, tmp_path):
    def tell():
        limits = [
            resource.getrlimit(kind)[0] for kind in (resource.RLIMIT_CORE, resource.RLIMIT_CPU)
        ]
        (tmp_path / "limits").write_text(repr(limits))

    assert run(tell, seconds=20) == "done"
    assert (tmp_path / "limits").read_text() == "[0, 21]"
    assert resource.getrlimit(resource.RLIMIT_AS)[0] == resource.RLIM_INFINITY


class Stopped(BaseException):
    """Stands for an interruption of the run."""


def test_who_is_stopped_leaves_no_child_behind(tmp_path):
    def work():
        (tmp_path / "pid").write_text(str(os.getpid()))
        time.sleep(SLEEP_S)

    def stop(number, frame):
        raise Stopped

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, 0.5)
    try:
        with pytest.raises(Stopped):
            run_in_child(work, seconds=SLEEP_S, memory_bytes=PLENTY)
    finally:
        signal.signal(signal.SIGALRM, before)
    assert not is_alive(int((tmp_path / "pid").read_text()))


# -- faults of our own ----------------------------------------------------------------------------

EMPTY = {"notes": [], "recording": None}


def test_a_result_passes_through():
    assert or_fault(lambda: {"status": "ok", "notes": [1]}, EMPTY) == {"status": "ok", "notes": [1]}


def test_a_fault_is_a_result_that_says_so(capsys):
    record = or_fault(lambda: {"notes": [1 / 0]}, EMPTY)
    (told,) = record.pop("problems")
    assert record == {"status": "unreadable", "notes": [], "recording": None}
    assert told["code"] == FAULT
    assert "ZeroDivisionError: division by zero" in told["message"]
    assert "results/logs" in told["action"]
    assert "ZeroDivisionError" in capsys.readouterr().err


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_what_is_not_the_takes_fault_ends_the_job(error):
    def work():
        raise error

    with pytest.raises(type(error)):
        or_fault(work, EMPTY)


@pytest.mark.parametrize(
    ("work", "said"),
    [
        (lambda: 1 / 0, "ZeroDivisionError"),
        (lambda: os.kill(os.getpid(), signal.SIGKILL), "crashed here"),
        (lambda: time.sleep(SLEEP_S), "took too long here"),
    ],
    ids=["fault", "crash", "hang"],
)
def test_however_a_stage_ends_its_record_is_written(tmp_path, work, said):
    path = tmp_path / "record.json"
    guarded(work, dict(EMPTY), lambda record: write_json(path, record), seconds=1.0)
    record = read_json(path)
    assert {**record, **EMPTY} == record
    assert (record["status"], record["problems"][0]["code"]) == ("unreadable", FAULT)
    assert said in record["problems"][0]["message"]


def test_a_record_that_cannot_be_written_ends_the_job(tmp_path, capfd):
    def write(record):
        raise OSError(28, "No space left on device")

    with pytest.raises(SystemExit, match="failed"):
        guarded(lambda: dict(EMPTY), EMPTY, write)
    assert "No space left on device" in capfd.readouterr().err


def test_the_words_of_a_fault():
    told = fault(ValueError("odd"))
    assert told["code"] == FAULT
    assert "(ValueError: odd)" in told["message"]
