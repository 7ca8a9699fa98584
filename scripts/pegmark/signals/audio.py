"""The sound that all stages work on: mono, float32, full scale +-1, at `RATE_HZ`."""

from __future__ import annotations

RATE_HZ = 16_000  # E5 keeps twelve partials below half of it; cheap to analyse
LABEL_RATIOS = (44100 / 48000, 48000 / 44100)  # a recording's true over its labelled rate
# A phone's clock is off by 0.17 cents at 100 ppm (design, section 5): a speed that is off by more
# than this is a fault of the recording.
SPEED_CENTS = 1.0
