"""A take through finding, naming and measuring, as the workflow runs them; and what it costs."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from pegmark.identify import name_strings
from pegmark.measure import measure_take
from pegmark.segment import find_notes
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Measured, Notes, Strings

CHAIN_STAGES = ("segment", "identify", "measure")
Result = TypeVar("Result")


@dataclass
class Cost:
    """CPU seconds of each stage, and the seconds recorded."""

    cpu_s: dict[str, float] = field(default_factory=lambda: dict.fromkeys(CHAIN_STAGES, 0.0))
    recorded_s: float = 0.0

    def a_minute(self, stage: str) -> float:
        """CPU seconds of a stage for a recorded minute."""
        return 60 * self.cpu_s[stage] / max(self.recorded_s, 1e-9)

    def timed(self, stage: str, work: Callable[..., Result], *inputs: Any) -> Result:
        """What `work` gives; its time is added to the stage's."""
        begin = time.process_time()
        done = work(*inputs)
        self.cpu_s[stage] += time.process_time() - begin
        return done


@dataclass
class Heard:
    """What the stages made of a take."""

    named: Strings
    measured: Measured


def hear(audio: np.ndarray, instrument: Instrument, cost: Cost | None = None) -> Heard:
    """A take, (samples,) at RATE_HZ, through all stages; `cost` is added to."""
    cost = cost or Cost()
    cost.recorded_s += len(audio) / RATE_HZ
    found = cost.timed("segment", find_notes, audio, RATE_HZ, instrument)
    notes: Notes = {"take": "benchmark", **found}
    named = cost.timed("identify", name_strings, notes, instrument)
    return Heard(named, cost.timed("measure", measure_take, audio, RATE_HZ, named, instrument))
