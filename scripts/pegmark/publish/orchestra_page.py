"""The page of the orchestra: a forecast of how the open strings would sound together.

For the teacher alone: it names children. Two sounds stand beside it, all A's as they were left and
as they would be after the corrections it names.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.publish.class_records import class_records
from pegmark.publish.orchestra import (
    WORTH_CENTS,
    Correction,
    Voice,
    a_strings,
    beats_hz,
    between_sections,
    by_pitch,
    by_section,
    corrected,
    corrections,
    partners,
    spread_of,
    voices,
)
from pegmark.publish.orchestra_sound import together
from pegmark.publish.templates import template
from pegmark.render.clips import encode_mp3
from pegmark.render.ink import INK, PALE, VARNISH
from pegmark.signals.audio import RATE_HZ
from pegmark.words.wording import MINUS, number

if TYPE_CHECKING:
    from pegmark.records.student import Record

ORCHESTRA_PAGE = "orchestra.html"
CHART_MARKS = Path(__file__).with_name("class_pictures.marks.js")
AS_LEFT, AFTER = "orchestra/as_left.mp3", "orchestra/after.mp3"
FEW_PLAYERS = 3  # a spread of fewer says little
STEADY_BEATS = 0.25  # a second: one slow wave in four seconds is heard as none
# The ends of a picture's line; what lies beyond stands at its end with a number.
ORCHESTRA_REACH_CENTS = 16.0
ORCHESTRA_WIDTH, HEIGHT, MARGIN = 420.0, 34.0, 34.0  # px of a pitch's picture
HALVES = 0.55  # a spread this much smaller "halves"


def orchestra_pages(
    records: Mapping[str, Record], ticket: Mapping[str, Any]
) -> dict[str, str | bytes | None]:
    """The page and its two sounds by file name; None where the class has fewer than two A's."""
    if not has_forecast(records, ticket):
        return dict.fromkeys((ORCHESTRA_PAGE, AS_LEFT, AFTER))
    heard = voices(class_records(records, ticket), ticket)
    a_voices = a_strings(heard)
    best = corrections(a_voices)
    return {
        ORCHESTRA_PAGE: template("orchestra.html.j2").render(
            view=orchestra_view(heard, best, ticket), script=CHART_MARKS.read_text("utf-8")
        ),
        AS_LEFT: _sound(a_voices),
        AFTER: _sound(corrected(a_voices, best)),
    }


