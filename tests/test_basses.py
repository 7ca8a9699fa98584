"""Basses in solo tuning and with five strings, from sound to what each string was left at."""

from __future__ import annotations

import shutil

import pytest

from conftest import ROOT
from lab import takes
from lab.chain import hear
from pegmark.trade.instruments import load_instruments

TABLE = load_instruments(ROOT / "config" / "instruments.yaml")
WITHIN_CENTS = 3.0  # in tune on any string is further than this (config/assignment.default.yaml)


@pytest.mark.skipif(
    shutil.which("espeak-ng") is None, reason="espeak-ng is not installed (tests/apt-packages.txt)"
)
@pytest.mark.parametrize(
    ("key", "strings"),
    [
        ("solo bass", ["A2", "E2", "B1", "F#1"]),
        ("five-string bass", ["G2", "D2", "A1", "E1", "B0"]),
        ("five-string bass in c", ["G2", "D2", "A1", "E1", "C1"]),
    ],
)
def test_a_take_is_heard_named_and_measured_on_all_its_strings(key, strings):
    bass = TABLE[key]
    start = {name: -30.0 + 12 * k for k, name in enumerate(strings)}
    left = {name: 4.0 - 3 * k for k, name in enumerate(strings)}
    first = bass.order[0]
    events: list[takes.Event] = [takes.Say(takes.GREETINGS[0])]
    for name in [first, *(s for s in strings if s != first)]:
        events += [takes.Pluck(name, 1, 1.4), takes.Tune(name, (left[name],), gap_s=1.2)]
        events.append(takes.Pluck(name, 1, 1.6))
    events += [takes.Bow(name, 2.0) for name in strings]
    audio, truth = takes.assemble(bass, start, events, player=takes.Player(seed=4))
    measured = hear(audio, bass).measured
    assert list(measured["strings"]) == strings
    assert measured["order"][0] == first
    for name, string in measured["strings"].items():
        assert string["heard"] == "heard", name
        off = string["deviation_cents"] - truth["strings"][name]["left_cents"]
        assert abs(off) < WITHIN_CENTS, name
        assert string["start_cents"] == pytest.approx(start[name], abs=8.0), name
