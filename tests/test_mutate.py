"""The maker of faults: what it changes, and which tests it asks."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from conftest import ROOT
from lab import mutate


def faults(monkeypatch, tmp_path, text: str) -> dict[str, str]:
    """Every fault of a module of one room, by what it says, with the source it makes."""
    (tmp_path / "m.py").write_text(text)
    monkeypatch.setattr(mutate, "ROOT", tmp_path)
    return {fault.what: mutate.faulty(fault) for fault in mutate.faults_of(Path("m.py"))}


@pytest.mark.parametrize(
    ("text", "what", "made"),
    [
        ("a = x < 7", "x < 7 -> x <= 7", "a = x <= 7"),
        ("a = x < 7", "x < 7 -> x >= 7", "a = x >= 7"),
        ("a = x < 7", "7 -> 10.5", "a = x < 10.5"),
        ("a = x + y", "x + y -> x - y", "a = x - y"),
        ("a = -x", "-x -> x", "a = x"),
        ("a = not x", "not x -> x", "a = x"),
        ("a = x and y", "x and y -> x or y", "a = x or y"),
        ("a = max(x, y)", "max(x, y) -> min(x, y)", "a = min(x, y)"),
        ("if x:\n    a = y", "never: if x", "if False:\n    a = y"),
        ("a = b[0]", "0 -> 1", "a = b[1]"),
    ],
)
def test_a_fault_is_one_change(monkeypatch, tmp_path, text, what, made):
    assert faults(monkeypatch, tmp_path, text)[what] == made


def test_what_does_not_run_is_left_alone(monkeypatch, tmp_path):
    text = 'def f(a: Literal[3]) -> Literal[4]:\n    """Not 5."""\n    return a\n'
    text += "if TYPE_CHECKING:\n    B = 6\nC = True\n"
    assert faults(monkeypatch, tmp_path, text) == {}


def test_every_module_that_decides_grades_gives_faults_that_can_be_compiled():
    for room in mutate.GRADING_ROOMS:
        paths = sorted((ROOT / "scripts/pegmark" / room).glob("*.py"))
        found = [fault for p in paths for fault in mutate.faults_of(p.relative_to(ROOT))]
        assert len(found) > 20, room
        for fault in found[:: max(1, len(found) // 20)]:
            source = mutate.faulty(fault)
            ast.parse(source)
            assert source != ast.unparse(ast.parse((ROOT / fault.path).read_text("utf-8")))


def test_the_closest_tests_are_asked_first_and_all_others_later():
    tests = mutate.Tests()
    near = tests.near(Path("scripts/pegmark/measure/tuning.py"))
    assert near[0] == "test_tuning"
    assert "test_score" in tests.near(Path("scripts/pegmark/score/verdicts.py"))
    assert set(near).isdisjoint(tests.others(near))
    assert set(near) | set(tests.others(near)) == set(tests.needs)
