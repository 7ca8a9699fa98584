"""Fifty damaged recordings through the decode stage; scripts/lab/benchmark_fuzz.py does thousands.

In a process of its own, so that its memory is the stage's and not that of the other tests.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from lab import benchmark_fuzz

SCRIPT = Path(benchmark_fuzz.__file__)
FILES = 50
MEMORY_MB = 400


@pytest.fixture(scope="module")
def figures():
    command = [sys.executable, str(SCRIPT), "--files", str(FILES)]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    return json.loads(run.stdout.partition("\n")[2])  # after what is said of the run


def test_every_damaged_file_ends_as_a_result(figures):
    assert figures["files"] == sum(figures["statuses"].values()) == FILES
    assert figures["stage_failed"] == figures["program_faults"] == figures["timed_out"] == []
    assert min(figures["statuses"]["ok"], figures["statuses"]["unreadable"]) >= FILES // 5


def test_the_decoder_itself_survives_them(figures):
    assert figures["decoder_crashed"] == []


def test_their_memory_is_bounded(figures):
    assert 20 < figures["max_memory_mb"] < MEMORY_MB


def test_the_files_are_the_same_every_time():
    good = benchmark_fuzz.good_recordings()
    files = [benchmark_fuzz.damaged(good, seed) for seed in range(1, 40)]
    assert files == [benchmark_fuzz.damaged(good, seed) for seed in range(1, 40)]
    assert {kind for kind, _, _ in files} == set(good)
    assert {way for _, ways, _ in files for way in ways} == {
        w.__name__ for w in benchmark_fuzz.FUZZ_WAYS
    }
    assert not {content for _, _, content in files} & set(good.values())


def crash(*_):
    import ctypes
    import faulthandler

    faulthandler.disable()
    ctypes.string_at(0)


def fail(*_):
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize(("work", "figure"), [(crash, "decoder_crashed"), (fail, "stage_failed")])
def test_the_figures_count_what_goes_wrong(tmp_path, monkeypatch, work, figure):
    """Or all of this could not fail."""
    monkeypatch.setattr(benchmark_fuzz.decode, "decode", work)
    monkeypatch.setattr(benchmark_fuzz.decode, "MEMORY_BYTES", 1 << 40)
    outcome = benchmark_fuzz.try_file("wav", (), b"RIFF", 7, tmp_path)
    assert benchmark_fuzz.figures([outcome])[figure] == [7]
