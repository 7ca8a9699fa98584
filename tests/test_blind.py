"""The blind sample: drawn by lot, without the machine's view, counted apart from corrections."""

from datetime import UTC

import pytest

from lab.example_class import make_class
from pegmark.publish.blind import blind_agreement, blind_page, drawn
from pegmark.receive.blind import read_blind
from pegmark.records.problems import TeacherError

HEADER = "student_id,take,string,heard,measured,saved_at\n"


def marks(*pairs, saved_at="2026-03-03T10:00:00+01:00"):
    """Blind marks of (heard, measured)."""
    return [
        {"student_id": f"s{n}", "take": "", "string": "A4", "heard": heard, "measured": measured,
         "saved_at": saved_at}
        for n, (heard, measured) in enumerate(pairs)
    ]  # fmt: skip


def test_the_lot_is_the_same_for_the_same_class_and_another_for_another_week():
    records, ticket = make_class(40, seed=3)
    ids = [record["student"]["student_id"] for record in drawn(records, ticket)]
    assert len(ids) == 5
    assert ids == [
        r["student"]["student_id"] for r in drawn(dict(reversed(records.items())), ticket)
    ]
    other = [r["student"]["student_id"] for r in drawn(records, {**ticket, "title": "Week 12"})]
    assert other != ids


def test_the_lot_asks_nothing_of_what_was_measured():
    """Another pitch, the same five."""
    records, ticket = make_class(40, seed=3)
    before = [r["student"]["student_id"] for r in drawn(records, ticket)]
    for record in records.values():
        for string in record["strings"].values():
            if string["verdict"] == "in_tune":
                string["verdict"] = "out"
    assert [r["student"]["student_id"] for r in drawn(records, ticket)] == before


def test_the_page_names_nobody_and_shows_no_verdict_before_it_is_saved():
    records, ticket = make_class(12, seed=3)
    page = blind_page(records, ticket)
    body = page.split("<main>")[1].split("</main>")[0]
    for record in drawn(records, ticket):
        assert record["student"]["family_name"] not in body
    shown = body.replace("data-measured", "")
    for said in ("The machine:", "cents", "points"):
        assert said not in shown
    assert body.count("<fieldset") == body.count("<audio") > 5
    assert body.count('type="radio"') == 3 * body.count("<fieldset")
    assert blind_page({}, {**ticket, "students": []}) is None


def test_blind_marks_are_counted_by_week_and_pooled():
    """Two raters over three ordered categories. Quadratic kappa worked by hand (calculated): of
    (1, 1), (1, 1), (.5, 1), (0, 0), (.5, .5), (0, .5) observed 11/12, by chance 24/36."""
    first = marks(("in_tune", "in_tune"), ("in_tune", "in_tune"), ("close", "in_tune"))
    later = marks(("out", "out"), ("close", "close"), ("out", "close"),
                  saved_at="2026-03-10T10:00:00+01:00")  # fmt: skip
    found = blind_agreement([*first, *later])
    assert (found["pairs"], found["exact"]) == (6, pytest.approx(4 / 6))
    assert found["kappa"] == pytest.approx(0.75)
    assert [(w["week"], w["pairs"]) for w in found["weeks"]] == [("2026-W10", 3), ("2026-W11", 3)]
    # In the first week the machine said "in tune" each time: no better than chance. In the later,
    # of (0, 0), (.5, .5), (.5, 0): 2/3 observed, 4/9 by chance (calculated by hand).
    assert [w["kappa"] for w in found["weeks"]] == [pytest.approx(0), pytest.approx(0.4)]
    assert blind_agreement([]) is None


def test_every_blind_file_is_read_and_the_newest_of_a_string_counts(tmp_path):
    (tmp_path / "blind-1.csv").write_text(
        HEADER + "s1,t1,A4,close,in_tune,2026-03-03 10:00 +01:00\n"
        "s1,t1,D4,out,out,2026-03-03 10:00 +01:00\n",
        encoding="utf-8",
    )
    (tmp_path / "blind-2.csv").write_text(
        HEADER + "s1,t1,A4,in_tune,in_tune,2026-03-10 10:00 +01:00\n"
        "s1,t1,X9,in_tune,in_tune,2026-03-10 10:00 +01:00\n"
        "s1,t1,G3,fine,in_tune,2026-03-10 10:00 +01:00\n"
        "s1,t1,G3,out,in_tune,yesterday\n",
        encoding="utf-8",
    )
    found, refused = read_blind(tmp_path, UTC)
    assert [(one["string"], one["heard"]) for one in found] == [("D4", "out"), ("A4", "in_tune")]
    assert [told["message"].split(":")[0] for _, told in refused] == [
        "blind-2.csv, line 3, string",
        "blind-2.csv, line 4, heard",
        "blind-2.csv, line 5, saved_at",
    ]
    assert all(told["action"] for _, told in refused)


def test_a_blind_file_that_is_no_table_is_told(tmp_path):
    (tmp_path / "blind.csv").write_text("hello\n", encoding="utf-8")
    with pytest.raises(TeacherError):
        read_blind(tmp_path, UTC)
