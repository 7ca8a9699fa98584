"""The project's own environment: made at first use, from nothing but a bare python3.

Plain standard library. `enter()` makes .venv from a hash-locked requirements file when it is
missing, unfinished, or of another lock, and starts the calling script again inside it. What the
system itself must give (Python's venv module, Pango, fonts) is installed with apt where that is
possible; elsewhere the one command that installs it is printed.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import IO

SCRIPTS = Path(__file__).resolve().parent
ROOT = SCRIPTS.parent
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / ".made-from"  # written last: an environment without it is unfinished
IN_USE = ROOT / ".venv.lock"  # locked shared by who uses .venv, alone by who makes it
LOCK = ROOT / "workflow" / "requirements.txt"
TEST_LOCK = ROOT / "tests" / "requirements.txt"
PROFILES = ROOT / "workflow" / "profiles"

PYTHONS = ((3, 11), (3, 12), (3, 13))  # those that every package of the lock comes ready built for
TOOLS = ("pip", "setuptools")  # of the lock too, and installed before the rest
# Packages whose own tests take 130 MB together, and where the engine's library of solvers keeps
# one for each system (30 MB).
TESTED = ("llvmlite", "numba", "numpy", "pandas", "scipy", "sklearn")
SOLVERS = "pulp/solverdir/cbc"
ONLY_SOURCE = "connection-pool"  # of the workflow engine; everything else comes ready built

FROM_LOCK = (
    *("install", "--quiet", "--disable-pip-version-check", "--no-input"),
    *("--no-deps", "--require-hashes", "--only-binary", ":all:"),
)
NOT_INSTALLED = "The installation failed (see above). It needs the network this once; start again"

PANGO = ("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0")
FONTS = ("fonts-dejavu-core", "fonts-noto-core", "fonts-wqy-microhei")  # the last: Han, Hangul
VENV_MODULE = "python3-venv"
COMMANDS = {
    "Debian, Ubuntu": f"sudo apt-get install {' '.join((VENV_MODULE, *PANGO, *FONTS))}",
    "Fedora": "sudo dnf install python3 pango harfbuzz dejavu-sans-fonts google-noto-sans-fonts",
    "macOS": "brew install python@3.13 pango font-dejavu font-noto-sans",
    "Windows": "wsl --install -d Debian   (then start again inside it, as on Debian)",
}

_in_use: IO[str] | None = None  # open, and so locked, as long as this process runs


def enter(*, for_tests: bool = False) -> None:
    """Go on inside the environment; returns only when this process is in it already."""
    if os.name == "nt":
        raise SystemExit(f"Windows itself is not enough; in a terminal: {COMMANDS['Windows']}")
    locks = [TEST_LOCK] if for_tests else [TEST_LOCK, LOCK]  # the tests' lock holds all of ours
    try:
        made = hold_environment(locks)
    except KeyboardInterrupt:
        raise SystemExit("\nStopped before the environment was ready. Start again.") from None
    if made or Path(sys.prefix).resolve() != VENV.resolve():
        sys.stdout.flush()
        os.execv(PYTHON, [str(PYTHON), *sys.argv])


# -- is it whole, and may it be touched -------------------------------------------------------


def hold_environment(locks: list[Path]) -> bool:
    """Keep the environment as it is while this process runs; make it first if need be.

    Returns whether it was made. Of several starts at once one makes it and the others wait.
    """
    import fcntl

    global _in_use
    try:
        _in_use = _in_use or open(IN_USE, "a", encoding="ascii")  # noqa: SIM115 (see _in_use)
    except OSError:  # somebody else's folder, or one to read only: theirs to make, ours to use
        if any(is_made_from(lock) for lock in locks):
            return False
        raise SystemExit(
            f"Cannot write in {ROOT}; copy it to a folder of your own, or let its owner start this"
            " once first."
        ) from None
    wait_for(_in_use, fcntl.LOCK_SH)
    made = False
    while not any(is_made_from(lock) for lock in locks):
        wait_for(_in_use, fcntl.LOCK_EX)
        if not any(is_made_from(lock) for lock in locks):  # nobody else made it meanwhile
            make(locks[-1])
            made = True
        fcntl.flock(_in_use, fcntl.LOCK_SH)
    return made


def wait_for(stream: IO[str], kind: int) -> None:
    """Take the lock; say so if that means waiting."""
    import fcntl

    try:
        fcntl.flock(stream, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        print("Another start is making or using the environment; waiting for it ...", flush=True)
        fcntl.flock(stream, kind)


def is_made_from(lock: Path) -> bool:
    """Whether the environment is finished and holds what `lock` lists."""
    return stamp() == stamp_of(lock)


def stamp() -> str | None:
    """What the environment's stamp says; None when it is missing or was never finished."""
    return STAMP.read_text() if PYTHON.exists() and STAMP.is_file() else None


