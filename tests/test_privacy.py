"""What is kept of children: by whom it can be read, what never gets in, and how it goes again."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
from datetime import date
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

import running
from lab import smallclass
from lab.smallclass import everything_in, grade, read_record, run
from pegmark.decode import decode_recording
from pegmark.files.isolation import leave_network
from pegmark.receive.handed import Intake
from pegmark.records.faults import run_in_child

PLACE, DEVICE = "+48.8577+002.2950/", "Anphone 12 of Ada"


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    return smallclass.copy_project(tmp_path_factory.mktemp("privacy") / "project")


@pytest.fixture(scope="module")
def graded(project, tmp_path_factory):
    class_dir = smallclass.make_class(tmp_path_factory.mktemp("privacy") / "class")
    wav = class_dir / "submissions" / "cole_ben.wav"
    film(wav, wav.with_suffix(".mp4"))
    wav.unlink()
    (class_dir / "matches.csv").write_text("file,student_id\ncole_ben.mp4,m2\n")
    (class_dir / "sent.csv").write_text(f"student_id,sheet_sha256,sent_at\nm2,{64 * 'a'},x\n")
    (class_dir / "sent.log").write_text("2026-03-07T10:00:00 m2: Week 1 -> ben@example.org: sent\n")
    with open(class_dir / "marks.csv", "a", encoding="utf-8") as marks:
        marks.write("m2,bridge,1,Ben said so\n")
    grade(project, class_dir)
    return class_dir


@pytest.fixture
def mine(graded, tmp_path):
    return smallclass.copy_class(graded, tmp_path / "class")


def film(sound: Path, target: Path) -> None:
    """The sound in an .mp4 that says where it was made, and with what."""
    with av.open(str(sound)) as source, av.open(str(target), "w") as out:
        out.metadata.update({"location": PLACE, "comment": DEVICE, "artist": DEVICE})
        stream = out.add_stream("aac", rate=source.streams.audio[0].rate)
        stream.time_base = Fraction(1, stream.rate)
        for frame in source.decode(audio=0):
            frame.pts = None
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)


def holds(folder: Path, *words: str) -> list[str]:
    """Files below a folder whose name or content has one of the words."""
    return [
        path.relative_to(folder).as_posix()
        for path in sorted(folder.rglob("*"))
        for word in words
        if word in path.relative_to(folder).as_posix()
        or (path.is_file() and word.encode() in path.read_bytes())
    ]


def test_place_and_device_never_reach_the_results(graded):
    content = (graded / "submissions" / "cole_ben.mp4").read_bytes()
    assert PLACE.encode() in content or DEVICE.encode() in content
    with av.open(str(graded / "submissions" / "cole_ben.mp4")) as container:
        assert DEVICE in container.metadata.values()
    assert read_record(graded, "m2")["status"] != "unreadable"
    assert holds(graded / "results", PLACE, DEVICE) == []
    with open(graded / "submissions" / "cole_ben.mp4", "rb") as stream:
        _, facts = decode_recording(stream, 20)
    assert DEVICE not in json.dumps(facts)


def test_results_are_their_owners_alone(graded, project, mine):
    assert (graded / "results").stat().st_mode & 0o777 == 0o700
    (mine / "results").chmod(0o755)  # as an earlier program left them
    grade(project, mine)
    assert (mine / "results").stat().st_mode & 0o777 == 0o700


def forget(project, class_dir, *more, code=0):
    command = [sys.executable, str(project / "scripts" / "forget.py"), str(class_dir), *more]
    return run(command, code)


def test_a_student_is_forgotten_and_the_class_graded_again(project, mine):
    take = read_record(mine, "m2")["submission"]["take"]
    mine.joinpath("results/sheets/m2 (edited by hand).pdf").write_bytes(b"a copy")
    said = forget(project, mine, "m2")
    assert "Removed: submissions/cole_ben.mp4" in said
    assert "Removed: results/sheets/m2.pdf" in said
    assert "Removed from marks.csv: 1 line" in said
    assert "Removed from roster.csv: 1 line" in said
    assert "Not reached: backups and copies elsewhere, the folders of other weeks" in said
    assert holds(mine, take, "cole_ben", "Ben said so", "Ben ", "Ben,", "ben@example.org") == []
    assert read_record(mine, "m1")["status"] != "missing"
    for page in ("gradebook.csv", "attention.csv"):
        assert "m2" not in (mine / "results" / page).read_text(encoding="utf-8")
    assert "m1,bridge,1" in (mine / "marks.csv").read_text(encoding="utf-8")


def test_nobody_is_forgotten_by_a_slip(project, mine):
    before = everything_in(mine)
    assert "There is no student m9" in forget(project, mine, "m9", code=2)
    forget(project, mine, code=2)
    forget(project, mine, "m1", "--audio", code=2)
    assert everything_in(mine) == before


def test_the_sound_goes_and_the_points_stay(project, mine):
    kept = {path: path.read_bytes() for path in (mine / "results" / "sheets").iterdir()}
    said = forget(project, mine, "--before", "2001-01-01")
    assert "There was nothing to remove." in said
    said = forget(project, mine, "--audio")
    assert "Removed: submissions/cole_ben.mp4" in said
    assert list((mine / "submissions").rglob("*.*")) == []
    assert list((mine / "results").rglob("*.npy")) == []
    assert list((mine / "results" / "clips").rglob("*.mp3")) == []
    assert list((mine / "results" / "work" / "clips").rglob("*.mp3")) == []
    assert {path: path.read_bytes() for path in kept} == kept
    assert "submissions holds nothing" in grade(project, mine, 2)  # no run makes all of it missing


def test_retention_is_told_when_it_is_due():
    intake = Intake(Path("class"), "", keep_until="2026-07-31")
    assert running.retention_lines(intake, date(2026, 7, 30)) == []
    (line,) = running.retention_lines(intake, date(2026, 7, 31))
    assert "forget.py class --audio" in line
    assert running.retention_lines(Intake(Path("class"), ""), date(2036, 1, 1)) == []


def test_decoders_have_no_network(tmp_path):
    """In the child that decodes, not even the loopback answers."""
    if subprocess.run(["unshare", "--user", "--net", "true"], capture_output=True).returncode:
        pytest.skip("this system offers no network namespaces")
    outcome = tmp_path / "outcome"
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = server.getsockname()

        def work():
            left = leave_network()
            try:
                socket.create_connection(address, 1)
                outcome.write_text(f"{left} reached")
            except OSError as error:
                outcome.write_text(f"{left} {error.strerror}")

        assert run_in_child(work, seconds=20) == "done"
    assert outcome.read_text() == "True Network is unreachable"
    source = Path(__file__).resolve().parents[1] / "scripts" / "decode.py"
    assert "leave_network()" in source.read_text(encoding="utf-8")


def test_decoding_alone_gives_the_same_audio(graded):
    """The separation costs the decoder nothing it needs."""
    take = read_record(graded, "m2")["submission"]["take"]
    audio = np.load(graded / "results" / "decoded" / f"{take}.npy")
    with open(graded / "submissions" / "cole_ben.mp4", "rb") as stream:
        again, _ = decode_recording(stream, 1200)
    np.testing.assert_array_equal(audio, again)
    assert shutil.which("unshare")
