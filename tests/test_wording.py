"""Words and numbers for people: formats, and untrusted text made safe."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lab.sheet_examples import comments
from pegmark.words import wording


@pytest.mark.parametrize(
    ("seconds", "shown"), [(0, "0:00"), (75.4, "1:15"), (59.99, "0:59"), (3600, "60:00")]
)
def test_times_are_minutes_and_seconds(seconds: float, shown: str) -> None:
    assert wording.clock(seconds) == shown


def test_an_unknown_time_is_not_zero() -> None:
    assert wording.clock(None) == ""


@pytest.mark.parametrize(
    ("value", "shown"), [(3, "3"), (3.5, "3½"), (0.5, "½"), (3.2, "3.2"), (0, "0"), (1.6, "1.6")]
)
def test_points_are_written_as_people_write_them(value: float, shown: str) -> None:
    assert wording.points(value) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (-0.04, "0.0"),
        (1, "1.0"),
        (2.45, "2.5"),
        (-5.25, "5.2"),
        (9.96, "10"),
        (47.6, "48"),
        (9.94, "9.9"),
    ],
)
def test_cents_have_one_decimal_below_ten(value: float, shown: str) -> None:
    assert wording.cents(value) == shown


def test_no_number_is_minus_zero_and_minus_is_no_hyphen() -> None:
    assert wording.number(-0.001, 1) == "0"
    assert wording.number(-1.5, 1, ",") == "\u22121,5"


@pytest.mark.parametrize(("name", "letter"), [("A4", "A"), ("F#1", "F♯"), ("Bb0", "B♭")])
def test_strings_have_their_letters(name: str, letter: str) -> None:
    assert wording.letter(name) == letter


def test_lists_are_joined_as_in_speech() -> None:
    assert wording.listed(["A"], " and ") == "A"
    assert wording.listed(["A", "D", "G"], " y ") == "A, D y G"


def test_no_short_word_ends_a_text_alone() -> None:
    assert wording.unwidowed("stop at the note.") == "stop at the\u00a0note."
    for kept in ("note.", "", f"Ask {'w' * 40}"):
        assert wording.unwidowed(kept) == kept


def test_dates_are_written_in_the_language() -> None:
    iso = "2026-03-06T16:12:00+01:00"
    assert wording.date(iso, comments()["sheet"]) == "6\u00a0March 2026, 16:12"
    assert wording.date(iso, comments("es")["sheet"]) == "6\u00a0de\u00a0marzo de 2026, 16:12"
    assert wording.date(None, comments()["sheet"]) == ""
    assert wording.date("next Friday", comments()["sheet"]) == ""


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("Ada\r\nBcc: x@example.org", "Ada Bcc: x@example.org"),
        ("\u202egnp.exe\u202c", "gnp.exe"),
        ("Zo\u0308e \U0001f3bb", "Zöe"),
        ("a\x00b\x07c\ud800", "abc"),
        (None, ""),
        ("  two   spaces ", "two spaces"),
        ("می\u200cخواهم", "می\u200cخواهم"),  # Persian is spelt with this joiner
    ],
)
def test_untrusted_text_is_made_safe(text: str | None, safe: str) -> None:
    assert wording.safe_text(text) == safe


@given(st.text(max_size=300))
def test_safe_text_is_one_short_line_without_controls(text: str) -> None:
    safe = wording.safe_text(text)
    assert len(safe) <= wording.NAME_LIMIT
    assert safe == safe.strip()
    assert not any(unicodedata.category(c) in ("Cc", "Cs", "Co", "Zl", "Zp") for c in safe)
    assert wording.safe_text(safe) == safe


def test_a_long_text_is_cut_visibly() -> None:
    assert wording.safe_text("ab" * 100, 10) == "ababababa…"
