"""Records of one student: records/ and scores/<student_id>.json.

Deviations are against the assignment's reference. Fields may be added, never renamed or removed.
"""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from pegmark.records.take import Interval, Span
from pegmark.records.values import (
    Also,
    Attempt,
    Code,
    Count,
    CriterionId,
    HalfWidth,
    Heard,
    Hz,
    InstrumentName,
    Kind,
    Method,
    Moment,
    Points,
    Rank,
    Role,
    Said,
    Seconds,
    Sha256,
    Share,
    StringName,
    StudentId,
    TakeId,
    Temperament,
    Verdict,
)

Status = Literal["graded", "needs_listening", "unreadable", "missing", "excused"]
CriterionKind = Literal[
    "final_pitch", "order", "sounding_while_turning", "small_moves", "final_check", "method_used",
    "whole_pitch", "teacher",
]  # fmt: skip
By = Literal["measured", "teacher", "open"]
Against = Literal["assignment", "reference_tone", "own_a", "neighbour"]
# Why nothing could be said of a string.
Reason = Literal[
    "string", "fell", "far", "wide", "contradiction", "no_a", "no_a_sounded", "no_neighbour",
]  # fmt: skip
# Points stay open where nothing decided them, and only there.
OPEN_OR_NOT = Also(
    allOf=[
        {
            "if": {"properties": {"by": {"const": "open"}}},
            "then": {
                "properties": {
                    "open": {"exclusiveMinimum": 0},
                    "measured_points": {"type": "null"},
                }
            },
            "else": {"properties": {"open": {"const": 0}, "points": {"type": "number"}}},
        }
    ]
)


class StudentName(TypedDict):
    """Who it is, as the roster says."""

    student_id: StudentId
    family_name: str
    given_name: str
    instrument: InstrumentName
    section: str


class StudentProblem(TypedDict):
    """One thing that needs a person."""

    code: Code
    message: str
    action: str
    criteria: list[CriterionId]  # those that it leaves open until they are marked
    string: StringName | None
    at_s: Seconds | None
    end_s: Seconds | None  # with at_s: the passage that one listening settles it by


class Submission(TypedDict):
    """The recording that counts."""

    file: str
    sha256: Sha256
    take: TakeId
    attempt: Attempt | None
    attempts: Attempt
    received: str | None
    hours_late: Annotated[float, Also(minimum=0)] | None
    duration_s: Seconds | None
    container: str | None
    codec: str | None
    sample_rate_hz: float | None


class RecordingQuality(TypedDict):
    """How it was recorded (see take.Recording)."""

    snr_db: float | None
    clipped_fraction: Share | None
    speed_error_cents: float | None
    low_cut_hz: float | None
    gated: bool | None
    hum_hz: NotRequired[float | None]
    pumping: NotRequired[bool | None]
    level_dbfs: NotRequired[float | None]


class Reference(TypedDict):
    """What the assignment counts pitches from."""

    a4_hz: Hz  # of a range the A that counts for this take
    a4_least_hz: NotRequired[Hz]
    a4_most_hz: NotRequired[Hz]
    temperament: Temperament
    method: Method


class Levels(TypedDict):
    """How far from home a string is still in tune, and still close."""

    in_tune_cents: Annotated[float, Also(exclusiveMinimum=0)]
    close_cents: Annotated[float, Also(exclusiveMinimum=0)]


class StudentNote(TypedDict):
    """A note (see take.MeasuredNote)."""

    start_s: Seconds
    end_s: Seconds
    kind: Kind
    string: StringName | None
    string_2: NotRequired[StringName | None]
    f0_hz: Hz | None
    f0_2_hz: NotRequired[Hz | None]
    deviation_cents: float | None
    uncertainty_cents: HalfWidth | None
    attack_drift_cents: float | None
    role: Role | None
    track: list[tuple[Seconds, float | None]]
    interval_cents: NotRequired[float | None]
    beats_hz: NotRequired[float | None]


class Move(TypedDict):
    """A turn of the peg as it is judged."""

    start_s: Seconds
    end_s: Seconds
    from_cents: float
    to_cents: float
    sounding: bool | None
    sure: bool  # whether it was surely a turn of this size
    turned_s: Seconds  # when the pitch began to move
    since_s: Seconds  # the last sounding before it
    uncertainty_cents: HalfWidth | None  # of its size
    repair: bool  # it only put right what had slipped: it costs nothing


class OwnChange(TypedDict):
    """A change that a string made by itself."""

    start_s: Seconds
    end_s: Seconds
    from_cents: float
    to_cents: float
    cause: Literal["slip", "pull"]


class Overshoot(TypedDict):
    """Where a string was turned past its home, and by how much."""

    at_s: Seconds
    cents: float


