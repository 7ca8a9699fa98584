"""Ask for a second opinion on the deciding pitches of a class.

Reads measured/<take>.json and decoded/<take>.npy, writes one file for the class. Answers are kept
in a memory beside the results, so that only new takes are heard again.
"""

import argparse
from pathlib import Path

import numpy as np
from pegmark.decode import RATE_HZ
from pegmark.files import read_json, write_json
from pegmark.recheck import second_opinion


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--measured", type=Path, required=True, help="folder of <take>.json")
    parser.add_argument("--decoded", type=Path, required=True, help="folder of <take>.npy")
    parser.add_argument("--takes", nargs="*", help="take ids (default: all in --measured)")
    parser.add_argument("--memory", type=Path, required=True, help="answers of earlier runs")
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    takes = arguments.takes
    if takes is None:
        takes = sorted(path.stem for path in arguments.measured.glob("*.json"))
    measured = {take: read_json(arguments.measured / f"{take}.json") for take in takes}
    memory = read_json(arguments.memory) if arguments.memory.is_file() else None
    opinion = second_opinion(
        measured,
        lambda take: (np.load(arguments.decoded / f"{take}.npy", mmap_mode="r"), RATE_HZ),
        memory,
    )
    write_json(arguments.memory, opinion)
    write_json(arguments.out, opinion)


if __name__ == "__main__":
    main()