def stamp_of(lock: Path) -> str:
    """What the stamp says of an environment made from `lock`: the Python under it, and the lock."""
    return (
        f"{PYTHON.resolve()}\n{lock.parent.name} {hashlib.sha256(lock.read_bytes()).hexdigest()}\n"
    )


# -- making it --------------------------------------------------------------------------------


def make(lock: Path) -> None:
    """Make .venv hold what `lock` lists.

    A finished environment of another lock is brought up to this one where it stands; any other
    begins anew. Stopped half-way it has no stamp, and the next start begins anew.
    """
    install_system_packages()
    was = stamp()
    finished = was is not None and was.startswith(f"{PYTHON.resolve()}\n")
    STAMP.unlink(missing_ok=True)
    if not finished:
        make_venv()
    install(lock)
    part = STAMP.with_suffix(".part")
    part.write_text(stamp_of(lock))
    part.replace(STAMP)


def make_venv() -> None:
    """An empty environment; without ensurepip the system's pip will begin to fill it."""
    command = [base_python(), "-m", "venv", "--clear", str(VENV)]
    run([*command, *([] if has_module("ensurepip") else ["--without-pip"])], "Making .venv failed")


def install(lock: Path) -> None:
    """Install all of `lock`, each file checked by its hash; ready-built packages only, but one."""
    requirements = entries(lock.read_text(encoding="utf-8"))
    print(
        f"Installing the {len(requirements)} packages of {lock.relative_to(ROOT)}:"
        " some minutes, once.",
        flush=True,
    )
    pip = [str(PYTHON), "-m", "pip"]
    systems_pip = [base_python(), "-m", "pip", "--python", str(PYTHON)]
    with tempfile.NamedTemporaryFile("w", suffix=".txt") as tools:
        tools.write("\n".join(requirements[name] for name in TOOLS))
        tools.flush()
        first = pip if has_module("pip", PYTHON) else systems_pip
        run([*first, *FROM_LOCK, "--requirement", tools.name], NOT_INSTALLED, show=True)
    source = ("--no-binary", ONLY_SOURCE, "--no-build-isolation")
    run([*pip, *FROM_LOCK, *source, "--requirement", str(lock)], NOT_INSTALLED, show=True)
    slim(VENV)
    run([str(PYTHON), "-m", "compileall", "-q", str(ROOT / "scripts")], "Compiling failed")


def profiles() -> list[str]:
    """The ways to run the workflow: the folders of workflow/profiles."""
    return sorted(path.name for path in PROFILES.glob("*/"))


def added(lock: Path) -> Path:
    """A folder for Python's path with what `lock` lists, made at first use beside the environment.

    It is for what the engine would load at every start and only one way to run needs. Its name
    holds the lock's digest and it appears whole, so that it is never another lock's or unfinished.
    """
    digest = hashlib.sha256(lock.read_bytes()).hexdigest()[:16]
    folder = VENV / "added" / f"{lock.parent.name}-{digest}"
    if not folder.is_dir():
        print(f"Installing the packages of {lock.relative_to(ROOT)}, once.", flush=True)
        folder.parent.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder.parent) as part:
            target = ("--target", f"{part}/whole", "--requirement", str(lock))
            run([str(PYTHON), "-m", "pip", *FROM_LOCK, *target], NOT_INSTALLED, show=True)
            with contextlib.suppress(OSError):  # another start was quicker
                os.rename(f"{part}/whole", folder)
    return folder


def slim(venv: Path) -> None:
    """Take away what nothing here uses: the large packages' own tests, solvers of other systems."""
    here = {"darwin": "osx"}.get(sys.platform, "linux")
    for packages in venv.glob("lib/python*/site-packages"):
        unused = [path for name in TESTED for path in (packages / name).rglob("tests")]
        unused += [path for path in (packages / SOLVERS).glob("*") if path.name != here]
        for path in unused:
            shutil.rmtree(path, ignore_errors=True)


def entries(lock_text: str) -> dict[str, str]:
    """The requirements of a lock by name, each with its lines of hashes."""
    entry = re.compile(r"^([a-z0-9][\w.-]*)==.*(?:\n    .*)*", flags=re.MULTILINE)
    return {found[1]: found[0] for found in entry.finditer(lock_text)}


