"""The rubric: the default adds up to twelve, and every mistake is told at once, by line and key."""

import pytest

from lab import sheet_examples
from pegmark.files.yaml_files import read_yaml
from pegmark.publish.gradebook import gradebook_csv
from pegmark.records.columns import is_own_column
from pegmark.records.problems import TeacherError
from pegmark.render.sheet_view import sheet_view
from pegmark.score.criteria import KINDS
from pegmark.settings.rubric import (
    DEFAULTS,
    TEACHER,
    check_rubric,
    load_rubric,
    rubric_problems,
    title_of,
    total_of,
)
from takes import CONFIG, RUBRIC, grade, move, take

MISTAKES = """\
titel: Tuning
criteria:
  - {id: final_pitch, title: In tune, points: 4, kind: final_pich}
  - {id: Order!, title: "", points: 0, kind: order}
  - id: sounding
    title: Sounding
    points: 1
    kind: sounding_while_turning
    top_string_cents: 50
  - id: sounding
    title: Again
    points: one
    kind: teacher
  - id: whole
    title: Whole
    points: 2
    kind: whole_pitch
    levels: {in_tune: 0.5, close: 1}
  - not a criterion
"""


def write(path, text):
    path.write_text(text, encoding="utf-8")
    return path


def test_the_default_rubric():
    """Twelve points, eight of them measured (design, section 4)."""
    assert total_of(RUBRIC) == 12
    assert {c["id"]: c["points"] for c in RUBRIC["criteria"]} == {
        "final_pitch": 4, "order": 1, "sounding": 1, "small_moves": 1, "final_check": 1,
        "bridge": 1, "answers": 2, "daily": 1,
    }  # fmt: skip
    assert sum(c["points"] for c in RUBRIC["criteria"] if c["kind"] != TEACHER) == 8


def test_the_default_file_shows_every_usual_value():
    """What config/rubric.yaml sets is what holds where a rubric sets nothing."""
    for criterion in read_yaml(CONFIG / "rubric.yaml").data["criteria"]:
        for name, value in DEFAULTS[criterion["kind"]].items():
            if name != "shows":  # no usual value: what is seen is not what is said
                assert criterion.get(name, value) == value


def test_every_kind_has_a_function():
    assert set(DEFAULTS) == {*KINDS, TEACHER}


def test_all_mistakes_at_once_by_line_and_key(tmp_path):
    with pytest.raises(TeacherError) as caught:
        load_rubric(write(tmp_path / "rubric.yaml", MISTAKES))
    told = [p["message"] for p in caught.value.problems]
    for expected in (
        "rubric.yaml, line 1, titel: 'titel' is not a setting",
        'rubric.yaml, line 3, criteria[1].kind: "final_pich" is not one of the choices',
        'rubric.yaml, line 4, criteria[2].id: "Order!" is not written as it must be',
        'rubric.yaml, line 4, criteria[2].title: "" is too short',
        "rubric.yaml, line 4, criteria[2].points: 0 must be above 0",
        "rubric.yaml, line 9, criteria[3].top_string_cents: 'top_string_cents' is not a setting",
        "rubric.yaml, line 10, criteria[4].id: 'sounding' is already the id of criterion 3",
        'rubric.yaml, line 12, criteria[4].points: "one" is not a number',
        "rubric.yaml, line 18, criteria[5].levels: in_tune 0.5, close 1, out 0 do not fall",
        'rubric.yaml, line 19, criteria[6]: "not a criterion" is not a block of keys',
    ):
        assert any(message.startswith(expected) for message in told), expected
    assert len(told) == 10
    lines = [int(message.split("line ")[1].split(",")[0]) for message in told]
    assert lines == sorted(lines)
    actions = [p["action"] for p in caught.value.problems]
    assert any('Did you mean "final_pitch"?' in action for action in actions)
    assert all(actions)


def test_a_limit_for_a_string_that_nobody_has_is_told(tmp_path):
    text = (
        "criteria:\n  - id: moves\n    title: Moves\n    points: 1\n    kind: small_moves\n"
        "    strings: {E5: 30, E4: 40, X9: 5}\n"
    )
    path = write(tmp_path / "rubric.yaml", text)
    with pytest.raises(TeacherError) as caught:
        load_rubric(path, {"E5", "A4"})
    told = [p["message"] for p in caught.value.problems]
    assert "rubric.yaml, line 6, criteria[1].strings.E4: there is no open string E4." in told
    assert sum("E4" in message for message in told) == 1
    assert sum("X9" in message for message in told) == 1  # no name of a string at all
    assert len(told) == 2


