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

Heights are signed logarithms of cents (`Frame.y`), since a start 80 cents away and an end 2 cents
away must be told in one picture two centimetres high. Nothing depends on colour.

All lengths are CSS pixels (1/96 inch). Every picture of a take shares one `Frame`, so that the
strings can be read under each other in time. SVG of shapes and a few digits only, without ids,
styles or references, so that it can stand in a page any number of times.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from pegmark.trade.instruments import OpenStrings
from pegmark.trade.pitch import cents_between
from pegmark.words.wording import MINUS, clock

INK = "#1f2733"  # text and path; 15:1 on white
VARNISH = "#7d4a26"  # the home line and its strokes; 7:1 on white
STROKES = "#9a7558"  # the strokes of the in-tune band; 4:1 on white, lighter than the path
PALE = "#8c8279"  # rulers: 3.8:1 on white
FONT = "Noto Sans, DejaVu Sans, sans-serif"

WIDTH = 460.0
HIGH = 66.0  # the usual height of a picture
TEXT = 10.8  # px of the smallest letters: 8 points where a sheet's picture is narrowest (A4)
LEFT = 30.0  # room for the ruler's numbers
MARGIN = 8.0  # before the first and after the last moment, so that marks stay whole
REST = 34.0  # the place at the right where the string comes to rest
STRETCH_CENTS = 3.0  # the scale is linear well below this and logarithmic above: the default
# in-tune tolerance, so that "in tune" fills about a fifth of the picture's height
REACHES_CENTS = (60.0, 120.0, 250.0, 500.0, 1000.0)  # half-heights a picture can have
RULERS_CENTS = (10.0, 50.0, 200.0)  # a picture shows the first and its largest
STROKE_STEP = 4.8  # px between the strokes of the in-tune band
LABELLED_MOVE_CENTS = 40.0  # upward moves from here on carry their size
SAME_CENTS = 0.5  # levels nearer than this are one level: a tenth of the smallest turn
TURN_CENTS = 5.0  # a smaller change is scatter, not a turn or a slip (design, section 3)
TICKS_S = (2, 5, 10, 15, 30, 60, 120, 300)
MOST_RINGS = 6  # more points than this share rings
TICK_ROOM = 52.0  # px a label of the time line needs
# What a picture can show, in the key's order.
KINDS = ("start", "pluck", "bow", "sounding", "silent", "unheard", "size",
         "left", "sure", "unsure", "nothing", "in_tune", "close")  # fmt: skip


@dataclass(frozen=True)
class Frame:
    """The span of time and pitch that all pictures of one take share."""

    start_s: float
    end_s: float
    reach_cents: float
    height: float = HIGH

    def x(self, t_s: float) -> float:
        """Horizontal place of a time in the take."""
        share = (t_s - self.start_s) / (self.end_s - self.start_s)
        room = WIDTH - REST - LEFT - 2 * MARGIN
        return LEFT + MARGIN + min(max(share, 0.0), 1.0) * room

    def y(self, cents: float) -> float:
        """Vertical place of a deviation: signed logarithm, cut at the picture's reach."""
        size = min(abs(cents), self.reach_cents)
        share = math.log1p(size / STRETCH_CENTS) / math.log1p(self.reach_cents / STRETCH_CENTS)
        return self.height / 2 - math.copysign(share, cents) * (self.height / 2 - 5)


@dataclass(frozen=True)
class Home:
    """Where a string is at home: `cents` from its target, and the tolerances around that place.

    `in_tune` and `close` reach from low to high, counted from home.
    """

    cents: float
    in_tune: tuple[float, float]
    close: tuple[float, float]


def home_of(record: dict[str, Any], name: str, instrument: OpenStrings | None) -> Home:
    """Where a string may stand: its span, plus the tolerance on both sides.

    The span is what the string was judged by, where the record says so (`home_cents`: the A it
    was tuned to by ear, or the neighbour it was tuned to). Else it reaches from the
    equal-tempered to the pure target, since either counts as right (design, section 4).
    """
    tolerance = record["tolerances"][name]
    string = record["strings"][name]
    low, high = string.get("home_cents") or _targets(record, name, instrument)
    cents = string.get("zero_cents", min(max(0.0, low), high))
    low, high = low - cents, high - cents
    near, far = tolerance["in_tune_cents"], tolerance["close_cents"]
    return Home(cents, (low - near, high + near), (low - far, high + far))


