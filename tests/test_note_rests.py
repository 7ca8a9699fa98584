"""Where a note's pitch rests while its peg is turned: in a pluck's ring, under a bow."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pegmark.measure.bow_rests import fitted_numbers, rests_of_line
from pegmark.measure.pluck_rests import Bins, Glide, pluck_rests, sharpened
from pegmark.measure.taken_apart import Prices, chi_squared, take_apart


def bins(*levels: tuple[int, float], noise: float = 0.0, seed: int = 0) -> Bins:
    """Bins of 60 ms at these levels, without a glide."""
    cents = np.concatenate([np.full(count, level) for count, level in levels])
    cents = cents + np.random.default_rng(seed).normal(0, noise, len(cents))
    times = 0.06 * (np.arange(len(cents)) + 1)
    return Bins(times, cents, np.full(len(cents), 0.5), Glide(np.exp(-times / 0.2), 0.0), 0.8)


class TestPluckRests:
    def test_a_turn_in_the_ring_gives_its_two_rests(self) -> None:
        found, _ = pluck_rests(bins((5, -8.0), (1, -4.0), (5, 0.0)))
        assert [rest.cents for rest in found] == pytest.approx([-8, 0], abs=0.3)
        assert all(rest.steady for rest in found)
        assert found[0].end_s < found[1].start_s

    @pytest.mark.parametrize("seed", range(20))
    def test_noise_and_the_plucks_own_glide_are_no_turn(self, seed: int) -> None:
        times, cents, se, *_ = bins((12, 3.0), noise=0.5, seed=seed)
        course = np.exp(-times / 0.2)
        own = Glide(course, 20.0)
        assert pluck_rests(Bins(times, cents + 20 * course, se, own, 0.8))[0] == []

    @pytest.mark.parametrize("down", [7.0, 15.0])
    def test_a_turn_down_taken_for_a_glide_is_told_by_the_other_plucks_glides(
        self, down: float
    ) -> None:
        times, cents, se, *_ = bins((5, down), (7, 0.0))
        course = np.exp(-times / 0.2)
        sharp = cents + 5 * course
        mistaken = float(np.polyfit(course, sharp, 1)[0])
        found, glide = pluck_rests(Bins(times, sharp, se, Glide(course, mistaken, (5.0, 2.0)), 0.8))
        assert [rest.cents for rest in found] == pytest.approx([down, 0], abs=1.0)
        assert glide == pytest.approx(5, abs=2)

    def test_a_ramp_all_along_has_no_rests_and_one_at_the_end_passes_by(self) -> None:
        times, _, se, still, _ = bins((12, 0.0))
        found, _ = pluck_rests(Bins(times, np.linspace(-40, 40, 12), se, still, 0.8))
        assert [(rest.cents, rest.steady) for rest in found] == [(-40, False), (40, False)]
        line = np.concatenate([np.zeros(6), np.linspace(5, 40, 6)])
        found, _ = pluck_rests(Bins(times, line, se, still, 0.8))
        assert [rest.steady for rest in found] == [True, False]

    def test_one_odd_bin_is_no_turn(self) -> None:
        times, cents, se, still, _ = bins((12, 0.0))
        cents[5] = 12.0
        assert pluck_rests(Bins(times, cents, se, still, 0.8))[0] == []

    def test_a_jerk_is_told_from_a_turn_by_the_finer_track(self) -> None:
        found, _ = pluck_rests(bins((6, 0.0), (6, -30.0)))
        times = np.arange(0, 0.8, 0.005)
        for lasts_s in (0.03, 0.1):
            line = np.interp(times, [0.39, 0.39 + lasts_s], [0.0, -30.0])
            before, after = sharpened(found, times, line)
            assert after.start_s - before.end_s == pytest.approx(0.6 * lasts_s, abs=0.02)


class TestBowRests:
    @pytest.mark.parametrize("seed", range(12))
    def test_a_small_turn_under_the_bow_gives_its_two_rests(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        line = np.concatenate([np.zeros(12), np.full(12, 6.0)]) + rng.normal(0, 0.6, 24)
        found = rests_of_line(0.1 * np.arange(24), line, fitted_numbers())
        assert [rest.cents for rest in found] == pytest.approx([0, 6], abs=0.8)
        assert all(rest.half_cents is not None for rest in found)
        assert found[0].end_s == pytest.approx(1.15, abs=0.21)

    @pytest.mark.parametrize("seed", range(12))
    def test_a_bow_that_wanders_rests_once(self, seed: int) -> None:
        steps = np.random.default_rng(seed).normal(0, 1.2, 30)
        line = np.convolve(steps, np.ones(4) / 2, "same")
        assert rests_of_line(0.1 * np.arange(30), line, fitted_numbers()) == []

    def test_what_goes_on_at_the_end_only_passes_by(self) -> None:
        line = np.concatenate([np.zeros(10), np.linspace(6, 60, 10)])
        found = rests_of_line(0.1 * np.arange(20), line, fitted_numbers())
        assert [rest.half_cents is not None for rest in found] == [True, False]
        assert found[-1].cents == 60


class TestTakenApart:
    @given(st.lists(st.floats(-50, 50), min_size=4, max_size=14), st.floats(0.3, 3))
    @settings(max_examples=60, deadline=None)
    def test_the_pieces_are_the_cheapest_of_all(self, cents: list[float], noise: float) -> None:
        """Against every way to cut the line (the definition)."""
        prices, count = Prices(9.0, 6.0, 4.0, 9.0, 2, 0.0), len(cents)
        line, sd, times = np.array(cents), np.full(count, noise), np.arange(count) * 0.1
        paid, pieces = take_apart(times, line[None], sd[None], prices)

        def cost(first: int, stop: int) -> float:
            way = prices.way + prices.way_point * (stop - first)
            if stop - first < prices.least_points:
                return way
            chi = chi_squared(line[first:stop], sd[first:stop], prices.most)
            return min(way, prices.rest + chi)

        best = [0.0]
        for stop in range(1, count + 1):
            best.append(min(best[first] + cost(first, stop) for first in range(stop)))
        assert paid[0] == pytest.approx(best[-1])
        assert [p.first for p in pieces[0][1:]] == [p.stop for p in pieces[0][:-1]]
        assert sum(cost(p.first, p.stop) for p in pieces[0]) == pytest.approx(best[-1])
