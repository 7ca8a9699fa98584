"""Pictures of a whole class: how every string was left, and which string gives most trouble.

How they are read
-----------------
Every string that was left is a mark sitting on a line, the line of that string. Its place along
the line is its deviation: on the target stroke it is right, to the left too low, to the right too
high, on a signed logarithm of cents . The
shape of the mark is the verdict: a disc is in tune; half a disc is close, with its flat side where
the pitch should be; a triangle is out and points the way the pitch went; a ring with a question
mark is unsure. Nothing depends on colour.

SVG text only. The marks are `<use>` references to the symbols of `symbols_svg`, which a page
holds once.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterable, Mapping
from html import escape
from typing import TYPE_CHECKING, Any

from pegmark.publish.class_records import counted_from, full_name
from pegmark.render.ink import INK, PALE, VARNISH
from pegmark.words.wording import MINUS, letter, number, safe_text

if TYPE_CHECKING:
    from pegmark.records.student import Record

CHART_VERDICTS = ("in_tune", "close", "out", "unsure", "not_heard")
VERDICT_WORDS = {
    "in_tune": "in tune",
    "close": "close",
    "out": "out of tune",
    "unsure": "unsure",
    "not_heard": "not heard",
}
TROUBLE = ("close", "out", "unsure", "not_heard")

CHART_WIDTH = 460.0
CHART_LEFT = 52.0  # room for the strings' names
RIGHT = 40.0  # room for strings without a pitch
STRETCH_CENTS = 3.0  # the scale is linear well below this and logarithmic above
CHART_REACH_CENTS = 200.0  # the ends of the lines; what lies beyond sits at the end
CHART_STEP = 10.0  # px a mark takes
FOOT = 12.0  # px under a line, for the next row's marks to stand clear
RULERS_CENTS = (3, 10, 30, 100)
BAR_WIDTH = 240.0  # narrower than its place on the page, so that its digits are no smaller

_HALF = "M-4.6 0A4.6 4.6 0 0 {sweep} 4.6 0Z"
_SYMBOLS = {
    "in_tune": f'<circle r="4.4" fill="{INK}"/>',
    # The flat side is the home line's: a dome above it is a little high.
    "close_high": f'<path d="{_HALF.format(sweep=1)}" transform="translate(0 2.3)" '
    f'fill="#fff" stroke="{INK}" stroke-width="1.5"/>',
    "close_low": f'<path d="{_HALF.format(sweep=0)}" transform="translate(0 -2.3)" '
    f'fill="#fff" stroke="{INK}" stroke-width="1.5"/>',
    "out_high": f'<path d="M0-4.8L4.8 3.8H-4.8Z" fill="{VARNISH}"/>',
    "out_low": f'<path d="M0 4.8L4.8-3.8H-4.8Z" fill="{VARNISH}"/>',
    "unsure": f'<circle r="4.6" fill="#fff" stroke="{INK}" stroke-width="1" '
    f'stroke-dasharray="1.6 1.3"/><path d="M-1.6-1.2A1.7 1.7 0 1 1 .5 .3Q0 .6 0 1.2M0 2.2V3.2" '
    f'fill="none" stroke="{INK}" stroke-width="1.1"/>',
    "not_heard": f'<path d="M-3.6-3.6L3.6 3.6M3.6-3.6L-3.6 3.6" stroke="{INK}" '
    'stroke-width="1.5" fill="none"/>',
}
_FILLS = {
    "in_tune": "#ffffff",
    "close": "url(#fill-close)",
    "out": VARNISH,
    "unsure": "url(#fill-unsure)",
    "not_heard": "url(#fill-not_heard)",
}


def mark_name(verdict: str, cents: float | None) -> str:
    """The symbol of a verdict; close and out have one for high and one for low."""
    if verdict in ("close", "out"):
        return f"{verdict}_{'low' if (cents or 0) < 0 else 'high'}"
    return verdict


def symbols_svg() -> str:
    """The symbols and fills that every other picture refers to: once in a page."""
    symbols = "".join(
        f'<symbol id="mark-{name}" viewBox="-6 -6 12 12" overflow="visible">{shape}</symbol>'
        for name, shape in _SYMBOLS.items()
    )
    fills = (
        '<pattern id="fill-close" width="5" height="5" patternUnits="userSpaceOnUse">'
        f'<rect width="5" height="5" fill="#fff"/><circle cx="2.5" cy="2.5" r="1.1" fill="{INK}"/>'
        "</pattern>"
        '<pattern id="fill-unsure" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<rect width="6" height="6" fill="#fff"/><path d="M-1 7L7-1M-1 1L1-1M5 7L7 5" '
        f'stroke="{INK}" stroke-width="1.1"/></pattern>'
        '<pattern id="fill-not_heard" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<rect width="6" height="6" fill="#fff"/><path d="M1 1L5 5M5 1L1 5" stroke="{INK}" '
        'stroke-width=".9"/></pattern>'
    )
    return (
        '<svg width="0" height="0" class="symbols" aria-hidden="true">'
        f"<defs>{symbols}{fills}</defs></svg>"
    )


def mark_svg(verdict: str, cents: float | None) -> str:
    """One mark beside a number; what it means stands in the text next to it."""
    return (
        '<svg class="mark" width="14" height="14" viewBox="-7 -7 14 14" aria-hidden="true">'
        f'<use href="#mark-{mark_name(verdict, cents)}" x="-6" y="-6" width="12" height="12"/>'
        "</svg>"
    )


def strings_left(records: Iterable[Record]) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """(instrument, string) -> how each student left it, instruments and strings in their order."""
    left: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for record in records:
        student = record["student"]
        for name, string in record["strings"].items():
            left.setdefault((student["instrument"], name), []).append(
                {
                    "student_id": student["student_id"],
                    "section": student.get("section") or "",
                    "name": full_name(record),
                    "verdict": string["verdict"],
                    "cents": counted_from(string),
                }
            )
    return left


def counts(strings: Iterable[Mapping[str, Any]]) -> Counter[str]:
    """How many strings have each verdict."""
    return Counter(string["verdict"] for string in strings)


def trouble_order(
    left: Mapping[tuple[str, str], list[dict[str, Any]]],
) -> list[tuple[tuple[str, str], Counter[str]]]:
    """The strings with their counts, the one that is least often in tune first.

    Of those whose pitch is known: what was not heard well says nothing of how it was tuned.
    """
    counted = [(key, counts(strings)) for key, strings in left.items()]
    return sorted(
        counted, key=lambda item: (not known(item[1]), item[1]["in_tune"] / max(known(item[1]), 1))
    )


def known(count: Mapping[str, int]) -> int:
    """How many strings have a verdict that their pitch gave."""
    return sum(count.get(verdict, 0) for verdict in ("in_tune", "close", "out"))


def left_svg(instrument: str, left: Mapping[str, list[dict[str, Any]]]) -> str:
    """How every string of one instrument was left; `left` maps the string to its students."""
    parts: list[str] = []
    y = 22.0
    for cents in RULERS_CENTS:
        for signed in (cents, -cents):
            sign = "+" if signed > 0 else MINUS
            parts.append(_text(_x(signed), 11, f"{sign}{cents}", "middle", 10))
    parts.append(_text(_x(0), 11, "target", "middle", 10))
    top = y
    place = (
        itertools.count()
    )  # Tab reaches the first mark, arrows the others (class_pictures.marks.js)
    for name, strings in left.items():
        placed, height = _perched(strings)
        line = y + height
        parts.append(
            f'<path d="M{CHART_LEFT} {_n(line)}H{_n(CHART_WIDTH - RIGHT)}" stroke="{VARNISH}" '
            'stroke-width="1.4"/>'
        )
        parts.append(_text(CHART_LEFT - 8, line + 1, letter(name), "end", 14, "bold"))
        parts.append(_text(CHART_LEFT - 28, line + 1, name, "end", 10))
        for string, x, rise in placed:
            parts.append(_mark(name, string, (x, line - rise), first=not next(place)))
        y = line + FOOT
    rulers = [
        f'<path d="M{_n(_x(cents))} {top - 6}V{_n(y - FOOT + 4)}" stroke="{PALE}" '
        f'stroke-width="{1.6 if cents == 0 else 0.7}" '
        f"{'' if cents == 0 else 'stroke-dasharray=' + chr(34) + '2 3' + chr(34)}/>"
        for cents in (0, *RULERS_CENTS, *(-c for c in RULERS_CENTS))
    ]
    summary = "; ".join(f"{name}: {sentence(counts(strings))}" for name, strings in left.items())
    label = escape(f"How every {instrument} string was left. {summary}.")
    return (
        f'<svg class="left-picture" viewBox="0 0 {CHART_WIDTH:g} {_n(y)}" role="group" '
        f'aria-label="{label}" data-chart>{"".join(rulers)}{"".join(parts)}</svg>'
    )


def _mark(name: str, string: Mapping[str, Any], at: tuple[float, float], first: bool) -> str:
    """A student's string, which says whose it is (class_pictures.marks.js)."""
    return (
        f'<use class="left-mark" data-student="{escape(string["student_id"])}" '
        f'data-section="{escape(string["section"])}" role="button" tabindex="{0 if first else -1}" '
        f'aria-label="{escape(_says(name, string))}" '
        f'href="#mark-{mark_name(string["verdict"], string["cents"])}" '
        f'x="{_n(at[0] - 6)}" y="{_n(at[1] - 6)}" width="12" height="12"/>'
    )


