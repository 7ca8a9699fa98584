"""Records of one take: decoded/, notes/, strings/, measured/<take>.json.

All times are seconds from the take's start. All deviations are cents against EQUAL temperament at
A4 = 440 Hz; score shifts them to the assignment's reference. Floats are rounded on writing to four
digits. None (null) is unknown. Fields may be added, never renamed or removed.
"""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from pegmark.records.problems import Problem
from pegmark.records.values import (
    Also,
    Count,
    Distance,
    HalfWidth,
    Heard,
    Hz,
    Kind,
    Rank,
    Role,
    Seconds,
    Share,
    StringName,
    TakeId,
)

Readable = Literal["ok", "unreadable"]


class DecodedFacts(TypedDict):
    """The facts of a recording's container."""

    status: Readable
    problems: list[Problem]
    container: str | None
    codec: str | None
    sample_rate_hz: int | None  # the source's
    channels: int | None
    channel_choice: str | None  # mono, mix, left, right, ...
    duration_s: Seconds | None  # decoded
    declared_duration_s: Seconds | None  # what the container says
    recorded_at: str | None  # when the container says it was recorded, ISO 8601: a hint
    clipped_fraction: Annotated[float, Also(minimum=0)] | None  # at the source's rate
    filled_s: Seconds | None  # silence put in for damaged passages
    cut: bool  # longer than the most that is listened to
    rate_hz: int  # of the audio
    samples: Count


class Decoded(DecodedFacts):
    """decoded/<take>.json: the facts of a recording's container. decoded/<take>.npy is the audio,
    float32, shape (samples,); that of an unreadable recording is empty."""

    take: TakeId


class Span(TypedDict):
    """A stretch of time."""

    start_s: Seconds
    end_s: Seconds


class Recording(TypedDict):
    """How a take was recorded."""

    snr_db: float | None
    clipped_fraction: Annotated[float, Also(minimum=0)] | None
    low_cut_hz: Annotated[float, Also(minimum=0)] | None  # below it nothing came through
    gated: bool | None  # the phone cut silences out
    hum_hz: Annotated[float, Also(minimum=0)] | None  # measured fundamental of the mains hum
    pumping: bool | None  # the phone's levels follow the sound
    level_dbfs: float | None


class MeasuredRecording(Recording):
    """How a take was recorded, its speed too."""

    speed_error_cents: NotRequired[float | None]  # taken out of all pitches where it is known


class Note(TypedDict):
    """A note as segment finds it."""

    start_s: Seconds
    end_s: Seconds
    kind: Kind
    f0_hz: Hz  # a few cents good; two_strings: the lower one
    f0_2_hz: NotRequired[float | None]  # two_strings: the upper one
    snr_db: float | None
    level_db: float
    salience: NotRequired[float | None]


class NamedNote(Note):
    """A note with its string."""

    string: StringName | None  # two_strings: of the lower one
    string_2: NotRequired[StringName | None]  # two_strings: of the upper one
    string_odds: Share  # the probability that this answer is right


class FoundNotes(TypedDict):
    """What segment finds in the audio of a take."""

    status: Readable
    problems: list[Problem]
    recording: Recording
    notes: list[Note]  # by their starts
    speech: list[Span]


class Notes(TypedDict):
    """notes/<take>.json: the notes of a take."""

    take: TakeId
    status: Readable
    problems: list[Problem]
    recording: Recording | None  # None: it could not be read
    notes: list[Note]
    speech: list[Span]


class Strings(TypedDict):
    """strings/<take>.json: the notes with their strings."""

    take: TakeId
    status: Readable
    problems: list[Problem]
    recording: Recording | None
    notes: list[NamedNote]
    speech: list[Span]


Rest = tuple[Seconds, Seconds, float, float | None]


