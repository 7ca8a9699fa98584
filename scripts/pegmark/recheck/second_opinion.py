"""A second opinion on the pitches that decide: librosa's YIN on every string's deciding passage.

It is independent of `pegmark.measure.take` (another method, other code) and coarser; so it only
ever sends the teacher to listen, and changes no grade. Whole class in one process, because
importing librosa costs seconds; every answer is remembered by take and passage, so that a retake
costs only itself.

Method: YIN (de Cheveigne and Kawahara 2002, J. Acoust. Soc. Am. 111, 1917-1930) as librosa.yin,
frame by frame within `OPINION_REACH_CENTS` of the string's nominal pitch, leaving out the attack;
the passage's pitch is the median of its frames.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from pegmark.records.recheck import Disagreement, SecondOpinion
    from pegmark.records.take import Measured

VERSION = 1  # of the method: another number and nothing remembered counts
APART_CENTS = 10.0  # the design's threshold for telling the teacher
OPINION_REACH_CENTS = 800.0  # beyond a neighbouring string (a fifth is 702), within the octave
OPINION_ATTACK_S = 0.25  # a pluck starts sharp: left out where the passage is long enough
MOST_S = 3.0  # enough frames for a median
OPINION_PERIODS = 4  # of the lowest pitch searched, in one frame
OPINION_LEAST_FRAMES = 3

LoadAudio = Callable[[str], tuple[np.ndarray, int]]


def second_opinion(
    measured: Mapping[str, Measured],
    load_audio: LoadAudio,
    memory: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """What the second method says of every deciding passage of a class.

    Parameters
    ----------
    measured : take id -> record of measured/<take>.json
    load_audio : take id -> (mono float audio (samples,), rate in Hz); called only for takes with
        something that is not remembered
    memory : what an earlier call returned, or None

    Returns
    -------
    ``version``; ``takes``: take id -> string -> {start_s, end_s, target_hz, second_hz,
    spread_cents} (second_hz null when YIN found too little); ``disagreements``: every string whose
    two pitches stand more than 10 cents and more than the stated uncertainty apart, with take,
    string, at_s, f0_hz, second_hz, apart_cents (second against measured), uncertainty_cents.
    """
    known = (memory or {}).get("takes", {}) if (memory or {}).get("version") == VERSION else {}
    takes: dict[str, dict[str, SecondOpinion]] = {}
    disagreements: list[Disagreement] = []
    for take, record in sorted(measured.items()):
        takes[take] = _hear_take(take, record, load_audio, known.get(take, {}))
        disagreements += _compare(take, record, takes[take])
    return {"version": VERSION, "takes": takes, "disagreements": disagreements}


def _hear_take(
    take: str, record: Measured, load_audio: LoadAudio, known: Mapping[str, SecondOpinion]
) -> dict[str, SecondOpinion]:
    heard: dict[str, SecondOpinion] = {}
    audio: tuple[np.ndarray, int] | None = None
    for name, string in record["strings"].items():
        deciding = string.get("deciding")
        if not deciding or string["f0_hz"] is None:
            continue
        asked = (deciding["start_s"], deciding["end_s"], string["target_hz"])
        before = known.get(name)
        if before and (before["start_s"], before["end_s"], before["target_hz"]) == asked:
            heard[name] = before
            continue
        audio = audio or load_audio(take)
        second_hz, spread_cents = yin_pitch(*audio, *asked)
        heard[name] = {
            "start_s": asked[0],
            "end_s": asked[1],
            "target_hz": asked[2],
            "second_hz": None if second_hz is None else round(second_hz, 3),
            "spread_cents": None if spread_cents is None else round(spread_cents, 2),
        }
    return heard


def yin_pitch(
    audio: np.ndarray, rate_hz: int, start_s: float, end_s: float, target_hz: float
) -> tuple[float | None, float | None]:
    """(pitch in Hz, half the middle half of its frames in cents) of a passage by librosa.yin.

    (None, None) when the passage is too short for `OPINION_LEAST_FRAMES` frames.
    """
    import librosa

    if end_s - start_s > 2 * OPINION_ATTACK_S:
        start_s += OPINION_ATTACK_S
    end_s = min(end_s, start_s + MOST_S)
    passage = np.asarray(audio[round(start_s * rate_hz) : round(end_s * rate_hz)], np.float32)
    reach = 2 ** (OPINION_REACH_CENTS / 1200)
    frame = 2 ** math.ceil(math.log2(OPINION_PERIODS * rate_hz * reach / target_hz))
    hop = frame // 4
    if len(passage) < frame + (OPINION_LEAST_FRAMES - 1) * hop or not np.any(passage):
        return None, None
    f0_hz = librosa.yin(
        passage,
        fmin=target_hz / reach,
        fmax=target_hz * reach,
        sr=rate_hz,
        frame_length=frame,
        hop_length=hop,
        center=False,
    )
    middle_hz = float(np.median(f0_hz))
    low, high = np.percentile(1200 * np.log2(f0_hz / middle_hz), [25, 75])
    return middle_hz, float(high - low) / 2


def _compare(take: str, record: Measured, heard: Mapping[str, SecondOpinion]) -> list[Disagreement]:
    # A confirmed speed error has been taken out of every measured pitch: here it is still in.
    recording = record["recording"]
    speed_cents = (recording and recording.get("speed_error_cents")) or 0.0
    found: list[Disagreement] = []
    for name, answer in heard.items():
        string = record["strings"][name]
        if answer["second_hz"] is None or string["f0_hz"] is None:
            continue
        second_hz = answer["second_hz"] / 2 ** (speed_cents / 1200)
        apart = 1200 * math.log2(second_hz / string["f0_hz"])
        half = string["uncertainty_cents"] or 0.0
        if abs(apart) > max(APART_CENTS, half):
            found.append(
                {
                    "take": take,
                    "string": name,
                    "at_s": answer["start_s"],
                    "f0_hz": string["f0_hz"],
                    "second_hz": round(second_hz, 3),
                    "apart_cents": round(apart, 1),
                    "uncertainty_cents": string["uncertainty_cents"],
                }
            )
    return found
