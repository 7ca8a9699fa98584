"""A viola that was handed in as a violin, and the reverse, from sound to the one setting that
grades it. Takes of the laboratory; violin and viola share G, D and A.
"""

import pytest

from lab import takes
from lab.chain import hear
from takes import INSTRUMENTS, SHA, grade, row


@pytest.fixture(scope="module")
def heard():
    """(what was played, what it was handed in as) -> the measured take."""
    found = {}
    for played, other in (("viola", "violin"), ("violin", "viola")):
        instrument = INSTRUMENTS[played]
        order = ["A4", *(name for name in instrument.strings if name != "A4")]
        events = [takes.Tune(name, (0.0,)) for name in order]
        events += [takes.Bow(name, 1.5) for name in instrument.strings]
        audio, _ = takes.assemble(
            instrument,
            dict.fromkeys(instrument.strings, -30.0),
            events,
            player=takes.Player(seed=12),
            room=takes.Room(snr_db=32, rt60_s=0.25),
        )
        for key in (played, other):
            measured = hear(audio, INSTRUMENTS[key]).measured
            found[played, key] = {**measured, "take": f"{SHA[:16]}-{key}"}
    return found


@pytest.mark.parametrize(("played", "handed_in"), [("viola", "violin"), ("violin", "viola")])
def test_the_instrument_is_named_with_the_one_setting(heard, played, handed_in):
    record = grade(heard[played, handed_in])
    assert record["status"] == "needs_listening"
    told = " ".join(problem["action"] for problem in record["problems"])
    assert f"write {played} in the instrument column of roster.csv" in told


@pytest.mark.parametrize("played", ["viola", "violin"])
def test_that_setting_grades_it(heard, played):
    record = grade(heard[played, played])
    assert (record["status"], record["problems"]) == ("graded", [])
    assert row(record, "final_pitch")["points"] == 4
