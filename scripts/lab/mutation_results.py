"""A digest of many results, for lab/mutate.py: does a fault change anything at all?

Simulated takes of all instruments are named and read, a few short sounds are measured, and what
was read is graded by every method and tolerance. Without --sounds none are measured.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import hashlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, cast

import yaml

from lab import takes
from lab.bench import CONFIG, TABLE
from lab.chain import hear
from lab.paths import Habits, Spread, random_path
from pegmark.files.store import dump_json, rounded
from pegmark.identify import name_strings
from pegmark.measure.tuning import read_interval, read_tuning
from pegmark.score import score_student
from pegmark.settings.rubric import load_rubric

if TYPE_CHECKING:
    from pegmark.records.take import Decoded, Measured, MeasuredNote
    from pegmark.records.tickets import ScoreTicket

MUTATED_KEYS = ("violin", "viola", "cello", "double bass", "five-string bass", "solo bass")
PATHS = 10  # simulated takes of each instrument
REFERENCES = (
    {"a4_hz": 440.0, "temperament": "equal", "method": "tuner"},
    {"a4_hz": 442.0, "temperament": "pure", "method": "by_ear"},
    {"a4_hz": 440.0, "a4_most_hz": 442.0, "temperament": "equal", "method": "string_to_string"},
)


def simulated() -> Iterator[Any]:
    """Records of takes without sound, before and after their strings are named."""
    for k in range(PATHS * len(MUTATED_KEYS)):
        instrument = TABLE[MUTATED_KEYS[k % len(MUTATED_KEYS)]]
        habits = Habits(spread_cents=100 + 20 * (k % 16), slip=0.3, silent=0.3)
        path = random_path(instrument, 77_000 + k, habits, Spread(plucked_bias=1.0))
        played = cast("list[MeasuredNote]", path.notes)
        told = read_tuning(played, instrument)
        notes = [{**note, "f0_hz": note["coarse_hz"], "string": None} for note in path.notes]
        named = name_strings({"notes": notes, "problems": []}, instrument)  # type: ignore
        pairs = [n for n in played if n["kind"] == "two_strings"]
        yield [told, named["notes"], [read_interval(note, instrument) for note in pairs]]
        yield from graded(instrument, {**told, "notes": path.notes, "speech": []}, k)


def graded(instrument: Any, measured: dict[str, Any], k: int) -> Iterator[Any]:
    """The records of a take by every method."""
    sentences = yaml.safe_load((CONFIG / "comments.yaml").read_text(encoding="utf-8"))["score"]
    one = {"take": "t", "file": "t.mp4", "sha256": "0", "attempt": 1, "attempts": 1,
           "received": None, "hours_late": float(k % 60)}  # fmt: skip
    record = {"take": "t", "status": "ok", "problems": [], "instrument": instrument.key,
              "recording": {"snr_db": 30.0}, "intervals": [], **measured}  # fmt: skip
    for reference in REFERENCES:
        ticket = {
            "student": {"student_id": "s", "family_name": "F", "given_name": "G",
                        "instrument": instrument.name, "section": ""},
            "instrument": instrument.as_dict(), "state": "received", "problems": [],
            "takes": [one], "other_takes": [], "policy": "latest", "reference": reference,
            "late": {"grace_hours": 2, "points_off_per_day": 1, "most_points_off": 3},
            "tolerances": {"in_tune_cents": 3, "close_cents": 8, "below_c3_factor": 2,
                           "strings": {}, "instruments": {}},
            "rubric": load_rubric(CONFIG / "rubric.yaml"), "marks": [], "language": "en",
            "sentences": sentences,
        }  # fmt: skip
        facts = {"take": "t", "status": "ok", "problems": [], "duration_s": 60.0}
        measured = {"t": cast("Measured", record)}
        yield score_student(cast("ScoreTicket", ticket), measured, {"t": cast("Decoded", facts)})


def measured() -> Iterator[Any]:
    """Short sounds through all stages."""
    for seed, key in enumerate(MUTATED_KEYS[:4]):
        instrument = TABLE[key]
        high, low = instrument.strings[:2]
        events: list[takes.Event] = [
            takes.Tune(high, (-20.0, 3.0)), takes.Pluck(low, 2), takes.Bow(low, 1.5),
            takes.Both(low, high), takes.Tune(low, (5.0,), "bowed"), takes.Touch(low, 2),
        ]  # fmt: skip
        start = {high: -60.0, low: -30.0}
        audio, _ = takes.assemble(instrument, start, events, player=takes.Player(seed=seed))
        yield hear(audio, instrument).measured


def main() -> None:
    """Print the digest."""
    digest = hashlib.sha256()
    for result in (*simulated(), *(measured() if "--sounds" in sys.argv else ())):
        digest.update(dump_json(rounded(result)).encode())
    print(digest.hexdigest())


if __name__ == "__main__":
    main()
