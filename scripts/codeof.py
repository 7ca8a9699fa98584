"""What a stage is made of: a digest of its script and of all that stands behind it.

The workflow engine does not see an edit behind an import; as a small ticket of the stage it does,
and a checkout with new times, or in another folder, changes nothing.
"""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

SCRIPTS = Path(__file__).resolve().parent


def code_of(script: str) -> str:
    """The digest of a script, every module of ours behind it, and the files these read."""
    found, waiting = set(), [SCRIPTS / script]
    while waiting:
        path = waiting.pop()
        if path not in found:
            found.add(path)
            waiting += behind(path)
    lines = [f"{path.relative_to(SCRIPTS)} {digest(path)}" for path in sorted(found)]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


@cache
def digest(path: Path) -> str:
    """The SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


@cache
def behind(path: Path) -> list[Path]:
    """The modules of ours that a module imports, and the data and templates named like it."""
    if path.suffix != ".py":
        return []
    modules = [each for each in imported(ast.parse(path.read_bytes())) if each.is_file()]
    named = [each for each in path.parent.glob(f"{path.stem}.*") if path.parent != SCRIPTS]
    if path.name == "__init__.py":  # a package's fitted numbers, see pegmark.settings.fitted
        named += path.parent.glob("fitted.json")
    return modules + [each for each in named if each.suffix != ".pyc"]


def imported(tree: ast.AST) -> Iterator[Path]:
    """Where the modules may lie that are imported from the package, also inside functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pegmark"):
            yield from files_of(node.module or "")
            for name in node.names:
                yield from files_of(f"{node.module}.{name.name}")
        elif isinstance(node, ast.Import):
            for name in node.names:
                if name.name.startswith("pegmark"):
                    yield from files_of(name.name)


def files_of(module: str) -> Iterator[Path]:
    """What an import of a module runs: the packages around it, then the module itself."""
    path = SCRIPTS
    for part in module.split("."):
        path /= part
        yield path / "__init__.py"
    yield path.with_suffix(".py")
