"""The small print of a sheet: the recording it is about, and what was counted from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pegmark.signals.audio import SPEED_CENTS
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record, RecordingQuality, Reference

Words = dict[str, Any]
CLIPPED_FRACTION = 0.001  # of the samples: audible crackle (common practice, no source)
QUIET_SNR_DB = 30.0  # from here on the noise stands out of the way of every measurement
SHEET_NOISY_SNR_DB = 15.0  # below, measurements begin to suffer
FILE_NAME_LIMIT = 80  # characters of a file name: two lines of the small print


def facts_of(record: Record, words: Words) -> dict[str, str] | None:
    """The recording in small print: take, file, time, length, sound, reference."""
    submission = record.get("submission")
    if not submission:
        return None
    part = words["facts"]
    facts = []
    if submission.get("attempt") and (submission.get("attempts") or 1) > 1:
        facts.append(
            part["attempt"].format(attempt=submission["attempt"], attempts=submission["attempts"])
        )
    file = wording.safe_text((submission.get("file") or "").split("/")[-1], FILE_NAME_LIMIT)
    facts.append(part["file"].format(file=file))
    if received := wording.date(submission.get("received"), words):
        facts.append(part["received"].format(date=received))
    if submission.get("duration_s"):
        facts.append(part["duration"].format(time=wording.clock(submission["duration_s"])))
    if recording := record.get("recording"):
        facts += _sound_facts(recording, words)
    facts.append(_reference(record["reference"], words))
    text = wording.unwidowed("; ".join(facts) + ".")
    return {"heading": part["heading"], "text": text[0].upper() + text[1:]}


def _sound_facts(recording: RecordingQuality, words: Words) -> list[str]:
    part = words["facts"]
    facts = []
    snr_db = recording.get("snr_db")
    if snr_db is not None:
        noisy = "some" if snr_db >= SHEET_NOISY_SNR_DB else "high"
        level = "low" if snr_db >= QUIET_SNR_DB else noisy
        facts.append(part[f"noise_{level}"])
    if (recording.get("clipped_fraction") or 0) > CLIPPED_FRACTION:
        facts.append(part["clipped"])
    if recording.get("low_cut_hz"):
        facts.append(part["low_cut"])
    if recording.get("gated"):
        facts.append(part["gated"])
    speed = recording.get("speed_error_cents")
    if speed is not None and abs(speed) >= SPEED_CENTS:
        facts.append(part["speed"].format(cents=wording.cents(speed, words["decimal"])))
    return facts


def _reference(reference: Reference, words: Words) -> str:
    part = words["facts"]
    return str(part["reference"]).format(
        a4=wording.number(reference["a4_hz"], 1, words["decimal"]),
        temperament=part["temperaments"][reference["temperament"]],
        method=part["methods"][reference["method"]],
    )
