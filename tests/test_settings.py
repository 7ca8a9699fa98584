"""Settings: YAML by the 1.2 core rules, every mistake at once with file, line and key."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from lab.bench import CONFIG
from lab.classroom import build
from pegmark.files import yaml_files
from pegmark.records.problems import TeacherError
from pegmark.settings import assignment
from pegmark.trade.tolerances import resolve_tolerances
from pegmark.words import times

SCHEMAS = Path(yaml_files.SCHEMAS)


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(class_dir: Path) -> list[str]:
    """The messages of a class's settings."""
    with pytest.raises(TeacherError) as caught:
        assignment.load_assignment(class_dir, CONFIG)
    return [f"{p['message']} {p['action']}" for p in caught.value.problems]


# -- YAML ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # yaml.org/spec/1.2.2, 10.3.2 (core schema): words, clock times and dates stay texts.
        ("no", "no"),
        ("on", "on"),
        ("yes", "yes"),
        ("18:30", "18:30"),
        ("2026-03-06 18:00 +01:00", "2026-03-06 18:00 +01:00"),
        ("2026-03-06", "2026-03-06"),
        ("true", True),
        ("false", False),
        ("null", None),
        ("~", None),
        ("440", 440),
        ("012", 12),
        ("1e3", 1000.0),
        ("-0.5", -0.5),
        ("'3'", "3"),
    ],
)
def test_plain_words_mean_what_they_say(tmp_path, text, value):
    data = yaml_files.read_yaml(write(tmp_path / "a.yaml", f"key: {text}\n")).data
    assert data == {"key": value}
    assert type(data["key"]) is type(value)


def test_every_key_knows_its_line(tmp_path):
    file = yaml_files.read_yaml(
        write(
            tmp_path / "a.yaml", "# head\ntop:\n  inner: 1\n\nlist:\n  - a: 1\n  - a: 2\n    b: 3\n"
        )
    )
    assert file.line(("top", "inner")) == 3
    assert file.line(("list", 1, "b")) == 8
    assert file.line(("list", 1, "not there")) == 7
    assert file.where(("list", 1, "b")) == "a.yaml, line 8, list[2].b"


def test_an_empty_file_is_an_empty_table(tmp_path):
    assert yaml_files.read_yaml(write(tmp_path / "a.yaml", "# nothing yet\n")).data == {}


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"title: [a\nb: 1\n", "line 2"),
        (b"a: 1\nb: 2\na: 3\n", "line 3: the key 'a' appears twice"),
        (b"a: 'open\n", "cannot be read as YAML"),
        (b"\xff\xfe\xff", "not a UTF-8 text"),
        (b"a: !!python/object/apply:os.system ['true']\n", "cannot be read as YAML"),
        (b"- " * 200_000 + b"x", "nesting depth"),
        (b"x" * 1_000_001, "larger than 1 MB"),
    ],
)
def test_broken_yaml_is_told_by_line(tmp_path, content, words):
    path = tmp_path / "a.yaml"
    path.write_bytes(content)
    with pytest.raises(TeacherError) as caught:
        yaml_files.read_yaml(path)
    assert words in str(caught.value)
    assert "a.yaml" in str(caught.value)


# -- schemas ---------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(SCHEMAS.glob("*.json")), ids=lambda path: path.stem)
def test_schemas_are_valid(path):
    Draft202012Validator.check_schema(json.loads(path.read_text(encoding="utf-8")))


def test_the_defaults_set_every_key_of_the_schema():
    defaults = yaml_files.read_yaml(CONFIG / "assignment.default.yaml").data
    schema = json.loads((SCHEMAS / "assignment.schema.json").read_text(encoding="utf-8"))
    assert set(defaults) == set(schema["properties"])
    assert yaml_files.check(defaults, "assignment", "defaults") == []


def test_a_choice_of_forms_tells_the_mistakes_of_the_form_meant():
    schema = {
        "properties": {
            "x": {
                "anyOf": [
                    {"type": "object", "required": ["points"], "properties": {"points": {}}},
                    {"type": "string"},
                ]
            }
        }
    }
    (problem,) = yaml_files.check({"x": {}}, schema, "a.yaml")
    assert "'points' is missing" in problem["message"]


# -- assignment ------------------------------------------------------------------------------


def test_defaults_stand_where_nothing_is_set(tmp_path):
    found = assignment.load_assignment(build(tmp_path), CONFIG)
    assert found.reference == {
        "a4_hz": 440.0, "temperament": "equal", "method": "tuner", "unheard_a": "open",
    }  # fmt: skip
    assert found.assignment["tolerances"]["in_tune_cents"] == 3
    assert found.assignment["tolerances"]["close_cents"] == 8
    assert found.assignment["tolerances"]["below_c3_factor"] == 2
    assert found.assignment["attempts"] == "latest"
    assert found.due is None
    assert found.epoch == assignment.NO_DUE_EPOCH
    assert set(found.sentences) == {"en", "es"}


