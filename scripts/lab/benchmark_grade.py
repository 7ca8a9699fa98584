"""Figures for the grading, from sound to points: invented takes beside what was really done.

    python scripts/lab/benchmark_grade.py [--takes 40] [--keep FOLDER]

Every take of the sound laboratory is listened to, measured and scored; beside it the same rubric
scores the take's own truth, as perfect ears would have heard it. Per criterion of a measured kind
and difficulty: how often the points are the same, how often points were taken that were earned
(the one thing that must not happen), how often given that were not, how often left to the teacher.
The benefit of the doubt gives points at a boundary, so "given" is not zero by design. Takes in
which perfect ears could not tell either are left out.

Then how many takes are sent to the teacher's ear, for which reasons, and how many of these a person
who knows the truth would share (lab.asked). With --keep the measured takes are kept, and
the next run scores them again without listening.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import argparse
from collections import Counter
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING, Any, cast

import yaml

from lab import bench
from lab.asked import ASKED_COLUMNS, Asked
from lab.bench import CONFIG, INSTRUMENTS, TABLE
from lab.takes import DIFFICULTY
from pegmark.files.store import read_json, rounded, write_json
from pegmark.score import score_student
from pegmark.settings.rubric import load_rubric
from pegmark.trade.instruments import Instrument
from pegmark.trade.pitch import shift_hz
from pegmark.trade.turning import TURN_CENTS

if TYPE_CHECKING:
    from pegmark.records.take import Measured
    from pegmark.records.tickets import ScoreTicket

OUTCOMES = ("same", "taken", "given", "open")
GRADE_COLUMNS = (
    "difficulty", "criterion", "takes", *(f"{one}, %" for one in OUTCOMES), "points taken in",
)  # fmt: skip


def main() -> None:
    """Print the tables: the points by criterion, then what was sent to the teacher's ear."""
    parser = bench.options_of(__doc__, takes=40, seed=7_000_000)
    parser.add_argument("--keep", type=Path, help="keep the measured takes in this folder")
    options = parser.parse_args()
    bench.begin(options)
    asked = {difficulty: Asked(difficulty) for difficulty in DIFFICULTY}
    bench.print_table(GRADE_COLUMNS, (r for d in DIFFICULTY for r in _rows(options, asked[d])))
    bench.print_table(ASKED_COLUMNS, (one.row() for one in asked.values()))


def _rows(options: argparse.Namespace, asked: Asked) -> Iterator[tuple[object, ...]]:
    """A row of the table for each criterion of one difficulty; its questions go to `asked`."""
    found: dict[str, Counter[str]] = {}
    wrong: dict[str, list[str]] = {}
    for number in range(options.takes):
        instrument = TABLE[INSTRUMENTS[number % len(INSTRUMENTS)]]
        seed = options.seed + number
        measured, truth = _listen(instrument, seed, asked.difficulty, options.keep)
        record = score_take(measured, instrument)
        perfect = score_take(ideal_take(truth, instrument), instrument)
        asked.add(record, perfect, measured)
        true = _points(perfect)
        for criterion, row in _points(record).items():
            outcome = _outcome(row, true[criterion])
            if outcome is None:
                continue
            found.setdefault(criterion, Counter())[outcome] += 1
            if outcome == "taken":
                wrong.setdefault(criterion, []).append(str(seed))
    for criterion, counts in found.items():
        shares = (100 * counts[outcome] / counts.total() for outcome in OUTCOMES)
        lost = ", ".join(wrong.get(criterion, []))
        yield (asked.difficulty, criterion, counts.total(), *shares, lost)


def _listen(
    instrument: Instrument, seed: int, difficulty: str, keep: Path | None
) -> tuple[dict[str, Any], dict[str, Any]]:
    """A take as it was measured, and its truth."""
    path = keep / f"{difficulty}-{seed}.json" if keep else None
    if path and path.exists():
        kept = read_json(path)
        return kept["measured"], kept["truth"]
    from lab.chain import hear
    from lab.takes import random_take

    audio, truth = random_take(seed, instrument, difficulty, real=bool(seed % 2))
    measured = rounded(hear(audio, instrument).measured)
    if path:
        write_json(path, {"measured": measured, "truth": rounded(truth)})
    return measured, truth


