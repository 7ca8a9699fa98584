"""Where a pitch rests: stretches of a track that stand still, and far glides followed roughly."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from conftest import cases
from lab import rooms, strings
from pegmark.measure import plateaus
from pegmark.measure.plateaus import Rest
from pegmark.signals.pitch_track import rough_track

RATE_HZ = 16000


def track(*corners: tuple[float, float], step_s: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """(times, cents) along straight lines between corners (s, cents)."""
    at, cents = np.array(corners, float).T
    times = np.arange(at[0], at[-1] + 1e-9, step_s)
    return times, np.interp(times, at, cents)


class TestRests:
    def test_a_turn_between_two_rests(self) -> None:
        times, cents = track((0, -40), (1, -40), (1.5, 20), (3, 20))
        found = plateaus.between_turns(times, cents, 0.2, 5.0, 1.0)
        assert [rest.cents for rest in found] == pytest.approx([-40, 20], abs=0.1)
        assert all(rest.steady for rest in found)
        assert (found[0].end_s, found[1].start_s) == pytest.approx((1.0, 1.5), abs=0.11)

    def test_what_only_passes_by_is_no_rest(self) -> None:
        times, cents = track((0, -40), (2, 40))
        found = plateaus.between_turns(times, cents, 0.2, 5.0, 1.0)
        assert [(rest.cents, rest.steady) for rest in found] == [(-40, False), (40, False)]

    def test_a_string_still_moving_at_the_end(self) -> None:
        times, cents = track((0, 0), (1, 0), (2, 50))
        found = plateaus.between_turns(times, cents, 0.2, 5.0, 1.0)
        assert [rest.steady for rest in found] == [True, False]
        assert found[-1].cents == pytest.approx(50)

    def test_three_rests(self) -> None:
        times, cents = track((0, 0), (1, 0), (1.3, 30), (2, 30), (2.2, 12), (3, 12))
        found = plateaus.between_turns(times, cents, 0.2, 5.0, 1.0)
        assert [rest.cents for rest in found] == pytest.approx([0, 30, 12], abs=0.1)

    def test_no_rest_is_surer_than_told_or_than_its_points(self) -> None:
        times, cents = track((0, 0), (0.8, 0))
        assert plateaus.plateaus(times, cents, 0.0, 1.5)[0].half == 1.5
        assert plateaus.plateaus(times, cents, 9.0, 1.5)[0].half == pytest.approx(
            1.96 * 9 / 3, abs=0.1
        )

    def test_too_short_a_stand_is_none(self) -> None:
        times, cents = track((0, 0), (1, 60), (1.1, 60), (2, 120))
        assert plateaus.plateaus(times, cents, 0.1) == []

    def test_close_rests_are_one(self) -> None:
        near = [Rest(0, 1, 0.0, True, 1.0), Rest(2, 5, 4.0, True, 1.0), Rest(6, 7, 30.0, True, 1.0)]
        joined = plateaus.distinct(near, 5.0)
        assert [rest.cents for rest in joined] == pytest.approx([3.0, 30.0])
        assert joined[0].half == 2.0  # their distance is in it
        assert (joined[0].start_s, joined[0].end_s) == (0, 5)

    def test_a_rest_beats_a_note_that_only_ends_there(self) -> None:
        both = [Rest(0, 1, 0.0, True, 1.0), Rest(1.2, 1.2, 3.0, False)]
        (joined,) = plateaus.distinct(both, 5.0)
        assert (joined.cents, joined.half, joined.steady, joined.end_s) == (0.0, 1.0, True, 1.2)

    def test_one_bad_point_is_no_turn(self) -> None:
        assert plateaus.smooth(np.array([0.0, 0, 80, 0, 0])).tolist() == [0] * 5

    @pytest.mark.parametrize("share", list(plateaus.QUANTILE))
    def test_quantiles_of_the_normal_law(self, share: float) -> None:
        # (S) |x| is below its quantile q with probability 2 Phi(q) - 1: scipy's Phi.
        assert norm.ppf((1 + share) / 2) == pytest.approx(plateaus.QUANTILE[share], abs=5e-4)

    @pytest.mark.parametrize("share", list(plateaus.QUANTILE))
    def test_the_wander_of_a_turned_string_is_that_of_its_points(self, share: float) -> None:
        _, cents = track((0, 0), (40, 0), (60, 200), (100, 200))
        points = cents + np.random.default_rng(5).normal(0, 2.0, len(cents))
        assert plateaus.wander(points, share) == pytest.approx(2.0, rel=0.25)

    @cases(50)
    @given(cents=st.lists(st.floats(-300, 300), min_size=4, max_size=40), least=st.floats(2, 20))
    def test_rests_follow_one_another_and_stand_apart(self, cents, least) -> None:
        times = np.arange(len(cents)) * 0.1
        found = plateaus.between_turns(times, np.array(cents), 0.5, least, 1.0)
        assert found[0].start_s == times[0]
        assert found[-1].end_s == times[-1]
        for a, b in pairwise(found):
            assert a.start_s <= a.end_s <= b.start_s
            assert abs(a.cents - b.cents) > least


class TestFollowing:
    """The rough way of a pitch under a long bow."""

    @pytest.mark.parametrize(
        ("f0", "far", "seconds"),
        [
            (41.2, 300, 2.0),
            (65.4, -350, 3.0),
            (196.0, 400, 1.5),
            (440.0, -250, 2.0),
            (659.3, 450, 4),
        ],
    )
    def test_far_glides(self, f0: float, far: float, seconds: float) -> None:
        path = [(0.5, 0.0), (0.5 + seconds, far)]
        clean, truth = strings.turn(f0, path, seconds + 1.0, RATE_HZ, seed=int(f0), by="bowed")
        noise = rooms.noise(len(clean), RATE_HZ, seed=3)
        audio = rooms.mix(clean, noise, 15, RATE_HZ)[: round(truth["end_s"] * RATE_HZ)]
        middle = far / 2
        times, cents = rough_track(audio, RATE_HZ, f0 * 2 ** (middle / 1200))
        true = np.interp(times, *np.array(path).T)
        assert np.abs(cents + middle - true).max() < 30

    def test_a_steady_pitch_beside_a_ringing_string(self) -> None:
        clean, truth = strings.bow(293.66, 2.0, RATE_HZ, seed=4)
        other, _ = strings.pluck(440.0, 2.4, RATE_HZ, seed=5, level=0.15)
        audio = clean + other[: len(clean)]
        _, cents = rough_track(audio[: 2 * RATE_HZ], RATE_HZ, truth["f_inf_hz"])
        assert np.ptp(cents) <= 30

    def test_too_short_is_no_track(self) -> None:
        times, cents = rough_track(np.zeros(500), RATE_HZ, 440.0)
        assert (len(times), len(cents)) == (0, 0)

    def test_silence_stands_still(self) -> None:
        _, cents = rough_track(np.zeros(RATE_HZ), RATE_HZ, 440.0)
        assert np.ptp(cents) == 0
