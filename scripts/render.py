"""Stage render: a student's record -> the PDF sheet and the listening copies.

in:  record (results/work/records/), ticket (results/tickets/render/), decoded audio of the takes
out: the sheet (results/work/sheets/), a folder of clips (results/work/clips/<student_id>/), the
     faults of our own program on the way (results/work/faults/), mostly none
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.files.store import fill_whole, read_json, write_bytes, write_json
from pegmark.records.faults import guarded
from pegmark.records.validation import valid
from pegmark.render import render_sheet

if TYPE_CHECKING:
    from pegmark.records.student import Record


def main() -> None:
    """Read the record and the ticket, write the sheet, the clips and the faults."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--record", type=Path, required=True)
    parser.add_argument("--ticket", type=Path, required=True)
    parser.add_argument("--audio", type=Path, nargs="*", default=[], help="decoded takes (.npy)")
    parser.add_argument("--sheet", type=Path, required=True, help="the PDF to write")
    parser.add_argument("--clips", type=Path, required=True, help="the folder to fill")
    parser.add_argument("--faults", type=Path, required=True, help="the list to write")
    parser.add_argument("--class-dir", type=Path, default=Path(), help="where the recordings lie")
    arguments = parser.parse_args()
    record, ticket = read_json(arguments.record), read_json(arguments.ticket)

    def render() -> dict[str, Any]:
        write_bytes(arguments.sheet, render_sheet(record, valid(ticket, "ticket_render")))
        write_clips(record, arguments.audio, arguments.clips)
        if ticket["stills"]:
            write_stills(record, arguments.class_dir, arguments.clips)
        return {"problems": []}

    def write(result: Mapping[str, Any]) -> None:
        if result["problems"]:
            told: Any = {**record, **NOTHING_MEASURED, **result, "status": "unreadable"}
            write_bytes(arguments.sheet, render_sheet(told, ticket))
            write_clips(told, [], arguments.clips)
        write_json(arguments.faults, result["problems"])

    guarded(render, {}, write)


STILLS_S = 30.0  # for the pictures of one take: a second or two, as a rule
STILLS_BYTES = 2 << 30  # address space: a decoder of large video takes a few hundred megabytes

# What a sheet leaves out when it could not be made as it should.
NOTHING_MEASURED: dict[str, Any] = {
    "strings": {},
    "notes": [],
    "speech": [],
    "intervals": [],
    "observations": [],
    "next_step": None,
}


def write_clips(record: Record, audio: list[Path], folder: Path) -> None:
    """Fill `folder` with the clips of the take that was graded, and nothing else."""
    take = graded_take(record, audio)
    with fill_whole(folder) as new:
        if take is None:
            return
        import numpy as np

        from pegmark.render import cut_clips
        from pegmark.signals.audio import RATE_HZ

        for name, mp3 in cut_clips(np.load(take), RATE_HZ, record).items():
            write_bytes(new / name, mp3)


def write_stills(record: Record, class_dir: Path, folder: Path) -> None:
    """Add small pictures of the take that was graded; a video that cannot be read has none."""
    from pegmark.files.isolation import leave_network
    from pegmark.files.media import open_plain
    from pegmark.files.recordings import lookup
    from pegmark.records.faults import run_in_child
    from pegmark.records.problems import TeacherError
    from pegmark.render.stills import cut_stills, looks_of
    from pegmark.words.terminal import tell

    submission, spans = record["submission"], looks_of(record)
    if not submission or not spans:
        return
    try:
        recording = lookup(class_dir, submission["take"])
    except TeacherError:  # taken away meanwhile
        return

    def alone() -> None:
        leave_network()
        with open_plain(recording) as stream:
            for name, picture in cut_stills(stream, spans).items():
                write_bytes(folder / name, picture)

    end = run_in_child(alone, seconds=STILLS_S, memory_bytes=STILLS_BYTES)
    if end != "done":
        tell(f"No pictures of {submission['file']} ({end}).")


def graded_take(record: Record, audio: list[Path]) -> Path | None:
    """The decoded file of the take the record is about: its name begins with the content's hash."""
    submission = record.get("submission")
    if not submission or not record.get("strings"):
        return None
    return next((p for p in audio if p.name.startswith(submission["sha256"][:16])), None)


if __name__ == "__main__":
    main()
