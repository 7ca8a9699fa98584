"""Bows that somebody spoke over: read from where the voice has ended.

A voice pulls what is read of a bow by some cents (demo class: a sampled bow under speech was read
2.6 cents low, its own last second and a half 1.5; librosa and Praat read 1.9 and 1.3 there).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from pegmark.measure.note_fit import NoteFit, fit_note
from pegmark.signals.frames import Real
from pegmark.signals.stiff_string import Body
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import NamedNote, Span

CLEAR_BOW_S = 1.2  # of a bow after the last word: with its ends left out, enough to be read from


def clear_of_speech(
    audio: Real,
    rate_hz: float,
    notes: Sequence[NamedNote],
    fits: Sequence[NoteFit],
    speech: Iterable[Span],
    instrument: Instrument,
    hum_hz: float | None,
) -> list[NoteFit]:
    """The fits, bows that sound on after somebody spoke over them read from that part alone.

    A voice pulls what is read of a bow by some cents. A bow that was turned keeps its reading: what
    was turned under the voice is a part of its story.
    """
    passages = [(one["start_s"], one["end_s"]) for one in speech]
    b_prior, body = instrument.stiffness, Body(*instrument.body)
    found = []
    for note, fit in zip(notes, fits, strict=True):
        start_s = clear_from_s(note["start_s"], note["end_s"], passages)
        if is_held_bow(note["kind"], fit.gliding, fit.rests) and start_s > note["start_s"]:
            part = {**note, "start_s": start_s}
            read = fit_note(audio, rate_hz, part, hum_hz=hum_hz, b_prior=b_prior, body=body)
            if read.ok and not read.gliding:
                fit = replace(
                    fit, f0_hz=read.f0_hz, se_cents=read.se_cents, freedom=read.freedom,
                    scatter_cents=read.scatter_cents,
                )  # fmt: skip
        found.append(fit)
    return found


def clear_from_s(start_s: float, end_s: float, passages: Iterable[tuple[float, float]]) -> float:
    """From when on nobody speaks over a note, if that leaves enough of it; else its start."""
    ends = [b for a, b in passages if a < end_s and b > start_s]
    clear_s = max(ends, default=start_s)
    return clear_s if end_s - clear_s >= CLEAR_BOW_S else start_s


def is_held_bow(kind: str, gliding: bool, rests: object) -> bool:
    """Whether a note is a bow that was not turned."""
    return kind == "bowed" and not gliding and not rests
