"""Steps forked from one process: each as if its script had been started alone."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from subprocess import PIPE

import psutil
import pytest

from conftest import ROOT

CLIENT = ROOT / "scripts" / "stage_client.py"
SERVER = ROOT / "scripts" / "stage_server.py"
CRASHED = 70  # sysexits.h: EX_SOFTWARE


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[subprocess.Popen[bytes]]:
    path = tmp_path_factory.mktemp("s") / "students"
    process = subprocess.Popen([sys.executable, SERVER, path.parent, path.name], stdin=PIPE)
    wait_until(path.exists)
    os.environ["PEGMARK_STAGES"] = str(path.parent)
    yield process
    del os.environ["PEGMARK_STAGES"]
    process.communicate(timeout=20)
    assert process.returncode == 0
    assert not path.parent.exists()  # nothing of it is left


def wait_until(holds: Callable[[], object], seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)


def command(folder: Path, text: str, *words: str) -> list[str | Path]:
    script = folder / "step.py"
    script.write_text(text, encoding="utf-8")
    return [sys.executable, "-I", "-S", CLIENT, script, *words]


def run(folder: Path, text: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command(folder, text, *words), cwd=folder, text=True, capture_output=True)


WHOLE = """
import os, sys
if __name__ == "__main__":
    print(os.getcwd(), sys.argv[1:])
    print("told", file=sys.stderr)
"""


@pytest.mark.usefixtures("server")
def test_a_step_has_its_folder_arguments_and_output(tmp_path):
    done = run(tmp_path, WHOLE, "a b", "ä")
    assert done.returncode == 0
    assert done.stdout == f"{tmp_path.resolve()} ['a b', 'ä']\n"
    assert done.stderr == "told\n"


@pytest.mark.usefixtures("server")
def test_what_is_imported_already_is_not_imported_again(tmp_path):
    done = run(tmp_path, "import sys; print('weasyprint' in sys.modules, 'librosa' in sys.modules)")
    assert done.stdout == "True False\n"


@pytest.mark.usefixtures("server")
@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("import sys; sys.exit(3)", 3, ""),
        ("import sys; sys.exit('No room.')", 1, "No room."),
        ("raise KeyError('lathe')", 1, "KeyError: 'lathe'"),
        ("import os; os.kill(os.getpid(), 11)", CRASHED, ""),
    ],
)
def test_a_step_ends_as_its_script_would(tmp_path, text, code, said):
    done = run(tmp_path, text)
    assert done.returncode == code
    assert said in done.stderr


@pytest.mark.usefixtures("server")
def test_a_step_ends_with_its_client_and_takes_what_it_started_along(tmp_path):
    text = (
        "import os, time\nchild = os.fork()\n"
        "open(f'{os.getpid()}.pid', 'w').close()\ntime.sleep(60)"
    )
    client = subprocess.Popen(command(tmp_path, text), cwd=tmp_path)
    wait_until(lambda: len(list(tmp_path.glob("*.pid"))) == 2)
    client.send_signal(signal.SIGKILL)
    client.wait()
    steps = [int(path.stem) for path in tmp_path.glob("*.pid")]
    wait_until(lambda: not any(is_at_work(step) for step in steps))


def is_at_work(process: int) -> bool:
    try:
        return psutil.Process(process).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def test_without_a_server_the_client_is_the_step(tmp_path, monkeypatch):
    monkeypatch.delenv("PEGMARK_STAGES", raising=False)
    done = run(tmp_path, "import sys; print(sys.argv[1:], 'numpy' in sys.modules)", "x")
    assert done.stdout == "['x'] False\n"


def test_the_server_ends_with_the_engine_when_its_steps_have_ended(tmp_path):
    path = tmp_path / "folder" / "students"
    path.parent.mkdir()
    process = subprocess.Popen([sys.executable, SERVER, path.parent, path.name], stdin=PIPE)
    wait_until(path.exists)
    words = command(tmp_path, "import time; open('begun', 'w'); time.sleep(1); open('done', 'w')")
    client = subprocess.Popen(
        words, cwd=tmp_path, env={**os.environ, "PEGMARK_STAGES": str(path.parent)}
    )
    wait_until((tmp_path / "begun").exists)
    process.communicate(timeout=20)
    assert client.wait(timeout=5) == 0
    assert (tmp_path / "done").exists()


# -- several stages in one process ----------------------------------------------------------------


def steps(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run steps.py with two stages of the test's own beside it."""
    shutil.copy(ROOT / "scripts" / "steps.py", folder)
    text = "import sys\nprint(sys.argv[1:], __name__)\nsys.exit(3 * ('fail' in sys.argv))\n"
    for name in ("saw", "plane"):
        (folder / f"{name}.py").write_text(text.replace("print(", f"print('{name}', "), "utf-8")
    command = [sys.executable, folder / "steps.py", *words]
    return subprocess.run(command, text=True, capture_output=True)


def test_stages_follow_each_other_each_with_its_own_arguments(tmp_path):
    (tmp_path / "go.py").write_text("import sys\nprint(sys.argv[1:])\n", encoding="utf-8")
    done = steps(tmp_path, "go", "a b", "--then", "go", "--then", "saw", "--x", "ä")
    assert done.stdout == "['a b']\n[]\nsaw ['--x', 'ä'] __main__\n"
    assert done.returncode == 0


def test_a_stage_that_fails_ends_those_behind_it(tmp_path):
    done = steps(tmp_path, "saw", "fail", "--then", "plane")
    assert done.stdout == "saw ['fail'] __main__\n"
    assert done.returncode == 3


@pytest.mark.usefixtures("server")
def test_the_server_sums_up_what_its_steps_took(tmp_path):
    path = tmp_path / "folder" / "students"
    path.parent.mkdir()
    process = subprocess.Popen(
        [sys.executable, SERVER, path.parent, path.name], stdin=PIPE, stdout=PIPE, text=True
    )
    wait_until(path.exists)
    text = (
        "import time\nx, end = bytearray(60 << 20), time.process_time() + 0.2\n"
        "while time.process_time() < end: pass\n"
    )
    environment = {**os.environ, "PEGMARK_STAGES": str(path.parent)}
    for _ in range(2):
        subprocess.run(command(tmp_path, text), cwd=tmp_path, env=environment, check=True)
    said, _ = process.communicate(timeout=20)
    told = re.search(r"^step: 2 steps, ([0-9.]+) CPU s, (\d+) MB$", said, re.MULTILINE)
    assert told, said
    assert float(told[1]) > 0.3
    assert int(told[2]) > 60
    assert re.search(r"^server of students: 1 steps, [0-9.]+ CPU s, \d+ MB$", said, re.MULTILINE)


def test_a_server_whose_run_has_ended_before_it_began_says_nothing(tmp_path: Path) -> None:
    """The other server takes the folder of both away when the engine has gone."""
    command = [
        sys.executable,
        str(ROOT / "scripts/stage_server.py"),
        str(tmp_path / "gone"),
        "takes",
    ]
    ended = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, "", "")
