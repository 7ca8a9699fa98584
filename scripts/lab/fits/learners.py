"""Answers learned from examples, as tables that plain NumPy reads: curves, and trees.

A yes or no, or a figure, is told from named inputs (`pegmark.segment.note_classifier` reads both):

- curves that are added up: sums of hinges max(0, x - knot), fitted by logistic regression with an
  L2 penalty (Hastie, Tibshirani, Friedman, "The Elements of Statistical Learning", 2nd ed.,
  chapters 4.4 and 9.1: from memory);
- boosted trees (the same, chapter 10: from memory), each grown on a part of the examples.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import (  # type: ignore[import-untyped]
    GradientBoostingClassifier,
    GradientBoostingRegressor,
)
from sklearn.linear_model import LogisticRegression  # type: ignore[import-untyped]

from pegmark.segment import note_classifier

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

KNOTS = 7  # inner knots of a curve, at quantiles of its input
LOGIT_PENALTY = 0.1  # C of the regression, for standardised hinges: stronger the smaller
# Trees: many, small and careful ones; what fewer examples than a leaf's have in common is chance.
TREES: dict[str, Any] = {
    "n_estimators": 500,
    "learning_rate": 0.08,
    "subsample": 0.3,
    "max_leaf_nodes": 8,
    "max_depth": 6,
    "min_samples_leaf": 30,
    "max_features": 0.4,
    "random_state": 0,
}
FIGURES: dict[str, Any] = {
    "loss": "absolute_error",
    "n_estimators": 100,
    "learning_rate": 0.1,
    "max_leaf_nodes": 15,
    "max_depth": 8,
    "min_samples_leaf": 20,
    "random_state": 0,
}
CHECKED = 5000  # examples for which the trees as written are compared with the model


def grow(inputs: dict[str, Floats], answer: Bools | Floats) -> dict[str, Any]:
    """The trees of one question.

    Parameters
    ----------
    inputs : arrays of one length, by name.
    answer : as long; yes or no, or a figure.

    Returns
    -------
    "bias", "inputs" (names), "depth", "roots" (a node each), and "nodes": [input, most, node if
    not more, node if more, value].

    Raises
    ------
    ValueError : the trees as written do not answer as the model does.
    """
    names = list(inputs)
    table = np.stack([inputs[name] for name in names], axis=1)
    sorts = answer.dtype == bool
    model: Any = (
        GradientBoostingClassifier(**TREES) if sorts else GradientBoostingRegressor(**FIGURES)
    )
    model.fit(table, answer)
    digits = 4 if sorts else 6  # of log odds, of seconds
    share = float(np.mean(answer))
    bias = float(np.log(share / (1 - share))) if sorts else float(np.median(answer))
    nodes: list[list[float]] = []
    roots = []
    for (tree,) in model.estimators_:
        roots.append(len(nodes))
        nodes += _nodes(tree.tree_, len(nodes), model.learning_rate, digits)
    found = {"bias": round(bias, digits), "inputs": names, "depth": model.max_depth}
    found |= {"roots": roots, "nodes": nodes}
    some = {name: values[:CHECKED] for name, values in inputs.items()}
    told = model.decision_function if sorts else model.predict
    apart = np.abs(note_classifier.weigh_by(found, some) - told(table[:CHECKED]))
    if np.quantile(apart, 0.999) > 0.01:  # what rounding leaves
        raise ValueError("the trees as written do not answer as the fitted model does")
    return found


def _nodes(tree: Any, first: int, rate: float, digits: int) -> list[list[float]]:
    """The nodes of a scikit-learn `Tree`, the first of them numbered `first`."""
    rows: list[list[float]] = []
    for k in range(tree.node_count):
        if tree.children_left[k] < 0:  # a leaf
            value = round(rate * float(tree.value[k, 0, 0]), digits)
            rows.append([0, 0.0, first + k, first + k, value])
        else:
            ways = [first + int(tree.children_left[k]), first + int(tree.children_right[k])]
            rows.append([int(tree.feature[k]), _between(float(tree.threshold[k])), *ways, 0.0])
    return rows


def _between(edge: float) -> float:
    """An edge half-way between two inputs as written, for scikit-learn's, which sees float32."""
    digits = note_classifier.DIGITS
    most = round(edge, digits)
    if float(np.float32(most)) > edge:
        most -= 10.0**-digits
    return round(most + 0.5 * 10.0**-digits, digits + 1)


def add_curves(
    inputs: dict[str, Floats], yes: Bools, penalty: float = LOGIT_PENALTY
) -> dict[str, Any]:
    """The curves of one question: "bias", and "curves": {input: {"at", "value"}}.

    Parameters
    ----------
    inputs : arrays of one length, by name.
    yes : as long.
    penalty : C of the regression.
    """
    knots = {name: _knots(values, yes) for name, values in inputs.items()}
    columns, owner = [], []
    for name, values in inputs.items():
        at = knots[name]
        held = np.clip(values, at[0], at[-1])  # level outside of what was seen
        for knot in at[:-1]:
            columns.append(np.maximum(held - knot, 0))
            owner.append((name, float(knot)))
    table = np.stack(columns, axis=1)
    scale = table.std(axis=0) + 1e-9
    model = LogisticRegression(C=penalty, max_iter=3000, tol=1e-6)
    model.fit(table / scale, yes)
    slopes = model.coef_[0] / scale
    bias, curves = float(model.intercept_[0]), {}
    for name, at in knots.items():
        parts = [(k, s) for (n, k), s in zip(owner, slopes, strict=True) if n == name]
        value = sum(s * np.maximum(at - k, 0) for k, s in parts) + np.zeros(len(at))
        middle = float(np.interp(np.median(inputs[name][yes]), at, value))
        bias += middle  # so that 0 is what a usual note has
        curves[name] = {"at": at.tolist(), "value": np.round(value - middle, 3).tolist()}
    return {"bias": round(bias, 3), "curves": curves}


def _knots(values: Floats, yes: Bools) -> Floats:
    """Knots of a curve: at quantiles of what is asked for, the others' ends outside."""
    inner = np.quantile(values[yes], np.linspace(0.02, 0.98, KNOTS))
    ends = [np.quantile(values, 0.001), *np.quantile(values[~yes], [0.1, 0.5, 0.9])]
    ends.append(np.quantile(values, 0.999))
    return np.unique(np.round([*inner, *ends], 3))


def how_well(log_odds: Floats, yes: Bools) -> dict[str, float]:
    """How well log odds answer: the share of yes found, of said yes right, and the log loss."""
    said = log_odds > 0
    return {
        "yes": int(yes.sum()),
        "no": int((~yes).sum()),
        "of yes said yes, %": round(100 * float(said[yes].mean()), 2),
        "of said yes right, %": round(100 * float(yes[said].mean()), 2),
        "log loss": round(float(np.mean(np.logaddexp(0, np.where(yes, -log_odds, log_odds)))), 4),
    }
