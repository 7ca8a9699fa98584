"""The comments files: every sentence for students and parents, one file per language.

config/comments.yaml is English, config/comments.<language>.yaml another language. Their parts
belong to stages: `score` (points, observations, next step), `sheet` and `mail`. A file is checked
whole: no key may be missing (what stands in the English file must stand in each), and a sentence
may only use the {fields} that are filled in there.
"""

from __future__ import annotations

import json
import string
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pegmark.files.yaml_files import SCHEMAS, KeyPath, YamlFile, check, read_yaml
from pegmark.records.problems import Problem, TeacherError, problem

ENGLISH = "comments.yaml"


def load_comments(config_dir: Path | str) -> dict[str, dict[str, Any]]:
    """The comments files of a folder by language, checked.

    Raises TeacherError with all mistakes of all files at once, by file, line and key.
    """
    config_dir = Path(config_dir)
    problems: list[Problem] = []
    english = _read(config_dir / ENGLISH, problems)
    loaded: dict[str, dict[str, Any]] = {}
    for path in [config_dir / ENGLISH, *sorted(config_dir.glob("comments.*.yaml"))]:
        source = english if path.name == ENGLISH else _read(path, problems)
        if source is None or english is None:
            continue
        found = comments_problems(source, english)
        problems += found
        if found:
            continue
        language = source.data["language"]
        if language in loaded:
            where, action = source.where(("language",)), "Give each file a language of its own."
            wrong = f"{where}: another file is already in {language!r}."
            problems.append(problem("bad_comments", wrong, action))
        loaded[language] = source.data
    if problems:
        raise TeacherError(problems)
    return loaded


def comments_problems(source: YamlFile, english: YamlFile) -> list[Problem]:
    """Every mistake in one comments file."""
    found = check(source.data, "comments", source)
    fields = sentence_fields()
    told = {p["message"] for p in found}
    for keys, wrong, action in (
        *_missing(source.data, english.data, ()),
        *_bad_fields(source.data, english.data, fields, ()),
    ):
        message = f"{source.where(keys)}: {wrong}."
        if message not in told:
            found.append(problem("bad_comments", message, action))
    return found


def sentence_fields() -> dict[KeyPath, frozenset[str]]:
    """The {fields} each sentence (or list of sentences) may use, from the schema."""
    schema = json.loads((SCHEMAS / "comments.schema.json").read_text(encoding="utf-8"))
    return dict(_fields_in(schema, ()))


def _fields_in(rule: dict[str, Any], keys: KeyPath) -> Iterator[tuple[KeyPath, frozenset[str]]]:
    if "fields" in rule:
        yield keys, frozenset(rule["fields"])
    for name, inner in rule.get("properties", {}).items():
        yield from _fields_in(inner, (*keys, name))


def _read(path: Path, problems: list[Problem]) -> YamlFile | None:
    try:
        return read_yaml(path)
    except TeacherError as error:
        problems.extend(error.problems)
        return None


def _missing(data: Any, english: Any, keys: KeyPath) -> Iterator[tuple[KeyPath, str, str]]:
    """Keys of the English file that this one lacks, and lists of another length."""
    if isinstance(english, dict):
        for key, inner in english.items():
            if not isinstance(data, dict) or key not in data:
                if not str(key).startswith("criterion_"):
                    yield (
                        keys,
                        f"{key!r} is missing",
                        f"Add it; in English it says: {_short(inner)}",
                    )
            else:
                yield from _missing(data[key], inner, (*keys, key))
    elif isinstance(english, str) and not isinstance(data, str):
        yield keys, "is not a text", f"In English it says: {_short(english)}"


def _bad_fields(
    data: Any, english: Any, fields: dict[KeyPath, frozenset[str]], keys: KeyPath
) -> Iterator[tuple[KeyPath, str, str]]:
    """Sentences with {fields} that nothing fills in, or that are no templates at all."""
    if isinstance(data, dict):
        for key, inner in data.items():
            beside = english.get(key) if isinstance(english, dict) else None
            yield from _bad_fields(inner, beside, fields, (*keys, key))
    elif isinstance(data, list):
        for place, inner in enumerate(data):
            beside = english[place] if _has(english, place) else None
            yield from _bad_fields(inner, beside, fields, (*keys, place))
    elif isinstance(data, str):
        allowed = _allowed(english, fields, keys)
        used = fields_of(data)
        if used is None:
            yield keys, "has a brace that does not close", "Write {{ and }} for braces as such."
        elif used - allowed:
            names = ", ".join(f"{{{name}}}" for name in sorted(used - allowed))
            known = ", ".join(f"{{{name}}}" for name in sorted(allowed)) or "none"
            yield keys, f"nothing is filled in for {names}", f"Allowed here: {known}."


def _allowed(english: Any, fields: dict[KeyPath, frozenset[str]], keys: KeyPath) -> frozenset[str]:
    """The fields of one sentence: what the schema says, else what the English one uses."""
    for known in (keys, keys[:-1]):  # a sentence of its own, or one of a list
        if known in fields:
            return fields[known]
    if keys[:2] == ("score", "next_step"):  # one of the teacher's own criteria
        return fields[(*keys[:2], "criterion")]
    return (fields_of(english) if isinstance(english, str) else None) or frozenset()


def fields_of(template: str) -> frozenset[str] | None:
    """The names of a template's plain {fields}; None where it is no template.

    Anything but a plain name in braces ({a.b}, {a[0]}, {a!r}, {a:>9}) counts as a field of that
    odd name, so that it is refused.
    """
    try:
        parts = list(string.Formatter().parse(template))
    except ValueError:
        return None
    return frozenset(
        name + (f"!{conversion}" if conversion else "") + (f":{spec}" if spec else "")
        for _, name, spec, conversion in parts
        if name is not None
    )


def _has(value: Any, place: int) -> bool:
    return isinstance(value, list) and place < len(value)


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 100 else text[:97] + "..."
