"""Numbers, times and file facts in the words of the class page."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from pegmark.words import wording


def percent(share: float | None) -> str:
    return "" if share is None else f"{share:.0%}"


def one_line(text: str) -> str:
    return wording.safe_text(text, wording.TEXT_LIMIT)


def points_text(value: float | None) -> str:
    return "" if value is None else wording.points(value)


def signed(cents: float | None) -> str:
    if cents is None:
        return ""
    size = wording.cents(cents)
    if float(size) == 0:
        return size
    return ("+" if cents > 0 else wording.MINUS) + size


def hours_text(hours: float | None) -> str:
    if hours is None:
        return ""
    return f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.1f} days"


def taken_off(late: Mapping[str, Any] | None) -> str:
    """What the teacher's policy takes off, beside the raw points: ', −2 points'."""
    off = late["points_off"] if late else 0
    return f", {wording.MINUS}{points_text(off)} points" if off else ""


def moment_text(iso: str | None) -> str:
    try:
        return f"{datetime.fromisoformat(iso or ''):%a %d %b %Y, %H:%M}"
    except ValueError:
        return ""


def median_text(values: list[float]) -> str:
    if not values:
        return ""
    ordered = sorted(values)
    middle = len(ordered) // 2
    value = ordered[middle] if len(ordered) % 2 else sum(ordered[middle - 1 : middle + 1]) / 2
    return wording.cents(value)