def from_home(string: dict[str, Any], home: Home) -> dict[str, Any]:
    """The entry of a string with all its cents counted from home instead of from its target."""

    def shifted(value: float | None) -> float | None:
        return None if value is None else value - home.cents

    moves = [
        {**m, "from_cents": m["from_cents"] - home.cents, "to_cents": m["to_cents"] - home.cents}
        for m in string.get("moves") or []
    ]
    ends = {key: shifted(string.get(key)) for key in ("start_cents", "deviation_cents")}
    return {**string, **ends, "moves": moves}


def _targets(
    record: dict[str, Any], name: str, instrument: OpenStrings | None
) -> tuple[float, float]:
    """The equal-tempered and the pure target in cents from the record's target, low to high."""
    if instrument is None or name not in instrument.strings:
        return 0.0, 0.0
    pure = cents_between(instrument.pure_hz()[name], instrument.hz()[name])
    other = -pure if record["reference"]["temperament"] == "pure" else pure
    return min(0.0, other), max(0.0, other)


def frame_of(record: dict[str, Any], height: float = HIGH) -> Frame:
    """The frame for all pictures of a record: from the first note to the last."""
    notes = [note for note in record.get("notes") or [] if note.get("string")]
    strings = (record.get("strings") or {}).values()
    times = [note["start_s"] for note in notes] + [note["end_s"] for note in notes]
    cents = [0.0]
    for string in strings:
        for key in ("start_cents", "deviation_cents"):
            if string.get(key) is not None:
                cents.append(abs(string[key]))
        for move in string.get("moves") or []:
            times += [move["start_s"], move["end_s"]]
            cents += [abs(move["from_cents"]), abs(move["to_cents"])]
    start, end = (min(times), max(times)) if times else (0.0, 10.0)
    reach = next((r for r in REACHES_CENTS if r >= max(cents)), REACHES_CENTS[-1])
    return Frame(start, max(end, start + 5.0), reach, height)


def path_points(string: dict[str, Any], frame: Frame) -> list[tuple[float, float, bool | None]]:
    """The path as corners (t_s, cents, how it was reached).

    The third entry is True for a level or a turn that sounded, False for a silent turn and
    None where it is not known how the string got there (also a slip).
    """
    moves = sorted(string.get("moves") or [], key=lambda move: move["start_s"])
    level = string.get("start_cents")
    if level is None:
        level = moves[0]["from_cents"] if moves else string.get("deviation_cents")
    if level is None:
        return []
    begin = string.get("first_s")
    start_s = min([begin if begin is not None else frame.end_s, *(m["start_s"] for m in moves)])
    corners: list[tuple[float, float, bool | None]] = [(start_s, level, True)]
    for move in moves:
        if abs(move["from_cents"] - level) > SAME_CENTS:
            corners.append((move["start_s"], move["from_cents"], None))
        else:
            corners.append((move["start_s"], level, True))
        corners.append((move["end_s"], move["to_cents"], move.get("sounding")))
        level = move["to_cents"]
    left = string.get("deviation_cents")
    if left is not None and abs(left - level) > SAME_CENTS:
        at_s = max(string.get("at_s") or corners[-1][0], corners[-1][0])
        corners.append((at_s, left, None if abs(left - level) > TURN_CENTS else True))
    return corners


def _corners(
    string: dict[str, Any], notes: list[dict[str, Any]], frame: Frame
) -> list[tuple[float, float, bool | None]]:
    first_s = min((note["start_s"] for note in notes), default=None)
    return path_points({**string, "first_s": first_s}, frame)


def string_svg(
    string: dict[str, Any], notes: list[dict[str, Any]], frame: Frame, home: Home, rank: int
) -> str:
    """The picture of one string, as SVG text of `WIDTH` by the frame's height in pixels.

    `string` is an entry of the record's strings, `notes` the record's notes on that string,
    `rank` its place from the highest (0), which sets how thick its home line is.
    """
    string = from_home(string, home)
    corners = _corners(string, notes, frame)
    parts = [
        *_rulers(frame),
        *_band(frame, home),
        _line(LEFT, frame.y(0), WIDTH, frame.y(0), VARNISH, 0.9 + 0.45 * rank),
        *_path(corners, frame),
        *_soundings(notes, frame, home),
        *_move_labels(string, frame),
        *_ends(string, corners, frame),
    ]
    return _svg(WIDTH, frame.height, parts)


