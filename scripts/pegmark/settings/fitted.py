"""Numbers that were fitted, or set on trials: one file a stage, beside the code that uses them.

`pegmark/<stage>/fitted.json` is written by scripts/lab/calibrate.py and holds "numbers" and their
"provenance" (takes, seeds, code, libraries, figures); "also" holds the same of fits beside the
stage's first. Nobody edits it by hand.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

PACKAGE = Path(__file__).resolve().parents[1]


def path_of(fit: str) -> Path:
    """Where the numbers of a fit stand: "segment" and "segment_notes" are fits of one stage."""
    return PACKAGE / fit.partition("_")[0] / "fitted.json"


@cache
def numbers(stage: str) -> dict[str, Any]:
    """The fitted numbers of a stage, {subject: {name with its unit: value}}; read once.

    Parameters
    ----------
    stage : a package that has a fitted.json: "segment", "identify" or "measure".
    """
    content = json.loads(path_of(stage).read_text(encoding="utf-8"))
    found = dict(content["numbers"])
    for other in content.get("also", {}).values():
        found |= other["numbers"]
    return found
