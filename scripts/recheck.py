"""Check what only shows with all takes of a class at hand.

A second opinion on the deciding pitches, the same recording under two names, and when the
containers say that the takes were recorded. Reads measured/<take>.json and decoded/<take>.npy and
.json, writes one file for the class. Second opinions are kept in a memory beside the results, so
that only new takes are heard again.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from pegmark.files.store import read_json, rounded, write_json
from pegmark.recheck import same_recordings, second_opinion
from pegmark.recheck.second_opinion import VERSION
from pegmark.records.faults import guarded
from pegmark.records.validation import valid
from pegmark.signals.audio import RATE_HZ


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--measured", type=Path, required=True, help="folder of <take>.json")
    parser.add_argument("--decoded", type=Path, required=True, help="folder of <take>.npy")
    parser.add_argument("--class-ticket", type=Path, help="its takes (default: all in --measured)")
    parser.add_argument("--memory", type=Path, required=True, help="answers of earlier runs")
    parser.add_argument("--code", type=Path, help="a ticket: another, and all is asked anew")
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    if arguments.class_ticket:
        takes = read_json(arguments.class_ticket)["takes"]
    else:
        takes = sorted(path.stem for path in arguments.measured.glob("*.json"))
    code = read_json(arguments.code) if arguments.code else None
    measured = {take: read_json(arguments.measured / f"{take}.json") for take in takes}
    memory = read_json(arguments.memory) if arguments.memory.is_file() else {}
    if memory.get("code") != code:
        memory = {}

    def write(result: Mapping[str, Any]) -> None:
        found = {**nothing, **result}
        found.pop("status", None)
        write_json(arguments.memory, found)
        write_json(arguments.out, found)

    def check() -> dict:
        def audio(take: str) -> tuple[np.ndarray, int]:
            return load(arguments.decoded, take)

        found = {
            **nothing,
            **second_opinion(measured, audio, memory),
            "same_recordings": same_recordings(measured, audio),
            "recorded_at": recorded_at(arguments.decoded, takes),
        }
        valid(rounded(found), "recheck")
        return found

    nothing: dict = {
        "version": VERSION,
        "code": code,
        "problems": [],
        "takes": {},
        "disagreements": [],
        "same_recordings": [],
        "recorded_at": {},
    }
    guarded(check, nothing, write)


def recorded_at(folder: Path, takes: list[str]) -> dict[str, str]:
    """take -> when its container says that it was recorded, where it does."""
    said = {take: read_json(folder / f"{take}.json").get("recorded_at") for take in takes}
    return {take: moment for take, moment in said.items() if moment}


def load(folder: Path, take: str) -> tuple[np.ndarray, int]:
    """The decoded audio of a take (samples,) and its rate in Hz."""
    return np.load(folder / f"{take}.npy", mmap_mode="r"), RATE_HZ


if __name__ == "__main__":
    main()
