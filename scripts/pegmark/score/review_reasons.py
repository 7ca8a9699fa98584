"""What only the teacher's ear can settle, in words for the teacher: problems of a record.

Students and parents do not read these. Each problem says which criteria it concerns: the take is
done with as soon as the teacher has given points for all of them.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pegmark.records.states import DECISIONS
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.problems import Problem
    from pegmark.records.student import StudentProblem

# Criteria of pitch: what noise or a wrong speed leaves open. How a string was turned goes to the
# student's favour where it was not heard.
PITCH_KINDS = frozenset({"final_pitch", "whole_pitch"})
PITCH_FAULTS = frozenset({"noisy", "speed_fault", "speed_question", "recording_speed"})
# Told to the teacher, and no question: a string that these make doubtful says so itself.
TOLD_ONLY = frozenset({"string_unsure", "too_quiet"})
LEVEL_WORDS = {"in_tune": "in tune", "close": "close", "out": "out"}
# So many notes without a name before the last turn are worth telling: one or two are a slip of the
# ear.
HIDDEN_NOTES = 3

MESSAGES: dict[str, tuple[str, str]] = {
    "string_not_heard": (
        "{string} was not heard.",
        "Listen to hear whether it was played, or ask for a new recording.{other_instrument}",
    ),
    "which_string": (
        "It is not clear which notes are {string}{at}.",
        "Listen to hear how {string} was left.{other_instrument}",
    ),
    "pitch_unsure": (
        "{string} was left at {cents:+.1f} cents, give or take {half:.1f}{at}: too unsure for a "
        "verdict.",
        "Listen to {string}.",
    ),
    "interval_unsure": (
        "{string} is {cents:+.1f} cents from a pure interval to {other}, give or take "
        "{half:.1f}{at}: too uncertain for a verdict.",
        "Listen to the two strings together.",
    ),
    "fell_far": (
        "{string} seems to have fallen far after it was set{at}: a peg let go, or it is another "
        "sound.",
        "Listen to {string}.",
    ),
    "far_off": (
        "{string} seems to stand {cents:+.0f} cents from the others{at}: so far that it may be "
        "another sound.",
        "Listen to {string}.{other_instrument}",
    ),
    "slipped_left": (
        "{slipped} slipped {down:.0f} cents{at} and was left there: {string} had been {before}, "
        "and is {left}.",
        "A slip is nobody's fault: decide whether {string} counts as it was set or as it was left.",
    ),
    "pitch_contradicts": (
        "{string} alone and with {other} give different pitches{at}.",
        "Listen to both strings.",
    ),
    "no_a_heard": (
        "No A was heard to judge {string} by.",
        "Listen to hear which A the student tuned to.",
    ),
    "neighbour_unsure": (
        "{other} is not known, so the interval of {string} to it is not either.",
        "Listen to the two strings together.",
    ),
    "method_unheard": (
        "The way of tuning the assignment asks for was not heard.",
        "Watch and listen to how the student tuned.",
    ),
    "already_in_tune": (
        "Nothing was turned in this take: all strings were in tune when it began.",
        "Decide once what that earns.",
    ),
    "no_turns": (
        "Nothing was turned in this take, and not all strings are in tune.",
        "Check whether the student tuned at all.",
    ),
    "no_a_sounded": (
        "The task is to tune to a sounded A, and no A was heard to judge {string} by.",
        "Listen to hear which A the student tuned to. If it sounds in earphones, write unheard_a: "
        "reference in assignment.yaml: then {string} counts from the assignment's A.",
    ),
    "whole_unsure": (
        "The pitch of the whole instrument is too uncertain for a verdict.",
        "Listen to the strings.",
    ),
    "noisy": (
        "The recording is noisy ({snr:.0f} dB above the noise): notes may have been missed.",
        "Listen to the take.",
    ),
    "recording_speed": (
        "The recording ran at the wrong speed; {cents:+.1f} cents were taken out of all pitches.",
        "Listen to the take beside a sounded A.",
    ),
    "not_measured": (
        "The program could not measure this take.",
        "Run it again; if it happens again, look in results/logs.",
    ),
    "other_take_open": (
        "Take {attempt} could not be compared in full: {open:g} of its points are open.",
        "Listen to it if it may be the better one.",
    ),
    "other_take_unreadable": (
        "Take {attempt} could not be read, so the one that can be read counts.",
        "Ask for it again if it matters.",
    ),
    "marks_of_other_take": (
        "Your points for {criteria} were given for the take of {when}; another take counts now.",
        "Keep them or give new ones on the dashboard; until then these points are open.",
    ),
    "later_take_empty": (
        "Take {attempt} came later, but nothing can be heard in it: an earlier take was graded.",
        "Ask for it again if it was meant to count.",
    ),
    "mark_not_used": (
        "The mark for {criterion} ({points:g}) does not fit the rubric and was not used.",
        "Correct it in marks.csv.",
    ),
}


# Where only the string is in doubt that another instrument does not have.
OTHER_INSTRUMENT = " If it is a {0}, write {0} in the instrument column of roster.csv."


@dataclass(frozen=True)
class Doubt:
    """Something only the teacher's ear can settle, before it becomes a problem of the record.

    From `at_s` to `end_s` is the passage that one listening settles it by. `fields` are what its
    message needs beyond the string and the time.
    """

    code: str
    string: str | None = None
    at_s: float | None = None
    end_s: float | None = None
    fields: tuple[tuple[str, Any], ...] = ()


def as_problem(doubt: Doubt, criteria: Collection[str]) -> StudentProblem:
    """The record's problem of a doubt that concerns the criteria with these ids."""
    message, action = MESSAGES[doubt.code]
    at = f" at {wording.clock(doubt.at_s)}" if doubt.at_s is not None else ""
    fields = {"string": doubt.string, "at": at, "other_instrument": "", **dict(doubt.fields)}
    if fields["other_instrument"]:
        fields["other_instrument"] = OTHER_INSTRUMENT.format(fields["other_instrument"])
    points = f" Then give points for: {', '.join(criteria)}." if criteria else ""
    return {
        "code": doubt.code,
        "message": message.format(**fields),
        "action": action.format(**fields) + points,
        "criteria": list(criteria),
        "string": doubt.string,
        "at_s": doubt.at_s,
        "end_s": doubt.end_s,
    }


