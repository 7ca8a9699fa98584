"""What a job is made of: a digest of its scripts and of all that stands behind them.

The workflow engine does not see an edit behind an import; as a small ticket of the job it does,
and a checkout with new times, or in another folder, changes nothing. The digest follows what a run
executes: of every module of ours that is reached the syntax tree without comments and docstrings,
the data and templates that it reads, and of the libraries that it imports the locked versions,
with those of all that they need in turn.

What a module says is remembered beside Python's own compiled files, by its size and time: reading
all of them costs a start half a second.
"""

from __future__ import annotations

import ast
import contextlib
import hashlib
import json
import os
import re
import sys
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from environment import LOCK, SCRIPTS
from pegmark.files.store import dump_line, write_if_changed

OUR_PACKAGE = "pegmark"
MODULES_KNOWN = SCRIPTS / "__pycache__" / "modules_known.json"
FITTED = "fitted.json"  # the numbers that a package's modules were fitted to
# What a library is called in the lock, where that is not its name in an import.
LOCKED_AS = {"yaml": "pyyaml"}


class Module(NamedTuple):
    """What a module of ours says, and the dotted names that it imports, also in functions."""

    digest: str
    imports: tuple[str, ...]


def code_digest(*scripts: str) -> str:
    """The digest of scripts of this folder and of all that stands behind them."""
    modules = reached(SCRIPTS / script for script in scripts)
    data = {path for each in modules for path in data_of(each)}
    names = {name.split(".")[0] for each in modules for name in module_of(each).imports}
    names -= {OUR_PACKAGE, *sys.stdlib_module_names}
    lines = [f"{path.relative_to(SCRIPTS)} {module_of(path).digest}" for path in sorted(modules)]
    lines += [f"{path.relative_to(SCRIPTS)} {digest(path)}" for path in sorted(data)]
    return short("\n".join([*lines, *locked(names)]))


def short(text: str) -> str:
    """The beginning of a text's SHA-256."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@cache
def digest(path: Path) -> str:
    """The SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


# -- our modules ------------------------------------------------------------------------------


def reached(paths: Iterable[Path]) -> set[Path]:
    """These modules and every module of ours behind them."""
    found: set[Path] = set()
    waiting = list(paths)
    while waiting:
        path = waiting.pop()
        if path not in found:
            found.add(path)
            for name in module_of(path).imports:
                waiting += [each for each in files_of(name) if each.is_file()]
    return found


def files_of(name: str) -> Iterator[Path]:
    """What an import of a module runs, where it is ours: the packages around it, then itself."""
    if name.split(".")[0] != OUR_PACKAGE:
        return
    path = SCRIPTS
    for part in name.split("."):
        path /= part
        yield path / "__init__.py"
    yield path.with_suffix(".py")


def data_of(path: Path) -> list[Path]:
    """The data and templates that a module reads: named like it, and fitted numbers."""
    if path.parent == SCRIPTS:
        return []
    named = [
        each for each in path.parent.glob(f"{path.stem}.*") if each.suffix not in CODE_SUFFIXES
    ]
    fitted = path.with_name(FITTED)
    return [*named, *([fitted] if fitted.is_file() else [])]


CODE_SUFFIXES = (".py", ".pyc")


@cache
def module_of(path: Path) -> Module:
    """What a module says and imports; read only where that is not known yet."""
    known, stamp, name = _known()["modules"], _stamp(path), os.path.relpath(path, SCRIPTS)
    held = known.get(name)
    if held is None or held[0] != stamp:
        held = known[name] = [stamp, *read_module(path)]
    return Module(held[1], tuple(held[2]))


def remember_modules() -> None:
    """Keep what was read for the next start, where that can be written."""
    with contextlib.suppress(OSError):
        write_if_changed(MODULES_KNOWN, dump_line(_known()))


@cache
def _known() -> dict[str, Any]:
    """What an earlier start read; nothing where this module itself is another one since."""
    by = _stamp(Path(__file__))
    with contextlib.suppress(OSError, ValueError):
        known: dict[str, Any] = json.loads(MODULES_KNOWN.read_text(encoding="utf-8"))
        if known["by"] == by:
            return known
    return {"by": by, "modules": {}}


def _stamp(path: Path) -> list[int]:
    said = path.stat()
    return [said.st_size, said.st_mtime_ns]


def read_module(path: Path) -> Module:
    """What a module says and imports, from its text."""
    said: list[str] = []
    imports: list[str] = []
    waiting: list[Any] = [ast.parse(path.read_bytes())]
    while waiting:
        one = waiting.pop()
        if not isinstance(one, ast.AST):
            said.append(repr(one))
            continue
        said.append(type(one).__name__)
        imports += _imported(one)
        for name in one._fields:
            values = getattr(one, name, None)
            values = values if isinstance(values, list) else [values]
            values = [value for value in values if not _says_nothing(value)]
            said.append(f"{name} {len(values)}")
            waiting += values
    return Module(short("\n".join(said)), tuple(imports))


def _says_nothing(node: Any) -> bool:
    """Whether nothing is done here when the module runs: a docstring, types for the checker."""
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant)
    if isinstance(node, ast.If):
        return isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
    return node is None


def _imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [name.name for name in node.names]
    if isinstance(node, ast.ImportFrom):
        return [str(node.module), *(f"{node.module}.{name.name}" for name in node.names)]
    return []


# -- libraries --------------------------------------------------------------------------------


def locked(names: Iterable[str]) -> list[str]:
    """The locked versions of libraries, by the names they are imported by, and of all they need."""
    versions, needs = _lock(LOCK)
    found: set[str] = set()
    waiting = [LOCKED_AS.get(name, name.replace("_", "-").lower()) for name in names]
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += needs.get(name, ())
    return sorted(line for name in found for line in versions.get(name, ()))


@cache
def _lock(path: Path) -> tuple[dict[str, list[str]], dict[str, list[str]]]:
    """Of a lock file: name -> its lines with a version, and name -> what it needs."""
    versions: dict[str, list[str]] = {}
    needs: dict[str, list[str]] = {}
    name = ""
    for line in path.read_text(encoding="utf-8").splitlines():
        if head := re.match(r"([a-z0-9.-]+)(?:\[[^]]*\])?==", line):
            name = head[1]
            versions.setdefault(name, []).append(line.rstrip(" \\"))
        elif needed_by := re.fullmatch(r" +#(?: via)? +([a-z0-9.-]+)", line):
            needs.setdefault(needed_by[1], []).append(name)
    return versions, needs
