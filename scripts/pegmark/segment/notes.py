"""Finding the notes of a take: when each begins and ends, how it is sounded, about how high it is.

Task: decoded audio -> notes/<take>.json (the contract between the stages). Every candidate of
`pegmark.segment.onsets` is weighed by `pegmark.segment.note_classifier`; what is left is joined
into notes here.

Conventions
-----------
* A note begins where its string is set going and ends where another note begins, where the bow
  stops, or where it has died away (40 dB) or sunk into the noise.
* A bow that changes direction on the same string without a gap is one note: its pitch is one.
* Reference tones are notes of their own kind, and so is the A that another sounds first
  (`pegmark.segment.sounded_a`); tones end no other note. Speech is no note.
* f0_hz of a note that glides is that of its last steady part.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pegmark.segment import (
    following,
    note_classifier,
    onsets,
    recording_quality,
    reference_tones,
    sounded_a,
    spectrogram,
    speech,
)
from pegmark.segment.bow_onset import bow_start
from pegmark.segment.following import Followed
from pegmark.segment.high_a import find_high_a
from pegmark.segment.note_kind import bowed_log_odds
from pegmark.segment.onsets import Features
from pegmark.segment.spectrogram import LONG_SIZE, Block
from pegmark.segment.tone_or_bow import is_bowed
from pegmark.signals.salience import MARGIN_CENTS, PitchSearch
from pegmark.signals.spectra import Array
from pegmark.signals.tone_removal import without_tone
from pegmark.trade.instruments import FARTHEST_SHARE, Instrument

if TYPE_CHECKING:
    from pegmark.records.take import FoundNotes, Note, Recording

Floats = NDArray[np.float64]

BLOCK_S = 120.0  # audio read at a time
OVERLAP_S = 30.0  # of which so much is shared with the next block
LONGEST_NOTE_S = 28.0
ACCEPT_LOG_ODDS = -0.8  # log odds above which a candidate is a note: a little for finding ...
# ... but where somebody surely speaks, so much more than elsewhere, and more for what slides
SPEECH_LOG_ODDS, SLIDING_LOG_ODDS = 0.4, 2.6
SLIDING_CENTS_S = 40.0
# Log odds asked of a bow: there are five plucks to a bow in a take, and a voice over a pluck holds
# its level as a bow does. Set on 56 takes: of 975 plucks 9 are then named bows (10 at 0), of 195
# bows 1 a pluck (1 at 0); under speech of 151 plucks 8 (22).
BOWED_LOG_ODDS, BOWED_IN_SPEECH_LOG_ODDS = 0.5, 2.0
SURELY_SPEECH = (0.0, 3.0)  # log odds of speech from and up to which that grows
SAME_NOTE_S = 0.12  # two candidates this close are one onset
BOW_BEGINS_S = 0.25  # nobody plucks a string and bows it so soon after (common practice, no source)
SAME_CENTS = 80.0  # a candidate this close in pitch to a sounding bow is the same string
SOFT_START_S = 0.4  # within this of its start a bow is still growing
STRUCK_LOG_ODDS = 2.0  # later a bow set down anew is told from one that turns by this
LOST_S = 0.8  # a bow that speech drowned for so long may be the same bow
TONE_EDGE_S = 0.25  # a reference tone's own beginning and end, as candidates see them ...
TONE_NEAR = 0.02  # ... whose pitch is this near a simple ratio to its own
DIED_DB = 40.0
BOW_END_DB = 9.0  # a bow has stopped where its level falls this far below its middle
NOTE_SETTLED_S = 0.15
STEADY_S = 0.8
GLIDE_CENTS = 15.0
SHORTEST_AUDIO_S = 0.3
NODES = (2, 3, 4)  # harmonics touched when tuning
MISTUNED_CENTS = 120.0  # few strings are so far out, fewer just where a harmonic would be
EXACT_CENTS, LOOSE_CENTS = 15.0, 35.0  # a harmonic's distance from the multiple


def find_notes(audio: Array, rate_hz: float, instrument: Instrument) -> FoundNotes:
    """All notes of a take.

    Parameters
    ----------
    audio : shape (samples,), mono float32, full scale +-1, at rate_hz (16000).
    instrument : its strings bound the pitches looked for.

    Returns the record of notes/<take>.json without "take": status, problems, recording, notes
    (sorted by start_s), speech. Raises ValueError at another rate than 16000 Hz.
    """
    if round(rate_hz) != 16000:
        raise ValueError(f"the notes are looked for at 16000 Hz, not at {rate_hz} Hz: decode again")
    audio = np.asarray(audio, np.float32)
    levels = recording_quality.level_db(audio, rate_hz)
    hum = recording_quality.hum_hz(audio, rate_hz)
    notes: list[Note] = []
    speech: list[tuple[float, float]] = []
    if len(audio) >= SHORTEST_AUDIO_S * rate_hz and float(levels.max()) > -90:
        notes, speech = _read_take(audio, rate_hz, instrument, hum)
        sounded_a.tell(audio, rate_hz, notes, instrument)
        first_s = notes[0]["start_s"] if notes else 0.0
        highest_hz = float(pitch_search(instrument, rate_hz).f0_hz[-1])
        notes = find_high_a(audio, rate_hz, first_s, highest_hz) + notes
    level_dbfs = float(np.quantile(levels, 0.9))
    facts: Recording = {
        "snr_db": _median(
            [
                snr
                for note in notes
                if note["kind"] != "reference_tone" and (snr := note["snr_db"]) is not None
            ]
        ),
        "clipped_fraction": recording_quality.clipped_fraction(audio),
        "low_cut_hz": recording_quality.low_cut_hz(audio, rate_hz),
        "gated": recording_quality.is_gated(levels),
        "hum_hz": hum,
        "pumping": recording_quality.pumps(
            levels,
            [(note["start_s"], note["end_s"]) for note in notes] + speech,
            len(audio) / rate_hz,
        ),
        "level_dbfs": level_dbfs,
    }
    return {
        "status": "ok",
        "problems": recording_quality.problems_of(level_dbfs) if len(audio) else [],
        "recording": facts,
        "notes": notes,
        "speech": [{"start_s": start, "end_s": end} for start, end in speech],
    }


def pitch_search(instrument: Instrument, rate_hz: float) -> PitchSearch:
    """The search for the instrument's strings and, an octave higher, for touched harmonics."""
    pitches = instrument.hz().values()
    wide = 2 ** (MARGIN_CENTS / 1200)
    return PitchSearch(min(pitches) / wide, 2 * max(pitches) * wide, LONG_SIZE, rate_hz)


