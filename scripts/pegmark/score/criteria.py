"""The measured kinds of criteria: one function per kind, from a judged take to points.

Each function takes a `Take` and one criterion of the rubric and gives a `Finding`: the points
that are sure, the points that stay open, the evidence for both, and the doubts a teacher has to
settle. Every point lost carries evidence: what, how much, and the passage of the take that holds
it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pegmark.score import pitch_criteria, turn_criteria
from pegmark.score.finding import Finding, Take

KINDS: dict[str, Callable[[Take, dict[str, Any]], Finding]] = {
    "final_pitch": pitch_criteria.final_pitch,
    "order": turn_criteria.order,
    "sounding_while_turning": turn_criteria.sounding_while_turning,
    "small_moves": turn_criteria.small_moves,
    "final_check": turn_criteria.final_check,
    "method_used": pitch_criteria.method_used,
    "whole_pitch": pitch_criteria.whole_pitch,
}


def find(take: Take, criterion: dict[str, Any]) -> Finding:
    """The finding of one criterion of a measured kind."""
    return KINDS[criterion["kind"]](take, criterion)
