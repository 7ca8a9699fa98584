"""Notes of real instruments: the sampled players of Debian's sound font, through fluidsynth.

The samples' own tuning is not stated by their makers, and the bowed ones carry vibrato. So a
raw note (`play`) has relative truth only: two renderings of one key differ by exactly the offset
asked for. `bowed` and `plucked` go further: the note's own track is measured by counting the
cycles of its strongest partials, and the sound is then played at a moving speed so that its
pitch becomes what was asked, vibrato removed. What stays of the real player is everything else:
spectrum, bow noise, attack, swell, body.
"""

from __future__ import annotations

import struct
import subprocess
import tempfile
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np

from lab.strings import (
    STEADY_START_S,
    CentsPath,
    Note,
    along,
    bow_level,
    measured_window,
    slow_wander,
)  # fmt: skip

SOUND_FONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
OTHER_FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")  # Debian's timgm6mb-soundfont
PROGRAMS = {  # General MIDI programme numbers, counted from 0
    "violin": 40,
    "viola": 41,
    "cello": 42,
    "double bass": 43,
    "plucked bass": 32,
    "plucked guitar": 24,
    "plucked steel guitar": 25,
    "plucked strings": 45,
    "plucked harp": 46,
    "piano": 0,
    "bright piano": 1,
    "church organ": 19,
    "reed organ": 20,
    "oboe": 68,
    "english horn": 69,
    "clarinet": 71,
    "flute": 73,
    "trumpet": 56,
}
FONT_RATE_HZ = 48000
TICKS_PER_S = 960
TRACK_STEP_S = 0.002
TAIL_S = 0.5  # rendered after a note is released
RELEASE_S = 0.35  # a bowed string that is damped sounds on so long


def play(
    program: str,
    key: int,
    duration_s: float,
    *,
    offset_cents: float = 0.0,
    velocity: int = 90,
    font: Path = SOUND_FONT,
) -> Note:
    """One raw note at FONT_RATE_HZ: key is the MIDI number, offset_cents any number.

    The offset is made by playing the sound faster or slower (the synthesizer's own pitch bend
    moves in whole cents), so it is exact against the same key at 0, and the note's length changes
    with it. font : another General MIDI sound font than the usual one. Truth: offset_cents;
    own_tuning_cents None: the sample's own pitch is unknown.

    Raises FileNotFoundError when fluidsynth or the sound font is not installed (Debian:
    fluidsynth, fluid-soundfont-gm).
    """
    audio = _rendered(PROGRAMS[program], key, duration_s, velocity, font)
    factor = 2 ** (offset_cents / 1200)
    if offset_cents:
        audio = replay(audio, np.full(int(len(audio) / factor), factor))
    truth = {
        "kind": "plucked" if program.startswith("plucked") else "bowed",
        "offset_cents": offset_cents,
        "own_tuning_cents": None,
        "onset_s": 0.0,
        "end_s": duration_s / factor,
        "key": key,
    }
    return audio.astype(np.float32), truth


def own_track(audio: np.ndarray, rate_hz: int, f0_hz: float) -> np.ndarray:
    """The pitch of a clean single note in Hz at every sample, by counting cycles.

    Each of the first eight partials is shifted to 0 Hz, low-passed and its phase followed; the
    phases' slopes over the partial's number are joined by a median weighted with the amplitudes,
    since vibrato in a room makes single partials vanish and slip. Silence gives f0_hz, which
    must be right within a semitone.
    """
    pitch, weight, step = _partials(audio, rate_hz, f0_hz)
    median = _weighted_median(pitch, weight)
    total = weight.sum(axis=0)
    median[total < 1e-4 * total.max()] = f0_hz
    smooth = np.hanning(9)[1:-1] / np.hanning(9).sum()
    median = np.convolve(np.pad(median, 3, "edge"), smooth, "valid")
    return np.interp(np.arange(len(audio)), (np.arange(len(median)) + 0.5) * step, median)


def mean_pitch(
    audio: np.ndarray, rate_hz: int, f0_hz: float, start_s: float, end_s: float
) -> tuple[float, float]:
    """(pitch in Hz, disagreement in cents) of a clean note between two times.

    Every partial's cycles are counted over the whole span; the pitch is their median weighted with
    the amplitudes, the disagreement the weighted median distance of the partials from it.
    """
    pitch, weight, step = _partials(audio, rate_hz, f0_hz)
    span = slice(int(start_s * rate_hz / step), int(end_s * rate_hz / step))
    means, weights = pitch[:, span].mean(axis=1), weight[:, span].mean(axis=1)
    middle = _weighted_median(means[:, None], weights[:, None])[0]
    apart = np.abs(1200 * np.log2(means / middle))
    return float(middle), float(_weighted_median(apart[:, None], weights[:, None])[0])


