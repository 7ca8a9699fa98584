"""Whatever a class hands in: each broken file is told by a code, a sentence and what to do.

One class folder holds the whole matrix, one student a case; it is taken in and decoded once, by
the stage's own script. A smaller one goes through the whole workflow. Files that change under our
hands, and files that may not be read, have folders of their own.
"""

from __future__ import annotations

import csv
import ctypes
import faulthandler
import functools
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import resample_poly

import decode
import pegmark.decode
from lab.bench import CONFIG
from lab.speech import say
from lab.takes import Bow, Player, Room, Tune, assemble
from pegmark.receive import take_in
from pegmark.trade.instruments import load_instruments
from soundfiles import encode, sparse_wav, tone

ROOT = Path(__file__).resolve().parents[1]
HANG_S = 300  # for a whole run: nothing here takes half of it
HZ = 44100
ROSTER = "student_id,family_name,given_name,instrument,section,email\n"
MARKS = (
    "student_id,criterion,points,comment\nsk-201,bridge,1,\nsk-201,answers,2,\nsk-201,daily,1,\n"
)
FRONT = {"movflags": "faststart"}  # the table of contents before the sound, as for the web
LOCKED = {
    "encryption_scheme": "cenc-aes-ctr",
    "encryption_key": "76a6c65c5ea762046bd749a2e632ccbb",
    "encryption_kid": "a7e61c373e219033c21091fa607bf3b8",
}
RUN_DECODE = """
import sys
sys.path.insert(0, sys.argv[1])
import decode
for take in sys.argv[2:]:
    sys.argv = ["decode.py", "--ticket", f"results/tickets/decode/{take}.json",
                "--audio", f"results/decoded/{take}.npy", "--facts", f"results/decoded/{take}.json"]
    decode.main()
"""


@dataclass(frozen=True)
class Case:
    """One broken (or merely odd) file: how it is named and made, and what is said of it.

    make : gives the file's bytes
    place : makes the file itself, where bytes are not enough
    code : of the one problem; None where nothing is wrong
    words : part of the message
    received : whether it counts as handed in (else its student has handed in nothing)
    """

    name: str
    make: Callable[[], bytes] = bytes
    place: Callable[[Path], object] | None = None
    code: str | None = None
    words: str = ""
    status: str = "unreadable"
    received: bool = True


def write_class(folder: Path, students: dict[str, Case]) -> Path:
    """A class with one case a student; `{id}` in a name stands for the student's."""
    class_dir = folder / "class"
    (class_dir / "submissions").mkdir(parents=True)
    rows = [f"{who},Family{who},Given{who},violin,A,\n" for who in students]
    (class_dir / "roster.csv").write_text(ROSTER + "".join(rows), encoding="utf-8")
    for who, case in students.items():
        path = class_dir / "submissions" / case.name.replace("{id}", who)
        if case.place:
            case.place(path)
        else:
            path.write_bytes(case.make())
    return class_dir


def run_decode(class_dir: Path, takes: list[str]) -> None:
    """The decode stage on some takes, in a process without the test runner's memory."""
    command = [sys.executable, "-c", RUN_DECODE, str(ROOT / "scripts"), *takes]
    subprocess.run(command, cwd=class_dir, check=True, timeout=HANG_S)


def facts_of(class_dir: Path, take: str) -> dict:
    return json.loads((class_dir / "results/decoded" / f"{take}.json").read_text("utf-8"))


def check_told(problem: dict, code: str, words: str = "") -> None:
    """A problem that a teacher can act on: its code, a whole sentence, and what to do."""
    assert problem["code"] == code
    assert words in problem["message"]
    for text in (problem["message"], problem["action"]):
        assert text.endswith(".")
        assert len(text.split()) >= 3
        assert not any(word in text for word in ("Error", "Traceback", "None", "<", "{"))


# -- the matrix -----------------------------------------------------------------------------------


def sound(hz: float = 440.0, seconds: float = 2.0, rate_hz: int = HZ):
    return tone(hz, seconds, rate_hz)


def mp4(hz: float, seconds: float = 2.0, **more) -> bytes:
    return encode(sound(hz, seconds), HZ, "mp4", "aac", **more)


def wav(hz: float, seconds: float = 2.0, rate_hz: int = HZ) -> bytes:
    return encode(sound(hz, seconds, rate_hz), rate_hz, "wav", "pcm_s24le")