def from_stage(
    problem: Problem, kinds: dict[str, str], hidden_notes: int = HIDDEN_NOTES
) -> StudentProblem | None:
    """A problem of an earlier stage with the criteria it concerns; None where it changes nothing.

    `kinds` holds criteria of the rubric, id -> kind: all that can be concerned. `hidden_notes` is
    how many notes without a name were sounded before the last turn.
    """
    criteria = [one for one in kinds if one in problem.get("criteria", kinds)]
    if problem["code"] == "string_unsure" and hidden_notes < HIDDEN_NOTES:
        return None
    if problem["code"] in TOLD_ONLY:
        criteria = []
    elif problem["code"] in PITCH_FAULTS:
        criteria = [one for one in criteria if kinds[one] in PITCH_KINDS]
    return {
        "code": problem["code"],
        "message": problem["message"],
        "action": problem["action"],
        "criteria": criteria,
        "string": problem.get("string"),
        "at_s": problem.get("at_s"),
        "end_s": problem.get("end_s"),
    }


def is_for_the_ear(problem: StudentProblem) -> bool:
    """Whether a problem leaves points open until somebody has listened."""
    return bool(problem["criteria"]) and problem["code"] not in DECISIONS


def settled(problem: StudentProblem, marked: Collection[str]) -> bool:
    """Whether the teacher has given points for every criterion that a problem names."""
    return bool(problem["criteria"]) and set(problem["criteria"]) <= set(marked)
