"""Where a figure or a fitted number comes from: the commit, and what the code is.

The digest of code follows what a run really executes: the syntax tree without comments and
docstrings, of the modules named and all of ours that they import.
"""

from __future__ import annotations

import ast
import hashlib
import subprocess
from collections.abc import Iterable
from pathlib import Path

import codeof

ROOT = Path(__file__).resolve().parents[2]


def commit() -> str | None:
    """The commit that is checked out, "+" where files were changed since; None outside of git."""
    try:
        name, changed = (
            subprocess.run(
                ["git", "-C", str(ROOT), *command], capture_output=True, text=True, check=True
            ).stdout.strip()
            for command in (["rev-parse", "--short=10", "HEAD"], ["status", "--porcelain", "-uno"])
        )
    except (OSError, subprocess.CalledProcessError):
        return None
    return name + ("+" if changed else "")


def code_digest(modules: Iterable[str]) -> str:
    """The digest of modules, by dotted name, and of every module of ours behind them."""
    found: set[Path] = set()
    waiting = [path for name in modules for path in codeof.files_of(name) if path.is_file()]
    while waiting:
        path = waiting.pop()
        if path.suffix == ".py" and path not in found:
            found.add(path)
            waiting += codeof.behind(path)
    lines = [f"{path.relative_to(codeof.SCRIPTS)} {_meaning(path)}" for path in sorted(found)]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


def _meaning(path: Path) -> str:
    """A module's syntax tree without docstrings, as text."""
    tree = ast.parse(path.read_bytes())
    for node in ast.walk(tree):
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)) and (
            ast.get_docstring(node, clean=False) is not None
        ):
            node.body = node.body[1:]
    return ast.dump(tree)