def cut(content: bytes, share: float) -> bytes:
    return content[: int(len(content) * share)]


def silence() -> bytes:
    return encode(np.zeros(3 * HZ, np.float32), HZ, "mp4", "aac")


def surround() -> bytes:
    return encode(np.repeat(sound(451)[:, None], 6, 1), HZ, "mp4", "aac", "5.1")


def film_without_sound() -> bytes:
    """A film whose one sound track is marked as something else (track type 1: video, 2: audio)."""
    luma = np.full((20, 64, 64), 90, np.uint8)
    whole = encode(sound(), HZ, "matroska", "aac", picture=luma)
    audio = b"\x83\x81\x02"  # TrackType, one byte, audio (RFC 9559, 5.1.4.1.3)
    assert whole.count(audio) == 1
    return whole.replace(audio, b"\x83\x81\x11")  # subtitles


def unknown_codec() -> bytes:
    content = encode(sound(), HZ, "matroska", "pcm_s16le")
    assert content.count(b"A_PCM/INT/LIT") == 1
    return content.replace(b"A_PCM/INT/LIT", b"A_UNHEARD/OF!")


ODD_NAMES = {
    "a name with spaces": "{id}  my   tuning .m4a",
    "a name with quotes": "{id} 'my' \"tuning\".m4a",
    "a name with newlines": "{id} my\ntuning\r.m4a",
    "a name with emoji": "{id} 🎻 tuning 🎶.m4a",
    "a name of 200 characters": "{id} " + "very " * 38 + ".m4a",
    "a name from right to left": "{id} \u202eתוכנות כיוון.m4a",
}
CASES = {
    "zero bytes": Case("{id}.mp4", bytes, code="empty_file", words="empty"),
    "no table of contents": Case(
        "{id}.mp4",
        lambda: cut(mp4(440, 20), 0.6),
        code="cut_recording",
        words="table of contents",
    ),
    "truncated data": Case(
        "{id}.mp4",
        lambda: cut(mp4(440, 20, options=FRONT), 0.6),
        code="cut_recording",
        words="The file says 20 s but only 1",
        status="ok",
    ),
    "text renamed": Case(
        "{id}.mp4",
        lambda: b"My camera is broken, sorry! I will send it tomorrow.\n",
        code="not_a_recording",
        words="The file is text",
    ),
    "page saved": Case(
        "{id}.mov",
        lambda: b"<!DOCTYPE html><html><title>Please sign in</title></html>",
        code="not_a_recording",
        words="The file is a web page",
    ),
    "video without audio": Case(
        "{id}.mkv", film_without_sound, code="no_audio", words="pictures but no sound"
    ),
    "silence": Case("{id}.mp4", silence, code="silent", words="nothing but silence"),
    "0.3 s": Case("{id}.wav", lambda: wav(440, 0.3), code="too_short", words="only 0.3 s"),
    "25 minutes": Case(
        "{id}.wav",
        place=lambda path: sparse_wav(path, 1500, 8000, 1),
        code="too_long",
        words="longer than 20 minutes",
        status="ok",
    ),
    "8 kHz": Case("{id}.wav", lambda: wav(441, rate_hz=8000), status="ok"),
    "96 kHz": Case("{id}.wav", lambda: wav(442, rate_hz=96000), status="ok"),
    "5.1 channels": Case("{id}.mp4", surround, status="ok"),
    "wrong extension": Case("{id}.wav", lambda: encode(sound(452), HZ, "mp3", "mp3"), status="ok"),
    "no extension": Case("{id}", lambda: encode(sound(453), HZ, "adts", "aac"), status="ok"),
    "DRM": Case("{id}.m4a", lambda: mp4(440, options=LOCKED), code="locked", words="protected"),
    "unknown codec": Case("{id}.mkv", unknown_codec, code="unknown_codec", words="kind"),
    "a link out of the folder": Case(
        "{id}.mp4",
        place=lambda path: path.symlink_to("/etc/hostname"),
        code="link",
        received=False,
    ),
    "a named pipe": Case(
        "{id}.mp4", place=os.mkfifo, code="special_file", words="pipe", received=False
    ),
    **{
        what: Case(name, lambda i=i: mp4(460 + i), status="ok")
        for i, (what, name) in enumerate(ODD_NAMES.items())
    },
}
WHOSE = {f"sk-1{number:02d}": what for number, what in enumerate(CASES, 1)}