def replay(audio: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """`audio` played at a moving speed: the pitch at output sample i is multiplied by speed[i]."""
    from scipy.interpolate import CubicSpline
    from scipy.signal import resample_poly

    position = np.concatenate([[0.0], np.cumsum(speed)[:-1]])
    position = position[position < len(audio) - 3]
    # Twice the rate first: cubic steps between the samples are then good beyond 16 bits.
    dense = resample_poly(audio, 2, 1)
    return np.asarray(CubicSpline(np.arange(len(dense)), dense)(position * 2))


def bowed(
    instrument: str,
    f0_hz: float,
    duration_s: float,
    rate_hz: int,
    *,
    seed: int = 0,
    wander_cents: float = 1.5,
    path: CentsPath = None,
    velocity: int = 90,
    level: float = 0.3,
    lead_s: float = 0.0,
    ring_s: float | None = None,
    stop_s: float | None = None,
    swell_db: Sequence[float] = (),
) -> Note:
    """A sampled player's bowed note as an open string: no vibrato, pitch known.

    Parameters and truth as `strings.bow`; ring_s None: the string is damped within RELEASE_S.
    The sound keeps the player's attack, bow noise and swell; its pitch is f0_hz along `path` with a
    slow wander of wander_cents. Where the player's vibrato met the room's echo single partials stay
    off it, so f_inf_hz is good to about 0.3 cents on the bass and 1 cent on the violin.
    """
    key = _clean_key(instrument, round(69 + 12 * np.log2(f0_hz / 440)))
    after_s = RELEASE_S if ring_s is None else ring_s
    longer_s = duration_s if ring_s is None else duration_s + ring_s
    raw, _ = play(instrument, key, longer_s * 1.2 + 0.1, velocity=velocity)
    raw = raw[first_sound(raw) :]
    own = own_track(raw, FONT_RATE_HZ, 440 * 2 ** ((key - 69) / 12))
    rng = np.random.default_rng([seed, 5])
    size = int((duration_s + after_s) * FONT_RATE_HZ)
    t = np.arange(size) / FONT_RATE_HZ
    cents = along(path, t)
    wander = slow_wander(rng, duration_s + after_s, wander_cents, t)
    inside = _inside(t, duration_s)
    wander -= 1200 * np.log2((2 ** (wander[inside] / 1200)).mean())
    still = f0_hz * 2 ** (wander / 1200)
    if path is not None:
        still = np.pad(still, (0, int(size * (2 ** (max(0.0, cents.max()) / 1200) - 1))), "edge")
    audio = replay(raw, _speed(own, still))
    # Once more: what is left of a deep vibrato after the first round is a cent or two.
    rest = own_track(audio, FONT_RATE_HZ, f0_hz) / still[: len(audio)]
    audio = replay(audio, _speed(rest, np.ones(len(audio))))
    if path is None:
        heard, _ = mean_pitch(audio, FONT_RATE_HZ, f0_hz, *measured_window(duration_s))
        audio = replay(audio, np.full(len(audio), f0_hz / heard))
    else:  # last, as the rounds before follow a pitch within a semitone only
        audio = replay(audio, 2 ** (cents / 1200))
    wanted = f0_hz * 2 ** ((cents + wander) / 1200)
    audio = audio * np.clip((len(audio) / FONT_RATE_HZ - t[: len(audio)]) / 0.05, 0, 1)
    sounding = t[: len(audio)]
    fall = 12 if ring_s is None else 3.5  # per second, of a damped and of a free string at 220 Hz
    audio = audio * np.where(
        sounding > duration_s, np.exp(-(sounding - duration_s) * fall * np.sqrt(f0_hz / 220)), 1
    )
    audio = audio * bow_level(sounding, duration_s, swell_db, stop_s)
    truth = {
        "kind": "bowed",
        "f_inf_hz": float(wanted[inside].mean()),
        "onset_s": lead_s,
        "end_s": lead_s + duration_s,
        "start_hz": float(f0_hz * 2 ** (cents[0] / 1200)),
        "end_hz": float(f0_hz * 2 ** (cents[np.searchsorted(t, duration_s) - 1] / 1200)),
        "wander_cents": float(np.std(wander[inside])),
        "b": 0.0,
    }
    return _delivered(audio, rate_hz, level, lead_s), truth


def plucked(
    program: str,
    f0_hz: float,
    duration_s: float,
    rate_hz: int,
    *,
    path: CentsPath = None,
    velocity: int = 80,
    level: float = 0.3,
    lead_s: float = 0.0,
) -> Note:
    """A sampled plucked note whose settled pitch is f0_hz along `path`.

    f_inf is the mean of the sample's own track over the last third of its first 1.5 s: real
    plucks go on falling by a few cents, so this truth is good to some 2 cents, not better.
    The attack's own glide stays.
    """
    key = round(69 + 12 * np.log2(f0_hz / 440))
    raw, _ = play(program, key, duration_s * 1.06 + 2.0, velocity=velocity)
    raw = raw[first_sound(raw) :]
    own = own_track(raw, FONT_RATE_HZ, 440 * 2 ** ((key - 69) / 12))
    settled = float(own[int(1.0 * FONT_RATE_HZ) : int(1.5 * FONT_RATE_HZ)].mean())
    size = int(duration_s * FONT_RATE_HZ)
    t = np.arange(size) / FONT_RATE_HZ
    still = f0_hz * 2 ** (along(path, t) / 1200)
    audio = replay(raw, still / settled)
    audio = audio * np.clip((duration_s - t[: len(audio)]) / 0.012, 0, 1)
    late = t >= min(STEADY_START_S, duration_s / 3)
    truth = {
        "kind": "plucked",
        "f_inf_hz": float(still[late].mean()),
        "onset_s": lead_s,
        "end_s": lead_s + duration_s,
        "start_hz": float(still[0]),
        "end_hz": float(still[-1]),
    }
    return _delivered(audio, rate_hz, level, lead_s), truth


def tuning_note(
    program: str,
    f0_hz: float,
    duration_s: float,
    rate_hz: int,
    *,
    seed: int = 0,
    level: float = 0.2,
) -> Note:
    """The note that another instrument gives to tune to: a key of PROGRAMS, at f0_hz.

    The pitch is the mean over `strings.measured_window`; of a piano its fundamental's, since the
    partials stand sharp of it (stiff strings; common knowledge, no source), good to a cent: its
    three strings beat. Bowed instruments lose
    their vibrato, the others keep what they have.
    """
    if program in ("violin", "viola", "cello", "double bass"):
        return bowed(program, f0_hz, duration_s, rate_hz, seed=seed, level=level)
    key = round(69 + 12 * np.log2(f0_hz / 440))
    raw, _ = play(program, key, duration_s * 1.06 + 0.2)
    raw = raw[first_sound(raw) :]
    near_hz, window = 440 * 2 ** ((key - 69) / 12), measured_window(duration_s)
    if program == "piano":
        pitch, _, step = _partials(raw, FONT_RATE_HZ, near_hz)
        first, last = (int(at * FONT_RATE_HZ / step) for at in window)
        own = float(pitch[0, first:last].mean())
    else:
        own, _ = mean_pitch(raw, FONT_RATE_HZ, near_hz, *window)
    size = int(duration_s * FONT_RATE_HZ)
    audio = replay(raw, np.full(size, f0_hz / own))
    audio = audio * np.clip((duration_s - np.arange(len(audio)) / FONT_RATE_HZ) / 0.08, 0, 1)
    truth = {"kind": "tuning_note", "f_inf_hz": f0_hz, "onset_s": 0.0, "end_s": duration_s}
    return _delivered(audio, rate_hz, level, 0.0), truth


def _partials(audio: np.ndarray, rate_hz: int, f0_hz: float) -> tuple[np.ndarray, np.ndarray, int]:
    """(pitch in Hz, amplitude, samples from step to step) of the first eight partials.

    Each partial's pitch is its frequency over its number.
    """
    from scipy.signal import fftconvolve, resample_poly

    fewer = max(1, int(rate_hz / (24 * f0_hz)))  # eight partials need 16 f0, and a margin
    audio, rate = resample_poly(audio, 1, fewer), rate_hz / fewer
    step = max(1, int(TRACK_STEP_S * rate))
    window = np.hanning(int(rate / f0_hz * 4) + 2)[1:-1]
    window /= window.sum()
    t = np.arange(len(audio)) / rate
    pitches, amplitudes = [], []
    for n in range(1, 9):
        if n * f0_hz > 0.4 * rate:
            break
        low = fftconvolve(audio * np.exp(-2j * np.pi * n * f0_hz * t), window, "same")[::step]
        turned = np.angle(low[1:] * np.conj(low[:-1])) / (2 * np.pi * step) * rate
        pitches.append(f0_hz + turned / n)
        amplitudes.append(np.abs(low[1:] * low[:-1]) ** 0.5)
    return np.array(pitches), np.array(amplitudes), step * fewer


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Along the first axis."""
    order = np.argsort(values, axis=0)
    share = np.cumsum(np.take_along_axis(weights, order, 0), axis=0)
    middle = np.argmax(share >= share[-1] / 2, axis=0)[None]
    return np.take_along_axis(np.take_along_axis(values, order, 0), middle, 0)[0]


@lru_cache(maxsize=128)
def _clean_key(program: str, key: int) -> int:
    """The key within a whole tone whose sample's partials agree best.

    Vibrato in a room cancels partials now and then; in some samples so much that nobody could say
    what their pitch is.
    """
    wrong = {}
    for near in (key, key - 1, key + 1, key - 2, key + 2):
        audio, _ = play(program, near, 2.0)
        own_hz = 440 * 2 ** ((near - 69) / 12)
        wrong[near] = mean_pitch(audio, FONT_RATE_HZ, own_hz, 0.3, 1.9)[1]
    return min(wrong, key=lambda k: (round(wrong[k], 1), abs(k - key)))


def _speed(own: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Playing speed at every output sample, so that a sound of pitch `own` comes out as `wanted`.

    The input position moves with the speed, so the two are solved together, in 2 ms steps.
    """
    step = int(TRACK_STEP_S * FONT_RATE_HZ)
    speed = np.empty(len(wanted))
    position = 0.0
    for start in range(0, len(wanted), step):
        block = wanted[start : start + step]
        here = own[min(int(position + step / 2), len(own) - 1)]
        speed[start : start + step] = block / here
        position += float(speed[start : start + step].sum())
    return speed


def _inside(t: np.ndarray, duration_s: float) -> np.ndarray:
    start, end = measured_window(duration_s)
    return (t >= start) & (t < end)


def first_sound(audio: np.ndarray) -> int:
    """The first sample that is louder than a fiftieth of the loudest."""
    return int(np.argmax(np.abs(audio) > 0.02 * np.abs(audio).max()))


def _delivered(audio: np.ndarray, rate_hz: int, level: float, lead_s: float) -> np.ndarray:
    from scipy.signal import resample_poly

    common = int(np.gcd(rate_hz, FONT_RATE_HZ))
    audio = resample_poly(audio, rate_hz // common, FONT_RATE_HZ // common)
    audio = audio * level / max(np.abs(audio).max(), 1e-12)
    return np.concatenate([np.zeros(round(lead_s * rate_hz)), audio]).astype(np.float32)


@lru_cache(maxsize=64)
def _rendered(program: int, key: int, duration_s: float, velocity: int, font: Path) -> np.ndarray:
    import soundfile

    if not font.is_file():
        raise FileNotFoundError(f"{font} is missing: apt-get install fluid-soundfont-gm")
    with tempfile.TemporaryDirectory() as folder:
        score, sound = Path(folder, "note.mid"), Path(folder, "note.wav")
        score.write_bytes(_midi(program, key, duration_s, velocity))
        command = [
            "fluidsynth",
            "-ni",
            "-q",
            "-R",
            "0",
            "-C",
            "0",
            "-g",
            "0.7",
            "-r",
            str(FONT_RATE_HZ),
        ]
        command += ["-o", "synth.dynamic-sample-loading=1", "-T", "wav", "-O", "float"]
        command += ["-F", str(sound), str(font), str(score)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        # The two channels are two microphones, almost unlike each other: mixed, they would beat.
        audio = soundfile.read(sound, always_2d=True)[0][:, 0]
    size = int((duration_s + TAIL_S) * FONT_RATE_HZ)
    return np.pad(audio[:size].astype(float), (0, max(0, size - len(audio))))


def _midi(program: int, key: int, duration_s: float, velocity: int) -> bytes:
    """A Standard MIDI File (format 0) of one note."""
    events = [
        (0, bytes([0xC0, program])),
        (0, bytes([0x90, key, velocity])),
        (round(duration_s * TICKS_PER_S), bytes([0x80, key, 0])),
        (round(TAIL_S * TICKS_PER_S), b"\xff\x2f\x00"),
    ]
    # One quarter note a second, so that a tick is 1/960 s.
    track = b"\x00\xff\x51\x03" + (1_000_000).to_bytes(3, "big")
    track += b"".join(_length(delta) + event for delta, event in events)
    head = struct.pack(">4sIHHH", b"MThd", 6, 0, 1, TICKS_PER_S)
    return head + struct.pack(">4sI", b"MTrk", len(track)) + track


def _length(number: int) -> bytes:
    """A variable-length quantity of the MIDI file format."""
    groups = [number & 127]
    while number := number >> 7:
        groups.append((number & 127) | 128)
    return bytes(reversed(groups))