def _median(values: list[float]) -> float | None:
    return float(np.median(values)) if values else None


def _read_take(
    audio: Array, rate_hz: float, instrument: Instrument, hum: float | None
) -> tuple[list[Note], list[tuple[float, float]]]:
    search = pitch_search(instrument, rate_hz)
    floor = spectrogram.noise_floor(audio, instrument)
    top = float(np.abs(audio).max())
    notes: list[Note] = []
    heard: list[reference_tones.Tone] = []
    talk: list[tuple[Floats, Floats]] = []
    step = BLOCK_S - OVERLAP_S
    begin = 0.0
    while True:
        last = (begin + BLOCK_S) * rate_hz >= len(audio)
        piece = audio[int(begin * rate_hz) : int((begin + BLOCK_S) * rate_hz)]
        block = spectrogram.read_block(piece, rate_hz, search, floor)
        times, heights = onsets.find_candidates(block, floor)
        lines = reference_tones.Lines(block.long, block.long_s, rate_hz / LONG_SIZE, top, hum)
        steady = reference_tones.find_tones(lines, times[heights > onsets.STRONG_FLUX])
        steady = [tone for tone in steady if not is_bowed(piece, rate_hz, tone)]
        for tone in steady:  # then once more, without them
            piece = without_tone(piece, rate_hz, tone.start_s, tone.end_s, tone.f0_hz)
        changed = np.flatnonzero(piece != block.audio)
        if len(changed):
            spectrogram.read_again(block, np.asarray(piece, np.float32), changed[0], changed[-1])
            times, heights = onsets.find_candidates(block, floor)
        own_from = begin + (0.0 if begin == 0 else 1.0)
        own_to = np.inf if last else begin + step + 1.0
        features = onsets.describe(block, times, heights)
        talk_s, talk_log_odds = speech.log_odds(block, floor.fine)
        own = (talk_s + begin >= own_from) & (talk_s + begin < own_to)
        talk.append((talk_s[own] + begin, talk_log_odds[own]))
        on_s = np.interp(features.onset_s, talk_s, talk_log_odds)
        for note in _read_block_notes(block, features, steady, on_s):
            if own_from <= note["start_s"] + begin < own_to:
                note["start_s"] += begin
                note["end_s"] += begin
                notes.append(note)
        for tone in steady:
            tone.start_s, tone.end_s = tone.start_s + begin, tone.end_s + begin
            heard.append(tone)
        if last:
            break
        begin += step
    notes.sort(key=lambda note: note["start_s"])
    _tell_harmonics(notes, instrument)
    notes += [_tone_note(tone) for tone in _joined(heard)]
    notes.sort(key=lambda note: (note["start_s"], note["f0_hz"]))
    times, log_odds = (np.concatenate(parts) for parts in zip(*talk, strict=True))
    return notes, speech.passages(times, log_odds)