@dataclass
class Matrix:
    """The class of all cases, taken in and decoded: by case, its takes, facts and intake rows."""

    takes: dict[str, list[str]]
    facts: dict[str, dict]
    rows: dict[str, list[dict]]


@pytest.fixture(scope="module")
def matrix(tmp_path_factory):
    folder = tmp_path_factory.mktemp("broken")
    class_dir = write_class(folder, {who: CASES[what] for who, what in WHOSE.items()})
    intake = take_in(class_dir, CONFIG)
    run_decode(class_dir, intake.takes)
    takes = {WHOSE[one["student_id"]]: one["takes"] for one in intake.students}
    return Matrix(
        takes,
        {what: facts_of(class_dir, mine[0]) for what, mine in takes.items() if mine},
        {
            what: [row for row in intake.attention if row["file"].startswith(who)]
            for who, what in WHOSE.items()
        },
    )


@pytest.mark.parametrize("what", CASES)
def test_broken_input(matrix, what):
    case = CASES[what]
    if not case.received:
        assert matrix.takes[what] == []
        (row,) = matrix.rows[what]
        check_told(row, case.code, case.words)
        return
    assert len(matrix.takes[what]) == 1
    facts = matrix.facts[what]
    assert facts["status"] == case.status
    assert [one["code"] for one in facts["problems"]] == ([case.code] if case.code else [])
    for problem in facts["problems"]:
        check_told(problem, case.code, case.words)
    assert (facts["samples"] > 0) == (case.status == "ok")


def test_no_file_of_the_matrix_is_lost_or_taken_for_another(matrix):
    assert set(matrix.takes) == set(CASES)
    decoded = [what for what, case in CASES.items() if case.received]
    assert list(matrix.facts) == decoded
    assert len({matrix.takes[what][0] for what in decoded}) == len(decoded)


# -- files that change under our hands ------------------------------------------------------------


@pytest.fixture
def pair(tmp_path):
    """A class of two: (folder, the recording of the first, the takes of both)."""
    cases = {
        "sk-301": Case("{id}.mp4", lambda: mp4(440)),
        "sk-302": Case("{id}.mp4", lambda: mp4(441)),
    }
    class_dir = write_class(tmp_path, cases)
    return class_dir, class_dir / "submissions" / "sk-301.mp4", take_in(class_dir, CONFIG).takes


def become_link(path: Path) -> None:
    secret = path.rename(path.parents[2] / "secret.mp4")
    path.symlink_to(secret)


def become_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def become_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def grow(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"more")


@pytest.mark.parametrize("change", [become_link, become_pipe, become_folder, grow, Path.unlink])
def test_a_recording_that_became_something_else_after_the_intake(pair, change):
    class_dir, path, (mine, other) = pair
    change(path)
    run_decode(class_dir, [mine, other])
    (told,) = facts_of(class_dir, mine)["problems"]
    check_told(told, "file_changed", "changed or taken away")
    assert facts_of(class_dir, other)["status"] == "ok"
    again = take_in(class_dir, CONFIG, go_on=True)  # one of two is more than a quarter
    assert mine not in again.takes
    run_decode(class_dir, again.takes)  # what it is now, if it is a recording
    assert {facts_of(class_dir, take)["status"] for take in again.takes} == {"ok"}
    assert len(again.takes) == (2 if change is grow else 1)


def decode_here(class_dir: Path, path: Path, take: str) -> dict:
    """The stage's work in this process; the facts it wrote."""
    target = class_dir / "results" / "decoded"
    ticket = json.loads((class_dir / f"results/tickets/decode/{take}.json").read_text("utf-8"))
    decode.decode(ticket, path, target / f"{take}.npy", target / f"{take}.json")
    return facts_of(class_dir, take)


def test_a_recording_that_changes_while_it_is_decoded(pair, monkeypatch):
    """It is still being copied: its last bytes come while the first are decoded."""
    class_dir, path, (mine, _) = pair
    whole, undisturbed = path.read_bytes(), pegmark.decode.decode_recording

    def disturbed(source, max_s):
        found = undisturbed(source, max_s)
        grow(path)
        return found

    monkeypatch.setattr(pegmark.decode, "decode_recording", disturbed)
    facts = decode_here(class_dir, path, mine)
    assert (facts["status"], facts["samples"]) == ("unreadable", 0)
    check_told(facts["problems"][0], "file_changed", "not what it was when the run began")
    path.write_bytes(whole)  # at rest, and again what it was: the result of before is not kept
    assert mine in take_in(class_dir, CONFIG).takes
    assert not (class_dir / "results/decoded" / f"{mine}.json").exists()


