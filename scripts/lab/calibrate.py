"""Fit anew every number that was fitted: pegmark/<stage>/fitted.json, one file a stage.

    python3 scripts/lab/calibrate.py [--stage segment] [--check | --confirm] [--jobs 2]
        [--takes 100] [--keep FOLDER]

Each stage's numbers come from a module of lab/fits: takes are made, heard and learned from, and the
numbers are judged on takes that were held back. Beside the numbers stands where they come from:
seeds, takes, commit, digest of the code they were fitted to, versions of the libraries, figures.
The same code gives the same bytes.

--check writes nothing: it measures the numbers in use on the takes held back, beside what the file
says of them. --confirm is for code that was changed and hears what it heard before (a name, a
shorter way to the same value): where the first takes sound the same to it, digit by digit, only the
digest is written anew; where they do not, it says so and fits nothing. --keep stores the takes, so
that a next fit need not make them again.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"  # sums in one order, whatever the machine
os.environ["OMP_NUM_THREADS"] = "1"

import argparse
import hashlib
import importlib
import json
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, is_dataclass
from functools import partial
from importlib.metadata import version
from types import ModuleType
from typing import Any

import numpy as np

from lab import provenance, samples
from pegmark.files.store import write_text
from pegmark.settings import fitted

FITS = Path(__file__).with_name("fits")
# In the order of a take: a stage's takes are heard through those before it.
FITTED_STAGES = tuple(
    stage
    for stage in ("segment", "segment_notes", "identify", "measure_turns", "measure")
    if (FITS / f"{stage}.py").is_file()
)
LIBRARIES = ("numpy", "scipy", "scikit-learn")
PROBES = 8  # takes by which two states of the code are compared
PROBE_DIGITS = 6  # decimals in which they must agree


def fit_of(stage: str) -> ModuleType:
    """The module that fits a stage."""
    return importlib.import_module(f"lab.fits.{stage}")


def hear_one(stage: str, keep: Path | None, number: int) -> Any:
    """What is known of one take, made or read from the folder of kept ones."""
    fit = fit_of(stage)
    if keep is None:
        return fit.hear(*fit.make(number))
    place = keep / stage / f"{fit.SEED}-{number}.json"
    if not place.exists():
        place.parent.mkdir(parents=True, exist_ok=True)
        audio, truth = fit.make(number)
        np.save(place.with_suffix(".npy"), audio)
        write_text(place, json.dumps(truth))
    return fit.hear(np.load(place.with_suffix(".npy")), json.loads(place.read_text()))


def hear(stage: str, count: Iterable[int], options: argparse.Namespace) -> list[Any]:
    """What is known of many takes, in order."""
    with ProcessPoolExecutor(options.jobs) as pool:
        return list(pool.map(partial(hear_one, stage, options.keep), count, chunksize=4))


def plain(value: Any) -> Any:
    """`value` as JSON has it, numbers in PROBE_DIGITS."""
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (np.ndarray, np.generic)):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    return round(value, PROBE_DIGITS) + 0.0 if isinstance(value, float) else value


def probe(heard: list[Any]) -> str:
    """A digest of what the first takes gave: two codes with one digest hear alike."""
    return hashlib.sha256(json.dumps(plain(heard[:PROBES])).encode()).hexdigest()[:16]


def as_text(value: Any, indent: int = 0) -> str:
    """JSON with one line a value or a list; lists of lists have one line a row."""
    inside = "\n" + " " * (indent + 1)
    if isinstance(value, dict) and value:
        rows = [f"{json.dumps(str(k))}: {as_text(v, indent + 1)}" for k, v in value.items()]
        return "{" + inside + ("," + inside).join(rows) + inside[:-1] + "}"
    if isinstance(value, list) and value and isinstance(value[0], list):
        return "[" + inside + ("," + inside).join(map(json.dumps, value)) + inside[:-1] + "]"
    return json.dumps(value)


def write(stage: str, content: dict[str, Any]) -> None:
    """Write a stage's file, whole or not at all, with what other fits of the stage wrote there."""
    path = fitted.path_of(stage)
    whole = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    if "_" in stage:
        whole.setdefault("also", {})[stage] = content
    else:
        whole = content | ({"also": whole["also"]} if "also" in whole else {})
    write_text(path, as_text(whole) + "\n")
    fitted.numbers.cache_clear()
    print(f"{stage}: written")


