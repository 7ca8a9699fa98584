"""A class of three students with short takes, graded once, for the tests of the workflow.

The tests run a copy of the project, so that they can change a module of it, and so that nothing
they start writes into the work tree. Its environment is the one that runs the tests.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import wave
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from environment import ROOT
from pegmark.signals.audio import RATE_HZ

HARMONICS = 8
NO_ENVIRONMENT = '''

def enter() -> None:
    """Stand-in of the tests: the environment is the one that runs them."""


VENV, PYTHON = Path(sys.prefix), Path(sys.executable)
'''

SMALL_ROSTER = """\
student_id,family_name,given_name,instrument,section,email
m1,Brook,Ada,violin,Heron,ada@example.org
m2,Cole,Ben,cello,Heron,ben@example.org
m3,Dunn,Cai,viola,Heron,cai@example.org
"""
SMALL_ASSIGNMENT = """\
title: "Week 1"
class_name: "Šest strun Nº 3"
due: 2026-03-06 18:00 +00:00
"""
SMALL_MARKS = """\
student_id,criterion,points,comment
m1,bridge,1,
m1,answers,2,Clear.
m1,daily,1,
"""
SMALL_OPEN_HZ = {  # equal temperament at A4 = 440 Hz
    "violin": (440.0, 659.255, 293.665, 195.998),
    "viola": (440.0, 293.665, 195.998, 130.813),
    "cello": (220.0, 146.832, 97.999, 65.406),
}
SMALL_FILES = {"m1": "Ada Brook tuning.wav", "m2": "cole_ben.wav", "m3": "Dunn, Cai.wav"}
SMALL_INSTRUMENTS = {"m1": "violin", "m2": "cello", "m3": "viola"}


def pluck_strings(path: Path, instrument: str, cents: float = 0.0) -> None:
    """A take of ten seconds: every string plucked twice, the first of all a little flat."""
    t = np.arange(RATE_HZ) / RATE_HZ
    notes = []
    for number, hz in enumerate(SMALL_OPEN_HZ[instrument]):
        for start_cents in (-30.0 if number == 0 else 0.0, 0.0):
            f0_hz = hz * 2 ** ((start_cents + cents) / 1200)
            partials = [
                np.sin(2 * np.pi * n * f0_hz * t) * np.exp(-(1.5 + n) * t) / n
                for n in range(1, HARMONICS + 1)
            ]
            notes.append(np.minimum(1, t / 0.004) * sum(partials))
    quiet = np.random.default_rng(1).normal(0, 1e-3, RATE_HZ)
    sound = np.concatenate([quiet, 0.3 * np.concatenate(notes), quiet])
    path.parent.mkdir(parents=True, exist_ok=True)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes((np.clip(sound, -1, 1) * 32767).astype("<i2").tobytes())


def make_class(folder: Path) -> Path:
    """A class folder that nobody has graded."""
    folder.mkdir(parents=True)
    (folder / "roster.csv").write_text(SMALL_ROSTER, encoding="utf-8")
    (folder / "assignment.yaml").write_text(SMALL_ASSIGNMENT, encoding="utf-8")
    (folder / "marks.csv").write_text(SMALL_MARKS, encoding="utf-8")
    for number, (student, name) in enumerate(SMALL_FILES.items()):
        pluck_strings(folder / "submissions" / name, SMALL_INSTRUMENTS[student], cents=2.0 * number)
    return folder


def copy_project(folder: Path) -> Path:
    """The project itself, as the tests' own."""
    for name in ("config", "workflow", "scripts"):
        ignored = shutil.ignore_patterns("__pycache__", ".*", "lab")
        shutil.copytree(ROOT / name, folder / name, ignore=ignored)
    shutil.copy(ROOT / "Snakefile", folder)
    with open(folder / "scripts" / "environment.py", "a", encoding="utf-8") as module:
        module.write(NO_ENVIRONMENT)
    return folder


def copy_class(graded: Path, folder: Path) -> Path:
    """A graded class with everything in it, times and the engine's memory too."""
    shutil.copytree(graded, folder, symlinks=True)
    return folder


# -- starting it ----------------------------------------------------------------------------------


def grade_command(project: Path, class_dir: Path | str, *more: str) -> list[str]:
    """The one command of the teacher."""
    return [sys.executable, str(project / "scripts" / "grade.py"), str(class_dir), *more]


def engine_command(project: Path, class_dir: Path, *more: str) -> list[str]:
    """The workflow engine, started as somebody who knows it would."""
    profile = project / "workflow" / "profiles" / "default"
    return [
        *(sys.executable, "-m", "snakemake", "--snakefile", str(project / "Snakefile")),
        *("--workflow-profile", str(profile), "--config", f"class_dir={class_dir}", *more),
    ]


