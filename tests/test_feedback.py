"""The sentences: complete in every language, plain for a ten-year-old, and the one next step."""

import email
import re
import shutil
import statistics
from copy import deepcopy
from email.policy import SMTP

import pytest
import textstat
import yaml

from pegmark.files.yaml_files import read_yaml
from pegmark.publish.drafts import make_draft
from pegmark.records.problems import TeacherError
from pegmark.render.sheet_view import sheet_view
from pegmark.score import score_student
from pegmark.score.feedback import Voice
from pegmark.words.comments import fields_of, load_comments, sentence_fields
from takes import (
    COMMENTS,
    CONFIG,
    INSTRUMENTS,
    MARKED,
    RUBRIC,
    SHA,
    a_take,
    grade,
    mark,
    move,
    row,
    take,
    ticket,
)

EXAMPLES = {
    "en": {
        "string": "D", "other": "A", "wanted": "A", "strings": "A and D", "cents": "12",
        "direction": "too high", "width": "too far apart", "hertz": "442", "wanted_hertz": "440",
        "times": "3", "time": "0:43", "at": " at 0:43", "title": "Tune every day",
        "beats": "three slow waves each second", "way": "string against string",
    },
    "es": {
        "string": "re", "other": "la", "wanted": "la", "strings": "la y re", "cents": "12",
        "direction": "demasiado alta", "width": "de más", "hertz": "442", "wanted_hertz": "440",
        "times": "3", "time": "0:43", "at": " en el minuto 0:43", "title": "Afinar cada día",
        "beats": "con tres ondas lentas por segundo", "way": "cuerda con cuerda",
    },
}  # fmt: skip
OF_SHEETS = {
    "strings": "A and D", "cents": "12", "sure": "1", "points": "9", "of": "12", "open": "3",
    "total": "9 of 12 points", "hours": "2 hours", "date": "6 March", "text": "", "comment": "",
    "start": "0:00", "end": "1:00", "turns": "3", "string": "A", "name": "Ada", "title": "Tuning",
    "weeks": "3", "count": "2",
}  # fmt: skip


def sentences(language="en"):
    """(key, text) of every sentence of the score part, its fields filled in."""
    for part in ("evidence", "observations", "next_step"):
        for name, template in COMMENTS[language]["score"][part].items():
            yield f"{part}.{name}", template.format(**EXAMPLES[language])


def whole_sentences(words):
    """Every text of a part of the sentences that is five words or more and ends like one."""
    if isinstance(words, str):
        if len(words.split()) >= 5 and words[-1] in ".?!":
            yield words.format(**OF_SHEETS)
        return
    for inner in words.values() if isinstance(words, dict) else words or ():
        yield from whole_sentences(inner)


# Reading level


@pytest.fixture(autouse=True)
def pronounced(monkeypatch):
    """textstat would download CMUdict. tests/data/syllables.txt holds the counts of the words we
    use, from CMUdict 0.7b (Carnegie Mellon University, BSD licence); words that are not in it are
    counted by hyphenation, as textstat does, and as it does for all Spanish words."""
    lines = (CONFIG.parent / "tests/data/syllables.txt").read_text(encoding="utf-8").split("\n")
    phones = {word: [["AH1"] * int(n)] for word, n in (line.split() for line in lines if line)}
    counter = "textstat.backend.counts._count_syllables.get_cmudict"
    monkeypatch.setattr(counter, lambda lang: phones)


# The years at school a text asks for: Flesch-Kincaid (Kincaid et al. 1975) for English, Crawford
# (1989) for the Spanish of primary schools; a ten-year-old is in the fifth.
GRADES = {"en": textstat.flesch_kincaid_grade, "es": textstat.crawford}
LONGEST = {"en": 16, "es": 18}  # words of a sentence; Spanish says the same with a few more


@pytest.fixture(params=COMMENTS)
def language(request):
    textstat.set_lang(request.param)
    yield request.param
    textstat.set_lang("en_US")  # textstat's own


def test_the_reading_level_is_a_ten_year_olds(language):
    texts = [text for _, text in sentences(language)]
    assert statistics.median(map(GRADES[language], texts)) <= 3.0
    assert GRADES[language](" ".join(texts)) <= 3.0


def test_no_sentence_is_far_above(language):
    for key, text in sentences(language):
        assert GRADES[language](text) <= 5.0, key
        for sentence in re.split(r"[.!?:] ", text):
            assert len(sentence.split()) <= LONGEST[language], key


