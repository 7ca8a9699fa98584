"""Where pitches rest while a peg is turned: {"pluck_rests", "bow_rests"}, of measure.

Every note of short invented takes about turning (`lab.turning_cases`), a third of them with sampled
players, is read as measure reads it, at the place and pitch that the take's truth gives; kept are
what the rests are read from, and how the string's pitch truly went.

- prices and thresholds: one after the other, in rounds, so that the fewest turns of 5 cents or more
  are missed; a turn that nobody made counts like INVENTED of these. The search begins with what was
  set on trials (takes of seeds from 41 million on) and leaves it only for what does better;
- half-widths: so that the truth is inside for RESTS_INSIDE of rests, short and long ones.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lab.fits.segment import INSTRUMENTS, TABLE
from lab.turning_cases import CASES, turning_take
from pegmark.measure import bow_rests, note_fit, pluck_rests
from pegmark.measure.glide import usual_glide
from pegmark.measure.taken_apart import Prices
from pegmark.signals import stiff_string
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument
from pegmark.trade.turning import TURN_CENTS

CODE = ("pegmark.measure.note_fit",)
SEED, TAKES, HELD = 1_600_000, 32, 16

TURN_MARGIN_S = {"plucked": 0.2, "bowed": 0.35}  # a turn is told that leaves so much on both sides
NEAR_S = 0.2
STILL_CENTS = 1.5  # who turned nothing moved the string by no more
INVENTED = 4.0
RESTS_INSIDE = 0.955
SEARCH_ROUNDS = 2
# What is tried of each number; the first is where the search begins.
PLUCK_CHOICES: dict[str, tuple[float, ...]] = {
    "rest": (9.0, 6.0, 12.0, 16.0),
    "way": (6.0, 3.0, 9.0),
    "way_point": (4.0, 2.5, 6.0),
    "most": (9.0, 6.0, 16.0),
    "bin_cents": (0.7, 0.5, 1.0),
    "course": (0.25, 0.15, 0.4),
    "least_step_cents": (3.0, 2.0, 4.0),
    "least_way_cents": (5.0, 4.0, 7.0),
}
BOW_CHOICES: dict[str, tuple[float, ...]] = {
    "rest": (14.0, 10.0, 18.0),
    "way": (6.0, 3.0, 9.0),
    "way_point": (4.0, 2.5, 6.0),
    "most": (9.0, 6.0, 16.0),
    "stray": (1.5, 1.2, 1.8, 2.1),
    "floor_cents": (0.4, 0.2, 0.7),
    "least_cents": (4.0, 3.5, 4.5, 5.0),
    "least_sds": (1.5, 1.0, 2.0, 2.5),
}
PLUCK_LENGTHS = {"least_points": 2, "least_s": 0.06}
BOW_LENGTHS = {"least_points": 3, "least_s": 0.2}
LENGTH_CHOICES = (0.2, 0.4, 0.7, 1.0, 1.5)  # what a half-width of rests grows by over their length

Heard = list[dict[str, Any]]
Numbers = dict[str, Any]


class Told(NamedTuple):
    """A rest in cents, and its half-width by its own points where it is steady."""

    start_s: float
    end_s: float
    cents: float
    own: float | None


def make(number: int) -> tuple[NDArray[Any], dict[str, Any]]:
    """One take to learn from, (samples,) float16, and its truth."""
    case = list(CASES)[number % len(CASES)]
    instrument = TABLE[INSTRUMENTS[(number // len(CASES)) % 4]]
    audio, truth = turning_take(SEED + number, instrument, case, real=number % 3 == 2)
    return audio.astype(np.float16), truth


def hear(audio: NDArray[Any], truth: dict[str, Any]) -> dict[str, Any]:
    """What the rests of a take's notes are read from, with the ways of their strings."""
    instrument, sound = TABLE[truth["instrument"]], audio.astype(np.float64)
    found: dict[str, Any] = {"plucked": [], "bowed": []}
    for string in instrument.strings:
        notes = [n for n in truth["notes"] if n["string"] == string]
        way = _way(truth, string)
        found["plucked"] += _plucks(sound, notes, instrument, string, way)
        found["bowed"] += _bows(sound, notes, instrument, string, way)
    return found


def _way(truth: dict[str, Any], string: str) -> list[tuple[float, float]]:
    """How a string's pitch went: (s, cents), straight between."""
    way = [(0.0, truth["strings"][string]["start_cents"])]
    moves = [m for m in (*truth["turns"], *truth["slips"]) if m["string"] == string]
    for move in sorted(moves, key=lambda one: one["start_s"]):
        way += [(move["start_s"], move["from_cents"]), (move["end_s"], move["to_cents"])]
    return way


