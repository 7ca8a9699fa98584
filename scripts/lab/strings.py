"""Notes of a bowed instrument's string, plucked, bowed and touched, with exact truth.

The model is modal: every partial is a sinusoid whose phase is the integral of its own frequency,
so the pitch of a note is known to the sample. A pluck has

* a stiff-string series f_n = n f_1 sqrt((1 + B n^2) / (1 + B))  (Fletcher & Rossing, The Physics of
  Musical Instruments, 2.18: from memory),
* a start that stands sharp with the string's energy, f(t) = f_inf (1 + c E(t)), tension modulation
  (Legge & Fletcher 1984: from memory),
* two polarizations, slightly detuned, one of which dies sooner (Weinreich 1977: from memory),
* a body whose resonances pull the partials near them and shorten them: the complex shift
  eps (x - i) / (1 + x^2) of a string loaded by a weakly coupled resonator (Gough 1981: from
  memory).

A bow gives a locked harmonic series (Helmholtz motion) that wanders, and turns its sign when the
bow changes direction.

Every generator returns (audio, truth): float32 samples, full scale +-1, and a dict with at least
kind, f_inf_hz, onset_s, end_s (seconds in the audio).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

CentsPath = Callable[[np.ndarray], np.ndarray] | Sequence[tuple[float, float]] | None
Note = tuple[np.ndarray, dict[str, Any]]

PLAYED_TOP_HZ = 9000.0  # partials above are left out: a phone's codec keeps little of them
PLAYED_PARTIALS = 40
STEADY_START_S = 0.25  # a pitch is measured from here after the onset (design, section 3)
STEADY_END_S = 0.2  # and to here before the end of a bow
CONTROL_HZ = 200.0  # rate of the slow curves: amplitudes, wander, pulled partials

# Main air and wood resonances in Hz, rounded from common practice, no source.
BODY_MODES = {
    "violin": (275.0, 450.0, 540.0),
    "viola": (230.0, 350.0, 420.0),
    "cello": (98.0, 175.0, 220.0),
    "double bass": (60.0, 100.0, 150.0),
}
# Light strings on a light body are pulled less; the shares put violins at 2-16 cents.
BODY_PULL_SHARE = {"violin": 0.4, "viola": 0.5, "cello": 1.0, "double bass": 1.0}


@dataclass(frozen=True)
class Body:
    """An instrument's body: what it radiates and how it pulls the string's partials.

    modes_hz and q are its resonances; pull_cents is the largest shift of a partial beside one of
    them (5-40 cents on real instruments); tilt holds the gain in dB at TILT_HZ.
    """

    modes_hz: tuple[float, ...]
    q: float = 15.0
    pull_cents: float = 15.0
    tilt_db: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

    @classmethod
    def of(cls, instrument: str, seed: int, pull_cents: float | None = None) -> Body:
        """A body of one of the four instruments; every seed another one."""
        rng = np.random.default_rng([seed, 101])
        modes = np.array(BODY_MODES[instrument]) * rng.uniform(0.94, 1.06, 3)
        drawn = 5 * 8 ** float(rng.random()) * BODY_PULL_SHARE[instrument]
        pull = drawn if pull_cents is None else pull_cents
        tilt = rng.normal(0, 4, len(TILT_HZ)) + np.array([0, 0, 2, 8, 10, 0])
        return cls(tuple(modes), float(rng.uniform(10, 25)), pull, tuple(tilt))

    @classmethod
    def outside(cls, instrument: str, seed: int) -> Body:
        """A body unlike those of `of`: all modes moved 0.7 to 1.4 times, each a little more, any Q.

        Of part-size instruments the modes lie higher, of large ones lower; strings are the same.
        """
        rng = np.random.default_rng([seed, 103])
        usual = cls.of(instrument, seed)
        while 0.94 < (moved := 0.7 * 2 ** float(rng.random())) < 1.06:
            pass
        modes = np.array(usual.modes_hz) * moved * rng.uniform(0.92, 1.08, len(usual.modes_hz))
        return replace(usual, modes_hz=tuple(modes), q=float(5 * 10 ** rng.random()))

    def gain(self, hz: np.ndarray) -> np.ndarray:
        """Linear gain of what is radiated at `hz`."""
        total = np.zeros(np.shape(hz), complex)
        for mode in self.modes_hz:
            x = hz / mode
            total += x**2 / (1 - x**2 + 1j * x / self.q) / len(self.modes_hz)
        total *= np.minimum(1, hz / self.modes_hz[0]) ** 2  # air and wood cancel below both
        dips = np.abs(total) + 0.05 * np.minimum(1, hz / self.modes_hz[0]) ** 2
        loud = np.minimum(dips, 4.0)  # 12 dB: a string drives its body only so hard
        return loud * 10 ** (np.interp(np.log(hz), np.log(TILT_HZ), self.tilt_db) / 20)

    def shift(self, hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(cents, added decay in 1/s) of a string's partial at `hz`."""
        cents, decay = np.zeros(np.shape(hz)), np.zeros(np.shape(hz))
        if self.pull_cents == 0:
            return cents, decay
        for mode in self.modes_hz:
            x = (hz - mode) * 2 * self.q / mode
            cents = cents + 2 * self.pull_cents * x / (1 + x**2)
            decay = decay + 2 * np.pi * hz * (_ratio(2 * self.pull_cents) - 1) / (1 + x**2)
        return cents, decay


