"""The submissions folder: every kind of file is named for what it is, and nothing hangs."""

from __future__ import annotations

import hashlib
import io
import os
import socket
import stat
import struct
import tempfile
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conftest import cases
from lab.classroom import build, hand_in, recording
from pegmark.files import recordings
from pegmark.files.media import is_media, open_plain
from pegmark.receive import archives, submissions
from pegmark.receive.archives import member_name
from pegmark.receive.submissions import Collection, collect
from pegmark.records.problems import TeacherError
from pegmark.words.file_names import shown


def zip_bytes(members: dict[str, bytes | str], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def found(collection: Collection) -> list[str]:
    return [one.file for one in collection.recordings]


def codes(collection: Collection) -> dict[str, str]:
    return {stray.file: stray.code for stray in collection.strays}


def test_recordings_at_any_depth_in_the_order_of_their_names(tmp_path):
    files = {"b.mov": "1", "a/deep/er/x.m4a": "2", "a.webm": "3", "Z.MP4": "4"}
    collection = collect(build(tmp_path, files))
    assert found(collection) == ["Z.MP4", "a.webm", "b.mov", "a/deep/er/x.m4a"]
    assert collection.recordings[2].sha256 == hashlib.sha256(recording("1")).hexdigest()
    assert collection.strays == []


@pytest.mark.parametrize(
    ("head", "name"),
    [
        (b"\0\0\0\x18ftypmp42", "ISO/IEC 14496-12: ftyp"),
        (b"\0\0\0\x08wide\0\0\0\0mdat", "QuickTime File Format: wide, mdat"),
        (b"\x1aE\xdf\xa3\x9fB\x86", "RFC 8794: EBML header id"),
        (b"RIFF\0\0\0\0WAVEfmt ", "RIFF WAVE"),
        (b"OggS\0\2", "RFC 3533: capture pattern"),
        (b"fLaC\0\0", "RFC 9639: fLaC"),
        (b"ID3\x04\0", "ID3v2.4, 3.1"),
        (b"\xff\xfb\x90\x64", "ISO/IEC 11172-3: frame sync, layer III"),
        (b"\xff\xf1\x50\x80", "ISO/IEC 13818-7: ADTS sync"),
        (b"FORM\0\0\0\0AIFF", "AIFF 1.3"),
        (b"#!AMR\n", "RFC 4867, 5.1"),
        (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "ASF header object"),
        (b"caff\0\1", "Core Audio Format 1.0"),
        (b"G" + b"\0" * 187 + b"G" + b"\0" * 187 + b"G", "ISO/IEC 13818-1: sync byte 0x47"),
    ],
)
def test_media_are_known_by_their_first_bytes(tmp_path, head, name):
    assert is_media(head), name
    assert found(collect(build(tmp_path, {"Ana Ruiz.pdf": head + b"rest"}))) == ["Ana Ruiz.pdf"]


@pytest.mark.parametrize(
    "head",
    [b"", b"%PDF-1.7", b"\x89PNG\r\n", b"\xff\xd8\xff\xe0", b"<html>", b"\xff\xfeh\0i\0",
     b"RIFF\0\0\0\0WEBP", b"\0\0\0\x18ftypheic", b"GIF89a", b"\xff\xff\xff", b"MZ\x90"],
)  # fmt: skip
def test_other_files_are_not(head):
    assert not is_media(head)


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("comments.txt", b"late, sorry", "not_a_recording"),
        ("score.pdf", b"%PDF-1.7", "not_a_recording"),
        ("empty", b"", "not_a_recording"),
        ("essay.docx", zip_bytes({"word/document.xml": "x"}), "not_a_recording"),
        (".DS_Store", b"\0\0\0\1Bud1", "system_file"),
        ("Thumbs.db", b"\xd0\xcf\x11\xe0", "system_file"),
        ("desktop.ini", b"[x]", "system_file"),
        ("._Ana Ruiz.mov", b"\0\5\x16\7", "system_file"),
        ("__MACOSX/Ana Ruiz.mov", b"\0\5\x16\7", "system_file"),
        ("Ana Ruiz.mov.crdownload", recording("x"), "not_downloaded"),
        (".Ana Ruiz.mov.icloud", b"bplist00", "not_downloaded"),
        ("Ana.mp4.part", recording("x"), "not_downloaded"),
        ("all.rar", b"Rar!", "other_archive"),
    ],
)
def test_strays_are_named_for_what_they_are(tmp_path, name, content, code):
    collection = collect(build(tmp_path, {name: content}))
    assert codes(collection) == {name: code}
    assert collection.recordings == []
    (stray,) = collection.strays
    assert name in stray.message
    assert stray.action or code == "system_file"


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("zero.mp4", b""),
        ("text.mp4", b"I could not film, sorry"),
        ("page.mov", b"<!doctype html><title>Sign in</title>"),
        ("truncated.mp4", recording("")),
        ("Ana Ruiz", recording("no ending at all")),
    ],
)
def test_broken_recordings_go_on_to_be_decoded(tmp_path, name, content):
    """What a student meant as a recording is never dropped here: the decoder says what is wrong."""
    assert found(collect(build(tmp_path, {name: content}))) == [name]


