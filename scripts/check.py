"""Check the project: style, and all tests. Makes its own environment at first use."""

import argparse
import subprocess
import sys

import environment


def system_packages() -> list[str]:
    """The Debian packages that only tests want."""
    lines = (environment.ROOT / "tests/apt-packages.txt").read_text(encoding="utf-8").splitlines()
    return [name for line in lines if (name := line.split("#")[0].strip())]


def install_for_tests() -> None:
    """Install what only tests want where we may; else the tests that want it say so and skip."""
    names = system_packages()
    missing = [
        name
        for name in names
        if subprocess.run(["dpkg", "-s", name], capture_output=True).returncode != 0
    ]
    if missing:
        environment.apt(*missing)


def main() -> int:
    """Run every check; the number of failed ones."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fast", action="store_true", help="style only, no tests")
    args, more = parser.parse_known_args()
    environment.enter(for_tests=True)
    if environment.can_use_apt():
        install_for_tests()
    python = [sys.executable, "-m"]
    checks = [[*python, "ruff", "check", "scripts", "tests"]]
    if not args.fast:
        checks.append([*python, "pytest", "-q", "-rs", "tests", *more])
    return sum(subprocess.run(c, cwd=environment.ROOT).returncode != 0 for c in checks)


if __name__ == "__main__":
    sys.exit(main())
