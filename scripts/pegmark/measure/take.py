"""A take's fine measurement: every note's pitch with its uncertainty, then the strings' story.

Task: the notes of strings/<take>.json with their audio -> measured/<take>.json (contract in the
design, section 3). Deviations are against equal temperament at A4 = 440 Hz; a touched harmonic's
is that of its open string.

What the notes of one string share is used twice: its inharmonicity B is one number per take, and
so is c, the sharpness per energy of a loud start (tension modulation). Both come from all notes of
the string together; each note is then solved again with them, without touching the audio.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import product
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pegmark.measure import speed, tuning, two_strings
from pegmark.measure.bows import bow_window
from pegmark.measure.clear_bows import clear_from_s, clear_of_speech, is_held_bow
from pegmark.measure.glide import GLIDE_BETWEEN, usual_glide
from pegmark.measure.note_fit import NoteFit, fit_note, moved, solve_pluck
from pegmark.signals.frames import Real
from pegmark.signals.partials import first_look
from pegmark.signals.stiff_string import Body
from pegmark.signals.tone_removal import without_tone
from pegmark.statistics.student_t import student_95
from pegmark.trade import pitch
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import (
        Measured,
        MeasuredNote,
        MeasuredRecording,
        NamedNote,
        Recording,
        Rest,
        Span,
        Strings,
    )

RINGING_S = 6.0  # an open string may still sound this long after its note
B_BETWEEN = 1.5e-5  # B read from different plucks of one string differs by this much
# A note that stands so many standard deviations off the others is not told theirs: what bends its
# series (another string that rings along, a partial heard only early) would bend its pitch instead.
B_APART = 2.5
GLIDE_LEAST_CENTS = 0.5  # and a glide by at least this much
# The others' knowledge is used where its standard deviation is this part of the note's own.
SHARING_GAIN = 0.6
NOTES_FOR_SHARING = 2
UNHEARD_CENTS = (0.0, -40.0, 40.0)  # a string may have slipped, or been turned, since it was heard
UNHEARD_S = 0.5  # but hardly within this
RINGS_ON_S = 0.15  # a note that begins so soon after two strings may be their ringing
LEAST_INTERVAL_CENTS = 250.0  # two strings are never closer (identify.CLOSEST_CENTS)
# A bow's string rings on, a low one longer, so that where the bow left it is known to about END_S
# (at END_HZ): its mean is taken over a little more or less than its bowed time. Half-width, of the
# pitch's wander: of 1,039 bows of invented takes the truth is inside for 95 %.
END_S = 0.62
END_HZ = 220.0
LEAST_MEAN_S = 0.3  # a short bow's mean is over this at least
# What else sounds in a take is no steady noise (strings that ring on, knocks, other players): a
# pluck's half-width grows by FAINT_PART for each dB that it is fainter than FAINT_DB over the rest.
# The truth is inside for 95 % of 1,537 plucks of invented takes, and for 93 % or more at each SNR.
FAINT_DB = 25.0
FAINT_PART = 0.04
# A voice pulls what it covers, unseen by the note's own fit. A note of which more than
# COVERED_SHARE is spoken over: of a pluck the half-width at least times VOICE_FACTOR, and partials
# that stand further off their series than bodies pull them (VOICE_SCATTER_CENTS) are the voice's,
# so VOICE_SCATTER times what is beyond in quadrature; of a bow VOICE_BOW_CENTS in quadrature. The
# truth is inside for 97 % of 1,001 such plucks and for 95 % of 365 bows of invented takes.
COVERED_SHARE = 0.05
VOICE_FACTOR = 1.3
VOICE_SCATTER, VOICE_SCATTER_CENTS = 2.5, 8.0
VOICE_BOW_CENTS = 0.3
UNKNOWN: Recording = {
    "snr_db": None,
    "clipped_fraction": None,
    "low_cut_hz": None,
    "gated": None,
    "hum_hz": None,
    "pumping": None,
    "level_dbfs": None,
}


def measure_take(
    audio: Real, rate_hz: float, strings_record: Strings, instrument: Instrument
) -> Measured:
    """Measure all notes of a take.

    Parameters
    ----------
    audio : shape (samples,), the decoded take.
    strings_record : what pegmark.identify.strings made of it.

    Returns the record of measured/<take>.json. An unreadable take comes back with its problems
    and every string not heard.
    """
    recording: MeasuredRecording = {
        "speed_error_cents": None,
        **(strings_record["recording"] or UNKNOWN),
    }
    record: Measured = {
        "take": strings_record["take"],
        "status": strings_record["status"],
        "problems": strings_record["problems"],
        "instrument": instrument.key,
        "recording": recording,
        "notes": [],
        "speech": strings_record["speech"],
        "strings": {},
        "order": [],
        "last_turn_s": None,
        "intervals": [],
    }
    notes: Sequence[NamedNote] = strings_record["notes"]
    hum_hz = recording["hum_hz"]
    rest = without_tones(audio, rate_hz, notes)
    notes = tell_pairs(rest, rate_hz, notes, instrument, hum_hz)
    fits = fit_notes(audio, rate_hz, notes, instrument, hum_hz, rest=rest)
    targets = instrument.hz()
    fits = clear_of_speech(rest, rate_hz, notes, fits, record["speech"], instrument, hum_hz)
    fits = _speed_taken_out(record, recording, notes, fits, targets)
    record["notes"] = [describe(note, fit, targets) for note, fit in zip(notes, fits, strict=True)]
    strings = [note for note in record["notes"] if note["kind"] != "reference_tone"]
    widen_for_take(record["speech"], strings)
    story = tuning.read_tuning(record["notes"], instrument)
    for note, role in zip(record["notes"], story["roles"], strict=True):
        note["role"] = role
    record["strings"], record["order"] = story["strings"], story["order"]
    record["last_turn_s"], record["intervals"] = story["last_turn_s"], story["intervals"]
    return record


def without_tones(audio: Real, rate_hz: float, notes: Sequence[NamedNote]) -> Real:
    """The audio less every sounded reference tone among the notes."""
    for note in notes:
        if note["kind"] == "reference_tone":
            span = note["start_s"], note["end_s"]
            audio = without_tone(audio, rate_hz, *span, note["f0_hz"])
    return audio


def tell_pairs(
    audio: Real,
    rate_hz: float,
    notes: Sequence[NamedNote],
    instrument: Instrument,
    hum_hz: float | None = None,
) -> list[NamedNote]:
    """The notes, those bowed together with a neighbouring string told as two strings.

    Taken for one string, the partials that both share would pull its pitch by many cents. What
    follows such a note without a gap is the two strings ringing on.
    """
    targets, names = instrument.hz(), list(instrument.strings)
    # string -> pitch in Hz when it was last sounded alone, and until when
    last: dict[str, tuple[float, float]] = {}
    told: list[NamedNote] = []
    for note in notes:
        name = note["string"]
        if note["kind"] in ("plucked", "bowed") and name in names and note["f0_hz"]:
            place = names.index(name)
            beside = [names[k] for k in (place - 1, place + 1) if 0 <= k < len(names)]
            expected = []
            for off, other in product(UNHEARD_CENTS, beside):
                hz_alone, until_s = last.get(other, (targets[other], -math.inf))
                rings_on = bool(told) and _rings_on(told[-1], note, {name, other})
                heard_lately = note["start_s"] - until_s < UNHEARD_S
                if (rings_on or note["kind"] == "bowed") and not (off and heard_lately):
                    expected.append(_Beside(other, pitch.shift_hz(hz_alone, off), rings_on))
            hz = _together(audio, rate_hz, note, name, expected, hum_hz) if expected else None
            if hz:
                low, high = sorted(hz, key=lambda string: hz[string])
                note = {**note, "kind": "two_strings", "string": low, "string_2": high}
                note["f0_hz"], note["f0_2_hz"] = hz[low], hz[high]
            else:
                last[name] = note["f0_hz"], note["end_s"]
        told.append(note)
    return told


def _rings_on(before: NamedNote, note: NamedNote, strings: set[str]) -> bool:
    """Whether `note` may be what is left of two strings bowed together just before."""
    pair = before["kind"] == "two_strings"
    same = {before.get("string"), before.get("string_2")} == strings
    return pair and same and note["start_s"] - before["end_s"] < RINGS_ON_S


class _Beside(NamedTuple):
    """A string that may sound with another, where it may be, and whether it may be dying away."""

    string: str
    hz: float
    dying: bool


def _together(
    audio: Real,
    rate_hz: float,
    note: NamedNote,
    string: str,
    expected: Iterable[_Beside],
    hum_hz: float | None,
) -> dict[str, float] | None:
    """The pitches (in Hz) of the note's string and the first expected one that sounds with it."""
    first, stop = bow_window(note["end_s"] - note["start_s"])
    begin, end = (round((note["start_s"] + edge) * rate_hz) for edge in (first, stop))
    cut = audio[max(0, begin) : end]
    look = first_look(cut, rate_hz, note["f0_hz"], 0.0, stiff=False)
    if look is None:
        return None
    for beside in expected:
        if abs(pitch.cents_between(look[0], beside.hz)) < LEAST_INTERVAL_CENTS:
            continue
        if two_strings.sound_together(
            cut, rate_hz, look[0], beside.hz, hum_hz=hum_hz, dying=beside.dying
        ):
            return {string: look[0], beside.string: beside.hz}
    return None