def test_the_reference_may_be_a_range(tmp_path):
    text = "reference_hz: [440, 443]\nmethod: by_ear\nunheard_a: reference\n"
    found = assignment.load_assignment(build(tmp_path, assignment_yaml=text), CONFIG)
    assert found.reference == {
        "a4_hz": 440.0, "a4_most_hz": 443.0, "temperament": "equal", "method": "by_ear",
        "unheard_a": "reference",
    }  # fmt: skip


@pytest.mark.parametrize("wrong", ["[443, 440]", "[440]", "[440, 443, 445]", "[440, 500]", "[]"])
def test_a_range_that_is_none_is_told_by_its_line(tmp_path, wrong):
    text = f"title: It\nreference_hz: {wrong}\n"
    with pytest.raises(TeacherError) as caught:
        assignment.load_assignment(build(tmp_path, assignment_yaml=text), CONFIG)
    (told,) = caught.value.problems
    assert told["message"].startswith("assignment.yaml, line 2, reference_hz")


def test_settings_stand_over_the_defaults_block_by_block(tmp_path):
    text = (
        "title: Week 3\ndue: 2026-03-06 18:00 +01:00\nreference_hz: 442\nattempts: best\n"
        "tolerances:\n  close_cents: 10\n  instruments:\n    Bass: {in_tune_cents: 5}\n"
    )
    found = assignment.load_assignment(build(tmp_path, assignment_yaml=text), CONFIG)
    assert found.assignment["title"] == "Week 3"
    assert found.assignment["tolerances"]["in_tune_cents"] == 3
    assert found.assignment["tolerances"]["close_cents"] == 10
    assert found.assignment["tolerances"]["instruments"] == {"double bass": {"in_tune_cents": 5}}
    assert found.due.utcoffset() == timedelta(hours=1)
    assert found.epoch == 1772816400  # date -ud '2026-03-06 17:00' +%s
    assert found.reference["a4_hz"] == 442.0


def test_all_mistakes_are_told_at_once_by_key_and_line(tmp_path):
    text = (
        "titel: Week 3\n"
        "reference_hz: 4400\n"
        "temperament: equall\n"
        "attempts: best\n"
        "due: tomorrow\n"
        "tolerances:\n"
        "  in_tune_cents: 0\n"
        "  close_sents: 8\n"
        "  strings:\n"
        "    H2: {in_tune_cents: 3}\n"
        "drafts: 3\n"
    )
    found = mistakes(build(tmp_path, assignment_yaml=text))
    assert any(
        "assignment.yaml, line 1, titel: 'titel' is not a setting" in m
        and 'Did you mean "title"?' in m
        for m in found
    )
    assert any("line 2, reference_hz: 4400 is above 466" in m and "392 to 466" in m for m in found)
    assert any(
        'line 3, temperament: "equall"' in m and 'mean "equal"' in m and "equal, pure" in m
        for m in found
    )
    assert any("line 5, due: 'tomorrow' is not a date and time with a zone" in m for m in found)
    assert any("line 7, tolerances.in_tune_cents: 0 must be above 0" in m for m in found)
    assert any("line 8, tolerances.close_sents" in m and "close_cents" in m for m in found)
    assert any("line 10, tolerances.strings.H2" in m for m in found)
    assert any("line 11, drafts: 3 is not one of" in m and "complete, all" in m for m in found)
    assert len(found) == 8


