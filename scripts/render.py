"""Stage render: a student's record -> the PDF sheet and the listening copies.

in:  record (results/records/), ticket (results/tickets/render/), decoded audio of the takes
out: the sheet (results/sheets/), a folder of clips (results/clips/<student_id>/)
"""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path
from typing import Any

from pegmark.files import read_json, write_bytes
from pegmark.sheet import render_sheet


def main() -> None:
    """Read the record and the ticket, write the sheet and the clips."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--record", type=Path, required=True)
    parser.add_argument("--ticket", type=Path, required=True)
    parser.add_argument("--audio", type=Path, nargs="*", default=[], help="decoded takes (.npy)")
    parser.add_argument("--sheet", type=Path, required=True, help="the PDF to write")
    parser.add_argument("--clips", type=Path, required=True, help="the folder to fill")
    arguments = parser.parse_args()
    record = read_json(arguments.record)
    write_bytes(arguments.sheet, render_sheet(record, read_json(arguments.ticket)))
    write_clips(record, arguments.audio, arguments.clips)


def write_clips(record: dict[str, Any], audio: list[Path], folder: Path) -> None:
    """Fill `folder` with the clips of the take that was graded, and nothing else."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    take = graded_take(record, audio)
    if take is None:
        return
    import numpy as np
    from pegmark.clips import cut_clips
    from pegmark.decode import RATE_HZ

    for name, mp3 in cut_clips(np.load(take), RATE_HZ, record).items():
        write_bytes(folder / name, mp3)


def graded_take(record: dict[str, Any], audio: list[Path]) -> Path | None:
    """The decoded file of the take the record is about: its name begins with the content's hash."""
    submission = record.get("submission")
    if not submission or not record.get("strings"):
        return None
    return next((p for p in audio if p.name.startswith(submission["sha256"][:16])), None)


if __name__ == "__main__":
    main()
