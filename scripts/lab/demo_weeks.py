"""The demo of the three ways to tune: three small weeks of one class, each taught in its turn.

Week 1 with a tuner, week 2 by ear to an A of 442 hertz, week 3 string against string. Everybody and
everything is invented. What is wrong in each recording stands beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from lab.demo_recording import Recording
from lab.events import Both, Bow, Event, Rest, Say, Tone, Tune, TuningNote

A442 = 7.85  # cents above A 440
WEEKS_ROSTER = (
    ("student_id", "family_name", "given_name", "instrument", "section", "email", "stand"),
    ("dw-1", "Holt", "Runa", "violin", "Upper", "runa.holt@example.org", "1"),
    ("dw-2", "Aster", "Pim", "cello", "Lower", "pim.aster@example.org", "2"),
    ("dw-3", "Vale", "Ida", "violin", "Upper", "ida.vale@example.org", "1"),
)


@dataclass(frozen=True)
class Week:
    """One class folder: its settings and recordings."""

    folder: str
    assignment: str
    recordings: tuple[Recording, ...]


def _settings(title: str, due: str, *more: str) -> str:
    lines = (f'title: "{title}"', "class_name: Saltmarsh Strings", f"due: {due} 18:00 +00:00")
    return "\n".join((*lines, *more)) + "\n"


def _check(*strings: str) -> tuple[Event, ...]:
    return tuple(Bow(string, 1.7, 0) for string in strings)


def _take(
    student_id: str,
    file: str,
    instrument: str,
    start_cents: dict[str, float],
    events: tuple[Event, ...],
    wrong: str,
    seed: int,
) -> Recording:
    kind = file.rpartition(".")[2]
    voice = {"dw-1": 1, "dw-2": 3, "dw-3": 4}[student_id]
    return Recording(student_id, file, kind, instrument, start_cents, events, wrong, seed, voice,
                     snr_db=32, bit_rate=56000)  # fmt: skip


TUNER_WEEK = Week(
    "1-tuner",
    _settings("Week 1: with a tuner", "2026-04-10", "method: tuner"),
    (
        _take(
            "dw-1", "2026-04-09 Runa Holt.m4a", "violin",
            {"E5": -20, "A4": -30, "D4": 14, "G3": -24},
            (
                Say("Hi, this is Runa. My bridge is straight."),
                Tune("A4", (-10, 0.5), gap_s=0.7), Rest(0.3),
                Tune("D4", (3, -0.5), gap_s=0.7), Rest(0.3),
                Tune("G3", (-8, 0.4), gap_s=0.75), Rest(0.3),
                Tune("E5", (-6, 0.8), gap_s=0.6, speed=30), Rest(0.3),
                *_check("E5", "A4", "D4", "G3"),
            ),
            "nothing", 201,
        ),
        _take(
            "dw-2", "2026-04-10 Pim Aster.ogg", "cello",
            {"A3": -22, "D3": -30, "G2": 18, "C2": -16},
            (
                Say("Hello, Pim here with the cello."),
                Tune("A3", (-8, 0.6), gap_s=0.85), Rest(0.4),
                Tune("D3", (-10, -0.6), gap_s=0.85), Rest(0.4),
                Tune("G2", (4, -14), gap_s=0.9), Rest(0.4),
                Tune("C2", (-4, 1.0), gap_s=0.95), Rest(0.4),
                *_check("A3", "D3", "G2", "C2"),
            ),
            "G2 is left 14 cents flat", 202,
        ),
        _take(
            "dw-3", "2026-04-08 Ida Vale.m4a", "violin",
            {"E5": 12, "A4": -26, "D4": -22, "G3": 16},
            (
                Say("This is Ida."),
                Tune("A4", (-8, -0.4), gap_s=0.7), Rest(0.3),
                Tune("D4", (-6, 0.6), gap_s=0.7), Rest(0.3),
                Tune("G3", (5, 0.9), gap_s=0.75), Rest(0.3),
                Tune("E5", (4, 0.4), gap_s=0.6, speed=30), Rest(0.3),
                *_check("E5", "A4", "D4", "G3"),
            ),
            "nothing", 203,
        ),
    ),
)  # fmt: skip

BY_EAR_WEEK = Week(
    "2-by-ear",
    _settings(
        "Week 2: by ear", "2026-04-17", "method: by_ear", "reference_hz: [440, 443]",
        "history: [../1-tuner]",
    ),
    (
        _take(
            "dw-1", "2026-04-13 Runa Holt.m4a", "violin",
            {"E5": -12, "A4": -14, "D4": -10, "G3": -12},
            (
                Tone(442.0, 2.6), Rest(0.3),
                Tune("A4", (A442 - 0.5,), gap_s=0.7), Rest(0.3),
                *_check("A4", "D4"),
            ),
            "only A is tuned: practice on Monday", 204,
        ),
        _take(
            "dw-1", "2026-04-15 Runa Holt.m4a", "violin",
            {"E5": -10, "A4": -6, "D4": -8, "G3": -10},
            (
                Tone(442.0, 2.6), Rest(0.3),
                Tune("A4", (A442,), gap_s=0.7), Rest(0.3),
                Tune("D4", (A442 - 2,), gap_s=0.7), Rest(0.3),
                *_check("A4", "D4"),
            ),
            "A and D are tuned: practice on Wednesday", 205,
        ),
        _take(
            "dw-1", "2026-04-16 Runa Holt.m4a", "violin",
            {"E5": -14, "A4": -8, "D4": -6, "G3": -12},
            (
                Say("Hi, it's Runa. Here is my A."),
                Tone(442.0, 3.0), Rest(0.4),
                Tune("A4", (0, A442), gap_s=0.7), Rest(0.3),
                Tune("D4", (A442 - 1.5,), gap_s=0.7), Rest(0.3),
                Tune("G3", (0, A442 - 3.0), gap_s=0.75), Rest(0.3),
                Tune("E5", (0, A442 + 1.5), gap_s=0.6, speed=30), Rest(0.3),
                *_check("E5", "A4", "D4", "G3"),
            ),
            "nothing; the third recording of the week", 206,
        ),
        _take(
            "dw-2", "2026-04-17 Pim Aster.ogg", "cello",
            {"A3": -20, "D3": -14, "G2": -32, "C2": -10},
            (
                Say("Hello, Pim. My brother plays me an A."),
                TuningNote("piano", 221.0, 3.2), Rest(0.6),
                Tune("A3", (-4, A442), gap_s=0.85), Rest(0.4),
                Tune("D3", (0, A442 - 2), gap_s=0.85), Rest(0.4),
                Tune("G2", (-8, A442 - 4), gap_s=0.9), Rest(0.4),
                Tune("C2", (0, A442 - 6), gap_s=0.95), Rest(0.4),
                *_check("A3", "D3", "G2", "C2"),
            ),
            "nothing", 207,
        ),
        _take(
            "dw-3", "2026-04-16 Ida Vale.m4a", "violin",
            {"E5": -16, "A4": -18, "D4": 10, "G3": -20},
            (
                Say("This is Ida."),
                Tune("A4", (-6, 0.5), gap_s=0.7), Rest(0.3),
                Both("D4", "A4", 2.2), Tune("D4", (-1.8,), gap_s=0.7), Rest(0.2),
                Both("G3", "D4", 2.2), Tune("G3", (-8, -3.6), gap_s=0.75), Rest(0.2),
                Both("A4", "E5", 2.2), Tune("E5", (-6, 2.2), gap_s=0.6, speed=30), Rest(0.3),
                *_check("E5", "A4", "D4", "G3"),
            ),
            "tunes string against string, and no A is sounded", 208,
        ),
    ),
)  # fmt: skip

STRINGS_WEEK = Week(
    "3-string-to-string",
    _settings(
        "Week 3: string against string", "2026-04-24", "method: string_to_string",
        "history: [../1-tuner, ../2-by-ear]",
    ),
    (
        _take(
            "dw-1", "2026-04-23 Runa Holt.m4a", "violin",
            {"E5": -10, "A4": -8, "D4": -16, "G3": -14},
            (
                Say("Hi, Runa again."),
                Tune("A4", (0.5,), gap_s=0.7), Rest(0.3),
                Tune("D4", (-6, -1.5), gap_s=0.7), Both("D4", "A4", 2.2), Rest(0.2),
                Tune("G3", (-3.4,), gap_s=0.75), Both("G3", "D4", 2.2), Rest(0.2),
                Tune("E5", (2.4,), gap_s=0.6, speed=30), Both("A4", "E5", 2.2), Rest(0.3),
                *_check("E5", "A4", "D4", "G3"),
            ),
            "nothing", 209,
        ),
        _take(
            "dw-2", "2026-04-24 Pim Aster.ogg", "cello",
            {"A3": -12, "D3": -20, "G2": -30, "C2": -18},
            (
                Say("Hello, Pim here."),
                Tune("A3", (0.4,), gap_s=0.85), Rest(0.4),
                Tune("D3", (-6, -1.6), gap_s=0.85), Both("D3", "A3", 2.4), Rest(0.3),
                Tune("G2", (-20, -24), gap_s=0.9), Both("G2", "D3", 2.4), Rest(0.3),
                Tune("C2", (-26,), gap_s=0.95), Both("C2", "G2", 2.4), Rest(0.4),
                *_check("A3", "D3", "G2", "C2"),
            ),
            "G2 is left 20 cents too low for D3; C2 fits G2", 210,
        ),
        _take(
            "dw-3", "2026-04-22 Ida Vale.m4a", "violin",
            {"E5": 9, "A4": -9, "D4": -12, "G3": 11},
            (
                Say("This is Ida."),
                Tune("A4", (-0.5,), gap_s=0.7), Rest(0.3),
                Tune("D4", (-2.4,), gap_s=0.7), Rest(0.3),
                Tune("G3", (-4.2,), gap_s=0.75), Rest(0.3),
                Tune("E5", (1.6,), gap_s=0.6, speed=30), Rest(0.3),
                *_check("E5", "A4", "D4", "G3"),
            ),
            "no two strings are played at once", 211,
        ),
    ),
)  # fmt: skip

WEEKS = (TUNER_WEEK, BY_EAR_WEEK, STRINGS_WEEK)
