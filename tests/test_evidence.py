"""The tables that tell notes, bows and speech, and how they are read.

Reference: scikit-learn's own answer for the trees, numpy's interpolation for the curves.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from sklearn.ensemble import GradientBoostingClassifier, GradientBoostingRegressor

from lab import calibrate
from lab.fits import learners
from pegmark.segment import note_classifier
from pegmark.segment.onsets import Features

COUNT = 4000


def cases(seed: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Rows of three inputs, and an answer that no sum of curves gives: two signs that agree."""
    rng = np.random.default_rng(seed)
    inputs = {
        "first": note_classifier.as_input(rng.normal(size=COUNT)),
        "second": note_classifier.as_input(rng.normal(size=COUNT)),
        "steps": note_classifier.as_input(rng.integers(0, 5, COUNT)),
    }
    return inputs, inputs["first"] * inputs["second"] + 0.1 * inputs["steps"] > 0.2


def test_trees_answer_as_the_reference_library_does_on_rows_it_never_saw():
    inputs, yes = cases(1)
    fresh, answer = cases(2)
    model = GradientBoostingClassifier(**learners.TREES)
    model.fit(np.stack(list(inputs.values()), axis=1), yes)
    log_odds = note_classifier.weigh_by(learners.grow(inputs, yes), fresh)
    theirs = model.decision_function(np.stack(list(fresh.values()), axis=1))
    assert np.abs(log_odds - theirs).max() < 0.02  # values are written with four decimals
    assert ((log_odds > 0) == answer).mean() > 0.97


def test_trees_of_a_figure_answer_as_the_reference_library_does():
    inputs, _ = cases(4)
    fresh, _ = cases(5)
    seconds = 0.05 * inputs["first"] * inputs["second"]
    model = GradientBoostingRegressor(**learners.FIGURES)
    model.fit(np.stack(list(inputs.values()), axis=1), seconds)
    said = note_classifier.weigh_by(learners.grow(inputs, seconds), fresh)
    theirs = model.predict(np.stack(list(fresh.values()), axis=1))
    assert np.abs(said - theirs).max() < 2e-4


def test_curves_are_added_up_and_stay_level_outside():
    model = {"bias": 0.5, "curves": {"a": {"at": [0, 1], "value": [0, 2]},
                                     "b": {"at": [0, 2, 4], "value": [1, 0, 3]}}}  # fmt: skip
    inputs = {"a": np.array([-9.0, 0.25, 9.0]), "b": np.array([1.0, 3.0, 99.0])}
    assert note_classifier.weigh_by(model, inputs) == pytest.approx(
        [0.5 + 0.5, 0.5 + 0.5 + 1.5, 5.5]
    )


def test_what_is_written_is_read_back():
    inputs, yes = cases(3)
    tables = {
        "note": learners.grow(inputs, yes),
        "speech": learners.add_curves(inputs, yes),
    }
    assert json.loads(calibrate.as_text(tables)) == tables


def features(count: int) -> Features:
    rng = np.random.default_rng(0)
    values = {name: rng.uniform(0.1, 9.0, count) for name in Features.__dataclass_fields__}
    whole = {name: np.arange(count) for name in ("candidate", "grid", "rank")}
    return Features(**values | whole)


@pytest.mark.parametrize("question", ["note", "bow_start"])
def test_the_trees_in_use_ask_for_inputs_that_exist_and_all_walks_end(question):
    table = note_classifier.tables()[question]
    if question == "note":
        assert set(table["inputs"]) <= set(note_classifier.inputs_of(features(50), np.zeros(50)))
    _, _, less, more, _ = np.array(table["nodes"]).T.astype(int)
    at = set(table["roots"])
    for _ in range(table["depth"]):
        at = {int(way) for k in at for way in (less[k], more[k])}
    assert all(less[k] == more[k] == k for k in at)


def test_every_answer_is_a_number():
    inputs = note_classifier.inputs_of(features(50), np.zeros(50))
    assert np.isfinite(note_classifier.weigh(inputs, "note")).all()


def test_inputs_have_no_last_bits():
    """What two machines may compute differently is not asked."""
    hair = np.array([0.12341, 1.99999]) + np.array([1e-9, -1e-9])
    assert note_classifier.as_input(hair).tolist() == [0.1234, 2.0]
