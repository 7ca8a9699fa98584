"""What a note's fields mean, for the stages that read them."""

from __future__ import annotations

SURE_PROBABILITY = 0.97  # below this a note gets no name