def _speed_taken_out(
    record: Measured,
    recording: MeasuredRecording,
    notes: Sequence[NamedNote],
    fits: list[NoteFit],
    targets: dict[str, float],
) -> list[NoteFit]:
    """The fits, corrected where the recording's sample rate is mislabelled; says so in `record`."""
    left: dict[str, float] = {}
    tones_hz = []
    for note, fit in zip(notes, fits, strict=True):
        if note["kind"] == "reference_tone":
            tones_hz.append(float(fit.f0_hz or note["f0_hz"]))
        elif note["kind"] in ("plucked", "bowed") and fit.f0_hz and (name := note["string"]):
            left[name] = pitch.cents_between(fit.f0_hz, targets[name])
    hum = recording["hum_hz"]
    cents, told = speed.speed_fault(hum, tones_hz, list(left.values()))
    if told is not None:
        record["problems"] = [*record["problems"], told]
    if cents is None:
        return fits
    recording["speed_error_cents"] = cents
    return [fit.scaled(2 ** (-cents / 1200)) for fit in fits]


def fit_notes(
    audio: Real,
    rate_hz: float,
    notes: Sequence[NamedNote],
    instrument: Instrument,
    hum_hz: float | None = None,
    *,
    rest: Real | None = None,
) -> list[NoteFit]:
    """The fit of every note, in order, with what the notes of a string share.

    rest : the audio without its reference tones, in which all but these are measured.
    """
    removed = None if rest is None or rest is audio else audio - rest
    rest = audio if rest is None else rest
    b_prior, body = instrument.stiffness, Body(*instrument.body)
    fits: list[NoteFit] = []
    last: dict[str, tuple[float, float]] = {}  # string -> (pitch in Hz, when it was last sounded)
    for note in notes:
        others = [
            hz
            for string, (hz, end) in last.items()
            if string != note.get("string") and note["start_s"] - end < RINGING_S
        ]
        tone = note["kind"] == "reference_tone"
        fit = fit_note(
            audio if tone else rest,
            rate_hz,
            note,
            others,
            removed=None if tone else removed,
            hum_hz=hum_hz,
            b_prior=b_prior,
            body=body,
        )
        fits.append(fit)
        if fit.f0_hz and (name := note["string"]) and note["kind"] in ("plucked", "bowed"):
            last[name] = (fit.f0_hz, note["end_s"])
    for string in {note.get("string") for note in notes} - {None}:
        members = [
            i
            for i, note in enumerate(notes)
            if note.get("string") == string and fits[i].reading and note["kind"] == "plucked"
        ]
        starts_s = [float(notes[i]["start_s"]) for i in members]
        shared = share([fits[i] for i in members], starts_s, b_prior, body)
        for i, fit in zip(members, shared, strict=True):
            fits[i] = fit
    return fits