TILT_HZ = np.array([60.0, 200.0, 600.0, 1500.0, 3000.0, 6000.0])
PLAIN_BODY = Body((1.0,), pull_cents=0.0)


def pluck(
    f0_hz: float,
    duration_s: float,
    rate_hz: int,
    *,
    seed: int,
    b: float = 5e-5,
    position: float = 0.17,
    glide_cents: float = 0.0,
    polarization_cents: float = 0.4,
    body: Body = PLAIN_BODY,
    t60_s: float | None = None,
    loudness: float = 0.5,
    level: float = 0.3,
    lead_s: float = 0.0,
    path: CentsPath = None,
) -> Note:
    """A plucked note.

    Parameters
    ----------
    f0_hz : the pitch, f_inf: first partial of the series for vanishing amplitude.
    duration_s : from the onset to the end, where a finger stops what still sounds.
    b : inharmonicity B of the stiff string.
    position : where the string is plucked, as a part of its length.
    glide_cents : how far the very start stands above f_inf.
    polarization_cents : how far the two polarizations stand apart; f_inf is their mean, weighted
        with the energy they have from STEADY_START_S on.
    t60_s : time in which the lowest partial falls by 60 dB; None: fitting the pitch.
    loudness : 0 soft and round to 1 hard and bright.
    level : peak of the audio, full scale 1.
    lead_s : silence before.
    path : how the pitch moves, cents against f0_hz over seconds from the onset (function, or
        corners joined by straight lines); None: it stays.

    Truth also has attack_drift_cents (f at 50-150 ms against f_inf), and with a path f_inf_hz is
    the mean over the path from STEADY_START_S to the end, start_hz and end_hz its ends.
    """
    rng = np.random.default_rng(seed)
    size = round(duration_s * rate_hz)
    t = np.arange(size) / rate_hz
    number, hz = _series(f0_hz, b, rate_hz)
    brightness_hz = 1500 + 6000 * loudness
    finger = 4 + 14 * loudness  # partials that a fingertip's width lets through
    comb = 0.03 + np.abs(np.sin(np.pi * number * position))
    string = comb / number * np.exp(-hz / brightness_hz - number / finger)
    t60 = t60_s if t60_s is not None else 2.2 * np.sqrt(220 / f0_hz)
    pulled, damped = body.shift(hz)
    decay = 6.908 / t60 * (1 + (hz / 1500) ** 1.5) + damped

    # Across the bridge's soft direction a string is coupled more and dies sooner.
    share = rng.uniform(0.5, 0.8)
    voices = [(share, decay * 1.3), (1 - share, decay * 0.7)]
    slow = np.arange(0, duration_s + 1 / CONTROL_HZ, 1 / CONTROL_HZ)
    power = [(np.exp(-2 * np.outer(slow, d)) * (w * string) ** 2).sum(axis=1) for w, d in voices]
    energy = (power[0] + power[1]) / (power[0][0] + power[1][0])
    late = slow >= min(STEADY_START_S, duration_s / 3)
    weight = float(power[0][late].sum() / (power[0][late].sum() + power[1][late].sum()))
    apart = (polarization_cents * (1 - weight), -polarization_cents * weight)

    cents = along(path, t)
    track = f0_hz * _ratio(cents) * (1 + (_ratio(glide_cents) - 1) * np.interp(t, slow, energy))
    gain = string * body.gain(hz)
    audio = np.zeros(size)
    phases = rng.uniform(0, 0.15, len(number))  # one release starts both polarizations
    for (share, rates), offset in zip(voices, apart, strict=True):
        for i in range(len(number)):
            ratio = hz[i] / f0_hz * _pull(body, hz[i], pulled[i], cents) * _ratio(offset)
            phase = np.cumsum(track * ratio) / rate_hz if path is not None else None
            if phase is None:
                if i == 0:
                    base = np.cumsum(track) / rate_hz
                phase = base * ratio
            audio += share * gain[i] * np.exp(-rates[i] * t) * _sine(phase + phases[i])
    audio += _click(rng, t, rate_hz) * 0.12 * np.abs(audio).max()
    audio *= np.minimum(1, t / 0.0015) * np.clip((duration_s - t) / 0.012, 0, 1)
    audio *= level / max(np.abs(audio).max(), 1e-12)
    settled = t >= min(STEADY_START_S, duration_s / 3)
    still = f0_hz * _ratio(cents)
    f_inf = float(still[settled].mean())
    early = (t >= 0.05) & (t < 0.15)
    truth = {
        "kind": "plucked",
        "f_inf_hz": f_inf,
        "onset_s": lead_s,
        "end_s": lead_s + duration_s,
        "start_hz": float(still[0]),
        "end_hz": float(still[-1]),
        "attack_drift_cents": float(1200 * np.log2((track / still)[early].mean()))
        if early.any()
        else None,
        "b": b,
        "glide_cents": glide_cents,
        "energy": [(float(a), float(e)) for a, e in zip(slow[::10], energy[::10], strict=True)],
    }
    return _with_lead(audio, lead_s, rate_hz), truth


