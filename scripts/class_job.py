"""Grade one class of a plan, as a job of the workflow over many (workflow/classes.smk).

Ends well whatever the class: how its run ended is a result. Only what kills the job, or a failure
of the machine, is done again.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

import district
import running
from pegmark.files.store import read_json, write_json


def main() -> None:
    """Grade the class of that number, and write its state."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plan", type=Path, required=True)
    parser.add_argument("--number", type=int, required=True, help="of the class, from 1")
    parser.add_argument("--cores", required=True)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    plan = read_json(args.plan)
    os.environ.pop("PYTHONPATH", None)  # of the engine that started this, for its cluster
    folder = Path(plan["classes"][args.number - 1])
    how = running.How(cores=args.cores, go_on=plan["go_on"], prune=plan["prune"])
    code = running.grade_class(folder, Path(__file__).resolve().parents[1], how)
    write_json(args.out, district.state_of_class(folder, code, args.number, Path.cwd()))


if __name__ == "__main__":
    main()
