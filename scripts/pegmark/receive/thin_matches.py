"""Matches on less than a full name: two folders, a slip of the pen, one name alone, an initial."""

from __future__ import annotations

from collections.abc import Sequence

from pegmark.receive.name_evidence import Evidence, Level, Match, RosterNames
from pegmark.receive.name_words import (
    is_one_slip,
    name_forms,
)


class ThinMatcher(RosterNames):
    """What can still be said where no id and no full name stands in one level of a path."""

    def thin_match(self, levels: Sequence[Level], seen: Sequence[dict[int, Evidence]]) -> Match:
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
        return self.ask("several" if len(touched) > 1 else "no_name", levels, sorted(touched))

    def _across(self, levels: Sequence[Level], seen: Sequence[dict[int, Evidence]]) -> Match | None:
        """Family name on one folder, given name on the next: 'Ruiz/Ana/take 1.mov'."""
        fit = set()
        for inner in range(len(levels) - 1):
            pair = (inner, inner + 1)
            for number in seen[inner].keys() & seen[inner + 1].keys():
                one, two = (seen[place][number] for place in pair)
                if not ((one.given and two.family) or (one.family and two.given)):
                    continue
                rest = [
                    self.unknown_words(levels[place], seen[place][number].touched) for place in pair
                ]
                usual = any(
                    all(levels[place].words[i] in self.usual for i in seen[place][number].covered)
                    for place in pair
                )
                if not any(rest) and not usual:
                    fit.add(number)
        if len(fit) == 1:
            return Match(self.students[fit.pop()].student_id, "across", False)
        return self.ask("several", levels, sorted(fit)) if fit else None

    def _one_name(
        self, levels: Sequence[Level], seen: Sequence[dict[int, Evidence]]
    ) -> Match | None:
        """One name, perhaps with an initial, that only one student has or nearly has."""
        verdicts: list[tuple[int, str]] = []
        for level, found in zip(levels, seen, strict=True):
            verdict = self._one_name_in(level, found)
            if isinstance(verdict, set):
                return self.ask("several", levels, sorted(verdict))
            if verdict is not None:
                verdicts.append(verdict)
        numbers = {number for number, _ in verdicts}
        if len(numbers) == 1:
            return Match(self.students[verdicts[0][0]].student_id, verdicts[0][1], False)
        return self.ask("contradiction", levels, sorted(numbers)) if numbers else None

    def _one_name_in(
        self, level: Level, found: dict[int, Evidence]
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
        if self.unknown_words(level, used):
            return {number}
        names = [level.words[i] for i in sorted(evidence.covered)]
        if number in with_initial:
            return number, "initial"
        rivals = self.resembling([*names, "".join(names)]) - {number}
        return {number, *rivals} if rivals else (number, "one_name")

    def _has_initial(self, level: Level, number: int, evidence: Evidence) -> bool:
        joined = {i for i in evidence.initial if len(level.words[i]) > 3}
        return bool(joined - evidence.covered) or bool(
            self._initial_places(level, number, evidence)
        )

    def _initial_places(self, level: Level, number: int, evidence: Evidence) -> set[int]:
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
            and not self.no_initial(level, i)
        }

    def _near(self, levels: Sequence[Level], seen: Sequence[dict[int, Evidence]]) -> Match | None:
        """Given and family name with one slip of the pen between them."""
        fit: set[int] = set()
        for level in levels:
            words = [word for word in level.words if word not in self.usual or word in self.single]
            fit |= {n for n in range(len(self.students)) if self._slip(n, words)}
        if len(fit) == 1:
            (number,) = fit
            others = self.others_named(number, levels, seen) or self._shorter(number, levels)
            if others:
                return self.ask("several", levels, [number, *others])
            return Match(self.students[number].student_id, "near", False)
        return self.ask("several", levels, sorted(fit)) if fit else None

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

    def _shorter(self, number: int, levels: Sequence[Level]) -> list[int]:
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
