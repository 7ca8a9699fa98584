"""What every test needs: the package's folder on the path, one thread for linear algebra.

Property tests draw the same examples at every run, so that a run says the same twice. With
HYPOTHESIS_PROFILE=fresh they draw FRESH_CASES others each, by --hypothesis-seed (scripts/check.py).
"""

import os
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "scripts"))

PROFILE = os.environ.get("HYPOTHESIS_PROFILE", "same")
FRESH_CASES = 10
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("fresh", max_examples=FRESH_CASES, deadline=None, database=None)
settings.load_profile(PROFILE)


def cases(most: int, **more: Any) -> settings:
    """How many examples a property test draws, with other settings of Hypothesis."""
    few = min(most, FRESH_CASES) if PROFILE == "fresh" else most
    return settings(max_examples=few, deadline=None, **more)


@pytest.fixture(scope="module")
def chromium() -> Any:
    """A browser for the tests of a module."""
    from browserdesk import started_chromium

    with started_chromium() as browser:
        yield browser


@pytest.fixture
def desk(chromium: Any) -> Any:
    """One test's profile of it, whose errors and requests fail the test."""
    from browserdesk import Desk

    made = Desk(chromium)
    yield made
    made.close()
