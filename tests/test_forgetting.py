"""What goes of a child whom a teacher forgets, and that nothing else does."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import openpyxl
import pytest

from lab.bench import CONFIG
from lab.classroom import ROSTER, build, recording
from pegmark.receive import take_in
from pegmark.receive.cut_lines import Theirs, cut_lines
from pegmark.receive.forgetting import forget_sound, forget_student
from pegmark.records.problems import TeacherError
from test_submissions import zip_bytes

EXCUSED = ROSTER.replace("section,email", "section,email,excused").replace(
    "ben@example.org;home@example.org", "ben@example.org,yes"
)
FILES = {
    "Ana Ruiz.mov": "a",
    "Ben Okafor.mov": "b1",
    "more/Ben Okafor take 2.mov": "b2",
    "Ann Lee.mov": "c",
    "Anna Lee.mov": "d",
    "what is this.mov": "nobody",
}


def received(root: Path, files: dict | None = None, roster: str = ROSTER, **tables: str) -> Path:
    """A class folder whose tickets are written."""
    class_dir = build(root, FILES if files is None else files, roster, **tables)
    take_in(class_dir, CONFIG)
    return class_dir


def names_in(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def forget(class_dir: Path, student_id: str = "s02"):
    return forget_student(class_dir, CONFIG, student_id)


def test_a_students_recordings_go_with_copies_and_earlier_takes(tmp_path):
    class_dir = received(tmp_path, {**FILES, "ben okafor copy.mov": "b1"})
    gone = {"Ben Okafor.mov", "more/Ben Okafor take 2.mov", "ben okafor copy.mov"}
    found = forget(class_dir)
    assert names_in(class_dir / "submissions") == FILES.keys() - gone
    assert {f"submissions/{name}" for name in gone} <= set(found.removed)


def test_an_excused_students_recordings_go_too(tmp_path):
    class_dir = received(tmp_path, roster=EXCUSED)
    measured = class_dir / "results" / "measured"
    measured.mkdir()
    for content in ("b1", "a"):  # as before the student was excused
        name = sha256(recording(content)).hexdigest()[:16]
        (measured / f"{name}-cello.json").write_text("{}")
    forget(class_dir)
    assert not [name for name in names_in(class_dir / "submissions") if "Ben" in name]
    assert len(list(measured.iterdir())) == 1


def test_what_came_after_the_last_run_goes_too(tmp_path):
    class_dir = received(tmp_path)
    (class_dir / "submissions" / "Ben Okafor take 3.mov").write_bytes(recording("b3"))
    forget(class_dir)
    assert not [name for name in names_in(class_dir / "submissions") if "Ben" in name]


def test_whose_row_is_gone_already_is_known_by_the_last_results(tmp_path):
    class_dir = received(tmp_path)
    rows = ROSTER.splitlines(keepends=True)
    (class_dir / "roster.csv").write_text("".join(rows[:2] + rows[3:]), encoding="utf-8")
    forget(class_dir)
    assert not [name for name in names_in(class_dir / "submissions") if "Ben" in name]


def test_a_recording_under_two_names_is_left_and_told(tmp_path):
    class_dir = received(tmp_path, {"Ana Ruiz.mov": "same", "Ben Okafor.mov": "same"})
    found = forget(class_dir)
    assert names_in(class_dir / "submissions") == {"Ana Ruiz.mov", "Ben Okafor.mov"}
    assert any("another student's name as well was left" in one for one in found.left)


def test_what_lies_in_an_archive_is_told(tmp_path):
    packed = zip_bytes({"Ben Okafor.mov": recording("b")})
    class_dir = received(tmp_path, {"Ana Ruiz.mov": "a", "all.zip": packed})
    found = forget(class_dir)
    assert any("Ben Okafor.mov lies inside submissions/all.zip" in one for one in found.left)
    assert (class_dir / "submissions" / "all.zip").is_file()


def test_results_are_known_by_id_and_by_content(tmp_path):
    class_dir = received(tmp_path)
    digest = sha256(recording("b1")).hexdigest()
    results = class_dir / "results"
    mine = [
        f"unzipped/{digest}.mov", f"decoded/{digest[:16]}-cello.npy", "sheets/s02.pdf",
        "sheets/s02 (edited by hand).pdf", "clips/s02/A3.mp3", "logs/score/s02.log",
    ]  # fmt: skip
    others = ["sheets/s021.pdf", "sheets/s01.pdf", f"decoded/{'0' * 16}-cello.npy"]
    for name in (*mine, *others):
        (results / name).parent.mkdir(parents=True, exist_ok=True)
        (results / name).write_bytes(b"x")
    (results / "dashboard (edited by hand).html").write_bytes(b"Ben")
    found = forget(class_dir)
    assert not [name for name in mine if (results / name).exists()]
    assert all((results / name).exists() for name in others)
    assert any("dashboard (edited by hand).html" in one for one in found.left)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_the_rosters_row_goes_and_every_other_byte_stays(tmp_path, encoding, end):
    text = "Class list 7B;;;;;\n" + ROSTER.replace(",", ";").replace("Ruiz", "Núñez")
    text = text.replace("ben@example.org;home@example.org", '"ben@example.org;home@example.org"')
    content = text.replace("7B;", '"7B\nroom 2";').replace("\n", end)
    mark = b"\xff\xfe" if encoding == "utf-16-le" else b""
    class_dir = build(tmp_path, FILES)
    path = class_dir / "roster.csv"
    path.write_bytes(mark + content.encode(encoding))
    path.chmod(0o600)
    take_in(class_dir, CONFIG)
    assert "roster.csv: 1 line" in forget(class_dir).lines
    theirs = content[content.index("s02") : content.index("s03")]
    assert "room 2" in theirs
    assert path.read_bytes() == mark + content.replace(theirs, "").encode(encoding)
    assert path.stat().st_mode & 0o777 == 0o600
    assert "s02" not in {s["student_id"] for s in take_in(class_dir, CONFIG).students}


def test_a_roster_that_is_no_text_is_told(tmp_path):
    class_dir = build(tmp_path, FILES)
    book = openpyxl.Workbook()
    for line in ROSTER.splitlines():
        book.active.append(line.split(","))
    book.save(class_dir / "roster.xlsx")
    (class_dir / "roster.csv").unlink()
    take_in(class_dir, CONFIG)
    assert any(one.startswith("roster.xlsx still has s02") for one in forget(class_dir).left)


def test_the_only_student_stays_on_the_roster_and_it_is_told(tmp_path):
    alone = "".join(ROSTER.splitlines(keepends=True)[:2])
    class_dir = received(tmp_path, {"Ana Ruiz.mov": "a"}, alone)
    assert any("still has s01" in one for one in forget(class_dir, "s01").left)
    assert (class_dir / "roster.csv").read_text(encoding="utf-8") == alone


@pytest.mark.parametrize(
    ("name", "text", "kept"),
    [
        ("marks.csv", "student_id,criterion,points\n2,a,1\n1,a,2\n3,b,1\n", (0, 1, 3)),
        ("marks-2.csv", 'student_id;points;comment\n1;2;"two\nlines"\n2;1;"1"\n', (0, 3)),
        ("matches.csv", "a.mov,1\nB.mov,2\nsubmissions/b.mov,2\n", (1, 2)),
        ("matches.csv", 'file;student_id\n"a.mov,1"\na.mov,1,2\nb.mov;2;1\n', (0, 3)),
        ("received.csv", "file,received\nx/a.mov,1\na.mov,2\nb.mov,1\n", (0, 1, 3)),
        ("sent.csv", "student_id,sheet_sha256,sent_at\n1,a,b\n11,a,b\n", (0, 2)),
        ("blind.csv", "student_id,take,string,heard\n2,1,A4,1\n1,b,A4,out\n", (0, 1)),
    ],
)
def test_lines_of_a_table_go_by_its_columns_alone(tmp_path, name, text, kept):
    """A student whose id is 1 has not every line with a 1 in it."""
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    cut = cut_lines(path, Theirs("1", {"a.mov"}))
    lines = text.splitlines(keepends=True)
    assert path.read_text(encoding="utf-8") == "".join(lines[i] for i in kept)
    assert cut == 1 + (text.count("a.mov") == 2 and name == "matches.csv")


def test_nobody_is_forgotten_by_a_slip(tmp_path):
    class_dir = received(tmp_path)
    before = names_in(class_dir)
    with pytest.raises(TeacherError, match="no student S02"):
        forget(class_dir, "S02")
    assert names_in(class_dir) == before


def test_points_are_not_graded_away_where_the_sound_is_gone(tmp_path):
    class_dir = received(tmp_path)
    found = forget_sound(class_dir, None)
    assert names_in(class_dir / "submissions") == set()  # the file of nobody too
    assert any("Do not grade this folder again" in one for one in found.left)
    found = forget(class_dir)
    assert not found.again
    assert any("was not graded again" in one for one in found.left)


def test_the_sound_of_before_a_day_goes_with_what_was_decoded_of_it(tmp_path):
    class_dir = build(tmp_path, FILES)
    os.utime(class_dir / "submissions" / "Ana Ruiz.mov", (1e9, 1e9))
    take_in(class_dir, CONFIG)
    decoded = class_dir / "results" / "decoded"
    decoded.mkdir()
    digests = {one: sha256(recording(one)).hexdigest()[:16] for one in ("a", "b1", "vanished")}
    for digest in digests.values():
        for suffix in ("npy", "json"):
            (decoded / f"{digest}-violin.{suffix}").write_text("{}")
    forget_sound(class_dir, datetime(2010, 1, 1, tzinfo=UTC))
    assert names_in(class_dir / "submissions") == FILES.keys() - {"Ana Ruiz.mov"}
    left = {path.name[:16] for path in decoded.glob("*.npy")}
    assert left == {digests["b1"]}
    assert len(list(decoded.glob("*.json"))) == 3  # facts do not sound
