"""Sentences for students and their parents: fills the templates of one language.

No sentence lives here: all of them come from the `score` part of config/comments*.yaml, as
`str.format` templates with named fields. What the fields hold is said once, in `Voice`.

The next step is the one thing to try next: what cost most, then the string that comes first. What
can harm the instrument (a string far above its pitch) goes before everything else, and what made
the take unclear goes before points that may be lost by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pegmark.words import wording
from pegmark.words.waves import waves

if TYPE_CHECKING:
    from pegmark.records.student import Criterion, Evidence, NextStep, Record, StudentProblem

# Observations of what can break a string: they go before everything else.
HARM = frozenset({"far_above", "went_far_above"})
# Observations of all strings together: one step for all of them, not one string's.
ALL_STRINGS = frozenset({"another_a", "another_a_heard", "whole_sharp", "whole_flat"})
# Problems of another of the student's takes say nothing of how to play this one; what slipped has
# its own step.
NO_STEP = frozenset(
    {"later_take_empty", "other_take_open", "other_take_unreadable", "take_undecided",
     "slipped_left"}
)  # fmt: skip
LEAST_LOSS = 0.005  # points are told to a hundredth: less is rounding


@dataclass(frozen=True)
class Voice:
    """The sentences of one language (the `score` part of its file)."""

    sentences: dict[str, Any]

    def say(self, key: str, **fields: Any) -> str:
        """The sentence `key` ("evidence.string_out") with its fields filled in.

        `string`, `other`, `wanted` are string names (A4); `strings` a list of them; `cents` is a
        deviation, of which the size is said; `direction` a deviation, `width` an interval's;
        `hertz` a pitch; `at_s` becomes the fields `time`, m:ss, and `at`, the language's words for
        "at that time" (empty without a time); `beats` a second are said as waves; `way` is one of
        the ways of tuning; the rest goes in as it is.
        """
        template = self.sentences
        for part in key.split("."):
            template = template[part]
        words = dict(self._worded(*field) for field in fields.items())
        time = words.get("time")
        words["at"] = self.sentences["words"]["at"].format(time=time) if time else ""
        return str(template).format(**words)

    def has(self, key: str) -> bool:
        """Whether the language has the sentence `key`."""
        part, name = key.split(".")
        return name in self.sentences[part]

    def string(self, name: str) -> str:
        """What a string is called: A for A4, F♯ for F#1."""
        letter = wording.letter(name)
        return str(self.sentences["notes"].get(letter[0], letter[0])) + letter[1:]

    def _worded(self, name: str, value: Any) -> tuple[str, Any]:
        """A field as the sentence takes it: its name and its words."""
        words = self.sentences["words"]
        if name == "at_s":
            return "time", wording.clock(value)
        if value is None:
            return name, ""
        if name in ("string", "other", "wanted"):
            return name, self.string(value)
        if name == "strings":
            return name, wording.listed([self.string(one) for one in value], words["and"])
        if name == "cents":
            return name, wording.cents(value, words["decimal"])
        if name == "beats":
            return name, waves(value, words["waves"])
        if name.endswith("hertz"):
            return name, wording.number(value, 1, words["decimal"])
        if name == "direction":
            return name, words["high" if value > 0 else "low"]
        if name == "way":
            return name, words["ways"][value]
        if name == "width":
            return name, words["wide" if value > 0 else "narrow"]
        return name, value


def evidence(
    voice: Voice,
    code: str,
    at_s: float | None = None,
    string: str | None = None,
    lost: float = 0.0,
    passage: tuple[float, float] | None = None,
    beside: tuple[float, float] | None = None,
    **fields: Any,
) -> Evidence:
    """One piece of evidence: its sentence, its second, its string, the points it cost.

    From start_s to end_s it can be listened to; for an interval of two strings that were sounded
    apart `beside` is the other one's passage.
    """
    text = voice.say(f"evidence.{code}", at_s=at_s, string=string, **fields)
    start_s, end_s = passage or (at_s, None)
    found: Evidence = {
        "code": code, "text": text, "at_s": at_s, "string": string, "lost": lost,
        "start_s": start_s, "end_s": end_s,
    }  # fmt: skip
    if beside:
        found["beside"] = beside
    return found


