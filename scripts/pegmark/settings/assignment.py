"""What the teacher has set: assignment, rubric, tolerances, instruments, sentences.

Settings of the class folder stand over those in config/. All mistakes in all of these files are
told at once, by file, line and key; nothing is written before they are mended.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from pegmark.files import yaml_files
from pegmark.files.yaml_files import KeyPath, YamlFile
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.settings.rubric import check_rubric, load_rubric
from pegmark.trade import instruments as instrument_table
from pegmark.trade.instruments import Instrument
from pegmark.trade.tolerances import resolve_tolerances
from pegmark.words import times
from pegmark.words.comments import load_comments

if TYPE_CHECKING:
    from pegmark.records.tickets import CountedFrom

# Results carry no clock of their own: where no due time is set, the first moment a zip archive
# can hold (1980-01-01 00:00 UTC), so that the same inputs give the same bytes.
NO_DUE_EPOCH = 315_532_800


@dataclass(frozen=True)
class Settings:
    """The checked settings of one class."""

    assignment: dict[str, Any]  # every key of config/assignment.default.yaml
    rubric: dict[str, Any]
    instruments: dict[str, Instrument]
    instrument_names: dict[str, str]  # folded name -> key
    sentences: dict[str, dict[str, Any]]  # language -> the whole comments file
    due: datetime | None

    @property
    def zone(self) -> tzinfo | None:
        """The zone that stands in where a date has none: the due time's."""
        return self.due.tzinfo if self.due else None

    @property
    def epoch(self) -> int:
        """Seconds since 1970: the one time that results may carry (SOURCE_DATE_EPOCH)."""
        return max(NO_DUE_EPOCH, int(self.due.timestamp())) if self.due else NO_DUE_EPOCH

    @property
    def reference(self) -> CountedFrom:
        """What pitches are counted from, as the score ticket carries it; of a range a4_hz is the
        least and a4_most_hz the most."""
        hertz = self.assignment["reference_hz"]
        least, most = hertz if isinstance(hertz, list) else (hertz, hertz)
        told = {
            "a4_hz": float(least),
            **({"a4_most_hz": float(most)} if most > least else {}),
            "temperament": self.assignment["temperament"],
            "method": self.assignment["method"],
            "unheard_a": self.assignment["unheard_a"],
        }
        return cast("CountedFrom", told)


def load_assignment(class_dir: Path | str, config_dir: Path | str) -> Settings:
    """The settings of a class, checked.

    Raises TeacherError with every mistake in assignment.yaml, rubric.yaml, instruments.yaml and
    the comments files.
    """
    settings, problems = read_settings(class_dir, config_dir)
    if problems:
        raise TeacherError(problems)
    return settings


def read_settings(class_dir: Path | str, config_dir: Path | str) -> tuple[Settings, list[Problem]]:
    """The settings of a class and every mistake in them; where there is one, a default stands in.

    So that the tables of the class can be read all the same, and their mistakes told with these.
    Raises TeacherError when there is no class folder.
    """
    class_dir, config_dir = Path(class_dir), Path(config_dir)
    if not class_dir.is_dir():
        raise TeacherError(
            [
                problem(
                    "no_class",
                    f"There is no folder {class_dir}.",
                    "Give the folder that holds roster.csv and submissions.",
                )
            ]
        )
    problems: list[Problem] = []
    table, names = _instruments(config_dir / "instruments.yaml", problems)
    own = _read(class_dir / "assignment.yaml", problems, needed=False)
    assignment = _assignment(own, config_dir, table, names, problems)
    written = own.data.get("due") if own and isinstance(own.data, dict) else assignment["due"]
    due = _due(written if isinstance(written, str) else None, own, problems)
    rubric = _rubric(own, class_dir, config_dir, table, problems)
    sentences = _sentences(config_dir, problems)
    if sentences and assignment["language"] not in sentences:
        problems.append(
            problem(
                "bad_setting",
                f"{_where(own, ('language',))}: there are no sentences for "
                f"{assignment['language']!r}.",
                f"Allowed: {', '.join(sorted(sentences))}. Or add config/comments."
                f"{assignment['language']}.yaml.",
            )
        )
    return Settings(assignment, rubric, table, names, sentences, due), problems