def share(
    fits: Sequence[NoteFit],
    starts_s: Sequence[float],
    b_prior: tuple[float, float],
    body: Body,
) -> list[NoteFit]:
    """Plucks of one string, begun at `starts_s`, solved again with the B and c the others have.

    Each note is told only what the others know, so nothing counts twice.
    """
    readings = [fit.reading for fit in fits if fit.reading]
    if len(readings) < NOTES_FOR_SHARING:
        return list(fits)
    b = np.array([fit.b for fit in fits], float)
    b_se = np.array([fit.b_se for fit in fits], float)
    energy = np.array([r.energy for r in readings])
    glide = np.array([r.glide for r in readings])
    glide_var = np.array([r.glide_var for r in readings])
    solved = []
    for i, (fit, reading) in enumerate(zip(fits, readings, strict=True)):
        others = np.arange(len(fits)) != i
        # What pulls B in one pluck of a string pulls it in all: so no mean of many is better than
        # the best of them, and only a note that is worse itself gains by it.
        best = float(b_se[others].min())
        known_b = b_prior
        if best < SHARING_GAIN * b_se[i]:
            weight = b_se[others] ** -2.0
            known, sd = float(weight @ b[others] / weight.sum()), float(np.hypot(best, B_BETWEEN))
            if abs(b[i] - known) < B_APART * math.hypot(b_se[i], sd):
                known_b = known, sd
        usual = usual_glide(energy[i], energy[others], glide[others])
        prior = _glide_prior(energy[i], energy[others], glide[others], glide_var[others])
        if prior is not None and prior[1] > SHARING_GAIN * glide_var[i] ** 0.5:
            prior = None
        odd = abs(float(glide[i]) - usual[0]) > usual[1]
        if known_b is b_prior and prior is None and not odd:  # the others have nothing to tell
            solved.append(fit)
            continue
        again = solve_pluck(reading, fit.kind, known_b, prior, body, usual)
        solved.append(moved(again, starts_s[i]))
    return solved


