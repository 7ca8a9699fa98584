"""The same recording under two names: what is found, what is wrongly asked, what it costs.

    python scripts/lab/benchmark_sameness.py [--takes 120] [--every 5] [--seed 0]

Takes of the sound laboratory, one half invented at random for all instruments, the other half the
same exercise on the violin by different players, go through segment, identify and measure. Every
pair of them is compared; no two are the same. Every so many takes are coded anew, cut, and made
softer, in five ways, and compared with the take they were made of.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import time
from typing import TYPE_CHECKING, Any

import numpy as np

from lab import bench
from lab.bench import INSTRUMENTS, TABLE
from lab.chain import hear as hear_take
from lab.containers import codec_roundtrip
from lab.takes import Bow, Player, Pluck, Room, Say, Tune, assemble, random_take
from pegmark.recheck import same_recordings
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Measured

WAYS = (  # codec, bits a second (None: as phones do), seconds cut off the start, gain in dB
    ("aac", None, 1.7, -6.0),
    ("opus", None, 1.7037, -6.0),
    ("mp3", None, 1.7037, -6.0),
    ("opus", 16000, 0.0, -12.0),
    ("aac", 32000, 6.3, 0.0),
)


def exercise(seed: int, instrument: Instrument) -> np.ndarray:
    """What everybody in a class was told to play."""
    rng = np.random.default_rng([seed, 99])
    order = [*instrument.order, *(s for s in instrument.strings if s not in instrument.order)]
    events: list[Any] = [Say("Hello, this is my tuning for this week.")]
    for string in order:
        events += [Pluck(string, 2), Tune(string, (float(rng.normal(0, 3)),))]
    events += [Bow(string) for string in instrument.strings]
    start = {string: float(rng.normal(-15, 20)) for string in instrument.strings}
    room = Room(snr_db=float(rng.uniform(18, 35)))
    return assemble(instrument, start, events, player=Player(seed=seed), room=room)[0]


def make_take(number: int, seed: int) -> tuple[np.ndarray, Instrument]:
    """(sound, instrument) of the take with this number."""
    if number % 2:
        return exercise(seed + number, TABLE["violin"]), TABLE["violin"]
    instrument = TABLE[INSTRUMENTS[number // 2 % 4]]
    difficulty = ("easy", "usual", "hard")[number // 2 % 3]
    return random_take(seed + number, instrument, difficulty)[0], instrument


def hear(audio: np.ndarray, instrument: Instrument) -> Measured:
    """The measured record of a take."""
    return hear_take(audio, instrument).measured


def coded_anew(
    audio: np.ndarray, codec: str, rate: int | None, cut_s: float, gain_db: float
) -> np.ndarray:
    """The take as somebody might send it on."""
    audio = (audio[round(cut_s * RATE_HZ) :] * 10 ** (gain_db / 20)).astype(np.float32)
    return codec_roundtrip(audio, RATE_HZ, codec, bit_rate=rate)


def main() -> None:
    """Print the figures."""
    parser = bench.options_of(__doc__, takes=120, seed=0)
    parser.add_argument("--every", type=int, default=5, help="take of which copies are made")
    options = parser.parse_args()
    bench.begin(options)
    sounds: dict[str, np.ndarray] = {}
    measured: dict[str, Any] = {}
    found = dict.fromkeys(WAYS, 0)
    likenesses: list[float] = []
    copied = 0
    listened: list[str] = []

    def load(take: str) -> tuple[np.ndarray, int]:
        listened.append(take)
        return sounds[take], RATE_HZ

    for number in range(options.takes):
        audio, instrument = make_take(number, options.seed)
        name = f"{number:04}-x"
        sounds[name], measured[name] = audio, hear(audio, instrument)
        if number % options.every:
            continue
        copied += 1
        for way in WAYS:
            sounds["copy-x"] = coded_anew(audio, *way)
            records = {name: measured[name], "copy-x": hear(sounds["copy-x"], instrument)}
            told = same_recordings(records, load)
            found[way] += len(told)
            likenesses += [one["likeness"] for one in told]
    listened.clear()
    started = time.process_time()
    alarms = same_recordings(measured, load)
    spent = time.process_time() - started
    pairs = options.takes * (options.takes - 1) // 2
    print(f"{options.takes} takes, {pairs} pairs of different takes: {len(alarms)} wrongly asked,")
    print(f"  {len(listened) // 2} listened to because of their notes; {spent:.2f} CPU s")
    for (codec, rate, cut_s, gain_db), count in found.items():
        bits = f"{rate / 1000:.0f} kb/s" if rate else "usual rate"
        print(f"  {codec} {bits}, {cut_s} s cut, {gain_db:+.0f} dB: {count} of {copied} found")
    if likenesses:
        print(f"  likeness of those found: {min(likenesses):.2f} and more")


if __name__ == "__main__":
    main()