@cache
def base_python() -> str:
    """The Python to make the environment with: this one, or another of the system if it must be."""
    if sys.version_info[:2] in PYTHONS:
        return getattr(sys, "_base_executable", None) or sys.executable  # not an environment's own
    for major, minor in reversed(PYTHONS):
        name = f"python{major}.{minor}"
        if shutil.which(name) and run_quietly(name, "-c", "").returncode == 0:
            return name
    oldest, newest = (f"{major}.{minor}" for major, minor in (PYTHONS[0], PYTHONS[-1]))
    raise SystemExit(
        f"Python {oldest} to {newest} is needed; this is {sys.version.split()[0]}, and there is no"
        f" other. Install python{newest}, then start again with it:\n{command_here()}"
    )


def run(command: Sequence[str], failed: str, *, show: bool = False) -> None:
    """Run a step of the set-up, or stop with `failed` and what the step said.

    The step holds the environment's lock too: it may outlive a killed start.
    """
    held = (_in_use.fileno(),) if _in_use else ()
    output = None if show else subprocess.PIPE
    done = subprocess.run(command, text=True, pass_fds=held, stdout=output, stderr=output)
    if done.returncode != 0:
        raise SystemExit("\n".join([f"{failed}.", *filter(None, [done.stdout, done.stderr])]))


def run_quietly(*command: str | Path) -> subprocess.CompletedProcess[str]:
    """Ask another program something: its exit code and what it printed."""
    return subprocess.run(command, capture_output=True, text=True)


# -- what the system must give ----------------------------------------------------------------


def install_system_packages() -> None:
    """Python's venv module, Pango and fonts: by apt where we may, else told in one line."""
    if can_use_apt():
        venv = () if can_make_venv() else (VENV_MODULE,)
        apt(*venv, *not_installed([*PANGO, *FONTS]))
    missing = [
        *([] if can_make_venv() else ["Python's venv module"]),
        *([] if has_pango() else ["Pango, which draws the sheets,"]),
    ]
    if missing:
        raise SystemExit(f"{' and '.join(missing)} must be installed first:\n{command_here()}")


def can_make_venv() -> bool:
    """Whether this Python can make an environment, by its own pip or by the system's."""
    return has_module("venv") and (has_module("ensurepip") or has_module("pip"))


def has_module(name: str, python: str | Path | None = None) -> bool:
    """Whether a Python (if none is given, the one to make the environment with) has a module."""
    asked = f"import importlib.util as u, sys; sys.exit(u.find_spec({name!r}) is None)"
    return run_quietly(python or base_python(), "-c", asked).returncode == 0


def has_pango() -> bool:
    """Whether the system's Pango can be loaded."""
    import ctypes
    from ctypes.util import find_library

    for name in ("libpangoft2-1.0.so.0", "libpangoft2-1.0.dylib", find_library("pangoft2-1.0")):
        try:
            if name:
                ctypes.CDLL(name)
                return True
        except OSError:
            continue
    return False


def command_here() -> str:
    """The command that installs what is missing: the one of this system, if it is known."""
    here = system_name()
    known = {here: COMMANDS[here]} if here else COMMANDS
    return "\n".join(f"  {system + ':':<16}{command}" for system, command in known.items())


def system_name() -> str | None:
    """Which of COMMANDS fits this system; None if none is known to."""
    import platform

    if sys.platform == "darwin":
        return "macOS"
    try:
        release = platform.freedesktop_os_release()
    except (OSError, AttributeError):  # no such file; a Python before 3.10
        return None
    family = {release.get("ID", ""), *release.get("ID_LIKE", "").split()}
    if family & {"debian", "ubuntu"}:
        return "Debian, Ubuntu"
    return "Fedora" if family & {"fedora", "rhel"} else None


def can_use_apt() -> bool:
    """Whether this is root on a system with apt."""
    return os.geteuid() == 0 and shutil.which("apt-get") is not None


def not_installed(packages: Iterable[str]) -> list[str]:
    """Which of these Debian packages are not there."""
    asked = ("dpkg-query", "--show", "--showformat", "${Status}")
    return [name for name in packages if "ok installed" not in run_quietly(*asked, name).stdout]


def apt(*packages: str) -> None:
    """Install Debian packages, if any are named."""
    if not packages:
        return
    print(f"Installing with apt: {' '.join(packages)} ...", flush=True)
    get = ["env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-q", "-y"]
    patient = ["-o", "DPkg::Lock::Timeout=120", "-o", "Dpkg::Use-Pty=0"]  # s, if apt is at work
    failed = "apt could not install this; it needs the network this once"
    run([*get, *patient, "update"], failed)
    run([*get, *patient, "install", "--no-install-recommends", *packages], failed)
