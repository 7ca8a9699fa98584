"""Fitted numbers: where they come from, and whether they still fit the code."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from conftest import ROOT
from lab import calibrate, provenance
from pegmark.settings import fitted

FILES = sorted((ROOT / "scripts/pegmark").glob("*/fitted.json"))


def test_every_fitted_file_has_a_fit_and_every_fit_a_file():
    assert [path.parent.name for path in FILES] == sorted(
        {stage.partition("_")[0] for stage in calibrate.FITTED_STAGES}
    )


@pytest.mark.parametrize("stage", calibrate.FITTED_STAGES)
def test_the_code_is_the_one_that_the_numbers_were_fitted_to(stage):
    code = provenance.code_digest(calibrate.fit_of(stage).CODE)
    stated = calibrate.read(stage)["provenance"]["code"]
    assert code == stated, (
        f"the code behind lab/fits/{stage}.py changed since pegmark/{stage}/fitted.json was "
        f"written. Where it hears what it heard: python3 scripts/lab/calibrate.py --stage {stage} "
        f"--confirm (a minute). Else fit anew: the same without --confirm"
    )


@pytest.mark.parametrize("stage", calibrate.FITTED_STAGES)
def test_numbers_say_where_they_come_from(stage):
    about = calibrate.read(stage)["provenance"]
    assert re.fullmatch(r"[0-9a-f]{10}\+?", about["commit"])
    learned, held = about["seeds"], about["held_back_seeds"]
    assert learned[1] - learned[0] + 1 == about["takes"] > 0
    assert held[1] - held[0] + 1 == about["held_back_takes"] > 0
    assert held[0] > learned[1], "figures are of takes that no number was learned from"
    assert {"numpy", "scikit-learn"} <= set(about["libraries"])
    assert about["figures"]


def test_the_ground_reads_what_calibrate_writes(tmp_path, monkeypatch):
    monkeypatch.setattr(fitted, "PACKAGE", tmp_path)
    (tmp_path / "tune").mkdir()
    numbers = {"rests": {"least_s": 0.25, "rows": [[1, 2.5], [3, 4.0]], "of": {"E1": [1, 2]}}}
    calibrate.write("tune", {"provenance": {"takes": 3}, "numbers": numbers})
    try:
        assert fitted.numbers("tune") == numbers
    finally:
        fitted.numbers.cache_clear()
    text = (tmp_path / "tune" / "fitted.json").read_text(encoding="utf-8")
    assert json.loads(text)["provenance"] == {"takes": 3}
    assert '"rows": [\n    [1, 2.5],\n    [3, 4.0]\n   ]' in text  # one line a row


@pytest.fixture
def project(tmp_path, monkeypatch) -> Path:
    """A project of two modules, the first of which imports the second."""
    (tmp_path / "pegmark").mkdir()
    (tmp_path / "pegmark" / "__init__.py").write_text("")
    (tmp_path / "pegmark" / "first.py").write_text("from pegmark import second\n")
    (tmp_path / "pegmark" / "second.py").write_text('"""Twice."""\nA = 2  # two\n')
    monkeypatch.setattr(provenance.code, "SCRIPTS", tmp_path)
    provenance.code.module_of.cache_clear()
    yield tmp_path
    provenance.code.module_of.cache_clear()


@pytest.mark.parametrize(
    ("text", "same"),
    [('"""Two times."""\n\nA = 2  # a pair\n', True), ('"""Twice."""\nA = 3  # two\n', False)],
)
def test_the_digest_sees_code_behind_an_import_and_no_words(project, text, same):
    before = provenance.code_digest(["pegmark.first"])
    (project / "pegmark" / "second.py").write_text(text)
    provenance.code.module_of.cache_clear()
    assert (provenance.code_digest(["pegmark.first"]) == before) == same


def test_a_probe_sees_a_change_of_what_is_heard_and_no_last_bits():
    heard = [{"a": np.array([0.25, 0.5]), "b": True}]
    assert calibrate.probe(heard) == calibrate.probe([{"a": [0.25 + 1e-12, 0.5], "b": True}])
    assert calibrate.probe(heard) != calibrate.probe([{"a": [0.25001, 0.5], "b": True}])
    assert calibrate.probe(heard) != calibrate.probe([{"a": [0.25, 0.5], "b": False}])