def _glide_prior(
    own: float, energy: Real, glide: Real, variance: Real
) -> tuple[float, float] | None:
    """Mean and standard deviation of a note's glide from other notes; None: they cannot tell."""
    c = glide / energy
    spread = (variance + GLIDE_LEAST_CENTS**2) / energy**2 + (GLIDE_BETWEEN * c) ** 2
    weight = 1 / spread
    mean = float(weight @ c / weight.sum())
    mean = max(mean, 0.0)
    sd = float(np.hypot(weight.sum() ** -0.5, GLIDE_BETWEEN * mean)) * own
    if sd > GLIDE_KNOWN_CENTS:
        return None
    return mean * own, max(sd, GLIDE_LEAST_CENTS)


GLIDE_KNOWN_CENTS = 10.0  # a prior wider than this is worth no more than the general one


def describe(note: NamedNote, fit: NoteFit, targets: dict[str, float]) -> MeasuredNote:
    """A note of measured/<take>.json."""
    string = note.get("string")
    target = targets.get(string) if string else None
    node = 1
    if target and fit.ok and note["kind"] == "harmonic":
        node = max(1, round(float(fit.f0_hz or 0) / target))
    ends = _end_doubt(note, fit)
    width = fit.half_width_cents and math.hypot(fit.half_width_cents, ends)
    result: MeasuredNote = {
        "start_s": note["start_s"],
        "end_s": note["end_s"],
        "kind": note["kind"],
        "string": string,
        "string_odds": note.get("string_odds"),
        "f0_hz": fit.f0_hz,
        "deviation_cents": _cents(fit.f0_hz, target, node),
        "uncertainty_cents": width,
        "player_cents": width and math.hypot(student_95(fit.freedom) * fit.wander_se_cents, ends),
        "attack_drift_cents": fit.drift_cents,
        "beating_db": fit.reading.beating_db if fit.reading else None,
        "scatter_cents": fit.scatter_cents,
        "gliding": fit.gliding,
        "snr_db": note.get("snr_db"),
        "level_db": note.get("level_db"),
        "track": [(t, c) for t, hz in fit.track if (c := _cents(hz, target, node)) is not None],
        "rests": _held(fit, target, node),
        "role": None,
        "b_inharmonicity": fit.b,
    }
    if note["kind"] == "two_strings":
        result["string_2"] = note.get("string_2")
        result["f0_2_hz"] = fit.f0_2_hz
        result["interval_cents"] = result["beats_hz"] = None
        if fit.f0_hz and fit.f0_2_hz:
            result["interval_cents"] = two_strings.interval_cents(fit.f0_hz, fit.f0_2_hz)
            result["beats_hz"] = two_strings.beats_hz(fit.f0_hz, fit.f0_2_hz)
        se_2 = fit.se_2_cents
        result["uncertainty_2_cents"] = se_2 and math.hypot(student_95(fit.freedom) * se_2, ends)
    return result


