"""What the levels of a path say about the students of a roster: words, ids, addresses."""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pegmark.receive.name_words import (
    PARTICLES,
    UMLAUTS,
    USUAL,
    is_one_slip,
    is_parted,
    joined_words,
    name_forms,
    name_words,
    repair,
)
from pegmark.receive.roster import Student
from pegmark.words import times

MIN_GUESS = 60.0  # of 100: below it a likeness is chance
MAX_TOKENS = 60  # a name has a few words; what is longer is read this far
WINDOW = 4  # words that may stand apart in a file name and together in the roster
_EMAIL = re.compile(r"[\w.+-]+@[\w-]+(?:\.[\w-]+)+")
_CAMERA = re.compile(
    r"(?<![a-z])(?:img|vid|mov|mvi|pxl|dsc[nf]?|dcim|p|[a-z]{4}(?=\d{4}(?!\d)))"
    r"[-_ ]?e?\d{3,}(?!\d)",
    re.IGNORECASE,
)
_UNIQUE = re.compile(  # a UUID, or a hash in hexadecimal
    r"(?<![^\W_])(?:[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}|"
    r"(?=[0-9a-f]*\d)(?=[0-9a-f]*[a-f])[0-9a-f]{8,})(?![^\W_])",
    re.IGNORECASE,
)
_DAY = re.compile(
    r"(?<!\d)(?:20\d\d[-_. ]?[01]\d[-_. ]?[0-3]\d|[0-3]?\d[-.][01]?\d[-.](?:20)?\d\d)(?!\d)"
)


@dataclass(frozen=True)
class Match:
    """Whose a file is, and how that is known."""

    student_id: str | None
    how: str  # id | name | told_apart | across | near | initial | one_name; if asked: why
    sure: bool  # nothing to tell the teacher
    guesses: tuple[str, ...] = ()  # if asked the best two; namesakes told apart
    spoken_for: int = 0  # so many of the guesses, the first, have more than a likeness for them


@dataclass(frozen=True)
class Level:
    """One part of a path: its words, and what they are evidence of."""

    text: str  # without moments, hashes and camera counters
    raw: str  # lower case, with them
    words: tuple[str, ...]
    emails: tuple[str, ...]
    numbers: tuple[str, ...]  # digit words that may be ids


@dataclass
class Evidence:
    """What one level says about one student: positions of words, by kind."""

    given: set[int] = field(default_factory=set)
    family: set[int] = field(default_factory=set)
    full: set[int] = field(default_factory=set)
    solid: set[int] = field(default_factory=set)  # the whole name written as one word
    pieces: set[int] = field(default_factory=set)  # words that only together are one name
    initial: set[int] = field(default_factory=set)
    whole: set[int] = field(default_factory=set)  # a given name of several words, in its order

    @property
    def strong(self) -> bool:
        """Given and family name both stand there, in words of their own."""
        apart = (self.given - self.family) and (self.family - self.given)
        twice = self.given == self.family and len(self.given) > 1  # 'Lee Lee'
        return bool(self.full or apart or twice)

    @property
    def covered(self) -> set[int]:
        return self.given | self.family | self.full

    @property
    def touched(self) -> set[int]:
        return self.covered | self.initial


