"""What takes ask of the teacher's ear, and whether one who knows the truth would share it."""

from __future__ import annotations

from collections import Counter
from typing import Any

from lab.figures import wilson

ASKED_COLUMNS = (
    "difficulty", "takes", "to the ear, %", "interval", "shared, %", "questions",
    "most of a string", "without a passage", "reasons (shared of all)",
)  # fmt: skip


class Asked:
    """The questions of the takes of one difficulty."""

    def __init__(self, difficulty: str) -> None:
        self.difficulty = difficulty
        self.takes, self.sent, self.shared = 0, 0, 0
        self.questions, self.most, self.nowhere = 0, 0, 0
        self.reasons: dict[str, Counter[bool]] = {}

    def add(
        self, record: dict[str, Any], perfect: dict[str, Any], measured: dict[str, Any]
    ) -> None:
        """One take: its record, the record of perfect ears; it is shared if one reason is."""
        self.takes += 1
        asked = [problem for problem in record["problems"] if problem["criteria"]]
        if record["status"] != "needs_listening":
            return
        shared = [is_shared(problem, record, perfect, measured) for problem in asked]
        self.sent += 1
        self.shared += any(shared)
        self.questions += len(asked)
        self.most = max(self.most, *Counter(p["string"] for p in asked if p["string"]).values(), 0)
        self.nowhere += sum(p["end_s"] is None and bool(p["string"]) for p in asked)
        for one, agreed in zip(asked, shared, strict=True):
            self.reasons.setdefault(one["code"], Counter())[agreed] += 1

    def row(self) -> tuple[object, ...]:
        """The table's row."""
        often = sorted(self.reasons.items(), key=lambda one: (-one[1].total(), one[0]))
        reasons = ", ".join(f"{code} {n[True]} of {n.total()}" for code, n in often)
        low, high = wilson(self.sent, self.takes)
        return (
            self.difficulty,
            self.takes,
            100 * self.sent / self.takes,
            (low, high),
            100 * self.shared / self.sent if self.sent else None,
            self.questions,
            self.most,
            self.nowhere,
            reasons,
        )


def is_shared(
    problem: dict[str, Any],
    record: dict[str, Any],
    perfect: dict[str, Any],
    measured: dict[str, Any],
) -> bool:
    """Whether a person who knows the truth would say that this one needs an ear.

    Of a string: perfect ears ask too, or nothing was measured, or what was measured is off by more
    than half of what is in tune, or is another level than the true one. Of the whole take: perfect
    ears ask the same, or one of its strings needs an ear.
    """
    names = [problem["string"]] if problem["string"] else list(record["strings"])
    if any(p["code"] == problem["code"] and p["criteria"] for p in perfect["problems"]):
        return True
    return any(_needs_ear(name, record, perfect, measured) for name in names)


def _needs_ear(
    name: str, record: dict[str, Any], perfect: dict[str, Any], measured: dict[str, Any]
) -> bool:
    true, heard = perfect["strings"][name], measured["strings"].get(name) or {}
    cents = heard.get("deviation_cents")
    if true["verdict"] not in ("in_tune", "close", "out") or cents is None:
        return True
    levels = record["tolerances"][name]
    if abs(cents - true["deviation_cents"]) > levels["in_tune_cents"] / 2:
        return True
    low, high = true["home_cents"]
    off = round(max(low - cents, cents - high, 0.0), 1)
    in_tune, close = off <= levels["in_tune_cents"], off <= levels["close_cents"]
    return ("in_tune" if in_tune else "close" if close else "out") != true["verdict"]
