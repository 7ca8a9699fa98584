"""Reading and writing results: JSON with fixed bytes, and files that appear whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)  # no room on the disk, or for this user
PART = ".part-"  # how the names of files and folders begin that are still being written


def dump_json(value: Any) -> str:
    """`value` as JSON text: the same value always gives the same text.

    Raises ValueError for NaN or infinity: unknown is null, never a number.
    """
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def dump_line(value: Any) -> str:
    """`value` as JSON text in one line, as `dump_json` else: many times quicker to make."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False) + "\n"


@contextmanager
def write_whole(path: Path | str) -> Iterator[BinaryIO]:
    """A stream for a file that appears whole: a temporary name in the same folder, then renamed."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=PART)
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


@contextmanager
def fill_whole(folder: Path | str) -> Iterator[Path]:
    """A folder to fill that then takes the place of `folder`, whatever that held before."""
    folder = Path(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    new = Path(tempfile.mkdtemp(dir=folder.parent, prefix=PART))
    try:
        yield new
        new.chmod(0o755)
        remove(folder)
        new.replace(folder)
    except BaseException:
        remove(new)
        raise


def is_full(error: BaseException) -> bool:
    """Whether writing failed for want of room."""
    return isinstance(error, OSError) and error.errno in FULL


def remove(path: Path) -> None:
    """Remove a file, a link, or a folder with all it holds; nothing there is well too."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def write_bytes(path: Path | str, content: bytes) -> None:
    """Write a file whole."""
    with write_whole(path) as stream:
        stream.write(content)


def write_text(path: Path | str, text: str) -> None:
    """Write a UTF-8 text file whole, with the line ends it has."""
    write_bytes(path, text.encode("utf-8"))


def write_json(path: Path | str, value: Any) -> None:
    """Write `value` as a JSON file, whole."""
    write_text(path, dump_json(value))


def write_if_changed(path: Path | str, text: str) -> bool:
    """Write a text file only when its content differs; says whether it was written."""
    path = Path(path)
    content = text.encode("utf-8")
    if path.is_file() and path.read_bytes() == content:
        return False
    write_bytes(path, content)
    return True


def read_json(path: Path | str) -> Any:
    """The value in a JSON file."""
    return json.loads(Path(path).read_text(encoding="utf-8"))


def rounded(value: Any, digits: int = 4) -> Any:
    """`value` with every float in it rounded: results are compared and stored after rounding."""
    if isinstance(value, float):
        return round(value, digits)
    if isinstance(value, dict):
        return {key: rounded(item, digits) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(item, digits) for item in value]
    return value
