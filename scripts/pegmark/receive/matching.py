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

import re
from collections.abc import Collection, Mapping, Sequence

from pegmark.receive.name_evidence import Evidence, Level, Match
from pegmark.receive.name_words import (
    JOINING,
    name_words,
    path_levels,
)
from pegmark.receive.thin_matches import ThinMatcher

MIN_ID_DIGITS = 4  # a shorter number alone may as well be a week, a count or a tuning pitch
_COUNTED = re.compile(
    r"(?:week|wk|take|try|attempt|version|ver|period|room|semana|video|movie|clip|rec|recording)$"
)


class Matcher(ThinMatcher):
    """Whose the files of a class are, by their names."""

    def match(self, file: str) -> Match:
        """Whose the file at this path (parted by ``/``) is."""
        levels = [self.read_level(text) for text in path_levels(file)]
        seen = [self.evidence_in(level) for level in levels]
        named = self._by_name(levels, seen)
        marked = self._by_id(levels, seen)
        if marked:
            return self._settle_id(marked, named, levels, seen)
        if named:
            return named
        return self.thin_match(levels, seen)

    def _by_name(
        self, levels: Sequence[Level], seen: Sequence[dict[int, Evidence]]
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
            return self.ask("several", levels, sorted(both))
        return self.ask("contradiction", levels, sorted(set.union(*sets)))

    def _rivals(self, level: Level, found: Mapping[int, Evidence], best: set[int]) -> set[int]:
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

    def _chance(self, level: Level, evidence: Evidence) -> bool:
        """Half of the name is only a usual word ('bass'), and more stands there than is known."""
        letters = any(
            len(word) == 1 and word.isalpha() and not self.no_initial(level, i)
            for i, word in enumerate(level.words)
        )
        return self._half(level, evidence, self.usual) and (
            letters or bool(self.unknown_words(level, evidence.touched))
        )

    def _half(self, level: Level, evidence: Evidence, usual: Collection[str]) -> bool:
        """Whether given or family name is no more than a usual word: a month, an instrument."""
        plain = {i for i, word in enumerate(level.words) if word in usual} - evidence.pieces
        apart = evidence.given - plain and evidence.family - plain
        whole = evidence.full and not evidence.full & plain
        return not (apart or whole or evidence.solid - plain)

    def _check_name(
        self, number: int, levels: Sequence[Level], seen: Sequence[dict[int, Evidence]]
    ) -> Match:
        """A full name stands there; is there anything that says another student?"""
        sure = True
        for level, found in zip(levels, seen, strict=True):
            mine = found.get(number, Evidence())
            others = set().union(
                *(
                    evidence.covered - mine.touched
                    for other, evidence in found.items()
                    if other != number
                )
            )
            others = {i for i in others if level.words[i] not in self.usual}
            if not mine.covered and others and not self.unknown_words(level, others):
                near = [n for n, e in found.items() if e.covered & others]
                return self.ask("contradiction", levels, [number, *sorted(near)])
            sure = sure and not others and not (mine.strong and self._doubtful(level, mine))
        return Match(self.students[number].student_id, "name", sure)

    def _doubtful(self, level: Level, mine: Evidence) -> bool:
        """A full name that is worth a glance: 'May Chen', 'Ann Marie Lee', 'Luis Ruiz and Ana'."""
        first, last = min(mine.covered), max(mine.covered)
        unknown = self.unknown_words(level, mine.touched)
        between = any(word in unknown for word in level.words[first:last])
        two = bool(unknown) and bool(JOINING & set(level.words) or re.search(r"[&+]", level.raw))
        return between or two or self._half(level, mine, self.usual)

    def _by_id(self, levels: Sequence[Level], seen: Sequence[Mapping[int, Evidence]]) -> set[int]:
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

    def _ids_in(self, level: Level, named: set[int]) -> set[int]:
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

    def _number_is_id(self, number: str, level: Level) -> bool:
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
        levels: Sequence[Level],
        seen: Sequence[dict[int, Evidence]],
    ) -> Match:
        """An id stands in the path: it counts unless the names there say someone else."""
        if named and named.student_id is not None:
            number = self._number(named.student_id)
            fit = [n for n in marked if self.students[n].student_id in named.guesses]
            if number in marked or (len(fit) == 1 and len(marked) == 1):
                chosen = number if number in marked else fit[0]
                return Match(self.students[chosen].student_id, "id", True)
            return self.ask("contradiction", levels, [number, *sorted(marked)])
        if named:  # several students of that name: the id decides between them
            fit = [n for n in marked if self.students[n].student_id in named.guesses]
            if named.how == "several" and len(fit) == 1 and len(marked) == 1:
                return Match(self.students[fit[0]].student_id, "id", True)
            return self.ask("contradiction", levels, sorted(marked))
        if len(marked) > 1:
            return self.ask("contradiction", levels, sorted(marked))
        (number,) = marked
        if others := self.others_named(number, levels, seen):
            return self.ask("contradiction", levels, [number, *others])
        return Match(self.students[number].student_id, "id", True)

    def _tell_apart(self, numbers: set[int], levels: Sequence[Level]) -> int | None:
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

    def _number(self, student_id: str) -> int:
        return next(n for n, s in enumerate(self.students) if s.student_id == student_id)
