"""Damaged recordings by the thousand through the decode stage: crashes, hangs, memory, time.

    python scripts/lab/benchmark_fuzz.py --files 2000

Every file is a good recording of one of the kinds that phones, laptops and browsers make, damaged
by one to three of `FUZZ_WAYS`; its number is the seed of everything random about it, so a file that
stands out is made again with `--first N --files 1 --keep FOLDER`.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import collections
import hashlib
import io
import json
import resource
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

import decode
from lab import bench
from lab.containers import CONTAINERS, write_recording

FUZZED_S = 2.5  # of sound in a recording: enough for every structure of its container
HANG_S = 60.0  # far beyond what any of these short files can need
LIMITS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
HEAD = 600  # bytes at either end where containers keep their tables

Damage = Callable[[bytearray, np.random.Generator], None]


@dataclass(frozen=True)
class Outcome:
    """What the stage made of one damaged file."""

    seed: int
    kind: str
    ways: tuple[str, ...]
    status: str  # "ok", "unreadable", or "failed" where the stage itself ended with an error
    codes: tuple[str, ...]
    seconds: float


def good_recordings() -> dict[str, bytes]:
    """One recording of every kind, with pictures where the kind has them."""
    picture = np.random.default_rng(1).integers(0, 256, (144, 176, 3), np.uint8)
    found = {}
    for kind in sorted(CONTAINERS):
        rate_hz = 8000 if kind in ("3gp", "amr") else 48000
        clock = np.arange(round(FUZZED_S * rate_hz)) / rate_hz
        sound = 0.4 * np.sin(2 * np.pi * 440 * clock) * np.exp(-2 * (clock % 0.8))
        bit_rate = 12200 if rate_hz == 8000 else 64000
        out = io.BytesIO()
        write_recording(out, sound, rate_hz, kind=kind, bit_rate=bit_rate, picture=picture)
        found[kind] = out.getvalue()
    return found


def _span(content: bytearray, rng: np.random.Generator) -> tuple[int, int]:
    """A random stretch of a file, short ones likelier."""
    length = int(np.exp(rng.uniform(0, np.log(max(len(content) // 2, 2)))))
    start = int(rng.integers(0, max(len(content) - length, 1)))
    return start, start + length


def _place(content: bytearray, rng: np.random.Generator) -> int:
    """A random place in a file, half of the time near an end, where the tables stand."""
    near = int(rng.integers(0, min(HEAD, len(content))))
    return (near, len(content) - 1 - near, *rng.integers(0, len(content), 2))[rng.integers(0, 4)]


def flip_bits(content: bytearray, rng: np.random.Generator) -> None:
    """One to a thousand single bits."""
    for _ in range(int(10 ** rng.uniform(0, 3))):
        content[_place(content, rng)] ^= 1 << int(rng.integers(0, 8))


def truncate(content: bytearray, rng: np.random.Generator) -> None:
    """An upload that broke off."""
    del content[int(rng.integers(0, len(content))) :]


def cut_out(content: bytearray, rng: np.random.Generator) -> None:
    """A stretch that got lost."""
    start, end = _span(content, rng)
    del content[start:end]


def overwrite(content: bytearray, rng: np.random.Generator) -> None:
    """A stretch of noise, zeros or ones, as of a bad disk."""
    start, end = _span(content, rng)
    size = min(end, len(content)) - start
    fills = (rng.bytes(size), bytes(size), b"\xff" * size)
    content[start : start + size] = fills[rng.integers(0, 3)]


def repeat(content: bytearray, rng: np.random.Generator) -> None:
    """A stretch that stands there twice."""
    start, end = _span(content, rng)
    content[start:start] = content[start:end]


def lie_about_a_number(content: bytearray, rng: np.random.Generator) -> None:
    """A field of 1, 2 or 4 bytes with a value at a limit, in either byte order."""
    for _ in range(int(rng.integers(1, 6))):
        size = int(rng.choice((1, 2, 4)))
        value = LIMITS[rng.integers(0, len(LIMITS))] & ((1 << (8 * size)) - 1)
        start = min(_place(content, rng), max(len(content) - size, 0))
        content[start : start + size] = value.to_bytes(size, ("big", "little")[rng.integers(0, 2)])


FUZZ_WAYS: tuple[Damage, ...] = (
    flip_bits, truncate, cut_out, overwrite, repeat, lie_about_a_number
)  # fmt: skip


def damaged(good: dict[str, bytes], seed: int) -> tuple[str, tuple[str, ...], bytes]:
    """(kind, ways, content) of the damaged file with this number."""
    rng = np.random.default_rng(seed)
    kind = sorted(good)[seed % len(good)]
    content, ways = bytearray(good[kind]), []
    for _ in range(int(rng.integers(1, 4))):
        way = FUZZ_WAYS[rng.integers(0, len(FUZZ_WAYS))]
        if content:
            way(content, rng)
            ways.append(way.__name__)
    return kind, tuple(ways), bytes(content)


def try_file(kind: str, ways: tuple[str, ...], content: bytes, seed: int, folder: Path) -> Outcome:
    """Run the stage on one file in `folder`, and read what it wrote."""
    path, audio_file, facts_file = (folder / name for name in ("take", "take.npy", "take.json"))
    path.write_bytes(content)
    sha256 = hashlib.sha256(content).hexdigest()
    ticket = {"take": f"{sha256[:16]}-violin", "sha256": sha256, "max_s": 1200}
    started = time.perf_counter()
    try:
        decode.decode_guarded(ticket, path, audio_file, facts_file, seconds=HANG_S)
    except SystemExit:
        return Outcome(seed, kind, ways, "failed", (), time.perf_counter() - started)
    seconds = time.perf_counter() - started
    facts = json.loads(facts_file.read_text(encoding="utf-8"))
    audio = np.load(audio_file, allow_pickle=False)
    told = facts["problems"]
    sound = len(audio) == facts["samples"] and bool(np.isfinite(audio).all())
    said = all(one["message"] and one["action"] for one in told)
    if not (sound and said and (told or facts["status"] == "ok")):
        return Outcome(seed, kind, ways, "failed", ("bad_record",), seconds)
    codes = tuple(one["code"] for one in told)
    for one in told:
        if "took too long" in one["message"]:
            codes = (*codes, "timed_out")
    return Outcome(seed, kind, ways, facts["status"], codes, seconds)


def fuzz(first: int, files: int, keep: Path | None = None) -> list[Outcome]:
    """The outcomes of `files` damaged recordings from number `first` on."""
    good = good_recordings()
    outcomes = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + files):
            kind, ways, content = damaged(good, seed)
            if keep:
                (keep / f"{seed}.{kind}").write_bytes(content)
            outcomes.append(try_file(kind, ways, content, seed, Path(folder)))
    return outcomes


def figures(outcomes: list[Outcome]) -> dict[str, object]:
    """The benchmark's figures; memory is the largest of any child's resident set."""
    codes = collections.Counter(code for one in outcomes for code in one.codes)
    stopped = [one.seed for one in outcomes if "decoder_stopped" in one.codes]
    slow = sorted(outcomes, key=lambda one: -one.seconds)[:1]
    return {
        "files": len(outcomes),
        "statuses": dict(collections.Counter(one.status for one in outcomes)),
        "stage_failed": [one.seed for one in outcomes if one.status == "failed"],
        "program_faults": [one.seed for one in outcomes if "program_fault" in one.codes],
        "timed_out": [one.seed for one in outcomes if "timed_out" in one.codes],
        "decoder_crashed": [
            one.seed for one in outcomes if one.seed in stopped and "timed_out" not in one.codes
        ],
        "codes": dict(sorted(codes.items())),
        "max_memory_mb": round(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024),
        "seconds": round(sum(one.seconds for one in outcomes), 1),
        "slowest": [(one.seed, one.kind, round(one.seconds, 2)) for one in slow],
    }


def main() -> None:
    """Print the figures, as JSON but for the first line."""
    parser = bench.options_of(__doc__, files=2000, first=1)
    parser.add_argument("--keep", type=Path, help="write the damaged files into this folder too")
    args = parser.parse_args()
    bench.begin(args)
    print(json.dumps(figures(fuzz(args.first, args.files, args.keep)), indent=1))


if __name__ == "__main__":
    main()
