"""The blind sample: strings of five takes by lot, judged by ear before the machine's view is shown.

A second marker that does not depend on what the teacher chose to correct. The lot is drawn by the
week's task and the student, and by nothing that was measured, so that the same class gives the same
five. Her answers, saved as blind*.csv in the class folder, never change a grade: they only say how
right the machine is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from pegmark.publish.agreement import agree
from pegmark.publish.class_records import class_records
from pegmark.publish.templates import template
from pegmark.render.clips import clip_name
from pegmark.trade.tolerances import LEVELS
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record

SAMPLE = 5  # takes a week: some fifteen strings, a few minutes
WORTH = {"in_tune": 1.0, "close": 0.5, "out": 0.0}  # the default shares of a string's points


def blind_page(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> str | None:
    """blind.html, or None where no take has a string that was measured."""
    takes = [_shown(record) for record in drawn(records, ticket)]
    if not takes:
        return None
    return str(
        template("blind.html.j2").render(
            class_name=wording.safe_text(ticket["class_name"]),
            title=wording.safe_text(ticket["title"]),
            takes=takes,
        )
    )


def drawn(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> list[Record]:
    """The records of the week's five, by lot among the takes with a measured string."""

    def lot(record: Record) -> str:
        words = f"{ticket['epoch']} {ticket['title']} {record['student']['student_id']}"
        return hashlib.sha256(words.encode()).hexdigest()

    fit = [record for record in class_records(records, ticket) if _strings(record)]
    return sorted(fit, key=lot)[:SAMPLE]


def _strings(record: Record) -> list[str]:
    """The strings with a verdict and a clip to judge by."""
    return [
        name
        for name, string in record["strings"].items()
        if string["verdict"] in LEVELS and string["deciding"]
    ]


def _shown(record: Record) -> dict[str, Any]:
    """What the page shows of one take: no name, no number, and the machine's view kept back."""
    student_id, submission = record["student"]["student_id"], record["submission"]
    return {
        "student_id": student_id,
        "take": submission["take"] if submission else "",
        "instrument": record["student"]["instrument"],
        "strings": [
            {
                "name": name,
                "letter": wording.letter(name),
                "measured": record["strings"][name]["verdict"],
                "clip": f"clips/{student_id}/{clip_name(name)}",
            }
            for name in _strings(record)
        ],
    }


def blind_agreement(marks: Iterable[Mapping[str, Any]]) -> dict[str, Any] | None:
    """How far the ear agrees with the machine on strings judged blind; None without any.

    Returns {"pairs", "exact", "kappa", "low", "high", "weeks"}: the kappa has quadratic weights on
    the shares of a string's points, "weeks" are the same of each week ("week": 2026-W10), by time.
    """
    from datetime import datetime

    pairs: list[tuple[float, float]] = []
    weeks: dict[str, list[tuple[float, float]]] = {}
    for mark in marks:
        year, week, _ = datetime.fromisoformat(mark["saved_at"]).isocalendar()
        pair = (WORTH[mark["measured"]], WORTH[mark["heard"]])
        pairs.append(pair)
        weeks.setdefault(f"{year}-W{week:02d}", []).append(pair)
    if not pairs:
        return None
    return {
        **_agreed(pairs),
        "weeks": [{"week": week, **_agreed(some)} for week, some in sorted(weeks.items())],
    }


def _agreed(pairs: list[tuple[float, float]]) -> dict[str, Any]:
    found = agree(pairs, adjacent=False)
    return {key: found[key] for key in ("pairs", "exact", "kappa", "low", "high")}
