"""The picture of a string's path: where it was first heard, each turn, where it was left.

How it is read
--------------
A string is drawn as the line it is: from left to right, thicker the lower it sounds. That line is
its home, the pitch it should have. The student's path runs over it in time: above the line the
string is too high, below it too low. Fine strokes across the line mark how near counts as in tune;
the dots further out mark how near counts as close. A bead is a pluck, a thick stroke a bow. A slope
is a turn: drawn through when the string sounded, broken when it was silent, dotted when nobody
heard how it came about. The path ends at the right in a filled dot; the bar beside it is how sure
the measurement is. `kinds_shown` says which of these the pictures of a take hold, for their key.

What decides, up to 20 cents, is drawn to scale (`Frame.y`). Beyond it the picture is torn: a start
80 cents away and an end 2 cents away must be told in one picture two centimetres high, so what lies
past the tear carries its number. Where a pure interval counts as right too, it has a thin line of
its own. A doubt too small for a bar that can be seen stands as a number. Nothing depends on colour.

All lengths are CSS pixels (1/96 inch). Every picture of a take shares one `Frame`, so that the
strings can be read under each other in time. SVG of shapes and a few digits only, without ids,
styles or references, so that it can stand in a page any number of times.
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

from pegmark.render import ink
from pegmark.render.ink import TEXT
from pegmark.render.string_path import (
    HIGH,
    PATH_BREAK,
    PATH_LEFT,
    PATH_WIDTH,
    REST,
    REST_LINE,
    ZONE_CENTS,
    Frame,
    Home,
    corners_of,
    frame_of,
    from_home,
    home_of,
)  # fmt: skip
from pegmark.trade.instruments import OpenStrings
from pegmark.words.wording import MINUS, clock
from pegmark.words.wording import cents as cents_text

if TYPE_CHECKING:
    from pegmark.records.student import Move, Record, StudentNote, StudentString

PICTURE_RIGHT = PATH_WIDTH - REST + REST_LINE  # where the lines end
PICTURE_RULERS_CENTS = (10.0, 20.0)  # the outer one carries its number
LABELLED_MOVE_CENTS = 40.0  # upward moves from here on carry their size
TICKS_S = (2, 5, 10, 15, 30, 60, 120, 300)
LEAST_BAR = 7.6  # px: 2 mm; a shorter bar of doubt is told as a number
DIGIT = 0.62  # width of a digit of the pictures' font against its size
MOST_RINGS = 6  # more points than this share rings
TICK_ROOM = 52.0  # px a label of the time line needs
# What a picture can show, in the key's order.
PICTURE_KINDS = ("start", "pluck", "bow", "sounding", "silent", "unheard", "size",
         "left", "sure", "sure_number", "unsure", "nothing",
         "in_tune", "close", "pure", "beyond")  # fmt: skip


def string_svg(
    string: StudentString,
    notes: list[StudentNote],
    frame: Frame,
    home: Home,
    rank: int,
    decimal: str = ".",
) -> str:
    """The picture of one string, as SVG text of `PATH_WIDTH` by the frame's height in pixels.

    `string` is an entry of the record's strings, `notes` the record's notes on that string,
    `rank` its place from the highest (0), which sets how thick its home line is; `decimal` is the
    language's point.
    """
    string = from_home(string, home)
    corners = corners_of(string, notes, frame)
    taken = _taken(corners, notes, frame, home)
    parts = [
        *_rulers(frame),
        *_band(frame, home),
        ink.line(PATH_LEFT, frame.y(0), PICTURE_RIGHT, frame.y(0), ink.VARNISH, 0.9 + 0.45 * rank),
        *_path(corners, frame),
        *_soundings(notes, frame, home),
        *_tears(corners, notes, frame, home),
        *_labels(string, corners, frame, taken),
        *_ends(string, corners, frame, decimal),
    ]
    return ink.svg(PATH_WIDTH, frame.height, parts)


def kinds_shown(
    record: Record, instrument: OpenStrings | None = None, height: float = HIGH
) -> list[str]:
    """Those of `PICTURE_KINDS` that the pictures of a record hold at a height, in its order."""
    frame = frame_of(record, height)
    shown = {"in_tune", "close"}
    for name, string in record["strings"].items():
        notes = [note for note in record["notes"] if note.get("string") == name]
        known = name in (record.get("tolerances") or {})
        home = home_of(record, name, instrument) if known else Home(0.0, (0.0, 0.0), (0.0, 0.0))
        shown |= _kinds_of(from_home(string, home), notes, frame, home)
    return [kind for kind in PICTURE_KINDS if kind in shown]


def _kinds_of(
    string: StudentString, notes: list[StudentNote], frame: Frame, home: Home
) -> set[str]:
    """What the picture of one string holds; `string` is counted from home."""
    corners = corners_of(string, notes, frame)
    shown = {"bow" if _is_bowed(note) else "pluck" for note in notes if _is_drawn(note)}
    if home.pure_cents is not None:
        shown.add("pure")
    if _beyond(corners, notes, home):
        shown.add("beyond")
    if not corners:
        return shown | {"nothing"}
    shown |= {"start", "unsure" if _is_unsure(string) else "left"}
    shown |= {"sounding" for move in string.get("moves") or [] if move.get("sounding")}
    shown |= {"unheard" if how is None else "silent" for *_, how in corners if not how}
    if _labelled_move(string):
        shown.add("size")
    if None not in (string.get("deviation_cents"), string.get("uncertainty_cents")):
        shown.add("sure" if _has_bar(string, frame) else "sure_number")
    return shown


def axis_svg(frame: Frame) -> str:
    """The time line under the pictures: minutes and seconds of the take."""
    span = frame.end_s - frame.start_s
    most = (PATH_WIDTH - REST - PATH_LEFT) / TICK_ROOM
    step = next((t for t in TICKS_S if span / t <= most), TICKS_S[-1])
    parts = [ink.line(frame.x(frame.start_s), 1, frame.x(frame.end_s), 1, ink.PALE, 0.8)]
    t = math.ceil(frame.start_s / step) * step
    while t <= frame.end_s:
        x = frame.x(t)
        parts.append(ink.line(x, 1, x, 4.5, ink.PALE, 0.8))
        parts.append(ink.text(x, 14, clock(t), TEXT, "middle"))
        t += step
    return ink.svg(PATH_WIDTH, 18, parts)


def key_svg(kind: str) -> str:
    """A small drawing for the key; `kind` is one of `PICTURE_KINDS`."""
    y = 9.0
    home = ink.line(0, y, 34, y, ink.VARNISH, 1.6)
    drawings = {
        "start": [ink.start(17, y)],
        "pluck": [ink.stroke([(3, y), (31, y)], True), ink.beads([(11, y), (23, y)])],
        "bow": [ink.stroke([(3, y), (31, y)], True), ink.bows([(8, 26, y)])],
        "in_tune": [ink.strokes(0, 34, y - 6, y + 6), home],
        "close": [ink.dots(0, 34, 3), ink.dots(0, 34, 15), home],
        "sounding": [ink.stroke([(3, 15), (13, 15), (22, 4), (31, 4)], True)],
        "silent": [ink.stroke([(3, 15), (12, 15)], True), ink.stroke([(12, 15), (31, 4)], False)],
        "unheard": [ink.stroke([(3, 4), (12, 4)], True), ink.stroke([(12, 4), (31, 15)], None)],
        "size": [
            ink.stroke([(1, 15), (5, 15), (9, 4), (13, 4)], True),
            ink.text(12, 16, "+45", TEXT),
        ],
        "left": [ink.stroke([(0, y), (17, y)], True), ink.dot(17, y)],
        "sure": [ink.whisker(17, 2, 16)],
        "sure_number": [ink.dot(7, y), ink.text(14, y + 3.8, "±1", TEXT)],
        "pure": [home, ink.dashes(0, 34, y - 5)],
        "beyond": [ink.tear(0, 10, y, PATH_BREAK), ink.text(12, y + 3.8, f"{MINUS}80", TEXT)],
        "unsure": [ink.stroke([(0, y), (17, y)], True), ink.unsure(17, y)],
        "nothing": [home, *ink.nothing(17, y, 16)],
    }
    return ink.svg(34, 18, drawings[kind])


def points_svg(points: float | None, of: float, still_open: float = 0.0) -> str:
    """Points as a row of rings: filled when given, half filled for a half, dotted while open.

    `still_open` of the points wait for the teacher where others are given; without points all do.
    """
    count = max(1, min(MOST_RINGS, round(of)))
    scale = of / count
    given = 0.0 if points is None else points / scale
    first_open = 0 if points is None else count - math.ceil(still_open / scale)
    parts = []
    for i in range(count):
        x, y, r = 6 + i * 13.0, 7.0, 4.6
        if i >= max(first_open, given):
            parts.append(
                f'<circle cx="{ink.place(x)}" cy="{ink.place(y)}" r="{r}" fill="none" '
                f'stroke="{ink.INK}" stroke-width="1.1" stroke-dasharray="1.2 2"/>'
            )
            continue
        share = min(max(given - i, 0.0), 1.0)
        parts.append(
            f'<circle cx="{ink.place(x)}" cy="{ink.place(y)}" r="{r}" '
            f'fill="{ink.INK if share == 1 else "#ffffff"}" stroke="{ink.INK}" stroke-width="1.1"/>'
        )
        if 0 < share < 1:
            parts.append(ink.filled_part(x, y, r, share))
    return ink.svg(count * 13.0, 14, parts)


def _rulers(frame: Frame) -> list[str]:
    parts = [ink.text(PATH_LEFT - 4, frame.y(0) + 3.8, "0", TEXT, "end")]
    for cents in PICTURE_RULERS_CENTS:
        for signed in (cents, -cents):
            y = frame.y(signed)
            parts.append(ink.line(PATH_LEFT - 1.5, y, PATH_LEFT + 3, y, ink.PALE, 0.8))
            if cents == PICTURE_RULERS_CENTS[-1]:
                sign = "+" if signed > 0 else MINUS
                low = min(max(y + 3.8, TEXT - 2), frame.height - 1)
                parts.append(ink.text(PATH_LEFT - 3, low, f"{sign}{cents:g}", TEXT, "end"))
    return parts


def _band(frame: Frame, home: Home) -> list[str]:
    low, high = home.in_tune
    return [
        ink.strokes(PATH_LEFT, PICTURE_RIGHT, frame.y(high), frame.y(low)),
        ink.dots(PATH_LEFT, PICTURE_RIGHT, frame.y(home.close[1])),
        ink.dots(PATH_LEFT, PICTURE_RIGHT, frame.y(home.close[0])),
        *_pure(frame, home),
    ]


def _pure(frame: Frame, home: Home) -> list[str]:
    """The other pitch that counts as right: the pure interval's, or the equal-tempered one."""
    cents = home.pure_cents
    if cents is None:
        return []
    return [ink.dashes(PATH_LEFT, PICTURE_RIGHT, frame.y(cents))]


