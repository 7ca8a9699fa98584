"""Ask for a second opinion on the deciding pitches of a class.

Reads measured/<take>.json and decoded/<take>.npy, writes one file for the class. Answers are kept
in a memory beside the results, so that only new takes are heard again.
"""

import argparse
from pathlib import Path

import numpy as np
from pegmark.decode import RATE_HZ
from pegmark.files import read_json, write_json
from pegmark.guard import guarded
from pegmark.recheck import VERSION, second_opinion


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--measured", type=Path, required=True, help="folder of <take>.json")
    parser.add_argument("--decoded", type=Path, required=True, help="folder of <take>.npy")
    parser.add_argument("--takes", nargs="*", help="take ids (default: all in --measured)")
    parser.add_argument("--memory", type=Path, required=True, help="answers of earlier runs")
    parser.add_argument("--code", help="what stands for the method: another, and all is asked anew")
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    takes = arguments.takes
    if takes is None:
        takes = sorted(path.stem for path in arguments.measured.glob("*.json"))
    measured = {take: read_json(arguments.measured / f"{take}.json") for take in takes}
    memory = read_json(arguments.memory) if arguments.memory.is_file() else {}
    if memory.get("code") != arguments.code:
        memory = {}

    def write(opinion: dict) -> None:
        opinion = {
            "version": VERSION,
            "code": arguments.code,
            "problems": opinion.get("problems", []),
            "takes": opinion["takes"],
            "disagreements": opinion["disagreements"],
        }
        write_json(arguments.memory, opinion)
        write_json(arguments.out, opinion)

    guarded(
        lambda: second_opinion(measured, lambda take: load(arguments.decoded, take), memory),
        {"takes": {}, "disagreements": []},
        write,
    )


def load(folder: Path, take: str) -> tuple[np.ndarray, int]:
    """The decoded audio of a take (samples,) and its rate in Hz."""
    return np.load(folder / f"{take}.npy", mmap_mode="r"), RATE_HZ


if __name__ == "__main__":
    main()
