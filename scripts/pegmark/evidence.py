"""Weighing what speaks for a note, a bow, or speech: additive models of log odds.

Every feature of a hypothesis (`pegmark.onsets.Features`) or of a second of sound
(`pegmark.spoken`) is turned into evidence by a curve of straight pieces, and the evidence is added
up: log odds = bias + sum of curve(feature); beyond its ends a curve stays level. A few curves are
of the product of two features, which mean something else together than each alone. The
curves stand in evidence.json beside this module as knots and values; they are fitted on takes of
the sound laboratory by scripts/fit_evidence.py (logistic regression on hinges) and can be read,
plotted and changed by hand.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pegmark.onsets import Features

Floats = NDArray[np.float64]

TABLE = Path(__file__).with_name("evidence.json")
SUPPORT_CENTS = 25.0  # notes of one string lie about this close ...
SUPPORT_APART_S = 0.15  # ... and this much apart, or they are one note seen twice


@cache
def curves() -> dict[str, Any]:
    """The fitted curves: {question: {"bias", "curves": {name: {"at", "value"}}}}.

    A curve with "of" (lists of name, low, high) is one of a `product` of inputs.
    """
    return dict(json.loads(TABLE.read_text(encoding="utf-8")))


def weigh(inputs: dict[str, Floats], question: str) -> Floats:
    """Log odds of `question` ("note", "bowed", "speech"), from named inputs of one length each."""
    return weigh_by(curves()[question], inputs)


def weigh_by(model: dict[str, Any], inputs: dict[str, Floats]) -> Floats:
    """Log odds by the curves of one question."""
    total: Floats = np.full(len(next(iter(inputs.values()))), float(model["bias"]))
    for name, curve in model["curves"].items():
        values = product(inputs, curve["of"]) if "of" in curve else inputs[name]
        total = total + np.interp(values, curve["at"], curve["value"])
    return total


def product(inputs: dict[str, Floats], of: list[tuple[str, float, float]]) -> Floats:
    """The product of some inputs, each as a part (0 to 1) of its way from a low to a high value."""
    parts = [np.clip((inputs[name] - low) / (high - low), 0, 1) for name, low, high in of]
    return np.asarray(np.prod(parts, axis=0))


def inputs_of(features: Features, talk: Floats) -> dict[str, Floats]:
    """The inputs of the questions "note" and "bowed", by name.

    talk : log odds that somebody speaks at each onset.
    """
    f = features
    return {
        "talk": np.clip(talk, -8.0, 8.0),
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
    }


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
