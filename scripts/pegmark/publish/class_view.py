"""What the class page shows of the whole class, as plain data for its template."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pegmark.publish import class_pictures, weeks
from pegmark.publish.agreement import agreement
from pegmark.publish.blind import blind_agreement
from pegmark.publish.class_records import (
    class_records,
    counted_from,
    criterion_titles,
)
from pegmark.publish.drafts import mailboxes
from pegmark.publish.maintenance import care_list
from pegmark.publish.marking import files_of
from pegmark.publish.orchestra_page import ORCHESTRA_PAGE, has_forecast
from pegmark.publish.page_words import median_text, moment_text, one_line, percent, points_text
from pegmark.publish.student_view import student_data, student_view
from pegmark.publish.todo import NOTES, steps, todo
from pegmark.records.states import STATE_WORDS, counts_by_state
from pegmark.trade import pitch
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record

ENOUGH_PLAYERS = 3  # below, "the string that gives most trouble" is about one child


def class_view(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Everything the template shows, as plain data."""
    class_list = class_records(records, ticket)
    titles = {one: wording.safe_text(text) for one, text in criterion_titles(ticket).items()}
    students = [student_view(r, titles, ticket, second_opinion) for r in class_list]
    by_id = {student["id"]: student for student in students}
    tasks = todo(records, ticket, second_opinion)
    for task in tasks.values():
        for entry in task["entries"]:
            entry["student"] = by_id.get(entry.get("student_id", ""))
    title = wording.safe_text(ticket["title"])
    class_name = wording.safe_text(ticket["class_name"])
    return {
        "title": title,
        "class_name": class_name,
        "due": moment_text(ticket["due"]),
        "asked": _asked(ticket),
        "understood": one_line(ticket["understood"]),
        "students": students,
        "counts": counts_by_state(class_list),
        "tasks": tasks,
        "steps": steps(tasks, class_list),
        "addresses": _addresses(tasks, ticket),
        "notes": [tasks[code] for code in NOTES if tasks[code]["count"]],
        "criteria": list(titles.items()),
        "string_count": max([4, *(len(r["strings"]) for r in class_list)]),
        "sections": sorted({s["section"] for s in students if s["section"]}),
        "pictures": _pictures(class_list),
        "care": [{**entry, "student": by_id[entry["student_id"]], "text": one_line(entry["text"])}
                 for entry in care_list(class_list)],
        "weeks": weeks.WEEKS_PAGE if weeks.students_of(records, ticket) else None,
        "orchestra": ORCHESTRA_PAGE if has_forecast(records, ticket) else None,
        "agreement": _agreement(class_list, titles, by_id),
        "blind": _blind(ticket),
        "verdicts": [(v, class_pictures.VERDICT_WORDS[v]) for v in class_pictures.CHART_VERDICTS],
        "data": {
            "key": f"{class_name}|{title}",
            "class": class_name,
            "rubric": [
                {"id": c["id"], "of": c["points"], "title": titles[c["id"]],
                 "shows": c.get("shows", "spoken")}
                for c in ticket["rubric"]["criteria"]
            ],
            "states": STATE_WORDS,
            "marks": _with_takes(ticket["marks"], class_list),
            "comments": ticket["comments"],
            "files": files_of(ticket),
            "others": len(tasks["unmatched"]["entries"]) - len(ticket.get("questions", [])),
            "students": [student_data(r, ticket, second_opinion) for r in class_list],
        },
    }  # fmt: skip


def _with_takes(marks: list[dict[str, Any]], class_list: list[Record]) -> list[dict[str, Any]]:
    """The teacher's marks, each with its take where the record knows that it is another."""
    given = {
        (record["student"]["student_id"], row["id"]): row["given_for"]
        for record in class_list
        for row in record["score"]["criteria"]
        if row.get("given_for")
    }

    def named(mark: dict[str, Any]) -> dict[str, Any]:
        other = given.get((mark["student_id"], mark["criterion"]))
        if mark.get("take") or other is None or other["saved_at"] != mark["saved_at"]:
            return mark
        return {**mark, "take": other["take"]}

    return [named(mark) for mark in marks]


def _asked(ticket: Mapping[str, Any]) -> str:
    """What the class was asked for, in one line."""
    reference, tolerances = ticket["reference"], ticket["tolerances"]
    methods = {
        "tuner": "with a tuner",
        "by_ear": "by ear to a sounded A",
        "string_to_string": "string against string",
    }
    intervals = {"equal": "equal temperament", "pure": "pure intervals"}
    factor = tolerances["below_c3_factor"]
    wider = {1: "", 2: "; strings below C3 twice as wide"}.get(
        factor, f"; strings below C3 {factor:g} times as wide"
    )
    upper = f" to {reference['a4_most_hz']:g}" if "a4_most_hz" in reference else ""
    return (
        f"A = {reference['a4_hz']:g}{upper} Hz, {intervals[reference['temperament']]}, "
        f"{methods[reference['method']]}. In tune within {tolerances['in_tune_cents']:g} cents, "
        f"close within {tolerances['close_cents']:g}{wider}."
    )


def _addresses(tasks: Mapping[str, Any], ticket: Mapping[str, Any]) -> str:
    """The addresses of those who are to be asked again, as a mail program takes them."""
    asked = {e["student_id"] for code in ("unreadable", "missing") for e in tasks[code]["entries"]}
    rows = [row for row in ticket["students"] if row["student_id"] in asked]
    found = [address.addr_spec for row in rows for address in mailboxes(row.get("email") or "")]
    return ", ".join(dict.fromkeys(found))


