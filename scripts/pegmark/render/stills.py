"""Small pictures of a take from before its first note and after its last: the bridge is seen there.

Made only where assignment.yaml asks for them (`stills: true`). Key frames alone are decoded, at
most `STILL_MOST` of each moment, no wider or higher than `STILL_SIDE` pixels, and never one from
outside the two moments. The caller runs this in a child process with limits of time and memory,
without network.
"""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence
from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pegmark.records.student import Record

STILL_LOOK_S = 5.0  # of the video before the first note and after the last
STILL_MOST = 3  # pictures of each moment
STILL_SIDE = 320  # pixels
MOST_PACKETS = 4000  # read of a moment: five seconds hold a few hundred
QUALITY = 80  # of the JPEG: a bridge's lean is still seen


def looks_of(record: Record) -> list[list[float]]:
    """[start, end] in seconds of the moments in which the instrument itself is seen."""
    notes = [note for note in record["notes"] if note.get("string")]
    if not notes:
        return []
    first = min(note["start_s"] for note in notes)
    last = max(note["end_s"] for note in notes)
    submission = record.get("submission")
    length = (submission and submission.get("duration_s")) or last + STILL_LOOK_S
    spans = [[max(0.0, first - STILL_LOOK_S), first], [last, min(length, last + STILL_LOOK_S)]]
    return [[round(start, 2), round(end, 2)] for start, end in spans if end > start]


def still_names() -> list[str]:
    """The names that pictures of a take can have."""
    return [f"still{number}.jpg" for number in range(1, 2 * STILL_MOST + 1)]


def cut_stills(stream: IO[bytes], spans: Sequence[Sequence[float]]) -> dict[str, bytes]:
    """JPEG pictures by file name, in the order of time; none of a file without video."""
    import av

    with av.open(stream, metadata_errors="ignore") as container:
        if not container.streams.video:
            return {}
        video = container.streams.video[0]
        video.codec_context.skip_frame = "NONKEY"
        frames = [_frames(container, video, *span) for span in spans]
        pictures = [_jpeg(frame) for frame in itertools.chain.from_iterable(frames)]
    return dict(zip(still_names(), pictures, strict=False))


def _frames(container: Any, video: Any, start_s: float, end_s: float) -> list[Any]:
    """The key frames of one moment, at most `STILL_MOST`, spread over it."""
    start, end = (_ticks(video, moment_s) for moment_s in (start_s, end_s))
    container.seek(start, stream=video)
    keys = []
    for packet in itertools.islice(container.demux(video), MOST_PACKETS):
        at = packet.pts if packet.dts is None else packet.dts
        if at is None or at > end:
            break
        if packet.is_keyframe:
            keys.append(packet)
    # A decoder holds pictures back till more have come, or till it is told that none will.
    decoder = video.codec_context
    frames = [frame for packet in [*keys, None] for frame in decoder.decode(packet)]
    decoder.flush_buffers()
    found = [frame for frame in frames if frame.pts is not None and start <= frame.pts <= end]
    step = max(1, -(-len(found) // STILL_MOST))
    return found[::step][:STILL_MOST]


def _ticks(video: Any, moment_s: float) -> int:
    """A moment of the take in the stream's own counting."""
    return int(moment_s / video.time_base) + (video.start_time or 0)


def _jpeg(frame: Any) -> bytes:
    scale = min(1.0, STILL_SIDE / max(frame.width, frame.height))
    size = {"width": max(1, int(frame.width * scale)), "height": max(1, int(frame.height * scale))}
    picture = frame.to_image(**size)
    if turned := getattr(frame, "rotation", 0):
        picture = picture.rotate(turned, expand=True)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
