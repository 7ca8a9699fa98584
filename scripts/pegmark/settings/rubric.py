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

# The steps of a criterion that looks at every turn (or string): the share of its points that is
# earned, and the least share of good ones that reaches a step.
STEPS = {"all": 1, "most": 0.75, "some": 0.5, "none": 0}
FROM_SHARE = {"all": 1, "most": 0.75, "some": 0.25}
# What each kind may set, and what holds where it sets nothing: common practice, no source.
DEFAULTS: dict[str, dict[str, Any]] = {
    # Shares of a string's points by its verdict.
    "final_pitch": {"levels": {"in_tune": 1, "close": 0.5, "out": 0}},
    "order": {"levels": {"right": 1, "wrong": 0}, "no_turns": "open"},
    # A string moves by a few cents when its neighbours are tightened: no hand was at it.
    "sounding_while_turning": {
        "levels": STEPS,
        "from_share": FROM_SHARE,
        "silent_moves_allowed": 0,
        "ignore_below_cents": 10,
        "no_turns": "open",
    },
    # A thin top string breaks first; a semitone in one go is too much on any.
    "small_moves": {
        "levels": STEPS,
        "from_share": FROM_SHARE,
        "top_string_cents": 50,
        "other_cents": 100,
        "strings": {},
        "large_moves_allowed": 0,
        "no_turns": "open",
    },
    # A touch-up of a few cents pulls no other string: no second round is owed for it.
    "final_check": {
        "levels": {"all": 1, "most": 0, "some": 0, "none": 0},
        "from_share": FROM_SHARE,
        "bowed": False,
        "ignore_below_cents": 10,
        "strings_missing_allowed": 0,
    },
    "method_used": {"levels": {"heard": 1, "unheard": 0}, "unheard": "open"},
    "whole_pitch": {"levels": {"in_tune": 1, "close": 0.5, "out": 0}},
    # What of the take is played while she marks it: the spoken passages, or the seconds before the
    # first note and after the last, where the instrument itself is seen.
    "teacher": {"shows": "spoken"},
}
NO_TURNS = "open"  # what a take earns in which nothing was turned, where the rubric does not say
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
    rubric.setdefault("no_turns", NO_TURNS)
    rubric["criteria"] = [_filled(one, rubric["no_turns"]) for one in rubric["criteria"]]
    return dict(rubric)


def _filled(criterion: dict[str, Any], no_turns: str) -> dict[str, Any]:
    """A criterion with what it does not say about its kind."""
    usual = copy.deepcopy(DEFAULTS[criterion["kind"]])
    if "no_turns" in usual:
        usual["no_turns"] = no_turns
    for block in ("levels", "from_share"):
        if block in usual:
            usual[block] |= criterion.get(block) or {}
    return {**usual, **criterion, **{k: usual[k] for k in ("levels", "from_share") if k in usual}}


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
    """Levels that pay what is worse more, or that nobody can earn all points by."""
    for block, told in (
        ("levels", "What is worse may not earn more than what is better."),
        ("from_share", "A better step may not be reached by a smaller share."),
    ):
        shares = _with_usual(criterion, block)
        if not shares:
            continue
        names, values = list(shares), list(shares.values())
        if values != sorted(values, reverse=True):
            wrong = ", ".join(f"{name} {value}" for name, value in shares.items())
            yield (block,), f"{wrong} do not fall", told
        elif block == "levels" and values[0] < 1:
            wrong = f"with {values[0]} nobody could earn all the points"
            yield (block, names[0]), wrong, f"Give {names[0]} 1, and the criterion fewer points."


def _with_usual(criterion: dict[str, Any], block: str) -> dict[str, Any]:
    """A block of shares over the usual ones; empty where there is nothing to compare."""
    own, kind = criterion.get(block), criterion.get("kind")
    usual = DEFAULTS.get(kind, {}).get(block) if isinstance(kind, str) else None
    if not usual or not isinstance(own, dict):
        return {}
    shares = {name: own.get(name, value) for name, value in usual.items()}
    numbers = all(isinstance(share, int | float) for share in shares.values())
    return shares if numbers else {}


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