def criterion(settings):
    """A rubric of one criterion, in the one line of a file."""
    return f"criteria: [{{title: It, {settings}}}]\n"


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        # The gradebook's own columns: points would stand over them, or they over the points.
        ("id: total, points: 1, kind: teacher", "criteria[1].id: 'total' is another column of"),
        ("id: string_4_cents, points: 1, kind: teacher", "'string_4_cents' is another column of"),
        ("id: hours_late, points: 1, kind: teacher", "'hours_late' is another column of"),
        # Points are told to a hundredth: a third would always seem to lack a little.
        ("id: a, points: 3.333, kind: teacher", "points: 3.333 is finer than a hundredth"),
        (
            "id: a, points: 4, kind: final_pitch, levels: {in_tune: 0.9}",
            "levels.in_tune: with 0.9 nobody could earn all the points",
        ),
        (
            "id: a, points: 4, kind: whole_pitch, levels: {in_tune: 0, close: 0}",
            "levels.in_tune: with 0 nobody could earn all the points",
        ),
        # A key may be a number: it is told as what was typed.
        ("id: a, points: 1, kind: small_moves, strings: {5: 30}", "strings.5: '5' is not a"),
        ("id: a, points: 1, kind: teacher, titles: {1: x}", 'titles: "1" is not written as'),
        ("id: a, points: 1, kind: teacher, [a, b]: x", "a key must be one word or number"),
        ("id: a, points: 1e400, kind: teacher", "points: Infinity is above 1000"),
        ("id: a, points: .inf, kind: teacher", 'points: ".inf" is not a number'),
        ("id: a, points: true, kind: teacher", "points: true is not a number"),
        ("id: a, points: 1, kind: [teacher]", 'kind: ["teacher"] is not one of the choices'),
    ],
)
def test_one_mistake(tmp_path, settings, told):
    with pytest.raises(TeacherError) as caught:
        load_rubric(write(tmp_path / "rubric.yaml", criterion(settings)), {"E5", "A4"})
    (one,) = caught.value.problems
    assert one["message"].startswith("rubric.yaml, line 1")
    assert told in one["message"]
    assert one["action"]


def test_every_column_of_the_gradebook_but_the_criteria_is_taken():
    """No id of the default rubric is, and all columns that a gradebook has beside them are."""
    ids = [c["id"] for c in RUBRIC["criteria"]]
    late = {"grace_hours": 0, "points_off_per_day": 1}
    header = gradebook_csv({}, {"students": [], "rubric": RUBRIC, "policies": {"late": late}})
    columns = header.splitlines()[0].split(",")
    assert [name for name in columns if not is_own_column(name)] == ids


@pytest.mark.parametrize(
    "settings",
    [
        "id: a, points: 0.01, kind: teacher",
        "id: a, points: 0.29, kind: teacher",  # 0.29 / 0.01 is no whole number of floats
        "id: a, points: 6.67, kind: final_pitch, levels: {close: 1, out: 1}",
        "id: a, points: 1, kind: final_check, ignore_below_cents: 0",
        "id: a, points: 1, kind: sounding_while_turning, ignore_below_cents: 0",
        "id: a, points: 1, kind: small_moves, strings: {E5: 30.5}",
        "id: a, points: 1, kind: method_used, unheard: lost",
        "id: a, points: 1, kind: teacher, titles: {es: Eso, pt-BR: Isso}",
    ],
)
def test_one_setting_that_is_right(tmp_path, settings):
    text = criterion(settings)
    assert load_rubric(write(tmp_path / "rubric.yaml", text), {"E5", "A4"})["criteria"]


def test_the_tenth_criterion_is_told_after_the_second(tmp_path):
    lines = [f"  - {{id: c{n}, title: It, points: 0, kind: teacher}}" for n in range(1, 13)]
    with pytest.raises(TeacherError) as caught:
        load_rubric(write(tmp_path / "rubric.yaml", "\n".join(["criteria:", *lines])))
    told = [p["message"] for p in caught.value.problems]
    assert [m.split(":")[0] for m in told] == [
        f"rubric.yaml, line {n + 1}, criteria[{n}].points" for n in range(1, 13)
    ]


@pytest.mark.parametrize("text", ["", "[]", "criteria: []", "criteria: {}", "criteria:\n"])
def test_a_rubric_without_criteria_is_none(tmp_path, text):
    with pytest.raises(TeacherError):
        load_rubric(write(tmp_path / "rubric.yaml", text))


