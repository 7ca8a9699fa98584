"""The rubric: what counts, for how many points, and by which thresholds.

A rubric is data (config/rubric.yaml, or the teacher's own rubric.yaml): criteria with id, title,
points and a kind. Kinds are measured (pegmark.criteria has a function for each) or "teacher".
What a criterion does not say about its kind comes from `DEFAULTS`.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.problems import Problem, TeacherError, problem

if TYPE_CHECKING:
    from pegmark.yamlfiles import KeyPath, YamlFile

# What each kind may set, and what holds where it sets nothing: common practice, no source.
DEFAULTS: dict[str, dict[str, Any]] = {
    # Shares of a string's points by its verdict.
    "final_pitch": {"levels": {"in_tune": 1, "close": 0.5, "out": 0}},
    "order": {},
    # A string moves by a few cents when its neighbours are tightened: no hand was at it.
    "sounding_while_turning": {
        "silent_moves_allowed": 0,
        "ignore_below_cents": 10,
        "no_turns": "full",
    },
    # A thin top string breaks first; a semitone in one go is too much on any.
    "small_moves": {
        "top_string_cents": 50,
        "other_cents": 100,
        "strings": {},
        "large_moves_allowed": 0,
        "no_turns": "full",
    },
    # A touch-up of a few cents pulls no other string: no second round is owed for it.
    "final_check": {"bowed": False, "ignore_below_cents": 10, "strings_missing_allowed": 0},
    "method_used": {"unheard": "open"},
    "whole_pitch": {"levels": {"in_tune": 1, "close": 0.5, "out": 0}},
    "teacher": {},
}
TEACHER = "teacher"
STRING_NAME = re.compile(r"[A-G][#b]?[0-8]")  # as the schema has it


def load_rubric(path: Path | str, strings: Collection[str] | None = None) -> dict[str, Any]:
    """The rubric in a file, checked, its defaults filled in.

    `strings` are the open strings of all instruments, if only those may be named.
    Raises TeacherError with all mistakes at once, by line and key.
    """
    from pegmark.yamlfiles import read_yaml

    source = read_yaml(path)
    return check_rubric(source.data, source, strings=strings)


def check_rubric(
    data: Any,
    source: YamlFile | str,
    keys: KeyPath = (),
    strings: Collection[str] | None = None,
) -> dict[str, Any]:
    """A rubric that stands at `keys` of a file, checked, its defaults filled in.

    Raises TeacherError with all mistakes at once, by line and key.
    """
    problems = rubric_problems(data, source, keys, strings)
    if problems:
        raise TeacherError(problems)
    rubric = copy.deepcopy(data)
    rubric.setdefault("title", "")
    rubric["criteria"] = [
        {**copy.deepcopy(DEFAULTS[criterion["kind"]]), **criterion}
        for criterion in rubric["criteria"]
    ]
    for criterion in rubric["criteria"]:
        if "levels" in criterion:
            criterion["levels"] = {
                **DEFAULTS[criterion["kind"]]["levels"],
                **criterion["levels"],
            }
    return dict(rubric)


def rubric_problems(
    data: Any,
    source: YamlFile | str,
    keys: KeyPath = (),
    strings: Collection[str] | None = None,
) -> list[Problem]:
    """Every mistake in a rubric, in reading order: the schema's rules, then what no schema says."""
    from pegmark.yamlfiles import violations

    def where(inner: KeyPath) -> str:
        from pegmark.yamlfiles import key_name

        whole = (*keys, *inner)
        if isinstance(source, str):
            return ", ".join(part for part in (source, key_name(whole)) if part)
        return source.where(whole)

    found = [
        problem("bad_rubric", f"{where(inner)}: {wrong}.", action)
        for inner, wrong, action in violations(data, "rubric")
    ]
    criteria = data.get("criteria") if isinstance(data, dict) else None
    if isinstance(criteria, list):
        found += [
            problem("bad_rubric", f"{where(('criteria', *inner))}: {wrong}.", action)
            for inner, wrong, action in (
                *_contradictions(criteria),
                *_no_strings(criteria, strings or ()),
            )
        ]
    return found


def _no_strings(
    criteria: list[Any], strings: Collection[str]
) -> Iterator[tuple[KeyPath, str, str]]:
    """Limits for strings that no instrument has: they would never count."""
    if not strings:
        return
    for place, criterion in enumerate(criteria):
        limits = criterion.get("strings") if isinstance(criterion, dict) else None
        for name in limits if isinstance(limits, dict) else ():
            if STRING_NAME.fullmatch(str(name)) and name not in strings:
                wrong = f"there is no open string {name}"
                yield (place, "strings", name), wrong, f"Allowed: {', '.join(sorted(strings))}."


def _contradictions(criteria: list[Any]) -> list[tuple[KeyPath, str, str]]:
    """Ids that stand twice, and levels that pay a worse string more."""
    found: list[tuple[KeyPath, str, str]] = []
    seen: dict[str, int] = {}
    for place, criterion in enumerate(criteria):
        if not isinstance(criterion, dict):
            continue
        identity = str(criterion.get("id", "")).casefold()
        if identity and identity in seen:
            wrong = f"{criterion['id']!r} is already the id of criterion {seen[identity] + 1}"
            found.append(((place, "id"), wrong, "Give each criterion an id of its own."))
        seen.setdefault(identity, place)
        levels = criterion.get("levels")
        kind = criterion.get("kind")
        if (
            isinstance(levels, dict)
            and isinstance(kind, str)
            and "levels" in DEFAULTS.get(kind, {})
        ):
            shares = [
                {**DEFAULTS[kind]["levels"], **levels}[n] for n in ("in_tune", "close", "out")
            ]
            numbers = all(isinstance(share, int | float) for share in shares)
            if numbers and not shares[0] >= shares[1] >= shares[2]:
                wrong = f"in_tune {shares[0]}, close {shares[1]}, out {shares[2]} do not fall"
                action = "A string further out may not earn more than a nearer one."
                found.append(((place, "levels"), wrong, action))
    return found


def setting(criterion: dict[str, Any], name: str) -> Any:
    """What a criterion sets for its kind, or the kind's default."""
    return criterion.get(name, DEFAULTS[criterion["kind"]][name])


def title_of(criterion: dict[str, Any], language: str) -> str:
    """A criterion's title in a language: its own for that language, else its title."""
    own = (criterion.get("titles") or {}).get(language)
    return str(own or criterion.get("title") or criterion["id"])


def total_of(rubric: dict[str, Any]) -> float:
    """The points of a whole rubric."""
    return float(sum(criterion["points"] for criterion in rubric["criteria"]))
