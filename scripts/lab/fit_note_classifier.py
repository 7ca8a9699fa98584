"""Fit the tables of pegmark/note_classifier.json, by which candidates are told from notes.

    python scripts/lab/fit_note_classifier.py [--takes 1200] [--seed 600000] [--out FILE] [--keep
    FOLDER]

Takes of the sound laboratory are made: every other one an invented take (all difficulties, a
quarter of them with sampled players, where Debian's fluid-soundfont-gm is installed), the others
drills of one hard thing each, all four instruments in turn. The seeds are none of the tests', the
benchmarks' or the demo's. Every hypothesis of every candidate (`pegmark.segment.onsets`) is
compared with the truth:

- "note": yes for the hypothesis nearest to the start of a true note, with its pitch; those beside
  it that have its pitch too are left out; all others are no.
- "bowed": of those that are notes, whether a bow sounded them;
- "speech": of every quarter second (`pegmark.segment.speech`), whether somebody speaks;
- "bow_start": of those that are bows, how long after the onset the bow was set down, in s (it is
  before: the figure is negative; `pegmark.segment.bow_onset`).

"note" and "bow_start" are told by boosted trees, the others by curves that are added up
(`pegmark.segment.note_classifier`): sums of hinges max(0, x - knot), fitted by logistic regression
with an L2 penalty (Hastie, Tibshirani, Friedman, "The Elements of Statistical Learning", 2nd ed.,
chapters 4.4, 9.1 and 10: from memory). A fifth of the takes is held back first, for the figures
that are printed; then all are used. `--keep` stores the takes, so that a next fit need not make
them again; `--jobs` reads so many at once.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import argparse
import json
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import (  # type: ignore[import-untyped]
    HistGradientBoostingClassifier,
    HistGradientBoostingRegressor,
)
from sklearn.linear_model import LogisticRegression  # type: ignore[import-untyped]

from lab import samples
from lab.drills import DRILLS, drill
from lab.takes import random_take
from pegmark.segment import bow_onset, note_classifier, onsets, speech
from pegmark.segment.notes import pitch_search
from pegmark.segment.onsets import Features
from pegmark.trade.instruments import Instrument, load_instruments

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Take = tuple[np.ndarray, dict[str, Any], Instrument]

ROOT = Path(__file__).resolve().parents[2]
TABLE = load_instruments(ROOT / "config" / "instruments.yaml")
RATE_HZ = 16000
INSTRUMENTS = ("violin", "viola", "cello", "double bass")
DIFFICULTIES = ("easy", "usual", "hard", "usual", "hard")
BEFORE_S = 0.05  # a candidate so long before a true start may be it ...
AFTER_S = {"plucked": 0.05, "bowed": 0.2}  # ... or so long after: bows grow
SAME_CENTS = 40.0
KNOTS = 7  # inner knots of a curve, at quantiles of its input
PENALTY = 0.1  # C of the regression, for standardised hinges: stronger the smaller
HELD_BACK = 5  # one take in so many
EDGE_S = 0.4  # windows so near to the edge of a passage are neither speech nor none
# Trees: many, small and careful ones; what fewer hypotheses than LEAF have in common is chance.
TREES: dict[str, Any] = {
    "max_iter": 500,
    "learning_rate": 0.08,
    "max_leaf_nodes": 8,
    "max_depth": 6,
    "min_samples_leaf": 60,
    "l2_regularization": 20.0,
    "max_features": 0.4,
    "early_stopping": False,
    "random_state": 0,
}
STARTS: dict[str, Any] = {
    "loss": "absolute_error",
    "max_iter": 100,
    "learning_rate": 0.1,
    "max_leaf_nodes": 15,
    "max_depth": 8,
    "min_samples_leaf": 20,
    "l2_regularization": 1.0,
    "early_stopping": False,
    "random_state": 0,
}
START_S = 0.03  # a start counts as found within this
CHECKED = 5000  # hypotheses for which the trees as written are compared with the model


@dataclass
class Heard:
    """What is known of one take: inputs and answers of all questions.

    notes, yes, use, bowed : of every hypothesis; use: neither twice a note nor left out
    seconds, spoken, clear : of every window of `pegmark.segment.speech`; clear: not at a passage's
        edge
    rises, after_s : of every bow's candidates, and the bow's start after each
    """

    onset_s: Floats
    notes: dict[str, Floats]
    yes: Bools
    use: Bools
    bowed: Bools
    times: Floats
    seconds: dict[str, Floats]
    spoken: Bools
    clear: Bools
    rises: dict[str, Floats]
    after_s: Floats


def training_take(k: int, seed: int) -> Take:
    """The k-th take to learn from."""
    instrument = TABLE[INSTRUMENTS[(k // 2) % 4]]
    if k % 2:
        name = list(DRILLS)[(k // 2) % len(DRILLS)]
        audio, truth = drill(name, instrument, seed + k)
    else:
        difficulty = DIFFICULTIES[(k // 8) % len(DIFFICULTIES)]
        real = (k // 8) % 4 == 3 and samples.SOUND_FONT.is_file()
        audio, truth = random_take(seed + k, instrument, difficulty, real=real)
    return audio.astype(np.float16), truth, instrument  # 16 bits: no recording has more


def kept_take(folder: Path, k: int, seed: int) -> Take:
    """The same, stored in and read from `folder`."""
    place = folder / f"{seed}-{k}.json"
    if not place.exists():
        audio, truth, _ = training_take(k, seed)
        np.save(place.with_suffix(".npy"), audio)
        place.write_text(json.dumps(truth))
    truth = json.loads(place.read_text())
    return np.load(place.with_suffix(".npy")), truth, TABLE[truth["instrument"]]


def ways(note: dict[str, Any]) -> str:
    """How a true note is sounded: "plucked" or "bowed"."""
    return "plucked" if note.get("by", note["kind"]) == "plucked" else "bowed"


def answers(features: Features, truth: dict[str, Any]) -> tuple[Bools, Bools, Bools]:
    """(is a note, is left out, is bowed) of every hypothesis."""
    count = len(features)
    yes, out, bowed = np.zeros(count, bool), np.zeros(count, bool), np.zeros(count, bool)
    for note in truth["notes"]:
        after = features.onset_s - note["start_s"]
        near = (after > -BEFORE_S) & (after < AFTER_S[ways(note)])
        for f0_hz in _start_pitches(note):
            right = near & (np.abs(1200 * np.log2(features.f0_hz / f0_hz)) < SAME_CENTS)
            if not right.any():
                continue
            # Of a growing bow the strongest candidate, of a pluck the nearest one.
            worth = features.flux if ways(note) == "bowed" else -np.abs(after)
            best = int(np.flatnonzero(right)[np.argmax(worth[right])])
            out |= right
            yes[best] = True
            bowed[best] = ways(note) == "bowed"
    return yes, out & ~yes, bowed


def _start_pitches(note: dict[str, Any]) -> list[float]:
    """The pitches of a true note soon after its start, in Hz."""
    known = [note["f0_hz"], *([note["f0_2_hz"]] if note.get("f0_2_hz") else [])]
    if note["cents"] is not None:
        known.append(note["f0_hz"] * 2 ** ((note["start_cents"] - note["cents"]) / 1200))
    return known


def hear(audio: np.ndarray, truth: dict[str, Any], instrument: Instrument) -> Heard:
    """Inputs and answers of one take."""
    audio = audio.astype(np.float32)
    floor = onsets.noise_floor(audio, instrument)
    block = onsets.read_block(audio, RATE_HZ, pitch_search(instrument, RATE_HZ), floor)
    features = onsets.describe(block, *onsets.find_candidates(block, floor))
    inputs = note_classifier.inputs_of(features, np.zeros(len(features)))
    yes, out, bowed = answers(features, truth)
    times, seconds = speech.describe(block, floor.fine)
    inside, edge = np.zeros(len(times), bool), np.zeros(len(times), bool)
    for passage in truth["speech"]:
        inside |= (times > passage["start_s"]) & (times < passage["end_s"])
        for end in ("start_s", "end_s"):
            edge |= np.abs(times - passage[end]) < EDGE_S
    rises, after_s = bow_starts(block, features, truth)
    return Heard(
        features.onset_s, inputs, yes, ~out, bowed, times, seconds, inside, ~edge, rises, after_s
    )


def bow_starts(
    block: onsets.Block, features: Features, truth: dict[str, Any]
) -> tuple[dict[str, Floats], Floats]:
    """(inputs, true start after the onset in s) of every candidate that may be a bow's start."""
    rises, after = [], []
    for note in truth["notes"]:
        if ways(note) != "bowed":
            continue
        late = features.onset_s - note["start_s"]
        near = (late > -BEFORE_S) & (late < bow_onset.BEFORE_S)
        pitches = np.array(_start_pitches(note))
        apart = np.abs(1200 * np.log2(features.f0_hz[:, None] / pitches)).min(axis=1)
        near &= apart < SAME_CENTS
        _, first = np.unique(features.candidate[near], return_index=True)
        for index in np.flatnonzero(near)[first]:
            onset_s, f0_hz = float(features.onset_s[index]), float(features.f0_hz[index])
            rise = bow_onset.describe_rise(block, onset_s, f0_hz)
            if rise is not None:
                rises.append(rise)
                after.append(note["start_s"] - onset_s)
    names = rises[0] if rises else {}
    return {name: np.array([r[name] for r in rises]) for name in names}, np.array(after)


