"""Whose recording is it: matching file names to the roster.

A path is read level by level: the file's name, then the folders around it. In each level the
student ids, e-mail addresses and names of the roster are looked for, in any order and spelling
that means the same (capitals, accents, separators, joined or split words, nicknames). What is
neither a name nor a usual word ("week", "final", an instrument) speaks against a thin match.

Nothing is guessed in silence: a match is `sure` (id, address, or given and family name), or it is
used and told (one name alone, an initial, a slip of the pen), or it is asked, with the two best
guesses. Where two students fit equally well, it is always asked.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pegmark.receive.name_words import (
    JOINING,
    PARTICLES,
    UMLAUTS,
    USUAL,
    is_one_slip,
    is_parted,
    joined_words,
    name_forms,
    name_words,
    path_levels,
    repair,
)
from pegmark.receive.roster import Student
from pegmark.words import times

MIN_ID_DIGITS = 4  # a shorter number alone may as well be a week, a count or a tuning pitch
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
_COUNTED = re.compile(
    r"(?:week|wk|take|try|attempt|version|ver|period|room|semana|video|movie|clip|rec|recording)$"
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


@dataclass(frozen=True)
class _Level:
    """One part of a path: its words, and what they are evidence of."""

    text: str  # without moments, hashes and camera counters
    raw: str  # lower case, with them
    words: tuple[str, ...]
    emails: tuple[str, ...]
    numbers: tuple[str, ...]  # digit words that may be ids


@dataclass
class _Evidence:
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


class Matcher:
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

    def match(self, file: str) -> Match:
        """Whose the file at this path (parted by ``/``) is."""
        levels = [self._level(text) for text in path_levels(file)]
        seen = [self._evidence(level) for level in levels]
        named = self._by_name(levels, seen)
        marked = self._by_id(levels, seen)
        if marked:
            return self._settle_id(marked, named, levels, seen)
        if named:
            return named
        return self._thin(levels, seen)

    # -- the index -------------------------------------------------------------------------

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

    # -- reading one level -----------------------------------------------------------------

    def _level(self, text: str) -> _Level:
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
        return _Level(rest, text.casefold(), tuple(words[:MAX_TOKENS]), emails, numbers)

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

    def _evidence(self, level: _Level) -> dict[int, _Evidence]:
        """Student number -> evidence, for every student this level names in any way."""
        found: dict[int, _Evidence] = {}
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
                        evidence = found.setdefault(number, _Evidence())
                        getattr(evidence, kind).update(range(start, end + 1))
                        if kind == "full" and start == end:
                            evidence.solid.add(start)
                        if kind in ("given", "family") and end > start:
                            evidence.pieces.update(range(start, end + 1))
        return found

    # -- deciding --------------------------------------------------------------------------

    def _by_name(
        self, levels: Sequence[_Level], seen: Sequence[dict[int, _Evidence]]
    ) -> Match | None:
        """The student whose given and family name stand in one level."""
        sets = []
        for level, found in zip(levels, seen, strict=True):
            strong = {n: e for n, e in found.items() if e.strong and not self._chance(level, e)}
            best = {
                n
                for n, e in strong.items()
                if not any(
                    (e.covered, e.whole) != (o.covered, o.whole)
                    and e.covered <= o.covered
                    and e.whole <= o.whole
                    for o in strong.values()
                )
            }
            if best:
                sets.append(best | self._rivals(level, found, best))
        if not sets:
            return None
        both = set.intersection(*sets)
        if len(both) == 1:
            (number,) = both
            return self._check_name(number, levels, seen)
        if len(both) > 1:
            named = {n for found in seen for n, e in found.items() if e.strong}
            told = self._tell_apart(both, levels) if both <= named else None
            if told is not None:
                tied = tuple(self.students[n].student_id for n in sorted(both))
                return Match(self.students[told].student_id, "told_apart", False, tied)
            return self._ask("several", levels, sorted(both))
        return self._ask("contradiction", levels, sorted(set.union(*sets)))

    def _rivals(self, level: _Level, found: Mapping[int, _Evidence], best: set[int]) -> set[int]:
        """Others who may be meant as well: Annalee Smith where 'annalee' is read as Anna Lee, and
        any other Mark where 'mark bass' may be a Mark with a bass."""
        rivals: set[int] = set()
        for number in best:
            mine = found[number]
            words = {i for i in mine.covered if level.words[i] not in self.usual}
            joined = words if len(mine.covered) == 1 and mine.full else set()
            half = self._half(level, mine, self.instrument_words)
            thin = (words or mine.covered) if half else set()
            rivals |= {
                n
                for n, e in found.items()
                if n not in best and e.covered and (e.covered <= joined or e.covered & thin)
            }
        return rivals

    def _chance(self, level: _Level, evidence: _Evidence) -> bool:
        """Half of the name is only a usual word ('bass'), and more stands there than is known."""
        letters = any(
            len(word) == 1 and word.isalpha() and not self._no_initial(level, i)
            for i, word in enumerate(level.words)
        )
        return self._half(level, evidence, self.usual) and (
            letters or bool(self._unknown(level, evidence.touched))
        )

    def _half(self, level: _Level, evidence: _Evidence, usual: Collection[str]) -> bool:
        """Whether given or family name is no more than a usual word: a month, an instrument."""
        plain = {i for i, word in enumerate(level.words) if word in usual} - evidence.pieces
        apart = evidence.given - plain and evidence.family - plain
        whole = evidence.full and not evidence.full & plain
        return not (apart or whole or evidence.solid - plain)

    def _check_name(
        self, number: int, levels: Sequence[_Level], seen: Sequence[dict[int, _Evidence]]
    ) -> Match:
        """A full name stands there; is there anything that says another student?"""
        sure = True
        for level, found in zip(levels, seen, strict=True):
            mine = found.get(number, _Evidence())
            others = set().union(
                *(
                    evidence.covered - mine.touched
                    for other, evidence in found.items()
                    if other != number
                )
            )
            others = {i for i in others if level.words[i] not in self.usual}
            if not mine.covered and others and not self._unknown(level, others):
                near = [n for n, e in found.items() if e.covered & others]
                return self._ask("contradiction", levels, [number, *sorted(near)])
            sure = sure and not others and not (mine.strong and self._doubtful(level, mine))
        return Match(self.students[number].student_id, "name", sure)

    def _doubtful(self, level: _Level, mine: _Evidence) -> bool:
        """A full name that is worth a glance: 'May Chen', 'Ann Marie Lee', 'Luis Ruiz and Ana'."""
        first, last = min(mine.covered), max(mine.covered)
        unknown = self._unknown(level, mine.touched)
        between = any(word in unknown for word in level.words[first:last])
        two = bool(unknown) and bool(JOINING & set(level.words) or re.search(r"[&+]", level.raw))
        return between or two or self._half(level, mine, self.usual)

    def _by_id(self, levels: Sequence[_Level], seen: Sequence[Mapping[int, _Evidence]]) -> set[int]:
        """Students whose id or e-mail address stands in the path."""
        named = {number for found in seen for number, e in found.items() if e.covered}
        marked: set[int] = set()
        for level in levels:
            for written in level.emails:
                for address, owners in self.emails.items():
                    whole = written == address or written.endswith((f"_{address}", f"-{address}"))
                    marked |= owners if whole and len(owners) == 1 else set()
            marked |= self._ids_in(level, named)
        return marked

    def _ids_in(self, level: _Level, named: set[int]) -> set[int]:
        """Students whose id stands in a level; `named`: those with a name somewhere in the path."""
        found: set[int] = set()
        for number, (student_id, pattern) in enumerate(self.ids):
            if student_id.isdigit():
                agrees = number in named and len(student_id) >= MIN_ID_DIGITS - 1
                if student_id in level.numbers and (
                    agrees or self._number_is_id(student_id, level)
                ):
                    found.add(number)
            elif pattern and pattern.search(level.raw):
                found.add(number)
        return found

    def _id_pattern(self, student_id: str) -> re.Pattern[str] | None:
        """An id with any separators; None where it is a usual word or somebody's name."""
        key = joined_words(student_id)
        if len(key) < 3 or key in self.usual or (key.isalpha() and key in self.index):
            return None
        parts = [re.escape(part) for part in re.split(r"[._-]+", student_id.casefold()) if part]
        return re.compile(rf"(?<![^\W_]){'[-._ ]?'.join(parts)}(?![^\W_])")

    def _number_is_id(self, number: str, level: _Level) -> bool:
        """Whether a number alone can be taken for an id rather than a year, a count or hertz."""
        alone = level.text.strip(" _-.()") == number
        if alone:
            return len(number) >= 3 and not 400 <= int(number) <= 480
        if len(number) < MIN_ID_DIGITS or re.fullmatch(r"(19|20)\d\d", number):
            return False
        rivals = [one for one in level.numbers if len(one) == len(number) and one != number]
        before = level.text.split(number)[0].rstrip(" _-.#(").casefold()
        counted = len(number) == MIN_ID_DIGITS and _COUNTED.search(before)
        return not rivals and not counted

    def _settle_id(
        self,
        marked: set[int],
        named: Match | None,
        levels: Sequence[_Level],
        seen: Sequence[dict[int, _Evidence]],
    ) -> Match:
        """An id stands in the path: it counts unless the names there say someone else."""
        if named and named.student_id is not None:
            number = self._number(named.student_id)
            fit = [n for n in marked if self.students[n].student_id in named.guesses]
            if number in marked or (len(fit) == 1 and len(marked) == 1):
                chosen = number if number in marked else fit[0]
                return Match(self.students[chosen].student_id, "id", True)
            return self._ask("contradiction", levels, [number, *sorted(marked)])
        if named:  # several students of that name: the id decides between them
            fit = [n for n in marked if self.students[n].student_id in named.guesses]
            if named.how == "several" and len(fit) == 1 and len(marked) == 1:
                return Match(self.students[fit[0]].student_id, "id", True)
            return self._ask("contradiction", levels, sorted(marked))
        if len(marked) > 1:
            return self._ask("contradiction", levels, sorted(marked))
        (number,) = marked
        if others := self._others(number, levels, seen):
            return self._ask("contradiction", levels, [number, *others])
        return Match(self.students[number].student_id, "id", True)

    def _others(
        self, number: int, levels: Sequence[_Level], seen: Sequence[Mapping[int, _Evidence]]
    ) -> list[int]:
        """Students named by words that are none of this student's, and no usual words."""
        others: set[int] = set()
        for level, found in zip(levels, seen, strict=True):
            mine = found.get(number, _Evidence()).touched
            usual = {i for i, word in enumerate(level.words) if word in self.usual}
            others |= {n for n, e in found.items() if n != number and e.covered - mine - usual}
        return sorted(others)

    def _thin(self, levels: Sequence[_Level], seen: Sequence[dict[int, _Evidence]]) -> Match:
        """No id and no full name in one level: less will do where nothing speaks against it."""
        for judge in (self._across, self._near, self._one_name):
            answer = judge(levels, seen)
            if answer is not None:
                return answer
        touched = {
            number
            for level, found in zip(levels, seen, strict=True)
            for number, evidence in found.items()
            if any(level.words[i] not in self.usual for i in evidence.covered)
        }
        return self._ask("several" if len(touched) > 1 else "no_name", levels, sorted(touched))

    def _across(
        self, levels: Sequence[_Level], seen: Sequence[dict[int, _Evidence]]
    ) -> Match | None:
        """Family name on one folder, given name on the next: 'Ruiz/Ana/take 1.mov'."""
        fit = set()
        for inner in range(len(levels) - 1):
            pair = (inner, inner + 1)
            for number in seen[inner].keys() & seen[inner + 1].keys():
                one, two = (seen[place][number] for place in pair)
                if not ((one.given and two.family) or (one.family and two.given)):
                    continue
                rest = [self._unknown(levels[place], seen[place][number].touched) for place in pair]
                usual = any(
                    all(levels[place].words[i] in self.usual for i in seen[place][number].covered)
                    for place in pair
                )
                if not any(rest) and not usual:
                    fit.add(number)
        if len(fit) == 1:
            return Match(self.students[fit.pop()].student_id, "across", False)
        return self._ask("several", levels, sorted(fit)) if fit else None

    def _one_name(
        self, levels: Sequence[_Level], seen: Sequence[dict[int, _Evidence]]
    ) -> Match | None:
        """One name, perhaps with an initial, that only one student has or nearly has."""
        verdicts: list[tuple[int, str]] = []
        for level, found in zip(levels, seen, strict=True):
            verdict = self._one_name_in(level, found)
            if isinstance(verdict, set):
                return self._ask("several", levels, sorted(verdict))
            if verdict is not None:
                verdicts.append(verdict)
        numbers = {number for number, _ in verdicts}
        if len(numbers) == 1:
            return Match(self.students[verdicts[0][0]].student_id, verdicts[0][1], False)
        return self._ask("contradiction", levels, sorted(numbers)) if numbers else None

    def _one_name_in(
        self, level: _Level, found: dict[int, _Evidence]
    ) -> tuple[int, str] | set[int] | None:
        """(student, how), those who may be meant, or None where this level names nobody."""
        named = {
            number: evidence
            for number, evidence in found.items()
            if any(level.words[i] not in self.usual for i in evidence.touched)
        }
        if not named:
            return None
        with_initial = {
            number: evidence
            for number, evidence in named.items()
            if self._has_initial(level, number, evidence)
        }
        joined = {i for e in with_initial.values() for i in e.initial - e.covered}
        most = {n: e for n, e in named.items() if e.covered and (e.covered & joined or not joined)}
        most = {**most, **with_initial} if joined or not with_initial else with_initial
        most = {
            n: e for n, e in most.items() if not any(e.touched < o.touched for o in most.values())
        }
        if len(most) != 1:
            return set(most or named)
        ((number, evidence),) = most.items()
        used = set(evidence.touched)
        if number in with_initial:
            used |= self._initial_places(level, number, evidence)
        if self._unknown(level, used):
            return {number}
        names = [level.words[i] for i in sorted(evidence.covered)]
        if number in with_initial:
            return number, "initial"
        rivals = self._resembling([*names, "".join(names)]) - {number}
        return {number, *rivals} if rivals else (number, "one_name")

    def _has_initial(self, level: _Level, number: int, evidence: _Evidence) -> bool:
        joined = {i for i in evidence.initial if len(level.words[i]) > 3}
        return bool(joined - evidence.covered) or bool(
            self._initial_places(level, number, evidence)
        )

    def _initial_places(self, level: _Level, number: int, evidence: _Evidence) -> set[int]:
        """Single letters beside the one name that are the other name's first letter."""
        student = self.students[number]
        letters: set[str] = set()
        if evidence.given:
            letters |= {form[0] for form in name_forms(student.family_name)}
        if evidence.family:
            letters |= {form[0] for form in name_forms(student.given_name)}
        beside = {i + step for i in evidence.covered for step in (-1, 1)}
        return {
            i
            for i in beside
            if 0 <= i < len(level.words)
            and i not in evidence.covered
            and level.words[i] in letters
            and not self._no_initial(level, i)
        }

    def _no_initial(self, level: _Level, place: int) -> bool:
        """Whether a single letter is a string or a version: 'A string', 'A 440', 'v2'."""
        after = "".join(level.words[place + 1 : place + 2])
        return after.isdigit() or after in ("string", "strings", "saite", "cuerda", "hz")

    def _near(self, levels: Sequence[_Level], seen: Sequence[dict[int, _Evidence]]) -> Match | None:
        """Given and family name with one slip of the pen between them."""
        fit: set[int] = set()
        for level in levels:
            words = [word for word in level.words if word not in self.usual or word in self.single]
            fit |= {n for n in range(len(self.students)) if self._slip(n, words)}
        if len(fit) == 1:
            (number,) = fit
            others = self._others(number, levels, seen) or self._shorter(number, levels)
            if others:
                return self._ask("several", levels, [number, *others])
            return Match(self.students[number].student_id, "near", False)
        return self._ask("several", levels, sorted(fit)) if fit else None

    def _slip(self, number: int, words: Sequence[str]) -> bool:
        """One name exact and the other one slip away, or both joined and one slip away."""
        student = self.students[number]
        given = name_forms(student.given_name) | name_forms(student.nickname)
        family = name_forms(student.family_name)
        has_given = [word for word in words if word in given]
        has_family = [word for word in words if word in family]
        if has_given and any(
            is_one_slip(w, f) for w in words for f in family if w not in has_given
        ):
            return True
        if has_family and any(
            is_one_slip(w, g, inside=True) for w in words for g in given if w not in has_family
        ):
            return True
        return any(
            len(word) >= 8
            and abs(len(word) - len(form)) < 2
            and is_one_slip(word, form, inside=True)
            for word in words
            if word not in self.index
            for g in given
            for f in family
            for form in (g + f, f + g)
        )

    def _shorter(self, number: int, levels: Sequence[_Level]) -> list[int]:
        """Others of the same family name whose given name the misspelt word begins with or begins:
        'Annie Smith' may be Anne, and Ann as well."""
        words = {word for level in levels for word in level.words if len(word) > 2}
        family = name_forms(self.students[number].family_name)
        return [
            n
            for n, other in enumerate(self.students)
            if n != number
            and name_forms(other.family_name) & family
            and any(
                len(form) > 2 and (word.startswith(form) or form.startswith(word))
                for form in name_forms(other.given_name)
                for word in words - family
            )
        ]

    def _resembling(self, names: Iterable[str]) -> set[int]:
        """Students with one of these names, its beginning, or one that is a single slip away."""
        return {
            number
            for name in names
            for other, numbers in self.single.items()
            if name.startswith(other) or other.startswith(name) or is_one_slip(name, other)
            for number in numbers
        }

    def _tell_apart(self, numbers: set[int], levels: Sequence[_Level]) -> int | None:
        """The one of several namesakes whose instrument or section stands in the path."""
        spoken = [" ".join(level.words) for level in levels]
        heard = {
            key
            for name, key in self.instrument_names.items()
            for text in spoken
            if len(name) > 2 and re.search(rf"\b{re.escape(' '.join(name_words(name)))}\b", text)
        }
        by_instrument = [n for n in numbers if self.students[n].instrument in heard]
        if len(by_instrument) == 1:
            return by_instrument[0]
        by_section = [
            n
            for n in numbers
            if (section := " ".join(name_words(self.students[n].section)))
            and any(f" {section} " in f" {text} " for text in spoken)
        ]
        return by_section[0] if len(by_section) == 1 else None

    def _unknown(self, level: _Level, explained: set[int]) -> list[str]:
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

    def _ask(self, why: str, levels: Sequence[_Level], first: Iterable[int] = ()) -> Match:
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
        return Match(None, why, False, tuple(self.students[n].student_id for n in best))

    @functools.cached_property
    def _plain_names(self) -> list[str]:
        return [
            " ".join(name_words(f"{s.given_name} {s.nickname} {s.family_name}"))
            for s in self.students
        ]

    def _number(self, student_id: str) -> int:
        return next(n for n, s in enumerate(self.students) if s.student_id == student_id)
