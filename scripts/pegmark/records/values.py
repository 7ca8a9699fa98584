"""The values that records are made of: what a number counts, what a text may look like.

Every type here is a plain float, int or str to the program; `Also` adds what the JSON Schema says
of it beyond that (`scripts/lab/make_schemas.py`). Unknown is None (null), never a number.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pegmark.records.take_names import TAKE_DIGITS


class Also:
    """Keywords of JSON Schema that a type of Python cannot say; for Annotated."""

    def __init__(self, **keywords: Any):
        self.keywords = keywords


NOT_NEGATIVE = Also(minimum=0)
POSITIVE = Also(exclusiveMinimum=0)
CODE_PATTERN = Also(pattern="^[a-z0-9_]+$")
SHARE = Also(minimum=0, maximum=1)
MOMENT = Also(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d")
SAID = Also(minLength=1)

Seconds = Annotated[float, NOT_NEGATIVE]  # from the take's start, or a duration
Hz = Annotated[float, POSITIVE]
HalfWidth = Annotated[float, NOT_NEGATIVE]  # of a 95 % interval, in cents
Distance = Annotated[float, NOT_NEGATIVE]  # in cents, whichever way
Share = Annotated[float, SHARE]
Points = Annotated[float, NOT_NEGATIVE]
Count = Annotated[int, NOT_NEGATIVE]
Rank = Annotated[int, Also(minimum=1, maximum=5)]  # 1: the first
Attempt = Annotated[int, Also(minimum=1)]

Code = Annotated[str, CODE_PATTERN]  # of a problem, an observation, a sentence
CriterionId = Annotated[str, Also(pattern="^[a-z][a-z0-9_]{0,31}$")]
StringName = Annotated[str, Also(pattern="^[A-G][#b]?-?[0-9]$")]  # scientific pitch notation
TakeId = Annotated[
    str, Also(pattern=f"^[0-9a-f]{{{TAKE_DIGITS}}}-[a-z0-9_-]+$")
]  # content and instrument
StudentId = Annotated[str, Also(pattern="^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
Sha256 = Annotated[str, Also(pattern="^[0-9a-f]{64}$")]
Moment = Annotated[str, MOMENT]  # ISO 8601 with its zone
Language = Annotated[str, Also(pattern="^[a-z]{2,3}(-[A-Za-z0-9]{2,8})?$")]
Said = Annotated[str, SAID]  # a sentence, never empty

InstrumentName = Literal["violin", "viola", "cello", "double bass"]
Kind = Literal["plucked", "bowed", "two_strings", "harmonic", "reference_tone"]
Role = Literal["tuning", "final", "check"]
Heard = Literal["heard", "not_heard", "unsure"]
Verdict = Literal["in_tune", "close", "out", "not_heard", "unsure"]
State = Literal["received", "missing", "excused"]
Temperament = Literal["equal", "pure"]
Method = Literal["tuner", "by_ear", "string_to_string"]
Attempts = Literal["latest", "best"]
Drafts = Literal["complete", "all"]
