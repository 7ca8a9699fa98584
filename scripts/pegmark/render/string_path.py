"""The path of a string through a take, and the frame of time and pitch it is drawn in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pegmark.trade.instruments import OpenStrings
from pegmark.trade.pitch import cents_between
from pegmark.trade.turning import TURN_CENTS

if TYPE_CHECKING:
    from pegmark.records.student import Move, Record, StudentNote, StudentString

PATH_WIDTH = 460.0
HIGH = 72.0  # the usual height of a picture
PATH_LEFT = 30.0  # room for the ruler's numbers
PATH_MARGIN = 8.0  # before the first and after the last moment, so that marks stay whole
REST = 60.0  # the place at the right where the string comes to rest, with its numbers
REST_LINE = 19.0  # of which the lines run on; the numbers stand on clean paper
PATH_EDGE = 5.0  # px above and below the outermost pitch, so that marks stay whole
ZONE_CENTS = 20.0  # what decides is drawn to scale up to here: twice the usual "close" and more
ZONE_SHARE = 0.75  # of the half height, where something lies beyond the zone
PATH_BREAK = 4.0  # px of the break between the zone and what lies beyond
REACHES_CENTS = (60.0, 120.0, 250.0, 500.0, 1000.0)  # half-heights a picture can have
PATH_SAME_CENTS = 0.5  # levels nearer than this are one level: a tenth of the smallest turn
TWO_TARGETS_CENTS = 1.0  # nearer targets would be one line


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
        room = PATH_WIDTH - REST - PATH_LEFT - 2 * PATH_MARGIN
        return PATH_LEFT + PATH_MARGIN + min(max(share, 0.0), 1.0) * room

    @property
    def zone(self) -> float:
        """Half the height of the zone that is drawn to scale, in pixels."""
        half = self.height / 2 - PATH_EDGE
        return half if self.reach_cents <= ZONE_CENTS else ZONE_SHARE * half

    def y(self, cents: float) -> float:
        """Vertical place of a deviation.

        Linear up to `ZONE_CENTS`; what lies beyond stands past the break, on a logarithm of the
        cents, cut at the picture's reach: there the number beside it tells the size.
        """
        size = min(abs(cents), max(self.reach_cents, ZONE_CENTS))
        away = self.zone * min(size, ZONE_CENTS) / ZONE_CENTS
        if size > ZONE_CENTS:
            share = math.log(size / ZONE_CENTS) / math.log(self.reach_cents / ZONE_CENTS)
            away += PATH_BREAK + share * (self.height / 2 - PATH_EDGE - self.zone - PATH_BREAK)
        return self.height / 2 - math.copysign(away, cents)


@dataclass(frozen=True)
class Home:
    """Where a string is at home: `cents` from its target, and the tolerances around that place.

    `in_tune`, `close` and `targets` reach from low to high, counted from home; `targets` spans the
    pitches that count as right, home among them.
    """

    cents: float
    in_tune: tuple[float, float]
    close: tuple[float, float]
    targets: tuple[float, float] = (0.0, 0.0)

    @property
    def pure_cents(self) -> float | None:
        """Where the other pitch stands that counts as right, if it is worth a line of its own."""
        furthest = max(self.targets, key=abs)
        return furthest if abs(furthest) >= TWO_TARGETS_CENTS else None


def home_of(record: Record, name: str, instrument: OpenStrings | None) -> Home:
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
    return Home(cents, (low - near, high + near), (low - far, high + far), (low, high))


def from_home(string: StudentString, home: Home) -> StudentString:
    """The entry of a string with all its cents counted from home instead of from its target."""

    def shifted(value: float | None) -> float | None:
        return None if value is None else value - home.cents

    moves: list[Move] = [
        {**m, "from_cents": m["from_cents"] - home.cents, "to_cents": m["to_cents"] - home.cents}
        for m in string.get("moves") or []
    ]
    return {
        **string,
        "start_cents": shifted(string.get("start_cents")),
        "deviation_cents": shifted(string.get("deviation_cents")),
        "moves": moves,
    }


def _targets(record: Record, name: str, instrument: OpenStrings | None) -> tuple[float, float]:
    """The equal-tempered and the pure target in cents from the record's target, low to high."""
    if instrument is None or name not in instrument.strings:
        return 0.0, 0.0
    pure = cents_between(instrument.pure_hz()[name], instrument.hz()[name])
    other = -pure if record["reference"]["temperament"] == "pure" else pure
    return min(0.0, other), max(0.0, other)


def frame_of(record: Record, height: float = HIGH) -> Frame:
    """The frame for all pictures of a record: from the first note to the last."""
    notes = [note for note in record.get("notes") or [] if note.get("string")]
    strings = (record.get("strings") or {}).values()
    times = [note["start_s"] for note in notes] + [note["end_s"] for note in notes]
    cents = [0.0]
    for string in strings:
        ends = (string.get("start_cents"), string.get("deviation_cents"))
        cents += [abs(value) for value in ends if value is not None]
        for move in string.get("moves") or []:
            times += [move["start_s"], move["end_s"]]
            cents += [abs(move["from_cents"]), abs(move["to_cents"])]
    start, end = (min(times), max(times)) if times else (0.0, 10.0)
    reaches = (ZONE_CENTS, *REACHES_CENTS)
    reach = next((r for r in reaches if r >= max(cents)), reaches[-1])
    return Frame(start, max(end, start + 5.0), reach, height)


def path_points(
    string: StudentString, frame: Frame, first_s: float | None = None
) -> list[tuple[float, float, bool | None]]:
    """The path as corners (t_s, cents, how it was reached), from the string's first note on.

    The third entry is True for a level or a turn that sounded, False for a silent turn and
    None where it is not known how the string got there (also a slip).
    """
    moves = sorted(string.get("moves") or [], key=lambda move: move["start_s"])
    level = string.get("start_cents")
    if level is None:
        level = moves[0]["from_cents"] if moves else string.get("deviation_cents")
    if level is None:
        return []
    begin_s = frame.end_s if first_s is None else first_s
    start_s = min([begin_s, *(m["start_s"] for m in moves)])
    corners: list[tuple[float, float, bool | None]] = [(start_s, level, True)]
    for move in moves:
        if abs(move["from_cents"] - level) > PATH_SAME_CENTS:
            corners.append((move["start_s"], move["from_cents"], None))
        else:
            corners.append((move["start_s"], level, True))
        corners.append((move["end_s"], move["to_cents"], move.get("sounding")))
        level = move["to_cents"]
    left = string.get("deviation_cents")
    if left is not None and abs(left - level) > PATH_SAME_CENTS:
        at_s = max(string.get("at_s") or corners[-1][0], corners[-1][0])
        corners.append((at_s, left, None if abs(left - level) > TURN_CENTS else True))
    return corners


def corners_of(
    string: StudentString, notes: list[StudentNote], frame: Frame
) -> list[tuple[float, float, bool | None]]:
    first_s = min((note["start_s"] for note in notes), default=None)
    return path_points(string, frame, first_s)
