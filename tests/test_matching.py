"""Whose is a file: hundreds of made spellings, and the hard cases one by one."""

from __future__ import annotations

import random
import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conftest import cases
from lab.bench import CONFIG
from lab.spellings import make_class, outsider, spell
from pegmark.receive.matching import Matcher
from pegmark.receive.name_words import repair
from pegmark.receive.roster import Student
from pegmark.trade.instruments import load_names

INSTRUMENT_NAMES = load_names(CONFIG / "instruments.yaml")


def student(
    student_id: str, family: str, given_: str, instrument: str = "violin", **more
) -> Student:
    return Student(student_id, family, given_, instrument, **more)


CLASS = [
    student("s01", "Ruiz", "Ana", section="7B"),
    student("s02", "García Márquez", "María José", "cello", section="7B"),
    student("s03", "Lee", "Ann"),
    student("s04", "Lee", "Anna", "viola"),
    student("s05", "Müller", "Jörg"),
    student("s06", "O'Brien", "Siobhán", "double bass"),
    student("s07", "van der Berg", "Jean-Luc"),
    student("s08", "Ortega", "Guadalupe", nickname="Lupe"),
    student("s09", "Reed", "Sam", "violin", section="7B"),
    student("s10", "Reed", "Sam", "cello", section="7C"),
    student("s11", "Chen", "May"),
    student("s12", "Winter", "Viola", "cello", email="viola.w@example.org"),
    student("s13", "王", "小明"),
    student("s14", "Krzyżanowski", "Łukasz"),
    student("1015", "Novotny", "Jan"),
    student("a1b2c3d4", "Thorvald", "Nia"),
]


@pytest.fixture(scope="module")
def matcher() -> Matcher:
    return Matcher(CLASS, INSTRUMENT_NAMES, ("Week 3: all four strings",))


@pytest.mark.parametrize("seed", range(24))
def test_spellings_made_by_a_generator(seed, record_property):
    """Right in 97 % of the spellings that tell whose they are; never wrong, silently or not."""
    students = make_class(seed, size=(20, 60, 90, 150)[seed % 4])
    rng = random.Random(1000 + seed)
    matcher = Matcher(students, INSTRUMENT_NAMES, ("Tuning",))
    made = [spell(rng.choice(students), students, rng) for _ in range(200)]
    made += [outsider(students, rng) for _ in range(40)]
    found = [(one, matcher.match(one.file)) for one in made]
    decidable = [(one, match) for one, match in found if one.decidable]
    right = sum(match.student_id == one.student_id for one, match in decidable)
    wrong = [
        (one, match)
        for one, match in found
        if match.student_id is not None and match.student_id != one.student_id
    ]
    asked = [match for _, match in found if match.student_id is None]
    print(f"{len(decidable)} decidable, {right} right; {len(wrong)} wrong; {len(asked)} asked")
    record_property("right", right / len(decidable))
    assert right >= 0.97 * len(decidable)
    assert wrong == []
    assert all(not match.sure for match in asked)


def test_guesses_hold_the_right_student_where_it_is_asked():
    """Of the files that are asked about, the student is among the two guesses in nearly all."""
    held = asked = 0
    for seed in range(8):
        students = make_class(50 + seed)
        rng = random.Random(seed)
        matcher = Matcher(students, INSTRUMENT_NAMES)
        shared = {s.given_name for s in students if _count(students, s.given_name) > 2}
        for _ in range(150):
            one = rng.choice(students)
            made = spell(one, students, rng)
            match = matcher.match(made.file)
            if match.student_id is None and made.kind != "one" and one.given_name not in shared:
                asked += 1
                held += made.student_id in match.guesses
    print(f"{held} of {asked}")
    assert asked > 20
    assert held >= 0.9 * asked


def _count(students, name):
    return sum(name in (s.given_name, s.family_name) for s in students)