def next_step(record: Record, order: list[str], pegs: str, voice: Voice) -> NextStep:
    """The one thing to try next, from a scored record.

    `order` are the strings that come first; `pegs` is "friction" or "machine".
    """
    for seen in record["observations"]:
        if seen["code"] in HARM:
            return _step(voice, seen["code"], string=seen["string"])
    costly = _costliest(record, order)
    doubts = [p for p in record["problems"] if p["criteria"] and p["code"] not in NO_STEP]
    if costly is not None:
        doubts = [p for p in doubts if costly[0]["id"] in p["criteria"] and p["string"] is None]
    if doubts:
        return _step_for_doubts(record, doubts, voice)
    slipped = _slipped(record, left_so=costly is not None)
    if slipped is not None:
        return _step(voice, f"slipping_peg_{pegs}", string=slipped)
    if costly is not None:
        return _step_for_loss(record, *costly, order, voice)
    left_out = _left_out(record, order)
    if left_out is not None:
        return _step_for_string(record, left_out, voice)
    return _step(voice, f"challenge_{record['reference']['method']}")


def _slipped(record: Record, left_so: bool) -> str | None:
    """A string that slipped, and was left out of tune so if `left_so`."""
    slipped = [o["string"] for o in record["observations"] if o["code"] == "slipping_peg"]
    names = [name for name in slipped if name is not None]
    out = ("close", "out")
    return next((n for n in names if not left_so or record["strings"][n]["verdict"] in out), None)


def _left_out(record: Record, order: list[str]) -> str | None:
    """A string left out of tune that no criterion of the rubric looks at."""
    if any(c["kind"] == "final_pitch" for c in record["score"]["criteria"]):
        return None
    names = list(dict.fromkeys([*order, *record["strings"]]))
    return next((n for n in names if record["strings"][n]["verdict"] == "out"), None)


def _step(voice: Voice, code: str, **fields: Any) -> NextStep:
    return {"code": code, "text": voice.say(f"next_step.{code}", **fields)}


def _step_for_doubts(record: Record, doubts: list[StudentProblem], voice: Voice) -> NextStep:
    """What would make the next take clear; where several strings are unclear, all of them."""
    code, string = doubts[0]["code"], doubts[0]["string"]
    if code in ("method_unheard", "interval_unsure"):
        code = f"method_{record['reference']['method']}_unheard"
    elif len({p["string"] for p in doubts}) > 1 or not voice.has(f"next_step.{code}"):
        code = "play_clearly"
    return _step(voice, code, string=string)


def _costliest(record: Record, order: list[str]) -> tuple[Criterion, Evidence | None] | None:
    """The criterion that lost most (ties: the rubric's order) and its costliest evidence."""
    lost = [
        (c, c["of"] - c["points"] - c["open"])
        for c in record["score"]["criteria"]
        if c["points"] is not None
    ]
    lost = [(c, points) for c, points in lost if points > LEAST_LOSS]
    if not lost:
        return None
    criterion = max(lost, key=lambda item: item[1])[0]

    def rank(item: Evidence) -> tuple[float, int]:
        names = [*order, *record["strings"]]
        return -item["lost"], names.index(item["string"]) if item["string"] else len(names)

    losses = [item for item in criterion["evidence"] if item["lost"] > 0]
    return criterion, min(losses, key=rank) if losses else None


def _step_for_loss(
    record: Record,
    criterion: Criterion,
    item: Evidence | None,
    order: list[str],
    voice: Voice,
) -> NextStep:
    if item is None:  # points the teacher kept back: nothing measured says why
        own = f"criterion_{criterion['id']}"
        code = own if voice.has(f"next_step.{own}") else "criterion"
        return _step(voice, code, title=criterion["title"])
    string, code = item["string"], item["code"]
    if string is None or not code.startswith(("string_", "interval_")):
        return _step(voice, code, string=string, wanted=order[0], strings=order)
    seen = {o["code"] for o in record["observations"] if o["string"] == string}
    if "pulled" in seen:
        return _step(voice, "pulled", string=string)
    if any(o["code"] in ALL_STRINGS for o in record["observations"]):
        tuner = record["reference"]["method"] == "tuner"
        wanted_hertz = record["reference"]["a4_hz"]
        return _step(voice, "another_a_tuner" if tuner else "whole_off", wanted_hertz=wanted_hertz)
    return _step_for_string(record, string, voice)


def _step_for_string(record: Record, string: str, voice: Voice) -> NextStep:
    """How to tune one string that was left out of tune."""
    judged = record["strings"][string]["judged"]
    if judged["against"] == "neighbour":
        return _step(voice, "interval", string=string, other=judged["neighbour"])
    high = (judged["cents"] or 0.0) > 0
    return _step(voice, "string_high" if high else "string_low", string=string)
