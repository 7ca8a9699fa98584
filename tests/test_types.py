"""A misspelt key is refused by the type checker: all are misspelt, and those refused counted."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from conftest import ROOT

# Of the keys written out in a room, so many per cent are refused when misspelt: more is better. The
# rest are keys of settings, of sentences, and of what a page is made of.
REFUSED = {
    "decode": 80, "identify": 72, "measure": 71, "publish": 21, "recheck": 39, "render": 23,
    "score": 61, "segment": 41,
}  # fmt: skip
WRONG = "_misspelt"


def keys(tree: ast.Module) -> Iterator[ast.Constant]:
    """The keys that a module writes out: in `x["key"]` and `x.get("key")`, not in annotations."""
    skipped: set[int] = set()
    for node in ast.walk(tree):
        for part in (getattr(node, "annotation", None), getattr(node, "returns", None)):
            skipped |= {id(one) for one in ast.walk(part)} if isinstance(part, ast.AST) else set()
        key = None
        if isinstance(node, ast.Subscript) and getattr(node.value, "id", "") != "Literal":
            key = node.slice
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "get" and node.args:
            key = node.args[0]
        if not isinstance(key, ast.Constant) or id(key) in skipped:
            continue
        if isinstance(key.value, str) and key.value.isidentifier() and key.lineno == key.end_lineno:
            yield key


def misspell(path: Path) -> int:
    """Misspell every key of a module; how many there are."""
    text = path.read_bytes()
    lines = text.split(b"\n")
    found = sorted(keys(ast.parse(text)), key=lambda key: -(key.end_col_offset or 0))
    for key in found:
        line, end = lines[key.lineno - 1], (key.end_col_offset or 0) - 1
        lines[key.lineno - 1] = line[:end] + WRONG.encode() + line[end:]
    path.write_bytes(b"\n".join(lines))
    return len(found)


def test_misspelt_keys_are_refused(tmp_path: Path) -> None:
    shutil.copy(ROOT / ".mypy.ini", tmp_path)
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(ROOT / "scripts", tmp_path / "scripts", ignore=ignored)
    package = tmp_path / "scripts" / "pegmark"
    written: Counter[str] = Counter()
    for path in sorted(package.rglob("*.py")):
        written[path.relative_to(package).parts[0]] += misspell(path)
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--no-error-summary"],
        cwd=tmp_path, capture_output=True, text=True,
    )  # fmt: skip
    refused: Counter[str] = Counter()
    for line in done.stdout.splitlines():
        if (at := re.match(r"scripts/pegmark/(\w+)/.*: error: ", line)) and WRONG in line:
            refused[at[1]] += 1
    shares = {room: 100 * refused[room] / written[room] for room in REFUSED}
    assert {room: share for room, share in shares.items() if share < REFUSED[room]} == {}
