"""Beats in words that a child can listen for: "three slow waves each second".

The bounds are common practice, no source: a wave that takes longer than five seconds is not
waited for, and more than six in a second are a roughness that nobody counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

LONGEST_S = 5  # that a wave is waited for
MOST_COUNTED = 6  # waves a second
SLOW = 3  # waves a second up to which they are called slow


def waves(beats_hz: float, words: Mapping[str, Any]) -> str:
    """Beats a second as the language says them.

    Parameters
    ----------
    words : the language's `score.words.waves`.
    """
    if beats_hz * (LONGEST_S + 0.5) < 1:
        return str(words["none"])
    seconds, count = round(1 / beats_hz), round(beats_hz)
    if seconds > 1:
        return str(words["seldom"]).format(seconds=words["counts"][seconds - 1])
    if count <= 1:
        return str(words["one"])
    if count > MOST_COUNTED:
        return str(words["many"])
    key = "slow" if count <= SLOW else "quick"
    return str(words[key]).format(count=words["counts"][count - 1])
