"""What was told of turns and slips beside what was done (lab.truths)."""

from __future__ import annotations

from typing import Any

from lab.truths import Turning, heard_turns, left_cents


def turn(start_s: float, end_s: float, before: float, after: float) -> dict[str, Any]:
    times = {"start_s": start_s, "end_s": end_s}
    return {"string": "A4", "from_cents": before, "to_cents": after, **times}


def note(start_s: float, end_s: float, string: str = "A4") -> dict[str, Any]:
    return {"start_s": start_s, "end_s": end_s, "string": string, "kind": "plucked"}


def truth(notes: list[Any], turns: list[Any], slips: list[Any], left: float) -> dict[str, Any]:
    return {"notes": notes, "turns": turns, "slips": slips, "strings": {"A4": {"left_cents": left}}}


def told(*moves: dict[str, Any], slipped: float | None = None) -> dict[str, Any]:
    return {"moves": [{**m, "uncertainty_cents": 2.0} for m in moves], "slipped_cents": slipped}


def test_turns_between_which_nothing_sounded_are_heard_as_one() -> None:
    made = [turn(2, 3, -80, -40), turn(4, 5, -40, 0)]
    silent = truth([note(0, 1), note(6, 7)], made, [], 0)
    assert [(t["from_cents"], t["to_cents"]) for t in heard_turns(silent, "A4")] == [(-80, 0)]
    sounding = truth([note(0, 1), note(3.2, 3.8), note(6, 7)], made, [], 0)
    assert len(heard_turns(sounding, "A4")) == 2
    assert heard_turns(truth([note(6, 7)], made, [], 0), "A4") == []  # never heard before


def test_a_slip_that_was_hardly_heard_is_not_counted_into_what_was_left() -> None:
    slip = turn(1.5, 1.6, 0, -30)
    assert left_cents(truth([note(0, 2)], [], [slip], -30), "A4") == 0
    assert left_cents(truth([note(0, 4)], [], [slip], -30), "A4") == -30


def test_turns_are_counted_by_size_and_what_nobody_made_is_told() -> None:
    notes = [note(0, 1), note(3, 4), note(6, 7), note(9, 10)]
    made = [turn(1, 2, -60, -7), turn(4, 5, -7, 0)]
    counts = Turning()
    counts.add(told(turn(1, 3, -61, -7), turn(8, 9, 0, -9)), truth(notes, made, [], 0), "A4")
    assert (counts.made, counts.found) == ({5: 1, 10: 0, 20: 1}, {5: 0, 10: 0, 20: 1})
    assert (counts.invented, counts.strings) == (1, 1)
    assert counts.sizes == [(1.0, 2.0)]


def test_slips_told_missed_and_invented() -> None:
    counts, notes = Turning(), [note(0, 1), note(4, 6)]
    slip = turn(2, 2.4, 0, -30)
    counts.add(told(slipped=30.0), truth(notes, [], [slip], -30), "A4")
    counts.add(told(), truth(notes, [], [slip], -30), "A4")
    counts.add(told(slipped=20.0), truth(notes, [], [], 0), "A4")
    assert (counts.slips_told, counts.slips, counts.slips_invented) == (1, 2, 1)
