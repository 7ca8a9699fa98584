"""The project's own environment: made at first use, from nothing but a bare python3.

Plain standard library. `enter(lock)` makes .venv from a hash-locked requirements file when it is
missing or older than the lock, installs Pango with apt where that is possible, and starts the
calling script again inside the environment.
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


def enter(lock: Path) -> None:
    """Go on inside the environment of `lock`; returns only when already there."""
    if sys.version_info < (3, 11):  # noqa: UP036 (told in words rather than by a crash)
        raise SystemExit(f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}.")
    stamp = VENV / f".made-from-{lock.parent.name}"
    wanted = hashlib.sha256(lock.read_bytes()).hexdigest()
    if not (PYTHON.exists() and stamp.exists() and stamp.read_text() == wanted):
        make(lock)
        stamp.write_text(wanted)
    if Path(sys.prefix).resolve() != VENV.resolve():
        os.execv(PYTHON, [str(PYTHON), *sys.argv])


def make(lock: Path) -> None:
    """Make or renew .venv from `lock`."""
    install_system_packages()
    if not PYTHON.exists():
        make_venv()
    print(f"Installing what {lock.relative_to(ROOT)} lists (a few minutes, once) ...", flush=True)
    pip = [str(PYTHON), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*pip, "--require-hashes", "--no-deps", "-r", str(lock)], check=True)


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