def hear_kept(folder: Path, seed: int, k: int) -> Heard:
    """`hear` of a kept take."""
    return hear(*kept_take(folder, k, seed))


def joined(parts: list[dict[str, Floats]], use: list[Bools], names: Iterable[str]) -> Any:
    """Inputs of many takes, only those used."""
    return {
        name: np.concatenate([p[name][u] for p, u in zip(parts, use, strict=True)])
        for name in names
    }


def cases(heard: list[Heard], speech: dict[str, Any] | None) -> dict[str, tuple[Any, Bools]]:
    """Inputs and answers of each question; notes only where the curves of speech are known."""
    clear = [h.clear for h in heard]
    seconds = joined([h.seconds for h in heard], clear, heard[0].seconds)
    known = {"speech": (seconds, np.concatenate([h.spoken[h.clear] for h in heard]))}
    if speech is None:
        return known
    notes = []
    for h in heard:
        talk = np.interp(h.onset_s, h.times, note_classifier.weigh_by(speech, h.seconds))
        notes.append(
            h.notes | {"talk": note_classifier.as_input(np.clip(talk, *note_classifier.TALK))}
        )
    use, yes = [h.use for h in heard], [h.yes for h in heard]
    answer = np.concatenate([h.yes[h.use] for h in heard])
    known["note"] = (joined(notes, use, notes[0]), answer)
    bowed = np.concatenate([h.bowed[h.yes] for h in heard])
    known["bowed"] = (joined(notes, yes, notes[0]), bowed)
    return known