@pytest.fixture
def nobody():
    """The rights of an ordinary account for this process: root may read everything.

    It stays root, and its files its own, but without the two capabilities that overrule a file's
    permissions (man 7 capabilities): another account might not reach the project's own folder.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)  # version 3, this process
    rights = (ctypes.c_uint32 * 6)()  # effective, permitted, inheritable; twice 32 of each
    assert libc.capget(header, rights) == 0
    before = rights[0]
    rights[0] &= ~(1 << 1 | 1 << 2)  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH
    assert libc.capset(header, rights) == 0
    yield
    rights[0] = before
    assert libc.capset(header, rights) == 0


def test_an_unreadable_permission(nobody):
    cases = {
        "sk-301": Case("{id}.mp4", lambda: mp4(440)),
        "sk-302": Case("{id}.mp4", lambda: mp4(441)),
    }
    with tempfile.TemporaryDirectory() as folder:
        class_dir = write_class(Path(folder), cases)
        (class_dir / "submissions" / "sk-301.mp4").chmod(0)
        intake = take_in(class_dir, CONFIG)
    assert [one["state"] for one in intake.students] == ["missing", "received"]
    (row,) = [row for row in intake.attention if row["file"] == "sk-301.mp4"]
    check_told(row, "no_permission", "no permission to read it")


def test_a_permission_that_goes_while_the_class_is_graded(nobody):
    with tempfile.TemporaryDirectory() as folder:
        class_dir = write_class(Path(folder), {"sk-301": Case("{id}.mp4", lambda: mp4(440))})
        (take,) = take_in(class_dir, CONFIG).takes
        path = class_dir / "submissions" / "sk-301.mp4"
        path.chmod(0)
        (told,) = decode_here(class_dir, path, take)["problems"]
    check_told(told, "file_changed", "Permission denied")


# -- a decoder that does not come back ------------------------------------------------------------


@pytest.mark.parametrize(
    ("work", "words"),
    [(lambda *_: time.sleep(HANG_S), "took too long"), (lambda *_: os.abort(), "crashed")],
    ids=["hang", "crash"],
)
def test_a_decoder_that_hangs_or_crashes_is_a_result(tmp_path, monkeypatch, work, words):
    def quietly(*arguments):
        faulthandler.disable()  # the test runner's, which would fill the output
        work(*arguments)

    monkeypatch.setattr(decode, "decode", quietly)
    monkeypatch.setattr(decode, "MEMORY_BYTES", 1 << 40)  # the test runner itself is larger
    audio, facts = tmp_path / "t.npy", tmp_path / "t.json"
    decode.decode_guarded({"take": "t"}, tmp_path / "x.mp4", audio, facts, seconds=1.0)
    record = json.loads(facts.read_text(encoding="utf-8"))
    assert (record["status"], len(np.load(audio))) == ("unreadable", 0)
    check_told(record["problems"][0], "decoder_stopped", words)


# -- the whole way --------------------------------------------------------------------------------


@functools.cache
def good_take() -> np.ndarray:
    """A violin well tuned, all strings, A first."""
    violin = load_instruments(CONFIG / "instruments.yaml")["violin"]
    order = ("A4", "D4", "G3", "E5")
    events = [*(Tune(string, (0.0,)) for string in order), *(Bow(string) for string in order)]
    start = dict.fromkeys(order, -25.0)
    return assemble(violin, start, events, player=Player(seed=3), room=Room(snr_db=35.0))[0]


def good_wav() -> bytes:
    return encode(good_take(), 16000, "wav", "pcm_s16le")


def cut_off() -> bytes:
    return cut(encode(good_take(), 16000, "mp4", "aac", options=FRONT), 0.6)


def coded_anew() -> bytes:
    """The good take cut at its start, softer, and in another container."""
    audio = 0.5 * good_take()[round(1.7 * 16000) :]
    return encode(resample_poly(audio, 3, 1).astype(np.float32), 48000, "mp3", "mp3")


def speech() -> bytes:
    text = "Hello, this is my tuning video. I forgot my violin today, so I only talk. Sorry!"
    return encode(say(text, HZ), HZ, "ipod", "aac")


WHOLE = {
    "sk-201": Case(
        "{id} 'my' \"tuning\"\n🎻 \u202e$(touch x) {{0}}.wav", good_wav, status="graded"
    ),
    "sk-202": Case("{id}.mp4", bytes, code="empty_file"),
    "sk-203": Case("{id}.mov", lambda: b"<html>Please sign in</html>", code="not_a_recording"),
    "sk-204": Case("{id}.mp4", silence, code="silent"),
    "sk-205": Case("{id}.m4a", speech, code="string_not_heard", status="needs_listening"),
    "sk-206": Case("{id}.mp4", cut_off, code="cut_recording", status="needs_listening"),
    "sk-207": Case(
        "{id}.mp4",
        place=lambda path: path.symlink_to("/etc/hostname"),
        code="link",
        status="missing",
    ),
    "sk-208": Case("{id}.wav", place=os.mkfifo, code="special_file", status="missing"),
    "sk-209": Case("{id}.mp3", coded_anew, status="graded"),
}


@pytest.fixture(scope="module")
def graded(tmp_path_factory):
    """The results folder of the broken class, after a run of the whole workflow."""
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is not installed (tests/apt-packages.txt)")
    class_dir = write_class(tmp_path_factory.mktemp("whole"), WHOLE)
    (class_dir / "marks.csv").write_text(MARKS, encoding="utf-8")
    profile = ROOT / "workflow" / "profiles" / "default"
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(ROOT / "Snakefile")]
    command += ["--workflow-profile", str(profile), "--config", f"class_dir={class_dir}"]
    run = subprocess.run(command, capture_output=True, text=True, timeout=HANG_S, cwd=class_dir)
    assert run.returncode == 0, run.stdout + run.stderr
    return class_dir / "results"


def rows_of(path: Path) -> list[dict[str, str]]:
    with open(path, newline="", encoding="utf-8-sig") as stream:
        return list(csv.DictReader(stream))


def record_of(results: Path, who: str) -> dict:
    return json.loads((results / "records" / f"{who}.json").read_text(encoding="utf-8"))


def test_every_student_of_a_broken_class_has_a_record_and_a_sheet(graded):
    states = {who: record_of(graded, who)["status"] for who in WHOLE}
    assert states == {who: case.status for who, case in WHOLE.items()}
    assert sorted(path.stem for path in (graded / "sheets").iterdir()) == sorted(WHOLE)
    assert [row["student_id"] for row in rows_of(graded / "gradebook.csv")] == sorted(WHOLE)
    assert (graded / "dashboard.html").is_file()


@pytest.mark.parametrize("who", [who for who, case in WHOLE.items() if case.code])
def test_what_is_broken_stands_on_the_attention_list(graded, who):
    mine = [
        row
        for row in rows_of(graded / "attention.csv")
        if row["student_id"] == who or row["file"].startswith(who)
    ]
    told = [row for row in mine if row["code"] == WHOLE[who].code]
    assert told, mine
    check_told(told[0], WHOLE[who].code)


def test_the_good_take_among_them_is_graded(graded):
    record = record_of(graded, "sk-201")
    assert {string["verdict"] for string in record["strings"].values()} == {"in_tune"}
    assert record["score"]["open"] == 0
    assert record["submission"]["file"] == WHOLE["sk-201"].name.replace("{id}", "sk-201")
    assert not list(graded.parent.rglob("x"))  # nothing in a file's name was ever run


def test_the_same_recording_coded_anew_is_asked_about_once_with_every_name(graded):
    """Also the one that is cut off is the good take."""
    (row,) = [r for r in rows_of(graded / "attention.csv") if r["code"] == "same_recording"]
    assert all(f"Given{who} Family{who} (" in row["message"] for who in ("sk-201", "sk-206"))
    assert "Givensk-209 Familysk-209 (sk-209.mp3): they sound alike." in row["message"]
    assert row["action"].startswith("Was one filed under the wrong name?")
    page = (graded / "dashboard.html").read_text(encoding="utf-8")
    assert page.count("The same recording may have come in for") == 1
    assert "same recording" not in json.dumps(record_of(graded, "sk-209"))  # nor on a sheet