def calibrate(stage: str, options: argparse.Namespace) -> None:
    """Fit a stage's numbers and write them."""
    fit = fit_of(stage)
    takes = options.takes or fit.TAKES
    heard = hear(stage, range(takes), options)
    numbers = fit.fit(heard)
    figures = fit.figures(numbers, hear(stage, held_back(fit), options))
    show(stage, {"fitted": figures})
    about = {
        "written_by": "scripts/lab/calibrate.py",
        "commit": provenance.commit(),
        "code": provenance.code_digest(fit.CODE),
        "probe": probe(heard),
        "takes": takes,
        "seeds": [fit.SEED, fit.SEED + takes - 1],
        "held_back_takes": fit.HELD,
        "held_back_seeds": [fit.SEED + held_back(fit)[0], fit.SEED + held_back(fit)[-1]],
        "libraries": {name: version(name) for name in LIBRARIES},
        "figures": plain(figures),
    }
    write(stage, {"provenance": about, "numbers": numbers})


def held_back(fit: ModuleType) -> range:
    """The takes that no number is learned from."""
    return range(fit.TAKES, fit.TAKES + fit.HELD)


def read(stage: str) -> dict[str, Any]:
    """What a fit wrote, as it stands."""
    content = dict(json.loads(fitted.path_of(stage).read_text(encoding="utf-8")))
    return dict(content["also"][stage]) if "_" in stage else content


def check(stage: str, options: argparse.Namespace) -> None:
    """Print how the numbers in use do on the takes held back, beside what their file says."""
    fit, stated = fit_of(stage), read(stage)
    figures = fit.figures(stated["numbers"], hear(stage, held_back(fit), options))
    show(stage, {"in the file": stated["provenance"]["figures"], "now": plain(figures)})


def confirm(stage: str, options: argparse.Namespace) -> bool:
    """Write the code's new digest where it hears what it heard when the numbers were fitted."""
    fit, content = fit_of(stage), read(stage)
    about = content["provenance"]
    if probe(hear(stage, range(PROBES), options)) != about["probe"]:
        print(f"{stage}: the code hears other things than before; fit it anew without --confirm")
        return False
    about |= {"commit": provenance.commit(), "code": provenance.code_digest(fit.CODE)}
    write(stage, content)
    return True


def show(stage: str, columns: dict[str, dict[str, Any]]) -> None:
    """Print figures side by side."""
    print(f"\n| {stage} | " + " | ".join(columns) + " |\n|---" + "|---" * len(columns) + "|")
    names = dict.fromkeys(name for column in columns.values() for name in column)
    for name in names:
        print(f"| {name} | " + " | ".join(str(c.get(name, "")) for c in columns.values()) + " |")


def main() -> int:
    """Fit, check or confirm the stages asked for; 0 when all was done."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--stage", choices=FITTED_STAGES, action="append", help="only this one")
    way = parser.add_mutually_exclusive_group()
    way.add_argument("--check", action="store_true", help="measure, write nothing")
    way.add_argument("--confirm", action="store_true", help="the code changed, what it hears not")
    parser.add_argument("--takes", type=int, help="learn from fewer: for a trial")
    parser.add_argument("--keep", type=Path, help="a folder in which the takes are kept")
    parser.add_argument("--jobs", type=int, default=2, help="takes heard at once")
    options = parser.parse_args()
    if not (samples.SOUND_FONT.is_file() and samples.OTHER_FONT.is_file()):
        parser.error(
            "the takes want sampled players: "
            "apt-get install fluidsynth fluid-soundfont-gm timgm6mb-soundfont"
        )
    done = True
    for stage in options.stage or FITTED_STAGES:
        if options.confirm:
            done &= confirm(stage, options)
        elif options.check:
            check(stage, options)
        else:
            calibrate(stage, options)
    return 0 if done else 1


if __name__ == "__main__":
    sys.exit(main())