def kinds_shown(record: dict[str, Any]) -> list[str]:
    """Those of `KINDS` that the pictures of a record hold, in the key's order."""
    frame = frame_of(record)
    shown = {"in_tune", "close"}
    for name, string in record["strings"].items():
        notes = [note for note in record["notes"] if note.get("string") == name]
        corners = _corners(string, notes, frame)
        shown |= {"bow" if _is_bowed(note) else "pluck" for note in notes if _is_drawn(note)}
        if not corners:
            shown.add("nothing")
            continue
        shown |= {"start", "unsure" if _is_unsure(string) else "left"}
        shown |= {"sounding" for move in string.get("moves") or [] if move.get("sounding")}
        shown |= {"unheard" if how is None else "silent" for *_, how in corners if not how}
        if _labelled_move(string):
            shown.add("size")
        if None not in (string.get("deviation_cents"), string.get("uncertainty_cents")):
            shown.add("sure")
    return [kind for kind in KINDS if kind in shown]


def axis_svg(frame: Frame) -> str:
    """The time line under the pictures: minutes and seconds of the take."""
    span = frame.end_s - frame.start_s
    most = (WIDTH - REST - LEFT) / TICK_ROOM
    step = next((t for t in TICKS_S if span / t <= most), TICKS_S[-1])
    parts = [_line(frame.x(frame.start_s), 1, frame.x(frame.end_s), 1, PALE, 0.8)]
    t = math.ceil(frame.start_s / step) * step
    while t <= frame.end_s:
        x = frame.x(t)
        parts.append(_line(x, 1, x, 4.5, PALE, 0.8))
        parts.append(_text(x, 14, clock(t), TEXT, "middle"))
        t += step
    return _svg(WIDTH, 18, parts)


def key_svg(kind: str) -> str:
    """A small drawing for the key; `kind` is one of `KINDS`."""
    y = 9.0
    home = _line(0, y, 34, y, VARNISH, 1.6)
    drawings = {
        "start": [_start(17, y)],
        "pluck": [_stroke([(3, y), (31, y)], True), _beads([(11, y), (23, y)])],
        "bow": [_stroke([(3, y), (31, y)], True), _bows([(8, 26, y)])],
        "in_tune": [_strokes(0, 34, y - 6, y + 6), home],
        "close": [_dots(0, 34, 3), _dots(0, 34, 15), home],
        "sounding": [_stroke([(3, 15), (13, 15), (22, 4), (31, 4)], True)],
        "silent": [_stroke([(3, 15), (12, 15)], True), _stroke([(12, 15), (31, 4)], False)],
        "unheard": [_stroke([(3, 4), (12, 4)], True), _stroke([(12, 4), (31, 15)], None)],
        "size": [_stroke([(1, 15), (5, 15), (9, 4), (13, 4)], True), _text(12, 16, "+45", TEXT)],
        "left": [_stroke([(0, y), (17, y)], True), _dot(17, y)],
        "sure": [_whisker(17, 2, 16)],
        "unsure": [_stroke([(0, y), (17, y)], True), _unsure(17, y)],
        "nothing": [home, *_nothing(17, y, 16)],
    }
    return _svg(34, 18, drawings[kind])


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
                f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{r}" fill="none" stroke="{INK}" '
                'stroke-width="1.1" stroke-dasharray="1.2 2"/>'
            )
            continue
        share = min(max(given - i, 0.0), 1.0)
        parts.append(
            f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{r}" fill="{INK if share == 1 else "#ffffff"}" '
            f'stroke="{INK}" stroke-width="1.1"/>'
        )
        if 0 < share < 1:
            parts.append(_filled_part(x, y, r, share))
    return _svg(count * 13.0, 14, parts)


def _filled_part(x: float, y: float, r: float, share: float) -> str:
    """The part of a ring from its left edge that covers `share` of its width."""
    edge = -r + 2 * r * share
    half = math.sqrt(r * r - edge * edge)
    large = 1 if share > 0.5 else 0
    return (
        f'<path d="M{_n(x + edge)} {_n(y - half)}A{r} {r} 0 {large} 0 {_n(x + edge)} '
        f'{_n(y + half)}Z" fill="{INK}"/>'
    )