class RosterNames:
    """The roster, ready to be looked up by file names."""

    def __init__(
        self,
        students: Sequence[Student],
        instrument_names: Mapping[str, str] | None = None,
        usual: Iterable[str] = (),
    ):
        """
        Parameters
        ----------
        instrument_names : every name of an instrument -> its key (tells namesakes apart)
        usual : words of this class's files that are nobody's name: titles, sections
        """
        self.students = list(students)
        self.instrument_names = dict(instrument_names or {})
        own = {word for text in usual for word in name_words(text)}
        self.instrument_words = {w for name in self.instrument_names for w in name_words(name)}
        own |= self.instrument_words
        sections = {word for s in self.students for word in name_words(s.section)}
        self.usual = USUAL | own | sections
        self.index: dict[str, list[tuple[int, str, bool]]] = {}
        self.emails: dict[str, set[int]] = {}
        self.single: dict[str, set[int]] = {}  # every single name -> who has it
        for number, student in enumerate(self.students):
            self._enter(number, student)
        self.ids = [
            (one.student_id.casefold(), self._id_pattern(one.student_id)) for one in self.students
        ]

    def _enter(self, number: int, student: Student) -> None:
        given = name_forms(student.given_name)
        parted = is_parted(student.given_name) or is_parted(student.family_name)
        if len(name_words(student.given_name)) > 1:
            self._add(joined_words(student.given_name), number, "whole", parted)
        for nick in re.split(r"[;,/|]", student.nickname):
            given |= name_forms(nick)
        family = name_forms(student.family_name)
        for kind, forms in (("given", given), ("family", family)):
            for form in forms:
                self._add(form, number, kind, parted)
                self.single.setdefault(form, set()).add(number)
        for one in given:
            for other in family:
                self._add(one + other, number, "full", parted)
                self._add(other + one, number, "full", parted)
                for short in (one[0] + other, other + one[0], one + other[0], other[0] + one):
                    self._add(short, number, "initial", True)
        for address in student.email.lower().split(";"):
            if address:
                self.emails.setdefault(address, set()).add(number)

    def _add(self, form: str, number: int, kind: str, parted: bool) -> None:
        """`parted`: single letters of a file name may be part of it, as in O'Brien or L_pez."""
        entries = self.index.setdefault(form, [])
        if (number, kind, parted) not in entries:
            entries.append((number, kind, parted))

    def _id_pattern(self, student_id: str) -> re.Pattern[str] | None:
        """An id with any separators; None where it is a usual word or somebody's name."""
        key = joined_words(student_id)
        if len(key) < 3 or key in self.usual or (key.isalpha() and key in self.index):
            return None
        parts = [re.escape(part) for part in re.split(r"[._-]+", student_id.casefold()) if part]
        return re.compile(rf"(?<![^\W_]){'[-._ ]?'.join(parts)}(?![^\W_])")

    def read_level(self, text: str) -> Level:
        text = repair(text)
        emails = tuple(match.group().lower() for match in _EMAIL.finditer(text))
        rest = _EMAIL.sub(lambda match: self._beside(match.group()), text)
        for moment in reversed(times.moments_in_name(rest, None)):
            rest = f"{rest[: moment.start]} {rest[moment.end :]}"
        rest = _CAMERA.sub(" ", _UNIQUE.sub(" ", rest))
        rest = _DAY.sub(" ", rest)
        words: list[str] = []
        for word in name_words(rest):
            words.extend(self._split(word))
        numbers = tuple(match.group() for match in re.finditer(r"(?<![^\W_])\d+(?![^\W_])", rest))
        return Level(rest, text.casefold(), tuple(words[:MAX_TOKENS]), emails, numbers)

    def _beside(self, address: str) -> str:
        """What an e-mail address says beside whose it is: its name, where the roster lacks it."""
        known = any(address.lower().endswith(one) for one in self.emails)
        return " " if known else address.split("@")[0]

    def _split(self, word: str) -> list[str]:
        """Usual words written onto a name are taken off: 'annaleeviolin' is 'annalee violin'."""
        if word in self.index or word in self.usual or len(word) < 6:
            return [word]
        for cut in range(3, len(word) - 2):
            head, tail = word[:cut], word[cut:]
            if head in self.usual and (tail in self.index or tail in self.usual):
                return [head, tail]
            if tail in self.usual and head in self.index:
                return [head, tail]
        return [word]

    def evidence_in(self, level: Level) -> dict[int, Evidence]:
        """Student number -> evidence, for every student this level names in any way."""
        found: dict[int, Evidence] = {}
        words = level.words
        for start in range(len(words)):
            joined = ""
            for end in range(start, min(start + WINDOW, len(words))):
                joined += words[end]
                letters = end > start and any(len(w) == 1 for w in words[start : end + 1])
                for form in {joined, joined.translate(UMLAUTS)}:
                    for number, kind, parted in self.index.get(form, ()):
                        if letters and not parted:  # 'Ann A' is not Anna
                            continue
                        evidence = found.setdefault(number, Evidence())
                        getattr(evidence, kind).update(range(start, end + 1))
                        if kind == "full" and start == end:
                            evidence.solid.add(start)
                        if kind in ("given", "family") and end > start:
                            evidence.pieces.update(range(start, end + 1))
        return found

    def no_initial(self, level: Level, place: int) -> bool:
        """Whether a single letter is a string or a version: 'A string', 'A 440', 'v2'."""
        after = "".join(level.words[place + 1 : place + 2])
        return after.isdigit() or after in ("string", "strings", "saite", "cuerda", "hz")

    def unknown_words(self, level: Level, explained: set[int]) -> list[str]:
        """Words that are neither names taken into account nor usual: perhaps someone else's."""
        return [
            word
            for i, word in enumerate(level.words)
            if i not in explained
            and len(word) > 1
            and not word.isdigit()
            and word not in self.usual
            and word not in PARTICLES
        ]

    def others_named(
        self, number: int, levels: Sequence[Level], seen: Sequence[Mapping[int, Evidence]]
    ) -> list[int]:
        """Students named by words that are none of this student's, and no usual words."""
        others: set[int] = set()
        for level, found in zip(levels, seen, strict=True):
            mine = found.get(number, Evidence()).touched
            usual = {i for i, word in enumerate(level.words) if word in self.usual}
            others |= {n for n, e in found.items() if n != number and e.covered - mine - usual}
        return sorted(others)

    def resembling(self, names: Iterable[str]) -> set[int]:
        """Students with one of these names, its beginning, or one that is a single slip away."""
        return {
            number
            for name in names
            for other, numbers in self.single.items()
            if name.startswith(other) or other.startswith(name) or is_one_slip(name, other)
            for number in numbers
        }

    def ask(self, why: str, levels: Sequence[Level], first: Iterable[int] = ()) -> Match:
        """No student: the two best guesses, those with evidence before mere likeness."""
        from rapidfuzz import fuzz, process

        wanted = list(dict.fromkeys(first))
        scores: dict[int, float] = {}
        for level in levels[:3]:
            text = " ".join(w for w in level.words if w not in self.usual and not w.isdigit())
            if not text:
                continue
            for _, score, number in process.extract(
                text, self._plain_names, scorer=fuzz.token_sort_ratio, limit=None
            ):
                scores[number] = max(scores.get(number, 0.0), score)
        wanted.sort(key=lambda n: (-scores.get(n, 0.0), n))
        like = sorted(
            (n for n, score in scores.items() if score >= MIN_GUESS and n not in wanted),
            key=lambda n: (-scores[n], n),
        )
        best = [*wanted, *like][:2]
        guesses = tuple(self.students[n].student_id for n in best)
        return Match(None, why, False, guesses, min(len(wanted), len(best)))

    @functools.cached_property
    def _plain_names(self) -> list[str]:
        return [
            " ".join(name_words(f"{s.given_name} {s.nickname} {s.family_name}"))
            for s in self.students
        ]
