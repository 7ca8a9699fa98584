"""One true thing that went well: what a sheet begins with, whatever its points."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pegmark.render.string_words import strings_said
from pegmark.trade.pitch import semitone
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Criterion, Record, StudentString

NEARER_CENTS = 10.0  # a string brought less far is not worth a word (common practice, no source)
PRAISE_KINDS = (  # criterion's kind -> its sentence, the most telling first
    ("final_check", "all_checked"),
    ("sounding_while_turning", "sounding"),
    ("small_moves", "small"),
)

Words = dict[str, Any]


def praise(record: Record, words: Words) -> str:
    """The sentence, in the order of what is worth most: pitch, the way of tuning, the start.

    Nothing is praised that lost a point or that the teacher decided otherwise, and nothing that
    was only given in the student's favour.
    """
    part = words["well"]
    strings = record.get("strings") or {}
    in_tune = _with_verdict(strings, "in_tune") if _is_trusted(record, "final_pitch") else []
    if in_tune:
        if len(in_tune) == len(strings):
            return str(part["all_in_tune"])
        return str(part["some_in_tune"]).format(strings=strings_said(in_tune, words))
    for kind, key in PRAISE_KINDS:
        if _is_full(record, kind):
            return str(part[key])
    if _is_full(record, "order") and record.get("order"):
        return str(part["order"]).format(strings=strings_said(record["order"][:1], words))
    if found := _nearer(strings):
        name, cents = found
        size = wording.cents(cents, words["decimal"])
        return str(part["nearer"]).format(strings=strings_said([name], words), cents=size)
    if close := _with_verdict(strings, "close") if _is_trusted(record, "final_pitch") else []:
        return str(part["close"]).format(strings=strings_said(close, words))
    heard = [name for name, one in strings.items() if one.get("deviation_cents") is not None]
    if heard:
        return str(part["heard"]).format(strings=strings_said(heard, words))
    return str(part["handed_in"])


def _with_verdict(strings: dict[str, StudentString], verdict: str) -> list[str]:
    found = [name for name, string in strings.items() if string.get("verdict") == verdict]
    return sorted(found, key=semitone, reverse=True)


def _criteria(record: Record, kind: str) -> list[Criterion]:
    rows = (record.get("score") or {}).get("criteria") or []
    return [row for row in rows if row.get("kind") == kind]


def _is_trusted(record: Record, kind: str) -> bool:
    """Whether the teacher has not given fewer points than were measured."""
    return not any(
        row["by"] == "teacher" and (row.get("points") or 0) < (row.get("measured_points") or 0)
        for row in _criteria(record, kind)
    )


def _is_full(record: Record, kind: str) -> bool:
    """Whether a criterion earned all its points by what was heard, without any doubt."""
    rows = _criteria(record, kind)
    return bool(rows) and all(
        row["by"] == "measured" and row["points"] == row["of"] and not row.get("close_call")
        for row in rows
    )


def _nearer(strings: dict[str, StudentString]) -> tuple[str, float] | None:
    """The string that was brought furthest towards its pitch, and by how many cents."""
    gains = []
    for name, string in strings.items():
        start, end = string.get("start_cents"), string.get("deviation_cents")
        if start is not None and end is not None and string.get("moves"):
            zero = string.get("zero_cents", 0.0)
            gains.append((abs(start - zero) - abs(end - zero), name))
    gain, name = max(gains, default=(0.0, ""))
    return (name, gain) if gain >= NEARER_CENTS else None