def _read(path: Path, problems: list[Problem], needed: bool = True) -> YamlFile | None:
    """A YAML file, or None where it is missing or broken (then told in `problems`)."""
    if not needed and not path.exists():
        return None
    try:
        return yaml_files.read_yaml(path)
    except TeacherError as error:
        problems.extend(error.problems)
        return None


def _where(source: YamlFile | None, keys: KeyPath) -> str:
    return source.where(keys) if source else yaml_files.key_name(keys)


def _instruments(
    path: Path, problems: list[Problem]
) -> tuple[dict[str, Instrument], dict[str, str]]:
    source = _read(path, problems)
    if source is None:
        return {}, {}
    found = yaml_files.check(source.data, "instruments", source)
    owners: dict[str, str] = {}
    if not found:
        for key, block in source.data.items():
            for string in block["order"]:
                if string not in block["strings"]:
                    found.append(
                        problem(
                            "bad_setting",
                            f"{source.where((key, 'order'))}: {string} is not a string of it.",
                            f"Allowed: {', '.join(block['strings'])}.",
                        )
                    )
            for name in (key, *map(str, block.get("aliases", []))):
                other = owners.setdefault(instrument_table.fold(name), key)
                if other != key:
                    found.append(
                        problem(
                            "bad_setting",
                            f"{source.where((key, 'aliases'))}: {name!r} already means {other}.",
                            "Take it out of one of the two.",
                        )
                    )
    problems.extend(found)
    if found:
        return {}, {}
    return instrument_table.instruments_of(source.data), owners


def _assignment(
    own: YamlFile | None,
    config_dir: Path,
    table: Mapping[str, Instrument],
    names: Mapping[str, str],
    problems: list[Problem],
) -> dict[str, Any]:
    """The class's assignment over the defaults; mistakes go to `problems`."""
    default = _read(config_dir / "assignment.default.yaml", problems)
    base = default.data if default else {}
    if default:
        problems.extend(yaml_files.check(base, "assignment", default))
    merged: dict[str, Any] = copy.deepcopy(base)
    if own is not None:
        found = yaml_files.check(own.data, "assignment", own)
        problems.extend(found)
        if not found:
            merged = _merge(merged, own.data)
        wrong = {keys[:1] for keys, _, _ in yaml_files.violations(own.data, "assignment")}
        problems.extend(_bad_range(own, wrong))
        over = own.data.get("tolerances") if isinstance(own.data, dict) else None
        if table and over and not wrong & {(), ("tolerances",)}:
            tolerances = _merge(base, {"tolerances": over})["tolerances"]
            merged["tolerances"] = _tolerances(tolerances, own, table, names, problems)
    merged["roster_columns"] = merged.get("roster_columns") or {}
    return merged


def _bad_range(own: YamlFile, wrong: set[KeyPath]) -> list[Problem]:
    """A range of A whose ends stand the wrong way round."""
    hertz = own.data.get("reference_hz") if isinstance(own.data, dict) else None
    if ("reference_hz",) in wrong or not isinstance(hertz, list) or hertz[0] <= hertz[1]:
        return []
    return [
        problem(
            "bad_setting",
            f"{own.where(('reference_hz',))}: {hertz[0]:g} is above {hertz[1]:g}.",
            f"Write the lower one first: [{hertz[1]:g}, {hertz[0]:g}].",
        )
    ]


