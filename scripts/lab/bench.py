"""What all benchmarks share: how one starts, and how it prints.

A benchmark's options work with what grading needs alone; what else a run needs is asked for at its
start, in one sentence.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import platform
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from lab import provenance
from pegmark.trade.instruments import load_instruments

CONFIG = provenance.ROOT / "config"
TABLE = load_instruments(CONFIG / "instruments.yaml")
WRONG_CENTS = 3.0  # a string off by more than this and its interval is wrong
INSTRUMENTS = ("violin", "viola", "cello", "double bass")
FOR_TESTS = "python3 scripts/check.py --fast  (it installs what the tests and benchmarks need)"


def options_of(doc: str, **defaults: Any) -> argparse.ArgumentParser:
    """A parser that explains itself by a module's docstring; --quick, --takes, --seed as named."""
    parser = argparse.ArgumentParser(
        description=doc, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    for name, value in defaults.items():
        parser.add_argument(f"--{name}", type=type(value), default=value, help=f"{value} if unsaid")
    return parser


def begin(options: argparse.Namespace, *packages: str) -> None:
    """Say what this run is; end in one sentence where a package is missing that it needs."""
    missing = [name for name in packages if importlib.util.find_spec(name) is None]
    if missing:
        sys.exit(f"This benchmark needs {', '.join(missing)}: {FOR_TESTS}")
    asked = " ".join(f"{name}={value}" for name, value in vars(options).items())
    print(f"commit {provenance.commit()}; {machine()}; {asked}\n", flush=True)


def machine() -> str:
    """The processor, its cores and how busy they are, the system, Python and NumPy."""
    import numpy

    model = platform.processor() or platform.machine()
    facts = Path("/proc/cpuinfo")
    if facts.is_file():
        names = [line for line in facts.read_text().splitlines() if line.startswith("model name")]
        model = names[0].partition(":")[2].strip() if names else model
    return (
        f"{model}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, {platform.system()}, "
        f"Python {platform.python_version()}, NumPy {numpy.__version__}"
    )


def print_table(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print a table, a row as soon as it is there; floats with two decimals, None and nan empty."""
    print(f"\n| {' | '.join(columns)} |\n|{'---|' * len(columns)}", flush=True)
    for row in rows:
        print(f"| {' | '.join(map(cell, row))} |", flush=True)


def cell(value: object) -> str:
    """A value as a table shows it."""
    if value is None or value != value:
        return ""
    if isinstance(value, float):
        return f"{value:.2f}"
    if isinstance(value, tuple):  # an interval
        return "-".join(map(cell, value))
    return str(value)
