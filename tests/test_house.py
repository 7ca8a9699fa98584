"""The rooms of the package: a stage imports from the ground and from nothing that runs after it."""

from __future__ import annotations

import ast
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
