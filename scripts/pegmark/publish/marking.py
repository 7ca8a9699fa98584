"""What the marking of a class needs of one take: what to play, what to ask, what was given before.

The page's script makes of it one flow: by criterion or by student, the questions for the ear, or
whose a file is.
All of it is data of the page, so that nothing has to be loaded but sound and pictures.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pegmark.files.tables import clean_cell
from pegmark.publish.class_records import recording_address
from pegmark.publish.page_words import one_line
from pegmark.publish.todo import FILE_LIMIT, is_asked, is_decision
from pegmark.render.clips import clip_name, evidence_clip
from pegmark.render.stills import looks_of, still_names
from pegmark.settings.rubric import setting
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record

# The answers to "is this string in tune?" (keys 1 to 4): the words of each and whether it earns.
BY_EAR = (
    ("in_tune", "in tune", True),
    ("high", "too high", False),
    ("low", "too low", False),
    ("unclear", "cannot tell", True),  # what even an ear cannot tell counts for the student
)
GIVE_POINTS = " Then give points for:"  # what the flow itself asks for
UNHEARD = ("unsure", "not_heard")  # verdicts that leave a string's points open


def take_of(record: Record) -> str | None:
    """The id of the take that counts; marks carry it."""
    return record["submission"]["take"] if record["submission"] else None


def media_of(record: Record, with_stills: bool) -> dict[str, Any]:
    """The sounds and moments of a take.

    Returns
    -------
    ``video`` : address of the recording beside the page, or None; ``file`` its name.
    ``speech`` : address of the spoken passages joined, or None.
    ``looks`` : [start, end] in seconds, before the first note and after the last.
    ``stills`` : addresses that small pictures from these moments may have, none without them.
    """
    submission = record.get("submission")
    folder = f"clips/{record['student']['student_id']}"
    return {
        "video": recording_address(submission["file"]) if submission else None,
        "file": wording.safe_text(submission["file"]) if submission else "",
        "speech": f"{folder}/{clip_name('speech')}" if record["speech"] else None,
        "looks": looks_of(record),
        "stills": [f"{folder}/{name}" for name in still_names()]
        if with_stills and record["notes"]
        else [],
    }


def files_of(ticket: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The recordings of which the teacher is asked whose they are.

    Returns
    -------
    ``file`` : as a line of matches.csv names it, ``shown`` as the page does.
    ``asked`` : why it is not known; ``guesses`` : ids of those who may be meant.
    ``video`` : address of the recording beside the page, or None.
    """
    return [
        {
            "file": clean_cell(question["file"]),
            "shown": wording.safe_text(question["file"], FILE_LIMIT),
            "asked": one_line(question["asked"]),
            "guesses": question["guesses"],
            "video": recording_address(question["file"]),
        }
        for question in ticket.get("questions", [])
    ]


def questions_of(
    record: Record,
    ear: Mapping[str, Mapping[str, Any]],
    disagreements: list[dict[str, Any]],
    rubric: Mapping[str, Any],
) -> list[dict[str, Any]]:
    """The questions that one listening or one decision answers, in the order of the problems.

    Parameters
    ----------
    ear : of the publish ticket: sentences of the answers by language.
    disagreements : what the second opinion heard otherwise in this take.
    rubric : the class's.

    Returns
    -------
    ``decision`` : whether it is asked while marking: nothing has to be heard for it.
    ``criteria`` : ids that the answer gives points for.
    ``ask`` : what is asked. ``ways`` : the answers that one key gives, each with its ``words``, the
    string's ``points``, and the ``comment`` it leaves in the student's language; empty where points
    are given.
    ``clip`` : address of the passage, or None; ``at_s`` where it stands in the recording.
    """
    asked: list[tuple[Mapping[str, Any], str, str]] = []
    if record["status"] != "unreadable":
        asked = [(p, p["message"], p["action"]) for p in record["problems"] if is_asked(p)]
    for found in disagreements:
        message = (
            f"{found['string']}: measured {found['f0_hz']:.2f} Hz, "
            f"by the second opinion {found['second_hz']:.2f} Hz."
        )
        criteria = _of_kind(record, "final_pitch")
        asked.append(({**found, "criteria": criteria}, message, "Is it in tune?"))
    return [_question(record, ear, *one, rubric) for one in asked]


