"""The rooms of the package: a stage imports from the ground and from nothing that runs after it."""

from __future__ import annotations

import ast
import re
import statistics
import subprocess
import sys
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from conftest import ROOT

SCRIPTS = ROOT / "scripts"
GROUND = ("signals", "trade", "statistics", "records", "files", "words", "settings")
STAGES = (
    "receive", "decode", "segment", "identify", "measure", "score", "render", "recheck", "publish",
    "deliver",
)  # fmt: skip
# What a stage may take from one that ran before it: the class page shows the sheet's pictures.
EARLIER = {"publish": {"render"}}


def modules(folder: Path) -> Iterator[tuple[str, Path]]:
    """Every module below a folder of scripts/, by its dotted name."""
    for path in sorted(folder.rglob("*.py")):
        yield ".".join(path.relative_to(SCRIPTS).with_suffix("").parts), path


def imports(path: Path) -> Iterator[str]:
    """The dotted names of our own modules and packages that a module imports, wherever in it."""
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            names = [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: say the whole name, as everywhere"
            names = [f"{node.module}.{name.name}" for name in node.names]
        else:
            continue
        yield from (name for name in names if name.split(".")[0] in ("pegmark", "lab"))


def room(name: str) -> str:
    """The package below pegmark that a module stands in."""
    parts = name.split(".")
    return parts[1] if parts[0] == "pegmark" and len(parts) > 1 else parts[0]


MODULES = dict(modules(SCRIPTS / "pegmark"))


def test_every_module_stands_in_a_room_and_every_room_says_what_it_is():
    rooms = {room(name) for name in MODULES} - {"pegmark", "__init__"}
    assert rooms == {*GROUND, *STAGES}
    for one in rooms:
        text = (SCRIPTS / "pegmark" / one / "__init__.py").read_text(encoding="utf-8")
        assert ast.get_docstring(ast.parse(text)), one


@pytest.mark.parametrize("name", MODULES)
def test_a_room_imports_from_the_ground_and_from_nothing_that_runs_after_it(name):
    mine = room(name)
    allowed = {mine, *GROUND, *EARLIER.get(mine, ())}
    assert {room(other) for other in imports(MODULES[name])} <= allowed


@pytest.mark.parametrize("stage", [stage for stage in STAGES if stage != "receive"])
def test_a_stage_script_imports_from_its_own_room_and_the_ground(stage):
    found = {room(other) for other in imports(SCRIPTS / f"{stage}.py")}
    assert found <= {stage, *GROUND}


def test_there_is_no_circle_in_the_ground_nor_in_any_room_nor_in_the_laboratory():
    every = {**MODULES, **dict(modules(SCRIPTS / "lab"))}
    graph = {
        name.removesuffix(".__init__"): {
            base
            for other in imports(path)
            for base in (other, other.rpartition(".")[0])
            if base in every
        }
        for name, path in every.items()
    }
    try:
        order = list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        pytest.fail(f"a circle: {' -> '.join(error.args[1])}")
    assert len(order) == len(every)


# What the modules of lab/fits have in common is their interface (see lab/fits/__init__).
FIT = {"CODE", "SEED", "TAKES", "HELD"}


def constants(path: Path) -> Iterator[str]:
    """The names of a module's constants."""
    for node in ast.parse(path.read_bytes()).body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        for name in (one for target in targets if target for one in ast.walk(target)):
            if isinstance(name, ast.Name) and name.id.isupper():
                yield name.id


def test_no_constant_name_stands_in_two_modules():
    """Neither with two values nor with one written twice: what is shared stands in the ground."""
    homes: dict[str, set[str]] = {}
    for module, path in modules(SCRIPTS):
        for name in constants(path):
            if not (name in FIT and module.startswith("lab.fits.")):
                homes.setdefault(name, set()).add(module)
    assert not {name: found for name, found in homes.items() if len(found) > 1}


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_hands_out_one_function_or_two(stage):
    tree = ast.parse((SCRIPTS / "pegmark" / stage / "__init__.py").read_bytes())
    handed = [
        name.name
        for node in tree.body
        if isinstance(node, ast.ImportFrom) and node.module != "__future__"
        for name in node.names
    ]
    assert 1 <= len(handed) <= 2


def test_every_module_can_be_imported_as_it_runs():
    """Also what only the type checker looks at: a name imported for types alone is not there."""
    code = (
        f"import importlib, sys; sys.path.insert(0, {str(SCRIPTS)!r})\n"
        f"for name in {[name.removesuffix('.__init__') for name in MODULES]!r}:\n"
        "    importlib.import_module(name)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


# Lengths ---------------------------------------------------------------------------------------

MOST_LINES = 500  # of a module
MEDIAN_LINES, LONG_LINES, LONG_SHARE = 8, 26, 0.1  # lines of code of a function


def functions(path: Path) -> Iterator[ast.FunctionDef]:
    return (n for n in ast.walk(ast.parse(path.read_bytes())) if isinstance(n, ast.FunctionDef))


def lines_of_code(function: ast.FunctionDef, lines: list[str]) -> int:
    """Lines below a function's head that are neither empty, comment nor docstring."""
    body = function.body[1:] if ast.get_docstring(function) else function.body
    inside = lines[body[0].lineno - 1 : function.end_lineno] if body else []
    return sum(bool(line.strip()) and not line.strip().startswith("#") for line in inside)


def test_modules_and_functions_are_short():
    every = [path for _, path in modules(SCRIPTS)]
    texts = {path: path.read_text(encoding="utf-8").splitlines() for path in every}
    assert {path.name: len(t) for path, t in texts.items() if len(t) > MOST_LINES} == {}
    product = [path for path in every if "lab" not in path.parts]
    lengths = [lines_of_code(f, texts[path]) for path in product for f in functions(path)]
    assert statistics.median(lengths) <= MEDIAN_LINES
    assert sum(length >= LONG_LINES for length in lengths) < LONG_SHARE * len(lengths)


# Docstrings ------------------------------------------------------------------------------------

ARRAY = re.compile(r"\b(Real|Array|Floats|Ints|Bools|Complex|ndarray|NDArray)\b")
SHAPE = re.compile(r"shape|\(\w+,\)|\(\w+, \w+\)")
# Public functions that take an array and do not give its shape: fewer is better, none the aim.
WITHOUT_SHAPE = {"measure": 18, "recheck": 1, "segment": 28}


def test_public_functions_give_the_shapes_of_arrays():
    found: dict[str, list[str]] = {}
    for name, path in MODULES.items():
        for function in functions(path):
            arguments = [*function.args.args, *function.args.kwonlyargs]
            types = [ast.unparse(one.annotation) for one in arguments if one.annotation]
            told = SHAPE.search(ast.get_docstring(function) or "")
            if not function.name.startswith("_") and any(map(ARRAY.search, types)) and not told:
                found.setdefault(room(name), []).append(f"{name}.{function.name}")
    worse = {one: names for one, names in found.items() if len(names) > WITHOUT_SHAPE.get(one, 0)}
    assert not worse, "say the shapes of what they take"