def _tell_harmonics(notes: list[Note], instrument: Instrument) -> None:
    """Give touched harmonics their kind.

    A harmonic is a whole multiple of an open string's pitch where no open string can be, or of one
    sounded just before or after where no open string should be.
    """
    targets = np.array(list(instrument.hz().values()))
    highest = targets.max() * 2 ** (100 * FARTHEST_SHARE * instrument.interval / 1200)
    pitches = np.array([note["f0_hz"] for note in notes])
    for i, note in enumerate(notes):
        f_hz = note["f0_hz"]
        if f_hz > highest:
            open_hz, within = np.concatenate([pitches[pitches < highest], targets]), LOOSE_CENTS
        elif np.abs(1200 * np.log2(f_hz / targets)).min() > MISTUNED_CENTS:
            beside = [k for k in (i - 2, i - 1, i + 1, i + 2) if 0 <= k < len(notes)]
            open_hz, within = pitches[beside], EXACT_CENTS
        else:
            continue
        off = 1200 * np.log2(f_hz / open_hz[:, None] / np.array(NODES))
        if len(open_hz) and np.abs(off).min() < within:
            note["kind"] = "harmonic"


def _joined(heard: list[reference_tones.Tone]) -> list[reference_tones.Tone]:
    """Tones that go on from one block into the next, as one."""
    joined: list[reference_tones.Tone] = []
    for tone in sorted(heard, key=lambda tone: tone.start_s):
        for other in joined:
            near = abs(tone.f0_hz / other.f0_hz - 1) < 0.002
            if near and tone.start_s < other.end_s + reference_tones.JOIN_S:
                other.end_s = max(other.end_s, tone.end_s)
                break
        else:
            joined.append(tone)
    return joined


def _tone_note(tone: reference_tones.Tone) -> Note:
    return {
        "start_s": max(0.0, tone.start_s),
        "end_s": tone.end_s,
        "kind": "reference_tone",
        "f0_hz": tone.f0_hz,
        "snr_db": None,
        "level_db": tone.level_db,
        "salience": None,
    }


def _read_block_notes(
    block: Block, features: Features, steady: list[reference_tones.Tone], talk: Floats
) -> list[Note]:
    if not len(features):
        return []
    inputs = note_classifier.inputs_of(features, talk)
    log_odds = note_classifier.weigh(inputs, "note")
    slides = np.abs(features.slope) > SLIDING_CENTS_S
    asked = SPEECH_LOG_ODDS + SLIDING_LOG_ODDS * slides
    log_odds -= asked * np.interp(talk, SURELY_SPEECH, (0.0, 1.0))
    for tone in steady:
        log_odds[_is_tone(features, tone)] = -np.inf
    chosen = _best_of_each(features, log_odds)
    chosen = _one_onset_each(features, log_odds, chosen)
    if not len(chosen):
        return []
    onset_s = features.onset_s[chosen]
    bowed = bowed_log_odds(
        block.audio, block.rate_hz, onset_s, np.append(onset_s[1:], np.inf), features.f0_hz[chosen]
    )
    talking = np.interp(talk[chosen], SURELY_SPEECH, (0.0, 1.0))
    bowed = bowed - BOWED_LOG_ODDS - BOWED_IN_SPEECH_LOG_ODDS * talking
    frames = round(LONGEST_NOTE_S / block.long_s)
    followed = following.follow(block, features.onset_s[chosen], features.grid[chosen], frames)
    keep = _not_the_same_bow(block, features, log_odds, bowed, chosen, followed)
    return _as_notes(block, features, bowed, chosen, followed, keep)


