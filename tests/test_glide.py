"""How a pluck's pitch goes as it dies away: the glide's course, wander, one partial that beats.

All cases are calculated: the energy, the pitch or the partials are given and told back.
"""

from __future__ import annotations

import numpy as np
import pytest

from pegmark.measure import plucks
from pegmark.measure.glide import COURSES, course_posterior, energy_of
from pegmark.measure.pitch_course import Course, way_of
from pegmark.signals.partials import Tracks

AT_S = np.linspace(0.1, 1.6, 12)


def course_of(cents: np.ndarray, se_cents: float = 0.2) -> Course:
    energy = np.exp(-3 * AT_S)
    return Course(AT_S, cents, np.full(len(AT_S), se_cents), np.zeros(3), energy)


def tracks_of(power: np.ndarray, hop_s: float = 0.01) -> Tracks:
    """Partials of so much power, shape (frames, partials), over hardly any noise."""
    frames, count = power.shape
    zero = np.zeros(frames)
    number = np.arange(1, count + 1)
    return Tracks(
        np.sqrt(power).astype(complex), hop_s * np.arange(frames), number, 100.0 * number,
        np.full(power.shape, 1e-9), zero, zero, hop_s, 100.0,
    )  # fmt: skip


@pytest.mark.parametrize("place", range(len(COURSES)))
def test_the_course_that_a_glide_followed_is_the_likeliest(place):
    cents = 3 + 25 * np.exp(-3 * AT_S) ** COURSES[place]
    posterior = course_posterior(course_of(cents))
    assert int(np.argmax(posterior)) == place
    assert posterior.sum() == pytest.approx(1)


def test_no_glide_tells_no_course():
    """Then plucks are as they usually are."""
    none = course_posterior(course_of(np.zeros(len(AT_S))))
    tiny = course_posterior(course_of(0.05 * np.exp(-3 * AT_S)))
    assert tiny == pytest.approx(none, abs=0.02)


def test_the_strings_energy_does_not_hang_on_what_its_body_radiates():
    dies = np.exp(-0.01 * np.outer(np.arange(150), [2.0, 4.0, 6.0]))
    plain, bright = energy_of(tracks_of(dies)), energy_of(tracks_of(dies * [0.01, 1.0, 9.0]))
    assert bright.own == pytest.approx(plain.own, abs=1e-3)
    assert abs(bright.heard - plain.heard).max() > 0.1
    # 1 / n^2 of each partial: (1, 1/4, 1/9) / (1 + 1/4 + 1/9)
    expected = float(dies[100] @ [1, 1 / 4, 1 / 9] / (1 + 1 / 4 + 1 / 9))
    assert plain.own[100] == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(("wander", "told"), [(0.0, 0.0), (1.5, 1.5)])
def test_a_pitch_that_wanders_beyond_its_errors_is_told(wander, told):
    cents = wander * np.sqrt(2) * np.sin(5 * AT_S)
    way = way_of(course_of(cents), np.zeros(len(AT_S)), 0.1)
    assert way.wander == pytest.approx(told, rel=0.25, abs=1e-9)
    assert not way.gliding


def test_errors_as_large_as_a_wander_hide_it():
    cents = np.sin(5 * AT_S)
    assert way_of(course_of(cents, se_cents=1.0), np.zeros(len(AT_S)), 0.1).wander == 0


def test_one_partial_that_swells_beats_and_many_are_another_sound():
    t = 0.01 * np.arange(150)
    dies = np.exp(-np.outer(t, [4.0, 4.0, 4.0]))
    swell = 1 + 30 * np.exp(-(((t - 0.9) / 0.1) ** 2))
    one = dies * np.stack([swell, np.ones(150), np.ones(150)], axis=1) * [1.0, 0.05, 0.05]
    alone, another = (
        plucks._until_another(tracks_of(one)),
        plucks._until_another(tracks_of(dies * swell[:, None])),
    )
    assert len(alone.times_s) == 150
    assert len(another.times_s) < 90