def _plucks(
    sound: NDArray[Any], notes: Sequence[Any], instrument: Instrument, string: str, way: Any
) -> Iterator[dict[str, Any]]:
    body, readings = stiff_string.Body(*instrument.body), []
    for note in notes:
        fit = note_fit.fit_note(
            sound, RATE_HZ, note, b_prior=instrument.stiffness, body=body
        ) if note["kind"] == "plucked" else None  # fmt: skip
        if fit is not None and fit.reading is not None:
            readings.append((note["start_s"], fit.reading))
    energy = np.array([reading.energy for _, reading in readings])
    glide = np.array([reading.glide for _, reading in readings])
    for place, (start_s, reading) in enumerate(readings):
        others = np.arange(len(readings)) != place
        usual = None
        if others.any():
            usual = usual_glide(energy[place], energy[others], glide[others])
        solved = reading.solve(instrument.stiffness, None, body)
        moving = reading.moving(instrument.stiffness, body)
        at = 1200 * np.log2(reading.f1_hz / instrument.hz()[string]) + moving.cents
        bins = note_fit.bins_of(reading, solved.glide, usual)
        yield {
            "bins": [*bins[:3], list(bins.glide), bins.attack_cents],
            "at_cents": float(at),
            "series_se": float(moving.se_cents),
            "way": [(t - start_s, cents) for t, cents in way],
        }


def _bows(
    sound: NDArray[Any], notes: Sequence[Any], instrument: Instrument, string: str, way: Any
) -> Iterator[dict[str, Any]]:
    for note in notes:
        if note["kind"] != "bowed":
            continue
        begin_s, mean = note_fit.bow_mean(
            sound, RATE_HZ, note["start_s"], note["end_s"], note["f0_hz"]
        )
        line = None if isinstance(mean, str) else bow_rests.line_of(mean)
        if line is None or isinstance(mean, str):
            continue
        at = 1200 * np.log2(mean.f0_hz / instrument.hz()[string])
        yield {
            "times_s": line[0],
            "line": line[1],
            "at_cents": float(at),
            "way": [(t - begin_s, cents) for t, cents in way],
        }


def fit(heard: Heard) -> dict[str, Any]:
    """The numbers of both kinds of rests."""
    return {
        "pluck_rests": _fitted(heard, "plucked", PLUCK_CHOICES),
        "bow_rests": _fitted(heard, "bowed", BOW_CHOICES),
    }


def figures(numbers: dict[str, Any], heard: Heard) -> dict[str, Any]:
    """Of notes held back: turns told, invented, and rests inside their half-widths, in per cent."""
    found: dict[str, Any] = {}
    for kind, name in (("plucked", "pluck_rests"), ("bowed", "bow_rests")):
        counts, errors = _counts(heard, kind, numbers[name])
        off = np.abs([error for error, _, _ in errors])
        halves = np.array(_halves(errors, kind, numbers[name]))
        found[kind] = {
            "notes": sum(len(take[kind]) for take in heard),
            "turns": counts[0],
            "told %": 100 * (1 - counts[1] / max(counts[0], 1)),
            "invented": counts[2],
            "rests": len(errors),
            "error p95": float(np.percentile(off, 95)),
            "half-width p50": float(np.median(halves)),
            "inside %": 100 * float(np.mean(off <= halves)),
        }
    return found


def _fitted(heard: Heard, kind: str, choices: dict[str, tuple[float, ...]]) -> Numbers:
    chosen = {name: values[0] for name, values in choices.items()}

    def loss(tried: dict[str, float]) -> float:
        (_, missed, invented), _ = _counts(heard, kind, _numbers(kind, tried))
        return missed + INVENTED * invented

    best = loss(chosen)
    for _ in range(SEARCH_ROUNDS):
        for name, values in choices.items():
            for value in values:
                if value == chosen[name]:
                    continue
                if (now := loss(chosen | {name: value})) < best:
                    best, chosen = now, chosen | {name: value}
    return _widths(heard, kind, _numbers(kind, chosen))


def _numbers(kind: str, tried: dict[str, float]) -> Numbers:
    """As the file has them, with half-widths of 1 (plucks) or 0 (bows) and nothing by length."""
    prices = {name: tried[name] for name in ("rest", "way", "way_point", "most")}
    plucked = kind == "plucked"
    own = {name: value for name, value in tried.items() if name not in prices}
    widths = {"half_width": 1.0} if plucked else {"half_cents": 1.0}
    lengths = PLUCK_LENGTHS if plucked else BOW_LENGTHS
    return {"prices": prices | lengths, **own, **widths, "half_cent_s": 0.0}


