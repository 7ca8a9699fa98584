"""Family and given name of a roster's row, whatever columns they stand in.

No half of a name is dropped: what one column lacks another may have, and a whole name is parted
by its comma, its capitals or its header; where none of them tells, it is parted by likelihood,
and `Parted.sure` is false.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pegmark.files.tables import Row, Table
from pegmark.receive.name_words import PARTICLES, plain

WHOLE_NAME = ("full_name", "family_then_given", "given_then_family")


@dataclass(frozen=True)
class Parted:
    """A name in its two parts; one of them may be empty."""

    family: str
    given: str
    sure: bool = True


def read_name(table: Table, row: Row) -> Parted:
    """The name of one row."""
    family = _joined(table, row, "family_prefix", "family_name", "family_name_2")
    given = _joined(table, row, "given_name", "given_name_2")
    if not {"given_name", *WHOLE_NAME} & set(
        table.columns
    ):  # 'Nachname;Rufname': what the child is called is all
        given = _joined(table, row, "nickname", "given_name_2")
    column = next((name for name in WHOLE_NAME if name in table.columns), "")
    whole = table.cell(row, column)
    if family and given:
        return Parted(family, given)
    if not (family or given):
        return part_name(whole, column)
    if whole:
        return _other_half(family, given, whole)
    if {"family_name", "given_name"} <= set(table.columns):
        return Parted(family, given)  # one of the two cells is empty: a person of one name
    alone = part_name(family or given, "full_name")
    return alone if alone.given or family else Parted("", given)


def part_name(whole: str, column: str) -> Parted:
    """A whole name: 'Ruiz, Ana', 'RUIZ Ana', 'Ana Ruiz'; `column`: which of `WHOLE_NAME` it is."""
    if "," in whole:
        family, _, given = whole.partition(",")
        return Parted(family.strip(), given.strip())
    words = whole.split()
    if capitals := _in_capitals(words):
        start, end = capitals
        return Parted(" ".join(words[start:end]), " ".join(words[:start] + words[end:]))
    sure = len(words) < 3
    if column == "family_then_given" and len(words) > 1:
        at = next(i for i, word in enumerate(words, 1) if plain(word) not in PARTICLES)
        at = min(at, len(words) - 1)
        return Parted(" ".join(words[:at]), " ".join(words[at:]), sure)
    at = max(len(words) - 1, 0)
    while at > 1 and plain(words[at - 1]) in PARTICLES and words[at - 1].islower():
        at -= 1
    return Parted(" ".join(words[at:]), " ".join(words[:at]), sure)


def _joined(table: Table, row: Row, *columns: str) -> str:
    return " ".join(cell for name in columns if (cell := table.cell(row, name)))


def _other_half(family: str, given: str, whole: str) -> Parted:
    """'Name;Vorname': the column of names holds the half that the other lacks, or both."""
    known = family or given
    rest = re.sub(rf"(?<!\w){re.escape(known)}(?!\w)", " ", whole, count=1, flags=re.IGNORECASE)
    other = " ".join(rest.replace(",", " ").split()) or whole
    return Parted(family or other, given or other)


def _in_capitals(words: list[str]) -> tuple[int, int] | None:
    """Where the words in capitals stand, at one end, with particles between them: the family."""
    upper = [_is_in_capitals(word) for word in words]
    if not any(upper) or all(upper):
        return None
    start, end = upper.index(True), len(upper) - upper[::-1].index(True)
    while start > 0 and words[start - 1].islower() and plain(words[start - 1]) in PARTICLES:
        start -= 1
    apart = [i for i in range(start, end) if not upper[i] and plain(words[i]) not in PARTICLES]
    at_one_end = (start == 0) != (end == len(words))
    return (start, end) if at_one_end and not apart else None


def _is_in_capitals(word: str) -> bool:
    """'LEE', "O'NEIL", 'McDONALD'; no initial and no shortened word."""
    rest = re.sub(r"^(?:Mc|Mac|Fitz|De|Di|Du|La|Le)(?=\w{2})", "", word)
    shouted = rest if rest.isupper() else word
    return len(shouted.strip("'’-.")) > 1 and shouted.isupper() and word[-1] != "."
