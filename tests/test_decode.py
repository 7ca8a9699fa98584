"""Decoding: any container in, the same sound out, nothing else touched.

Checked against the arithmetic of the tones that went in, and against scipy's polyphase resampler.
"""

from __future__ import annotations

import io
import os
import re
import struct
import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest
from scipy.signal import firwin, resample_poly

from lab.containers import CONTAINERS, write_recording
from pegmark.decode import decode_recording
from pegmark.decode.recording import FORMATS, RATE_HZ
from soundfiles import encode, frequency_hz, level_db, sparse_wav, tone

SCRIPTS = Path(__file__).resolve().parents[1] / "scripts"
PICTURE = np.full((144, 176, 3), 120, np.uint8)
MEMORY_MB = 300
RATES = (48000, 44100)
KNOWN_CODEC, UNKNOWN_CODEC = b"A_PCM/INT/LIT", b"A_UNHEARD/OF!"


def decode(content: bytes, max_s: float = 1200.0):
    return decode_recording(io.BytesIO(content), max_s)


def codes(facts) -> list[str]:
    return [one["code"] for one in facts["problems"]]


def cents(hz: float, target_hz: float) -> float:
    return float(1200 * np.log2(hz / target_hz))


def inside(audio):
    """The sound without its first and last tenth of a second."""
    return audio[RATE_HZ // 10 : -RATE_HZ // 10]


# -- containers ---------------------------------------------------------------------------------

# container, codec, rate
OTHERS = {
    "wma": ("asf", "wmav2", 44100),
    "avi": ("avi", "mp3", 44100),
    "mpegts": ("mpegts", "aac", 48000),
    "adts": ("adts", "aac", 44100),
    "caf": ("caf", "alac", 48000),
    "m4a, lossless": ("ipod", "alac", 48000),
    "au": ("au", "pcm_s16be", 44100),
    "w64": ("w64", "pcm_s24le", 44100),
    "mka": ("matroska", "eac3", 48000),
    "wav, mu-law": ("wav", "pcm_mulaw", 8000),
}


def check_tone(content: bytes, exact_cents: float) -> None:
    audio, facts = decode(content)
    assert facts["status"] == "ok", facts
    assert facts["problems"] == []
    assert facts["duration_s"] == pytest.approx(3.0, abs=0.11)  # a codec's last frames
    assert len(audio) == facts["samples"] == round(facts["duration_s"] * RATE_HZ)
    assert audio.dtype == np.float32
    steady = audio[RATE_HZ // 2 : RATE_HZ * 5 // 2]
    assert abs(cents(frequency_hz(steady, RATE_HZ, 440), 440)) < exact_cents
    assert level_db(steady) == pytest.approx(0, abs=2.0)  # AMR takes 1.5 dB off


@pytest.mark.parametrize("kind", sorted(CONTAINERS))
def test_every_container_of_phones_laptops_and_browsers(kind):
    rate_hz = 8000 if kind in ("3gp", "amr") else 48000
    bit_rate = 12200 if rate_hz == 8000 else 64000
    out = io.BytesIO()
    sound = tone(440, 3, rate_hz)
    write_recording(out, sound, rate_hz, kind=kind, bit_rate=bit_rate, picture=PICTURE)
    check_tone(out.getvalue(), 0.1)


@pytest.mark.parametrize("kind", sorted(OTHERS))
def test_containers_of_learning_platforms_and_old_recorders(kind):
    container, codec, rate_hz = OTHERS[kind]
    check_tone(encode(tone(440, 3, rate_hz), rate_hz, container, codec), 0.1)


LIVE = {
    "browser": ("webm", "libopus", {"live": "1"}),
    "fragments": (
        "mp4",
        "aac",
        {"movflags": "frag_keyframe+empty_moov", "frag_duration": "500000"},
    ),
}


@pytest.mark.parametrize("kind", sorted(LIVE))
def test_recordings_written_while_they_are_made(kind):
    """Browsers and cameras that write as they go leave no length behind, or many pieces."""
    container, codec, options = LIVE[kind]
    content = encode(tone(440, 3, 48000), 48000, container, codec, options=options)
    check_tone(content, 0.1)
    audio, facts = decode(content[: len(content) * 2 // 3])  # the tablet fell asleep
    assert facts["status"] == "ok"
    assert 1.5 < len(audio) / RATE_HZ < 2.5


def test_the_facts_of_a_container():
    metadata = {"creation_time": "2026-03-04T17:12:33Z"}
    sound = tone(440, 2, 44100)[:, None].repeat(2, 1)
    audio, facts = decode(encode(sound, 44100, "mp4", "aac", metadata=metadata))
    assert facts == {
        "status": "ok",
        "problems": [],
        "container": "mov",
        "codec": "aac",
        "sample_rate_hz": 44100,
        "channels": 2,
        "channel_choice": "mix",
        "duration_s": len(audio) / RATE_HZ,
        "declared_duration_s": pytest.approx(2.0, abs=0.05),
        "recorded_at": "2026-03-04T17:12:33+00:00",
        "clipped_fraction": 0.0,
        "filled_s": 0.0,
        "cut": False,
        "rate_hz": RATE_HZ,
        "samples": len(audio),
    }


@pytest.mark.parametrize("date", ["1904-01-01T00:00:00Z", "1970-01-01T00:00:00Z", "soon", ""])
def test_a_clock_that_was_never_set_is_no_recording_time(date):
    _, facts = decode(
        encode(tone(440, 2, 44100), 44100, "matroska", "aac", metadata={"creation_time": date})
    )
    assert facts["recorded_at"] is None


def test_the_name_says_nothing(tmp_path):
    """The same content gives the same bytes under any name: a take is known by its content."""
    content = encode(tone(440, 2, 44100), 44100, "mp3", "mp3")
    sounds = []
    for name in (
        "a.mp3",
        "a.wav",
        "a.mp4",
        "a.m3u8",
        "a.txt",
        "concat:a.mp3|a.wav",
        "-",
        "a%03d.png",
    ):
        (tmp_path / name).write_bytes(content)
        sounds.append(decode_recording(tmp_path / name)[0].tobytes())
    assert len(sounds[0]) > 4 * RATE_HZ
    assert set(sounds) == {sounds[0]}


def test_the_sound_track_that_can_be_read_is_taken():
    """A phone's spatial sound is a second track of a kind of its own: the plain one is read."""
    out = io.BytesIO()
    with av.open(out, "w", format="matroska") as container:
        streams = [container.add_stream("pcm_s16le", rate=hz, layout="mono") for hz in RATES]
        for stream, rate_hz in zip(streams, RATES, strict=True):
            sound = (tone(440, 2, rate_hz) * 32767).astype(np.int16)
            frame = av.AudioFrame.from_ndarray(sound[None], format="s16", layout="mono")
            frame.sample_rate, frame.pts = rate_hz, 0
            container.mux(stream.encode(frame))
    content = out.getvalue()
    assert content.count(KNOWN_CODEC) == 2
    assert decode(content)[1]["sample_rate_hz"] == RATES[0]
    audio, facts = decode(content.replace(KNOWN_CODEC, UNKNOWN_CODEC, 1))
    assert facts["sample_rate_hz"] == RATES[1]
    assert frequency_hz(inside(audio), RATE_HZ, 440) == pytest.approx(440, abs=0.01)


# -- the filter -----------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [8000, 11025, 16000, 22050, 44100, 48000, 96000, 192000])
def test_pitch_is_kept_to_a_hundredth_of_a_cent(rate_hz):
    for hz in (41.2034, 440.0, 2637.02):  # E1, A4, and the fourth partial of E5
        audio, facts = decode(encode(tone(hz, 4, rate_hz), rate_hz, "wav", "pcm_s24le"))
        assert abs(cents(frequency_hz(inside(audio), RATE_HZ, hz), hz)) < 0.01
        assert level_db(inside(audio)) == pytest.approx(0, abs=0.02)
        assert facts["sample_rate_hz"] == rate_hz


@pytest.mark.parametrize("rate_hz", [22050, 44100, 48000, 96000])
@pytest.mark.parametrize("hz", [8050, 8300, 9000, 10800, 15560, 20000])
def test_a_tone_above_8_khz_does_not_come_back_as_a_lower_one(rate_hz, hz):
    if hz >= rate_hz / 2:
        hz = rate_hz / 2 - 200
    audio, _ = decode(encode(tone(hz, 1.5, rate_hz), rate_hz, "wav", "pcm_f32le"))
    if len(audio):  # below -80 dB there is nothing but silence in it, and that is said
        assert level_db(inside(audio)) < -80


def test_the_same_as_another_resampler():
    """scipy's polyphase resampler with a long window, on noise below 6 kHz: the same to -70 dB."""
    rate_hz = 48000
    noise = np.random.default_rng(7).standard_normal(3 * rate_hz) * 0.1
    noise = np.convolve(noise, firwin(1001, 6000, fs=rate_hz), "same").astype(np.float32)
    audio, _ = decode(encode(noise, rate_hz, "wav", "pcm_f32le"))
    other = resample_poly(noise, 1, 3, window=firwin(6001, 7200, fs=rate_hz))
    assert len(audio) == len(other)
    assert level_db(inside(audio - other)) - level_db(inside(other)) < -70


# -- channels and level -----------------------------------------------------------------------


def noise(seed: int, rate_hz: int = 44100, seconds: float = 2.0):
    return (np.random.default_rng(seed).standard_normal(round(seconds * rate_hz)) * 0.1).astype(
        np.float32
    )


def stereo(left, right):
    return decode(encode(np.stack([left, right], axis=1), 44100, "wav", "pcm_s16le"))


A = tone(440, 2, 44100)


@pytest.mark.parametrize(
    ("left", "right", "choice"),
    [
        (A, A, "mix"),
        (A, A * 0.5, "mix"),
        (A, noise(1) * 3, "mix"),
        (A, A * 0, "left"),
        (A * 0, A, "right"),
        (noise(1) * 0.02, A, "right"),
        (A, -A, "left (the channels are opposed)"),
        (-0.9 * A, A, "right (the channels are opposed)"),
    ],
)
def test_channels_are_added_only_where_nothing_is_lost(left, right, choice):
    audio, facts = stereo(left, right)
    assert facts["channel_choice"] == choice
    assert (facts["channels"], facts["status"]) == (2, "ok")
    assert frequency_hz(inside(audio), RATE_HZ, 440) == pytest.approx(440, abs=0.01)
    assert level_db(inside(audio)) > -6.1


def test_two_microphones_in_a_room_are_mixed():
    _, facts = stereo(noise(1), noise(2))
    assert facts["channel_choice"] == "mix"


@pytest.mark.parametrize("layout", ["mono", "stereo"])
def test_the_level_is_kept(layout):
    channels = 1 if layout == "mono" else 2
    for codec in ("pcm_u8", "pcm_s16le", "pcm_s24le", "pcm_s32le", "pcm_f32le", "pcm_f64le"):
        sound = tone(440, 2, 44100, level=0.25)[:, None].repeat(channels, 1)
        audio, facts = decode(encode(sound, 44100, "wav", codec))
        assert level_db(inside(audio), over=0.25) == pytest.approx(0, abs=0.05), codec
        assert facts["clipped_fraction"] == 0.0


@pytest.mark.parametrize("codec", ["pcm_u8", "pcm_s16le", "pcm_s24le", "pcm_f32le"])
def test_the_clipped_part_is_counted_at_the_sources_rate(codec):
    """A sine of amplitude 1.5 is beyond 0.99 for 1 - 2/pi asin(0.66) of the time."""
    clipped = np.clip(tone(441, 2, 44100, level=1.5), -1, 1)
    _, facts = decode(encode(clipped, 44100, "wav", codec))
    assert facts["clipped_fraction"] == pytest.approx(1 - 2 / np.pi * np.arcsin(0.66), abs=0.01)


@pytest.mark.parametrize("codec", ["aac", "flac", "libopus"])
@pytest.mark.parametrize(
    ("layout", "sounding"),
    [
        ("5.1", [2]),
        ("5.1", [0, 1]),
        ("5.1", [1]),
        ("5.1", range(6)),
        ("7.1", range(8)),
        ("quad", [0]),
    ],
)
def test_surround_sound(layout, sounding, codec):
    """The instrument is heard whichever loudspeakers it was meant for, and never clipped."""
    channels = av.AudioLayout(layout).nb_channels
    sound = np.zeros((2 * 48000, channels), np.float32)
    sound[:, list(sounding)] = tone(440, 2, 48000, level=0.9)[:, None]
    container = {"aac": "mp4", "flac": "flac", "libopus": "ogg"}[codec]
    audio, facts = decode(encode(sound, 48000, container, codec, layout))
    assert (facts["status"], facts["channels"]) == ("ok", channels)
    assert abs(cents(frequency_hz(inside(audio), RATE_HZ, 440), 440)) < 0.1
    assert level_db(inside(audio), over=0.9) > -14
    assert np.abs(inside(audio)).max() < 0.98


@pytest.mark.parametrize("channels", [3, 4, 12, 32])
def test_channels_without_a_meaning(channels):
    """As of a sound interface: more than the mixing rules know is read by its first channels."""
    sound = np.zeros((2 * 44100, channels), np.float32)
    sound[:, 0] = A
    content = encode(sound, 44100, "matroska", "pcm_s16le", f"{channels} channels")
    audio, facts = decode(content)
    assert (facts["status"], facts["channels"]) == ("ok", channels)
    assert frequency_hz(inside(audio), RATE_HZ, 440) == pytest.approx(440, abs=0.01)


def test_a_stream_that_changes_its_rate_and_channels_on_the_way():
    """Two recordings behind one another, as some recorders append: nothing is lost between."""
    first = encode(tone(440, 2, 44100), 44100, "adts", "aac")
    second = encode(tone(440, 2, 48000)[:, None].repeat(2, 1), 48000, "adts", "aac")
    audio, facts = decode(first + second)
    assert facts["duration_s"] == pytest.approx(4.0, abs=0.2)
    for part in (audio[4000:28000], audio[-28000:-4000]):
        assert frequency_hz(part, RATE_HZ, 440) == pytest.approx(440, abs=0.05)


# -- length and time ------------------------------------------------------------------------------


def test_no_more_than_the_limit_is_decoded():
    audio, facts = decode(encode(tone(440, 5, 44100), 44100, "mp4", "aac"), max_s=2.0)
    assert len(audio) == 2 * RATE_HZ
    assert (facts["cut"], facts["duration_s"], codes(facts)) == (True, 2.0, ["too_long"])


def test_a_short_recording_is_said_to_be_short():
    audio, facts = decode(encode(tone(440, 0.3, 44100), 44100, "wav", "pcm_s16le"))
    assert (len(audio), facts["status"], codes(facts)) == (0, "unreadable", ["too_short"])


TWO_TONES = np.concatenate(
    [tone(300, 3.5, 48000, 0.1), np.zeros(24000, np.float32), tone(440, 1.5, 48000)]
)


def onset_s(audio) -> float:
    """When the last tone begins: from silence, at half its level."""
    loud = np.abs(audio) > 0.2
    quiet_before = np.flatnonzero(
        loud[1:] & (np.convolve(loud, np.ones(1600), "full")[: len(loud) - 1] < 1)
    )
    return float(quiet_before[-1] + 1) / RATE_HZ


@pytest.mark.parametrize(
    ("container", "codec"),
    [
        ("webm", "libopus"),
        ("matroska", "aac"),
        ("mp4", "aac"),
        ("mpegts", "aac"),
    ],
)
@pytest.mark.parametrize(
    "holes",
    [{}, {1.0: 0.1}, {1.0: 0.5, 2.0: 0.3}, {0.5 + 0.2 * n: 0.021 for n in range(14)}, {0.8: 2.4}],
)
def test_lost_packets_move_no_later_time(container, codec, holes):
    """The tone begins at 4 s by the time stamps, whatever was lost before."""
    audio, facts = decode(encode(TWO_TONES, 48000, container, codec, holes=holes))
    assert onset_s(audio) == pytest.approx(4.0, abs=0.1)
    lost = sum(holes.values())
    assert facts["filled_s"] == pytest.approx(lost, abs=0.1 + 0.025 * len(holes))
    assert codes(facts) == (["sound_gaps"] if facts["filled_s"] > 0.5 else [])
    if not holes:
        assert facts["filled_s"] == 0.0


def test_a_lost_page_of_an_ogg_file_moves_no_later_time():
    content = encode(TWO_TONES, 48000, "ogg", "libopus")
    pages = [match.start() for match in re.finditer(b"OggS", content)]
    assert len(pages) >= 6
    audio, facts = decode(content[: pages[3]] + content[pages[4] :])
    assert onset_s(audio) == pytest.approx(4.0, abs=0.1)
    assert (facts["filled_s"], codes(facts)) == (pytest.approx(1.0, abs=0.1), ["sound_gaps"])


def test_sound_that_begins_after_the_pictures_keeps_its_time():
    """A teacher's player counts from the first picture, and so do the times on the sheet."""
    sound = np.concatenate([np.zeros(48000, np.float32), tone(440, 3, 48000)])
    luma = np.full((40, 64, 64), 90, np.uint8)
    audio, facts = decode(encode(sound, 48000, "matroska", "aac", holes={0.0: 0.8}, picture=luma))
    assert onset_s(audio) == pytest.approx(1.0, abs=0.05)
    assert (facts["filled_s"], codes(facts)) == (0.0, [])


def test_time_stamps_that_make_no_sense_are_not_followed():
    """A step of ten minutes, as a recorder makes that counts anew, is not filled with silence."""
    content = bytearray(encode(tone(440, 4, 48000), 48000, "mpegts", "aac"))
    later = encode(tone(440, 4, 48000), 48000, "mpegts", "aac", options={"output_ts_offset": "600"})
    _, facts = decode(bytes(content) + later)
    assert facts["duration_s"] == pytest.approx(8.0, abs=0.2)
    assert facts["filled_s"] == 0.0


# -- nothing but the sound track ------------------------------------------------------------------


class Counting(io.BytesIO):
    """A file that counts the bytes read from it."""

    taken = 0

    def read(self, size=-1):
        block = super().read(size)
        self.taken += len(block)
        return block


@pytest.fixture(scope="module")
def film():
    """Three seconds of sound beside pictures of noise: nearly all of the file is pictures."""
    luma = np.random.default_rng(5).integers(0, 256, (30, 480, 640), np.uint8)
    return encode(tone(440, 3, 48000), 48000, "mov", "aac", picture=luma)


def test_pictures_are_neither_decoded_nor_even_read(film):
    counting = Counting(film)
    audio, facts = decode_recording(counting)
    assert facts["status"] == "ok"
    assert len(film) > 5_000_000
    assert counting.taken < len(film) / 4
    with av.open(io.BytesIO(film)) as container:
        places = [(p.pos, p.size) for p in container.demux(video=0) if p.size]
    broken = bytearray(film)
    for place, size in places:
        broken[place : place + size] = os.urandom(size)
    again, facts_again = decode(bytes(broken))
    assert np.array_equal(audio, again)
    assert facts == facts_again


def test_no_picture_decoder_is_opened(film):
    av.logging.set_level(av.logging.VERBOSE)
    try:
        with av.logging.Capture(local=False) as lines:
            decode(film)
    finally:
        av.logging.set_level(None)
    said = " ".join(text for _, _, text in lines)
    assert "h264) not on whitelist" in said
    assert "aac" not in said.split("not on whitelist")[0][-30:]


@pytest.fixture
def secret(tmp_path, monkeypatch):
    """A recording beside the file under test, which must not be found through it."""
    (tmp_path / "secret.wav").write_bytes(encode(tone(440, 2, 44100), 44100, "wav", "pcm_s16le"))
    (tmp_path / "secret.ts").write_bytes(encode(tone(440, 2, 44100), 44100, "mpegts", "aac"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


POINTERS = {
    "list.ffconcat": "ffconcat version 1.0\nfile secret.wav\n",
    "playlist.m3u8": "#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:2,\nsecret.ts\n#EXT-X-ENDLIST\n",
    "playlist.mp4": "#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:2,\nsecret.ts\n#EXT-X-ENDLIST\n",
    "stream.sdp": "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nt=0 0\nm=audio 9 RTP/AVP 0\n",
    "list.mpd": '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011"></MPD>',
}


@pytest.mark.parametrize("name", sorted(POINTERS))
def test_files_that_would_open_other_files_are_refused(secret, name):
    (secret / name).write_text(POINTERS[name])
    if name in ("list.ffconcat", "playlist.m3u8"):  # or this test could not fail
        with av.open(name) as container:
            assert container.streams.audio
    audio, facts = decode_recording(secret / name)
    assert (len(audio), facts["status"], codes(facts)) == (0, "unreadable", ["not_a_recording"])


def refer_to(movie: bytes, name: str) -> bytes:
    """`movie`, its media looked for in the file `name` beside it.

    A QuickTime alias (QuickTime File Format Specification, "data reference atoms"), with the sizes
    of the boxes around it raised; the table of contents must stand at the end.
    """
    path = b"/" + name.encode()
    path += b"\0" * (len(path) % 2)
    levels = struct.pack(">HH", 1, 1)
    alias = bytes(10) + bytes(28) + bytes(12) + bytes(64) + bytes(16) + levels + bytes(16)
    alias += struct.pack(">HH", 2, len(path)) + path + b"\xff\xff\0\0"
    entry = struct.pack(">I4sI", len(alias) + 12, b"alis", 0) + alias
    place = movie.index(b"dref") + 12
    more = len(entry) - int.from_bytes(movie[place : place + 4], "big")
    changed = bytearray(movie[:place] + entry + movie[place - more + len(entry) :])
    for box in (b"moov", b"trak", b"mdia", b"minf", b"dinf", b"dref"):
        at = movie[:place].rindex(box) - 4
        size = int.from_bytes(movie[at : at + 4], "big") + more
        changed[at : at + 4] = size.to_bytes(4, "big")
    return bytes(changed)


def test_a_movie_that_keeps_its_sound_in_another_file(secret):
    silence = np.zeros(2 * 44100, np.float32)
    movie = secret / "movie.mov"
    movie.write_bytes(refer_to(encode(silence, 44100, "mov", "pcm_s16le"), "secret.wav"))
    with av.open(str(movie), options={"enable_drefs": "1"}) as container:  # it does lead there
        frames = [frame.to_ndarray() for frame in container.decode(audio=0)]
    assert max(np.abs(frame).max() for frame in frames) > 10_000
    audio, facts = decode_recording(movie)
    assert (len(audio), facts["status"]) == (0, "unreadable")


def test_formats_that_refer_to_other_files_are_not_on_the_list():
    risky = {"concat", "hls", "dash", "sdp", "rtsp", "imf", "image2", "tedcaptions", "applehttp"}
    assert not risky & set(FORMATS.split(","))


# -- what cannot be read --------------------------------------------------------------------------


def test_a_locked_sound_track():
    """Common encryption (ISO/IEC 23001-7), as the muxer writes it."""
    locked = {
        "encryption_scheme": "cenc-aes-ctr",
        "encryption_key": "76a6c65c5ea762046bd749a2e632ccbb",
        "encryption_kid": "a7e61c373e219033c21091fa607bf3b8",
    }
    audio, facts = decode(encode(tone(440, 3, 48000), 48000, "mp4", "aac", options=locked))
    assert (len(audio), facts["status"], codes(facts)) == (0, "unreadable", ["locked"])


def test_a_codec_that_nobody_knows():
    content = encode(tone(440, 3, 48000), 48000, "matroska", "pcm_s16le")
    assert content.count(KNOWN_CODEC) == 1
    _, facts = decode(content.replace(KNOWN_CODEC, UNKNOWN_CODEC))
    assert (facts["status"], codes(facts)) == ("unreadable", ["unknown_codec"])
    assert facts["container"] == "matroska"


def test_pictures_without_sound():
    luma = np.full((20, 64, 64), 90, np.uint8)
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as container:
        video = container.add_stream("libx264", rate=10)
        video.width = video.height = 64
        for picture in luma:
            container.mux(
                video.encode(
                    av.VideoFrame.from_ndarray(picture, format="gray").reformat(format="yuv420p")
                )
            )
        container.mux(video.encode(None))
    _, facts = decode(out.getvalue())
    assert codes(facts) == ["no_audio"]


def test_digital_silence_and_a_quiet_room():
    _, facts = decode(encode(np.zeros(3 * 44100, np.float32), 44100, "mp4", "aac"))
    assert (facts["status"], codes(facts)) == ("unreadable", ["silent"])
    room = noise(3, seconds=3) * 0.01  # -60 dB: a microphone that is on
    _, facts = decode(encode(room, 44100, "wav", "pcm_s16le"))
    assert (facts["status"], codes(facts)) == ("ok", [])


@pytest.mark.parametrize(
    ("content", "code", "word"),
    [
        (b"", "empty_file", "0 bytes"),
        (b"I could not film today, sorry!\n" * 50, "not_a_recording", "text"),
        ("Ich konnte nicht üben.".encode() * 400, "not_a_recording", "text"),
        (b"<!DOCTYPE html><html><body>Sign in</body></html>", "not_a_recording", "web page"),
        (b"\x89PNG\r\n\x1a\n" + bytes(500), "not_a_recording", "not a recording"),
        (b"%PDF-1.7\n\0" + bytes(range(256)) * 20, "not_a_recording", "not a recording"),
        (bytes(100_000), "not_a_recording", "not a recording"),
        (b"RIFF\0\0\0\0WAVE" + bytes(500), "damaged_recording", "begins like a recording"),
    ],
)
def test_what_is_no_recording_is_named(content, code, word):
    audio, facts = decode(content)
    assert (len(audio), facts["status"], codes(facts)) == (0, "unreadable", [code])
    (told,) = facts["problems"]
    assert word in told["message"]
    assert told["action"]


@pytest.fixture(scope="module")
def whole():
    return {
        "mp4": encode(tone(440, 20, 44100), 44100, "mp4", "aac"),
        "fast start": encode(
            tone(440, 20, 44100), 44100, "mp4", "aac", options={"movflags": "faststart"}
        ),
        "mkv": encode(tone(440, 20, 44100), 44100, "matroska", "aac"),
        "flac": encode(tone(440, 20, 44100) + noise(4, seconds=20) * 0.1, 44100, "flac", "flac"),
    }


@pytest.mark.parametrize("kind", ["mp4", "fast start", "mkv", "flac"])
def test_a_recording_that_was_cut_off_says_so(whole, kind):
    content = whole[kind][: len(whole[kind]) * 6 // 10]
    audio, facts = decode(content)
    assert "cut_recording" in codes(facts)
    if kind == "mp4":  # its table of contents stands at the end
        assert (len(audio), facts["status"]) == (0, "unreadable")
        assert "table of contents" in facts["problems"][0]["message"]
    else:
        assert facts["status"] == "ok"
        assert facts["duration_s"] == pytest.approx(12, abs=1)
        assert "says 20 s but only 12 s" in facts["problems"][0]["message"]


def test_damage_in_the_middle_is_passed_over_and_told():
    content = bytearray(encode(tone(440, 10, 44100), 44100, "mp4", "aac"))
    with av.open(io.BytesIO(content)) as container:
        packets = [(p.pos, p.size) for p in container.demux(audio=0) if p.size]
    for place, size in packets[200:206]:
        content[place : place + size] = b"\xff" * size
    audio, facts = decode(bytes(content))
    assert (facts["status"], codes(facts)) == ("ok", ["damaged_recording"])
    assert facts["duration_s"] == pytest.approx(10, abs=0.3)
    assert frequency_hz(audio[-32000:-1600], RATE_HZ, 440) == pytest.approx(440, abs=0.05)


def test_damage_all_through_is_unreadable():
    content = bytearray(encode(tone(440, 10, 44100), 44100, "mp4", "aac"))
    with av.open(io.BytesIO(content)) as container:
        packets = [(p.pos, p.size) for p in container.demux(audio=0) if p.size]
    for place, size in packets:
        content[place : place + size] = b"\xff" * size
    _, facts = decode(bytes(content))
    assert (facts["status"], codes(facts)) == ("unreadable", ["no_sound_decoded"])


@pytest.mark.parametrize("rate_hz", [1, 1000, 4_000_000, 2_000_000_000])
def test_a_header_with_an_impossible_rate(rate_hz):
    content = bytearray(encode(tone(440, 2, 44100), 44100, "wav", "pcm_s16le"))
    place = content.index(b"fmt ") + 12
    content[place : place + 4] = rate_hz.to_bytes(4, "little")
    _, facts = decode(bytes(content))
    assert facts["status"] == "unreadable"
    assert codes(facts)


# -- bounds ---------------------------------------------------------------------------------------

MEASURED = """
import sys
sys.path.insert(0, sys.argv[1])
import numpy
from pegmark.decode import decode_recording
audio, facts = decode_recording(sys.argv[2])
numpy.save(sys.argv[3], audio)
peak = [line for line in open("/proc/self/status") if line.startswith("VmHWM")]
print(len(audio), facts["channels"], facts["cut"], int(peak[0].split()[1]) / 1024)
"""


def test_twenty_five_minutes_of_surround_sound_keep_to_the_memory_bound(tmp_path):
    """At 96 kHz, six channels: a file of 1.7 GB, 230 MB of decoded sound, under 300 MB in all.

    The peak is read from the process's own VmHWM, since ru_maxrss of a child starts from what its
    parent held when it was started.
    """
    path = tmp_path / "long.wav"
    sparse_wav(path, 1500, 96000, 6)
    run = subprocess.run(
        [sys.executable, "-c", MEASURED, str(SCRIPTS), str(path), str(tmp_path / "long.npy")],
        capture_output=True,
        text=True,
    )
    path.unlink()
    samples, channels, cut, peak_mb = run.stdout.split()
    assert (samples, channels, cut) == (str(1200 * RATE_HZ), "6", "True")
    assert float(peak_mb) < MEMORY_MB