def bow(
    f0_hz: float,
    duration_s: float,
    rate_hz: int,
    *,
    seed: int,
    wander_cents: float = 2.0,
    attack_s: float = 0.08,
    attack_cents: float = -6.0,
    changes_s: Sequence[float] = (),
    body: Body = PLAIN_BODY,
    noise_db: float = -30.0,
    level: float = 0.3,
    lead_s: float = 0.0,
    ring_s: float = 0.4,
    stop_s: float | None = None,
    swell_db: Sequence[float] = (),
    path: CentsPath = None,
) -> Note:
    """A bowed note of an open string, without vibrato.

    Parameters
    ----------
    f0_hz : the pitch: its mean from STEADY_START_S after the start to STEADY_END_S before the end.
    duration_s : how long the bow moves; afterwards the string rings for ring_s.
    wander_cents : standard deviation of a slow random walk of the pitch.
    attack_s : time to full loudness (0.03 a bite, 0.3 a soft start).
    attack_cents : how far off the start stands; it is gone after some 150 ms.
    changes_s : times at which the bow changes direction.
    noise_db : level of the bow's noise under the note.
    stop_s : the bow stays on the string and stops it (by 60 dB) within so long; None: it leaves.
    swell_db : levels spread evenly over the bow, straight lines between.
    path, level, lead_s : as in `pluck`.

    Truth also has wander_cents, and with a path start_hz and end_hz.
    """
    rng = np.random.default_rng(seed)
    size = round((duration_s + ring_s) * rate_hz)
    t = np.arange(size) / rate_hz
    number, hz = _series(f0_hz, 0.0, rate_hz)
    wander = slow_wander(rng, duration_s + ring_s, wander_cents, t)
    dips, sign = _changes(t, changes_s, rng)
    start = attack_cents * np.exp(-t / 0.04)
    window = measured_window(duration_s)
    inside = (t >= window[0]) & (t < window[1])
    cents = along(path, t)
    own = wander + start - 4.0 * (1 - dips)  # the pitch sags where the bow lets go
    own -= 1200 * np.log2(_ratio(own)[inside].mean())
    track = f0_hz * _ratio(cents + own)

    gain = body.gain(hz) / number * np.exp(-hz / 6000)
    swell = 1 + 0.12 * slow_wander(rng, duration_s + ring_s, 1.0, t).clip(-2, 2)
    ring = 6.908 / (2.0 * np.sqrt(220 / f0_hz))
    base = np.cumsum(track) / rate_hz
    audio = np.zeros(size)
    for i, n in enumerate(number):
        rise = np.clip(t / (attack_s * (1 + 0.04 * n)), 0, 1)
        after = np.maximum(0, t - duration_s)
        envelope = rise**2 * (3 - 2 * rise) * np.exp(-ring * (1 + (hz[i] / 1500) ** 1.5) * after)
        audio += gain[i] * envelope * _sine(base * n)
    audio *= swell * dips * sign * bow_level(t, duration_s, swell_db, stop_s)
    bowing = np.clip(t / 0.02, 0, 1) * np.clip((duration_s - t) / 0.03, 0, 1)
    loud = np.sqrt(np.mean(audio[inside] ** 2)) if inside.any() else np.abs(audio).max()
    audio += _hiss(rng, size, rate_hz, f0_hz) * loud * 10 ** (noise_db / 20) * bowing
    audio *= level / max(np.abs(audio).max(), 1e-12) * np.clip((t[-1] - t) / 0.02, 0, 1)
    truth = {
        "kind": "bowed",
        "f_inf_hz": float(track[inside].mean()),
        "onset_s": lead_s,
        "end_s": lead_s + duration_s,
        "start_hz": float(f0_hz * _ratio(cents[0])),
        "end_hz": float(f0_hz * _ratio(cents[min(size - 1, int(duration_s * rate_hz))])),
        "wander_cents": float(np.std(own[inside])) if inside.any() else None,
        "changes_s": [lead_s + c for c in changes_s],
        "b": 0.0,
    }
    return _with_lead(audio, lead_s, rate_hz), truth


