"""YAML and schemas for teachers: every mistake at once, by file, key and line.

A file is read by the YAML 1.2 core rules (yaml.org/spec/1.2.2, chapter 10.3): ``no`` and ``on``
are words, ``18:30`` is a text and a date stays the text that was typed. Keys are always texts. A
key that stands twice is a mistake, not a silent last word. Schemas are JSON Schema 2020-12 in
workflow/schemas; where a schema has a "description", it is what the teacher reads as "allowed".
"""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.records.validation import SCHEMAS

YAML_MAX_BYTES = 1_000_000  # a settings file is a page or two: anything larger is something else

KeyPath = tuple[str | int, ...]


class _Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):  # type: ignore[misc]
    """Safe YAML with the 1.2 core rules for plain scalars (libyaml reads ten times faster)."""


_Loader.yaml_implicit_resolvers = {}
for _tag, _pattern, _first in (
    ("bool", r"true|True|TRUE|false|False|FALSE", "tTfF"),
    ("null", r"~|null|Null|NULL|", "~nN\0"),
    ("int", r"[-+]?[0-9]+", "-+0123456789"),
    ("float", r"[-+]?(\.[0-9]+|[0-9]+\.[0-9]*)([eE][-+]?[0-9]+)?", "-+.0123456789"),
    ("float", r"[-+]?[0-9]+[eE][-+]?[0-9]+", "-+0123456789"),
):
    _Loader.add_implicit_resolver(
        f"tag:yaml.org,2002:{_tag}",
        re.compile(f"^(?:{_pattern})$"),
        [*_first.replace("\0", ""), *([""] if "\0" in _first else [])],
    )
_Loader.add_constructor("tag:yaml.org,2002:int", lambda loader, node: int(node.value))


def _mapping(loader: Any, node: yaml.MappingNode) -> Iterator[dict[str, Any]]:
    """A mapping whose keys are the texts that were typed: ``5: 30`` has the key "5"."""
    made: dict[str, Any] = {}
    yield made
    for key, value in node.value:
        if not isinstance(key, yaml.ScalarNode):
            raise yaml.MarkedYAMLError(
                problem="a key must be one word or number", problem_mark=key.start_mark
            )
        made[key.value] = loader.construct_object(value, deep=True)


_Loader.add_constructor("tag:yaml.org,2002:map", _mapping)


@dataclass(frozen=True)
class YamlFile:
    """The data of one YAML file, and where each key stands."""

    path: Path
    data: Any
    _node: yaml.Node | None

    def line(self, keys: KeyPath) -> int:
        """The line (from 1) of the key at `keys`, or of the nearest block around it."""
        node, line = self._node, 1
        for key in keys:
            found = _child(node, key)
            if found is None:
                break
            line, node = found
        return line

    def where(self, keys: KeyPath) -> str:
        """'assignment.yaml, line 3, tolerances.in_tune_cents', for messages."""
        named = key_name(keys)
        return f"{self.path.name}, line {self.line(keys)}" + (f", {named}" if named else "")


def key_name(keys: KeyPath) -> str:
    """A key path as people write it: 'criteria[2].points' (counted from 1)."""
    text = ""
    for key in keys:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{key}" if text else str(key)
    return text


