"""Several stages of one take or student, one after the other in one process.

    python steps.py decode --ticket ... --then segment --ticket ... --then ...

Each stage is run exactly as its own script would be, by its own arguments; the first that fails
ends all. So a job of the workflow is started once for what always follows on itself, and every
stage can still be run by hand alone.
"""

from __future__ import annotations

import runpy
import sys
from itertools import groupby
from pathlib import Path

THEN = "--then"  # between the words of two stages


def main() -> None:
    """Run the stages of the arguments."""
    asked = [list(words) for then, words in groupby(sys.argv[1:], THEN.__eq__) if not then]
    for stage, *words in asked:
        sys.argv = [str(Path(__file__).with_name(f"{stage}.py").resolve()), *words]
        runpy.run_path(sys.argv[0], run_name="__main__")


if __name__ == "__main__":
    main()
