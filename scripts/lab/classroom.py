"""A small class folder for the tests of the intake: four students, files of a few bytes."""

from __future__ import annotations

from pathlib import Path

ROSTER = """\
student_id,family_name,given_name,instrument,section,email
s01,Ruiz,Ana,violin,7B,ana@example.org
s02,Okafor,Ben,cello,7B,ben@example.org;home@example.org
s03,Lee,Ann,bass,7C,
s04,Lee,Anna,viola,7C,anna@example.org
"""
MP4 = b"\x00\x00\x00\x18ftypmp42"  # the first box of an MP4 file (ISO/IEC 14496-12, 4.3)


def recording(content: str) -> bytes:
    """Bytes that pass for a recording and differ by `content`."""
    return MP4 + content.encode()


def build(
    root: Path, files: dict[str, bytes | str] | None = None, roster: str = ROSTER, **tables: str
) -> Path:
    """A class folder; `files` lie under submissions, `tables` beside the roster.

    A table's name is its file's: ``assignment_yaml="..."``, ``marks_csv="..."``.
    """
    class_dir = root / "strings-7b"
    (class_dir / "submissions").mkdir(parents=True)
    (class_dir / "roster.csv").write_text(roster, encoding="utf-8")
    for name, text in tables.items():
        (class_dir / ".".join(name.rsplit("_", 1))).write_text(text, encoding="utf-8")
    for name, content in (files or {}).items():
        hand_in(class_dir, name, content)
    return class_dir


def hand_in(class_dir: Path, name: str, content: bytes | str) -> Path:
    """Put a file into the submissions folder; a text stands for a recording of its own."""
    path = class_dir / "submissions" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content if isinstance(content, bytes) else recording(content))
    return path