def has_forecast(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> bool:
    """Whether at least two A's of the class are known, so that there is something to forecast."""
    return len(a_strings(voices(class_records(records, ticket), ticket))) > 1


def orchestra_view(
    heard: Sequence[Voice], best: Sequence[Correction], ticket: Mapping[str, Any]
) -> dict[str, Any]:
    """What the page says, by the names that its template uses."""
    a_voices = a_strings(heard)
    return {
        "title": ticket["title"],
        "class_name": ticket["class_name"],
        "all_a": _spread_words(a_voices).capitalize(),
        "pitches": [
            {
                "pitch": pitch,
                "spread": _spread_words(some),
                "sections": [
                    f"{section or 'no section'}: {_spread_words(players)}"
                    for section, players in by_section(some).items()
                    if len(by_section(some)) > 1
                ],
                "picture": voices_svg(pitch, some),
                "apart": _furthest(some),
            }
            for pitch, some in by_pitch(heard).items()
        ],
        "corrections": [_correction(one) for one in best],
        "promise": _promise(a_voices, best),
        "partners": [
            f"{one.name} and {other.name}, {one.string}: {beats_words(beats)}"
            for one, other in partners(heard)
            if (beats := beats_hz(one.f0_hz, other.f0_hz)) is not None
        ],
        "between": _between(a_voices),
        "reach": round(ORCHESTRA_REACH_CENTS),
        "as_left": AS_LEFT,
        "after": AFTER,
    }


def beats_words(beats: float) -> str:
    """Beats in words that an ear can follow."""
    if beats < STEADY_BEATS:
        return "no waves to be heard"
    if beats < 0.75:
        return f"one slow wave every {number(1 / beats, 1)} seconds"
    return f"about {number(beats, 1)} waves a second"


def signed(cents: float) -> str:
    """Cents with their sign, to a tenth."""
    text = number(abs(cents), 1)
    return text if text == "0" else f"{'+' if cents > 0 else MINUS}{text}"


def voices_svg(pitch: str, some: Sequence[Voice]) -> str:
    """Where the strings of one pitch were left, a stroke each; the line's middle is the target.

    Strokes on the left are too low, on the right too high; what lies beyond the line's ends stands
    there with its number.
    """
    middle = ORCHESTRA_WIDTH / 2
    parts = [
        f'<path d="M{MARGIN} 22H{2 * middle - MARGIN:g}" stroke="{VARNISH}" stroke-width="1.4"/>',
        f'<path d="M{middle:g} 4V30" stroke="{PALE}" stroke-width="1.6"/>',
    ]
    for voice in some:
        share = min(abs(voice.cents), ORCHESTRA_REACH_CENTS) / ORCHESTRA_REACH_CENTS
        size = share * (middle - MARGIN)
        x = middle + (size if voice.cents > 0 else -size)
        parts.append(
            f'<g role="img" tabindex="{0 if voice is some[0] else -1}" '
            f'aria-label="{escape(_says(voice))}">'
            f'<path d="M{x - 3:.1f} 8h6v22h-6z" fill="transparent"/>'  # room for a pointer
            f'<path d="M{x:.1f} 10V28" stroke="{INK}" stroke-width="2"/></g>'
        )
    for side, beyond in (
        (MARGIN, min(v.cents for v in some)),
        (ORCHESTRA_WIDTH - MARGIN, max(v.cents for v in some)),
    ):
        if abs(beyond) > ORCHESTRA_REACH_CENTS and (beyond > 0) == (side > middle):
            parts.append(
                f'<text x="{side:g}" y="9" text-anchor="middle" font-size="11" fill="{INK}">'
                f"{signed(beyond)}</text>"
            )
    return (
        f'<svg viewBox="0 0 {ORCHESTRA_WIDTH:g} {HEIGHT:g}" role="group" data-chart '
        f'aria-label="How each player left {escape(pitch)}">'
        f"{''.join(parts)}</svg>"
    )


def _says(voice: Voice) -> str:
    return f"{voice.name}: {signed(voice.cents)} cents"


def _spread_words(some: Sequence[Voice]) -> str:
    """The spread of voices in one line; few players say how few they are."""
    told = spread_of(some)
    if told.spread_cents is None:
        return f"one player, {signed(told.lowest_cents)} cents"
    few = " only" if told.voices < FEW_PLAYERS else ""
    return (
        f"spread {number(told.spread_cents, 1)} cents, from {signed(told.lowest_cents)} to "
        f"{signed(told.highest_cents)} ({told.voices} players{few})"
    )


def _furthest(some: Sequence[Voice]) -> str | None:
    """Who pulls a pitch apart most; None where all are in tune."""
    voice = max(some, key=lambda v: abs(v.cents))
    if len(some) < 2 or abs(voice.cents) <= WORTH_CENTS:
        return None
    return f"furthest off: {voice.name}, {signed(voice.cents)}"


def _between(a_voices: Sequence[Voice]) -> list[str]:
    """The sections whose A's are heard to beat; the others in one line."""
    found = sorted(between_sections(a_voices), key=lambda pair: -pair[2])
    heard = [pair for pair in found if pair[2] >= STEADY_BEATS]
    lines = [f"{one} and {other}: {beats_words(beats)}" for one, other, beats in heard]
    still = len(found) - len(heard)
    if found and still:
        pairs = "pair" if still == 1 else "pairs"
        lines.append(f"{'the other ' if lines else ''}{still} {pairs}: no waves to be heard")
    return lines


def _correction(one: Correction) -> dict[str, str]:
    way = "down" if one.voice.cents > 0 else "up"
    return {
        "who": f"{one.voice.name} ({one.voice.instrument})",
        "what": f"{one.voice.string} {way} by {number(abs(one.voice.cents), 1)} cents",
        "left": f"the spread is then {number(one.spread_cents, 1)} cents",
    }


def _promise(a_voices: Sequence[Voice], best: Sequence[Correction]) -> str:
    """What the corrections together would bring, in one sentence."""
    before = spread_of(a_voices).spread_cents
    if not best or not before:
        return "Every A is in tune, or tuning one again would not bring them closer together."
    after = best[-1].spread_cents
    who = {1: "this one tunes", 2: "these two tune", 3: "these three tune"}[len(best)]
    what = "at least halves" if after <= HALVES * before else "gets smaller"
    return (
        f"If {who} again, the spread of the A's {what}: from {number(before, 1)} to "
        f"{number(after, 1)} cents."
    )


def _sound(some: Sequence[Voice]) -> bytes:
    return encode_mp3(together([voice.f0_hz for voice in some]), RATE_HZ)
