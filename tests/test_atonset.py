"""What partials do at an onset: sums of sinusoids, whose phases and levels are known exactly.

Expected values follow from the sinusoids themselves (trigonometry, no source needed).
"""

from __future__ import annotations

import numpy as np
import pytest

from pegmark.segment import phase_at_onset

RATE_HZ = 16000
ONSET_S = 0.5
F0_HZ = 196.0
KEYS = ("all_rise", "high_rise", "few_rise", "phase_break", "novelty")


def comb(
    gain: float = 1.0, jump: float = 0.0, glide: float = 0.0, f0_hz: float = F0_HZ, seed: int = 3
) -> np.ndarray:
    """Ten partials whose level changes by `gain` and whose phases jump by `jump` rad at ONSET_S.

    glide : cents per second.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(RATE_HZ) / RATE_HZ
    turns = np.cumsum(f0_hz * 2 ** (glide * t / 1200)) / RATE_HZ
    after = t >= ONSET_S
    audio = 1e-5 * rng.normal(size=len(t))
    for n in range(1, 11):
        phase = 2 * np.pi * (n * turns + rng.random()) + jump * after
        audio += np.cos(phase) / n * np.where(after, gain, 1.0)
    return (0.1 * audio).astype(np.float32)


def changes(audio: np.ndarray, at_s: float = ONSET_S, f0_hz: float = F0_HZ) -> dict[str, float]:
    found = phase_at_onset.changes(
        audio, RATE_HZ, np.array([at_s]), np.zeros(1, np.int64), np.array([f0_hz])
    )
    return {name: float(values[0]) for name, values in found.items()}


def test_a_string_that_rings_on_breaks_nothing():
    found = changes(comb())
    assert found["phase_break"] < 0.01
    assert found["novelty"] < -4
    assert abs(found["all_rise"]) < 0.2


@pytest.mark.parametrize("glide", [-120.0, 120.0])
def test_a_peg_that_turns_under_a_ringing_string_breaks_little(glide):
    assert changes(comb(glide=glide))["phase_break"] < 0.1


@pytest.mark.parametrize("jump", [0.5, 1.5, np.pi])
def test_a_jump_of_the_phases_is_measured_though_no_level_changes(jump):
    found = changes(comb(jump=jump))
    assert found["phase_break"] == pytest.approx(1 - np.cos(jump), abs=0.1)
    assert abs(found["all_rise"]) < 0.5


@pytest.mark.parametrize("rise_db", [-10.0, 6.0, 12.0, 20.0])
def test_a_rise_is_measured_in_db(rise_db):
    found = changes(comb(gain=10 ** (rise_db / 20)))
    for name in ("all_rise", "high_rise", "few_rise"):
        assert found[name] == pytest.approx(rise_db, abs=0.3)


def test_what_was_not_there_has_risen_as_far_as_is_counted():
    audio = comb()
    audio[: int(ONSET_S * RATE_HZ)] *= 1e-3
    assert changes(audio)["all_rise"] == pytest.approx(phase_at_onset.RISE_DB[1])


def test_gain_changes_nothing():
    audio = comb(gain=2, jump=1)
    loud, soft = changes(audio), changes(audio * 0.25)
    assert [loud[k] for k in KEYS] == pytest.approx([soft[k] for k in KEYS], abs=1e-3)


def test_every_hypothesis_has_its_own_candidate():
    audio = comb(jump=2)
    times, candidate = np.array([0.3, ONSET_S]), np.array([0, 1, 1])
    found = phase_at_onset.changes(
        audio, RATE_HZ, times, candidate, np.array([F0_HZ, F0_HZ, 233.1])
    )
    assert all(values.shape == (3,) for values in found.values())
    assert found["phase_break"][0] < 0.01 < 1 < found["phase_break"][1]


@pytest.mark.parametrize("at_s", [0.0, 0.01, 0.99, 1.0])
def test_at_the_edges_of_a_recording_nothing_is_infinite(at_s):
    assert all(np.isfinite(value) for value in changes(comb(), at_s).values())
