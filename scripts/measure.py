"""Measure one take: every note's pitch, how sure it is, and how each string was tuned and left.

Reads a listen ticket, strings/<take>.json and decoded/<take>.npy; writes measured/<take>.json.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pegmark.files.store import read_json
from pegmark.records.faults import guarded_record
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Measured, Strings
    from pegmark.records.tickets import ListenTicket


def measure(
    ticket: ListenTicket, strings: Strings, audio: np.ndarray
) -> Measured | dict[str, object]:
    """The measured take; of one that was not readable only why is passed on."""
    if strings["status"] != "ok":
        return {"status": strings["status"], "problems": strings["problems"]}
    from pegmark.measure import measure_take
    from pegmark.signals.audio import RATE_HZ

    return measure_take(audio, RATE_HZ, strings, Instrument.from_dict(ticket["instrument"]))


def main() -> None:
    """Measure the take of a ticket."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ticket", type=Path, required=True)
    parser.add_argument("--strings", type=Path, required=True)
    parser.add_argument("--audio", type=Path, required=True)
    parser.add_argument("--measured", type=Path, required=True)
    args = parser.parse_args()
    ticket, strings = read_json(args.ticket), read_json(args.strings)
    audio = np.load(args.audio, allow_pickle=False)
    nothing = {
        **strings,
        "recording": None,
        "notes": [],
        "strings": {},
        "order": [],
        "last_turn_s": None,
        "intervals": [],
        "instrument": ticket["instrument"]["key"],
    }
    guarded_record(lambda: measure(ticket, strings, audio), nothing, "measured", args.measured)


if __name__ == "__main__":
    main()
