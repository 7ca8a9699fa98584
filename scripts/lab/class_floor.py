"""The least that a class can cost: its takes heard and its sheets set in one process, no engine.

Everything a graded class took in is decoded, searched for notes, named and measured, and every
sheet and clip is made again from the records, in one process that imports everything once. What
comes out must be what the class's own run left.
"""

from __future__ import annotations

import resource
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from pegmark.decode import decode_recording
from pegmark.files.recordings import lookup
from pegmark.files.store import read_json, rounded
from pegmark.identify import name_strings
from pegmark.measure import measure_take
from pegmark.render import cut_clips, render_sheet
from pegmark.segment import find_notes
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument

Result = TypeVar("Result")


class Floor:
    """CPU seconds by what they were spent on."""

    def __init__(self, class_dir: Path):
        self.class_dir = class_dir
        self.results = class_dir / "results"
        self.cpu_s: dict[str, float] = defaultdict(float)

    def timed(self, part: str, work: Callable[..., Result], *inputs: Any) -> Result:
        """What `work` gives; its time is added to the part's."""
        begin = time.process_time()
        done = work(*inputs)
        self.cpu_s[part] += time.process_time() - begin
        return done

    def hear(self, take: str) -> Any:
        """Decode and measure a take; its audio. AssertionError when the run found other notes."""
        ticket = read_json(self.results / "tickets" / "listen" / f"{take}.json")
        instrument = Instrument.from_dict(ticket["instrument"])
        recording = lookup(self.class_dir, take)
        audio, _ = self.timed("decode", decode_recording, recording)
        found = self.timed("segment", find_notes, audio, RATE_HZ, instrument)
        named = self.timed("identify", name_strings, rounded({"take": take, **found}), instrument)
        measured = self.timed("measure", measure_take, audio, RATE_HZ, rounded(named), instrument)
        run = read_json(self.results / "measured" / f"{take}.json")
        assert rounded(measured["notes"]) == run["notes"], take
        assert rounded(measured["strings"]) == run["strings"], take
        return audio

    def report(self, student: str, audio: Any) -> None:
        """Set a student's sheet and cut the clips."""
        record = read_json(self.results / "work" / "records" / f"{student}.json")
        ticket = read_json(self.results / "tickets" / "render" / f"{student}.json")
        sheet = self.timed("sheet", render_sheet, record, ticket)
        assert sheet == (self.results / "sheets" / f"{student}.pdf").read_bytes(), student
        self.timed("clips", cut_clips, audio, RATE_HZ, record)


def class_floor(class_dir: Path) -> tuple[dict[str, float], float]:
    """CPU seconds of a graded class by part, and the most memory in MB, in a process of its own.

    The part "else" is what the process took beside: its imports, and reading what was written.
    """
    floor = Floor(class_dir)
    for student in read_json(class_dir / "results" / "tickets" / "class.json")["students"]:
        for take in student["takes"]:
            floor.report(student["student_id"], floor.hear(take))
    used = resource.getrusage(resource.RUSAGE_SELF)
    whole_s = used.ru_utime + used.ru_stime
    floor.cpu_s["else"] = whole_s - sum(floor.cpu_s.values())
    return dict(floor.cpu_s), used.ru_maxrss / 1024