@pytest.mark.parametrize("part", ["sheet", "mail", "ear"])
def test_the_rest_of_a_sheet_is_as_plain(language, part):
    """One formula on one sentence says little: a grade above is let pass, the whole is not."""
    texts = list(whole_sentences(COMMENTS[language][part]))
    assert len(texts) >= 4
    for text in texts:
        assert GRADES[language](text) <= 6.0, text
    assert GRADES[language](" ".join(texts)) <= 3.5


@pytest.mark.parametrize("language_", COMMENTS)
def test_sentences_are_about_the_work_and_end_like_sentences(language_):
    for key, text in sentences(language_):
        assert text[0].isupper() or text[0] == "¡", key
        assert text[-1] in ".!", key
        assert not re.search(r"\b(bad|wrong|fail|poor|lazy|mal|error)\b", text, re.IGNORECASE), key
        assert "  " not in text, key
        assert " ." not in text, key


# Complete and checked


def test_the_shipped_files_are_whole():
    assert set(load_comments(CONFIG)) == {"en", "es"}


@pytest.mark.parametrize("language", COMMENTS)
def test_a_translation_keeps_what_a_sentence_says(language):
    """The same facts in every language: a number or a string may not get lost."""
    for part in ("evidence", "observations", "next_step"):
        for name, template in COMMENTS[language]["score"][part].items():
            english = COMMENTS["en"]["score"][part][name]
            assert fields_of(template) == fields_of(english), name


def test_what_fills_a_sentence_is_in_the_schema():
    fields = sentence_fields()
    assert fields[("score", "evidence", "string_out")] == {
        "string", "cents", "direction", "at", "time"
    }  # fmt: skip
    assert fields[("sheet", "title")] == {"name"}


@pytest.mark.parametrize("part", ["score", "sheet", "mail"])
def test_a_sentence_taken_out_of_the_english_file_is_told(tmp_path, part):
    folder = config_with(tmp_path, lambda text: text + "\n")
    words = deepcopy(COMMENTS["en"])
    block = words[part]["evidence"] if part == "score" else words[part]
    gone = next(key for key, value in block.items() if isinstance(value, str))
    del block[gone]
    (folder / "comments.yaml").write_text(yaml.safe_dump(words), encoding="utf-8")
    with pytest.raises(TeacherError, match=f"comments.yaml, line .*'{gone}' is missing"):
        load_comments(folder)


def config_with(tmp_path, edit):
    """A copy of config/ with the Spanish file's text edited."""
    folder = tmp_path / "config"
    folder.mkdir()
    for path in CONFIG.glob("comments*.yaml"):
        shutil.copy(path, folder)
    spanish = folder / "comments.es.yaml"
    text = spanish.read_text(encoding="utf-8")
    edited = edit(text)
    assert edited != text
    spanish.write_text(edited, encoding="utf-8")
    return folder


def without(name):
    """An edit that takes one sentence of a single line out."""
    return lambda text: re.sub(rf"\n    {name}:[^\n]*", "", text, count=1)


def test_all_that_a_translation_lacks_is_told_at_once(tmp_path):
    def edit(text):
        for name in ("all_in_tune", "whole_flat", "noisy"):
            text = without(name)(text)
        return text.replace("  subject:", "  subjekt:")

    with pytest.raises(TeacherError) as caught:
        load_comments(config_with(tmp_path, edit))
    told = str(caught.value)
    for name in ("all_in_tune", "whole_flat", "noisy", "subject"):
        assert f"'{name}' is missing" in told
    assert told.count("comments.es.yaml, line ") == len(caught.value.problems)


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ("{strin}", "nothing is filled in for {strin}"),
        ("{cents}", "nothing is filled in for {cents}"),
        ("{string.__class__}", "nothing is filled in for {string.__class__}"),
        ("{string!r}", "nothing is filled in for {string!r}"),
        ("{string", "has a brace that does not close"),
        ("{}", "nothing is filled in for {}"),
    ],
)
def test_a_field_that_nothing_fills_in_is_told(tmp_path, wrong, told):
    def edit(text):
        return text.replace(
            'string_not_heard: "No hemos oído tu cuerda {string}."',
            f'string_not_heard: "No hemos oído tu cuerda {wrong}."',
        )

    with pytest.raises(TeacherError) as caught:
        load_comments(config_with(tmp_path, edit))
    (one,) = caught.value.problems
    assert told in one["message"]
    assert "score.evidence.string_not_heard" in one["message"]