@pytest.mark.parametrize(
    "name",
    [
        "two  spaces.mp4",
        "quote ' and \".mp4",
        "new\nline.mp4",
        "🎻 tuning 🎶.mp4",
        "é" * 120 + ".mp4",
        "n" * 251 + ".mp4",
        "\u202egnp.4pm",
        "{braces} $(touch x) `y` ;.mp4",
        "=1+1.mp4",
        "-rf.mp4",
        "%s%n.mp4",
    ],
)
def test_names_of_every_kind(tmp_path, name):
    collection = collect(build(tmp_path, {name: "x"}))
    assert found(collection) == [name]
    assert shown(name).isprintable()
    key = collection.recordings[0].path
    assert recordings.memory_path(tmp_path / "strings-7b", key, collection.memory[key]).is_file()


def test_a_name_that_is_no_utf_8(tmp_path):
    class_dir = build(tmp_path)
    raw = os.fsencode(class_dir / "submissions") + b"/Mar\xeda.mp4"  # Latin-1
    try:
        Path(os.fsdecode(raw)).write_bytes(recording("x"))
    except OSError:
        pytest.fail("this file system takes no such names: nothing to protect from")
    collection = collect(class_dir)
    assert found(collection) == ["Mar\\xeda.mp4"]
    key = collection.recordings[0].path
    assert recordings.memory_path(class_dir, key, collection.memory[key]).is_file()
    assert collect(class_dir, collection.memory).hashed == 0


def test_links_are_not_followed(tmp_path):
    secret = tmp_path / "secret.mp4"
    secret.write_bytes(recording("secret"))
    class_dir = build(tmp_path, {"real.mp4": "x"})
    folder = class_dir / "submissions"
    (folder / "out.mp4").symlink_to(secret)
    (folder / "in.mp4").symlink_to(folder / "real.mp4")
    (folder / "loop").symlink_to(folder, target_is_directory=True)
    (folder / "dangling.mov").symlink_to("nowhere")
    collection = collect(class_dir)
    assert found(collection) == ["real.mp4"]
    assert codes(collection) == dict.fromkeys(["out.mp4", "in.mp4", "loop", "dangling.mov"], "link")
    with pytest.raises(OSError):  # noqa: PT011  also when it comes between two looks
        open_plain(folder / "out.mp4")


def test_pipes_and_sockets_are_not_opened(tmp_path):
    class_dir = build(tmp_path)
    os.mkfifo(class_dir / "submissions" / "pipe.mp4")
    with socket.socket(socket.AF_UNIX) as server:
        here = os.getcwd()
        os.chdir(class_dir / "submissions")  # a socket's path may have 107 bytes only
        try:
            server.bind("socket.mov")
        finally:
            os.chdir(here)
        assert codes(collect(class_dir)) == dict.fromkeys(
            ["pipe.mp4", "socket.mov"], "special_file"
        )
    with pytest.raises(OSError, match="not a plain file"):  # also when it comes between two looks
        open_plain(class_dir / "submissions" / "pipe.mp4")