def _tears(
    corners: list[tuple[float, float, bool | None]],
    notes: list[StudentNote],
    frame: Frame,
    home: Home,
) -> list[str]:
    """The break on each side on which the path leaves the zone that is drawn to scale."""
    sides = _beyond(corners, notes, home)
    edge = frame.zone + PATH_BREAK / 2
    return [
        ink.tear(PATH_LEFT, PICTURE_RIGHT, frame.height / 2 - side * edge, PATH_BREAK)
        for side in sorted(sides)
    ]


def _beyond(
    corners: list[tuple[float, float, bool | None]], notes: list[StudentNote], home: Home
) -> set[float]:
    """The sides (1 high, -1 low) on which a path or a note leaves the zone."""
    cents = [c for _, c, _ in corners]
    cents += [_height(note, home) for note in notes if _is_drawn(note)]
    return {math.copysign(1, c) for c in cents if abs(c) > ZONE_CENTS}


def _path(corners: list[tuple[float, float, bool | None]], frame: Frame) -> list[str]:
    """The path in runs of one kind, each on a white edge that lifts it off what it crosses."""
    if not corners:
        return []
    points = [(frame.x(t), frame.y(c)) for t, c, _ in corners]
    points.append((PATH_WIDTH - REST + 12, points[-1][1]))
    kinds = [*(kind for _, _, kind in corners[1:]), True]
    parts = []
    i = 0
    while i < len(kinds):
        j = i
        while j + 1 < len(kinds) and kinds[j + 1] is kinds[i]:
            j += 1
        run = points[i : j + 2]
        parts.append(ink.polyline(run, "#ffffff", 4.2, ""))
        parts.append(ink.stroke(run, kinds[i]))
        i = j + 1
    return parts