def _merge(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """`over` on top of `base`, block by block; an empty value in a block changes nothing."""
    merged = dict(base)
    for key, value in over.items():
        if isinstance(value, dict) and isinstance(base.get(key), dict):
            merged[key] = _merge(base[key], value)
        elif value is not None or base.get(key) is None:
            merged[key] = value
    return merged


def _tolerances(
    tolerances: dict[str, Any],
    own: YamlFile,
    table: Mapping[str, Instrument],
    names: Mapping[str, str],
    problems: list[Problem],
) -> dict[str, Any]:
    """Tolerances with instruments by their keys; close may never be tighter than in tune."""
    top: KeyPath = ("tolerances",)
    every = sorted({string for instrument in table.values() for string in instrument.strings})
    _check_strings(tolerances["strings"], every, own, top, problems)
    typed: dict[str, str] = {}
    for name, block in tolerances["instruments"].items():
        keys: KeyPath = (*top, "instruments", name)
        key = names.get(instrument_table.fold(str(name)))
        if key is None:
            meant = yaml_files.did_you_mean(str(name), list(table))
            problems.append(
                problem(
                    "bad_setting",
                    f"{own.where(keys)}: {name!r} is not an instrument.",
                    f"{meant}Allowed: {', '.join(table)}.",
                )
            )
            continue
        if key in typed:
            problems.append(
                problem(
                    "bad_setting",
                    f"{own.where(keys)}: {key} has tolerances twice.",
                    "Keep one of the two.",
                )
            )
        _check_strings(block.get("strings", {}), list(table[key].strings), own, keys, problems)
        typed[key] = name
    blocks = {key: tolerances["instruments"][name] for key, name in typed.items()}
    settled = {**tolerances, "instruments": blocks}
    problems.extend(_contradictions(settled, own, table, typed))
    return settled


def _check_strings(
    blocks: Mapping[str, Any],
    allowed: list[str],
    own: YamlFile,
    keys: KeyPath,
    problems: list[Problem],
) -> None:
    for string in blocks:
        if string not in allowed:
            problems.append(
                problem(
                    "bad_setting",
                    f"{own.where((*keys, 'strings', string))}: there is no string {string} here.",
                    f"Allowed: {', '.join(allowed)}.",
                )
            )


def _contradictions(
    tolerances: dict[str, Any],
    own: YamlFile,
    table: Mapping[str, Instrument],
    typed: Mapping[str, str],
) -> list[Problem]:
    """Strings that would be close within less than they are in tune, each told once, at the
    narrowest block that sets one of the two. `typed` is how the file calls an instrument."""
    found: dict[str, Problem] = {}
    for key, instrument in table.items():
        for string, tolerance in resolve_tolerances(tolerances, instrument).items():
            if tolerance.close >= tolerance.in_tune:
                continue
            of_instrument: KeyPath = ("instruments", typed.get(key, ""))
            blocks: list[KeyPath] = [
                (*of_instrument, "strings", string), ("strings", string), of_instrument, (),
            ]  # fmt: skip
            narrowest = next((at for at in blocks if _sets(own, at)), ())
            where = own.where(("tolerances", *narrowest))
            found.setdefault(
                where,
                problem(
                    "bad_setting",
                    f"{where}: close_cents {tolerance.close:g} is below in_tune_cents "
                    f"{tolerance.in_tune:g} ({string} of a {key}).",
                    "Close must be at least as wide as in tune.",
                ),
            )
    return list(found.values())


def _sets(own: YamlFile, keys: KeyPath) -> bool:
    """Whether the file's block of tolerances at `keys` sets one of the two levels."""
    block = own.data["tolerances"]
    for key in keys:
        block = (block or {}).get(key)
    return bool({"in_tune_cents", "close_cents"} & set(block or ()))


def _due(text: str | None, own: YamlFile | None, problems: list[Problem]) -> datetime | None:
    if not text:
        return None
    due = times.read_moment(text, None)
    if due is None:
        problems.append(
            problem(
                "bad_setting",
                f"{_where(own, ('due',))}: {text!r} is not a date and time with a zone.",
                "Write it like 2026-03-06 18:00 +01:00 or 2026-03-06 18:00 Europe/Madrid.",
            )
        )
        return datetime.fromtimestamp(NO_DUE_EPOCH, UTC)  # so that times of the roster have a zone
    return due


def _rubric(
    own: YamlFile | None,
    class_dir: Path,
    config_dir: Path,
    table: Mapping[str, Instrument],
    problems: list[Problem],
) -> dict[str, Any]:
    """The rubric that counts: in assignment.yaml, else rubric.yaml, else config/rubric.yaml."""
    inline = own.data.get("rubric") if own and isinstance(own.data, dict) else None
    path = class_dir / "rubric.yaml"
    if inline and path.exists():
        problems.append(
            problem(
                "two_rubrics",
                f"{_where(own, ('rubric',))}: the class has a rubric here and in rubric.yaml.",
                "Keep one of the two.",
            )
        )
        return {}
    strings = {string for instrument in table.values() for string in instrument.strings}
    try:
        if inline and own:
            return check_rubric(inline, own, ("rubric",), strings)
        if not path.exists():
            path = config_dir / "rubric.yaml"
        return load_rubric(path, strings)
    except TeacherError as error:
        problems.extend(error.problems)
        return {}


def _sentences(config_dir: Path, problems: list[Problem]) -> dict[str, dict[str, Any]]:
    """The comments files by language."""
    try:
        return load_comments(config_dir)
    except TeacherError as error:
        problems.extend(error.problems)
        return {}
