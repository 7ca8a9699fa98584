"""Name the string of every note of one take.

Reads a listen ticket and notes/<take>.json; writes strings/<take>.json.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from pegmark.files.store import read_json
from pegmark.records.faults import guarded_record
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Notes, Strings
    from pegmark.records.tickets import ListenTicket


def identify(ticket: ListenTicket, notes: Notes) -> Notes | Strings:
    """The notes with their strings; a take that was not readable is passed on."""
    if notes["status"] != "ok":
        return notes
    from pegmark.identify import name_strings

    return name_strings(notes, Instrument.from_dict(ticket["instrument"]))


def main() -> None:
    """Name the strings of the take of a ticket."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ticket", type=Path, required=True)
    parser.add_argument("--notes", type=Path, required=True)
    parser.add_argument("--strings", type=Path, required=True)
    args = parser.parse_args()
    ticket, notes = read_json(args.ticket), read_json(args.notes)
    guarded_record(lambda: identify(ticket, notes), notes, "strings", args.strings)


if __name__ == "__main__":
    main()
