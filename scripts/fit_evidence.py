"""Fit the curves of pegmark/evidence.json, by which candidates are told from notes.

    python scripts/fit_evidence.py [--takes 200] [--seed 600000] [--out FILE] [--keep FOLDER]

Takes of the sound laboratory are made: every other one an invented take (all difficulties, a
quarter of them with sampled players, where Debian's fluid-soundfont-gm is installed), the others
drills of one hard thing each, all four instruments in turn. The seeds are none of the tests', the
benchmarks' or the demo's. Every hypothesis of every candidate (`pegmark.onsets`) is compared with
the truth:

- "note": yes for the hypothesis nearest to the start of a true note, with its pitch; those beside
  it that have its pitch too are left out; all others are no.
- "bowed": of those that are notes, whether a bow sounded them;
- "speech": of every quarter second (`pegmark.spoken`), whether somebody speaks.

Each input's curve is a sum of hinges max(0, x - knot), so the log odds are additive in the inputs
and in the product of some pairs of them: logistic regression on hinges with an L2 penalty (Hastie,
Tibshirani, Friedman, "The Elements of Statistical Learning", 2nd ed., chapters 4.4 and 9.1: from
memory). A fifth of the takes is held back first, for the figures that are printed; then all are
used. `--keep` stores the takes, so that a next fit need not make them again.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pegmark import evidence, onsets, spoken
from pegmark.instruments import Instrument, load_instruments
from pegmark.lab import samples
from pegmark.lab.drills import DRILLS, drill
from pegmark.lab.takes import random_take
from pegmark.onsets import Features
from pegmark.segment import pitch_search
from sklearn.linear_model import LogisticRegression  # type: ignore[import-untyped]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Take = tuple[np.ndarray, dict[str, Any], Instrument]

ROOT = Path(__file__).resolve().parents[1]
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
# Of all pairs those whose product took most off the log loss of such takes: a click, loud or not,
# means something else where the pitch is the only one, or known, or still rings.
PAIRS: list[tuple[str, str]] = [
    *(("flux", "share"), ("stray", "share"), ("stray", "support"), ("share", "support")),
    *(("old", "share"), ("run", "rich"), ("drop", "swing"), ("drop", "level")),
]
BOWED_INPUTS = ["flux", "decay", "drop", "peak", "swing", "rise", "shape", "wander", "rich"]
BOWED_INPUTS += ["strike", "stray"]


@dataclass
class Heard:
    """What is known of one take: inputs and answers of the three questions.

    notes, yes, use, bowed : of every hypothesis; use: neither twice a note nor left out
    seconds, spoken, clear : of every window of `pegmark.spoken`; clear: not at a passage's edge
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