@pytest.fixture
def nobody():
    """The rights of an ordinary account: root may read everything."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    yield
    if root:
        os.seteuid(0)


def test_what_may_not_be_read_is_told(nobody):
    with tempfile.TemporaryDirectory() as folder:
        class_dir = build(Path(folder), {"mine.mp4": "x", "locked.mp4": "y", "closed/z.mp4": "z"})
        (class_dir / "submissions" / "locked.mp4").chmod(0)
        (class_dir / "submissions" / "closed").chmod(0)
        collection = collect(class_dir)
        (class_dir / "submissions" / "closed").chmod(0o700)
    assert found(collection) == ["mine.mp4"]
    assert codes(collection) == {"locked.mp4": "no_permission", "closed": "no_permission"}
    assert all("no permission to read" in stray.message for stray in collection.strays)


def test_a_file_that_changes_while_it_is_read(tmp_path, monkeypatch):
    class_dir = build(tmp_path, {"growing.mp4": "x", "steady.mp4": "y"})
    growing = class_dir / "submissions" / "growing.mp4"
    digest = recordings.content_digest

    def grow(stream, size):
        if os.fstat(stream.fileno()).st_ino == growing.stat().st_ino:
            growing.write_bytes(growing.read_bytes() + b"more")
        return digest(stream, size)

    monkeypatch.setattr(submissions, "content_digest", grow)
    collection = collect(class_dir)
    assert codes(collection) == {"growing.mp4": "still_changing"}
    assert found(collection) == ["steady.mp4"]
    monkeypatch.undo()
    assert found(collect(class_dir, collection.memory)) == ["growing.mp4", "steady.mp4"]


def test_a_file_that_comes_to_rest_is_read_again(tmp_path, monkeypatch):
    class_dir = build(tmp_path, {"a.mp4": "x"})
    path = class_dir / "submissions" / "a.mp4"
    digest, looks = recordings.content_digest, []

    def change_once(stream, size):
        looks.append(size)
        if len(looks) == 1:
            path.write_bytes(recording("longer"))
        return digest(stream, size)

    monkeypatch.setattr(submissions, "content_digest", change_once)
    (one,) = collect(class_dir).recordings
    assert one.sha256 == hashlib.sha256(recording("longer")).hexdigest()
    assert len(looks) == 2


def test_hashes_are_remembered_by_path_size_and_time(tmp_path):
    class_dir = build(tmp_path, {"a.mp4": "1", "b.mp4": "2", "note.txt": b"x"})
    first = collect(class_dir)
    assert first.hashed == 3
    second = collect(class_dir, first.memory)
    assert second.hashed == 0
    assert second.recordings == first.recordings
    assert second.strays == first.strays
    hand_in(class_dir, "a.mp4", "1 again")
    os.utime(class_dir / "submissions" / "b.mp4", ns=(1, 1))
    third = collect(class_dir, first.memory)
    assert third.hashed == 2
    assert third.recordings[0].sha256 != first.recordings[0].sha256
    assert third.recordings[1].sha256 == first.recordings[1].sha256
    path = hand_in(class_dir, "a.mp4", "1 once more")  # same time, another size
    os.utime(path, ns=(1, third.recordings[0].mtime_ns))
    fourth = collect(class_dir, third.memory)
    assert fourth.hashed == 1
    assert fourth.recordings[0].sha256 == hashlib.sha256(recording("1 once more")).hexdigest()


def test_progress_names_each_file_read(tmp_path):
    class_dir = build(tmp_path, {"a.mp4": "1", "b.mp4": "2"})
    seen: list[str] = []
    memory = collect(class_dir, None, seen.append).memory
    collect(class_dir, memory, seen.append)
    assert seen == ["a.mp4", "b.mp4"]


def test_no_folder_and_far_too_many_files(tmp_path, monkeypatch):
    class_dir = build(tmp_path, {f"{i}.mp4": str(i) for i in range(6)})
    monkeypatch.setattr(submissions, "MAX_FILES", 5)
    with pytest.raises(TeacherError, match="more than 5 files"):
        collect(class_dir)
    with pytest.raises(TeacherError, match="no folder 'submissions'"):
        collect(tmp_path)


def test_folders_nested_without_end(tmp_path):
    class_dir = build(tmp_path)
    (class_dir / "submissions" / "/".join("d" * 45)).mkdir(parents=True)
    hand_in(class_dir, "/".join("d" * 45) + "/x.mp4", "x")
    assert [stray.code for stray in collect(class_dir).strays] == ["too_deep"]


# -- archives --------------------------------------------------------------------------------


def test_an_export_is_read_as_it_came(tmp_path):
    members = {
        "Ruiz Ana/tuning.mov": recording("a"),
        "Lee_Ann.m4a": recording("b"),
        "comments.txt": "hello",
        "__MACOSX/._Lee_Ann.m4a": b"\0",
        "inner.zip": zip_bytes({"x.mp4": recording("c")}),
    }
    class_dir = build(tmp_path, {"export.zip": zip_bytes(members)})
    collection = collect(class_dir)
    assert found(collection) == ["export.zip/Lee_Ann.m4a", "export.zip/Ruiz Ana/tuning.mov"]
    assert codes(collection) == {
        "export.zip/comments.txt": "not_a_recording",
        "export.zip/__MACOSX/._Lee_Ann.m4a": "system_file",
        "export.zip/inner.zip": "zip_in_zip",
    }
    again = collect(class_dir, collection.memory)
    assert again.hashed == 0
    assert again.recordings == collection.recordings
    target = tmp_path / "unzipped"
    path = recordings.extract_member(
        class_dir / "submissions" / "export.zip", collection.recordings[1], target
    )
    assert path.read_bytes() == recording("a")
    assert path.name == hashlib.sha256(recording("a")).hexdigest() + ".mov"
    path.unlink()
    other = {name: recording("z") if name.endswith(".mov") else x for name, x in members.items()}
    hand_in(class_dir, "export.zip", zip_bytes(other))
    with pytest.raises(OSError, match="has changed"):
        recordings.extract_member(
            class_dir / "submissions" / "export.zip", collection.recordings[1], target
        )
    assert list(target.iterdir()) == []


@pytest.mark.parametrize(
    "name",
    ["../../escape.mp4", "/etc/escape.mp4", "C:\\Windows\\escape.mp4", "a/../../escape.mp4",
     "..\\..\\escape.mp4", "\\\\server\\share\\escape.mp4", "./././escape.mp4"],
)  # fmt: skip
def test_paths_in_an_archive_cannot_escape(tmp_path, name):
    # OWASP, "Path Traversal": a member's name is only shown; what is written is named by content.
    class_dir = build(tmp_path, {"e.zip": zip_bytes({name: recording("x")})})
    before = set(tmp_path.rglob("*"))
    (one,) = collect(class_dir).recordings
    assert ".." not in one.file
    assert one.file.startswith("e.zip/")
    target = tmp_path / "unzipped"
    path = recordings.extract_member(class_dir / "submissions" / "e.zip", one, target)
    assert path.parent == target
    assert set(tmp_path.rglob("*")) - before == {target, path}


def test_links_locked_and_damaged_members(tmp_path):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        link = zipfile.ZipInfo("link.mp4")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(link, "/etc/passwd")
        archive.writestr("good.mp4", recording("good"))
        archive.writestr("bad.mp4", recording("damaged here"))
        archive.writestr("locked.mp4", recording("secret"))
    content = bytearray(out.getvalue())
    at = content.index(b"damaged here")
    content[at] ^= 0xFF
    entry = content.index(b"PK\x01\x02", content.index(b"locked.mp4") + 20)
    while content[entry + 46 : entry + 56] != b"locked.mp4":
        entry = content.index(b"PK\x01\x02", entry + 4)
    content[entry + 8] |= 1  # general purpose bit 0: encrypted (APPNOTE.TXT 4.4.4)
    collection = collect(build(tmp_path, {"e.zip": bytes(content)}))
    assert found(collection) == ["e.zip/good.mp4"]
    assert codes(collection) == {
        "e.zip/link.mp4": "link",
        "e.zip/bad.mp4": "zip_damaged",
        "e.zip/locked.mp4": "zip_locked",
    }


@pytest.mark.parametrize("cut", [10, 100, -1, -30])
def test_an_archive_that_is_cut_off(tmp_path, cut):
    whole = zip_bytes({"a.mp4": os.urandom(500), "b.mp4": os.urandom(500)})
    collection = collect(build(tmp_path, {"e.zip": whole[:cut], "x.mp4": "x"}))
    assert codes(collection) == {"e.zip": "zip_damaged"}
    assert found(collection) == ["x.mp4"]


def test_a_bomb_is_refused_unopened(tmp_path, monkeypatch):
    bomb = zip_bytes({f"{i}.mp4": b"\0" * 30_000_000 for i in range(2)})
    assert len(bomb) < 100_000
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda *_: pytest.fail("it was unpacked"))
    assert codes(collect(build(tmp_path, {"bomb.zip": bomb}))) == {"bomb.zip": "zip_too_large"}


def test_a_member_larger_than_it_says_is_not_read_on(tmp_path):
    content = bytearray(zip_bytes({"a.mp4": b"\0" * 5_000_000}))
    entry = content.index(b"PK\x01\x02")
    struct.pack_into("<L", content, entry + 24, 100)  # uncompressed size (APPNOTE.TXT 4.3.12)
    collection = collect(build(tmp_path, {"e.zip": bytes(content)}))
    assert codes(collection) == {"e.zip/a.mp4": "zip_damaged"}


def test_archives_with_too_many_names_are_not_loaded(tmp_path, monkeypatch):
    many = zip_bytes({f"{i:04}.mp4": "x" for i in range(60)}, zipfile.ZIP_STORED)
    class_dir = build(tmp_path, {"e.zip": many})
    monkeypatch.setattr(archives, "MAX_MEMBERS", 50)
    assert codes(collect(class_dir)) == {"e.zip": "zip_too_large"}
    monkeypatch.setattr(archives, "MAX_DIRECTORY", 2_000)
    monkeypatch.setattr(zipfile, "ZipFile", lambda *_: pytest.fail("its list was loaded"))
    assert codes(collect(class_dir)) == {"e.zip": "zip_too_large"}


def test_names_in_old_archives_are_read_as_utf_8(tmp_path):
    info = zipfile.ZipInfo("x")
    info.filename = "María.mp4".encode().decode("cp437")  # as zipfile hands it over
    assert member_name(info) == "María.mp4"
    info.flag_bits |= 0x800
    info.filename = "Zoë.mp4"
    assert member_name(info) == "Zoë.mp4"


@cases(60)
@given(data=st.data())
def test_broken_archives_never_break_the_intake(tmp_path_factory, data):
    """Bit flips anywhere in an archive: every outcome is a recording or a stray."""
    whole = bytearray(zip_bytes({"a.mp4": recording("a" * 50), "b/c.txt": "hello"}))
    for at in data.draw(st.lists(st.integers(0, len(whole) - 1), min_size=1, max_size=6)):
        whole[at] ^= data.draw(st.integers(1, 255))
    class_dir = build(tmp_path_factory.mktemp("zip"), {"e.zip": bytes(whole)})
    collection = collect(class_dir)
    assert collection.recordings or collection.strays
