"""Check the project: style, types, the workflow's habits, and all tests.

Makes its own environment at first use. Options it does not know go to pytest, as in
`check.py -k tuning` or `check.py tests/test_pitch.py`.
"""

import argparse
import os
import re
import secrets
import subprocess
import sys
import time
from collections.abc import Callable

import environment

MOST_WORKERS = 4  # a test process takes up to a few hundred MB
WAIVED_LINTS = {  # what `snakemake --lint` asks for and does not get: which, and why
    r"Specify a conda environment or container for each rule": "all rules share one locked .venv",
}


def main() -> int:
    """Run every check; 0 when all passed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fast", action="store_true", help="all but the tests")
    args, for_pytest = parser.parse_known_args()
    environment.enter(for_tests=True)
    install_for_tests()
    for lock in environment.PROFILES.glob("*/requirements.txt"):
        environment.added(lock)
    checks: dict[str, Callable[[], bool]] = {
        "ruff check": lambda: tool("ruff", "check", "scripts", "tests"),
        "ruff format": lambda: tool("ruff", "format", "--diff", "--quiet", "scripts", "tests"),
        "snakefmt": lambda: tool("snakefmt", "--check", "--compact-diff", "Snakefile", "workflow"),
        "snakemake --lint": lint_workflow,
        "mypy": lambda: tool("mypy"),
    }
    if not args.fast:
        checks["pytest"] = lambda: test(for_pytest)
        if not for_pytest:
            checks["fresh cases"] = draw_fresh_cases
    results = [run_check(name, check) for name, check in checks.items()]
    print("\nSummary")
    for name, passed, seconds in results:
        print(f"  {'passed' if passed else 'FAILED'}  {name} ({seconds:.0f} s)")
    return 0 if all(passed for _, passed, _ in results) else 1


def run_check(name: str, check: Callable[[], bool]) -> tuple[str, bool, float]:
    """One check under its heading: its name, whether it passed, and how long it took."""
    print(f"\n== {name}", flush=True)
    start = time.monotonic()
    passed = check()
    return name, passed, time.monotonic() - start


def tool(module: str, *arguments: str, **variables: str) -> bool:
    """Run a Python tool at the project's root, with variables of its environment; whether it
    passed."""
    command = [sys.executable, "-m", module, *arguments]
    environ = os.environ | variables
    return subprocess.run(command, cwd=environment.ROOT, env=environ).returncode == 0


def test(for_pytest: list[str], **variables: str) -> bool:
    """Run the tests, a file at a time on each core; skipped ones are listed with the reason."""
    workers = str(min(os.cpu_count() or 1, MOST_WORKERS))
    options = ["-q", "-rs", "-n", workers, "--dist", "loadfile", *for_pytest]
    return tool("pytest", *options, **variables)


def draw_fresh_cases() -> bool:
    """Run every property test on ten cases that nobody has seen; the seed gives them again."""
    options = ["-m", "hypothesis", f"--hypothesis-seed={secrets.randbelow(2**32)}"]
    again = f"HYPOTHESIS_PROFILE=fresh .venv/bin/python -m pytest {' '.join(options)}"
    print(f"The same cases again: {again}", flush=True)
    return test(options, HYPOTHESIS_PROFILE="fresh")


def lint_workflow() -> bool:
    """Let the engine lint the rules; what WAIVED_LINTS names is counted, the rest is shown."""
    command = [sys.executable, "-m", "snakemake", "--lint"]
    done = subprocess.run(command, cwd=environment.ROOT, capture_output=True, text=True)
    found = list(lints(done.stderr))
    asked = [lint for lint in found if not any(re.search(waived, lint) for waived in WAIVED_LINTS)]
    if done.returncode != 0 and not found:  # not a lint: it could not read the rules
        asked = [done.stderr.strip()]
    print("\n".join([*asked, f"{len(found) - len(asked)} waived (see WAIVED_LINTS in check.py)"]))
    return not asked


def lints(text: str) -> list[str]:
    """The lints of the engine's report, as "where: what"."""
    where, found = "", []
    for line in text.splitlines():
        if line.startswith("Lints for "):
            where = line.removeprefix("Lints for ").rstrip(":")
        elif line.startswith("    * "):
            found.append(f"{where}: {line.removeprefix('    * ').rstrip(':')}")
    return found


def install_for_tests() -> None:
    """Install the packages that only tests want, where we may; else say once what will skip."""
    listed = (environment.ROOT / "tests/apt-packages.txt").read_text(encoding="utf-8")
    names = [name for line in listed.splitlines() if (name := line.split("#")[0].strip())]
    if environment.can_use_apt():
        environment.apt(*environment.not_installed(names))
    elif environment.system_name() == "Debian, Ubuntu" and (
        missing := environment.not_installed(names)
    ):
        print(f"Some tests will be skipped; for all: sudo apt-get install {' '.join(missing)}")


if __name__ == "__main__":
    sys.exit(main())
