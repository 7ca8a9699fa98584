"""A student's record as a week of a course: what is kept of it when the weeks go on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pegmark.trade import pitch

if TYPE_CHECKING:
    from pegmark.records.tickets import Week


def week_of(record: Mapping[str, Any], title: str = "", day: str | None = None) -> Week:
    """A record as a week. Deviations are from what each string was judged by, as everywhere a
    class is shown; `day` is when the take was recorded, YYYY-MM-DD."""
    score = record.get("score") or {}
    return {
        "title": title,
        "day": day,
        "instrument": record["student"]["instrument"],
        "points": score.get("total"),
        "of": score.get("of") or 0,
        "open": score.get("open") or 0,
        "strings": {
            name: {
                "cents": _counted(string, "deviation_cents"),
                "half_cents": string.get("uncertainty_cents"),
                "verdict": string.get("verdict") or "unsure",
                "start_cents": _counted(string, "start_cents"),
                "start_half_cents": _first_half(record, name),
                "slipped_cents": string.get("slipped_cents"),
                "left_cents": _against_440(record, string, "deviation_cents"),
                "found_cents": _against_440(record, string, "start_cents"),
            }
            for name, string in record["strings"].items()
        },
    }


def day_of(take: Mapping[str, Any], recorded: str) -> str | None:
    """The day a take was recorded on, YYYY-MM-DD: by its name, else its container, else when it
    came in. `take` is a row of `takes` in tickets/publish.json, `recorded` begins with a date."""
    return take.get("named_day") or recorded[:10] or (take.get("received") or "")[:10] or None


def _counted(string: Mapping[str, Any], key: str) -> float | None:
    value = string.get(key)
    return None if value is None else round(value - (string.get("zero_cents") or 0.0), 4)


def _against_440(record: Mapping[str, Any], string: Mapping[str, Any], key: str) -> float | None:
    """Against equal temperament at A4 = 440 Hz: weeks may count from different A's."""
    value = string.get(key)
    a4_hz = record["reference"]["a4_hz"]
    return None if value is None else round(value + pitch.cents_between(a4_hz, pitch.A4_HZ), 4)


def _first_half(record: Mapping[str, Any], name: str) -> float | None:
    """Half-width of a string's first note that has a pitch, which says where it was found."""
    known = (
        (note["start_s"], note["uncertainty_cents"])
        for note in record.get("notes") or []
        if note["string"] == name and note.get("uncertainty_cents") is not None
    )
    found = min(known, default=None)
    return found[1] if found else None
