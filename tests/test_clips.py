"""Clips: the right passage, clean ends, one level, bounded length, the same bytes."""

import io

import av
import numpy as np
import pytest

from pegmark.render import clips

RATE_HZ = 16000


def decoded(mp3: bytes) -> np.ndarray:
    with av.open(io.BytesIO(mp3)) as container:
        (stream,) = container.streams.audio
        assert (stream.rate, stream.channels) == (RATE_HZ, 1)
        return np.concatenate([frame.to_ndarray()[0] for frame in container.decode(stream)])


def take(seconds: float = 12.0) -> np.ndarray:
    """Quiet noise; 440 Hz from 4 to 6 s, 1000 Hz (as "speech") from 8 to 9 and 10 to 10.5 s."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    audio = 1e-4 * np.random.default_rng(3).standard_normal(len(t))
    audio += 0.02 * np.sin(2 * np.pi * 440 * t) * ((t >= 4) & (t < 6))
    audio += 0.5 * np.sin(2 * np.pi * 1000 * t) * (((t >= 8) & (t < 9)) | ((t >= 10) & (t < 10.5)))
    return audio.astype(np.float32)


def record(deciding=None, speech=()):
    return {"strings": {"F#1": {"deciding": deciding}, "B1": {"deciding": None}},
            "speech": [{"start_s": a, "end_s": b} for a, b in speech],
            "score": {"criteria": []}}  # fmt: skip


def peak_hz(sound):
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    return np.argmax(spectrum) * RATE_HZ / len(sound)


def test_the_deciding_passage_and_its_room():
    made = clips.cut_clips(take(), RATE_HZ, record({"start_s": 4.0, "end_s": 6.0}))
    assert list(made) == ["Fs1.mp3"]
    sound = decoded(made["Fs1.mp3"])
    assert len(sound) / RATE_HZ == pytest.approx(2 + 2 * clips.ROOM_S, abs=0.08)
    assert peak_hz(sound) == pytest.approx(440, abs=1)


def test_levels_are_even():
    made = clips.cut_clips(take(), RATE_HZ, record({"start_s": 4, "end_s": 6}, [(8, 9)]))
    levels = [20 * np.log10(np.sqrt(np.mean(decoded(mp3) ** 2))) for mp3 in made.values()]
    assert levels == pytest.approx([clips.LEVEL_DBFS] * 2, abs=0.6)


def test_a_sharp_peak_is_not_clipped():
    audio = np.full(RATE_HZ * 3, 1e-4, np.float32)
    audio[RATE_HZ] = 1.0
    levelled = clips._levelled(audio.astype(float))
    assert np.max(np.abs(levelled)) == pytest.approx(10 ** (clips.PEAK_DBFS / 20))


def test_spoken_passages_are_joined():
    made = clips.cut_clips(take(), RATE_HZ, record(None, [(10, 10.5), (8, 8.9)]))
    sound = decoded(made["speech.mp3"])
    expected_s = 0.9 + 0.5 + 4 * clips.ROOM_S + clips.PAUSE_S
    assert len(sound) / RATE_HZ == pytest.approx(expected_s, abs=0.1)


def test_spoken_passages_whose_rooms_meet_are_not_heard_twice():
    made = clips.cut_clips(take(), RATE_HZ, record(None, [(8, 8.5), (8.6, 9)]))
    assert len(decoded(made["speech.mp3"])) / RATE_HZ == pytest.approx(
        1 + 2 * clips.ROOM_S, abs=0.1
    )


def test_lengths_are_bounded():
    audio = np.zeros(RATE_HZ * 300, np.float32) + 0.01
    made = clips.cut_clips(audio, RATE_HZ, record({"start_s": 0, "end_s": 300}, [(0, 300)]))
    assert len(decoded(made["Fs1.mp3"])) / RATE_HZ <= clips.STRING_MAX_S + 0.1
    assert len(decoded(made["speech.mp3"])) / RATE_HZ <= clips.SPEECH_MAX_S + 0.1


def test_ends_fade():
    made = clips._passage(np.ones(RATE_HZ * 3, np.float32), RATE_HZ, 1.0, 2.0)
    assert made[0] == made[-1] == 0
    assert made[len(made) // 2] == 1


def test_a_passage_past_the_end_gives_no_clip():
    assert clips.cut_clips(take(2), RATE_HZ, record({"start_s": 4, "end_s": 6}, [(4, 5)])) == {}


def test_silence_stays_silence():
    audio = np.zeros(RATE_HZ * 3, np.float32)
    made = clips.cut_clips(audio, RATE_HZ, record({"start_s": 1, "end_s": 2}))
    assert np.max(np.abs(decoded(made["Fs1.mp3"]))) < 1e-3


def test_the_same_audio_gives_the_same_bytes():
    what = record({"start_s": 4, "end_s": 6}, [(8, 9)])
    assert clips.cut_clips(take(), RATE_HZ, what) == clips.cut_clips(take(), RATE_HZ, what)