def _says(name: str, string: Mapping[str, Any]) -> str:
    """'Ada Lind, D string: out of tune, 25.1 cents low'."""
    verdict = VERDICT_WORDS[string["verdict"]]
    said = f"{safe_text(string['name'])}, {letter(name)} string: {verdict}"
    if string["cents"] is None:
        return said
    size = number(abs(string["cents"]), 1)
    way = "" if size == "0" else " low" if string["cents"] < 0 else " high"
    return f"{said}, {size} cents{way}"


def bar_svg(count: Mapping[str, int]) -> str:
    """A bar of all strings, parted by verdict: shares, so that few players can be read as well."""
    of = max(sum(count.values()), 1)
    x = 0.5
    parts = []
    for verdict in CHART_VERDICTS:
        width = count.get(verdict, 0) / of * (BAR_WIDTH - 1)
        if not width:
            continue
        parts.append(
            f'<rect x="{_n(x)}" y=".5" width="{_n(width)}" height="19" '
            f'fill="{_FILLS[verdict]}" stroke="{INK}"/>'
        )
        if width > 18:
            middle = x + width / 2
            parts.append(
                f'<rect x="{_n(middle - 8)}" y="3" width="16" height="14" fill="#fff"/>'
                + _text(middle, 14.2, str(count[verdict]), "middle", 12)
            )
        x += width
    return (
        f'<svg class="bar" viewBox="0 0 {BAR_WIDTH:g} 20" aria-hidden="true" '
        f'preserveAspectRatio="xMinYMid meet">{"".join(parts)}</svg>'
    )


