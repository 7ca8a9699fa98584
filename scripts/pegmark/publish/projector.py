"""projector.html: how the class's strings were left, fit to be shown to the class itself.

A page of its own, made of counts alone. It holds no name, no id, no alias, no order of students, no
state and no number of one child, so nothing in it has to be hidden or mixed, and the same inputs
give the same bytes. A string is shown only where `PROJECTOR_ENOUGH_PLAYERS` were heard on it;
nothing is shown by section and nothing for the whole class, since a small group could be read from
the difference of two larger ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pegmark.publish import class_pictures
from pegmark.publish.class_records import class_records
from pegmark.publish.templates import template
from pegmark.trade import pitch
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record

PROJECTOR_ENOUGH_PLAYERS = 3  # fewer, and each of them could work out how the others did


def projector_page(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> str:
    """The page as HTML text; it says so where no string has enough players."""
    return str(
        template("projector.html.j2").render(
            title=wording.safe_text(ticket["title"]),
            class_name=wording.safe_text(ticket["class_name"]),
            instruments=_instruments(records, ticket),
            verdicts=[(v, class_pictures.VERDICT_WORDS[v]) for v in class_pictures.CHART_VERDICTS],
            enough=PROJECTOR_ENOUGH_PLAYERS,
            symbols=class_pictures.symbols_svg(),
            fill_svg=class_pictures.fill_svg,
        )
    )


def _instruments(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Each instrument with its strings from high to low, those with enough players only."""
    found: dict[str, list[dict[str, str]]] = {}
    left = class_pictures.strings_left(class_records(records, ticket))
    for (instrument, name), strings in left.items():
        heard = [string for string in strings if string["cents"] is not None]
        if len(heard) < PROJECTOR_ENOUGH_PLAYERS:
            continue
        count = class_pictures.counts(heard)
        row = {
            "name": name,
            "letter": wording.letter(name),
            "bar": class_pictures.bar_svg(count),
            "words": class_pictures.sentence(count),
            "share": f"{count['in_tune']} of {count.total()} in tune",
        }
        found.setdefault(instrument, []).append(row)
    for rows in found.values():
        rows.sort(key=lambda row: -pitch.semitone(row["name"]))
    order = sorted(found, key=lambda name: (-pitch.semitone(found[name][0]["name"]), name))
    return [{"name": name, "strings": found[name]} for name in order]