def _widths(heard: Heard, kind: str, numbers: Numbers) -> Numbers:
    """The numbers with half-widths that hold RESTS_INSIDE of rests, the narrowest on the whole."""
    name = "half_width" if kind == "plucked" else "half_cents"
    errors = _counts(heard, kind, numbers)[1]
    off = np.abs([error for error, _, _ in errors])
    found = []
    for by_length in LENGTH_CHOICES:
        low, high = 0.02, 8.0
        for _ in range(20):
            middle = (low * high) ** 0.5
            tried = numbers | {name: round(middle, 3), "half_cent_s": by_length}
            halves = np.array(_halves(errors, kind, tried))
            low, high = (low, middle) if np.mean(off <= halves) >= RESTS_INSIDE else (middle, high)
        found.append((float(halves.mean()), tried))
    return min(found, key=lambda one: one[0])[1]


def _halves(
    errors: Sequence[tuple[float, float, float]], kind: str, numbers: Numbers
) -> list[float]:
    """The half-width of each rest."""
    if kind == "plucked":
        pluck = _pluck_numbers(numbers)
        return [pluck_rests.rest_half_width(own, lasts, pluck) for _, own, lasts in errors]
    bow = _bow_numbers(numbers)
    return [bow_rests.half_width(lasts, bow) for _, _, lasts in errors]


def _pluck_numbers(numbers: Numbers) -> pluck_rests.Numbers:
    return pluck_rests.Numbers(**{**numbers, "prices": Prices.of(numbers["prices"])})


def _bow_numbers(numbers: Numbers) -> bow_rests.Numbers:
    return bow_rests.Numbers(**{**numbers, "prices": Prices.of(numbers["prices"])})


def _counts(
    heard: Heard, kind: str, numbers: Numbers
) -> tuple[tuple[int, int, int], list[tuple[float, float, float]]]:
    """((turns, of these missed, invented), (error, own half-width, length) of each rest)."""
    turns = missed = invented = 0
    errors: list[tuple[float, float, float]] = []
    read = _read_pluck(numbers) if kind == "plucked" else _read_bow(numbers)
    for note in (note for take in heard for note in take[kind]):
        begin_s, end_s, rests = read(note)
        way = np.array(note["way"])
        steps = list(pairwise(rests))
        for (t0, c0), (t1, c1) in pairwise(note["way"]):
            first = TURN_MARGIN_S[kind]
            whole = begin_s + first < t0 and t1 < end_s - first
            if whole and abs(c1 - c0) >= TURN_CENTS:
                turns += 1
                missed += not any(
                    a.end_s < t1 + NEAR_S
                    and b.start_s > t0 - NEAR_S
                    and (b.cents - a.cents) * (c1 - c0) > 0
                    for a, b in steps
                )
        for a, b in steps:
            middles = (a.start_s + a.end_s) / 2, (b.start_s + b.end_s) / 2
            moved = np.ptp(np.interp(middles, way[:, 0], way[:, 1]))
            invented += bool(moved < STILL_CENTS)
        for rest in rests:
            if rest.own is not None:
                middle = np.linspace(rest.start_s, rest.end_s, 9)
                true = float(np.median(np.interp(middle, way[:, 0], way[:, 1])))
                off = rest.cents + note["at_cents"] - true
                errors.append((off, rest.own, rest.end_s - rest.start_s))
    return (turns, missed, invented), errors


Read = Callable[[dict[str, Any]], tuple[float, float, list[Told]]]


def _read_pluck(numbers: Numbers) -> Read:
    rest_numbers = _pluck_numbers(numbers)

    def read(note: dict[str, Any]) -> tuple[float, float, list[Told]]:
        times_s, cents, se, glide, attack = note["bins"]
        bins = pluck_rests.Bins(times_s, cents, se, pluck_rests.Glide(*glide), attack)
        if not len(times_s):
            return 0.0, 0.0, []
        rests, _ = pluck_rests.pluck_rests(bins, rest_numbers)
        told = []
        for rest in rests:
            own = note_fit.own_half(rest, note["series_se"]) if rest.steady else None
            told.append(Told(rest.start_s, rest.end_s, rest.cents, own))
        return float(times_s[0]), float(times_s[-1]), told

    return read


def _read_bow(numbers: Numbers) -> Read:
    rest_numbers = _bow_numbers(numbers)

    def read(note: dict[str, Any]) -> tuple[float, float, list[Told]]:
        rests = bow_rests.rests_of_line(note["times_s"], note["line"], rest_numbers)
        times = note["times_s"]
        return float(times[0]), float(times[-1]), [Told(*rest) for rest in rests]

    return read