def _question(
    record: Record,
    ear: Mapping[str, Mapping[str, Any]],
    about: Mapping[str, Any],
    message: str,
    action: str,
    rubric: Mapping[str, Any],
) -> dict[str, Any]:
    name = about.get("string") or ""
    share = _share(record, about, name)
    words = ear.get(record.get("language") or "", {})
    string = wording.letter(name)
    said = words.get("notes", {}).get(string[:1], string[:1]) + string[1:]
    ways = [] if share is None else _ways(record, about, name, share, rubric)
    return {
        "message": one_line(message),
        "decision": is_decision(record, about),
        "criteria": list(about["criteria"]),
        "ask": one_line(_asked(about, string, action.split(GIVE_POINTS)[0]) if ways else action),
        "ways": [
            {"words": way, "points": points, "comment": str(words.get(key, "")).format(string=said)}
            for key, way, points in ways
        ],
        "clip": _clip_of(record, about, name),
        "at_s": about.get("at_s"),
    }


def _clip_of(record: Record, about: Mapping[str, Any], name: str) -> str | None:
    """The address of the passage that answers a question about a string: of the sentence that says
    what is open (two strings together), else the string's own."""
    clip = None
    for row in record["score"]["criteria"]:
        for place, item in enumerate(row["evidence"] if row["id"] in about["criteria"] else ()):
            if name and item.get("string") == name:
                clip = clip or evidence_clip(record, row["id"], place)
    if clip is None and name in record["strings"] and record["strings"][name].get("deciding"):
        clip = clip_name(name)
    return f"clips/{record['student']['student_id']}/{clip}" if clip else None


def _share(record: Record, about: Mapping[str, Any], name: str) -> float | None:
    """The points of one string, where the question leaves just these open."""
    strings = record["strings"]
    criteria = [c for c in record["score"]["criteria"] if c["id"] in about["criteria"]]
    if name not in strings or len(criteria) != 1 or criteria[0]["kind"] != "final_pitch":
        return None
    still_open = [one for one, string in strings.items() if _is_open(string)]
    if name not in still_open or not criteria[0]["open"]:
        return None
    return round(criteria[0]["open"] / len(still_open), 4)


def _is_open(string: Mapping[str, Any]) -> bool:
    """Whether the points of a string are open: not heard well enough, or left as it had slipped."""
    judged = string.get("judged") or {}
    return string["verdict"] in UNHEARD or judged.get("before_slip") is not None


def _ways(
    record: Record,
    about: Mapping[str, Any],
    name: str,
    share: float,
    rubric: Mapping[str, Any],
) -> list[tuple[str, str, float]]:
    """The answers to a question of one string: their sentence, their words, what they earn."""
    if about.get("code") != "slipped_left":
        return [(key, words, share if earns else 0.0) for key, words, earns in BY_EAR]
    string = record["strings"][name]
    criterion = next(c for c in rubric["criteria"] if c["id"] == about["criteria"][0])
    levels = setting(criterion, "levels")
    verdicts = (("as_set", "as it was set", string["judged"]["before_slip"]),
                ("as_left", "as it was left", string["verdict"]))  # fmt: skip
    return [(key, words, round(share * levels[verdict], 4)) for key, words, verdict in verdicts]


def _asked(about: Mapping[str, Any], string: str, action: str) -> str:
    return action if about.get("code") == "slipped_left" else f"Is the {string} string in tune?"


def _of_kind(record: Record, kind: str) -> list[str]:
    return [c["id"] for c in record["score"]["criteria"] if c.get("kind") == kind]
