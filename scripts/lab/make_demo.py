"""Make the demo classes: demo_inputs/, the three weeks below it, and tests/data/demo_truth.json.

The class, the school and every name are invented. Nobody was recorded: bowed notes and the bass's
plucks come from the sampled players of Debian's FluidR3 sound font (through fluidsynth; vibrato
taken out and the pitch moved to where this script says), the other plucks from the physical model
in lab.strings, speech from espeak-ng, and all of it is put into a room with noise
(lab.takes). The truth file says where every string was really left.

Needs fluidsynth, fluid-soundfont-gm and espeak-ng. The same package versions give the same bytes.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import argparse
import csv
import hashlib
import io
from collections.abc import Sequence
from typing import Any

from environment import ROOT
from lab.demo_recording import Recording, record
from lab.demo_weeks import WEEKS, WEEKS_ROSTER, Week
from lab.events import Bow, Event, Rest, Say, Slip, Tune
from pegmark.files.store import read_json, rounded, write_bytes, write_json, write_text
from pegmark.records.values import TAKE_DIGITS
from pegmark.trade.instruments import load_instruments

DEMO_ROSTER = (
    ("student_id", "family_name", "given_name", "instrument", "section", "email"),
    ("sk-101", "Marrow", "Tilda", "violin", "Lantern", "tilda.marrow@example.org"),
    ("sk-102", "Šafránek", "Zoë", "violin", "Lantern", "zoe.s@example.org;home102@example.org"),
    ("sk-103", "Strand", "Milo", "double bass", "Breakwater", "milo.strand@example.org"),
    ("sk-104", "Okwuosa", "Ifeoma", "viola", "Lantern", "ifeoma.okwuosa@example.org"),
    ("sk-105", "Tidewell", "Jonas", "cello", "Breakwater", "jonas.tidewell@example.org"),
    ("sk-106", "Fenwright", "Amara", "violin", "Breakwater", "amara.fenwright@example.org"),
    ("sk-107", "Pellow", "Otto", "cello", "Lantern", "otto.pellow@example.org"),
    ("sk-108", "Harrowgate", "Nia", "violin", "Breakwater", "nia.harrowgate@example.org"),
    ("sk-109", "Castellow", "Wren", "viola", "Breakwater", "wren.castellow@example.org"),
)

DEMO_MARKS = (
    ("student_id", "criterion", "points", "comment"),
    ("sk-101", "bridge", "1", "You looked from both sides."),
    ("sk-101", "answers", "2", ""),
    ("sk-101", "daily", "1", ""),
    ("sk-102", "bridge", "1", ""),
    ("sk-102", "answers", "2", "Clear and complete."),
    ("sk-102", "daily", "0", "Try to tune each day, even if you only have a minute."),
    ("sk-103", "bridge", "0", "Show me the bridge before you begin."),
    ("sk-103", "answers", "1", "The second answer was too short."),
    ("sk-103", "daily", "1", ""),
    # By hand over what was measured: strings so low had to come up a long way.
    ("sk-104", "small_moves", "1", "The D and the G were far down: large turns were right there."),
)

# Judged by ear before the machine's view was shown: file, string, heard, measured.
BLIND = (
    ("Lantern/Marrow, Tilda - 2026-03-05 16.42 - tuning.mp4", "A4", "in_tune", "in_tune"),
    ("Lantern/Marrow, Tilda - 2026-03-05 16.42 - tuning.mp4", "G3", "in_tune", "in_tune"),
    ("Lantern/zoe safranek tuning (1).webm", "D4", "out", "out"),
    ("Breakwater/Milo bass tuning FINAL.mov", "G2", "out", "close"),
    ("Lantern/sk-104_tuning.mkv", "G3", "close", "close"),
)
JUDGED_AT = "2026-03-07T09:30:00+00:00"

DEMO_ASSIGNMENT = """\
# The week's task. Every other setting keeps its default (config/assignment.default.yaml).
title: "Week 3: all four strings"
class_name: Skerry Bay School Strings
due: 2026-03-06 18:00 +00:00
teacher: "Ms. Tarn"
stills: true
comments: ["Clear and complete.", "Show me the bridge from both sides.", "Speak a little louder."]
"""


def _check(strings: Sequence[str]) -> tuple[Event, ...]:
    return tuple(Bow(s, 2.0 + 0.2 * i, i % 2) for i, s in enumerate(strings))


CLASS = (
    Recording(
        student_id="sk-101",
        file="Lantern/Marrow, Tilda - 2026-03-05 16.42 - tuning.mp4",
        kind="mp4",
        instrument="violin",
        start_cents={"E5": -22, "A4": -38, "D4": 17, "G3": -31},
        events=(
            Say("Hello. My bridge stands straight. Here is my tuning."),
            Tune("A4", (-15, 4, 0.4), gap_s=0.75),
            Rest(0.5),
            Tune("D4", (5, -0.8), gap_s=0.7),
            Rest(0.3),
            Tune("G3", (-12, 1.0), gap_s=0.8),
            Rest(0.4),
            Tune("E5", (-8, 0.6), gap_s=0.6, speed=30),
            Rest(0.5),
            *_check(("E5", "A4", "D4", "G3")),
            Say("I tuned every day, right after breakfast. The bridge is still straight."),
        ),
        wrong="nothing",
        seed=101,
        voice=0,
        picture=(240, 180),
        snr_db=33,
    ),
    Recording(
        student_id="sk-102",
        file="Lantern/zoe safranek tuning (1).webm",
        kind="webm",
        instrument="violin",
        start_cents={"E5": 14, "A4": -52, "D4": -60, "G3": -20},
        events=(
            Say("Hi, this is Zoe. I checked my bridge."),
            Tune("A4", (-20, -1.0), gap_s=0.8),
            Rest(0.6),
            Tune("D4", (-40, -25), gap_s=0.85),
            Rest(0.4),
            Tune("G3", (-8, 1.2), gap_s=0.8),
            Rest(0.4),
            Tune("E5", (6, 1.0), gap_s=0.7, speed=30),
            *_check(("E5", "A4", "D4", "G3")),
            Say("I tuned on Monday and on Thursday. The E string is the hardest for me."),
        ),
        wrong="D4 is left 25 cents flat",
        seed=102,
        voice=1,
        bit_rate=48000,
        picture=(240, 180),
        snr_db=30,
    ),
    Recording(
        student_id="sk-103",
        file="Breakwater/Milo bass tuning FINAL.mov",
        kind="mov",
        instrument="double bass",
        start_cents={"G2": -30, "D2": -45, "A1": 35, "E1": -60},
        events=(
            Say("Hi, it's Milo with the bass."),
            Tune("E1", (-25, 1.5), gap_s=1.1),
            Rest(0.8),
            Tune("A1", (12, 0.5), gap_s=1.0),
            Rest(0.8),
            Tune("D2", (-18, -1.0), gap_s=1.0),
            Rest(0.8),
            Tune("G2", (-6, 10.5), gap_s=1.0),
            Rest(0.8),
            *_check(("G2", "D2", "A1", "E1")),
            Say("I tuned on four days. The bass was warm from the window."),
        ),
        wrong="begins with E1 instead of A1; G2 is left 10.5 cents sharp",
        seed=103,
        voice=2,
        rate_hz=44100,
        bit_rate=80000,
        stereo=True,
        picture=(320, 180),
        snr_db=32,
    ),
    Recording(
        student_id="sk-104",
        file="Lantern/sk-104_tuning.mkv",
        kind="mkv",
        instrument="viola",
        start_cents={"A4": -34, "D4": -185, "G3": -150, "C3": 26},
        events=(
            Say("Good afternoon. I am Ifeoma and I play the viola."),
            Tune("A4", (-12, 0.8), gap_s=0.8),
            Rest(0.5),
            Bow("D4", 1.5),
            Tune("D4", (-1.2,), by="silent", gap_s=0.9, speed=150),
            Rest(0.5),
            Bow("G3", 1.5),
            Tune("G3", (5.2,), by="silent", gap_s=0.9, speed=150),
            Rest(0.5),
            Tune("C3", (8, 1.0), gap_s=0.9),
            *_check(("A4", "D4", "G3", "C3")),
            Say("The D and the G were very low, because the room was cold."),
        ),
        wrong="D4 and G3 are turned unheard, 184 and 155 cents at once; G3 is left 5.2 cents sharp",
        seed=104,
        voice=5,
        bit_rate=56000,
        picture=(240, 180),
        snr_db=29,
        hum_hz=50.0,
    ),
    Recording(
        student_id="sk-105",
        file="Breakwater/Jonas Tidewell cello week3.m4a",
        kind="m4a",
        instrument="cello",
        start_cents={"A3": -25, "D3": -18, "G2": -48, "C2": 15},
        events=(
            Say("Hello, Jonas here. My G peg does not hold."),
            Tune("A3", (-8, 0.6), gap_s=0.85),
            Rest(0.6),
            Tune("D3", (-1.0,), gap_s=0.85, speed=25),
            Rest(0.6),
            Tune("G2", (-20, 1.0), gap_s=0.9),
            Slip("G2", -42, 0.5),
            Rest(0.4),
            Tune("G2", (-18, 0.5), gap_s=0.9),
            Rest(0.5),
            Tune("C2", (1.5,), gap_s=1.0, speed=20),
            Rest(0.4),
            Slip("G2", -26, 0.5),
            Rest(0.4),
            *_check(("A3", "D3", "G2", "C2")),
            Say("I tuned on five days, but the G keeps going down."),
        ),
        wrong="the G2 peg slips twice, by 42 and by 26 cents; G2 is left 25.5 cents flat",
        seed=105,
        voice=3,
        rate_hz=44100,
        snr_db=31,
    ),
    Recording(
        student_id="sk-106",
        file="Breakwater/tuning-Fenwright-Amara.ogg",
        kind="ogg",
        instrument="violin",
        start_cents={"E5": -24, "A4": 20, "D4": -35, "G3": 28},
        events=(
            Say("Hello, this is Amara."),
            Tune("A4", (7, -0.5), gap_s=0.75),
            Rest(0.4),
            Say("Now the D string, it was lower than yesterday, so I turn it up a bit.", over=True),
            Tune("D4", (-14, 0.9), gap_s=0.8),
            Rest(0.5),
            Say("And this is my G, which is too high, because my brother played on it.", over=True),
            Tune("G3", (10, -1.1), gap_s=0.8),
            Rest(0.5),
            Tune("E5", (-10, 5.4), gap_s=0.7, speed=30),
            Bow("E5", 2.2),
            Bow("A4", 2.2, 1),
            Say("I think that this one sounds good.", over=True),
            Bow("D4", 3.2),
            Bow("G3", 2.4, 1),
            Say("I tuned on three days. My bridge was straight."),
        ),
        wrong="speaks while tuning D4 and G3 and while bowing D4; E5 is left 5.4 cents sharp",
        seed=106,
        voice=4,
        bit_rate=56000,
        snr_db=30,
    ),
    Recording(
        student_id="sk-107",
        file="Lantern/Pellow_Otto_my tuning.mp4",
        kind="mp4",
        instrument="cello",
        start_cents={"A3": -20, "D3": 10, "G2": -15, "C2": 12},
        events=(
            Say("Hello, this is Otto."),
            Tune("A3", (-1,), speed=20),
            Tune("D3", (1,), speed=20),
            Tune("G2", (0,), speed=20),
            Tune("C2", (2,), speed=20),
            *_check(("A3", "D3", "G2", "C2")),
            Say("That was all."),
        ),
        wrong="the upload broke off: the file cannot be read",
        seed=107,
        voice=3,
        picture=(240, 180),
        keep=0.6,
    ),
    Recording(
        student_id=None,
        file="VID_20260304_171233.3gp",
        kind="3gp",
        instrument="violin",
        start_cents={"E5": 8, "A4": -30, "D4": 12, "G3": -16},
        events=(
            Say("Testing, testing. Is it on? I think the red light means that it is on."),
            Tune("A4", (-10, 2), gap_s=0.8),
            Rest(0.5),
            Tune("D4", (2,), gap_s=0.8, speed=25),
            Rest(0.5),
            Tune("G3", (1,), gap_s=0.8, speed=25),
            Rest(0.5),
            *_check(("E5", "A4", "D4", "G3")),
            Say("Fine, now I can do it again properly."),
        ),
        wrong="nobody in the roster is named",
        seed=108,
        voice=5,
        rate_hz=8000,
        bit_rate=12200,
        picture=(176, 144),
        snr_db=26,
    ),
    Recording(
        student_id="sk-109",
        file="Breakwater/wren_castellow_viola.mp4",
        kind="mp4",
        instrument="viola",
        start_cents={"A4": -31, "D4": -26, "G3": 19, "C3": -28},
        events=(
            Say("Hi, I am Wren. My bridge is straight."),
            Tune("A4", (-10, 0.8), gap_s=0.8),
            Rest(0.4),
            Tune("D4", (-9, 1.0), gap_s=0.8),
            Rest(0.4),
            Tune("G3", (6, -0.9), gap_s=0.8),
            Rest(0.4),
            *_check(("A4", "D4", "G3")),
            Say("My C string was fine, so I left it alone. I tuned on two days."),
        ),
        wrong="C3 is never played: only an ear can say so",
        seed=109,
        voice=1,
        bit_rate=48000,
        picture=(240, 180),
        snr_db=28,
    ),
)


def make_demo(class_dir: Path, truth_path: Path) -> None:
    """Write the class folder and its truth."""
    instruments = load_instruments(ROOT / "config" / "instruments.yaml")
    write_text(class_dir / "roster.csv", _csv(DEMO_ROSTER))
    write_text(class_dir / "marks.csv", _csv(DEMO_MARKS))
    write_text(class_dir / "assignment.yaml", DEMO_ASSIGNMENT)
    truth: dict[str, Any] = {}
    takes: dict[str, tuple[str, str]] = {}
    for recording in CLASS:
        content, heard = record(recording, instruments[recording.instrument])
        write_bytes(class_dir / "submissions" / recording.file, content)
        truth[recording.file] = heard
        kind = recording.instrument.replace(" ", "_")
        take = f"{hashlib.sha256(content).hexdigest()[:TAKE_DIGITS]}-{kind}"
        takes[recording.file] = (recording.student_id or "", take)
        print(f"{recording.file}: {heard['duration_s']:.1f} s, {len(content) / 1e6:.2f} MB")
    header = ("student_id", "take", "string", "heard", "measured", "saved_at")
    rows = [(*takes[file], *judged, JUDGED_AT) for file, *judged in BLIND]
    write_text(class_dir / "blind.csv", _csv((header, *rows)))
    weeks = {week.folder: make_week(class_dir / "weeks", week) for week in WEEKS}
    found = {"recordings": truth, "missing": ["sk-108"], "weeks": weeks}
    write_json(truth_path, rounded(found, 3))


def make_week(folder: Path, week: Week) -> dict[str, Any]:
    """Write the class folder of a week; returns the truth of its recordings."""
    instruments = load_instruments(ROOT / "config" / "instruments.yaml")
    class_dir = folder / week.folder
    write_text(class_dir / "roster.csv", _csv(WEEKS_ROSTER))
    write_text(class_dir / "assignment.yaml", week.assignment)
    truth = {}
    for one in week.recordings:
        content, truth[one.file] = record(one, instruments[one.instrument])
        write_bytes(class_dir / "submissions" / one.file, content)
        print(f"{week.folder}/{one.file}: {len(content) / 1e6:.2f} MB")
    return truth


def _csv(rows: Sequence[Sequence[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue()


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the demo class and its truth.")
    parser.add_argument("--weeks", action="store_true", help="make only the three weeks anew")
    parser.add_argument("--class-dir", type=Path, default=ROOT / "demo_inputs")
    parser.add_argument("--truth", type=Path, default=ROOT / "tests" / "data" / "demo_truth.json")
    options = parser.parse_args()
    if options.weeks:
        truth = read_json(options.truth)
        weeks = {week.folder: make_week(options.class_dir / "weeks", week) for week in WEEKS}
        write_json(options.truth, rounded({**truth, "weeks": weeks}, 3))
    else:
        make_demo(options.class_dir, options.truth)


if __name__ == "__main__":
    main()
