"""The rubric: what counts, for how many points, and by which thresholds.

A rubric is data (config/rubric.yaml, or the teacher's own rubric.yaml): criteria with id, title,
points and a kind. Kinds are measured (pegmark.score.criteria has a function for each) or "teacher".
What a criterion does not say about its kind comes from `DEFAULTS`.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.records.problems import Problem, TeacherError

if TYPE_CHECKING:
    from pegmark.files.yaml_files import KeyPath, YamlFile

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
    # What of the take is played while she marks it: the spoken passages, or the seconds before the
    # first note and after the last, where the instrument itself is seen.
    "teacher": {"shows": "spoken"},
}
TEACHER = "teacher"
MOST_POINTS = 1000  # of one criterion, as the schema has it
STRING_NAME = re.compile(r"[A-G][#b]?[0-8]")  # as the schema has it


def load_rubric(path: Path | str, strings: Collection[str] | None = None) -> dict[str, Any]:
    """The rubric in a file, checked, its defaults filled in.

    `strings` are the open strings of all instruments, if only those may be named.
    Raises TeacherError with all mistakes at once, by line and key.
    """
    from pegmark.files.yaml_files import read_yaml

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
    """Every mistake in a rubric, by line: the schema's rules, and what no schema says."""
    from pegmark.files.yaml_files import told_in_order, violations

    found = list(violations(data, "rubric"))
    criteria = data.get("criteria") if isinstance(data, dict) else None
    if isinstance(criteria, list):
        for place, criterion in enumerate(criteria):
            if isinstance(criterion, dict):
                found += [
                    (("criteria", place, *inner), wrong, action)
                    for inner, wrong, action in _mistakes(criterion, criteria[:place], strings)
                ]
    return told_in_order("bad_rubric", found, source, keys)


def _mistakes(
    criterion: dict[str, Any], before: list[Any], strings: Collection[str] | None
) -> Iterator[tuple[KeyPath, str, str]]:
    """What no schema says of one criterion; `before` are those above it."""
    yield from _bad_id(criterion, before)
    yield from _bad_levels(criterion)
    points = criterion.get("points")
    if isinstance(points, int | float) and 0 < points <= MOST_POINTS and points != round(points, 2):
        yield ("points",), f"{points} is finer than a hundredth", "Give two decimals at most."
    limits = criterion.get("strings")
    for name in limits if strings and isinstance(limits, dict) else ():
        if STRING_NAME.fullmatch(name) and name not in (strings or ()):
            wrong = f"there is no open string {name}"  # its limit would never count
            yield ("strings", name), wrong, f"Allowed: {', '.join(sorted(strings or ()))}."


def _bad_id(criterion: dict[str, Any], before: list[Any]) -> Iterator[tuple[KeyPath, str, str]]:
    """An id that stands twice, or that is the name of another column of the gradebook."""
    from pegmark.records.columns import is_own_column

    identity = str(criterion.get("id", "")).casefold()
    others = [str(one.get("id", "")).casefold() if isinstance(one, dict) else "" for one in before]
    if identity and identity in others:
        wrong = f"{criterion['id']!r} is already the id of criterion {others.index(identity) + 1}"
        yield ("id",), wrong, "Give each criterion an id of its own."
    if is_own_column(identity):
        wrong = f"{criterion['id']!r} is another column of gradebook.csv"
        yield ("id",), wrong, "Give the criterion another id."


def _bad_levels(criterion: dict[str, Any]) -> Iterator[tuple[KeyPath, str, str]]:
    """Levels that pay a worse string more, or that nobody can earn all points by."""
    levels, kind = criterion.get("levels"), criterion.get("kind")
    usual = DEFAULTS.get(kind, {}).get("levels") if isinstance(kind, str) else None
    if not usual or not isinstance(levels, dict):
        return
    shares = [{**usual, **levels}[name] for name in ("in_tune", "close", "out")]
    if not all(isinstance(share, int | float) for share in shares):
        return
    if not shares[0] >= shares[1] >= shares[2]:
        wrong = f"in_tune {shares[0]}, close {shares[1]}, out {shares[2]} do not fall"
        yield ("levels",), wrong, "A string further out may not earn more than a nearer one."
    elif shares[0] < 1:
        wrong = f"with {shares[0]} nobody could earn all the points"
        yield ("levels", "in_tune"), wrong, "Give in_tune 1, and the criterion fewer points."


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
