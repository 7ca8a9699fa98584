"""Find the notes of one take: when, plucked or bowed, about how high; and where somebody speaks.

Reads a listen ticket, decoded/<take>.npy and .json; writes notes/<take>.json.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pegmark.files.store import read_json
from pegmark.records.faults import guarded_record
from pegmark.records.validation import valid
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Decoded, FoundNotes
    from pegmark.records.tickets import ListenTicket


def segment(ticket: ListenTicket, facts: Decoded, audio: np.ndarray) -> FoundNotes | dict[str, Any]:
    """The notes of a take that could be decoded; else its problems passed on."""
    instrument = Instrument.from_dict(valid(ticket, "ticket_listen")["instrument"])
    if facts["status"] != "ok":
        return {"status": "unreadable", "problems": facts["problems"]}
    from pegmark.segment import find_notes

    record = find_notes(audio, facts["rate_hz"], instrument)
    record["recording"]["clipped_fraction"] = facts["clipped_fraction"]
    record["problems"] = [*facts["problems"], *record["problems"]]
    return record


def main() -> None:
    """Find the notes of the take of a ticket."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ticket", type=Path, required=True)
    parser.add_argument("--audio", type=Path, required=True)
    parser.add_argument("--facts", type=Path, required=True)
    parser.add_argument("--notes", type=Path, required=True)
    args = parser.parse_args()
    ticket, facts = read_json(args.ticket), read_json(args.facts)
    audio = np.load(args.audio, allow_pickle=False)
    nothing = {"recording": None, "notes": [], "speech": [], "take": ticket["take"]}
    guarded_record(lambda: segment(ticket, facts, audio), nothing, "notes", args.notes)


if __name__ == "__main__":
    main()
