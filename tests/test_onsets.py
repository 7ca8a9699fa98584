"""The spectra in which notes are looked for, against SciPy's own and against themselves.

References: scipy.signal (short-time Fourier transform, frequency response of a filter) and
scipy.ndimage (running means): general-purpose libraries.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, signal

from conftest import ROOT
from pegmark.segment import spectrogram
from pegmark.segment.notes import pitch_search
from pegmark.signals.spectra import local_mean
from pegmark.trade.instruments import load_instruments

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")


def sound(seconds: float, seed: int = 1) -> np.ndarray:
    """Noise that grows and falls, so that no two frames are alike."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return (0.1 * rng.normal(size=len(t)) * (1.1 + np.sin(5 * t))).astype(np.float32)


def read(audio: np.ndarray, name: str = "cello") -> spectrogram.Block:
    instrument = INSTRUMENTS[name]
    floor = spectrogram.noise_floor(audio, instrument)
    return spectrogram.read_block(audio, RATE_HZ, pitch_search(instrument, RATE_HZ), floor)


def reference(audio: np.ndarray, size: int, hop: int) -> np.ndarray:
    """Magnitudes of frames centred on every hop-th sample, (frames, bins), by SciPy."""
    window = signal.get_window("hann", size)
    transform = signal.ShortTimeFFT(window, hop, RATE_HZ, scale_to="magnitude")
    frames = 1 + len(audio) // hop
    return 2 * np.abs(transform.stft(audio.astype(float), p0=0, p1=frames)).T


@pytest.mark.parametrize("seconds", [0.7, 3.0, 3.00275])
def test_frames_are_those_of_scipy(seconds):
    audio = sound(seconds)
    block = read(audio)
    for spectra, size, hop, closely in (
        (
            block.fine,
            spectrogram.FINE_SIZE,
            spectrogram.FINE_HOP,
            2e-5,
        ),  # filtered
        (block.deep, spectrogram.DEEP_SIZE, spectrogram.FINE_HOP, 2e-5),
        (block.long, spectrogram.LONG_SIZE, spectrogram.LONG_HOP, 1e-6),
    ):
        expected = reference(audio, size, hop)[:, : spectra.shape[1]]
        assert spectra.shape == expected.shape
        whole = slice(size // hop, -size // hop)  # frames that do not hear the audio's ends
        assert spectra[whole] == pytest.approx(expected[whole], abs=closely)


def test_the_low_pass_filter_keeps_what_is_asked_and_stops_what_would_come_back():
    hz, response = signal.freqz(spectrogram.LOW_PASS, worN=4096, fs=RATE_HZ)
    kept, back = spectrogram.FLUX_HZ[1], RATE_HZ / spectrogram.SLOWER - spectrogram.FLUX_HZ[1]
    assert 20 * np.log10(np.abs(response[hz <= kept])) == pytest.approx(0, abs=0.01)
    assert 20 * np.log10(np.abs(response[hz >= back]).max()) < -70


def test_only_low_instruments_have_deep_frames():
    assert read(sound(1), "violin").deep is None
    assert read(sound(1), "double bass").deep is not None


@pytest.mark.parametrize("span", [(0, 100), (9000, 30000), (47000, 48000)])
def test_a_block_read_again_where_it_changed_is_as_if_read_anew(span):
    audio, other = sound(3), sound(3, seed=2)
    changed = audio.copy()
    changed[slice(*span)] = other[slice(*span)]
    block = read(audio)
    spectrogram.read_again(block, changed, *span)
    anew = read(changed)
    for name in ("audio", "fine", "deep", "long", "salience"):
        assert np.array_equal(getattr(block, name), getattr(anew, name)), name


@pytest.mark.parametrize("half", [1, 7, 200])
def test_the_local_mean_is_shorter_at_the_ends(half):
    rows = np.abs(sound(0.1)).reshape(16, 100)
    whole = ndimage.uniform_filter1d(rows, 2 * half + 1, axis=1, mode="constant")
    ones = ndimage.uniform_filter1d(np.ones(100), 2 * half + 1, mode="constant")
    assert local_mean(rows, half) == pytest.approx(whole / ones, rel=1e-4)