@pytest.mark.parametrize(
    ("file", "student_id"),
    [
        ("Ana Ruiz.mov", "s01"),
        ("RUIZ, ANA.mov", "s01"),
        ("ruiz_ana_week3_FINAL.mp4", "s01"),
        ("tuning-ana-ruiz (1) - Copy.m4a", "s01"),
        ("AnaRuiz.mov.mp4", "s01"),
        ("anaruizviolin.webm", "s01"),
        ("ruizanafinal2.mov", "s01"),
        ("Ruiz, Ana_48213_assignsubmission_file_/VID_20260305_171502.mp4", "s01"),
        ("export.zip/ruizana_late_12345_678910_tuning.mov", "s01"),
        ("7B/Ruiz Ana/IMG_0001.MOV", "s01"),
        ("s01.mp4", "s01"),
        ("a1b2c3d4.mp4", "a1b2c3d4"),  # an id that looks like a hash
        ("S01 - tuning - a3f9c2d1e4b5f6a7.mp4", "s01"),
        ("week 3/s01/take 2.mov", "s01"),
        ("Maria Jose Garcia Marquez.mp4", "s02"),
        ("maria garcia.mp4", "s02"),
        ("GarciaMariaJose.mp4", "s02"),
        ("MarÃ­a GarcÃ­a.mp4", "s02"),  # UTF-8 read as Windows-1252
        ("Mar%C3%ADa_Garc%C3%ADa.mp4", "s02"),
        ("Mar#U00eda Garc#U00eda.mp4", "s02"),
        ("Mar_a Garc_a M_rquez.mp4", "s02"),  # letters that a platform threw away
        ("Mar\\xeda Garc\\xeda.mp4", "s02"),  # bytes that are no UTF-8, see path_text
        ("Joerg Mueller.mp4", "s05"),
        ("Jorg Muller.mp4", "s05"),
        ("MÜLLER Jörg.mp4", "s05"),
        ("obrien siobhan.mp4", "s06"),
        ("Siobhan O Brien.mp4", "s06"),
        ("Siobhán O’Brien.mp4", "s06"),
        ("vanderberg_jeanluc.mp4", "s07"),
        ("Berg, Jean Luc van der.mp4", "s07"),
        ("lupe ortega.mp4", "s08"),
        ("Ann Lee.mp4", "s03"),
        ("annlee.mp4", "s03"),
        ("Anna Lee.mp4", "s04"),
        ("LeeAnna.mp4", "s04"),
        ("Ann Lee - A string.mp4", "s03"),
        ("Lee Ann A.mp4", "s03"),
        ("王小明 tuning.mp4", "s13"),
        ("小明 王.mp4", "s13"),
        ("lukasz krzyzanowski 🎻🎻.mp4", "s14"),
        ("1015.mp4", "1015"),
        ("1015 tuning week 12.mp4", "1015"),
        ("tuning_viola.w@example.org.mp4", "s12"),
        ("ana.ruiz@school.example - tuning.mp4", "s01"),  # an address that the roster lacks
        ("Ana Ruiz " + "x" * 180 + ".mp4", "s01"),
        ("Ana\nRuiz.mp4", "s01"),
        ("Ana Ruiz's video.mp4", "s01"),
        ("\u202eAna Ruiz\u202c.mp4", "s01"),
        ("\"Ana\" 'Ruiz'.mp4", "s01"),
    ],
)
def test_sure_matches(matcher, file, student_id):
    match = matcher.match(file)
    assert (match.student_id, match.sure) == (student_id, True)
    again = matcher.match(unicodedata.normalize("NFD", file))
    assert again.student_id == student_id


@pytest.mark.parametrize(
    ("file", "student_id", "how"),
    [
        ("Ana week 3.mov", "s01", "one_name"),
        ("ortega tuning.mov", "s08", "one_name"),
        ("Ana’s tuning.mov", "s01", "one_name"),
        ("Lupe.mov", "s08", "one_name"),
        ("A Ruiz.mov", "s01", "initial"),
        ("aruiz.mov", "s01", "initial"),
        ("Ana R tuning.mov", "s01", "initial"),
        ("Ana Riuz.mov", "s01", "near"),
        ("Guadalpue Ortega.mov", "s08", "near"),
        ("Ruiz/Ana/take 1.mov", "s01", "across"),
        ("Sam Reed cello.mov", "s10", "told_apart"),
        ("7C/Sam Reed.mov", "s10", "told_apart"),
        ("May Chen.mov", "s11", "name"),  # 'May' is a month, too
        ("Luis Ruiz and Ana.mov", "s01", "name"),
        ("Ann Marie Lee.mov", "s03", "name"),
        ("Ana Featherstone/Jörg Müller.mov", "s05", "name"),
    ],
)
def test_matches_that_are_used_and_told(matcher, file, student_id, how):
    match = matcher.match(file)
    assert (match.student_id, match.how, match.sure) == (student_id, how, False)


