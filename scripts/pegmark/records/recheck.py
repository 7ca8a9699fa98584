"""The record of recheck.json: what is checked with all takes of a class at hand."""

from __future__ import annotations

from typing import Annotated, TypedDict

from pegmark.records.problems import Problem
from pegmark.records.values import Also, Count, HalfWidth, Seconds, StringName, TakeId


class SecondOpinion(TypedDict):
    """What the second reading says of a string's deciding passage."""

    start_s: Seconds
    end_s: Seconds
    target_hz: Annotated[float, Also(minimum=0)]
    second_hz: Annotated[float, Also(minimum=0)] | None  # None: no answer
    spread_cents: HalfWidth | None


class Disagreement(TypedDict):
    """A string on which the two readings disagree."""

    take: str
    string: str
    at_s: float
    f0_hz: float
    second_hz: float
    apart_cents: float
    uncertainty_cents: float | None


class SameRecording(TypedDict):
    """Two takes that are one and the same recording."""

    takes: Annotated[list[TakeId], Also(minItems=2, maxItems=2)]
    shift_s: float
    matched: Count
    of: Count
    likeness: Annotated[float, Also(minimum=0)]


class Recheck(TypedDict):
    """recheck.json."""

    version: int
    code: str | None  # what stands for the program that answered
    problems: list[Problem]  # faults of the program itself
    takes: dict[TakeId, dict[StringName, SecondOpinion]]
    disagreements: list[Disagreement]
    same_recordings: list[SameRecording]
    recorded_at: dict[str, str]  # take -> when its container says that it was recorded