def read_yaml(path: Path | str) -> YamlFile:
    """A YAML file with its line numbers; an empty file is an empty table.

    Raises TeacherError: no such file, not text, not YAML (with the line), keys that stand twice.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise TeacherError([_unreadable(path, error.strerror or str(error))]) from error
    if len(content) > YAML_MAX_BYTES:
        raise TeacherError([_unreadable(path, f"larger than {YAML_MAX_BYTES // 1_000_000} MB")])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TeacherError([_unreadable(path, "not a UTF-8 text")]) from error
    loader = _Loader(text)
    try:
        _refuse_aliases(text)
        node = loader.get_single_node()
        repeated = list(_repeated_keys(node))
        data = {} if node is None else loader.construct_document(node)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise TeacherError(
            [
                problem(
                    "not_yaml",
                    f"{path.name}, line {line}: cannot be read as YAML ({error.problem}).",
                    "Look at that line and the one above: a missing colon, quote or indent.",
                )
            ]
        ) from error
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise TeacherError([_unreadable(path, f"not YAML: {error}")]) from error
    finally:
        loader.dispose()
    if repeated:
        raise TeacherError(
            [
                problem(
                    "key_twice",
                    f"{path.name}, line {line}: the key {key!r} appears twice.",
                    "Keep one of the two.",
                )
                for key, line in repeated
            ]
        )
    return YamlFile(path, data, node)


def _refuse_aliases(text: str) -> None:
    """Raise for an alias (``*name``): a few nested ones stand for more than any memory holds."""
    if "*" not in text or "&" not in text:
        return
    for token in yaml.scan(text, Loader=_Loader):
        if isinstance(token, yaml.AliasToken):
            raise yaml.MarkedYAMLError(
                problem="an alias such as *name is not used here", problem_mark=token.start_mark
            )


def check(data: Any, schema: str | dict[str, Any], source: YamlFile | str) -> list[Problem]:
    """All the places where `data` breaks a schema, as problems for the teacher.

    Parameters
    ----------
    schema : the name of a schema in workflow/schemas ("assignment"), or a schema
    source : the file `data` came from, or words that say where it stands ("roster.csv, row 3")
    """
    return told_in_order("bad_setting", violations(data, schema), source)


def told_in_order(
    code: str,
    mistakes: Iterable[tuple[KeyPath, str, str]],
    source: YamlFile | str,
    keys: KeyPath = (),
) -> list[Problem]:
    """Mistakes (where, what is wrong, what to do) below `keys` of a file as problems, by line."""
    found = [((*keys, *inner), wrong, action) for inner, wrong, action in mistakes]
    if isinstance(source, YamlFile):
        found.sort(key=lambda mistake: source.line(mistake[0]))
        return [problem(code, f"{source.where(at)}: {wrong}.", todo) for at, wrong, todo in found]
    return [
        problem(code, f"{', '.join(filter(None, (source, key_name(at))))}: {wrong}.", todo)
        for at, wrong, todo in found
    ]


def violations(data: Any, schema: str | dict[str, Any]) -> Iterator[tuple[KeyPath, str, str]]:
    """(where, what is wrong, what to do) for each broken rule of a schema, by key."""
    validator = _validator(schema) if isinstance(schema, str) else _new_validator(schema)

    def place(error: Any) -> list[str]:  # the tenth entry of a list comes after the second
        return [f"{p:09}" if isinstance(p, int) else p for p in error.absolute_path]

    for error in sorted(validator.iter_errors(data), key=place):
        yield from _translate(error)


def did_you_mean(word: str, allowed: list[str]) -> str:
    """'Did you mean "temperament"? ' or '' when nothing is near."""
    from rapidfuzz import process, utils
    from rapidfuzz.distance import DamerauLevenshtein

    best = process.extractOne(
        word,
        allowed,
        scorer=DamerauLevenshtein.normalized_similarity,
        processor=utils.default_process,
        score_cutoff=0.6,
    )
    return f'Did you mean "{best[0]}"? ' if best else ""


@functools.cache
def _validator(name: str) -> Any:
    path = SCHEMAS / f"{name}.schema.json"
    return _new_validator(json.loads(path.read_text(encoding="utf-8")))


def _new_validator(schema: dict[str, Any]) -> Any:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(schema)


def _translate(error: Any) -> Iterator[tuple[KeyPath, str, str]]:
    """One schema error in a teacher's words."""
    keys: KeyPath = tuple(error.absolute_path)
    rule, limit, value = error.validator, error.validator_value, error.instance
    allowed = error.schema.get("description", "") if isinstance(error.schema, dict) else ""
    hint: str = f"Allowed: {allowed}." if allowed else ""
    if rule == "additionalProperties":
        known = list(error.schema.get("properties", {}))
        extra = [key for key in value if key not in known and not _by_pattern(key, error.schema)]
        for key in extra:
            meant = did_you_mean(str(key), known)
            yield (
                (*keys, key),
                f"{str(key)!r} is not a setting",
                f"{meant}Allowed here: {', '.join(known) or allowed}.",
            )
    elif rule == "required":
        lacking = [key for key in limit if key not in value]
        this = next((key for key in lacking if repr(key) in error.message), lacking[0])
        what = error.schema.get("properties", {}).get(this, {}).get("description", "")
        yield keys, f"{this!r} is missing", f"Add it{f': {what}' if what else ''}."
    elif rule in ("anyOf", "oneOf"):
        yield from _translate_choice(error, keys, value, hint)
    elif rule == "enum":
        words = ", ".join(str(word) for word in limit)
        meant = did_you_mean(value, [str(word) for word in limit]) if _is_text(value) else ""
        yield keys, f"{_show(value)} is not one of the choices", f"{meant}Allowed: {words}."
    elif rule == "type":
        kinds = limit if isinstance(limit, list) else [limit]
        words = " or ".join(_KINDS.get(str(kind), str(kind)) for kind in kinds)
        yield keys, f"{_show(value)} is not {words}", hint or f"Allowed: {words}."
    else:
        text = _LIMITS.get(rule, "is not allowed").format(limit=limit)
        yield keys, f"{_show(value)} {text}", hint or "Correct it."