def test_a_sentence_that_is_no_text_is_told(tmp_path):
    with pytest.raises(TeacherError, match=r"score\.observations\.whole_flat: 3 is not a text"):
        load_comments(
            config_with(tmp_path, lambda t: re.sub(r"whole_flat: [^\n]*", "whole_flat: 3", t))
        )


def test_two_files_in_one_language_are_told(tmp_path):
    with pytest.raises(TeacherError, match="another file is already in 'en'"):
        load_comments(config_with(tmp_path, lambda t: t.replace("language: es", "language: en")))


# A third language: all that is read comes from its file


def foreign(words, keys=()):
    """The same sentences, every letter outside {fields} a zhe: a language nobody wrote code for."""
    if isinstance(words, dict):
        return {key: foreign(inner, (*keys, key)) for key, inner in words.items()}
    if isinstance(words, list):
        return [foreign(inner, keys) for inner in words]
    if words is None or keys == ("language",):
        return words if words is None else "xx"
    return re.sub(r"\{\w+\}|[^\W\d_]", lambda m: m[0] if m[0][0] == "{" else "ж", words)


def read_by_a_student(view):
    """Every text of a sheet's view; pictures carry theirs as numbers."""
    if isinstance(view, str):
        if not view.startswith("data:"):
            yield view
        return
    hidden = ("layout", "language", "paper", "created")
    inside = view.items() if isinstance(view, dict) else enumerate(view)
    for key, inner in inside:
        if key not in hidden and isinstance(inner, str | dict | list):
            yield from read_by_a_student(inner)


def foreign_takes():
    """Takes that bring out much of what can be said, and the references they are graded by."""
    names = ("E5", "A4", "D4", "G3")
    yield {}, {}
    yield {"cents": dict.fromkeys(names, 7.851), "tone_hz": 442.0}, {"method": "by_ear"}
    yield {"cents": {"D4": -6.0, "G3": 12.0}}, {"method": "string_to_string"}
    yield {"order": ["G3", "A4", "D4", "E5"], "strings": {
        "E5": {"cents": 70.0}, "A4": {"heard": "not_heard"}, "D4": {"uncertainty": 9.0},
        "G3": {"cents": -30.0, "slipped_cents": 30.0, "drift_cents": 40.0, "checked_s": None},
    }}, {}  # fmt: skip
    yield {"strings": {name: {"moves": [move(40.0 - 4 * k, 250.0, 60.0, sounding=False)]}
                       for k, name in enumerate(names)}}, {}  # fmt: skip


def test_a_third_language_needs_a_file_and_nothing_else(tmp_path):
    folder = tmp_path / "config"
    folder.mkdir()
    for path in CONFIG.glob("comments*.yaml"):
        shutil.copy(path, folder)
    text = yaml.safe_dump(foreign(COMMENTS["en"]), allow_unicode=True)
    (folder / "comments.xx.yaml").write_text(text, encoding="utf-8")
    words = load_comments(folder)["xx"]
    rubric = deepcopy(RUBRIC)
    for criterion in rubric["criteria"]:  # a rubric says its titles in any language itself
        criterion |= {"title": "жж", "titles": {}}
    student = {"student_id": "7", "family_name": "8", "given_name": "9", "instrument": "violin",
               "section": "1"}  # fmt: skip
    one = {**a_take(), "file": "2", "sha256": SHA, "received": "2026-03-02T16:12:00+01:00"}
    common = {"student": student, "rubric": rubric, "sentences": words["score"]}
    records = [
        grade(take(**described), reference=reference, takes=[one], marks=marks, **common)
        for described, reference in foreign_takes()
        for marks in ({}, {"order": 0, "bridge": 1, "answers": 2, "daily": 1})
    ]
    records += [
        score_student(ticket(state=state, takes=[], **common), {}, {})
        for state in ("missing", "excused")
    ]
    sheet = {"language": "xx", "sentences": words, "paper": "A4", "title": "3", "class_name": "4",
             "epoch": 0, "weeks": [], "due": "2026-03-06T18:00:00+01:00", "email": "a@b.example",
             "drafts": "all", "instrument": INSTRUMENTS["violin"].as_dict()}  # fmt: skip
    for record in records:
        texts = list(read_by_a_student(sheet_view(record, sheet)))
        message = email.message_from_bytes(make_draft(record, sheet, b"PDF"), policy=SMTP)
        texts += [message["Subject"], message.get_body().get_content()]
        assert len(texts) > 10
        for said in texts:
            assert not re.search(r"[A-Za-z]{2,}", said), said


