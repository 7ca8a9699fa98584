"""Tickets: what receive tells each later stage, tickets/**.json; written only when they differ."""

from __future__ import annotations

from typing import Annotated, Any, Literal, NotRequired, TypedDict

from pegmark.records.problems import Problem
from pegmark.records.student import OtherTake, Reference, StudentName
from pegmark.records.values import (
    Also,
    Attempt,
    Attempts,
    Code,
    Drafts,
    InstrumentName,
    Language,
    Moment,
    Points,
    Sha256,
    State,
    StringName,
    StudentId,
    TakeId,
    Verdict,
)


class Body(TypedDict):
    """The lowest and highest main resonance, and how far one usually pulls a partial."""

    low_hz: float
    high_hz: float
    pull_cents: float


class Stiffness(TypedDict):
    """Mean and standard deviation of the strings' inharmonicity B."""

    mean: float
    sd: float


class Priors(TypedDict):
    """Half-widths of 95 % before listening, in cents (see trade.instruments.Prior)."""

    plucked_repeat: float
    bowed_repeat: float
    plucked_systematic: float
    bowed_systematic: float


class InstrumentBlock(TypedDict):
    """An instrument of config/instruments.yaml (trade.instruments.Instrument.as_dict)."""

    key: str
    name: InstrumentName
    strings: list[str]  # from high to low
    interval: Literal[5, 7]  # semitones between neighbours
    pegs: Literal["friction", "machine"]
    order: list[str]  # the strings that must come first
    body: Body
    stiffness: Stiffness
    priors_cents: Priors
    cautions: dict[str, list[str]]  # by language
    usual: dict[str, list[str]]  # what a recording may turn out to be -> its strings


class ClassStudent(TypedDict):
    """A student and her takes that are graded."""

    student_id: StudentId
    state: State
    takes: list[TakeId]


class ClassTicket(TypedDict):
    """class.json: the class as the workflow needs it."""

    students: list[ClassStudent]
    takes: list[TakeId]  # that are listened to: also those that do not count


class DecodeTicket(TypedDict):
    """decode/<take>.json."""

    take: TakeId
    sha256: Sha256
    max_s: Annotated[float, Also(exclusiveMinimum=0)]  # what is longer is cut


class ListenTicket(TypedDict):
    """listen/<take>.json: what segment, identify and measure need to know."""

    take: TakeId
    instrument: InstrumentBlock


class CountedTake(TypedDict):
    """A take that may count."""

    take: TakeId
    file: str
    sha256: Sha256
    attempt: Attempt | None
    attempts: Attempt
    received: Moment | None
    hours_late: Points | None


class Mark(TypedDict):
    """A mark of the teacher's: points (None: not yet) and a comment."""

    criterion: str
    points: Points | None
    comment: str
    saved_at: Moment | None
    take: NotRequired[str | None]  # the content of the take it was given for, by its first digits


class StudentMark(Mark):
    """A mark, and whose it is."""

    student_id: StudentId


class Tolerances(TypedDict):
    """The class's tolerances, in cents; `strings` and `instruments` have ones of their own."""

    in_tune_cents: float
    close_cents: float
    below_c3_factor: float
    strings: dict[str, Any]
    instruments: dict[str, Any]


class CountedFrom(Reference):
    """What the assignment counts pitches from; of a range a4_hz is the least."""

    unheard_a: NotRequired[Literal["open", "reference"]]


class ScoreTicket(TypedDict):
    """score/<student_id>.json."""

    student: StudentName
    instrument: InstrumentBlock
    state: State
    problems: list[Problem]  # the intake's, for this student
    takes: list[CountedTake]
    spare_takes: NotRequired[list[CountedTake]]  # earlier ones: where nothing is heard in the last
    other_takes: list[OtherTake]
    policy: Attempts
    late: dict[str, Any] | None  # the class's policy on lateness
    reference: CountedFrom
    tolerances: Tolerances
    rubric: dict[str, Any]
    marks: list[Mark]
    language: Language
    sentences: dict[str, Any]  # the part of the comments that scoring uses


class SheetSentences(TypedDict):
    """The parts of the comments that a sheet and a mail use."""

    sheet: dict[str, Any]
    mail: dict[str, Any]


class WeekString(TypedDict):
    """How a string was left in an earlier week, and where it stood at first."""

    cents: float | None  # from what it was judged by, as left
    half_cents: float | None  # half-width of its 95 % interval
    verdict: Verdict
    start_cents: float | None  # where it was first heard
    start_half_cents: NotRequired[float | None]
    slipped_cents: float | None
    left_cents: NotRequired[float | None]  # against A4 = 440 Hz: weeks may have other A's
    found_cents: NotRequired[float | None]  # at first


