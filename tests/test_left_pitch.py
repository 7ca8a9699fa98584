"""What a string was left at, from its last notes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from conftest import ROOT
from pegmark.measure.left_pitch import Doubts, LastNotes, LeftPitch, left_pitches
from pegmark.measure.pieces import Piece
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

    def test_what_is_the_players_is_kept_apart(self) -> None:
        """Notes that differ, and a pitch that wanders, are the player's; a note's noise is not."""
        none = Prior(0.0, 0.0, 0.0, 0.0)
        noise = left(*[piece(0.0)] * 3, prior=none)
        assert noise.player_half < 0.1 * noise.half
        apart = left(piece(0.0, 0.2), piece(4.0, 0.2), piece(-4.0, 0.2), prior=none)
        assert apart.player_half > 0.8 * apart.half
        wanders = piece(0.0, 1.0, "bowed")
        wanders.player = 0.9
        bow = left(wanders, prior=none)
        assert 0.6 * bow.half < bow.player_half < bow.half

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
