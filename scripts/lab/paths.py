"""Takes without sound: lists of notes as a tuning student would sound them, with the truth.

For tests and benchmarks of `pegmark.identify.strings` and `pegmark.measure.tuning`, which never see
audio. The habits (order, sizes of moves, overshoots, silent turns, strings that pull each other
down, pegs that slip, a last round) are drawn at random; what was drawn stands in the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pegmark.measure.left_pitch import fitted_doubts
from pegmark.trade.instruments import Instrument

DRAWN_CLOSEST_CENTS = 250.0  # neighbouring strings are never drawn closer than this


@dataclass
class Habits:
    """How the student of a simulated take goes about it. Cents are standard deviations."""

    spread_cents: float = 150.0  # mistuning at the start
    uniform: bool = False  # draw it evenly over +-spread_cents instead
    left_cents: float = 3.0  # mistuning at the end
    first_round: float = 0.4  # probability of sounding every string before any turn
    last_round: float = 0.85  # probability of sounding every string after the last turn
    silent: float = 0.15  # probability that a move is made in silence
    jump: float = 0.1  # probability that a string is brought to pitch in one move
    pairs: float = 0.3  # probability of sounding two strings together
    pull: float = 0.02  # how far a turn moves the other strings the other way, of its size
    slip: float = 0.0  # probability, per take, that one set string falls back
    skip: float = 0.04  # probability, per string, of never being sounded
    coarse_cents: float = 2.0  # error of the coarse pitch
    turn: float = 1.0  # probability that a string is turned at all


@dataclass
class Spread:
    """How measured pitches scatter about the truth, in cents (standard deviations)."""

    plucked_bias: float = 0.0  # one value per string and take: averaging never reduces it
    bowed_bias: float = 0.0
    plucked_repeat: float = 0.5  # from note to note
    bowed_repeat: float = 0.3
    plucked_error: float = 0.4  # what the note's own uncertainty describes
    bowed_error: float = 0.4


@dataclass
class Path:
    """A simulated take: `notes` in the measured format (sorted), and what is true of it.

    `names[i]` is the true string (a pair, lower first, for two_strings); `left[s]` the true
    deviation at the end, `last_heard[s]` at the string's last note; `moves[s]` lists (start_s,
    end_s, from_cents, to_cents, sounding); `slips[s]` how far a string fell by itself, if it was
    sounded afterwards; `order` the strings by their first turn.
    """

    notes: list[dict[str, Any]] = field(default_factory=list)
    names: list[Any] = field(default_factory=list)
    start: dict[str, float] = field(default_factory=dict)
    left: dict[str, float] = field(default_factory=dict)
    last_heard: dict[str, float] = field(default_factory=dict)
    moves: dict[str, list[tuple[float, float, float, float, bool]]] = field(default_factory=dict)
    slips: dict[str, float] = field(default_factory=dict)
    order: list[str] = field(default_factory=list)


def random_path(
    instrument: Instrument,
    seed: int,
    habits: Habits | None = None,
    spread: Spread | None = None,
) -> Path:
    """One take of a student of `instrument`; the same seed gives the same take."""
    return _Student(instrument, np.random.default_rng(seed), habits or Habits(), spread).play()


class _Student:
    def __init__(
        self,
        instrument: Instrument,
        rng: np.random.Generator,
        habits: Habits,
        spread: Spread | None,
    ):
        self.instrument = instrument
        self.rng = rng
        self.habits = habits
        self.spread = spread or Spread()
        self.hz = instrument.hz()
        self.path = Path()
        self.now = float(rng.uniform(0.5, 4.0))
        strings = list(instrument.strings)
        self.cents = dict(zip(strings, self._start(len(strings)), strict=True))
        self.path.start = dict(self.cents)
        self.path.moves = {s: [] for s in strings}
        self.fallen: dict[str, float] = {}
        self.bias = {
            (s, kind): float(rng.normal(0, sd)) if sd > 0 else 0.0
            for s in strings
            for kind, sd in (
                ("plucked", self.spread.plucked_bias),
                ("bowed", self.spread.bowed_bias),
            )
        }
        self.used = [s for s in strings if rng.random() >= habits.skip] or strings[:1]

    def play(self) -> Path:
        rng, habits = self.rng, self.habits
        turn_order = list(self.used)
        rng.shuffle(turn_order)
        first_a = [s for s in self.used if s in self.instrument.order]
        if first_a and rng.random() < 0.8:
            turn_order.sort(key=lambda s: s not in first_a)
        if rng.random() < habits.first_round:
            self._round("plucked" if rng.random() < 0.7 else "bowed")
        for string in turn_order:
            self._tune(string)
        for _ in range(int(rng.integers(0, 3))):
            self._touch_up(str(rng.choice(self.used)))
        if rng.random() < habits.slip:
            self._slip(str(rng.choice(self.used)))
        if rng.random() < habits.last_round:
            self._round("bowed" if rng.random() < 0.8 else "plucked")
        self.path.left = {s: self.cents[s] for s in self.used if self._sounded(s)}
        self.path.slips = {s: fall for s, fall in self.fallen.items() if fall > 0}
        return self.path

    def _start(self, count: int) -> list[float]:
        habits, rng = self.habits, self.rng
        step = self.instrument.interval * 100
        while True:
            if habits.uniform:
                drawn = rng.uniform(-habits.spread_cents, habits.spread_cents, count)
            else:
                drawn = rng.normal(0, habits.spread_cents, count)
            if all(drawn[i] - drawn[i + 1] + step >= DRAWN_CLOSEST_CENTS for i in range(count - 1)):
                return [float(d) for d in drawn]

    def _sounded(self, string: str) -> bool:
        return any(string == n or (isinstance(n, tuple) and string in n) for n in self.path.names)

    def _round(self, kind: str) -> None:
        strings = list(self.used)
        if self.rng.random() < 0.5:
            strings.reverse()
        for string in strings:
            for _ in range(int(self.rng.integers(1, 3))):
                self._sound(string, kind)

    def _tune(self, string: str) -> None:
        rng, habits = self.rng, self.habits
        kind = "bowed" if rng.random() < 0.25 else "plucked"
        self._sound(string, kind)
        if rng.random() >= habits.turn:
            return
        goal = float(rng.normal(0, habits.left_cents))
        if self.path.moves[string] == [] and abs(goal - self.cents[string]) > 5:
            self.path.order.append(string)
        overshoot = float(rng.uniform(5, 25)) if rng.random() < 0.3 else 0.0
        stops = [goal + overshoot, goal] if overshoot else [goal]
        for stop in stops:
            while abs(stop - self.cents[string]) > 0.5:
                gap = stop - self.cents[string]
                whole = abs(gap) < 8 or rng.random() < habits.jump
                step = gap if whole else np.sign(gap) * min(abs(gap), rng.uniform(6, 60))
                self._turn(string, self.cents[string] + float(step), kind)
        for _ in range(int(rng.integers(0, 3))):
            self._sound(string, kind)
        if rng.random() < habits.pairs:
            self._pair(string)

    def _touch_up(self, string: str) -> None:
        self._sound(string, "plucked")
        if self.rng.random() < 0.5:
            self._turn(string, self.cents[string] + float(self.rng.normal(0, 8)), "plucked")

    def _slip(self, string: str) -> None:
        fall = float(self.rng.uniform(20, 200))
        self.cents[string] -= fall
        self.fallen[string] = -fall  # until it is sounded again

    def _turn(self, string: str, to: float, kind: str) -> None:
        """Turn in silence, or with the note sounding through, then sound the string again."""
        rng = self.rng
        start, at = self.cents[string], self.now
        silent = bool(rng.random() < self.habits.silent)
        if silent:
            self.now += float(rng.uniform(1.3, 2.5))
        else:
            glide = 0.15 + abs(to - start) / 150
            self._sound(string, kind, glide_to=to, seconds=0.25 + glide + 0.25)
        for other in self.cents:
            if other != string:
                pull = self.habits.pull * rng.uniform(0.3, 1.0)
                self.cents[other] -= float(pull * (to - start))
        self.cents[string] = to
        self.path.moves[string].append((at, self.now, start, to, not silent))
        self._sound(string, kind)

    def _pair(self, string: str) -> None:
        strings = list(self.instrument.strings)
        i = strings.index(string)
        near = [strings[j] for j in (i - 1, i + 1) if 0 <= j < len(strings)]
        near = [s for s in near if s in self.used and self._sounded(s)]
        if near:
            other = near[int(self.rng.integers(len(near)))]
            high, low = sorted((string, other), key=strings.index)
            self._sound((low, high), "two_strings")

    def _sound(
        self, name: Any, kind: str, glide_to: float | None = None, seconds: float | None = None
    ) -> None:
        rng = self.rng
        low = name[0] if kind == "two_strings" else name
        if seconds is None:
            seconds = float(rng.uniform(0.3, 0.9) if kind == "plucked" else rng.uniform(1.0, 2.5))
        start, end = self.now, self.now + seconds
        cents, error = self._reading(low, kind)
        note: dict[str, Any] = {
            "start_s": round(start, 3),
            "end_s": round(end, 3),
            "kind": kind,
            "snr_db": 30.0,
            "level_db": -20.0,
            "salience": 1.0,
            "attack_drift_cents": float(rng.exponential(4.0)) if kind == "plucked" else None,
        }
        times = np.linspace(start + 0.05, end - 0.05, 10)
        if glide_to is None:
            track = np.full(10, cents)
        else:
            begin, finish = start + 0.25, end - 0.25
            moved = np.clip((times - begin) / max(finish - begin, 1e-3), 0, 1)
            track = cents + moved * (glide_to - self.cents[low])
            error = max(error, 3.0)
        note["deviation_cents"] = float(np.mean(track))
        note["f0_hz"] = self.hz[low] * 2 ** (float(np.mean(track)) / 1200)
        note["coarse_hz"] = note["f0_hz"] * 2 ** (rng.normal(0, self.habits.coarse_cents) / 1200)
        # as measuring says it: so wide that what was fitted brings it to the error's own
        width = fitted_doubts().width["plucked" if kind == "plucked" else "bowed"]
        note["uncertainty_cents"] = 1.96 * error / width
        note["track"] = [[round(float(t), 3), float(c)] for t, c in zip(times, track, strict=True)]
        if kind == "two_strings":
            cents, _ = self._reading(name[1], kind)
            note["f0_2_hz"] = self.hz[name[1]] * 2 ** (cents / 1200)
            note["string"], note["string_2"] = name
        else:
            note["string"] = name
        note["string_odds"] = 1.0
        self.path.notes.append(note)
        self.path.names.append(name)
        for string in name if kind == "two_strings" else (name,):
            self.path.last_heard[string] = self.cents[string]
            if string in self.fallen:
                self.fallen[string] = abs(self.fallen[string])
        self.now = end + float(rng.uniform(0.02, 0.12 if kind == "plucked" else 0.5))

    def _reading(self, string: str, kind: str) -> tuple[float, float]:
        way = "plucked" if kind == "plucked" else "bowed"
        error = getattr(self.spread, f"{way}_error")
        noise = self.rng.normal(0, error) + self.rng.normal(
            0, getattr(self.spread, f"{way}_repeat")
        )
        return self.cents[string] + self.bias[string, way] + float(noise), error