def test_a_reworded_sentence_is_used():
    words = deepcopy(COMMENTS["en"]["score"])
    words["evidence"]["all_in_tune"] = "Lovely: all four."
    assert row(grade(sentences=words), "final_pitch")["evidence"][0]["text"] == "Lovely: all four."


def test_a_criterion_of_the_teachers_may_have_its_own_next_step(tmp_path):
    def edit(text):
        return text.replace(
            "    criterion_daily:", "    criterion_posture: Ponte recto.\n    criterion_daily:"
        )

    assert "es" in load_comments(config_with(tmp_path, edit))


# Words


VOICE = Voice(COMMENTS["en"]["score"])
VOZ = Voice(COMMENTS["es"]["score"])


@pytest.mark.parametrize(
    ("voice", "cents", "expected"),
    [
        (VOICE, 4.34, "Your D string was left 4.3 cents too high at 1:05."),
        (VOICE, -9.96, "Your D string was left 10 cents too low at 1:05."),
        (VOICE, -12.4, "Your D string was left 12 cents too low at 1:05."),
        (VOICE, 4.0, "Your D string was left 4.0 cents too high at 1:05."),
        (VOZ, 4.34, "Tu cuerda re quedó 4,3 cents demasiado alta en el minuto 1:05."),
    ],
)
def test_numbers_and_times_as_people_say_them(voice, cents, expected):
    said = voice.say("evidence.string_out", string="D4", cents=cents, direction=cents, at_s=65.9)
    assert said == expected


def test_without_a_time_none_is_said():
    said = VOICE.say("evidence.silent_move", string="F#1", cents=60.0, at_s=None)
    assert said == "F♯ moved 60 cents with no sound."


def test_names_with_braces_stay_names():
    assert "{string}" in VOICE.say("next_step.criterion", title="{string}")


# The next step


def step(measured, **changes):
    found = grade(measured, **changes)["next_step"]
    return found["code"], found["text"]


@pytest.mark.parametrize(
    ("described", "code", "words"),
    [
        ({"cents": {"D4": -25.0}}, "string_low", "Bring your D string up"),
        ({"cents": {"D4": 25.0}}, "string_high", "Turn your D string down"),
        ({"cents": {"D4": -6.0, "G3": -25.0}}, "string_low", "your G string"),  # the costlier
        ({"cents": {"E5": -25.0, "A4": -25.0}}, "string_low", "your A string"),  # A comes first
        ({"order": ["D4", "A4", "G3", "E5"]}, "order_first", "tune A first"),
        ({"strings": {"D4": {"checked_s": None}}}, "not_checked", "play each one once more"),
        (
            {"strings": {"D4": {"moves": [move(20, 60.0, sounding=False)]}}},
            "silent_move",
            "your D string all the time",
        ),
        ({"strings": {"D4": {"moves": [move(20, 140.0)]}}}, "large_move", "half as far"),
        # What costs most: two points of pitch before one of order.
        (
            {"cents": {"E5": -25.0, "G3": -25.0}, "order": ["D4", "A4", "G3", "E5"]},
            "string_low",
            "your E string",
        ),
        ({"cents": {"D4": 6.0}, "order": ["D4", "A4", "G3", "E5"]}, "order_first", "A first"),
        ({"strings": {"G3": {"cents": -25.0, "slipped_cents": 25.0}}}, "slipping_peg_friction",
         "Gently push the peg"),
        ({"key": "double bass", "strings": {"E1": {"cents": -25.0, "slipped_cents": 25.0}}},
         "slipping_peg_machine", "Show your teacher"),
        # What can harm goes first, whatever it cost.
        ({"cents": {"G3": -40.0}, "strings": {"E5": {"moves": [move(20, 90, 70), move(22, -70)]}}},
         "went_far_above", "Bring your E string up in very small turns"),
        ({"cents": {"E5": 70.0, "G3": -40.0}}, "far_above", "First turn your E string down"),
        # Left alone once it was set, and moved by the tuning of the others.
        ({"strings": {"D4": {"cents": 12.0, "moves": [move(14, 30, 0)]}}}, "pulled", "go round"),
        ({"strings": {"G3": {"heard": "not_heard"}}}, "string_not_heard", "your G string on"),
        ({"strings": {"G3": {"uncertainty": 6.0}}}, "pitch_unsure", "bow your G string"),
        ({}, "challenge_tuner", "tune by ear"),
    ],
)  # fmt: skip
def test_the_next_step_is_what_costs_most(described, code, words):
    found = step(take(**described))
    assert found[0] == code
    assert words in found[1]