def _is_tone(features: Features, tone: reference_tones.Tone) -> NDArray[np.bool_]:
    ratio = features.f0_hz / tone.f0_hz
    simple = np.zeros(len(features), bool)
    for number in (1 / 3, 1 / 2, 1, 2, 3, 4):
        simple |= np.abs(ratio / number - 1) < TONE_NEAR
    edge = np.minimum(
        np.abs(features.onset_s - tone.start_s), np.abs(features.onset_s - tone.end_s)
    )
    return simple & (edge < TONE_EDGE_S)


def _best_of_each(features: Features, log_odds: Floats) -> NDArray[np.int64]:
    """The likeliest hypothesis of every candidate that is a note."""
    order = np.lexsort((-log_odds, features.candidate))
    first = np.concatenate([[True], np.diff(features.candidate[order]) > 0])
    best = order[first]
    return best[log_odds[best] > ACCEPT_LOG_ODDS]


def _one_onset_each(
    features: Features, log_odds: Floats, chosen: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Of candidates closer than SAME_NOTE_S only the likeliest; the earlier of equal ones."""
    kept: list[int] = []
    for index in sorted(chosen, key=lambda i: -log_odds[i]):
        near = [
            other
            for other in kept
            if abs(features.onset_s[other] - features.onset_s[index]) < SAME_NOTE_S
        ]
        if not near:
            kept.append(int(index))
    return np.array(sorted(kept, key=lambda i: features.onset_s[i]), int)


def _not_the_same_bow(
    block: Block,
    features: Features,
    log_odds: Floats,
    bowed: Floats,
    chosen: NDArray[np.int64],
    followed: Followed,
) -> list[int]:
    """Positions in `chosen` of the notes that are not a bow going on.

    What begins so shortly before a bow of its pitch is that bow's beginning: too short to be told
    from a pluck by itself. `bowed` then says so of it, in place.
    """
    keep: list[int] = []
    for position, index in enumerate(chosen):
        if keep:
            before = keep[-1]
            earlier = chosen[before]
            elapsed = features.onset_s[index] - features.onset_s[earlier]
            frame = int(elapsed / block.long_s)
            pitch = _pitch_at(block, features, followed, before, chosen, frame)
            apart = abs(1200 * np.log2(features.f0_hz[index] / pitch))
            goes_on = frame < followed.run[before] + LOST_S / block.long_s
            struck = elapsed > SOFT_START_S and log_odds[index] > STRUCK_LOG_ODDS
            if bowed[before] > 0 and goes_on and apart < SAME_CENTS and not struck:
                continue
            if bowed[position] > 0 and elapsed < BOW_BEGINS_S and apart < SAME_CENTS:
                bowed[before] = bowed[position]
                continue
        keep.append(position)
    return keep


def _pitch_at(
    block: Block,
    features: Features,
    followed: Followed,
    position: int,
    chosen: NDArray[np.int64],
    frame: int,
) -> float:
    track = followed.cents[position, : max(1, frame)]
    known = track[~np.isnan(track)]
    cents = float(known[-1]) if len(known) else 0.0
    return float(features.f0_hz[chosen[position]] * 2 ** (cents / 1200))


def _as_notes(
    block: Block,
    features: Features,
    bowed: Floats,
    chosen: NDArray[np.int64],
    followed: Followed,
    keep: list[int],
) -> list[Note]:
    notes: list[Note] = []
    starts = features.onset_s[chosen[keep]]
    whites, rough = [], []
    for k, position in enumerate(keep):
        index = chosen[position]
        is_bowed = bool(bowed[position] > 0)
        start = float(features.onset_s[index])
        if is_bowed:
            earliest = notes[-1]["start_s"] + 0.1 if notes else 0.0
            start = max(bow_start(block, start, float(features.f0_hz[index])), earliest)
        next_start = float(starts[k + 1]) if k + 1 < len(keep) else np.inf
        level = 10 * np.log10(np.nan_to_num(followed.partials[position]).sum(axis=1) + 1e-10)
        frames = _frames_of_note(level, int(followed.run[position]), is_bowed)
        end = min(start + following.FOLLOW_FROM_S + frames * block.long_s, next_start)
        end = min(max(end, start + 0.1), len(block.audio) / block.rate_hz)
        last = max(1, int((end - start - following.FOLLOW_FROM_S) / block.long_s))
        white, f_hz = _steady_part(block, features, followed, position, index, last)
        whites.append(white)
        rough.append(f_hz)
        notes.append(
            {
                "start_s": start,
                "end_s": end,
                "kind": "bowed" if is_bowed else "plucked",
                "f0_hz": f_hz,
                "snr_db": _snr_db(block, start, f_hz),
                "level_db": float(features.level_db[index]),
                "salience": float(features.stay[index]),
            }
        )
    fine = block.search.refine(np.array(whites), np.array(rough))
    for note, f_hz in zip(notes, fine, strict=True):
        note["f0_hz"] = float(f_hz)
    return notes


def _frames_of_note(level: Floats, run: int, is_bowed: bool) -> int:
    """How many long frames the note is there."""
    level = level[: max(run, 1)]
    if is_bowed:
        there = level > np.median(level) - BOW_END_DB
    else:
        there = level > level.max() - DIED_DB
    return int(np.flatnonzero(there)[-1]) + 1 if there.any() else 1


def _steady_part(
    block: Block,
    features: Features,
    followed: Followed,
    position: int,
    index: int,
    last: int,
) -> tuple[Array, float]:
    """(whitened mean spectrum, pitch) of a note's last steady part."""
    track = followed.cents[position, :last]
    known = np.flatnonzero(~np.isnan(track))
    if not len(known):
        known, track = np.array([0]), np.zeros(1)
    settled = known[known >= NOTE_SETTLED_S / block.long_s]
    if len(settled):
        known = settled
    if np.ptp(track[known]) > GLIDE_CENTS:
        end = np.median(track[known[-3:]])
        near = known[np.abs(track[known] - end) < GLIDE_CENTS / 2]
        known = near if len(near) else known[-1:]  # two frames, far apart
    most = round(STEADY_S / block.long_s)
    known = known[-most:] if np.ptp(track[known]) > 5 else known[:most]
    cents = float(np.median(track[known]))
    first = round((features.onset_s[index] + following.FOLLOW_FROM_S) / block.long_s)
    rows = np.minimum(first + known, len(block.long) - 1)
    white = block.search.whiten(block.long[rows]).mean(axis=0)
    return white, float(features.f0_hz[index] * 2 ** (cents / 1200))


def _snr_db(block: Block, start_s: float, f0_hz: float) -> float:
    """The note's partials over everything else, 50-5500 Hz, first half second."""
    first = round((start_s + following.FOLLOW_FROM_S) / block.long_s)
    first = min(first, len(block.long) - 1)
    rows = block.long[first : first + round(0.4 / block.long_s)]
    power = np.mean(rows**2, axis=0)
    bin_hz = block.rate_hz / LONG_SIZE
    band = np.arange(round(50 / bin_hz), round(5500 / bin_hz))
    number = np.maximum(1, np.rint(band * bin_hz / f0_hz))
    own = np.abs(band - number * f0_hz / bin_hz) < 2.5
    share = own.mean()
    rest = float(np.median(power[band][~own])) if (~own).any() else 0.0
    rest = (
        rest / np.log(2) * len(band)
    )  # noise power is exponential: its median is ln 2 of its mean
    signal = max(float(power[band][own].sum()) - rest * share, 1e-12)
    return float(10 * np.log10(signal / max(rest, 1e-12)))