@pytest.mark.parametrize(
    ("file", "guesses"),
    [
        ("Sam Reed.mov", {"s09", "s10"}),  # the same name twice
        ("Lee.mov", {"s03", "s04"}),  # sisters
        ("Ann.mov", {"s03", "s04"}),  # the beginning of another's name
        ("Ann Lee and Anna Lee.mov", {"s03", "s04"}),
        ("Ana Ruiz + Jörg Müller duo.mov", {"s01", "s05"}),
        ("Ana Müller.mov", {"s01", "s05"}),
        ("Ana Ruiz/Joerg Mueller.mov", {"s01", "s05"}),
        ("s01 Joerg Mueller.mov", {"s01", "s05"}),
        ("s01 s05.mov", {"s01", "s05"}),
        ("Ana/Jörg Müller.mov", {"s01", "s05"}),
        ("Annie Lee.mov", {"s03", "s04"}),  # a slip in Anna, or a pet name of Ann
    ],
)
def test_doubtful_files_are_asked_with_both_students(matcher, file, guesses):
    match = matcher.match(file)
    assert match.student_id is None
    assert set(match.guesses) == guesses


@pytest.mark.parametrize(
    "file",
    [
        "IMG_1015.MOV",  # a camera's counter is no student_id
        "1016.mp4",
        "VID_20260306_101500.mp4",
        "tuning week 3 final.mp4",
        "viola.mp4",  # an instrument before it is a name
        "May 3 tuning.mp4",  # a month before it is a name
        "Quentin Ruiz.mp4",  # perhaps a brother
        "Ana Featherstone.mp4",
        "ana-featherstone-tuning.mp4",
        "Mario.mp4",
        "my tuning (1).mp4",
        "A 440.mp4",
        "a3f9c2d1e4b5f6a7.mp4",
        "🎻.mp4",
        ".mp4",
        "Ruize.mp4",
        "Annabel Lee.mp4",
        "Guadalupa Ortega.mp4",  # perhaps a sister: the end of a given name counts
        "Ruiz/Ana Featherstone.mp4",
        "tuning 1015 1016.mp4",  # two numbers, and either may be the id
        "take 1015.mp4",
        "video 1015.mp4",
    ],
)
def test_files_of_nobody_are_never_used(matcher, file):
    assert matcher.match(file).student_id is None


@pytest.mark.parametrize("number", ["440", "2026", "12", "007"])
def test_numbers_that_mean_something_else_are_no_ids(number):
    """A year, hertz or a week stands in many names: alone they are not taken for an id."""
    matcher = Matcher([student(number, "Ruiz", "Ana"), student("x2", "Lee", "Ann")])
    assert matcher.match(f"tuning {number}.mp4").student_id is None
    assert matcher.match(f"week 3 tuning {number} hz.mp4").student_id is None
    assert matcher.match(f"{number} Ana Ruiz.mp4").student_id == number


def test_an_id_that_is_someone_elses_name_is_not_taken():
    matcher = Matcher([student("anna", "Ruiz", "Bea"), student("x2", "Lee", "Anna")])
    assert matcher.match("Anna Lee.mp4").student_id == "x2"
    assert matcher.match("anna.mp4").student_id != "anna"


def test_the_order_of_the_roster_does_not_matter():
    students = make_class(7)
    rng = random.Random(7)
    files = [spell(rng.choice(students), students, rng).file for _ in range(150)]
    mixed = random.Random(1).sample(students, len(students))
    one, two = Matcher(students, INSTRUMENT_NAMES), Matcher(mixed, INSTRUMENT_NAMES)
    for file in files:
        assert one.match(file).student_id == two.match(file).student_id


@cases(150)
@given(st.text(min_size=1, max_size=120))
def test_any_name_is_matched_or_asked(matcher, text):
    """No text breaks the matcher, and a text without letters or digits names nobody."""
    match = matcher.match(text)
    assert len(match.guesses) <= 2
    assert match.student_id is not None or not match.sure
    if not re.search(r"\w", text):
        assert match.student_id is None


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("MarÃ­a", "María"),
        ("Zo%C3%AB", "Zoë"),
        ("100% Ana", "100% Ana"),
        ("Jo#U0308rg", "Jörg"),
        ("Ana", "Ana"),
    ],
)
def test_names_are_repaired(text, meant):
    assert repair(text) == meant