def _rulers(frame: Frame) -> list[str]:
    parts = []
    fitting = [cents for cents in RULERS_CENTS if cents <= 0.8 * frame.reach_cents]
    near, far = fitting[0], fitting[-1]
    for cents in [near, far] if frame.y(near) - frame.y(far) >= TEXT - 1 else [near]:
        for signed in (cents, -cents):
            y = frame.y(signed)
            parts.append(_line(LEFT - 1.5, y, LEFT + 3, y, PALE, 0.8))
            sign = "+" if signed > 0 else MINUS
            parts.append(_text(LEFT - 3, y + 3.8, f"{sign}{cents:g}", TEXT, "end"))
    return parts


def _band(frame: Frame, home: Home) -> list[str]:
    low, high = home.in_tune
    return [
        _strokes(LEFT, WIDTH, frame.y(high), frame.y(low)),
        _dots(LEFT, WIDTH, frame.y(home.close[1])),
        _dots(LEFT, WIDTH, frame.y(home.close[0])),
    ]


def _path(corners: list[tuple[float, float, bool | None]], frame: Frame) -> list[str]:
    """The path in runs of one kind, each on a white edge that lifts it off what it crosses."""
    if not corners:
        return []
    points = [(frame.x(t), frame.y(c)) for t, c, _ in corners]
    points.append((WIDTH - REST / 2, points[-1][1]))
    kinds = [*(kind for _, _, kind in corners[1:]), True]
    parts = []
    i = 0
    while i < len(kinds):
        j = i
        while j + 1 < len(kinds) and kinds[j + 1] is kinds[i]:
            j += 1
        run = points[i : j + 2]
        parts.append(_polyline(run, "#ffffff", 4.2, ""))
        parts.append(_stroke(run, kinds[i]))
        i = j + 1
    return parts


def _soundings(notes: list[dict[str, Any]], frame: Frame, home: Home) -> list[str]:
    """Every note where it sounded: a bead for a pluck, a thick stroke for a bow."""
    beads, strokes = [], []
    for note in sorted(filter(_is_drawn, notes), key=lambda note: note["start_s"]):
        x, y = frame.x(note["start_s"]), frame.y(note["deviation_cents"] - home.cents)
        if _is_bowed(note):
            strokes.append((x, max(frame.x(note["end_s"]), x + 2), y))
        else:
            beads.append((x, y))
    return [_beads(beads), _bows(strokes)]


def _is_drawn(note: dict[str, Any]) -> bool:
    """Harmonics are left out: their pitch is not the open string's."""
    return note.get("deviation_cents") is not None and note["kind"] != "harmonic"


def _is_bowed(note: dict[str, Any]) -> bool:
    return note["kind"] in ("bowed", "two_strings")


def _beads(places: list[tuple[float, float]]) -> str:
    return "".join(f'<circle cx="{_n(x)}" cy="{_n(y)}" r="1.9" fill="{INK}"/>' for x, y in places)


def _bows(places: list[tuple[float, float, float]]) -> str:
    d = "".join(f"M{_n(x0)} {_n(y)}H{_n(x1)}" for x0, x1, y in places)
    return f'<path d="{d}" fill="none" stroke="{INK}" stroke-width="3.6"/>' if d else ""


def _labelled_move(string: dict[str, Any]) -> dict[str, Any] | None:
    """The largest upward move, where it is large enough to be talked about."""
    moves: list[dict[str, Any]] = string.get("moves") or []
    largest = max(moves, key=_rise, default=None)
    return largest if largest and _rise(largest) >= LABELLED_MOVE_CENTS else None


def _rise(move: dict[str, Any]) -> float:
    return float(move["to_cents"] - move["from_cents"])


def _move_labels(string: dict[str, Any], frame: Frame) -> list[str]:
    move = _labelled_move(string)
    if move is None:
        return []
    label = f"+{_rise(move):.0f}"
    foot, top = frame.y(move["from_cents"]), frame.y(move["to_cents"])
    # Right of the slope's foot, where an upward path leaves the paper free; over a slope too low
    # for that, which has free paper to the left of its top.
    if foot - top >= TEXT:
        return [_text(frame.x(move["end_s"]) + 3, foot + 1, label, TEXT)]
    right = max(frame.x(move["end_s"]), LEFT + len(label) * TEXT)
    return [_text(right, top - 4, label, TEXT, "end")]


