"""Decode one recording: its audio as 16 kHz mono, and the facts of its container.

Reads a ticket (which recording, by content); writes decoded/<take>.npy and decoded/<take>.json.
The decoding runs in a child process with limits of time and memory.
"""

import argparse
import hashlib
import sys
import traceback
from collections.abc import Mapping
from io import FileIO
from pathlib import Path
from typing import Any, cast

from pegmark.records.problems import Problem, TeacherError, problem

DECODE_MOST_S = 300  # a 20-minute film decodes in a few seconds: this is for a hang
MEMORY_BYTES = 760 << 20  # of address space: 320 MB of libraries, 240 MB of audio, and some room


def decode_guarded(
    ticket: dict,
    recording: Path,
    audio_file: Path,
    facts_file: Path,
    seconds: float = DECODE_MOST_S,
) -> None:
    """Decode `recording` into the two files of the stage, whatever the decoder does on it."""
    from pegmark.files.isolation import leave_network
    from pegmark.records.faults import run_in_child

    def alone() -> None:
        if not leave_network():
            print("This system does not part a process from the network.")
        decode(ticket, recording, audio_file, facts_file)

    end = run_in_child(
        alone,
        seconds=seconds,
        memory_bytes=MEMORY_BYTES,
    )
    if end == "failed":
        sys.exit("The decoding failed; see above.")
    if end != "done":
        give_up(crashed(end), ticket, audio_file, facts_file)


def decode(ticket: dict, recording: Path, audio_file: Path, facts_file: Path) -> None:
    """Decode `recording` into the two files of the stage."""
    from pegmark.decode import decode_recording
    from pegmark.decode.recording import unreadable
    from pegmark.files.media import open_plain
    from pegmark.files.store import rounded
    from pegmark.records.faults import fault
    from pegmark.records.validation import valid

    try:
        with open_plain(recording) as stream:
            audio, facts = decode_recording(stream, valid(ticket, "ticket_decode")["max_s"])
            valid(rounded({"take": ticket["take"], **facts}), "decoded")
            stream.seek(0)
            if hashlib.file_digest(cast(FileIO, stream), "sha256").hexdigest() != ticket["sha256"]:
                audio, facts = unreadable(changed("it is not what it was when the run began"))
    except MemoryError:
        raise
    except OSError as error:
        audio, facts = unreadable(changed(error.strerror or str(error)))
    except Exception as error:
        traceback.print_exc()
        audio, facts = unreadable(fault(error))
    write(ticket, audio, facts, audio_file, facts_file)


def give_up(why: Problem, ticket: dict, audio_file: Path, facts_file: Path) -> None:
    """Write the result of a recording that could not be decoded."""
    from pegmark.decode.recording import unreadable

    write(ticket, *unreadable(why), audio_file, facts_file)


def write(ticket: dict, audio: Any, facts: Mapping, audio_file: Path, facts_file: Path) -> None:
    """Write both files of the stage, whole."""
    import numpy as np

    from pegmark.files.store import rounded, write_json, write_whole

    with write_whole(audio_file) as stream:
        np.save(stream, audio, allow_pickle=False)
    write_json(facts_file, rounded({"take": ticket["take"], **facts}))


def changed(why: str) -> Problem:
    """The problem of a file that changed since the folder was taken in; decoded anew next time."""
    return problem(
        "file_changed",
        "The recording was changed, locked or taken away while the class was being graded "
        f"({why}).",
        "Wait until all copying is done, then run again.",
    )


def crashed(end: str) -> Problem:
    """The problem of a recording on which the decoder crashed or hung."""
    what = "took too long and was stopped" if end == "timed_out" else "crashed"
    return problem(
        "decoder_stopped",
        f"The decoder {what} on this file: it is damaged or not a recording.",
        "Ask the student to record again, or to send the file as it came from the camera.",
    )


def main() -> None:
    """Decode the take of a ticket."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ticket", type=Path, required=True)
    parser.add_argument("--class-dir", type=Path, default=Path())
    parser.add_argument("--audio", type=Path, required=True)
    parser.add_argument("--facts", type=Path, required=True)
    args = parser.parse_args()

    from pegmark.files.recordings import lookup
    from pegmark.files.store import read_json

    ticket = read_json(args.ticket)
    try:
        recording = lookup(args.class_dir, ticket["take"])
    except TeacherError as error:
        give_up(error.problems[0], ticket, args.audio, args.facts)
        return
    decode_guarded(ticket, recording, args.audio, args.facts)


if __name__ == "__main__":
    main()