def test_several_unclear_strings_have_one_step():
    unclear = {"G3": {"uncertainty": 6.0}, "D4": {"heard": "not_heard"}}
    assert step(take(strings=unclear))[0] == "play_clearly"


@pytest.mark.parametrize(
    ("method", "expected"),
    [
        ("tuner", "Set your tuner to an A of 442 hertz. Then tune all your strings again."),
        ("by_ear", "Find a good A first. Then tune the other strings to it."),
    ],
)
def test_all_strings_off_alike_have_one_step(method, expected):
    """-12 cents from A = 440, all of them: nobody should bring up one string after the other."""
    reference = {"method": method, "a4_hz": 442.0}
    measured = take(cents=dict.fromkeys(("E5", "A4", "D4", "G3"), -12.0), tone_hz=440.0)
    assert step(measured, reference=reference)[1] == expected


@pytest.mark.parametrize("method", ["by_ear", "string_to_string"])
def test_a_way_of_tuning_not_heard_says_what_to_let_hear(method):
    rubric = {"title": "", "criteria": [{"id": "how", "title": "How", "points": 1,
                                         "kind": "method_used"}]}  # fmt: skip
    found = step(take(), rubric=rubric, reference={"method": method})
    assert found[0] == f"method_{method}_unheard"


def test_an_unsure_interval_asks_for_the_two_strings_at_once():
    unsure = take(strings={"G3": {"uncertainty": 6.0}})
    record = grade(unsure, reference={"method": "string_to_string"})
    assert [p["code"] for p in record["problems"]] == ["interval_unsure"]
    assert "pure interval to D4" in record["problems"][0]["message"]
    texts = [item["text"] for item in row(record, "final_pitch")["evidence"]]
    assert "We could not tell if G and D match." in texts
    assert record["next_step"]["code"] == "method_string_to_string_unheard"


@pytest.mark.parametrize("method", ["tuner", "by_ear", "string_to_string"])
def test_full_marks_have_a_next_challenge(method):
    found = step(take(tone_hz=440.0), marks=MARKED, reference={"method": method})
    assert found[0] == f"challenge_{method}"


def test_an_interval_has_its_own_step():
    found = step(take(cents={"E5": 20.0}), reference={"method": "string_to_string"})
    assert found == (
        "interval",
        "Play E and A together. Turn E a little at a time until the waves slow down and stop.",
    )


def test_what_made_the_take_unclear_goes_before_points_lost_by_it():
    noisy = take(cents={"G3": -25.0})
    noisy["recording"]["snr_db"] = 5.0
    assert step(noisy)[0] == "noisy"
    strange = {"code": "strange", "message": "Strange.", "action": "Listen."}
    odd = take(cents={"G3": -25.0}, problems=[strange])
    assert step(odd)[0] == "play_clearly"


def test_a_lost_point_goes_before_a_doubt_about_something_else():
    described = take(cents={"E5": 40.0}, strings={"G3": {"heard": "not_heard"}})
    assert step(described)[0] == "string_high"


def test_a_string_out_of_tune_that_no_criterion_looks_at_is_no_reason_to_praise():
    own = {"title": "", "criteria": [{"id": "posture", "title": "Stand tall", "points": 1,
                                      "kind": "teacher"}]}  # fmt: skip
    assert step(take(cents={"D4": -25.0, "G3": 40.0}), rubric=own)[0] == "string_low"
    assert step(take(cents={"D4": -6.0}), rubric=own)[0] == "challenge_tuner"


def test_points_the_teacher_kept_back():
    assert step(take(), marks={**MARKED, "answers": 0})[0] == "criterion_answers"
    own = {"title": "", "criteria": [{"id": "posture", "title": "Stand tall", "points": 1,
                                      "kind": "teacher"}]}  # fmt: skip
    found = step(take(), rubric=own, marks=[mark("posture", 0)])
    assert found == ("criterion", "Next time, think about this: Stand tall.")


def test_points_the_teacher_kept_back_too_have_the_measured_reason():
    assert step(take(cents={"G3": -25.0}), marks={"final_pitch": 2})[0] == "string_low"


def test_the_teacher_overrules_what_the_next_step_is_about():
    flat = take(cents={"G3": -25.0})
    assert step(flat, marks={"final_pitch": 4})[0] == "challenge_tuner"


def test_the_files_are_read_as_they_stand():
    """What the tests use is what the program loads."""
    assert load_comments(CONFIG)["en"] == read_yaml(CONFIG / "comments.yaml").data