def _end_doubt(note: NamedNote, fit: NoteFit) -> float:
    """Half-width, in cents, of what a bow's unknown end leaves open in its mean pitch."""
    if note["kind"] not in ("bowed", "two_strings") or fit.reading or not fit.scatter_cents:
        return 0.0
    first, last = bow_window(note["end_s"] - note["start_s"])
    late_s = END_S * (END_HZ / float(fit.f0_hz or END_HZ)) ** 0.25
    return late_s * fit.scatter_cents / max(LEAST_MEAN_S, last - first)


def _faint_factor(snr_db: float | None) -> float:
    if snr_db is None:
        return 1.0
    return 1 + FAINT_PART * max(0.0, FAINT_DB - max(0.0, snr_db))


def widen_for_take(speech: Iterable[Span], notes: Iterable[MeasuredNote]) -> None:
    """Widen the intervals of notes that somebody speaks over, and of faint plucks."""
    passages = [(one["start_s"], one["end_s"]) for one in speech]
    for note in notes:
        start, end = note["start_s"], note["end_s"]
        if is_held_bow(note["kind"], bool(note.get("gliding")), note["rests"]):
            start = clear_from_s(start, end, passages)
        covered_s = sum(max(0.0, min(end, b) - max(start, a)) for a, b in passages)
        spoken = covered_s > COVERED_SHARE * (end - start)
        factor, added = 1.0, VOICE_BOW_CENTS if spoken else 0.0
        if note["kind"] == "plucked":
            factor = _faint_factor(note["snr_db"])
        if note["kind"] == "plucked" and spoken:
            beyond = max(0.0, (note["scatter_cents"] or 0.0) - VOICE_SCATTER_CENTS)
            factor, added = max(VOICE_FACTOR, factor), VOICE_SCATTER * beyond
        note["uncertainty_cents"] = _widened(note["uncertainty_cents"], factor, added)
        if "uncertainty_2_cents" in note:
            note["uncertainty_2_cents"] = _widened(note["uncertainty_2_cents"], factor, added)
        if note["rests"]:
            note["rests"] = [
                (start_s, end_s, cents, _widened(half, factor, added))
                for start_s, end_s, cents, half in note["rests"]
            ]


def _widened(half: float | None, factor: float, added: float) -> float | None:
    return None if half is None else math.hypot(factor * half, added)


def _held(fit: NoteFit, target: float | None, node: int) -> list[Rest] | None:
    """A bow's rests as [start_s, end_s, cents, half-width]; None: nothing is known of them."""
    if fit.rests is None or target is None:
        return None
    return [(r.start_s, r.end_s, _deviation(r.hz, target, node), r.half_cents) for r in fit.rests]


def _cents(hz: float | None, target: float | None, node: int) -> float | None:
    if hz is None or target is None:
        return None
    return _deviation(hz, target, node)


def _deviation(hz: float, target: float, node: int) -> float:
    return pitch.cents_between(hz, node * target)
