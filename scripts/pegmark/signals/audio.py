"""The sound that all stages work on: mono, float32, full scale +-1, at `RATE_HZ`."""

from __future__ import annotations

RATE_HZ = 16_000  # E5 keeps twelve partials below half of it; cheap to analyse
LABEL_RATIOS = (44100 / 48000, 48000 / 44100)  # a recording's true over its labelled rate
