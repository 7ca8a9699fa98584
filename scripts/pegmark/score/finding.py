"""A judged take, and what one criterion of the rubric finds in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pegmark.score.feedback import Voice, evidence
from pegmark.score.review_reasons import Doubt
from pegmark.score.slips import Slip
from pegmark.score.turns import Sounded
from pegmark.score.verdicts import HeardA, Judgement
from pegmark.trade.targets import Frame

if TYPE_CHECKING:
    from pegmark.records.student import Evidence, Move, StudentNote, StudentString
    from pegmark.records.take import Interval


@dataclass(frozen=True)
class Take:
    """A judged take: strings, notes and intervals in the record's form, and the judgements.

    `heard_a` is the sounded A that the whole instrument is counted from, `tone` one that was
    sounded, whether it counts or not; None where there is none. `slips` are the falls that were
    left so, by string; `halves` is the half-width in cents that decides each string's pitch.
    """

    frame: Frame
    judgements: dict[str, Judgement]
    strings: dict[str, StudentString]
    notes: list[StudentNote]
    intervals: list[Interval]
    order: list[str]
    last_turn_s: float | None
    voice: Voice
    sounded: dict[str, Sounded]
    tone: HeardA | None
    heard_a: HeardA | None
    slips: dict[str, Slip]
    halves: dict[str, float]

    def blamed(self, name: str) -> str | None:
        """The string whose slip left a string's level open: its own, else that of one that it is
        counted from; None where no slip did."""
        judgement = self.judgements[name]
        if judgement.before_slip is None:
            return None
        likely = (name, judgement.neighbour, self.frame.a_string, *self.slips)
        return next((one for one in likely if one in self.slips), None)

    @property
    def base_cents(self) -> float:
        """What the whole instrument is counted from, against the assignment's A."""
        return self.heard_a.cents - self.frame.a_cents if self.heard_a else 0.0

    @property
    def turns(self) -> list[tuple[str, Move]]:
        """Every turn of the take with its string, by time."""
        found = [(name, m) for name, string in self.strings.items() for m in string["moves"]]
        return sorted(found, key=lambda item: item[1]["start_s"])

    @property
    def untold(self) -> list[str]:
        """Strings that were not told apart at all: turns of theirs may be anywhere."""
        return [
            name
            for name, string in self.strings.items()
            if string["heard"] == "unsure" and not string["moves"]
        ]

    @property
    def nothing_turned(self) -> bool:
        """Whether every string was told apart and none was turned."""
        heard = all(string["heard"] == "heard" for string in self.strings.values())
        return heard and not self.turns


@dataclass
class Finding:
    """What one criterion earned."""

    points: float
    open: float = 0.0
    evidence: list[Evidence] = field(default_factory=list)
    close_call: bool = False
    doubts: list[Doubt] = field(default_factory=list)


def left_open(take: Take, criterion: dict[str, Any], code: str, doubts: list[Doubt]) -> Finding:
    """A criterion that stays open, for the reasons in `doubts`."""
    return Finding(
        0.0,
        open=criterion["points"],
        evidence=[evidence(take.voice, code, doubts[0].at_s if doubts else None)],
        doubts=doubts,
    )