def learn(heard: list[Heard]) -> dict[str, Any]:
    """The tables of all questions."""
    speech = fit(*cases(heard, None)["speech"])
    known = cases(heard, speech)
    return {
        "note": grow(*known["note"]),
        "bowed": fit(*known["bowed"]),
        "speech": speech,
        "bow_start": grow(*starts(heard)),
    }


def starts(heard: list[Heard]) -> tuple[dict[str, Floats], Floats]:
    """Inputs and answers of the question "bow_start"."""
    some = [h for h in heard if len(h.after_s)]
    inputs = joined([h.rises for h in some], [np.isfinite(h.after_s) for h in some], some[0].rises)
    return inputs, np.concatenate([h.after_s for h in some])


def grow(inputs: dict[str, Floats], answer: Bools | Floats) -> dict[str, Any]:
    """The trees of one question (yes or no, or a figure), read from the fitted model's nodes."""
    names = list(inputs)
    table = np.stack([inputs[name] for name in names], axis=1)
    sorts = answer.dtype == bool
    model = (
        HistGradientBoostingClassifier(**TREES)
        if sorts
        else HistGradientBoostingRegressor(**STARTS)
    )
    model.fit(table, answer)
    told = model.decision_function if sorts else model.predict
    digits = 4 if sorts else 6  # of log odds, of seconds
    bias = float(np.ravel(model._baseline_prediction)[0])
    nodes: list[list[float]] = []
    roots = []
    for (predictor,) in model._predictors:
        first = len(nodes)
        roots.append(first)
        for k, node in enumerate(predictor.nodes):
            if node["is_leaf"]:
                nodes.append([0, 0.0, first + k, first + k, round(float(node["value"]), digits)])
                continue
            ways = [first + int(node["left"]), first + int(node["right"])]
            most = round(
                float(node["num_threshold"]), note_classifier.DIGITS + 1
            )  # of two, the mean
            nodes.append([int(node["feature_idx"]), most, *ways, 0.0])
    depth = (TREES if sorts else STARTS)["max_depth"]
    found = {"bias": round(bias, digits), "inputs": names, "depth": depth}
    found |= {"roots": roots, "nodes": nodes}
    some = {name: values[:CHECKED] for name, values in inputs.items()}
    apart = np.abs(note_classifier.weigh_by(found, some) - told(table[:CHECKED]))
    if np.quantile(apart, 0.999) > 0.01:  # what rounding leaves
        raise ValueError("the trees as written do not answer as the fitted model does")
    return found