def _soundings(notes: list[StudentNote], frame: Frame, home: Home) -> list[str]:
    """Every note where it sounded: a bead for a pluck, a thick stroke for a bow."""
    beads, strokes = [], []
    for note in sorted(filter(_is_drawn, notes), key=lambda note: note["start_s"]):
        x, y = frame.x(note["start_s"]), frame.y(_height(note, home))
        if _is_bowed(note):
            strokes.append((x, max(frame.x(note["end_s"]), x + 2), y))
        else:
            beads.append((x, y))
    return [ink.beads(beads), ink.bows(strokes)]


def _is_drawn(note: StudentNote) -> bool:
    """Harmonics are left out: their pitch is not the open string's."""
    return note.get("deviation_cents") is not None and note["kind"] != "harmonic"


def _height(note: StudentNote, home: Home) -> float:
    """Where a drawn note stands, in cents from home."""
    return (note["deviation_cents"] or 0.0) - home.cents


def _is_bowed(note: StudentNote) -> bool:
    return note["kind"] in ("bowed", "two_strings")


def _labelled_move(string: StudentString) -> Move | None:
    """The largest upward move, where it is large enough to be talked about."""
    moves = string.get("moves") or []
    largest = max(moves, key=_rise, default=None)
    return largest if largest and _rise(largest) >= LABELLED_MOVE_CENTS else None


def _rise(move: Move) -> float:
    return float(move["to_cents"] - move["from_cents"])