def _pictures(class_list: list[Record]) -> dict[str, Any]:
    left = class_pictures.strings_left(class_list)
    instruments: dict[str, dict[str, list[dict[str, Any]]]] = {}
    for (instrument, name), strings in left.items():
        instruments.setdefault(instrument, {})[name] = strings
    trouble: list[dict[str, Any]] = [
        {
            "label": f"{instrument} {wording.letter(name)}",
            "name": name,
            "bar": class_pictures.bar_svg(count),
            "words": class_pictures.sentence(count),
            "share": f"{count['in_tune']} of {class_pictures.known(count)}"
            if class_pictures.known(count)
            else "not known",
            "players": class_pictures.known(count),
            "few": _few(class_pictures.known(count), "player"),
            "all_in_tune": 0 < count["in_tune"] == class_pictures.known(count),
        }
        for (instrument, name), count in class_pictures.trouble_order(left)
    ]
    return {
        "left": [
            {"instrument": instrument, "svg": class_pictures.left_svg(instrument, strings)}
            for instrument, strings in sorted(instruments.items(), key=_score_order)
        ],
        "trouble": [row for row in trouble if not row["all_in_tune"]],
        "calm": wording.listed(
            [f"{row['label']} ({row['share']})" for row in trouble if row["all_in_tune"]], " and "
        ),
        "worst": _worst(trouble),
        "sections": _sections(class_list),
    }


def _score_order(entry: tuple[str, dict[str, list[dict[str, Any]]]]) -> tuple[int, str]:
    """Instruments as a score lists them: those with the higher top string first."""
    instrument, strings = entry
    return -pitch.semitone(next(iter(strings))), instrument


def _worst(trouble: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The string to talk about in class: of those that enough students play, if there are any.

    Of fewer it says so (`few`): then it is about one child or two.
    """
    heard = [row for row in trouble if row["players"]]
    shared = [row for row in heard if row["players"] >= ENOUGH_PLAYERS] or heard
    return shared[0] if shared and not shared[0]["all_in_tune"] else None


def _few(players: int, what: str) -> str:
    """'one player only' and the like where a group is too small to say much; else nothing."""
    if not 0 < players < ENOUGH_PLAYERS:
        return ""
    return f"{('one', 'two')[players - 1]} {what}{'' if players == 1 else 's'} only"


def _sections(class_list: list[Record]) -> list[dict[str, Any]]:
    sections: dict[str, list[Record]] = {}
    for record in class_list:
        sections.setdefault(record["student"].get("section") or "No section", []).append(record)
    counted = []
    for name, members in sorted(sections.items()):
        strings = [s for r in members for s in r["strings"].values()]
        counted.append((name, members, strings, class_pictures.counts(strings)))
    return [
        {
            "name": wording.safe_text(name),
            "students": len(members),
            "heard": sum(bool(r["strings"]) for r in members),
            "few": _few(sum(bool(r["strings"]) for r in members), "student"),
            "typical": median_text([abs(c) for s in strings if (c := counted_from(s)) is not None]),
            "bar": class_pictures.bar_svg(count),
            "words": class_pictures.sentence(count),
        }
        for name, members, strings, count in counted
    ]  # fmt: skip


def _agreement(
    class_list: list[Record], titles: Mapping[str, str], by_id: Mapping[str, dict[str, Any]]
) -> dict[str, Any] | None:
    """How far her points and the measured ones agree, in words; None where no two overlap."""
    found = agreement(class_list)
    if found is None:
        return None
    return {
        "pairs": found["all"]["pairs"],
        "exact": percent(found["all"]["exact"]),
        "criteria": [
            {
                "title": titles.get(row["id"], row["id"]),
                "pairs": row["pairs"],
                "exact": percent(row["exact"]),
                "adjacent": percent(row["adjacent"]),
                "kappa": _kappa(row),
            }
            for row in found["criteria"]
        ],
        "disagreements": [
            {
                "student": by_id[row["student_id"]],
                "title": titles.get(row["criterion"], row["criterion"]),
                "measured": points_text(row["measured"]),
                "teacher": points_text(row["teacher"]),
                "of": points_text(row["of"]),
                "at": "" if (at := wording.clock(row["at_s"])) in row["text"] else at,
                "text": one_line(row["text"]),
                "comment": one_line(row["comment"] or ""),
            }
            for row in found["disagreements"]
        ],
    }


def _blind(ticket: Mapping[str, Any]) -> dict[str, Any] | None:
    """How often the ear agrees with the machine on strings judged blind, in words."""
    found = blind_agreement(ticket.get("blind", ()))
    if found is None:
        return None
    return {
        "pairs": found["pairs"],
        "exact": percent(found["exact"]),
        "kappa": _kappa(found),
        "weeks": [
            {**week, "exact": percent(week["exact"]), "kappa": _kappa(week)}
            for week in found["weeks"]
        ],
    }


def _kappa(row: Mapping[str, Any]) -> str:
    if row["kappa"] is None:
        return "not defined"
    kappa = wording.number(row["kappa"], 2)
    if row["low"] is None:
        return kappa
    return f"{kappa} ({wording.number(row['low'], 2)} to {wording.number(row['high'], 2)})"