def ideal_take(truth: dict[str, Any], instrument: Instrument) -> dict[str, Any]:
    """The take as perfect ears would have measured it."""
    targets = instrument.hz()
    turns = [t for t in truth["turns"] if abs(t["to_cents"] - t["from_cents"]) > TURN_CENTS]
    last_turn_s = max((turn["end_s"] for turn in turns), default=None)
    firsts: dict[str, float] = {}
    for event in (*turns, *truth["notes"]):
        firsts.setdefault(event["string"], event["start_s"])
    order = sorted((s for s in firsts if s), key=lambda s: firsts[s])
    strings: dict[str, Any] = {}
    for name, true in truth["strings"].items():
        sounded = [n for n in truth["notes"] if name in (n["string"], n.get("string_2"))]
        starts = [n["start_s"] for n in sounded if n["kind"] != "harmonic"]
        moves = _as_heard([turn for turn in turns if turn["string"] == name], starts)
        after = [s for s in starts if last_turn_s is None or s >= last_turn_s]
        strings[name] = {
            "target_hz": targets[name],
            "f0_hz": shift_hz(targets[name], true["left_cents"]),
            "deviation_cents": true["left_cents"],
            "uncertainty_cents": 0.0,
            "kind": "bowed",
            "at_s": starts[-1] if starts else None,
            "notes": len(starts),
            "heard": "heard" if starts else "not_heard",
            "start_cents": true["start_cents"],
            "tuned_as": order.index(name) + 1 if name in order else None,
            "moves": moves,
            "largest_move_cents": None,
            "changes": _slips(truth, name, starts),
            "slipped_cents": None,
            "drift_cents": None,
            "settled_s": max((m["end_s"] for m in moves), default=None),
            "checked_s": min(after, default=None),
            "deciding": None,
        }
    unknown = dict.fromkeys(("string_odds", "snr_db", "attack_drift_cents", "role"))
    notes = [
        {
            **unknown,
            **{key: note.get(key) for key in ("start_s", "end_s", "kind", "string", "f0_hz")},
            "deviation_cents": note["cents"],
            "uncertainty_cents": 0.0,
            "gliding": note["moving"],
            **({"string_2": note["string_2"]} if "string_2" in note else {}),
        }
        for note in truth["notes"]
    ]
    quiet = {"snr_db": None, "clipped_fraction": 0.0, "speed_error_cents": None}
    return {
        "take": "lab", "status": "ok", "problems": [], "instrument": instrument.key,
        "recording": quiet, "notes": notes, "speech": [], "strings": strings, "order": order,
        "last_turn_s": last_turn_s, "intervals": [],
    }  # fmt: skip


def _slips(truth: dict[str, Any], name: str, starts: list[float]) -> list[dict[str, Any]]:
    """What a string did by itself between two notes of it."""
    return [
        {key: slip[key] for key in ("start_s", "end_s", "from_cents", "to_cents")}
        | {"cause": "slip"}
        for slip in truth["slips"]
        if slip["string"] == name
        and any(s < slip["start_s"] for s in starts)
        and any(s >= slip["end_s"] for s in starts)
    ]


def _as_heard(turns: list[dict[str, Any]], starts: list[float]) -> list[dict[str, Any]]:
    """The turns of a string after its first note, joined where no note sounded in between."""
    moves: list[dict[str, Any]] = []
    for turn in turns:
        if not any(s < turn["start_s"] for s in starts):
            continue  # from where it was turned nobody can know
        if moves and not any(moves[-1]["end_s"] <= s < turn["start_s"] for s in starts):
            sounding = moves[-1]["sounding"] and turn["sounding"]
            moves[-1] |= {key: turn[key] for key in ("end_s", "to_cents")} | {"sounding": sounding}
            continue
        keys = ("start_s", "end_s", "from_cents", "to_cents", "sounding")
        moves.append({key: turn[key] for key in keys})
    return moves


@cache
def _settings() -> dict[str, Any]:
    """Tolerances, rubric and sentences as they ship."""
    assignment = yaml.safe_load((CONFIG / "assignment.default.yaml").read_text("utf-8"))
    comments = yaml.safe_load((CONFIG / "comments.yaml").read_text("utf-8"))
    return {
        "tolerances": assignment["tolerances"],
        "rubric": load_rubric(CONFIG / "rubric.yaml"),
        "sentences": comments["score"],
    }


def _points(record: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The rows of a record's score by criterion, those of measured kinds."""
    return {row["id"]: row for row in record["score"]["criteria"] if row["kind"] != "teacher"}


def score_take(
    measured: dict[str, Any], instrument: Instrument, method: str = "tuner"
) -> dict[str, Any]:
    """The record of one take, scored by the rubric as it ships."""
    ticket = {
        "student": dict.fromkeys(("student_id", "family_name", "given_name", "section"), "")
        | {"instrument": instrument.name},
        "instrument": instrument.as_dict(),
        "state": "received",
        "problems": [],
        "takes": [{"take": "lab", "file": "lab", "sha256": "", "attempt": 1, "attempts": 1,
                   "received": None, "hours_late": None}],
        "other_takes": [],
        "policy": "latest",
        "reference": {"a4_hz": 440.0, "temperament": "equal", "method": method},
        "marks": [],
        "language": "en",
        **_settings(),
    }  # fmt: skip
    return dict(score_student(cast("ScoreTicket", ticket), {"lab": cast("Measured", measured)}, {}))


def _outcome(heard: dict[str, Any], true: dict[str, Any]) -> str | None:
    """How the points of one criterion compare; None where perfect ears could not tell either."""
    sure, most = heard["points"] or 0, (heard["points"] or 0) + heard["open"]
    earned = true["points"] or 0
    if true["open"]:
        return None
    if most < earned - 1e-6:
        return "taken"
    if sure > earned + 1e-6:
        return "given"
    return "open" if heard["open"] else "same"


if __name__ == "__main__":
    main()