def _labels(
    string: StudentString,
    corners: list[tuple[float, float, bool | None]],
    frame: Frame,
    taken: list[tuple[float, float]],
) -> list[str]:
    """The numbers beside the path: a start beyond the zone, and the largest turn up."""
    wanted = []
    if corners and abs(corners[0][1]) > ZONE_CENTS:
        at_s, cents, _ = corners[0]
        wanted.append((_size(cents), frame.x(at_s), frame.y(cents)))
    if move := _labelled_move(string):
        middle = (frame.y(move["from_cents"]) + frame.y(move["to_cents"])) / 2
        wanted.append((f"+{_rise(move):.0f}", frame.x(move["end_s"]), middle))
    parts = []
    for label, x, y in wanted:
        left, base = _free_place(label, x, y, frame, taken)
        width = len(label) * DIGIT * TEXT
        taken += [(left + k * width / 4, base - TEXT / 3) for k in range(5)]
        parts.append(ink.backed(left, base, width, label, TEXT))
    return parts


def _size(cents: float) -> str:
    return f"{'+' if cents > 0 else MINUS}{abs(cents):.0f}"


def _free_place(
    label: str, x: float, y: float, frame: Frame, taken: list[tuple[float, float]]
) -> tuple[float, float]:
    """Left end and base line of a label near (x, y): inside the picture, clear of what is drawn."""
    width, high = len(label) * DIGIT * TEXT, 0.75 * TEXT
    spots = [
        (
            min(max(x + dx, PATH_LEFT + 2), PATH_WIDTH - REST - width),
            min(max(y + dy, high + 1), frame.height - 1.5),
        )
        for dx in (7, -7 - width, -width / 2, 16, -16 - width, 28, 44)
        for dy in (high / 2, -8, 8 + high, -16, 16 + high)
    ]

    def rank(spot: tuple[float, float]) -> tuple[int, float]:
        left, base = spot
        hit = sum(
            left - 4 < px < left + width + 4 and base - high - 4 < py < base + 4 for px, py in taken
        )
        return hit, math.hypot(left + width / 2 - x, base - high / 2 - y)

    return min(spots, key=rank)


def _taken(
    corners: list[tuple[float, float, bool | None]],
    notes: list[StudentNote],
    frame: Frame,
    home: Home,
) -> list[tuple[float, float]]:
    """Points along everything drawn that a label must not lie on."""
    points = [(frame.x(t), frame.y(c)) for t, c, _ in corners]
    points += [(PATH_WIDTH - REST, points[-1][1])] if points else []
    found = list(points)
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        steps = max(2, int(math.hypot(x1 - x0, y1 - y0) / 3))
        found += [(x0 + (x1 - x0) * k / steps, y0 + (y1 - y0) * k / steps) for k in range(steps)]
    for note in filter(_is_drawn, notes):
        y = frame.y(_height(note, home))
        found += [(frame.x(note["start_s"]), y), (frame.x(note["end_s"]), y)]
    return found


def _ends(
    string: StudentString,
    corners: list[tuple[float, float, bool | None]],
    frame: Frame,
    decimal: str,
) -> list[str]:
    if not corners:
        return ink.nothing((PATH_LEFT + PATH_WIDTH) / 2, frame.y(0), 22)
    parts = [ink.start(frame.x(corners[0][0]), frame.y(corners[0][1]))]
    left = string.get("deviation_cents")
    x = PATH_WIDTH - REST + 12
    if left is None:
        return [*parts, ink.unsure(x, frame.y(corners[-1][1]))]
    numbers = [_size(left)] if abs(left) > ZONE_CENTS else []
    half = string.get("uncertainty_cents")
    if half is not None and _has_bar(string, frame):
        parts.append(ink.whisker(x + 11, frame.y(left + half), frame.y(left - half)))
    elif half is not None:
        numbers.append(f"±{cents_text(half, decimal)}")
    top = frame.y(left) + 3.8 - (TEXT - 1) / 2 * (len(numbers) - 1)
    lowest = frame.height - 1.5 - (TEXT - 1) * (len(numbers) - 1)
    top = min(max(top, 0.75 * TEXT + 1), lowest)
    aside = x + (17 if half is not None and _has_bar(string, frame) else 9)
    parts += [ink.text(aside, top + k * (TEXT - 1), n, TEXT) for k, n in enumerate(numbers)]
    mark = ink.unsure if _is_unsure(string) else ink.dot
    parts.append(mark(x, frame.y(left)))
    return parts


def _has_bar(string: StudentString, frame: Frame) -> bool:
    """Whether the doubt is drawn as a bar: where it is long enough to be seen, inside the zone."""
    left, half = string["deviation_cents"] or 0.0, string["uncertainty_cents"] or 0.0
    length = frame.y(left - half) - frame.y(left + half)
    return abs(left) <= ZONE_CENTS and length >= LEAST_BAR


def _is_unsure(string: StudentString) -> bool:
    return string.get("verdict") == "unsure" or string.get("deviation_cents") is None
