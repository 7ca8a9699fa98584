"""A class folder as large as a district's: takes of two minutes, as phones and browsers write them.

A few dozen takes of the sound laboratory are played once, and kept with two video tracks of 720p.
Every student hands in one of them, a little faster or slower, so that no two recordings are one:
as mp4 or mov (AAC beside H.264), webm (Opus beside VP8), m4a (AAC) or ogg (Opus). All names are
invented.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from lab import bench
from lab.containers import CONTAINERS
from lab.events import Bow, Event, Player, Pluck, Rest, Room, Say, Tune
from lab.playing import assemble
from lab.takes import GREETINGS, SPOKEN_ANSWERS, small_moves
from pegmark.signals.audio import RATE_HZ

DESK_ROW = (
    "violin",
    "violin",
    "viola",
    "violin",
    "cello",
    "double bass",
)  # as an orchestra has them
HANDED_IN_AS = (
    "mp4",
    "webm",
    "m4a",
    "mov",
    "mp4",
    "ogg",
    "mp4",
)  # 7 of them: each desk has all kinds
TAKES_PLAYED = {
    "violin": 18,
    "viola": 6,
    "cello": 6,
    "double bass": 6,
}  # takes, for students in turn
SPEED_STEP = 0.003  # between two students with one take: 5 cents, which moves its end by 0.4 s
CLASS_SEED = 5_000_000
LARGE_TAKE_S = 120
CODED_HZ = 48_000
FILM_SIZE = (1280, 720)
FILM_PER_S = 24
FILM_LOOP_S = 8  # the picture's: then it begins again, with a key frame
FILM_BITS = 1_500_000  # a second
FILM_OPTIONS = {  # codec -> its options: quickly made, and as large as a phone's
    "libx264": {"preset": "ultrafast", "tune": "zerolatency"},
    "libvpx": {"deadline": "realtime", "cpu-used": "8"},
}
SENTENCES_SAID = (*GREETINGS, *SPOKEN_ANSWERS)
ROSTER_HEAD = ("student_id", "family_name", "given_name", "instrument", "section", "email")
MARKS_HEAD = ("student_id", "criterion", "points", "comment")
LARGE_ASSIGNMENT = """\
title: "Tuning"
class_name: "Large Class"
due: 2026-03-06 18:00 +00:00
"""


# -- the folder ---------------------------------------------------------------------------------


def make_class(class_dir: Path, made: Path, students: int) -> None:
    """A class folder with a take of every student; what it is made of stays in `made`."""
    (class_dir / "submissions").mkdir(parents=True)
    rows = []
    for number in range(students):
        student, desk = f"b{number:03d}", DESK_ROW[number % len(DESK_ROW)]
        rows.append([student, f"Desk{number}", "Player", desk, f"Row {number // 30}", ""])
        hand_in(class_dir, recording(made, number), student)
    write_table(class_dir / "roster.csv", ROSTER_HEAD, rows)
    (class_dir / "assignment.yaml").write_text(LARGE_ASSIGNMENT, encoding="utf-8")
    write_marks(class_dir, 1)


def hand_in(class_dir: Path, take: Path, name: str) -> None:
    """Another name for a recording: it costs no room."""
    os.link(take, class_dir / "submissions" / f"{name}_tuning{take.suffix}")


def write_marks(class_dir: Path, points: int) -> None:
    """The teacher's marks of the first student."""
    write_table(class_dir / "marks.csv", MARKS_HEAD, [["b000", "bridge", str(points), ""]])


