"""Weighing what speaks for a note, a bow, or speech: log odds from fitted tables.

Every feature of a hypothesis (`pegmark.segment.onsets.Features`) or of a second of sound
(`pegmark.segment.speech`) is an input. Two kinds of tables stand in fitted.json beside this module,
both fitted on takes of the sound laboratory (scripts/lab/fits/segment.py):

- curves, for "bowed" and "speech": log odds = bias + sum of curve(input), each a curve of straight
  pieces (logistic regression on hinges); beyond its ends a curve stays level. They can be read,
  plotted and changed by hand.
- trees, for "note", where an input means one thing or another by what the others are (a click on
  a ringing string, a soft rise under speech), and for "bow_start", a time in s
  (`pegmark.segment.bow_onset`): answer = bias + sum of the value that each small tree comes to
  (gradient boosting; Hastie, Tibshirani, Friedman, "The Elements of Statistical Learning", 2nd ed.,
  chapter 10: from memory).
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pegmark.segment.onsets import Features
from pegmark.settings.fitted import numbers

Floats = NDArray[np.float64]

DIGITS = 4  # decimals of the inputs, and of the trees' edges
TALK = (-8.0, 8.0)  # surer than this of speech, or of none, is sure enough
SUPPORT_CENTS = 25.0  # notes of one string lie about this close ...
SUPPORT_APART_S = 0.15  # ... and this much apart, or they are one note seen twice


@cache
def tables() -> dict[str, Any]:
    """The fitted tables, {question: table}.

    Of curves: "bias", "curves": {name: {"at", "value"}}. Of trees: "bias", "inputs" (names),
    "roots" (a node each), "depth", "nodes": [input, most, node if not more, node if more, value].
    """
    return {
        question: table | {"nodes": np.array(table["nodes"])} if "nodes" in table else table
        for question, table in (
            numbers("segment")["note_classifier"] | numbers("segment")["notes"]
        ).items()
    }


def weigh(inputs: dict[str, Floats], question: str) -> Floats:
    """The answer to a question, from named inputs of one length each.

    Log odds of "note", "bowed" and "speech"; "bow_start" in s.
    """
    return weigh_by(tables()[question], inputs)


def weigh_by(model: dict[str, Any], inputs: dict[str, Floats]) -> Floats:
    """The answers by the table of one question."""
    if "nodes" in model:
        return _weigh_by_trees(model, inputs)
    total: Floats = np.full(len(next(iter(inputs.values()))), float(model["bias"]))
    for name, curve in model["curves"].items():
        total = total + np.interp(inputs[name], curve["at"], curve["value"])
    return total


def _weigh_by_trees(model: dict[str, Any], inputs: dict[str, Floats]) -> Floats:
    """Answers by trees; all walk down at once from the "roots", a leaf leads to itself."""
    which, most, less, more, value = np.ascontiguousarray(np.asarray(model["nodes"]).T)
    which, less, more = which.astype(int), less.astype(int), more.astype(int)
    table = np.stack([inputs[name] for name in model["inputs"]], axis=1)
    row = table.shape[1] * np.arange(len(table))[:, None]  # where each begins, laid out flat
    at = np.tile(np.array(model["roots"]), (len(table), 1))
    down = np.stack([more, less], axis=1).ravel()
    for _ in range(model["depth"]):
        no_more = table.take(row + which.take(at)) <= most.take(at)
        at = down.take(2 * at + no_more)
    return np.asarray(model["bias"] + value.take(at).sum(axis=1))


def inputs_of(features: Features, talk: Floats) -> dict[str, Floats]:
    """The inputs of the questions "note" and "bowed", by name.

    talk : log odds that somebody speaks at each onset.
    """
    f = features
    known = {
        "talk": np.clip(talk, *TALK),
        "flux": np.log(np.maximum(f.flux, 1e-3)),
        "new": f.new,
        "after": f.after,
        "stay": f.stay,
        "old": f.after - f.new,
        "run": np.log(np.maximum(f.run_s, 0.03)),
        "slope": np.log(np.maximum(np.abs(f.slope), 10.0)),
        "wander": f.wander,
        "rise": f.rise_db,
        "decay": f.decay,
        "drop": f.drop_db,
        "peak": f.peak_s,
        "share": f.share,
        "rank": f.rank.astype(float),
        "level": f.level_db - usual_level(f),
        "next": np.log(f.next_s),
        "last": np.log(f.last_s),
        "swing": f.swing,
        "shape": f.shape,
        "strike": f.strike,
        "stray": f.stray,
        "rich": f.rich,
        "support": support(f),
        "below": f.below,
        "above": f.above,
        "all_rise": f.all_rise,
        "high_rise": f.high_rise,
        "few_rise": f.few_rise,
        "break": f.phase_break,
        "novelty": f.novelty,
        # To the half octave: what is usual of low and of high strings, not which pitches are.
        "octave": np.round(2 * np.log2(f.f0_hz)) / 2,
    }
    return {name: as_input(values) for name, values in known.items()}


def as_input(values: Floats) -> Floats:
    """Values without the last bits, in which two machines may differ, and with them two answers."""
    return np.asarray(np.asarray(values, np.float64).round(DIGITS), np.float64)


def _plain(f: Features) -> NDArray[np.bool_]:
    """Hypotheses that are notes by a crude rule: what the others are compared with."""
    return (
        (f.rank == 0)
        & (f.new > 4)
        & (f.run_s > 0.25)
        & (f.rise_db > 3)
        & (f.wander < 8)
        & (np.abs(f.slope) < 150)
        & (f.shape < 2.5)
    )


def usual_level(f: Features) -> float:
    """The level in dB of the take's plainly sounded notes; -20 when there are none."""
    plain = _plain(f)
    return float(np.quantile(f.level_db[plain], 0.8)) if plain.sum() >= 3 else -20.0


def support(f: Features) -> Floats:
    """log(1 + how many plain notes lie at the same pitch), other than itself."""
    plain = np.flatnonzero(_plain(f))
    cents = 1200 * np.log2(f.f0_hz)
    apart = (cents[:, None] - cents[plain]) / SUPPORT_CENTS
    other = np.abs(f.onset_s[:, None] - f.onset_s[plain]) > SUPPORT_APART_S
    return np.log1p((np.exp(-0.5 * apart**2) * other).sum(axis=1))
