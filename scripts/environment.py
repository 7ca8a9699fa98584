"""The project's own environment: made at first use, from nothing but a bare python3.

Plain standard library. `enter()` makes .venv from a hash-locked requirements file when it is
missing or of another lock, installs Pango with apt where that is possible, and starts the calling
script again inside the environment.
"""

from __future__ import annotations

import ctypes.util
import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / ".made-from"
LOCK = ROOT / "workflow" / "requirements.txt"
TEST_LOCK = ROOT / "tests" / "requirements.txt"
SYSTEM_PACKAGES = (
    "libpango-1.0-0",
    "libpangoft2-1.0-0",
    "libharfbuzz-subset0",
    "fonts-dejavu-core",
    "fonts-noto-core",
)
PANGO_ELSEWHERE = (
    "The sheets need Pango. Install it with the one line for your system:\n"
    "  Debian, Ubuntu, WSL:  sudo apt-get install " + " ".join(SYSTEM_PACKAGES) + "\n"
    "  Fedora:               sudo dnf install pango harfbuzz google-noto-sans-fonts\n"
    "  macOS:                brew install pango"
)


def enter(*, for_tests: bool = False) -> None:
    """Go on inside the environment; returns only when already there."""
    if sys.version_info < (3, 11):  # noqa: UP036 (told in words rather than by a crash)
        raise SystemExit(f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}.")
    locks = [TEST_LOCK] if for_tests else [TEST_LOCK, LOCK]  # the tests' lock holds all of ours
    if not any(is_made_from(lock) for lock in locks):
        make(locks[-1])
    if Path(sys.prefix).resolve() != VENV.resolve():
        os.execv(PYTHON, [str(PYTHON), *sys.argv])


def is_made_from(lock: Path) -> bool:
    """Whether the environment holds just what `lock` lists."""
    return PYTHON.exists() and STAMP.is_file() and STAMP.read_text() == digest(lock)


def digest(lock: Path) -> str:
    """What stands for a lock in the stamp."""
    return f"{lock.parent.name} {hashlib.sha256(lock.read_bytes()).hexdigest()}"


def make(lock: Path) -> None:
    """Make or renew .venv from `lock`."""
    install_system_packages()
    if not PYTHON.exists():
        make_venv()
    print(f"Installing what {lock.relative_to(ROOT)} lists (some minutes, once) ...", flush=True)
    pip = [str(PYTHON), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    run = subprocess.run([*pip, "--require-hashes", "--no-deps", "-r", str(lock)])
    if run.returncode != 0:
        raise SystemExit("The installation failed; see above. It needs the network this once.")
    subprocess.run([str(PYTHON), "-m", "compileall", "-q", str(ROOT / "scripts")], check=False)
    STAMP.write_text(digest(lock))


def make_venv() -> None:
    """An empty environment; where Debian left the venv module out, apt brings it."""
    command = [sys.executable, "-m", "venv", "--clear", str(VENV)]
    if subprocess.run(command, capture_output=True).returncode == 0:
        return
    if can_use_apt():
        apt("python3-venv")
        subprocess.run(command, check=True)
        return
    raise SystemExit("Python's venv module is missing: sudo apt-get install python3-venv")


def install_system_packages() -> None:
    """Pango and fonts, by apt where we may, else told in words."""
    if ctypes.util.find_library("pangoft2-1.0"):
        return
    if not can_use_apt():
        raise SystemExit(PANGO_ELSEWHERE)
    apt(*SYSTEM_PACKAGES)


def can_use_apt() -> bool:
    """Whether this is root on a system with apt."""
    return os.geteuid() == 0 and shutil.which("apt-get") is not None


def apt(*packages: str) -> None:
    """Install Debian packages."""
    print(f"Installing {' '.join(packages)} ...", flush=True)
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    subprocess.run(["apt-get", "update", "-qq"], check=True, env=quiet)
    install = ["apt-get", "install", "-y", "-qq", "--no-install-recommends", *packages]
    subprocess.run(install, check=True, env=quiet, stdout=subprocess.DEVNULL)