class MeasuredNote(TypedDict):
    """A note with its pitch."""

    start_s: Seconds
    end_s: Seconds
    kind: Kind
    string: StringName | None
    string_2: NotRequired[StringName | None]
    string_odds: float | None
    f0_hz: Annotated[float, Also(minimum=0)] | None
    f0_2_hz: NotRequired[Annotated[float, Also(minimum=0)] | None]
    deviation_cents: float | None
    uncertainty_cents: HalfWidth | None
    uncertainty_2_cents: NotRequired[HalfWidth | None]  # two_strings: of the upper one
    player_cents: NotRequired[HalfWidth | None]  # of uncertainty_cents, what a wandering bow adds
    attack_drift_cents: float | None  # its pitch at 50-150 ms against where it settles
    beating_db: NotRequired[Annotated[float, Also(minimum=0)] | None]
    """From trough to crest of a pluck's partials, in dB: an old string beats."""
    scatter_cents: Distance | None  # how far the partials stand off one stiff series
    gliding: bool
    snr_db: float | None
    level_db: float | None
    track: list[tuple[Seconds, float]]
    """Coarse pitch track, (second, cents against its string's target), at most 12 points."""
    rests: list[Rest] | None
    """Plateaus of a note's pitch between turns: (start, end, cents, half-width or None where it
    only passed by). Empty: not turned. None: not known, see the track."""
    role: Role | None  # None: no string's note
    interval_cents: NotRequired[float | None]  # two_strings: against the pure one, wide: positive
    beats_hz: NotRequired[Annotated[float, Also(minimum=0)] | None]
    b_inharmonicity: float | None


class MeasuredMove(TypedDict):
    """A turn of the peg, from one settled pitch to the next."""

    start_s: Seconds
    end_s: Seconds
    from_cents: float
    to_cents: float
    sounding: bool | None  # whether the string sounded all the while
    uncertainty_cents: NotRequired[HalfWidth]  # of its size


class OwnChange(TypedDict):
    """What a string did by itself: its peg let go, or the turning of others pulled it."""

    start_s: Seconds
    end_s: Seconds
    from_cents: float
    to_cents: float
    uncertainty_cents: HalfWidth  # of its size
    cause: Literal["slip", "pull"]


class MeasuredString(TypedDict):
    """A string as it was tuned and left."""

    target_hz: Annotated[float, Also(minimum=0)]
    f0_hz: Annotated[float, Also(minimum=0)] | None
    deviation_cents: float | None
    uncertainty_cents: HalfWidth | None
    deciding_uncertainty_cents: NotRequired[HalfWidth | None]
    """The half-width that decides a level: nothing that was left out (a check after the last turn,
    a usual number of plucks) makes it wider."""
    player_cents: NotRequired[HalfWidth | None]
    """Of uncertainty_cents the player's part: pitches that wander, notes that differ. The rest, in
    quadrature, is the measurement's, or what may have changed since."""
    kind: Literal["plucked", "bowed", "two_strings"] | None
    at_s: Seconds | None
    notes: Count
    heard: Heard
    start_cents: float | None  # where it was first heard
    tuned_as: Rank | None
    moves: list[MeasuredMove]
    changes: NotRequired[list[OwnChange]]  # by itself
    largest_move_cents: Distance | None  # upward
    slipped_cents: Distance | None  # how far it fell back by itself after it was set
    drift_cents: float | None  # attack against decay
    settled_s: Seconds | None  # end of its last turn
    checked_s: Seconds | None  # its first sounding after the last turn of any string
    deciding: Span | None  # the passage to listen to


class Interval(TypedDict):
    """Two neighbouring strings bowed together."""

    string: StringName  # the higher
    string_2: StringName  # the lower
    interval_cents: float  # against the pure one, wide: positive
    beats_hz: Annotated[float, Also(minimum=0)] | None
    at_s: Seconds
    uncertainty_cents: HalfWidth | None


class Measured(TypedDict):
    """measured/<take>.json: pitches, and how each string was tuned and left."""

    take: TakeId
    status: Readable
    problems: list[Problem]
    instrument: str  # its key
    recording: MeasuredRecording | None
    notes: list[MeasuredNote]
    speech: list[Span]
    strings: dict[StringName, MeasuredString]  # every string, from high to low
    order: list[StringName]  # in which they were tuned
    last_turn_s: Seconds | None
    intervals: list[Interval]
