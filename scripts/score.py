"""Stage score: measured takes, the rubric and the teacher's marks -> a student's record.

in:  ticket (results/tickets/score/), measured takes (results/measured/), their facts
     (results/decoded/*.json)
out: the record (results/records/), its short form (results/scores/)
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from pegmark.files.store import read_json, write_json
from pegmark.records.faults import guarded
from pegmark.records.validation import valid
from pegmark.score import score_student
from pegmark.score.student import verdicts_of

if TYPE_CHECKING:
    from pegmark.records.student import Record
    from pegmark.records.take import Measured


def main() -> None:
    """Read the ticket and the takes, write the record and the score."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ticket", type=Path, required=True)
    parser.add_argument("--measured", type=Path, nargs="*", default=[], help="measured takes")
    parser.add_argument("--facts", type=Path, nargs="*", default=[], help="facts of the decoder")
    parser.add_argument("--record", type=Path, required=True, help="the record to write")
    parser.add_argument("--score", type=Path, required=True, help="its short form to write")
    arguments = parser.parse_args()
    measured = {record["take"]: record for record in map(read_json, arguments.measured)}
    facts = {record["take"]: record for record in map(read_json, arguments.facts)}
    ticket = read_json(arguments.ticket)

    def write(result: Mapping[str, Any]) -> None:
        if "schema_version" not in result:  # the scoring failed: the student without a result
            lost = {take["take"]: dict(result) for take in ticket["takes"]}
            result = score_student(ticket, cast("dict[str, Measured]", lost), facts)
        write_json(arguments.record, result)
        write_json(arguments.score, verdicts_of(cast("Record", result)))

    def score() -> Mapping[str, Any]:
        record = valid(score_student(valid(ticket, "ticket_score"), measured, facts), "record")
        valid(verdicts_of(record), "score")
        return record

    guarded(score, {}, write)


if __name__ == "__main__":
    main()