class Week(TypedDict):
    """What an earlier week's record says of a student."""

    title: str
    day: NotRequired[str | None]  # when the take was recorded, YYYY-MM-DD
    instrument: InstrumentName
    points: Points | None
    of: Points
    open: float  # points that nobody had given yet
    strings: dict[StringName, WeekString]


class RenderTicket(TypedDict):
    """render/<student_id>.json."""

    language: Language
    sentences: SheetSentences
    paper: Literal["A4", "Letter"]
    title: str
    due: Moment | None
    email: str  # addresses parted by ;
    teacher: str | None  # who signs the mail
    stills: bool  # small pictures of the video beside the clips
    drafts: Drafts
    class_name: str
    epoch: int  # seconds, for what carries a date of making
    instrument: InstrumentBlock
    tolerances: Tolerances
    weeks: list[Week]  # earlier ones, in their order


class RosterRow(TypedDict):
    """A row of the roster; its further columns stand beside these, as text."""

    student_id: StudentId
    family_name: str
    given_name: str
    instrument: InstrumentName
    instrument_key: str
    section: str
    email: str
    nickname: str
    language: str | None
    due: Moment | None
    excused: bool


class AttentionRow(TypedDict):
    """What needs a person, whoever's it is ("" where nobody's)."""

    student_id: str
    file: str
    code: Code
    message: str
    action: str


class FileQuestion(TypedDict):
    """A recording that the teacher is asked about: whose is it?"""

    file: str
    asked: str  # one sentence: why it is not known
    guesses: list[StudentId]  # who may be meant, the likeliest first


class BlindMark(TypedDict):
    """A string judged by ear before the machine's view was shown, and what that was."""

    student_id: str
    take: str
    string: StringName
    heard: Literal["in_tune", "close", "out"]
    measured: Literal["in_tune", "close", "out"]
    saved_at: Moment


class Policies(TypedDict):
    """What the assignment says of attempts, drafts and lateness."""

    attempts: Attempts
    drafts: Drafts
    late: dict[str, Any] | None


class WhoseTake(TypedDict):
    """A take that is listened to, and whose it is."""

    take: TakeId
    student_id: str
    file: str
    named_day: NotRequired[str | None]  # the date in its name
    received: NotRequired[Moment | None]


class EarSentences(TypedDict):
    """What is written where the teacher answered by ear, and the names of notes in it."""

    in_tune: str
    high: str
    low: str
    as_set: str
    as_left: str
    unclear: str
    notes: dict[str, str]


class Gradebook(TypedDict):
    """How gradebook.csv is to look."""

    columns: dict[str, str] | None  # header -> our column or one of the roster's
    scale: Literal["points", "percent", "letters", "own"]
    letters: dict[str, Any] | None  # from which percent on -> grade
    own: dict[str, Any] | None
    separator: Literal["comma", "semicolon"]


class PublishTicket(TypedDict):
    """publish.json: what the class's pages and files need to know."""

    title: str
    class_name: str
    students: list[Annotated[RosterRow, Also(additionalProperties={"type": "string"})]]
    attention: list[AttentionRow]
    questions: NotRequired[list[FileQuestion]]
    rubric: dict[str, Any]
    tolerances: Tolerances
    reference: CountedFrom
    epoch: int
    due: Moment | None
    language: Language
    marks: list[StudentMark]
    blind: NotRequired[list[BlindMark]]  # of earlier weeks too
    policies: Policies
    gradebook: NotRequired[Gradebook]
    understood: str  # how the roster was read
    comments: list[str]  # the teacher's own, for marking
    stills: bool
    ear: dict[str, EarSentences]  # by language
    takes: list[WhoseTake]
    weeks: dict[StudentId, list[Week]]  # earlier ones, of the students of the roster
    sent: NotRequired[dict[StudentId, list[Sha256]]]  # sheets that went out


class Member(TypedDict):
    """A recording inside an archive."""

    file: str
    member: int
    sha256: Sha256
    size: int


class Stray(TypedDict):
    """A file that is no recording."""

    file: str
    code: str
    message: str
    action: str


class Remembered(TypedDict):
    """What is remembered of a file, so that it is read once."""

    kind: Literal["recording", "archive", "other"]
    size: int
    mtime_ns: int
    sha256: NotRequired[Sha256]
    raw: NotRequired[str]
    members: NotRequired[list[Member]]
    strays: NotRequired[list[Stray]]


class Source(TypedDict):
    """Where a recording lies."""

    file: str
    sha256: Sha256
    size: int
    mtime_ns: int
    path: str
    member: int | None


class FilesTicket(TypedDict):
    """files.json: what is remembered of the folder, and where each take lies."""

    files: dict[str, Remembered]
    takes: dict[TakeId, list[Source]]
