"""Numbers that were fitted, or set on trials: one file a stage, beside the code that uses them.

`pegmark/<stage>/fitted.json` is written by scripts/lab/calibrate.py and holds "numbers" and their
"provenance" (takes, seeds, code, libraries, figures). Nobody edits it by hand.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

PACKAGE = Path(__file__).resolve().parents[1]


def path_of(stage: str) -> Path:
    """Where the fitted numbers of a stage stand."""
    return PACKAGE / stage / "fitted.json"


@cache
def numbers(stage: str) -> dict[str, Any]:
    """The fitted numbers of a stage, {subject: {name with its unit: value}}; read once.

    Parameters
    ----------
    stage : a package that has a fitted.json: "segment", "identify" or "measure".
    """
    return dict(json.loads(path_of(stage).read_text(encoding="utf-8"))["numbers"])