def run(command: list[str], code: int = 0, timeout_s: float = 300, **environment: str) -> str:
    """Run a command that must end with this exit code; what it printed."""
    done = subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        cwd="/tmp",
        env={**os.environ, **environment},
    )
    said = done.stdout + done.stderr
    assert done.returncode == code, f"exit code {done.returncode}:\n{said}"
    return said


def grade(project: Path, class_dir: Path, code: int = 0, *more: str) -> str:
    """Grade the class; what the teacher reads."""
    return run(grade_command(project, class_dir, *more), code)


# -- killing it -----------------------------------------------------------------------------------


def start(command: list[str]) -> subprocess.Popen[bytes]:
    """Start a command in a process group of its own."""
    return subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )


def kill_whole(process: subprocess.Popen[bytes]) -> None:
    """Everything at once, as when the machine stops."""
    os.killpg(process.pid, signal.SIGKILL)


def kill_engine(process: subprocess.Popen[bytes]) -> None:
    """The engine alone, once there is one: its steps, and the teacher's command, live on."""
    children = psutil.Process(process.pid).children()
    for one in children or [process]:
        one.kill()


def kill_command(process: subprocess.Popen[bytes]) -> None:
    """The teacher's command alone: the engine lives on for a while."""
    process.kill()


KILLS = (kill_whole, kill_engine, kill_command)


def end_group(process: subprocess.Popen[bytes]) -> None:
    """End the processes that `start` began, if any is left."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def wait_until(
    true: Callable[[], bool], process: subprocess.Popen[bytes] | None = None, seconds: float = 300
) -> None:
    """Wait for a moment; AssertionError when it does not come, or the process ends before it."""
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it never came"
        assert process is None or process.poll() is None, "the run has ended"
        time.sleep(0.02)


def steps_done(class_dir: Path) -> int:
    """How many steps the engine has done in the run at work; -1 before the first begins."""
    log = class_dir / "results" / "logs" / "run.log"
    text = log.read_bytes() if log.is_file() else b""
    done = re.findall(rb"^(\d+) of \d+ steps", text, re.MULTILINE)
    return int(done[-1]) if done else (0 if b"Select jobs" in text else -1)


def has_locks(class_dir: Path) -> bool:
    """Whether the engine's locks lie in the class folder."""
    return any((class_dir / ".snakemake" / "locks").glob("*.lock"))


def is_held(class_dir: Path) -> bool:
    """Whether a process holds the class folder."""
    handle = os.open(class_dir, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


# -- what it did ----------------------------------------------------------------------------------


def jobs(output: str) -> dict[str, set[str]]:
    """The engine's list of jobs: rule -> what it is about ("" for the class), without "all"."""
    found: dict[str, set[str]] = {}
    for block in re.split(r"\n(?=(?:local)?rule )", output):
        if name := re.match(r"(?:local)?rule (\w+):", block):
            about = re.search(r"^    wildcards: \w+=(\S+)$", block, re.MULTILINE)
            found.setdefault(name[1], set()).add(about[1] if about else "")
    found.pop("all", None)
    return found


def planned(project: Path, class_dir: Path) -> dict[str, set[str]]:
    """The jobs of a dry run."""
    return jobs(run(engine_command(project, class_dir, "--dry-run")))


def done_by_grade(project: Path, class_dir: Path, code: int = 0) -> dict[str, set[str]]:
    """Grade the class; the jobs that the engine did."""
    grade(project, class_dir, code)
    return jobs((class_dir / "results" / "logs" / "run.log").read_text(encoding="utf-8"))


def results_of(class_dir: Path, *leave_out: str) -> dict[str, str]:
    """Path below results/ -> digest, for everything that must come out the same.

    Logs, and the intake's memory of file times, need not.
    """
    results = class_dir / "results"
    return {
        path.relative_to(results).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(results.rglob("*"))
        if path.is_file()
        and path.relative_to(results).parts[0] not in ("logs", *leave_out)
        and path.name not in ("files.json", ".snakemake_timestamp")
    }


def read_record(class_dir: Path, student: str) -> dict[str, Any]:
    """The record of a student."""
    path = class_dir / "results" / "records" / f"{student}.json"
    return json.loads(path.read_text(encoding="utf-8"))


def everything_in(folder: Path) -> dict[str, tuple[int, int]]:
    """Path -> (size, time of change) of every file and folder, to see that nothing was written."""
    return {
        path.relative_to(folder).as_posix(): (path.lstat().st_size, path.lstat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
    }