def test_a_rubric_in_another_file_is_told_by_that_files_lines(tmp_path):
    text = "title: Week 3\nrubric:\n  criteria:\n    - {id: a, title: A, points: -1, kind: order}\n"
    source = read_yaml(write(tmp_path / "assignment.yaml", text))
    (told,) = rubric_problems(source.data["rubric"], source, ("rubric",))
    assert told["message"].startswith("assignment.yaml, line 4, rubric.criteria[1].points: -1")


def test_criteria_may_be_dropped_added_renamed_and_reweighed():
    rubric = check_rubric(
        {
            "criteria": [
                {"id": "pitch", "title": "Pitch", "points": 50, "kind": "final_pitch",
                 "levels": {"close": 0.75}},
                {"id": "posture", "title": "Posture", "points": 12.5, "kind": "teacher"},
            ]
        },
        "rubric.yaml",
    )  # fmt: skip
    assert total_of(rubric) == 62.5
    assert rubric["criteria"][0]["levels"] == {"in_tune": 1, "close": 0.75, "out": 0}


def test_checking_changes_nothing_of_its_input():
    data = {"criteria": [{"id": "a", "title": "A", "points": 1, "kind": "small_moves"}]}
    check_rubric(data, "rubric.yaml")
    assert data == {"criteria": [{"id": "a", "title": "A", "points": 1, "kind": "small_moves"}]}


def test_titles_by_language():
    order = next(c for c in RUBRIC["criteria"] if c["id"] == "order")
    assert title_of(order, "en") == "A first"
    assert title_of(order, "es") == "Primero el la"
    assert title_of(order, "fr") == "A first"


TWO_LEVELS = """\
title: Afinar
criteria:
  - {id: notas, title: Cuerdas afinadas, points: 10, kind: final_pitch, levels: {close: 1}}
  - {id: la, title: Primero el la, points: 2.5, kind: order, levels: {wrong: 0.5}}
  - id: suena
    title: Que suene
    points: 2.5
    kind: sounding_while_turning
    levels: {most: 1, some: 0}
    from_share: {most: 0.5, some: 0.5}
  - {id: final, title: Comprobar, points: 2.5, kind: final_check, levels: {most: 0.5}}
  - {id: puente, title: El puente, points: 2.5, kind: teacher}
"""


def test_a_rubric_of_two_levels_twenty_points_and_spanish_works_end_to_end(tmp_path):
    """Half points and shares of any measured kind, from the file to the sheet and the gradebook."""
    rubric = load_rubric(write(tmp_path / "rubric.yaml", TWO_LEVELS), {"E5"})
    measured = take(
        order=["D4", "A4", "G3", "E5"],
        cents={"G3": -10.0, "D4": -40.0},
        strings={"A4": {"checked_s": None}, "G3": {"moves": [move(30, 30, -10, sounding=False)]}},
    )
    record = grade(measured, rubric=rubric, language="es", marks={"puente": 2})
    points = {row["id"]: row["points"] for row in record["score"]["criteria"]}
    # G is close (all its share), D is out (none of it); the order is wrong (half); three turns of
    # four sounded (two levels: all); three strings of four were checked (half).
    assert points == {"notas": 7.5, "la": 1.25, "suena": 2.5, "final": 1.25, "puente": 2}
    assert (record["score"]["total"], record["score"]["of"]) == (14.5, 20)
    view = sheet_view(record, sheet_examples.ticket(language="es"))
    assert view["total"]["sum"] == "14½ de 20"
    said = " ".join(item["text"] for row in record["score"]["criteria"] for item in row["evidence"])
    assert "Afinaste primero tu cuerda re" in said
    ticket_ = {"students": [], "rubric": rubric, "policies": {"late": None}}
    assert "notas,la,suena,final,puente" in gradebook_csv({}, ticket_)


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ("kind: order, levels: {right: 0.5, wrong: 0.7}", "right 0.5, wrong 0.7 do not fall"),
        ("kind: small_moves, levels: {most: 0.2, some: 0.5}", "do not fall"),
        ("kind: small_moves, levels: {all: 0.5, most: 0.5}", "with 0.5 nobody could earn all"),
        ("kind: small_moves, from_share: {most: 0.2}", "do not fall"),
        ("kind: final_check, levels: {often: 1}", "'often' is not a setting"),
        ("kind: order, no_turns: never", "no_turns"),
    ],
)
def test_a_mistake_in_a_share_is_told(tmp_path, settings, told):
    with pytest.raises(TeacherError) as caught:
        load_rubric(write(tmp_path / "rubric.yaml", criterion(f"id: a, points: 1, {settings}")))
    (one,) = caught.value.problems
    assert told in one["message"]
    assert one["message"].startswith("rubric.yaml, line 1")
