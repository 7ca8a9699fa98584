"""Where a figure or a fitted number comes from: the commit, and what the code is.

The digest of code follows what a run really executes: the syntax tree without comments and
docstrings, of the modules named and all of ours that they import.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterable

import code_digest as code
from environment import ROOT


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
    files = [path for name in modules for path in code.files_of(name) if path.is_file()]
    found = sorted(code.reached(files))
    said = [f"{path.relative_to(code.SCRIPTS)} {code.module_of(path).digest}" for path in found]
    return code.short("\n".join(said))
