"""The benchmarks: what all share, and that each explains itself with what grading needs alone."""

from __future__ import annotations

import ast
import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from conftest import ROOT
from lab import bench, figures

LAB = ROOT / "scripts" / "lab"
BENCHMARKS = sorted(path.name for path in LAB.glob("benchmark_*.py"))
# Packages of tests/requirements.in that workflow/requirements.in does not bring.
FOR_TESTS = ("hypothesis", "parselmouth", "pikepdf", "playwright", "pytest", "pyworld", "sklearn")
WITHOUT = f"""
import runpy, sys
sys.modules.update(dict.fromkeys({FOR_TESTS}))  # as if they were not installed
sys.argv = sys.argv[1:]
runpy.run_path(sys.argv[0], run_name="__main__")
"""


@pytest.mark.parametrize("name", BENCHMARKS)
def test_a_benchmark_explains_itself_with_what_grading_needs_alone(name):
    command = [sys.executable, "-c", WITHOUT, str(LAB / name), "--help"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert f"scripts/lab/{name}" in done.stdout


def test_what_a_run_lacks_is_said_in_one_sentence_at_its_start():
    command = [sys.executable, "-c", WITHOUT, str(LAB / "benchmark_measure.py"), "--quick"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.strip().splitlines() == [
        "This benchmark needs parselmouth, pyworld: python3 scripts/check.py --fast  "
        "(it installs what the tests and benchmarks need)"
    ]


def test_nothing_in_the_laboratory_imports_from_the_tests():
    tests = {path.stem for path in (ROOT / "tests").glob("*.py")}
    for path in LAB.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_bytes())):
            names = [node.module] if isinstance(node, ast.ImportFrom) else []
            names += [name.name for name in getattr(node, "names", ()) if not names]
            assert not tests & {str(name).split(".")[0] for name in names}, path.name


def test_a_run_says_commit_machine_and_seeds_and_tables_say_nothing_for_nothing(capsys):
    bench.begin(SimpleNamespace(takes=3, seed=17))
    bench.print_table(("a", "b", "c"), [("x", 0.125, (1.0, 2.5)), ("y", None, float("nan"))])
    first, *rest = capsys.readouterr().out.splitlines()
    assert first.startswith("commit ")
    assert "cores" in first
    assert first.endswith("takes=3 seed=17")
    assert rest[-2:] == ["| x | 0.12 | 1.00-2.50 |", "| y |  |  |"]


@pytest.mark.parametrize(("yes", "count"), [(0, 10), (3, 17), (480, 500), (500, 500)])
def test_the_interval_of_a_share_is_that_of_scipy(yes, count):
    theirs = stats.binomtest(yes, count).proportion_ci(method="wilson")
    assert figures.wilson(yes, count) == pytest.approx((100 * theirs.low, 100 * theirs.high))


def test_percentiles_are_numpys_and_their_bootstrap_interval_holds_them():
    errors = np.random.default_rng(1).normal(0, 2, 400)
    p95 = figures.percentile(errors, 95)
    assert p95 == pytest.approx(np.percentile(np.abs(errors), 95))
    low, high = figures.bootstrap(errors)
    assert low < p95 < high
    theirs = stats.bootstrap(
        (np.abs(errors),), lambda x, axis: np.percentile(x, 95, axis=axis),
        method="percentile", n_resamples=2000, rng=np.random.default_rng(2),
    ).confidence_interval  # fmt: skip
    assert (low, high) == pytest.approx((theirs.low, theirs.high), abs=0.15)


def test_of_nothing_there_is_no_figure():
    assert np.isnan(figures.percentile([], 95))
    assert np.isnan(figures.share([]))
    assert figures.wilson(0, 0) == (0.0, 100.0)
