"""Dates and times as teachers and learning platforms write them.

A moment is a date and a time. It is only compared with another when the zone of both is known:
the zone of the assignment's due time stands in where a text has none.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

_DATE = r"(?P<year>20\d\d)[-./](?P<month>\d{1,2})[-./](?P<day>\d{1,2})"
_CLOCK = r"(?P<hour>\d{1,2})[:.h](?P<minute>\d\d)(?:[:.](?P<second>\d\d)(?:[.,]\d+)?)?"
_WRITTEN = re.compile(
    rf"{_DATE}(?:(?:T|\s+|,\s*|\s+at\s+){_CLOCK}\s*(?P<half>[ap]\.?m\.?)?)?\s*(?P<zone>\S.*)?",
    re.IGNORECASE,
)
_OFFSET = re.compile(r"(?:UTC|GMT)?\s*(?P<sign>[+-])(?P<hours>\d{1,2}):?(?P<minutes>\d\d)?")

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

# Date and time as they stand in file names: year first, or an English month with its year.
_IN_NAME = (
    re.compile(
        r"(?<!\d)(?P<year>20\d\d)(?P<s>[-_. ]?)(?P<month>\d\d)(?P=s)(?P<day>\d\d)"
        r"(?:[T_. -]|\s+at\s+|\s*-\s*)(?P<hour>\d\d)(?P<t>[-_.:h ]?)(?P<minute>\d\d)"
        r"(?:(?P=t)(?P<second>\d\d)(?:[.,]?\d{3})?)?(?!\d)"
        r"(?:\s*(?P<half>[AaPp]\.?[Mm]\b\.?))?(?P<zone>Z|[+-]\d\d:?\d\d)?"
    ),
    re.compile(
        rf"(?<![A-Za-z])(?P<name>{'|'.join(MONTHS)})[a-z]*\.?[ _-](?P<day>\d{{1,2}}),?[ _-]+"
        r"(?P<year>20\d\d),?(?:[ _-]+at)?[ _-]+(?P<hour>\d{1,2})[:.]?(?P<minute>\d\d)"
        r"(?:[:.]?(?P<second>\d\d))?(?!\d)(?:[ _-]?(?P<half>[AaPp]\.?[Mm]\b\.?))?(?P<zone>)",
        re.IGNORECASE,
    ),
)
_DAY_IN_NAME = re.compile(
    r"(?<!\d)(?P<year>20\d\d)(?P<s>[-_. ]?)(?P<month>\d\d)(?P=s)(?P<day>\d\d)(?!\d)"
)
# What a camera or recorder writes in front of its own time: that is when it was recorded, which
# says nothing of when it was handed in.
_RECORDER = re.compile(
    r"(?:^|[^a-z])(?:img|vid|video|mov|movie|mvi|pxl|dsc[nf]?|rec|recording|record|audio|voice|"
    r"memo|aud|cam|camera|clip|screen|capture|snap|trim)[^a-z0-9]*$",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class NamedMoment:
    """A date and time found in a file name."""

    moment: datetime
    recorded: bool  # written by a camera or recorder, not by a platform
    start: int
    end: int


def read_moment(text: str, zone: tzinfo | None, day_end: bool = False) -> datetime | None:
    """The moment a teacher wrote: year-month-day, a time, and a zone (an offset or a name).

    Parameters
    ----------
    zone : stands in where the text has none
    day_end : a date alone means the end of that day

    Returns None for what cannot be read, for no zone at all, and for days that do not exist.
    """
    match = _WRITTEN.fullmatch(" ".join(text.split()))
    if not match:
        return None
    own = match["zone"]
    zone = _zone(own) if own else zone
    if zone is None:
        return None
    if match["hour"] is None:
        naive = _date(match, time(23, 59, 59)) if day_end else None
    else:
        naive = _naive(match, int(match["month"]))
    return naive.replace(tzinfo=zone) if naive else None


def moments_in_name(name: str, zone: tzinfo | None) -> list[NamedMoment]:
    """Every date with a time (to the minute) in a file name; without a zone they stay bare."""
    return sorted(_find(name, zone), key=lambda found: found.start)


def _find(name: str, zone: tzinfo | None) -> Iterator[NamedMoment]:
    for pattern in _IN_NAME:
        for match in pattern.finditer(name):
            groups = match.groupdict()
            word = groups.get("name")
            month = MONTHS.index(word.lower()[:3]) + 1 if word else int(match["month"])
            naive = _naive(match, month)
            if naive is None:
                continue
            own = _zone(match["zone"]) if match["zone"] else zone
            recorded = bool(_RECORDER.search(name[: match.start()]))
            moment = naive.replace(tzinfo=own)
            yield NamedMoment(moment, recorded, match.start(), match.end())


def day_in_name(name: str) -> date | None:
    """The one date in a file name, with a time or without; None for none, and for several."""
    days = {named.moment.date() for named in moments_in_name(name, None)}
    for match in _DAY_IN_NAME.finditer(name):
        with contextlib.suppress(ValueError):
            days.add(date(*(int(match[part]) for part in ("year", "month", "day"))))
    return days.pop() if len(days) == 1 else None


def _naive(match: re.Match[str], month: int) -> datetime | None:
    hour = int(match["hour"])
    half = (match["half"] or "").lower()[:1]
    if half and not 1 <= hour <= 12:
        return None
    if half:
        hour = hour % 12 + (12 if half == "p" else 0)
    try:
        return datetime(
            int(match["year"]),
            month,
            int(match["day"]),
            hour,
            int(match["minute"]),
            int(match["second"] or 0),
        )
    except ValueError:
        return None


def _date(match: re.Match[str], clock: time) -> datetime | None:
    try:
        day = datetime(int(match["year"]), int(match["month"]), int(match["day"]))
    except ValueError:
        return None
    return datetime.combine(day, clock)


def _zone(text: str) -> tzinfo | None:
    text = text.strip().strip("()")
    if text.upper() in ("Z", "UTC", "GMT"):
        return UTC
    if match := _OFFSET.fullmatch(text):
        offset = timedelta(hours=int(match["hours"]), minutes=int(match["minutes"] or 0))
        if offset > timedelta(hours=14):
            return None
        return timezone(-offset if match["sign"] == "-" else offset)
    if not re.fullmatch(r"[A-Za-z]+(?:[/_+-][A-Za-z0-9]+)+", text):
        return None
    try:
        return ZoneInfo(text)
    except (KeyError, OSError, ValueError):  # ZoneInfoNotFoundError is a KeyError
        return None
