"""Targets: where a string may stand, from the assignment's reference and temperament."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from pegmark.trade import pitch
from pegmark.trade.instruments import Instrument
from pegmark.trade.tolerances import Tolerance


@dataclass(frozen=True)
class Frame:
    """What pitches are counted from: the assignment's reference and the instrument's targets."""

    instrument: Instrument
    a4_hz: float = pitch.A4_HZ
    temperament: str = "equal"
    method: str = "tuner"
    tolerances: dict[str, Tolerance] = field(default_factory=dict)

    def at(self, a4_hz: float) -> Frame:
        """The same, counted from another A."""
        return replace(self, a4_hz=a4_hz)

    @property
    def a_cents(self) -> float:
        """The assignment's A in cents from A4 = 440 Hz."""
        return pitch.cents_between(self.a4_hz, pitch.A4_HZ)

    @property
    def a_string(self) -> str:
        """The open string A."""
        letters = [name for name in self.instrument.strings if letter(name) == "A"]
        return letters[0] if letters else self.instrument.order[0]

    def pure_cents(self, string: str) -> float:
        """The pure target of `string` in cents from its equal-tempered target."""
        return pitch.cents_between(
            pitch.pure_hz(string, interval_semitones=self.instrument.interval),
            pitch.equal_hz(string),
        )

    def target_hz(self, string: str) -> float:
        """The target the record's deviations of `string` are counted from."""
        if self.temperament == "pure":
            return pitch.pure_hz(string, self.a4_hz, self.instrument.interval)
        return pitch.equal_hz(string, self.a4_hz)

    def span(self, string: str) -> tuple[float, float]:
        """Where `string` may stand, from its equal-tempered to its pure target, in the record's
        cents: against the target the deviations are counted from."""
        pure = self.pure_cents(string)
        zero = pure if self.temperament == "pure" else 0.0
        return min(0.0, pure) - zero, max(0.0, pure) - zero

    def shift(self, string: str) -> float:
        """What to take from a deviation against equal temperament at 440 Hz, in cents."""
        return self.a_cents + (self.pure_cents(string) if self.temperament == "pure" else 0.0)


def letter(string: str) -> str:
    """The name of a string without its octave: ``F#`` of ``F#1``."""
    return string.rstrip("-0123456789")


def distance_to_span(cents: float, span: Sequence[float]) -> float:
    """The signed distance of `cents` to the span (low, high): 0 inside, positive above."""
    low, high = span
    return cents - high if cents > high else min(0.0, cents - low)
