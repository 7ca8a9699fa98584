"""A student's course over the weeks: how each string was left, the points, the longest good run.

How the picture is read
-----------------------
Each line across is a string, as in the pictures of its path; each column is a week, this week last.
A disc on the line is in tune, half a disc is close, a triangle is out of tune and points the way
the pitch went, a ring is not sure, a gap was not heard. The thick bar under discs is the longest
run of weeks in tune. Nothing depends on colour. Under the lines stand the points.

Only weeks on the same instrument, back to where it changed, are one course.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import takewhile
from typing import TYPE_CHECKING, Any, NamedTuple

from pegmark.records.weeks import week_of
from pegmark.render.ink import FONT, INK, PALE, TEXT, VARNISH
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record
    from pegmark.records.tickets import Week

MOST_WEEKS = 10  # columns that can be read at the width of a sheet
COURSE_PICTURE_LEAST_CENTS = 1.0  # a smaller change is nothing to speak of, however sure
COLUMN, LINE, COURSE_PICTURE_LEFT = 34.0, 20.0, 24.0  # px
IN_TUNE = "in_tune"


class Run(NamedTuple):
    """Weeks in a row in which a string was left in tune: from `first` on, so many."""

    string: str
    first: int
    weeks: int


def course_of(weeks: Sequence[Week], record: Record) -> list[Week]:
    """Earlier weeks on this instrument and this one, the last `MOST_WEEKS` of them."""
    instrument = record["student"]["instrument"]
    same = list(takewhile(lambda week: week["instrument"] == instrument, reversed(weeks)))
    return [*reversed(same), week_of(record)][-MOST_WEEKS:]


def verdict_of(week: Week, string: str) -> str | None:
    """How a string was left in a week; None where the instrument has no such string."""
    return week["strings"][string]["verdict"] if string in week["strings"] else None


def longest_run(course: Sequence[Week], string: str) -> Run:
    """The longest run of weeks in which a string was in tune; of several the last."""
    best, length = Run(string, 0, 0), 0
    for number, week in enumerate(course):
        length = length + 1 if verdict_of(week, string) == IN_TUNE else 0
        if length and length >= best.weeks:
            best = Run(string, number - length + 1, length)
    return best


def weeks_in_tune(course: Sequence[Week], string: str) -> int:
    """In how many weeks a string was left in tune."""
    return sum(verdict_of(week, string) == IN_TUNE for week in course)


def better(course: Sequence[Week]) -> tuple[str, dict[str, Any]] | None:
    """What got better since the week before: the key of its sentence and what fills it in.

    The first of these that is true: a string that is in tune and was not; a string that came
    closer by more than both intervals; more points, none open in either week; a string in tune for
    three weeks or more. None: nothing of it, or no earlier week.
    """
    if len(course) < 2:
        return None
    before, now = course[-2], course[-1]
    for name, string in now["strings"].items():
        if string["verdict"] == IN_TUNE and verdict_of(before, name) in ("close", "out"):
            return "string_now", {"string": name}
    gains = ((_closer(before, now, one), one) for one in now["strings"])
    gain, nearer = max(gains, default=(0.0, ""))
    if gain > 0:
        return "closer", {"string": nearer, "cents": gain}
    gained = _gained(before, now)
    if gained > 0:
        return ("point" if gained == 1 else "points"), {"points": gained}
    runs = [longest_run(course, one) for one in now["strings"]]
    lasting = [run for run in runs if run.weeks >= 3 and run.first + run.weeks == len(course)]
    if lasting:
        best = max(lasting, key=lambda run: run.weeks)
        return "run", {"string": best.string, "weeks": best.weeks}
    return None


def course_svg(course: Sequence[Week], names: Mapping[str, str], decimal: str) -> str:
    """The picture of a course of two weeks or more; how it is read stands above.

    `names` says what the language calls this week's strings, high to low.
    """
    strings = list(names)
    width = COURSE_PICTURE_LEFT + COLUMN * len(course) + 8
    height = LINE * len(strings) + 22
    parts = []
    for row, name in enumerate(strings):
        y = LINE * row + 12
        parts.append(_text(8, y + 4, names[name], bold=True))
        parts.append(
            f'<path d="M{COURSE_PICTURE_LEFT} {y}H{width - 4:g}" stroke="{VARNISH}" '
            f'stroke-width="{0.8 + 0.35 * row:.2f}"/>'
        )
        parts.append(_run_bar(longest_run(course, name), y))
        for number, week in enumerate(course):
            string = week["strings"].get(name)
            if string is not None:
                parts.append(mark(string["verdict"], string["cents"], _x(number), y))
    for number, week in enumerate(course):
        open_ = "" if week["points"] is not None and not week["open"] else "…"
        points = "" if week["points"] is None else wording.points(week["points"], decimal)
        parts.append(_text(_x(number), height - 4, points + open_))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" height="{height:g}">{"".join(parts)}</svg>'
    )


def mark(verdict: str, cents: float | None, x: float, y: float) -> str:
    """The mark of a verdict at a place; nothing where the string was not heard."""
    place = f'transform="translate({x:g} {y:g})"'
    low = (cents or 0) < 0
    if verdict == IN_TUNE:
        return f'<circle {place} r="4.6" fill="{INK}"/>'
    if verdict == "close":
        sweep = 0 if low else 1
        return (
            f'<path {place} d="M-4.8 0A4.8 4.8 0 0 {sweep} 4.8 0Z" fill="#fff" '
            f'stroke="{INK}" stroke-width="1.5"/>'
        )
    if verdict == "out":
        shape = "M0 7L5-1H-5Z" if low else "M0-7L5 1H-5Z"
        return f'<path {place} d="{shape}" fill="{VARNISH}"/>'
    if verdict == "unsure":
        return (
            f'<circle {place} r="4.6" fill="#fff" stroke="{INK}" stroke-width="1.1" '
            'stroke-dasharray="2 1.6"/>'
        )
    return f'<path {place} d="M-5 0H5" stroke="#fff" stroke-width="5"/>'


def _x(number: int) -> float:
    return COURSE_PICTURE_LEFT + COLUMN * (number + 0.5)


def _run_bar(run: Run, y: float) -> str:
    if run.weeks < 2:
        return ""
    first, last = _x(run.first) - 5, _x(run.first + run.weeks - 1) + 5
    return f'<path d="M{first:g} {y + 6.5:g}H{last:g}" stroke="{PALE}" stroke-width="2.6"/>'


def _text(x: float, y: float, text: str, bold: bool = False) -> str:
    weight = "bold" if bold else "normal"
    return (
        f'<text x="{x:g}" y="{y:g}" text-anchor="middle" font-family="{FONT}" '
        f'font-size="{TEXT:g}" font-weight="{weight}" fill="{INK}">{text}</text>'
    )


def _closer(before: Week, now: Week, name: str) -> float:
    """How many cents nearer a string was left than the week before; 0 where that is not sure."""
    one, other = before["strings"].get(name), now["strings"][name]
    if one is None or "unsure" in (one["verdict"], other["verdict"]):
        return 0.0
    values = (one["cents"], one["half_cents"], other["cents"], other["half_cents"])
    was, was_half, is_, half = values
    if was is None or was_half is None or is_ is None or half is None:
        return 0.0
    gain = abs(was) - abs(is_)
    return gain if gain > max(COURSE_PICTURE_LEAST_CENTS, was_half + half) else 0.0


def _gained(before: Week, now: Week) -> float:
    """Points more than the week before, where both are whole and out of the same number."""
    if before["points"] is None or now["points"] is None or before["open"] or now["open"]:
        return 0.0
    return now["points"] - before["points"] if before["of"] == now["of"] else 0.0
