"""Tolerances: how far from where it may stand a string is in tune, close, or out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pegmark.trade import pitch
from pegmark.trade.instruments import Instrument

Level = Literal["in_tune", "close", "out"]
LEVELS: tuple[Level, ...] = ("in_tune", "close", "out")  # from the best to the worst
C3_SEMITONE = pitch.semitone("C3")  # strings below it get wider tolerances


@dataclass(frozen=True)
class Tolerance:
    """The levels of one string in cents: in tune up to `in_tune`, close up to `close`."""

    in_tune: float
    close: float

    def level(self, distance_cents: float) -> Level:
        """The level of a distance; a distance on a boundary has the better level."""
        if distance_cents <= self.in_tune:
            return "in_tune"
        return "close" if distance_cents <= self.close else "out"


def resolve_tolerances(settings: Mapping[str, Any], instrument: Instrument) -> dict[str, Tolerance]:
    """The tolerance of every string of an instrument.

    An instrument's own levels stand in for the general ones; both are widened below C3. A string's
    own entry means what it says, the instrument's entry for a string before the general one.
    """
    keys = ("in_tune_cents", "close_cents")
    of_instruments = settings.get("instruments") or {}
    own = of_instruments.get(instrument.key) or of_instruments.get(instrument.name) or {}
    base = {key: float(own.get(key, settings[key])) for key in keys}
    resolved = {}
    for string in instrument.strings:
        low = pitch.semitone(string) < C3_SEMITONE
        factor = float(settings.get("below_c3_factor", 1)) if low else 1.0
        levels = {key: value * factor for key, value in base.items()}
        for table in (settings.get("strings") or {}, own.get("strings") or {}):
            levels |= {key: float(v) for key, v in (table.get(string) or {}).items()}
        resolved[string] = Tolerance(levels["in_tune_cents"], levels["close_cents"])
    return resolved
