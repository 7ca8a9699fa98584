"""Instruments that need care before the next rehearsal, from what the recordings showed.

A list for the teacher: what is seen in a recording is a hint, not a finding. She, or a luthier,
looks at the instrument itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Observation, Record

# Observation code -> what to look at (common practice, no source).
LOOK_AT = {
    "slipping_peg": "Look at the peg: does it fit, is it dry? It is pushed in as it turns.",
    "false_string": "It may be old: try a new string.",
    "beating_string": "It may be old or dirty: wipe it, and try a new string.",
    "far_above": "Turn the string down first; look at it and at the bridge before tuning again.",
    "string_changed": "If it is new it stretches: tune it daily. Look at the bridge.",
}
# A machine head is never pushed in; one that slips is worn.
MACHINE_HEAD = "Look at the machine head: one that slips is for a luthier. It is not pushed in."


def care_list(records: Iterable[Record]) -> list[dict[str, Any]]:
    """One entry per observation that concerns the instrument itself, in the class's order.

    An entry has student_id, code, text (what was heard), at_s, times (of every slip of a string,
    where there are several) and look_at (what to do).
    """
    return [
        {
            "student_id": record["student"]["student_id"],
            "code": observation["code"],
            "text": observation["text"],
            "at_s": observation.get("at_s"),
            "times": _times(record, observation),
            "look_at": _look_at(observation["code"], record["student"]["instrument"]),
        }
        for record in records
        for observation in record["observations"]
        if observation["code"] in LOOK_AT
    ]


def _times(record: Record, observation: Observation) -> str:
    """When a string slipped, if it did so more than once: ``0:12, 0:43``."""
    if observation["code"] != "slipping_peg":
        return ""
    string = record["strings"].get(observation.get("string") or "")
    changes = string.get("own_changes") or [] if string else []
    slips = [wording.clock(one["end_s"]) for one in changes if one["cause"] == "slip"]
    return ", ".join(slips) if len(slips) > 1 else ""


def _look_at(code: str, instrument: str) -> str:
    if code == "slipping_peg" and instrument == "double bass":
        return MACHINE_HEAD
    return LOOK_AT[code]