def training_takes(count: int, seed: int, table: dict[str, Instrument]) -> Iterator[Take]:
    """The takes to learn from."""
    sampled = samples.SOUND_FONT.is_file()
    for k in range(count):
        instrument = table[INSTRUMENTS[(k // 2) % 4]]
        if k % 2:
            name = list(DRILLS)[(k // 2) % len(DRILLS)]
            audio, truth = drill(name, instrument, seed + k)
        else:
            difficulty = DIFFICULTIES[(k // 8) % len(DIFFICULTIES)]
            real = sampled and (k // 8) % 4 == 3
            audio, truth = random_take(seed + k, instrument, difficulty, real=real)
        yield audio.astype(np.float16), truth, instrument  # 16 bits: no recording has more


def kept_takes(
    folder: Path | None, count: int, seed: int, table: dict[str, Instrument]
) -> Iterator[Take]:
    """The training takes, stored in and read from `folder` where one is given."""
    if folder is None:
        yield from training_takes(count, seed, table)
        return
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / f"{seed}-{count - 1}.json").exists():
        for k, (audio, truth, _) in enumerate(training_takes(count, seed, table)):
            np.save(folder / f"{seed}-{k}.npy", audio)
            (folder / f"{seed}-{k}.json").write_text(json.dumps(truth))
    for k in range(count):
        truth = json.loads((folder / f"{seed}-{k}.json").read_text())
        yield np.load(folder / f"{seed}-{k}.npy"), truth, table[truth["instrument"]]


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
    floor = onsets.noise_floor(audio)
    search, deep = pitch_search(instrument, RATE_HZ), onsets.needs_deep(instrument)
    block = onsets.read_block(audio, RATE_HZ, search, floor, deep=deep)
    features = onsets.describe(block, *onsets.find_candidates(block))
    inputs = evidence.inputs_of(features, np.zeros(len(features)))
    yes, out, bowed = answers(features, truth)
    times, seconds = spoken.describe(block, floor.fine)
    inside, edge = np.zeros(len(times), bool), np.zeros(len(times), bool)
    for passage in truth["speech"]:
        inside |= (times > passage["start_s"]) & (times < passage["end_s"])
        for end in ("start_s", "end_s"):
            edge |= np.abs(times - passage[end]) < EDGE_S
    return Heard(features.onset_s, inputs, yes, ~out, bowed, times, seconds, inside, ~edge)


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
        talk = np.interp(h.onset_s, h.times, evidence.weigh_by(speech, h.seconds))
        notes.append(h.notes | {"talk": np.clip(talk, -8.0, 8.0)})
    use, yes = [h.use for h in heard], [h.yes for h in heard]
    answer = np.concatenate([h.yes[h.use] for h in heard])
    known["note"] = (joined(notes, use, notes[0]), answer)
    bowed = np.concatenate([h.bowed[h.yes] for h in heard])
    known["bowed"] = (joined(notes, yes, BOWED_INPUTS), bowed)
    return known


def learn(heard: list[Heard]) -> dict[str, Any]:
    """The curves of all questions."""
    speech = fit(*cases(heard, None)["speech"])
    known = cases(heard, speech)
    return {"note": fit(*known["note"], PAIRS), "bowed": fit(*known["bowed"]), "speech": speech}


def _stretch(inputs: dict[str, Floats], name: str) -> tuple[str, float, float]:
    """An input with the low and high value between which it counts in a product."""
    low, high = np.quantile(inputs[name], [0.02, 0.98])
    return name, round(float(low), 3), round(float(max(high, low + 0.01)), 3)


def knots_of(values: Floats, yes: Bools) -> Floats:
    """Knots of a curve: at quantiles of the notes, the others' ends outside."""
    inner = np.quantile(values[yes], np.linspace(0.02, 0.98, KNOTS))
    ends = [np.quantile(values, 0.001), *np.quantile(values[~yes], [0.1, 0.5, 0.9])]
    ends.append(np.quantile(values, 0.999))
    return np.unique(np.round([*inner, *ends], 3))


def fit(
    inputs: dict[str, Floats], yes: Bools, pairs: Iterable[tuple[str, str]] = ()
) -> dict[str, Any]:
    """The model of one question: its bias, and the curve of every input and pair of inputs."""
    both = {f"{a}*{b}": [_stretch(inputs, a), _stretch(inputs, b)] for a, b in pairs}
    inputs = inputs | {name: evidence.product(inputs, of) for name, of in both.items()}
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
        curves[name] = {"of": both[name]} if name in both else {}
        curves[name] |= {"at": at.tolist(), "value": np.round(value - middle, 3).tolist()}
    return {"bias": round(bias, 3), "curves": curves}


def figures(odds: Floats, yes: Bools) -> str:
    """How well log odds answer."""
    said = odds > 0
    loss = float(np.mean(np.logaddexp(0, np.where(yes, -odds, odds))))
    return (
        f"{yes.sum()} yes, {(~yes).sum()} no; of yes {100 * said[yes].mean():.2f} % said yes, "
        f"of said yes {100 * yes[said].mean():.2f} % are; log loss {loss:.4f}"
    )


def as_text(model: dict[str, Any]) -> str:
    """The table as JSON, one line a list."""
    parts = []
    for question, fitted in model.items():
        lines = [
            f'  "{name}": {json.dumps(curve)}'.replace(', "value"', ',\n   "value"')
            for name, curve in fitted["curves"].items()
        ]
        head = f' "{question}": {{"bias": {fitted["bias"]}, "curves": {{\n'
        parts.append(head + ",\n".join(lines) + "\n }}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def report(heard: list[Heard]) -> None:
    """Print how well the curves of four fifths of the takes, and the old ones, do on the rest."""
    held, others = heard[::HELD_BACK], [h for i, h in enumerate(heard) if i % HELD_BACK]
    print(f"{len(heard)} takes; figures on {len(held)} that the curves were not fitted on")
    new = learn(others)
    for question, (inputs, yes) in cases(held, new["speech"]).items():
        for name, models in (("old", evidence.curves()), ("new", new)):
            if question in models:
                odds = evidence.weigh_by(models[question], inputs)
                print(f"{question}, {name} curves: {figures(odds, yes)}")


def main() -> None:
    """Fit, print the figures, write the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--takes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=600_000)
    parser.add_argument("--out", type=Path, default=evidence.TABLE)
    parser.add_argument("--keep", type=Path, help="a folder in which the takes are kept")
    options = parser.parse_args()
    table = load_instruments(ROOT / "config" / "instruments.yaml")
    takes = kept_takes(options.keep, options.takes, options.seed, table)
    heard = [hear(*take) for take in takes]
    report(heard)
    models = learn(heard)
    options.out.write_text(as_text(models), encoding="utf-8")
    print(f"written: {options.out.name}")


if __name__ == "__main__":
    main()