def two_strings(
    low_hz: float,
    high_hz: float,
    duration_s: float,
    rate_hz: int,
    *,
    seed: int,
    balance_db: float = 0.0,
    level: float = 0.3,
    **bowing: Any,
) -> Note:
    """Two neighbouring strings under one bow; balance_db is the upper one's level over the lower.

    `bowing` are options of `bow`. Truth has f_inf_hz (lower), f_inf_2_hz (upper), interval_cents,
    beats_hz: |2 f_2 - 3 f| for a fifth, |3 f_2 - 4 f| for a fourth.
    """
    low, truth = bow(low_hz, duration_s, rate_hz, seed=seed, **bowing)
    high, other = bow(high_hz, duration_s, rate_hz, seed=seed + 7919, **bowing)
    audio = low / _rms(low) + high / _rms(high) * 10 ** (balance_db / 20)
    f1, f2 = truth["f_inf_hz"], other["f_inf_hz"]
    interval = float(1200 * np.log2(f2 / f1))
    beats = abs(2 * f2 - 3 * f1) if interval > 600 else abs(3 * f2 - 4 * f1)
    truth |= {"kind": "two_strings", "f_inf_2_hz": f2, "interval_cents": interval}
    truth |= {"beats_hz": float(beats)}
    return (audio * level / np.abs(audio).max()).astype(np.float32), truth


def touched_harmonic(
    open_hz: float,
    node: int,
    duration_s: float,
    rate_hz: int,
    *,
    seed: int,
    by: str = "plucked",
    **options: Any,
) -> Note:
    """The string touched at 1/node of its length: only every node-th partial sounds.

    Truth: f_inf_hz is what sounds, open_hz the open string's pitch.
    """
    b = options.pop("b", 5e-5) if by == "plucked" else 0.0
    sounding = node * open_hz * float(np.sqrt((1 + b * node**2) / (1 + b)))
    if by == "plucked":
        t60 = options.pop("t60_s", 2.2 * np.sqrt(220 / open_hz))
        options |= {"b": b * node**2, "t60_s": t60}
        options.setdefault("position", 0.37)
        audio, truth = pluck(sounding, duration_s, rate_hz, seed=seed, **options)
    else:
        audio, truth = bow(sounding, duration_s, rate_hz, seed=seed, **options)
    return audio, truth | {"kind": "harmonic", "open_hz": open_hz, "node": node}


def turn(
    f0_hz: float,
    path: CentsPath,
    duration_s: float,
    rate_hz: int,
    *,
    seed: int,
    by: str = "plucked",
    **options: Any,
) -> Note:
    """A plucked or bowed string whose pitch moves along `path` while it sounds."""
    make = pluck if by == "plucked" else bow
    return make(f0_hz, duration_s, rate_hz, seed=seed, path=path, **options)


def measured_window(duration_s: float) -> tuple[float, float]:
    """Seconds after a bow's start between which its pitch is taken; short bows: the middle."""
    if duration_s < STEADY_START_S + STEADY_END_S + 0.1:
        return duration_s / 3, 2 * duration_s / 3
    return STEADY_START_S, duration_s - STEADY_END_S