def write_table(path: Path, columns: tuple[str, ...], rows: list[list[str]]) -> None:
    """Write a CSV table."""
    with open(path, "w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        writer.writerows(rows)


# -- recordings ---------------------------------------------------------------------------------


def recording(made: Path, number: int) -> Path:
    """The recording of one student: made once, then kept."""
    kind, desk = HANDED_IN_AS[number % len(HANDED_IN_AS)], DESK_ROW[number % len(DESK_ROW)]
    path = made / f"{number:04d}.{kind}"
    if not path.exists():
        before = sum(DESK_ROW[other % len(DESK_ROW)] == desk for other in range(number))
        round_, which = divmod(before, TAKES_PLAYED[desk])
        sound = np.load(played(made, desk, which), mmap_mode="r")
        part = path.with_name(f"part-{path.name}")
        write_file(part, sound, 1 + SPEED_STEP * ((round_ + 1) // 2) * (-1) ** round_, kind, made)
        part.rename(path)
    return path


def played(made: Path, desk: str, which: int) -> Path:
    """A take of two minutes, float32 (samples,) at RATE_HZ; made once, then kept."""
    path = made / f"{desk.replace(' ', '-')}-{which}.npy"
    if not path.exists():
        made.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f"part-{path.name}")
        np.save(part, two_minutes(CLASS_SEED + 100 * DESK_ROW.index(desk) + which, desk))
        part.rename(path)
    return path


def two_minutes(seed: int, desk: str) -> np.ndarray:
    """What a student does: talks, tunes every string, bows a check, answers; and all once more."""
    instrument, rng = bench.TABLE[desk], np.random.default_rng([seed, 41])
    cents = {string: float(rng.normal(-30, 60)) for string in instrument.strings}
    start, events = dict(cents), list[Event]()
    order = [*instrument.order, *(s for s in instrument.strings if s not in instrument.order)]
    for spread in (15, 3):
        events += [Say(str(rng.choice(SENTENCES_SAID))), Say(str(rng.choice(SENTENCES_SAID)))]
        for string in order:
            end = float(rng.normal(0, spread))
            moves = small_moves(cents[string], end, rng)
            events += [Pluck(string), Tune(string, moves, "plucked", 0.9), Rest(1.0)]
            cents[string] = end
        events += [Bow(string, 2.5) for string in instrument.strings]
        events += [Say(answer) for answer in SPOKEN_ANSWERS]
    room = Room(snr_db=float(rng.uniform(20, 32)))
    sound, _ = assemble(instrument, start, events, player=Player(seed=seed), room=room)
    size = LARGE_TAKE_S * RATE_HZ
    quiet = 1e-4 * rng.standard_normal(max(0, size - len(sound)))
    return np.concatenate([sound, quiet])[:size].astype(np.float32)


def write_file(path: Path, sound: np.ndarray, speed: float, kind: str, made: Path) -> None:
    """Code the sound, played a little faster or slower, beside the pictures where there are any."""
    container_name, audio_codec, video_codec = CONTAINERS[kind]
    pictures = made / f"{video_codec}.mkv"
    if video_codec and not pictures.exists():
        film(pictures, video_codec)
    with av.open(str(path), "w", format=container_name) as out:
        packets = copied_pictures(out, pictures) if video_codec else iter(())
        stream: Any = out.add_stream(audio_codec, rate=CODED_HZ, layout="mono")
        waiting = next(packets, None)
        for block in resampled(sound, speed, stream.codec_context):
            for packet in stream.encode(block):
                while waiting and waiting.pts * waiting.time_base <= packet.pts * packet.time_base:
                    out.mux(waiting)
                    waiting = next(packets, None)
                out.mux(packet)


def resampled(sound: np.ndarray, speed: float, coded: Any) -> Iterator[av.AudioFrame | None]:
    """The sound in frames for a codec, at the file's rate, then None."""
    rate_hz = round(RATE_HZ * speed)
    resampler = av.AudioResampler(coded.format, "mono", CODED_HZ)
    for start in range(0, len(sound), 4096):
        block = np.ascontiguousarray(np.clip(sound[np.newaxis, start : start + 4096], -1, 1))
        frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
        frame.sample_rate, frame.pts, frame.time_base = rate_hz, start, Fraction(1, rate_hz)
        yield from resampler.resample(frame)
    yield from resampler.resample(None)
    yield None


# -- pictures -----------------------------------------------------------------------------------


def film(path: Path, codec: str) -> None:
    """Something that moves a little before a still room, with a sensor's noise."""
    part = path.with_name(f"part-{path.name}")
    with av.open(str(part), "w", format="matroska") as out:
        stream: Any = out.add_stream(codec, rate=FILM_PER_S, options=FILM_OPTIONS[codec])
        stream.width, stream.height, stream.pix_fmt = *FILM_SIZE, "yuv420p"
        stream.bit_rate, stream.codec_context.gop_size = FILM_BITS, FILM_LOOP_S * FILM_PER_S
        for number, picture in enumerate(scenes()):
            frame = av.VideoFrame.from_ndarray(picture, format="gray").reformat(format="yuv420p")
            frame.pts, frame.time_base = number, Fraction(1, FILM_PER_S)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    part.rename(path)


def scenes() -> Iterator[np.ndarray]:
    """The pictures of one loop, (height, width) uint8."""
    rng = np.random.default_rng(CLASS_SEED)
    width, height = FILM_SIZE
    x, y = np.arange(width), np.arange(height)[:, np.newaxis]
    still = 90 + 40 * np.sin(x / 97) * np.cos(y / 61) + rng.normal(0, 8, (height, width))
    for number in range(FILM_LOOP_S * FILM_PER_S):
        turn = 2 * np.pi * number / (FILM_LOOP_S * FILM_PER_S)
        near = np.exp(-((x - 640 - 300 * np.sin(turn)) ** 2 + (y - 360) ** 2) / 12_000)
        yield np.clip(still + 80 * near + rng.normal(0, 2, still.shape), 0, 255).astype(np.uint8)


def copied_pictures(out: Any, pictures: Path) -> Iterator[Any]:
    """The packets of two minutes, for the same stream added to `out`."""
    with av.open(str(pictures)) as source:
        template = source.streams.video[0]
        stream = out.add_stream_from_template(template)
        loop = FILM_LOOP_S * FILM_PER_S
        packets = [bytes(p) for p in source.demux(template) if p.size]
    assert len(packets) == loop
    for number in range(LARGE_TAKE_S * FILM_PER_S):
        packet = av.Packet(packets[number % loop])
        packet.stream, packet.time_base = stream, Fraction(1, FILM_PER_S)
        packet.pts = packet.dts = number
        packet.is_keyframe = number % loop == 0
        yield packet
