"""The last step of a run: what was made aside takes the place of the earlier results, all at once.

While a run is at work, and when it fails (a full disk, a fault, a kill), the folder still shows
the results of the run before: never half of each.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Collection, Iterator
from pathlib import Path

from pegmark.files.made import COMING, MADE_NAME, Made, digest, is_made, keep_beside, read_made
from pegmark.files.store import PART, remove, write_json
from pegmark.words.file_names import listed

KEPT = "Kept:"  # how a sentence begins that the teacher's command repeats

FOLDERS = ("records", "scores", "sheets", "clips", "outbox", "orchestra")
FILES = (
    *(
        "dashboard.html",
        "projector.html",
        "orchestra.html",
        "lesson.html",
        "weeks.html",
        "blind.html",
        "sheets.pdf",
    ),
    *("gradebook.csv", "attention.csv", "recheck.json", "oneroster.zip"),
)


def deliver(work: Path, results: Path) -> list[str]:
    """Make the results in `results` what they are in `work`; nothing of the teacher's is lost.

    All files stand ready under other names before the first takes its place. What was edited
    since the last delivery is moved beside, what the program did not make is left alone; both are
    told in the sentences returned.
    """
    wanted = dict(_files(work))
    made = read_made(results)
    digests = {name: digest(source) for name, source in wanted.items()}
    new = [n for n, source in wanted.items() if not _is_same(source, results / n, digests[n])]
    ready = [(_ready(wanted[name], results / name), results / name) for name in new]
    edited = [_keep_edited(results, name, made) for name in new]
    write_json(results / COMING, digests)
    for part, target in ready:
        os.replace(part, target)
    gone, own = _take_away(results, wanted.keys(), made)
    write_json(results / MADE_NAME, dict(sorted(digests.items())))
    remove(results / COMING)
    return _told([*filter(None, edited), *gone], own)


def _keep_edited(results: Path, name: str, made: Made) -> str:
    """Keep what is no work of ours under another name; that name, or "" where all is ours."""
    path = results / name
    if not path.is_file() or is_made(results, name, made):
        return ""
    return keep_beside(path).relative_to(results).as_posix()


def _take_away(results: Path, wanted: Collection[str], made: Made) -> tuple[list[str], list[str]]:
    """Remove what was made before and is no more; the names of what is kept: edited, and own."""
    edited, own = [], []
    for name, path in list(_files(results)):
        if name in wanted:
            continue
        if is_made(results, name, made):
            remove(path)
        elif name in made:
            edited.append(keep_beside(path).relative_to(results).as_posix())
            remove(path)
        else:
            own.append(name)
    for folder in FOLDERS:
        for path in (results / folder).glob("*"):
            if path.is_dir() and not any(path.iterdir()):
                path.rmdir()
    return edited, own


def _told(edited: list[str], own: list[str]) -> list[str]:
    told = []
    if edited:
        told.append(f"{KEPT} files that were edited by hand, under new names: {listed(edited)}.")
    if own:
        told.append(f"{KEPT} files in results that this program did not make: {listed(own)}.")
    return told


def is_delivered(work: Path, results: Path) -> bool:
    """Whether nothing of `work` is missing in `results`."""
    return all((results / name).exists() for name, _ in _files(work))


def _files(root: Path) -> Iterator[tuple[str, Path]]:
    """Path below `root` -> file, for every result a teacher may open."""
    for name in FILES:
        if (root / name).is_file():
            yield name, root / name
    for folder in FOLDERS:
        for path in sorted((root / folder).rglob("*")):
            if path.is_file() and not path.name.startswith("."):
                yield path.relative_to(root).as_posix(), path


def _is_same(source: Path, target: Path, made: str) -> bool:
    """Whether `target` is a file of its own with the content of `source`."""
    if not target.is_file() or target.stat().st_size != source.stat().st_size:
        return False
    return not os.path.samefile(source, target) and digest(target) == made


def _ready(source: Path, target: Path) -> Path:
    """A copy of `source` beside `target`, under the name of a file that is still being written.

    Never a link: whoever edits a result in its place must not change what it was made from.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f"{PART}{target.name}")
    part.unlink(missing_ok=True)
    shutil.copy2(source, part)
    return part
