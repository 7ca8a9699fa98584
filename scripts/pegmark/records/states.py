"""How a student's take stands, in one set of words for every page, file and message."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

# In the order in which a teacher thinks of them. A record's own status knows no "waiting": what is
# graded there may still lack the points that only a teacher gives.
STATE_WORDS = {
    "graded": "graded",
    "waiting": "waiting for your marks",
    "needs_listening": "needs your ear",
    "unreadable": "could not be read",
    "missing": "not handed in",
    "excused": "excused",
}
# Problems that nothing has to be heard for: what is known is told, what it earns the teacher says
# while she marks.
DECISIONS = frozenset({"already_in_tune", "slipped_left"})


HEARD_STATES = ("graded", "needs_listening")  # of a record whose take was heard


def state_of(record: Mapping[str, Any]) -> str:
    """The state of a record: a key of `STATE_WORDS`; graded only when no point is open."""
    status = str(record["status"])
    is_open = any(row["by"] == "open" for row in record["score"]["criteria"])
    return "waiting" if status == "graded" and is_open else status


def counts_by_state(records: list[Any]) -> list[tuple[str, int]]:
    """(words, number of students) of every state that somebody is in."""
    states = [state_of(record) for record in records]
    return [(words, states.count(s)) for s, words in STATE_WORDS.items() if s in states]
