"""What a string was left at, from its last notes; and rests in a pluck's ring."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from conftest import ROOT
from pegmark.measure.left_pitch import Doubts, LastNotes, LeftPitch, left_pitches
from pegmark.measure.pieces import Piece
from pegmark.measure.pluck_rests import pluck_rests, sharpened
from pegmark.statistics.combining import weigh
from pegmark.trade.instruments import Prior, load_instruments

DOUBTS = Doubts({"plucked": 0.5, "bowed": 0.2}, {"plucked": 1.0, "bowed": 1.0}, 0.6)
PRIOR = Prior(0.5, 0.4, 0.4, 0.2)


def piece(cents: float, half: float = 1.0, kind: str = "plucked", start_s: float = 1.0) -> Piece:
    return Piece(0, start_s, start_s + 0.6, cents, half, kind, True)


def left(*pieces: Piece, fresh_s: float = -math.inf, prior: Prior = PRIOR) -> LeftPitch:
    return left_pitches({"A4": LastNotes(pieces, fresh_s)}, prior, DOUBTS)["A4"]


class TestLeftPitch:
    def test_its_mean_against_the_handbook(self) -> None:
        """Two values with their half-widths: the weighted mean and its deviation by hand."""
        mean, half = weigh([(1.0, 0.6), (2.0, 0.8)])
        assert mean == pytest.approx((1 / 0.36 + 2 / 0.64) / (1 / 0.36 + 1 / 0.64))
        assert half == pytest.approx(math.sqrt(1 / (1 / 0.36 + 1 / 0.64)) * 1.959964)  # Birge

    def test_the_interval_holds_notes_that_share_a_part_of_their_errors(self) -> None:
        """The truth inside for 93 to 98.5 % of strings made as the model says."""
        rng = np.random.default_rng(3)
        none = Prior(0.4, 0.4, 0.0, 0.0)
        for count, kind in ((1, "plucked"), (4, "plucked"), (2, "bowed"), (6, "bowed")):
            inside = 0
            for _ in range(800):
                halves = rng.uniform(0.5, 2.0, count)
                part = DOUBTS.shared_part[kind]
                errors = math.sqrt(part) * rng.normal() + math.sqrt(1 - part) * rng.normal(
                    size=count
                )
                cents = errors * halves / 1.96 + rng.normal(0, 0.4 / 1.96, count)
                notes = [piece(c, h, kind) for c, h in zip(cents, halves, strict=True)]
                found = left(*notes, prior=none)
                inside += abs(found.mean) <= found.half
            assert 0.93 <= inside / 800 <= 0.985, (count, kind)

    def test_a_prior_fades_with_every_note(self) -> None:
        wide = Prior(6.0, 6.0, 0.0, 0.0)
        widths = [left(*[piece(0.0)] * count, prior=wide).half for count in (1, 2, 4, 16, 64)]
        assert widths == sorted(widths, reverse=True)
        never = left(*[piece(0.0)] * 64, prior=Prior(0.0, 0.0, 0.0, 0.0)).half
        assert widths[0] > 3.0
        assert widths[-1] == pytest.approx(never, rel=0.25)

    def test_notes_that_differ_widen_the_interval(self) -> None:
        alike = left(piece(0.0), piece(0.1), piece(-0.1))
        apart = left(piece(0.0), piece(4.0), piece(-4.0))
        assert alike.half < 1.5
        assert apart.half > 3.0  # of three that stand 4 cents apart

    def test_few_plucks_widen_what_is_stated_not_what_decides(self) -> None:
        one, four = left(piece(0.0)), left(*[piece(0.0)] * 4)
        assert one.half > four.half
        assert one.deciding_half < one.half
        assert four.deciding_half == four.half
        assert one.deciding_half == pytest.approx(four.deciding_half, rel=0.25)

    def test_pulls_are_read_from_all_strings_of_the_take(self) -> None:
        before = [piece(0.0, start_s=1.0), piece(0.0, start_s=2.0)]

        def of_first(other_moved: float) -> LeftPitch:
            first = [*before, piece(0.0, 2.0, "bowed", 20.0)]
            other = [*before, piece(other_moved, 0.5, "bowed", 20.0)]
            heard = {"A4": LastNotes(first, 10.0), "D4": LastNotes(other, 10.0)}
            return left_pitches(heard, PRIOR, DOUBTS)["A4"]

        assert of_first(6.0).half > of_first(0.0).half

    def test_the_fitted_numbers_are_within_reason(self) -> None:
        from pegmark.measure.left_pitch import fitted_doubts

        doubts = fitted_doubts()
        assert set(doubts.shared_part) == set(doubts.width) == {"plucked", "bowed"}
        assert all(0 <= part <= 1 for part in doubts.shared_part.values())
        assert all(0.1 < width < 3 for width in doubts.width.values())
        for instrument in load_instruments(ROOT / "config/instruments.yaml").values():
            assert all(0 < half < 6 for half in instrument.priors_cents)


def bins(*levels: tuple[int, float], noise: float = 0.0, seed: int = 0) -> tuple[Any, ...]:
    """(times, cents, standard errors, no glide) of bins of 60 ms at these levels."""
    cents = np.concatenate([np.full(count, level) for count, level in levels])
    cents = cents + np.random.default_rng(seed).normal(0, noise, len(cents))
    times = 0.06 * (np.arange(len(cents)) + 1)
    return times, cents, np.full(len(cents), 0.5), np.zeros(len(cents))


class TestPluckRests:
    def test_a_turn_in_the_ring_gives_its_two_rests(self) -> None:
        found = pluck_rests(*bins((5, -8.0), (1, -4.0), (5, 0.0)), 0.8)
        assert [rest.cents for rest in found] == pytest.approx([-8, 0], abs=0.3)
        assert all(rest.steady for rest in found)
        assert found[0].end_s < found[1].start_s

    @pytest.mark.parametrize("seed", range(20))
    def test_noise_and_the_plucks_own_glide_are_no_turn(self, seed: int) -> None:
        times, cents, se, _ = bins((12, 3.0), noise=0.5, seed=seed)
        glide = 20 * np.exp(-times / 0.2)
        assert pluck_rests(times, cents + glide, se, glide, 0.8) == []

    def test_a_ramp_all_along_has_no_rests_and_one_at_the_end_passes_by(self) -> None:
        times, _, se, still = bins((12, 0.0))
        assert pluck_rests(times, np.linspace(-40, 40, 12), se, still, 0.8) == []
        line = np.concatenate([np.zeros(6), np.linspace(5, 40, 6)])
        found = pluck_rests(times, line, se, still, 0.8)
        assert [rest.steady for rest in found] == [True, False]

    def test_one_odd_bin_is_no_turn(self) -> None:
        times, cents, se, still = bins((12, 0.0))
        cents[5] = 12.0
        assert pluck_rests(times, cents, se, still, 0.8) == []

    def test_a_jerk_is_told_from_a_turn_by_the_finer_track(self) -> None:
        found = pluck_rests(*bins((6, 0.0), (6, -30.0)), 0.8)
        times = np.arange(0, 0.8, 0.005)
        for lasts_s in (0.03, 0.1):
            line = np.interp(times, [0.39, 0.39 + lasts_s], [0.0, -30.0])
            before, after = sharpened(found, times, line)
            assert after.start_s - before.end_s == pytest.approx(0.6 * lasts_s, abs=0.02)
