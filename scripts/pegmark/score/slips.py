"""Strings that fell by themselves after they were set, and were left so.

A slip is nobody's fault. One that was tuned again is told and costs nothing (pegmark.score.turns
marks its repair). Where it was left so, how the string had been set is judged beside how it was
left, and what lies between the two is the teacher's to decide.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, cast

from pegmark.score.turns import TURNS_SAME_CENTS

if TYPE_CHECKING:
    from pegmark.records.take import Measured, MeasuredString


class Slip(NamedTuple):
    """A fall that was left so: where the string had stood (measured cents), the seconds between
    which it fell, and how far it then was below (negative)."""

    from_cents: float
    start_s: float
    end_s: float | None
    cents: float


def slips_left(measured: Measured) -> dict[str, Slip]:
    """The strings of a take that slipped and were left so."""
    found = {name: _slip_of(string) for name, string in measured["strings"].items()}
    return {name: slip for name, slip in found.items() if slip is not None}


def _slip_of(string: MeasuredString) -> Slip | None:
    left, moves = string["deviation_cents"], string.get("moves") or []
    if left is None or string["heard"] != "heard":
        return None
    since_s = moves[-1]["end_s"] if moves else 0.0
    if string.get("changes") is not None:
        falls = (c for c in string["changes"] if c["cause"] == "slip" and c["end_s"] >= since_s)
        first = next(falls, None)
        if first is None:
            return None
        stood = float(first["from_cents"])
        return Slip(stood, first["start_s"], first["end_s"], left - stood)
    fall, start = string.get("slipped_cents"), string.get("start_cents")
    stood_at = moves[-1]["to_cents"] if moves else start
    if fall is None or stood_at is None or abs(stood_at - left - fall) > TURNS_SAME_CENTS:
        return None
    return Slip(stood_at, since_s, string.get("at_s"), left - stood_at)


def as_set(measured: Measured, slips: dict[str, Slip]) -> Measured:
    """The take as it would have been left if nothing had slipped."""
    strings = {
        name: {**string, "deviation_cents": slips[name].from_cents, "slipped_cents": None,
               "changes": []}
        if name in slips
        else string
        for name, string in measured["strings"].items()
    }  # fmt: skip
    intervals = [
        one
        for one in measured.get("intervals") or []
        if all(
            name not in slips or one["at_s"] < slips[name].start_s
            for name in (one["string"], one["string_2"])
        )
    ]
    return cast("Measured", {**measured, "strings": strings, "intervals": intervals})