def fill_svg(verdict: str) -> str:
    """A sample of a bar's fill, for the key."""
    return (
        '<svg class="fill" width="22" height="14" viewBox="0 0 22 14" aria-hidden="true">'
        f'<rect x=".5" y=".5" width="21" height="13" fill="{_FILLS[verdict]}" stroke="{INK}"/>'
        "</svg>"
    )


def sentence(count: Mapping[str, int]) -> str:
    """'12 in tune, 3 close, 1 unsure'; verdicts that nobody has are left out."""
    said = [f"{count[v]} {VERDICT_WORDS[v]}" for v in CHART_VERDICTS if count.get(v)]
    return ", ".join(said) or "none"


def _x(cents: float) -> float:
    """Place along a line: signed logarithm, cut at the ends."""
    size = min(abs(cents), CHART_REACH_CENTS)
    share = math.log1p(size / STRETCH_CENTS) / math.log1p(CHART_REACH_CENTS / STRETCH_CENTS)
    half = (CHART_WIDTH - RIGHT - CHART_LEFT) / 2
    return CHART_LEFT + half + math.copysign(share, cents) * (half - 8)


def _perched(
    strings: list[dict[str, Any]],
) -> tuple[list[tuple[dict[str, Any], float, float]], float]:
    """Marks stacked where they would cover each other: ([(string, x, rise)], height of the row)."""
    taken: dict[int, list[float]] = {}
    placed = []
    highest = 0.0
    for string in sorted(strings, key=lambda s: (abs(s["cents"] or 0), s["student_id"])):
        x = CHART_WIDTH - RIGHT + 22 if string["cents"] is None else _x(string["cents"])
        level = 0
        while any(abs(x - other) < CHART_STEP - 0.5 for other in taken.get(level, [])):
            level += 1
        taken.setdefault(level, []).append(x)
        rise = 6 + level * CHART_STEP
        placed.append((string, x, rise))
        highest = max(highest, rise + 6)
    return sorted(placed, key=lambda one: (one[1], one[2])), max(highest, 18.0)


def _text(x: float, y: float, text: str, anchor: str, size: float, weight: str = "normal") -> str:
    return (
        f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}" font-size="{size:g}" '
        f'font-weight="{weight}" fill="{INK}">{escape(text)}</text>'
    )


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")
