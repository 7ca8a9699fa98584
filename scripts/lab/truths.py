"""What was told of a take's strings beside what was done to them: turns, slips, pitches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from lab import figures

HEARD_S = 1.0  # a string that sounds on so long after it slipped lets one hear where it stands
TURN_NEAR_S = 0.3  # a turn is told where it was made, give or take this
BETWEEN_S = 0.15  # a note that sounds so long between two turns lets one hear both
SIZES_CENTS = (5.0, 10.0, 20.0)  # turns are counted by size, from each of these on
TURN_COLUMNS = (
    "turns", "strings", "5 to 10 cents", "10 to 20", "20 on", "invented", "size p95", "inside, %",
    "half-width", "slips told", "invented slips",
)  # fmt: skip


def left_cents(truth: Mapping[str, Any], string: str) -> float:
    """What a string was left at, without what slipped when it was hardly heard any more."""
    notes = [n for n in truth["notes"] if string in (n["string"], n.get("string_2"))]
    ends_s = max((n["end_s"] for n in notes), default=0.0)
    begins_s = max((n["start_s"] for n in notes), default=0.0)
    unheard = [
        slip["to_cents"] - slip["from_cents"]
        for slip in truth["slips"]
        if slip["string"] == string and slip["end_s"] >= max(ends_s - HEARD_S, begins_s)
    ]
    return float(truth["strings"][string]["left_cents"] - sum(unheard))


def heard_turns(truth: Mapping[str, Any], string: str) -> list[dict[str, Any]]:
    """The turns of a string that can be heard, those joined between which it did not sound."""
    spans = [
        (n["start_s"], n["end_s"])
        for n in truth["notes"]
        if string in (n["string"], n.get("string_2"))
    ]
    turns: list[dict[str, Any]] = []
    for turn in truth["turns"]:
        if turn["string"] != string or not any(start < turn["start_s"] for start, _ in spans):
            continue  # from where it was turned nobody can know
        if turns and not any(
            end > turns[-1]["end_s"] + BETWEEN_S and start < turn["start_s"] - BETWEEN_S
            for start, end in spans
        ):
            turns[-1] |= {key: turn[key] for key in ("end_s", "to_cents")}
        else:
            turns.append(dict(turn))
    return turns


def size(turn: Mapping[str, Any]) -> float:
    """In cents, positive upward."""
    return float(turn["to_cents"] - turn["from_cents"])


def meet(a: Mapping[str, Any], b: Mapping[str, Any], near_s: float = TURN_NEAR_S) -> bool:
    """Whether two changes were at one time."""
    return bool(a["end_s"] >= b["start_s"] - near_s and a["start_s"] <= b["end_s"] + near_s)


@dataclass
class Turning:
    """How turns were told: found and true ones by size (from each of SIZES_CENTS), strings, moves
    that nobody made, (error, half-width) of the sizes of moves that are one turn, slips."""

    found: dict[float, int] = field(default_factory=lambda: dict.fromkeys(SIZES_CENTS, 0))
    made: dict[float, int] = field(default_factory=lambda: dict.fromkeys(SIZES_CENTS, 0))
    strings: int = 0
    invented: int = 0
    sizes: list[tuple[float, float]] = field(default_factory=list)
    slips: int = 0
    slips_told: int = 0
    slips_invented: int = 0

    def add(self, told: Mapping[str, Any], truth: Mapping[str, Any], string: str) -> None:
        """Count one string that was heard; told: its measured record."""
        turns, moves = heard_turns(truth, string), told["moves"]
        self.strings += 1
        unmet = list(moves)  # a move is the answer to one turn, not to two
        for turn in turns:
            found = [m for m in moves if meet(m, turn) and size(m) * size(turn) > 0]
            own = next((m for m in unmet if m in found), None)
            step = max((s for s in SIZES_CENTS if abs(size(turn)) >= s), default=None)
            if step is not None:
                self.made[step] += 1
                self.found[step] += own is not None
            if own is not None:
                unmet.remove(own)
            alone = len(found) == 1 and sum(meet(found[0], other) for other in turns) == 1
            if alone:
                off = abs(size(found[0]) - size(turn))
                self.sizes.append((off, found[0]["uncertainty_cents"]))
        slips = [slip for slip in truth["slips"] if slip["string"] == string]
        done = [turn for turn in truth["turns"] if turn["string"] == string] + slips
        self.invented += sum(not any(meet(move, one, 0.5) for one in done) for move in moves)
        self._add_slips(told, truth, string, slips)

    def row(self, name: str) -> tuple[object, ...]:
        """A row of a table with TURN_COLUMNS."""
        return (
            name,
            self.strings,
            *(f"{self.found[step]} of {self.made[step]}" for step in SIZES_CENTS),
            self.invented,
            figures.percentile([off for off, _ in self.sizes], 95),
            figures.share(off <= half for off, half in self.sizes),
            figures.percentile([half for _, half in self.sizes], 50),
            f"{self.slips_told} of {self.slips}",
            self.slips_invented,
        )

    def score(self) -> tuple[int, ...]:
        """How much was wrong: turns and slips missed, moves and slips invented."""
        missed = sum(self.made.values()) - sum(self.found.values())
        return missed, self.invented, self.slips - self.slips_told, self.slips_invented

    def join(self, other: Turning) -> None:
        """Add what another counted."""
        for step in self.made:
            self.made[step] += other.made[step]
            self.found[step] += other.found[step]
        self.sizes += other.sizes
        for name in ("strings", "invented", "slips", "slips_told", "slips_invented"):
            setattr(self, name, getattr(self, name) + getattr(other, name))

    def _add_slips(
        self,
        told: Mapping[str, Any],
        truth: Mapping[str, Any],
        string: str,
        slips: Sequence[Mapping[str, Any]],
    ) -> None:
        spans = [
            (n["start_s"], n["end_s"])
            for n in truth["notes"]
            if string in (n["string"], n.get("string_2"))
        ]
        heard = [
            slip
            for slip in slips
            if any(start < slip["start_s"] for start, _ in spans)
            if any(end > slip["end_s"] + HEARD_S for _, end in spans)
        ]
        self.slips += len(heard)
        if heard:
            self.slips_told += told["slipped_cents"] is not None
        elif not slips:
            self.slips_invented += told["slipped_cents"] is not None
