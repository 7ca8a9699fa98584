"""Small pictures of a video: from two moments only, small, few, and the same bytes each time."""

from __future__ import annotations

import io

import av
import numpy as np
import pytest
from PIL import Image

from pegmark.render.stills import (
    STILL_LOOK_S,
    STILL_MOST,
    STILL_SIDE,
    cut_stills,
    looks_of,
    still_names,
)

FPS = 10


def video(seconds: int, width: int = 640, height: int = 480, gop: int = FPS) -> bytes:
    """A grey that tells the second: 8 times the second, a key frame every `gop` frames."""
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as container:
        stream = container.add_stream("mpeg4", rate=FPS)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.gop_size, stream.bit_rate = gop, 2_000_000
        stream.options = {"sc_threshold": "1000000000"}  # no key frame where the grey changes
        for number in range(seconds * FPS):
            grey = np.full((height, width, 3), 8 * (number // FPS), np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(grey, format="rgb24")):
                container.mux(packet)
        container.mux(stream.encode(None))
    return out.getvalue()


def record(first: float, last: float, length: float) -> dict:
    notes = [{"string": "A4", "start_s": first, "end_s": first + 1},
             {"string": "A4", "start_s": last - 1, "end_s": last}]  # fmt: skip
    return {"notes": notes, "submission": {"duration_s": length}}


def seconds_of(pictures: dict[str, bytes]) -> list[float]:
    """The second that each picture was taken in, from its grey."""
    return [float(np.asarray(Image.open(io.BytesIO(p)).convert("L")).mean()) / 8
            for p in pictures.values()]  # fmt: skip


def test_the_moments_end_where_the_notes_begin_and_begin_where_they_end() -> None:
    assert looks_of(record(8, 20, 30)) == [[8 - STILL_LOOK_S, 8], [20, 20 + STILL_LOOK_S]]
    assert looks_of(record(2, 20, 22)) == [[0, 2], [20, 22]]
    assert looks_of({"notes": [], "submission": None}) == []


def test_pictures_are_from_the_two_moments_alone() -> None:
    pictures = cut_stills(io.BytesIO(video(30)), looks_of(record(8, 20, 30)))
    assert list(pictures) == still_names()
    taken = seconds_of(pictures)
    assert taken == sorted(taken)
    assert all(3 - 0.3 <= at <= 8 + 0.3 for at in taken[:STILL_MOST])
    assert all(20 - 0.3 <= at <= 25 + 0.3 for at in taken[STILL_MOST:])


def test_a_decoder_that_holds_pictures_back_gives_all_of_them() -> None:
    """H.264 with pictures out of their order, two a second, as in the demo's videos."""
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=2)
        stream.width, stream.height, stream.pix_fmt, stream.gop_size = 320, 240, "yuv420p", 4
        for number in range(2 * 30):
            grey = np.full((240, 320, 3), 8 * (number // 2), np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(grey, format="rgb24")))
        container.mux(stream.encode(None))
    taken = seconds_of(cut_stills(io.BytesIO(out.getvalue()), [[0.0, 5.0], [20.5, 25.5]]))
    assert [round(at) for at in taken] == [0, 2, 4, 22, 24]


def test_a_video_whose_key_frames_lie_elsewhere_has_none() -> None:
    assert cut_stills(io.BytesIO(video(30, gop=300)), [[3.0, 8.0]]) == {}


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (360, 640), (160, 120)])
def test_they_are_small(width: int, height: int) -> None:
    pictures = cut_stills(io.BytesIO(video(4, width, height)), [[0.0, 3.0]])
    assert pictures
    for picture in pictures.values():
        size = Image.open(io.BytesIO(picture)).size
        assert max(size) <= STILL_SIDE
        assert size[0] / size[1] == pytest.approx(width / height, rel=0.02)
        assert max(size) == min(STILL_SIDE, max(width, height))


def test_the_same_video_gives_the_same_bytes() -> None:
    file = video(6)
    assert cut_stills(io.BytesIO(file), [[0.0, 5.0]]) == cut_stills(io.BytesIO(file), [[0.0, 5.0]])


def test_sound_alone_has_no_pictures() -> None:
    from pegmark.render.clips import encode_mp3

    assert cut_stills(io.BytesIO(encode_mp3(np.zeros(16000), 16000)), [[0.0, 1.0]]) == {}