def _translate_choice(
    error: Any, keys: KeyPath, value: Any, hint: str
) -> Iterator[tuple[KeyPath, str, str]]:
    """A value that fits none of several forms: the mistakes of the form it looks like."""
    of_type = [
        [e for e in error.context if e.relative_schema_path[0] == branch]
        for branch in range(len(error.validator_value))
    ]
    of_type = [errors for errors in of_type if not any(_wrong_type_at_top(e) for e in errors)]
    if len(of_type) == 1 and of_type[0]:
        for inner in of_type[0]:
            yield from _translate(inner)
    else:
        yield keys, f"{_show(value)} is not allowed", hint or "Correct it."


def _wrong_type_at_top(error: Any) -> bool:
    return error.validator == "type" and not error.relative_path


_KINDS = {
    "string": "a text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "object": "a block of keys",
    "array": "a list",
    "null": "empty",
}
_LIMITS = {
    "minimum": "is below {limit}",
    "maximum": "is above {limit}",
    "exclusiveMinimum": "must be above {limit}",
    "exclusiveMaximum": "must be below {limit}",
    "minLength": "is too short (at least {limit})",
    "maxLength": "is too long (at most {limit} characters)",
    "minItems": "has too few entries (at least {limit})",
    "maxItems": "has too many entries (at most {limit})",
    "uniqueItems": "has the same entry twice",
    "pattern": "is not written as it must be",
}


def _show(value: Any) -> str:
    """A value as it can stand in a message: one line, not long."""
    text = json.dumps(value, ensure_ascii=True, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _by_pattern(key: str, schema: dict[str, Any]) -> bool:
    return any(re.search(pattern, str(key)) for pattern in schema.get("patternProperties", {}))


def _unreadable(path: Path, why: str) -> Problem:
    return problem(
        "unreadable_setting",
        f"{path.name}: cannot be read ({why}).",
        "Save it again as a plain UTF-8 text file.",
    )


def _child(node: yaml.Node | None, key: str | int) -> tuple[int, yaml.Node] | None:
    """The line and node of one key of a mapping or entry of a list."""
    if isinstance(node, yaml.MappingNode):
        for key_node, value_node in node.value:
            if str(key_node.value) == str(key):
                return key_node.start_mark.line + 1, value_node
    elif isinstance(node, yaml.SequenceNode) and isinstance(key, int) and key < len(node.value):
        return node.value[key].start_mark.line + 1, node.value[key]
    return None


def _repeated_keys(root: yaml.Node | None) -> Iterator[tuple[str, int]]:
    """(key, line) of every mapping key that stands again in its own block."""
    waiting, done = [root], set()
    while waiting:
        node = waiting.pop()
        if node is None or id(node) in done:
            continue
        done.add(id(node))
        if isinstance(node, yaml.SequenceNode):
            waiting.extend(node.value)
        elif isinstance(node, yaml.MappingNode):
            seen = set()
            for key_node, value_node in node.value:
                key = str(key_node.value)
                if key in seen:
                    yield key, key_node.start_mark.line + 1
                seen.add(key)
                waiting.append(value_node)