def _ends(
    string: dict[str, Any], corners: list[tuple[float, float, bool | None]], frame: Frame
) -> list[str]:
    if not corners:
        return _nothing((LEFT + WIDTH) / 2, frame.y(0), 22)
    parts = [_start(frame.x(corners[0][0]), frame.y(corners[0][1]))]
    left = string.get("deviation_cents")
    x = WIDTH - REST / 2
    if left is None:
        return [*parts, _unsure(x, frame.y(corners[-1][1]))]
    half = string.get("uncertainty_cents")
    if half is not None:
        parts.append(_whisker(x + 10, frame.y(left + half), frame.y(left - half)))
    mark = _unsure if _is_unsure(string) else _dot
    parts.append(mark(x, frame.y(left)))
    return parts


def _is_unsure(string: dict[str, Any]) -> bool:
    return string.get("verdict") == "unsure" or string.get("deviation_cents") is None


def _nothing(x: float, y: float, size: float) -> list[str]:
    """A string that was not heard: a question in place of its path."""
    blank = f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{size * 0.64:.3g}" fill="#ffffff"/>'
    return [blank, _text(x, y + size * 0.36, "?", size, "middle")]


def _unsure(x: float, y: float) -> str:
    """In the place of the filled dot where the machine would not stake a grade on it."""
    ring = f'<circle cx="{_n(x)}" cy="{_n(y)}" r="7" fill="#ffffff" stroke="{INK}" '
    dashes = 'stroke-width="1.2" stroke-dasharray="1.6 2"/>'
    return ring + dashes + _text(x, y + 3.8, "?", 11, "middle")


def _start(x: float, y: float) -> str:
    return (
        f'<circle cx="{_n(x)}" cy="{_n(y)}" r="4.2" fill="#ffffff" stroke="{INK}" '
        'stroke-width="1.6"/>'
    )


def _dot(x: float, y: float) -> str:
    return (
        f'<circle cx="{_n(x)}" cy="{_n(y)}" r="5.4" fill="{INK}" stroke="#ffffff" '
        'stroke-width="1.2"/>'
    )


def _whisker(x: float, top: float, bottom: float) -> str:
    d = f"M{_n(x - 3)} {_n(top)}h6M{_n(x)} {_n(top)}V{_n(bottom)}M{_n(x - 3)} {_n(bottom)}h6"
    return (
        f'<path d="{d}" fill="none" stroke="#ffffff" stroke-width="3.4"/>'
        f'<path d="{d}" fill="none" stroke="{INK}" stroke-width="1.3"/>'
    )


def _strokes(x0: float, x1: float, top: float, bottom: float) -> str:
    count = int((x1 - x0) / STROKE_STEP)
    d = "".join(f"M{_n(x0 + (i + 0.5) * STROKE_STEP)} {_n(top)}V{_n(bottom)}" for i in range(count))
    return f'<path d="{d}" fill="none" stroke="{STROKES}" stroke-width="0.8"/>'


def _dots(x0: float, x1: float, y: float) -> str:
    return (
        f'<path d="M{_n(x0)} {_n(y)}H{_n(x1)}" fill="none" stroke="{VARNISH}" '
        'stroke-width="1.1" stroke-dasharray="1.1 4.4"/>'
    )


def _stroke(points: list[tuple[float, float]], sounding: bool | None) -> str:
    dash = {True: "", False: "4.5 3", None: "1.4 2.6"}[sounding]
    return _polyline(points, INK, 2.1, dash)


def _polyline(points: list[tuple[float, float]], colour: str, width: float, dash: str) -> str:
    d = "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points)
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="{d}" fill="none" stroke="{colour}" stroke-width="{width}" '
        f'stroke-linejoin="round"{dashes}/>'
    )


def _line(x0: float, y0: float, x1: float, y1: float, colour: str, width: float) -> str:
    return (
        f'<path d="M{_n(x0)} {_n(y0)}L{_n(x1)} {_n(y1)}" fill="none" stroke="{colour}" '
        f'stroke-width="{width:g}"/>'
    )


def _text(x: float, y: float, text: str, size: float, anchor: str = "start") -> str:
    return (
        f'<text x="{_n(x)}" y="{_n(y)}" font-family="{FONT}" font-size="{size:g}" '
        f'text-anchor="{anchor}" fill="{INK}">{text}</text>'
    )


def _svg(width: float, height: float, parts: list[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}">{"".join(parts)}</svg>'
    )


def _n(value: float) -> str:
    """A coordinate with two decimals at most."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
