"""Which of a student's takes is the latest, and when each came in.

What decides, in this order: the teacher's own take numbers (matches.csv); the time each take came
in (received.csv, or the date and time a platform wrote into its name); the days that stand in all
their names ("2026-03-04 tuning"); words for an attempt in the names ("take 2", "retake", "(1)").
A camera's date and a file's time say when it was recorded or copied, not when it was handed in:
they are hints. What stays undecided is asked.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo

from pegmark.files.recordings import Recording
from pegmark.words import times

_NUMBERED = re.compile(
    r"(?<![a-z])(?:take|attempt|try|trial|version|ver|v|retake|redo|toma|intento|versuch|essai)"
    r"[\s_.#-]*(\d{1,2})(?!\d)|(?<!\d)(\d{1,2})(?:st|nd|rd|th)[\s_.-]+(?:take|attempt|try|version)",
    re.IGNORECASE,
)
_COPY_NUMBER = re.compile(r"\s*\((\d{1,2})\)")
_CAMERAS = re.compile(
    r"(?<![a-z])(?:img|vid|pxl|mvi|dsc[nf]?|rec|recording|video|voice)[-_ ]?20\d\d", re.IGNORECASE
)
_ORDINALS = {"first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5}
_ORDINAL_TAKE = re.compile(
    rf"(?<![a-z])({'|'.join(_ORDINALS)})[\s_.-]+(?:take|attempt|try|version)", re.IGNORECASE
)
_AGAIN = re.compile(
    r"(?<![a-z])(?:retake|re-?do|redone|resubmi(?:t|ssion)|again|corrected|fixed|final|otra vez)"
    r"(?![a-z])",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Take:
    """One recording of one student (the same content under several names is one take)."""

    sha256: str
    file: str
    files: tuple[str, ...]
    mtime_ns: int
    received: datetime | None = None
    number: int | None = None  # the teacher's own, from matches.csv
    attempt: int | None = None  # 1 is the first; None while the order is not known
    said: int = 0  # which attempt its names say it is, apart from the student's own; 0: not read


@dataclass(frozen=True)
class Order:
    """A student's takes from first to latest."""

    takes: tuple[Take, ...]
    decided: bool  # whether the last one is known to be the latest


def make_takes(
    recordings: Sequence[Recording],
    received: Mapping[str, datetime],
    numbers: Mapping[str, int],
    zone: tzinfo | None,
    own: Sequence[str] = (),
) -> list[Take]:
    """A student's takes, one for each content, in the order of content.

    `own`: the student's id and names, which say nothing of an attempt wherever they stand.
    """
    known = _own_words(own)
    by_content: dict[str, list[Recording]] = {}
    for recording in recordings:
        by_content.setdefault(recording.sha256, []).append(recording)
    takes = []
    for sha256, same in sorted(by_content.items()):
        same.sort(key=lambda r: (r.file.count("/"), len(r.file), r.file))
        files = tuple(r.file for r in same)
        moments = [m for f in files if (m := received.get(f) or platform_time(f, zone))]
        numbered = [numbers[f] for f in files if f in numbers]
        takes.append(
            Take(
                sha256,
                files[0],
                files,
                max(r.mtime_ns for r in same),
                max(moments, key=_stamp) if moments else None,
                max(numbered) if numbered else None,
                said=max(attempt_words(known.sub(" ", file)) for file in files),
            )
        )
    return takes


def platform_time(file: str, zone: tzinfo | None) -> datetime | None:
    """The one date and time in a path that no camera wrote, the innermost first."""
    for part in reversed(file.split("/")):
        found = {m.moment for m in times.moments_in_name(part, zone) if not m.recorded}
        if found:
            return found.pop() if len(found) == 1 else None
    return None


def order_takes(takes: Sequence[Take]) -> Order:
    """The takes from first to latest, numbered as attempts where the order is known."""
    if len(takes) < 2:
        return Order(tuple(replace(take, attempt=1) for take in takes), True)
    ways = (_by_teacher(takes), _by_time(takes), _by_day(takes), _by_words(takes))
    known = [ranks for ranks in ways if ranks is not None]
    ranks = list(zip(*known, strict=True))  # what is known less surely only parts what is level
    ordered = sorted(zip(ranks, takes, strict=True), key=lambda p: (p[0], p[1].sha256))
    if ordered[-1][0] > ordered[-2][0]:
        distinct = len(set(ranks)) == len(ranks)
        return Order(
            tuple(
                replace(take, attempt=place if distinct or place == len(takes) else None)
                for place, (_, take) in enumerate(ordered, start=1)
            ),
            True,
        )
    return Order(tuple(sorted(takes, key=lambda take: take.sha256, reverse=True)), False)


def attempt_words(file: str) -> int:
    """Which attempt the words of a path say it is: 1 where they say nothing."""
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", file)
    found = [int(m[1] or m[2]) for m in _NUMBERED.finditer(text)]
    found += [_ORDINALS[m[1].lower()] for m in _ORDINAL_TAKE.finditer(text)]
    return max(found, default=2 if _AGAIN.search(text) else 1)


def _own_words(own: Sequence[str]) -> re.Pattern[str]:
    """An id or a name in a path, with any separators: 'v07' is a student here, no version."""
    parted = [re.findall(r"[^\W_]+", word) for word in own]
    whole = [r"[\s._-]?".join(map(re.escape, parts)) for parts in parted if parts]
    spelled = "|".join(sorted(whole, key=len, reverse=True))
    return re.compile(rf"(?<![^\W_])(?:{spelled})(?![^\W_])" if whole else r"(?!)", re.IGNORECASE)


def _counters(files: Sequence[str]) -> list[int] | None:
    """The '(1)' that a second file of the same name is given; None for different names."""
    if len({_COPY_NUMBER.sub("", file).casefold() for file in files}) > 1:
        return None
    return [max((int(m[1]) for m in _COPY_NUMBER.finditer(file)), default=0) for file in files]


def _by_teacher(takes: Sequence[Take]) -> list[float] | None:
    if not any(take.number for take in takes):
        return None
    return [take.number or 0 for take in takes]


def _by_time(takes: Sequence[Take]) -> list[float] | None:
    if not all(take.received for take in takes):
        return None
    zoned = {take.received.tzinfo is not None for take in takes if take.received}
    return [_stamp(take.received) for take in takes if take.received] if len(zoned) == 1 else None


def _by_day(takes: Sequence[Take]) -> list[float] | None:
    """By the days that somebody wrote into the names; a camera's own say when it recorded."""
    days = [times.day_in_name(take.file) for take in takes]
    if not all(days) or any(_CAMERAS.search(take.file) for take in takes):
        return None
    return [float(day.toordinal()) for day in days if day]


def _by_words(takes: Sequence[Take]) -> list[float] | None:
    ranks = [take.said or max(map(attempt_words, take.files)) for take in takes]
    if len(set(ranks)) == 1:
        ranks = _counters([take.file for take in takes]) or ranks
    return [float(rank) for rank in ranks]


def _stamp(moment: datetime) -> float:
    """Seconds, also of a moment without a zone (then only compared with its like)."""
    return (moment if moment.tzinfo else moment.replace(tzinfo=times.UTC)).timestamp()


def hours_late(received: datetime | None, due: datetime | None) -> float | None:
    """Hours after the due time, 0.0 when in time; None where either is not known."""
    if received is None or due is None or received.tzinfo is None:
        return None
    return round(max(0.0, (received - due).total_seconds() / 3600), 2)