class Judged(TypedDict):
    """What a string's verdict rests on."""

    against: Against
    cents: float | None
    off_cents: float | None  # outside where it may stand
    uncertainty_cents: HalfWidth | None
    neighbour: StringName | None
    reason: Reason | None
    before_slip: Literal["in_tune", "close"] | None
    """The better verdict that it had before something slipped and was left so."""


class StudentString(TypedDict):
    """A string as it was tuned, left (see take.MeasuredString) and judged."""

    target_hz: Hz
    f0_hz: Hz | None
    deviation_cents: float | None
    uncertainty_cents: HalfWidth | None
    kind: Kind | None
    at_s: Seconds | None
    notes: Count
    heard: Heard
    start_cents: float | None
    tuned_as: Rank | None
    moves: list[Move]
    largest_move_cents: float | None
    slipped_cents: float | None
    drift_cents: float | None
    settled_s: Seconds | None
    checked_s: Seconds | None
    deciding: Span | None
    verdict: Verdict
    close_call: bool  # it had the better side of it
    judged: Judged
    home_cents: Annotated[list[float], Also(minItems=2, maxItems=2)]
    """Where the string may stand, lowest and highest, against its target: the span of its targets,
    from the A heard or beside its neighbour where those count."""
    zero_cents: float  # what its deviation was counted from in judging, against its target
    reversals: Count  # turns that went back
    silent_moves: Count
    settle_s: float | None  # from its first turn to its last
    overshoots: list[Overshoot]
    turned_back_s: list[Seconds]
    largest_silent: Move | None
    own_changes: list[OwnChange]


class Evidence(TypedDict):
    """Why points were given or lost, and where to hear it."""

    code: Code
    text: Said
    at_s: Seconds | None
    string: StringName | None
    lost: Points
    start_s: Seconds | None  # the passage that holds it
    end_s: Seconds | None
    beside: NotRequired[tuple[Seconds, Seconds]]  # of an interval whose strings sounded apart


class GivenFor(TypedDict):
    """A mark that was given for another take than the one that counts."""

    points: Points
    comment: str
    saved_at: str | None
    take: TakeId | None  # None: that take is not there any more
    file: str | None
    received: str | None
    measured_points: Points | None  # what was measured in the take that counts


class Criterion(TypedDict):
    """What one line of the rubric was worth."""

    id: CriterionId
    title: Said
    kind: CriterionKind
    points: Points | None  # those that are sure so far
    of: Annotated[float, Also(exclusiveMinimum=0)]
    by: By
    open: Points
    measured_points: Points | None
    evidence: list[Evidence]
    comment: str | None  # the teacher's
    saved_at: str | None
    given_for: GivenFor | None
    close_call: bool


class Late(TypedDict):
    """What the class's policy takes off, on its own line."""

    points_off: Points
    total: Points


class Score(TypedDict):
    """The points of a student."""

    criteria: Annotated[list[Annotated[Criterion, OPEN_OR_NOT]], Also(minItems=1)]
    total: Points | None  # what is sure
    of: Annotated[float, Also(exclusiveMinimum=0)]
    open: Points  # what is not
    late: Late | None


ObservationCode = Literal[
    "far_above", "went_far_above", "slipping_peg", "false_string", "beating_string",
    "string_changed", "pulled", "went_past", "against_each_other", "another_a",
    "another_a_heard", "whole_sharp", "whole_flat", "tone_other_a", "harmonics",
    "way_by_ear", "way_string_to_string", "way_apart",
]  # fmt: skip


class Observation(TypedDict):
    """Something worth saying that costs nothing."""

    code: ObservationCode
    text: Said
    at_s: Seconds | None
    string: StringName | None


class NextStep(TypedDict):
    """The one thing to work on."""

    code: Code
    text: Said


class OtherTake(TypedDict):
    """A recording that does not count."""

    file: str
    sha256: Sha256
    received: Moment | None


class Record(TypedDict):
    """records/<student_id>.json, version 1."""

    schema_version: Literal[1]
    language: str
    student: StudentName
    status: Status
    problems: list[StudentProblem]
    settled_problems: list[StudentProblem]  # those that the teacher's marks have answered
    submission: Submission | None
    recording: RecordingQuality | None
    reference: Reference
    tolerances: dict[StringName, Levels]
    notes: list[StudentNote]
    speech: list[Span]
    strings: dict[StringName, StudentString]
    order: list[StringName]
    last_turn_s: Seconds | None
    intervals: list[Interval]
    score: Score
    observations: list[Observation]
    next_step: NextStep | None
    other_takes: list[OtherTake]
    stills: NotRequired[list[str]]  # small pictures of the instrument, files beside the clips


class ShortRecord(TypedDict):
    """scores/<student_id>.json: the short form of a record."""

    schema_version: Literal[1]
    student_id: StudentId
    status: Status
    problems: list[StudentProblem]
    score: Score
    verdicts: dict[StringName, Verdict]
    observations: list[Observation]
    next_step: NextStep | None