def _series(f0_hz: float, b: float, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    number = np.arange(1, PLAYED_PARTIALS + 1)
    hz = number * f0_hz * np.sqrt((1 + b * number**2) / (1 + b))
    keep = hz < min(PLAYED_TOP_HZ, 0.46 * rate_hz)
    return number[keep], hz[keep]


def _ratio(cents: Any) -> Any:
    return 2.0 ** (np.asarray(cents) / 1200)


def _sine(cycles: np.ndarray) -> np.ndarray:
    return np.sin((2 * np.pi * (cycles - np.floor(cycles))).astype(np.float32))


def along(path: CentsPath, t: np.ndarray) -> np.ndarray:
    """The cents of a path at the times t in s."""
    if path is None:
        return np.zeros(len(t))
    if callable(path):
        return np.asarray(path(t), float)
    corners = np.asarray(path, float)
    return np.interp(t, corners[:, 0], corners[:, 1])


def _pull(body: Body, hz: float, settled_cents: float, cents: np.ndarray) -> Any:
    """The body's pull as a factor: a number, or a curve where the pitch moves."""
    if body.pull_cents == 0 or np.ptp(cents) < 1e-9:
        return float(_ratio(settled_cents))
    return _ratio(body.shift(hz * _ratio(cents))[0])


def slow_wander(
    rng: np.random.Generator, duration_s: float, sd: float, t: np.ndarray
) -> np.ndarray:
    """A slow random curve: noise through two 60 ms smoothings, of standard deviation `sd`."""
    size = int(duration_s * CONTROL_HZ) + 400
    noise = rng.normal(size=size)
    kernel = np.exp(-np.arange(100) / (0.06 * CONTROL_HZ))
    curve = np.convolve(np.convolve(noise, kernel)[:size], kernel)[200:size]
    curve = (curve - curve.mean()) / max(curve.std(), 1e-9) * sd
    return np.interp(t, np.arange(len(curve)) / CONTROL_HZ, curve)


def _changes(
    t: np.ndarray, changes_s: Sequence[float], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """(loudness, sign) of a bow that changes direction: the Helmholtz corner runs the other way."""
    dips, sign = np.ones(len(t)), np.ones(len(t))
    for change in changes_s:
        half = rng.uniform(0.03, 0.07)
        dips *= 1 - rng.uniform(0.6, 0.95) * np.exp(-(((t - change) / half) ** 2))
        sign *= np.tanh((change - t) / 0.008)
    return dips, sign


def bow_level(
    t: np.ndarray, duration_s: float, swell_db: Sequence[float], stop_s: float | None
) -> np.ndarray:
    """What a bow's swelling, and a bow that stays on the string, make of its loudness at t in s."""
    level = np.ones(len(t))
    if swell_db:
        level = 10 ** (np.interp(t, np.linspace(0, duration_s, len(swell_db)), swell_db) / 20)
    if stop_s is not None:
        level = level * np.exp(-6.908 * np.maximum(0, t - duration_s) / stop_s)
    return level


def _click(rng: np.random.Generator, t: np.ndarray, rate_hz: int) -> np.ndarray:
    """The click of the finger leaving the string: a few milliseconds of dull noise."""
    noise = np.convolve(rng.normal(size=len(t)), np.ones(max(1, rate_hz // 4000)), "same")
    noise *= np.exp(-t / 0.004)
    return noise / max(np.abs(noise).max(), 1e-12)


def _hiss(rng: np.random.Generator, size: int, rate_hz: int, f0_hz: float) -> np.ndarray:
    """The bow's noise: broad, strongest at 1-4 kHz, unit RMS."""
    spectrum = np.fft.rfft(rng.normal(size=size))
    hz = np.fft.rfftfreq(size, 1 / rate_hz)
    shape = (hz / 800) / (1 + (hz / 800) ** 2) * (hz > f0_hz / 2)
    noise = np.fft.irfft(spectrum * shape, size)
    return noise / _rms(noise)


def _rms(audio: np.ndarray) -> float:
    return float(max(np.sqrt(np.mean(np.square(audio, dtype=float))), 1e-12))


def _with_lead(audio: np.ndarray, lead_s: float, rate_hz: int) -> np.ndarray:
    lead = np.zeros(round(lead_s * rate_hz))
    return np.concatenate([lead, audio]).astype(np.float32)
