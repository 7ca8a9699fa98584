"""An A that opens a take and lies above all that an instrument's strings can sound.

The A of a violin or an oboe is three octaves over a bass's own: the search for notes does not go
there. Before the first note of the take, and nowhere else, it is looked for by itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pegmark.segment.spectrogram import LONG_HOP, LONG_SIZE
from pegmark.signals.salience import SALIENCE_STEP_CENTS, PitchSearch
from pegmark.signals.spectra import Array, magnitudes

if TYPE_CHECKING:
    from pegmark.records.take import Note

Floats = NDArray[np.float64]

A_HZ = (404.0, 453.0)  # the A of 412 to 445 Hz, and a little beside it
LATEST_S = 60.0  # into the take
HIGH_A_LEAST_S = 0.5  # for so long it is there ...
SALIENCE = 5.0  # ... so clearly (a string has 6 to 15, white noise 2.5) ...
STEADY_CENTS = 25.0  # ... and moves no further than this from frame to frame: a voice does


def find_high_a(audio: Array, rate_hz: float, until_s: float, highest_hz: float) -> list[Note]:
    """The A of 440 Hz, or near it, sounded before `until_s`, as notes; none where it is a string's.

    Parameters
    ----------
    audio : shape (samples,), the take.
    highest_hz : up to here notes are found anyway.
    """
    stretch = audio[: round(min(until_s, LATEST_S) * rate_hz)]
    if highest_hz > A_HZ[1] or len(stretch) < LONG_SIZE:
        return []
    search = PitchSearch(*A_HZ, LONG_SIZE, rate_hz)
    spectra = np.concatenate(list(magnitudes(stretch, LONG_SIZE, LONG_HOP)))
    white = search.whiten(spectra)
    salience = search.salience(white)
    best = salience.argmax(axis=1)
    clear = (salience.max(axis=1) > SALIENCE) & (best > 0) & (best < len(search.f0_hz) - 1)
    hop_s, half_s = LONG_HOP / rate_hz, LONG_SIZE / rate_hz / 2
    found: list[Note] = []
    for first, last in _steady_runs(clear, best):
        if (last - first) * hop_s < HIGH_A_LEAST_S:
            continue
        rough = search.f0_hz[[int(np.median(best[first:last]))]]
        f0_hz = float(search.refine(white[first:last].mean(axis=0, keepdims=True), rough)[0])
        peak = spectra[first:last, round(f0_hz / search.bin_hz)].max()
        found.append(
            {
                "start_s": first * hop_s + half_s / 2,
                "end_s": last * hop_s + half_s,
                "kind": "reference_tone",
                "f0_hz": f0_hz,
                "snr_db": None,
                "level_db": float(20 * np.log10(peak + 1e-7)),
                "salience": None,
            }
        )
    return found


def _steady_runs(clear: NDArray[np.bool_], best: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Begin and end of the runs of clear frames whose pitch hardly moves."""
    still = np.abs(np.diff(best, prepend=best[:1])) * SALIENCE_STEP_CENTS <= STEADY_CENTS
    runs: list[tuple[int, int]] = []
    begin: int | None = None
    for k, (here, goes_on) in enumerate(zip([*clear, False], [*still, False], strict=True)):
        if begin is not None and not (here and goes_on):
            runs.append((begin, k))
            begin = None
        if here and begin is None:
            begin = k
    return runs
