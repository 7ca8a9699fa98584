"""The recipes of DEVELOPERS.md, carried out word by word in a copy of the project.

With an instrument, a criterion and a language that exist nowhere else: so nothing but the recipe
can have made them work.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from conftest import ROOT
from lab import smallclass

RECIPE = r"\*\*{}\*\*(.*?)(?=^\*\*|\Z)"
# In `file`, after `line`:  and a fenced block of what to put there.
EDIT = re.compile(
    r"[iI]n\s+`([^`]+)`,\s+(?:(after|before)\s+`([^`]+)`|at the end):\s+```\w+\n(.*?)```", re.S
)
COMMAND = re.compile(r"[Tt]hen run `([^`]+)`")
HZ = {"A3": 220.0, "B4": 493.883, "E4": 329.628, "D3": 146.832}  # equal temperament at A4 = 440 Hz
LANGUAGE = "qaa"  # of the codes that ISO 639-2 leaves for private use


def recipe(name: str) -> str:
    """What DEVELOPERS.md says of one thing to add."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## How to")[2]
    found = re.search(RECIPE.format(re.escape(name)), text.partition("\n## ")[0], re.S | re.M)
    assert found, f"no recipe {name!r}"
    return found[1]


def carry_out(project: Path, name: str) -> int:
    """Do what a recipe says, in its order; how many steps that were."""
    text = recipe(name)
    steps = sorted([*EDIT.finditer(text), *COMMAND.finditer(text)], key=lambda step: step.start())
    for step in steps:
        if step.re is COMMAND:
            subprocess.run([sys.executable, str(project / step[1])], check=True)
        else:
            put(project / step[1], step[2], step[3], step[4])
    assert text.count("```") == 2 * sum(step.re is EDIT for step in steps), (
        "a block without a place"
    )
    return len(steps)


def put(path: Path, side: str | None, line: str | None, block: str) -> None:
    """Put a block after or before the first line that holds a text, or at the file's end."""
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    place = len(lines)
    if line is not None:
        place = next(i for i, one in enumerate(lines) if line in one) + (side == "after")
    lines.insert(place, ("\n" if line is None else "") + block)
    path.write_text("".join(lines), encoding="utf-8")


@pytest.fixture(scope="module")
def project(tmp_path_factory) -> Path:
    """A copy of the project in which the first three recipes were carried out."""
    copy = smallclass.copy_project(tmp_path_factory.mktemp("recipes") / "project")
    shutil.copytree(
        ROOT / "scripts/lab", copy / "scripts/lab", ignore=shutil.ignore_patterns("__pycache__")
    )
    assert carry_out(copy, "Add an instrument") == 1
    assert carry_out(copy, "Add a criterion") == 15
    add_language(copy)
    return copy


def add_language(project: Path) -> None:
    text = (project / "config/comments.yaml").read_text(encoding="utf-8")
    text = text.replace("language: en\nname: English", f"language: {LANGUAGE}\nname: Privata")
    assert LANGUAGE in text
    text = text.replace("was turned many times", "wos turnid mini timis")
    (project / f"config/comments.{LANGUAGE}.yaml").write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def graded(project, tmp_path_factory) -> Path:
    """A class of two: the new instrument in the new language, and a violin."""
    folder = tmp_path_factory.mktemp("recipes") / "class"
    folder.mkdir()
    (folder / "roster.csv").write_text(
        "student_id,family_name,given_name,instrument,section,email,language\n"
        f"w1,Ember,Ida,stroller,Heron,ida@example.org,{LANGUAGE}\n"
        "v1,Brook,Ada,violin,Heron,ada@example.org,\n",
        encoding="utf-8",
    )
    (folder / "assignment.yaml").write_text(smallclass.SMALL_ASSIGNMENT, encoding="utf-8")
    smallclass.SMALL_OPEN_HZ["walking viola"] = tuple(HZ.values())
    try:
        smallclass.pluck_strings(folder / "submissions/Ida Ember.wav", "walking viola", cents=1.0)
    finally:
        del smallclass.SMALL_OPEN_HZ["walking viola"]
    smallclass.pluck_strings(folder / "submissions/Ada Brook.wav", "violin")
    smallclass.grade(project, folder)
    return folder


@pytest.mark.parametrize("word", ["walking viola", "stroller", "few_turns", "many_turns"])
def test_the_examples_exist_nowhere_else(word):
    for folder in ("config", "workflow/schemas", "scripts/pegmark", "demo_inputs"):
        for path in (ROOT / folder).rglob("*.*"):
            if path.suffix in (".py", ".yaml", ".json", ".csv", ".j2"):
                assert word not in path.read_text(encoding="utf-8"), path


def test_a_new_instrument_is_heard_measured_and_judged(graded):
    record = smallclass.read_record(graded, "w1")
    assert record["student"]["instrument"] == "viola"
    assert list(record["strings"]) == ["B4", "E4", "A3", "D3"]
    for name, string in record["strings"].items():
        assert string["target_hz"] == pytest.approx(HZ[name], abs=0.001)
        assert string["deviation_cents"] == pytest.approx(1.0, abs=1.0)
        assert string["verdict"] == "in_tune"
    assert record["order"][0] == "A3"


def test_a_new_criterion_is_graded_and_said(graded):
    for student in ("w1", "v1"):
        record = smallclass.read_record(graded, student)
        few = next(one for one in record["score"]["criteria"] if one["id"] == "few_turns")
        assert (few["kind"], few["of"], few["by"]) == ("few_turns", 1, "measured")
        assert few["points"] == 1
    header = (graded / "results/gradebook.csv").read_text(encoding="utf-8-sig").splitlines()[0]
    assert "few_turns" in header.split(",")


def test_a_new_criterion_costs_points_with_its_sentence(project):
    """In the copy, on a take made by hand: a string that was turned twice."""
    (project / "tests").mkdir()
    for name in ("takes.py", "conftest.py"):
        shutil.copy(ROOT / "tests" / name, project / "tests")
    code = (
        "import conftest, json; from takes import grade, move, row, take\n"
        "moves = [move(19.0, -30.0, -15.0), move(22.0, -15.0, 0.0)]\n"
        "for language in ('en', 'es'):\n"
        "    record = grade(take(strings={'D4': {'moves': moves}}), language=language)\n"
        "    print(json.dumps(row(record, 'few_turns')))\n"
    )
    command = [sys.executable, "-c", code]
    said = subprocess.check_output(command, text=True, cwd=project / "tests").splitlines()
    english, spanish = (json.loads(line) for line in said)
    assert english["points"] == spanish["points"] == 0.75
    assert english["evidence"][0]["text"].startswith("The D string was turned many times")
    assert spanish["evidence"][0]["text"].startswith("La cuerda re se giró")
    assert english["evidence"][0]["lost"] == 0.25


def test_a_new_language_is_spoken_and_what_it_lacks_is_refused(project, graded, tmp_path):
    assert smallclass.read_record(graded, "w1")["language"] == LANGUAGE
    assert smallclass.read_record(graded, "v1")["language"] == "en"
    lacking = smallclass.copy_class(project, tmp_path / "project")
    path = lacking / f"config/comments.{LANGUAGE}.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"^    many_turns: .*\n", "", text, flags=re.M), encoding="utf-8")
    said = smallclass.grade(lacking, graded, 2)
    assert f"comments.{LANGUAGE}.yaml" in said
    assert "many_turns" in said