def knots_of(values: Floats, yes: Bools) -> Floats:
    """Knots of a curve: at quantiles of the notes, the others' ends outside."""
    inner = np.quantile(values[yes], np.linspace(0.02, 0.98, KNOTS))
    ends = [np.quantile(values, 0.001), *np.quantile(values[~yes], [0.1, 0.5, 0.9])]
    ends.append(np.quantile(values, 0.999))
    return np.unique(np.round([*inner, *ends], 3))


def fit(inputs: dict[str, Floats], yes: Bools) -> dict[str, Any]:
    """The model of one question: its bias, and the curve of every input."""
    knots = {name: knots_of(values, yes) for name, values in inputs.items()}
    columns, owner = [], []
    for name, values in inputs.items():
        at = knots[name]
        held = np.clip(values, at[0], at[-1])  # level outside of what was seen
        for knot in at[:-1]:
            columns.append(np.maximum(held - knot, 0))
            owner.append((name, float(knot)))
    table = np.stack(columns, axis=1)
    scale = table.std(axis=0) + 1e-9
    model = LogisticRegression(C=PENALTY, max_iter=3000, tol=1e-6)
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


def figures(odds: Floats, yes: Bools) -> str:
    """How well log odds answer."""
    said = odds > 0
    loss = float(np.mean(np.logaddexp(0, np.where(yes, -odds, odds))))
    return (
        f"{yes.sum()} yes, {(~yes).sum()} no; of yes {100 * said[yes].mean():.2f} % said yes, "
        f"of said yes {100 * yes[said].mean():.2f} % are; log loss {loss:.4f}"
    )


def as_text(tables: dict[str, Any]) -> str:
    """The tables as JSON, one line a curve or a tree."""
    parts = []
    for question, table in tables.items():
        head = {k: v for k, v in table.items() if k not in ("curves", "nodes")}
        lines = [f'  "{name}": {json.dumps(value)}' for name, value in head.items()]
        if "nodes" in table:
            ends = [*table["roots"][1:], len(table["nodes"])]
            trees = [table["nodes"][a:b] for a, b in zip(table["roots"], ends, strict=True)]
            rows = [json.dumps(tree, separators=(",", ":"))[1:-1] for tree in trees]
            lines.append('  "nodes": [\n' + ",\n".join(rows) + "\n  ]")
        else:
            rows = [f'   "{k}": {json.dumps(curve)}' for k, curve in table["curves"].items()]
            lines.append('  "curves": {\n' + ",\n".join(rows) + "\n  }")
        parts.append(f' "{question}": {{\n' + ",\n".join(lines) + "\n }")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def report(heard: list[Heard]) -> None:
    """Print how well the tables of four fifths of the takes do on the rest.

    "The other way" is curves instead of trees, and trees instead of curves.
    """
    held, others = heard[::HELD_BACK], [h for i, h in enumerate(heard) if i % HELD_BACK]
    print(f"{len(heard)} takes; figures on {len(held)} that the tables were not fitted on")
    new = learn(others)
    known = cases(others, new["speech"])
    other = {"note": fit(*known["note"]), "bowed": grow(*known["bowed"])}
    for question, (inputs, yes) in cases(held, new["speech"]).items():
        for name, tables in (("as written", new), ("the other way", other)):
            if question in tables:
                odds = note_classifier.weigh_by(tables[question], inputs)
                print(f"{question}, {name}: {figures(odds, yes)}")
    inputs, after_s = starts(held)
    off = np.abs(note_classifier.weigh_by(new["bow_start"], inputs) - after_s)
    print(f"bow_start: {len(off)}, {100 * np.mean(off < START_S):.1f} % within {START_S} s")


def main() -> None:
    """Fit, print the figures, write the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--takes", type=int, default=1200)
    parser.add_argument("--seed", type=int, default=600_000)
    parser.add_argument("--out", type=Path, default=note_classifier.TABLE)
    parser.add_argument("--keep", type=Path, help="a folder in which the takes are kept")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    with TemporaryDirectory() as passing, ProcessPoolExecutor(options.jobs) as pool:
        folder = options.keep or Path(passing)
        folder.mkdir(parents=True, exist_ok=True)
        read = partial(hear_kept, folder, options.seed)
        heard = list(pool.map(read, range(options.takes), chunksize=8))
    report(heard)
    options.out.write_text(as_text(learn(heard)), encoding="utf-8")
    print(f"written: {options.out.name}")


if __name__ == "__main__":
    main()