@pytest.mark.parametrize(
    "due", ["tomorrow", "2026-03-06", "2026-03-06 18:00", "2026-02-30 18:00 +01:00", "18:00 Z",
            "2026-03-06 18:00 Middle/Earth", "2026-03-06 25:00 Z", "2026-03-06 18:00 +29:00"]
)  # fmt: skip
def test_a_due_time_needs_date_time_and_zone(tmp_path, due):
    (message,) = mistakes(build(tmp_path, assignment_yaml=f"title: x\ndue: {due}\n"))
    assert "assignment.yaml, line 2, due" in message
    assert "2026-03-06 18:00 +01:00" in message  # how it must look


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-03-06 18:00 +01:00", "2026-03-06T17:00:00"),
        ("2026-03-06T18:00:30Z", "2026-03-06T18:00:30"),
        ("2026-03-06 6:00 pm UTC-05:00", "2026-03-06T23:00:00"),
        # Summer time began on 29 March 2026 in Europe (EU Directive 2000/84/EC, last Sunday).
        ("2026-03-28 18:00 Europe/Madrid", "2026-03-28T17:00:00"),
        ("2026-03-30 18:00 Europe/Madrid", "2026-03-30T16:00:00"),
    ],
)
def test_due_times_are_read(text, utc):
    moment = times.read_moment(text, None)
    assert moment.astimezone(times.UTC).strftime("%Y-%m-%dT%H:%M:%S") == utc


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("tolerances: {close_cents: 2}", "close_cents 2 is below in_tune_cents 3"),
        ("tolerances: {strings: {C2: {close_cents: 2}}}", "tolerances.strings.C2"),
        # Doubled below C3: 5 is less than the 6 cents within which an E1 is in tune.
        ("tolerances: {strings: {E1: {close_cents: 5}}}", "close_cents 5 is below in_tune_cents 6"),
        ("tolerances: {strings: {E1: {in_tune_cents: 17}}}", "close_cents 16 is below"),
        (
            "tolerances: {instruments: {cello: {in_tune_cents: 9, close_cents: 20}},"
            " strings: {C2: {close_cents: 10}}}",
            "tolerances.strings.C2: close_cents 10 is below in_tune_cents 18 (C2 of a cello)",
        ),
        ("tolerances: {strings: {5: {close_cents: 9}}}", "tolerances.strings.5: '5' is not"),
        ("tolerances: {strings: {A7: {close_cents: 9}}}", "no string A7"),
        ("tolerances: {instruments: {celo: {close_cents: 9}}}", 'mean "cello"'),
        ("tolerances: {instruments: {cello: {strings: {E5: {close_cents: 9}}}}}", "no string E5"),
        ("tolerances: {instruments: {bass: {}, Double Bass: {}}}", "double bass has tolerances"),
        ("language: fr", "no sentences for 'fr'"),
        ("late: {points_off_per_day: -1}", "late.points_off_per_day: -1 is below 0"),
        ("roster_columns: {Pupil: id}", "roster_columns.Pupil"),
        ("- a list", "a block of keys"),
    ],
)  # fmt: skip
def test_settings_that_contradict_are_refused(tmp_path, text, words):
    found = mistakes(build(tmp_path, assignment_yaml=text + "\n"))
    assert len(found) == 1
    assert words in found[0]
    assert "assignment.yaml, line 1" in found[0]


def test_a_low_string_is_held_against_its_own_widened_levels(tmp_path):
    """9 cents would be wider than the general close, 8, but E1 is close within 16."""
    text = "tolerances: {strings: {E1: {in_tune_cents: 9}}}\n"
    found = assignment.load_assignment(build(tmp_path, assignment_yaml=text), CONFIG)
    levels = resolve_tolerances(found.assignment["tolerances"], found.instruments["double bass"])
    assert (levels["E1"].in_tune, levels["E1"].close) == (9, 16)


def test_a_rubric_may_stand_in_one_place_only(tmp_path):
    class_dir = build(
        tmp_path,
        assignment_yaml="rubric: {criteria: []}\n",
        rubric_yaml="title: x\ncriteria: []\n",
    )
    assert any("a rubric here and in rubric.yaml" in m for m in mistakes(class_dir))


def test_instruments_are_checked(tmp_path):
    config = tmp_path / "config"
    config.mkdir()
    for path in CONFIG.glob("*.yaml"):
        (config / path.name).write_bytes(path.read_bytes())
    known = (
        "  body: {low_hz: 250, high_hz: 580, pull_cents: 2}\n  stiffness: {mean: 0, sd: 0.001}\n"
        "  priors_cents: {plucked_repeat: 1, bowed_repeat: 1, plucked_systematic: 1, "
        "bowed_systematic: 1}\n"
    )
    write(
        config / "instruments.yaml",
        "violin:\n  name: violin\n  strings: [E5, A4]\n  interval: 7\n  pegs: friction\n"
        f"  order: [D4]\n  aliases: [fiddle]\n{known}"
        "cello:\n  name: cello\n  strings: [A3]\n  interval: 7\n  pegs: friction\n  order: []\n"
        f"  aliases: [Fiddle]\n{known}",
    )
    with pytest.raises(TeacherError) as caught:
        assignment.load_assignment(build(tmp_path), config)
    assert "instruments.yaml, line 6, violin.order: D4 is not a string of it" in str(caught.value)
    assert "instruments.yaml, line 17, cello.aliases: 'Fiddle' already means violin" in str(
        caught.value
    )


def test_a_class_folder_that_is_not_there(tmp_path):
    with pytest.raises(TeacherError, match="There is no folder"):
        assignment.load_assignment(tmp_path / "nowhere", CONFIG)


def test_contradicting_tolerances_are_told_with_other_mistakes(tmp_path):
    text = "paper: A3\ntolerances:\n  instruments: {celo: {in_tune_cents: 4}}\n"
    told = mistakes(build(tmp_path, assignment_yaml=text))
    assert len(told) == 2
    assert told[0].startswith("assignment.yaml, line 1, paper")
    assert "line 3, tolerances.instruments.celo: 'celo' is not an instrument" in told[1]
