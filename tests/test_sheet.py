"""The PDF sheet: what it says in every state, its tags, its bytes, and what it refuses to do."""

from __future__ import annotations

import copy
import io
import itertools
import json
import os
import re
import shutil
import string as alphabet
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import numpy as np
import page
import pikepdf
import pyphen
import pytest
from PIL import Image

import test_pictures
from lab import sheet_examples as examples
from lab.bench import CONFIG
from pegmark.render import sheet, sheet_view

ROOT = CONFIG.parent
POINTS_PER_INCH = 72
STATES = ("graded", "needs_listening", "unreadable", "missing", "excused")


@cache
def record_of(state: str) -> dict[str, Any]:
    if state == "graded":
        return examples.marked(examples.record())
    return examples.bass() if state == "needs_listening" else examples.unmeasured(state)


@cache
def pdf_of(state: str, paper: str = "A4", language: str = "en") -> bytes:
    key = "double bass" if state == "needs_listening" else "violin"
    ticket = examples.ticket(key, language, paper=paper)
    return sheet.render_sheet(record_of(state), ticket)


def text_of(pdf: bytes) -> str:
    """The text of a PDF in its own order, as poppler reads it, on one line."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is missing: apt-get install poppler-utils")
    command = ["pdftotext", "-raw", "-enc", "UTF-8", "-", "-"]
    done = subprocess.run(command, input=pdf, capture_output=True, check=True)
    return " ".join(done.stdout.decode("utf-8").split())


def changed(**student: Any) -> dict[str, Any]:
    record = examples.record()
    record["student"] = {**record["student"], **student}
    return record


# What it says


def test_a_graded_sheet_says_everything() -> None:
    text = text_of(pdf_of("graded"))
    for words in (
        "Tuning: Ada Ostermoor",
        "violin · Violin 2 · Lanternfield School Strings · Week 3: four strings by ear",
        "9½ of 12",
        "a little low",
        "9.4 cents low",
        "tuned first",
        "Next time, keep plucking while you turn the peg",
        "G was turned in silence. (at 0:34)",
        "3½ of 4",
        "Your teacher: I saw you look twice.",
        "Your teacher decided.",
        "It may be an old string. (at 0:31)",
        "We heard every string well, to within 0.8 cents.",
        "Recording 2 of 2; file Ada tuning week3.mov",
        "A = 440 Hz, equal temperament",
    ):
        assert words in text, words
    for words in ("so far", "still open", "after the deadline", "None", "null", "{"):
        assert words not in text, words


def test_open_points_are_shown_as_open_and_the_total_as_so_far() -> None:
    text = text_of(sheet.render_sheet(examples.record(), examples.ticket()))
    assert "5½ of 12" in text
    assert "points so far" in text
    assert "4 points are still open" in text
    assert "Your teacher gives these points." in text
    record = examples.record()
    record["score"]["open"] = 1
    assert "1 point is still open" in text_of(sheet.render_sheet(record, examples.ticket()))


def test_points_open_in_part_show_what_is_sure_and_what_is_open() -> None:
    record = examples.record()
    final = record["score"]["criteria"][0]
    final |= {"points": 2.5, "by": "open", "open": 1}
    record["score"] |= {"total": 4.5, "open": 5}
    view = sheet_view.sheet_view(record, examples.ticket())
    row = view["points"]["rows"][0]
    assert (row["value"], row["more"]) == ("2½ of 4", "1 open")
    assert row["reasons"][-1]["text"] == "Your teacher gives the points that are open."
    shown = [float(r["value"].split()[0].replace("½", ".5")) for r in view["points"]["rows"]
             if r["value"] != "open"]  # fmt: skip
    assert sum(shown) == 4.5  # what the rows show adds up to the total
    text = text_of(sheet.render_sheet(record, examples.ticket()))
    assert "2½ of 4 1 open" in text
    assert "5 points are still open" in text


def test_a_sheet_that_needs_listening_says_so_and_shows_what_was_heard() -> None:
    text = text_of(pdf_of("needs_listening"))
    for words in (
        "Your teacher will listen to this one.",
        "not heard",
        "not sure",
        "in tune (a close call)",
        "We did not hear the D and E strings well enough to say.",
        "It was a close call for the A string, so you got the benefit of the doubt.",
        "your teacher decides by ear",
        "loud background noise",
        "Handed in 5 hours after the deadline.",
    ):
        assert words in text, words


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("unreadable", "We could not play your recording."),
        ("missing", "We have not received a recording from you."),
        ("excused", "You are excused this time."),
    ],
)
def test_states_without_measurements(state: str, words: str) -> None:
    text = text_of(pdf_of(state))
    assert words in text
    assert "Be kind to your instrument" in text
    if state == "excused":
        assert "What counts" not in text
    else:
        assert "What counts in your recording Each string left in tune 4 points" in text
    assert ("file Ada tuning week3.mov" in text) is (state == "unreadable")
    assert "of 12" not in text  # missing is not zero
    assert "How your strings got there" not in text
    assert "0 of" not in text


@pytest.mark.parametrize(
    ("changes", "texts"),
    [
        # Her points are other than the measured ones: what the machine heard would contradict her.
        ({"points": 1, "by": "teacher", "comment": "It held."}, ["Your teacher: It held."]),
        ({"points": 1, "by": "teacher", "comment": None}, ["Your teacher decided."]),
        ({"points": 0, "by": "teacher", "comment": "Yes."}, ["Your teacher: Yes.", "It fell."]),
        # A comment without points reaches the student too.
        ({"comment": "Better now."}, ["Your teacher: Better now.", "It fell."]),
    ],
)
def test_what_the_teacher_says_of_a_criterion(changes: dict[str, Any], texts: list[str]) -> None:
    record = examples.record()
    fell = {"code": "x", "text": "It fell.", "at_s": None, "string": None, "lost": 1}
    measured = {"points": 0, "measured_points": 0, "by": "measured", "of": 1, "open": 0,
                "evidence": [fell], "comment": None, "close_call": False}  # fmt: skip
    record["score"]["criteria"][1] |= {**measured, **changes}
    row = sheet_view.sheet_view(record, examples.ticket())["points"]["rows"][1]
    assert [reason["text"] for reason in row["reasons"]] == texts


def test_a_take_of_unknown_order_has_no_number() -> None:
    one = examples.record()
    known = sheet_view.sheet_view(one, examples.ticket())["facts"]
    assert known["text"].startswith("Recording 2 of 2; ")
    one["submission"]["attempt"] = None
    unknown = sheet_view.sheet_view(one, examples.ticket())["facts"]
    assert unknown["text"].lower() == known["text"].removeprefix("Recording 2 of 2; ").lower()


def test_missing_says_when_it_was_due() -> None:
    assert "It was due on 6 March 2026, 17:00." in text_of(pdf_of("missing"))


def test_the_teachers_points_stand_even_where_nothing_could_be_read() -> None:
    record = examples.unmeasured("unreadable")
    answers = next(c for c in record["score"]["criteria"] if c["id"] == "answers")
    answers |= {"points": 2, "by": "teacher", "comment": "You told me in class."}
    record["score"] |= {"total": 2, "open": 10}
    bridge = next(c for c in record["score"]["criteria"] if c["id"] == "bridge")
    bridge["comment"] = "Show me on Monday."
    text = text_of(sheet.render_sheet(record, examples.ticket()))
    assert "Your teacher: You told me in class." in text
    assert "Your teacher: Show me on Monday." in text
    assert "2 of 12" in text
    assert "Bridge checked before and after 1 point" in text
    assert "Spoken answers 2 points" not in text


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (0.4, "less than an hour after"),
        (1.2, "1 hour after"),
        (30.6, "31 hours after"),
        (75.5, "3 days after"),
    ],
)
def test_lateness_has_its_own_line(hours: float, words: str) -> None:
    record = examples.record()
    record["submission"] |= {"hours_late": hours}
    assert words in text_of(sheet.render_sheet(record, examples.ticket()))


def test_the_key_holds_what_the_pictures_show() -> None:
    for state in ("graded", "needs_listening"):
        record, words = record_of(state), examples.comments()["sheet"]["paths"]["key"]
        view = sheet_view.sheet_view(record, examples.ticket("double bass"))
        shown = test_pictures.pictures.kinds_shown(record, examples.TABLE["double bass"])
        assert [item["text"] for item in view["paths"]["key"]] == [words[kind] for kind in shown]
    assert set(words) == set(test_pictures.pictures.PICTURE_KINDS)


def test_cautions_fit_the_instrument() -> None:
    violin, bass = text_of(pdf_of("graded")), text_of(pdf_of("needs_listening"))
    for text in (violin, bass):
        assert "keep the string sounding" in text
        assert "stop, and turn it down" in text
        assert "Look at the bridge before and after" in text
        assert "ask your teacher or a luthier" in text
    assert "Push the peg in" in violin
    assert "fine tuner, if yours has one" in violin
    assert "not pushed in" in bass
    assert "Push the peg" not in bass
    assert "fine tuner" not in bass


def test_a_deviation_says_which_way() -> None:
    record = examples.record()
    words = examples.comments()["sheet"]
    verdicts = {}
    for cents, verdict in ((-5.0, "close"), (5.0, "close"), (-30.0, "out"), (30.0, "out")):
        string = {**record["strings"]["A4"], "deviation_cents": cents, "verdict": verdict}
        verdicts[cents] = sheet_view.verdict_word(string, words)
    assert verdicts == {-5: "a little low", 5: "a little high", -30: "too low", 30: "too high"}
    assert sheet_view.deviation_words(0.02, words) == "right on the line"


def test_a_string_tuned_to_another_a_is_told_from_where_it_belongs() -> None:
    record = examples.record()
    record["strings"]["A4"] |= {"home_cents": [7.851, 7.851], "deviation_cents": 9.0}
    text = text_of(sheet.render_sheet(record, examples.ticket()))
    assert "1.1 cents high" in text


def nulled(value: Any, path: tuple[str, ...] = ()) -> Iterator[Any]:
    """`value` again and again, each time with one more field unknown."""
    needed = {"student_id", "status", "criteria", "strings", "reference", "id", "of", "by", "text",
              "kind", "string", "start_s", "end_s", "from_cents", "to_cents", "tolerances",
              "verdict", "moves", "notes", "attempt", "sha256", "file"}  # fmt: skip
    whole = path[:1] in (("tolerances",), ("reference",)) or path == ("strings",)
    if isinstance(value, dict):
        for key, item in value.items():
            if key not in needed and not whole and (*path, key) != ("student",):
                yield {**value, key: None}
            for smaller in nulled(item, (*path, key)):
                yield {**value, key: smaller}
    elif isinstance(value, list) and value and path[:1] != ("notes",):
        for smaller in nulled(value[0], path):
            yield [smaller, *value[1:]]


def test_any_unknown_field_still_gives_a_page() -> None:
    ticket = examples.ticket()
    records = list(nulled(examples.bass()))
    assert len(records) > 60
    template = sheet._template()
    for record in records:
        html = template.render(sheet_view.sheet_view(record, ticket))
        assert "None" not in html


def test_the_examples_are_tickets_as_the_intake_writes_them() -> None:
    schema = json.loads((ROOT / "workflow/schemas/ticket_render.schema.json").read_text("utf-8"))
    for key in ("violin", "five-string bass"):
        jsonschema.validate(examples.ticket(key), schema)


# Paper, pages, tags


@pytest.mark.parametrize(("paper", "inches"), [("A4", (8.268, 11.693)), ("Letter", (8.5, 11.0))])
@pytest.mark.parametrize("state", STATES)
def test_one_page_of_the_paper_asked_for(
    state: str, paper: str, inches: tuple[float, float]
) -> None:
    """A4 is 210 x 297 mm (ISO 216), US Letter 8.5 x 11 in (ANSI/ASME Y14.1, from memory)."""
    with pikepdf.open(io.BytesIO(pdf_of(state, paper))) as pdf:
        assert len(pdf.pages) == 1
        box = [float(x) / POINTS_PER_INCH for x in pdf.pages[0].MediaBox]
    assert (box[2] - box[0], box[3] - box[1]) == pytest.approx(inches, abs=0.01)


def crowded() -> dict[str, Any]:
    """As much as a sheet may have to hold: five strings, many reasons, long comments."""
    record = examples.bass()
    record["strings"]["B0"] = examples.string([-40, 10, -35], [28, 31], 30.8677, tuned_as=5)
    record["tolerances"]["B0"] = {"in_tune_cents": 6, "close_cents": 16}
    for criterion in record["score"]["criteria"]:
        reason = {
            "text": "The string was left 4.3 cents low, close but not yet in tune.",
            "at_s": 40,
        }
        criterion["evidence"] = [reason] * 4
    record["score"]["criteria"][5] |= {"by": "teacher", "points": 1, "comment": "Well seen. " * 30}
    record["observations"] *= 4
    record["submission"] |= {"file": "w" * 300, "hours_late": 100}
    return record


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_crowded_sheet_has_two_pages_and_the_name_on_both(paper: str) -> None:
    pdf = sheet.render_sheet(crowded(), examples.ticket("five-string bass", paper=paper))
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert len(opened.pages) == 2
    assert text_of(pdf).count("Bram Quill") == 2


def test_the_roomiest_layout_that_fits_one_page_is_taken() -> None:
    def layout_of(record: dict[str, Any]) -> str:
        _, html = sheet._set_roomiest(record, examples.ticket())
        found = re.search(r'<html lang="en" class="(\w+)"', html)
        assert found
        return found[1]

    record = copy.deepcopy(record_of("graded"))
    more = record["observations"][0]
    record["observations"] = []
    layouts = []
    for _ in range(9):
        layouts.append(layout_of(record))
        record["observations"].append(more)
    assert [layout for layout, _ in itertools.groupby(layouts)] == [
        "usual", "close", "tight",
    ]  # fmt: skip
    assert layout_of(record_of("missing")) == "bare"


def elements(pdf: pikepdf.Pdf) -> list[pikepdf.Object]:
    """All structure elements of a tagged PDF, in reading order."""
    found = []

    def walk(node: pikepdf.Object) -> None:
        kids = node.get("/K", pikepdf.Array())
        for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
            if isinstance(kid, pikepdf.Dictionary) and "/S" in kid:
                found.append(kid)
                walk(kid)

    walk(pdf.Root.StructTreeRoot)
    return found


@pytest.mark.parametrize("state", STATES)
def test_it_is_tagged_with_language_and_title(state: str) -> None:
    """PDF/UA-1, ISO 14289-1:2014 (from memory): 7.1 tagged, title shown, 7.2 language, 5 its id."""
    with pikepdf.open(io.BytesIO(pdf_of(state, language="en"))) as pdf:
        assert bool(pdf.Root.MarkInfo.Marked)
        assert str(pdf.Root.Lang) == "en"
        assert bool(pdf.Root.ViewerPreferences.DisplayDocTitle)
        assert str(pdf.docinfo["/Title"]).startswith("Tuning: ")
        with pdf.open_metadata() as metadata:
            assert metadata["pdfuaid:part"] == "1"
            assert metadata["dc:title"].startswith("Tuning: ")
        tags = [str(element.S) for element in elements(pdf)]
    assert tags.count("/H1") == 1
    assert "/H2" in tags
    assert tags.index("/H1") < tags.index("/H2")


def test_every_picture_is_told_in_words() -> None:
    with pikepdf.open(io.BytesIO(pdf_of("graded"))) as pdf:
        figures = [element for element in elements(pdf) if str(element.S) == "/Figure"]
        told = [str(figure.Alt) for figure in figures]
    assert told == [
        "E string. First heard 48 cents too low. Up 39 cents at 0:27. Up 10 cents at 0:30. "
        "Left 1.2 cents too high, give or take 0.8.",
        "A string. First heard 62 cents too low. Up 32 cents at 0:07. Up 22 cents at 0:09. "
        "Up 8.4 cents at 0:12. Left 0.4 cents too high, give or take 0.8.",
        "D string. First heard 24 cents too high. Down 28 cents at 0:17. Up 3.1 cents at 0:20. "
        "Left 0.9 cents too low, give or take 0.8.",
        "G string. First heard 95 cents too low. Up 107 cents at 0:34, with no sound. "
        "Down 21 cents at 0:38. Left 9.4 cents too low, give or take 0.8.",
        "Time line of the recording, from 0:05 to 0:50.",
    ]


def test_tables_have_headers_of_columns_and_rows() -> None:
    """ISO 14289-1, 7.5 (from memory): headers are known from Scope, or from Headers and IDs."""
    with pikepdf.open(io.BytesIO(pdf_of("graded"))) as pdf:
        found = elements(pdf)
        cells = [element for element in found if str(element.S) == "/TD"]
        ids = {str(element.ID) for element in found if str(element.S) == "/TH"}
    assert len(cells) == 5 * 2 + 8 * 2
    for cell in cells:
        named = [str(header) for header in cell.A.Headers]
        assert len(named) == 2
        assert set(named) <= ids


def ua_failures(pdf: bytes) -> list[str]:
    """What the open-source checker page (page-validation) finds against PDF/UA-1."""
    report = page.validate_pdf_bytes(pdf, profile=page.ValidationProfile.PDF_UA_1)
    assert report.is_compliant is not bool(report.failures)
    return [f"{failure.rule_id}: {failure.message}" for failure in report.failures]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("state", STATES)
def test_a_pdf_ua_checker_finds_nothing(state: str, paper: str) -> None:
    assert ua_failures(pdf_of(state, paper)) == []


def test_a_pdf_ua_checker_finds_nothing_on_two_pages() -> None:
    assert ua_failures(sheet.render_sheet(crowded(), examples.ticket("five-string bass"))) == []


def test_the_pdf_ua_checker_sees_a_missing_language() -> None:
    with pikepdf.open(io.BytesIO(pdf_of("missing"))) as pdf:
        del pdf.Root.Lang
        broken = io.BytesIO()
        pdf.save(broken)
    assert ua_failures(broken.getvalue())


def test_headings_are_nested_and_not_empty() -> None:
    with pikepdf.open(io.BytesIO(pdf_of("graded"))) as pdf:
        levels = [int(str(e.S)[2]) for e in elements(pdf) if re.match(r"/H\d", str(e.S))]
        assert all(len(e.K) for e in elements(pdf) if re.match(r"/H\d", str(e.S)))
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_all_content_is_in_the_tags_or_is_an_artifact() -> None:
    with pikepdf.open(io.BytesIO(pdf_of("graded"))) as pdf:
        depth, outside = 0, []
        for operands, operator in pikepdf.parse_content_stream(pdf.pages[0]):
            name = str(operator)
            if name in ("BDC", "BMC"):
                depth += 1
            elif name == "EMC":
                depth -= 1
            elif name in ("Tj", "TJ") and depth == 0:
                outside.append(operands)
    assert not outside


def sizes_of_letters(pdf: bytes) -> Iterator[tuple[float, bytes]]:
    """(size in points, codes) of every text that is shown, those inside pictures too.

    The size is the font's, scaled by the text's and the page's matrices (ISO 32000-1, 9.4.4).
    """
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        for page in opened.pages:
            yield from _sizes(page, page.Resources, pikepdf.Matrix())


def _sizes(stream: Any, resources: Any, at: pikepdf.Matrix) -> Iterator[tuple[float, bytes]]:
    kept, text, size = [], pikepdf.Matrix(), 0.0
    for operands, operator in pikepdf.parse_content_stream(stream):
        name = str(operator)
        if name == "q":
            kept.append((at, size))
        elif name == "Q":
            at, size = kept.pop()
        elif name == "cm":
            at = pikepdf.Matrix(*map(float, operands)) @ at
        elif name == "Tm":
            text = pikepdf.Matrix(*map(float, operands))
        elif name == "Tf":
            size = float(operands[1])
        elif name in ("Tj", "TJ"):
            both = text @ at
            scale = abs(both.a * both.d - both.b * both.c) ** 0.5
            shown = operands[0] if name == "TJ" else [operands[0]]
            yield size * scale, b"".join(bytes(s) for s in shown if isinstance(s, pikepdf.String))
        elif name == "Do":
            form = resources.XObject[str(operands[0])]
            if form.get("/Subtype") == "/Form":
                inner = pikepdf.Matrix(*map(float, form.get("/Matrix", (1, 0, 0, 1, 0, 0))))
                yield from _sizes(form, form.Resources, inner @ at)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("state", [*STATES, "crowded"])
def test_no_letter_is_smaller_than_8_points(state: str, paper: str) -> None:
    """Common practice for small print, no source; the numbers in the pictures too."""
    if state == "crowded":
        ticket = examples.ticket("five-string bass", paper=paper)
        pdf = sheet.render_sheet(crowded(), ticket)
    else:
        pdf = pdf_of(state, paper)
    found = list(sizes_of_letters(pdf))
    assert len(found) > 10
    assert min(size for size, _ in found) >= 7.99


def test_the_pictures_letters_are_among_those_measured() -> None:
    """Else the check above could not fail for them."""
    with_pictures = [size for size, _ in sizes_of_letters(pdf_of("graded"))]
    assert sum(8.0 <= size < 8.25 for size in with_pictures) > 16  # four numbers a ruler


def test_every_font_is_inside() -> None:
    with pikepdf.open(io.BytesIO(pdf_of("graded"))) as pdf:
        descriptors = [
            o
            for o in pdf.objects
            if isinstance(o, pikepdf.Dictionary) and o.get("/Type") == "/FontDescriptor"
        ]
    assert descriptors
    assert all(any(f"/FontFile{n}" in d for n in ("", "2", "3")) for d in descriptors)


# Names


@pytest.fixture
def missing_letters(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The letters for which no font was found."""
    from weasyprint.pdf.fonts import Font

    seen: list[str] = []
    original = Font.get_unused_glyph_id

    def spy(self: Any, codepoint: int) -> int:
        seen.append(chr(codepoint))
        return original(self, codepoint)

    monkeypatch.setattr(Font, "get_unused_glyph_id", spy)
    return seen


NAMES = (
    *("Đặng Thị Zoë", "Αθηνά Παππά", "Жанна Щербакова", "فاطمة", "דוד", "สมชาย", "अनन्या", "ஆதி"),
    *("ოთარი", "Արամ", "አበበ", "অনন্যা", "အောင်", "ᐃᓄᒃ", "ທ້າວ", "林靜芳", "たかはし みお", "박하늘"),
)


def test_names_in_any_script_are_printed(missing_letters: list[str]) -> None:
    """Scripts of the fonts that the set-up installs."""
    title = changed(given_name=NAMES[0], family_name=NAMES[1])
    for criterion, *names in zip(title["score"]["criteria"], NAMES[2::2], NAMES[3::2], strict=True):
        criterion |= {"by": "teacher", "points": 1, "comment": " ".join(names)}
    pdf = sheet.render_sheet(title, examples.ticket())
    assert missing_letters == []
    text = text_of(pdf)
    # Those without reordering within a word.
    for name in (*NAMES[:3], "ოთარი", "Արամ", "አበበ", "ᐃᓄᒃ", "林靜芳", "박하늘"):
        assert name in text
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert str(opened.docinfo["/Title"]) == f"Tuning: {NAMES[0]} {NAMES[1]}"


def test_names_in_any_script_keep_to_pdf_ua() -> None:
    """Every glyph has its letter, also where several draw one syllable."""
    record = examples.record()
    for criterion, name in zip(record["score"]["criteria"] * 3, NAMES, strict=False):
        criterion["comment"] = f"{criterion.get('comment') or ''} {name}"
    pdf = sheet.render_sheet(record, examples.ticket())
    assert ua_failures(pdf) == []


def test_every_letter_has_the_outline_of_its_own_font(tmp_path: Path) -> None:
    """A font file inside the PDF stands there once, or letters of one are set with another's."""
    record = record_of("graded")
    record = copy.deepcopy(record)
    for criterion, name in zip(record["score"]["criteria"], ("ოთარი", "ᐃᓄᒃ", "ທ້າວ"), strict=False):
        criterion |= {"by": "teacher", "points": 1, "comment": name}
    with pikepdf.open(io.BytesIO(sheet.render_sheet(record, examples.ticket()))) as pdf:
        names = [str(o.BaseFont) for o in pdf.objects
                 if isinstance(o, pikepdf.Dictionary) and o.get("/Type") == "/Font"]  # fmt: skip
    assert names
    assert not [name for name in names if re.search("(?i)italic|oblique", name)]


def test_a_letter_that_no_font_has_is_told_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    font = SimpleNamespace(missing={0x1F4A: 7000, 0x16A0: 7001})
    sheet._report_missing_letters(SimpleNamespace(fonts={"one": font}))
    (entry,) = caplog.records
    assert "No installed font has the letters ᚠ Ὂ." in entry.getMessage()
    assert "fonts-noto-core" in entry.getMessage()


@pytest.mark.parametrize(
    "name",
    ["<script>alert(1)</script>", "{{ 7*7 }}", '"><img src=x onerror=y>', "=cmd()", "&amp;",
     "{title}", "O'Brien-Łoś", "%s%n", "<!--", "</h1>"],
)  # fmt: skip
def test_hostile_names_are_text(name: str) -> None:
    page, usual = page_with(name), page_with("Ada")
    assert page.tags == usual.tags
    # The title of the page stands twice. Of the file's path its last part is shown.
    assert page.text.count(name) == (7 if "/" in name else 8)
    assert f"file {name.split('/')[-1]}" in page.text


def page_with(name: str) -> Page:
    """The page with `name` wherever something untrusted can stand."""
    record = changed(given_name=name, section=name)
    record["score"]["criteria"][5] |= {"by": "teacher", "points": 1, "comment": name}
    record["submission"]["file"] = name
    record["observations"][0]["text"] = name
    ticket = examples.ticket(class_name=name, title=name)
    page = Page()
    page.feed(sheet._template().render(sheet_view.sheet_view(record, ticket)))
    return page


class Page(HTMLParser):
    """The elements and the text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, list[str]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, sorted(key for key, _ in attrs if key != "class")))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_a_hostile_name_is_text_in_the_pdf() -> None:
    name = "<b>{{ 7*7 }}</b>"
    pdf = sheet.render_sheet(changed(given_name=name), examples.ticket())
    assert f"Tuning: {name} Ostermoor" in text_of(pdf)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert str(opened.docinfo["/Title"]) == f"Tuning: {name} Ostermoor"


def test_long_names_are_whole_and_never_leave_the_paper() -> None:
    for name in ("Maria-Theresia Wilhelmina Konstantina von und zu Hohenlanternfeld", "W" * 100):
        pdf = sheet.render_sheet(changed(given_name=name), examples.ticket())
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            assert len(opened.pages) == 1
        letters = text_of(pdf).replace(" ", "").replace("5½of12", "")
        assert name.replace(" ", "").replace("-", "")[:60] in letters.replace("-", "")


def test_a_student_without_a_name_is_called_by_the_id() -> None:
    pdf = sheet.render_sheet(changed(given_name="", family_name=None), examples.ticket())
    assert "Tuning: Student s01" in text_of(pdf)


# Bytes and safety


def test_the_same_record_gives_the_same_bytes_in_any_process(tmp_path: Path) -> None:
    (tmp_path / "record.json").write_text(json.dumps(record_of("graded")), "utf-8")
    (tmp_path / "ticket.json").write_text(json.dumps(examples.ticket()), "utf-8")
    program = (
        "import json, sys; sys.path.insert(0, sys.argv[1])\n"
        "from pegmark.render import render_sheet;"
        "a, b = (json.load(open(p)) for p in sys.argv[2:4]);"
        "open(sys.argv[4], 'wb').write(render_sheet(a, b))"
    )
    for seed, zone in (("1", "UTC"), ("2", "Pacific/Auckland")):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone}
        environment.pop("SOURCE_DATE_EPOCH", None)
        names = ["record.json", "ticket.json", f"{seed}.pdf"]
        places = [str(ROOT / "scripts"), *(str(tmp_path / name) for name in names)]
        subprocess.run([sys.executable, "-c", program, *places], check=True, env=environment)
    first = (tmp_path / "1.pdf").read_bytes()
    assert first == (tmp_path / "2.pdf").read_bytes()
    assert first == pdf_of("graded")


def test_rendering_does_not_change_its_inputs() -> None:
    record, ticket = examples.record(), examples.ticket()
    before = copy.deepcopy((record, ticket))
    sheet_view.sheet_view(record, ticket)
    assert (record, ticket) == before


def test_another_record_or_date_gives_other_bytes() -> None:
    other_day = sheet.render_sheet(record_of("graded"), examples.ticket(epoch=1772899200))
    assert other_day != pdf_of("graded")


def test_no_address_and_no_file_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    import socket

    def refuse(*_: Any, **__: Any) -> None:
        raise AssertionError("the network was asked")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    evil = "<link rel=stylesheet href='http://example.org/x.css'><img src='file:///etc/passwd'>"
    record = changed(given_name=evil)
    assert b"root:" not in sheet.render_sheet(record, examples.ticket())


# Words


def leaves(part: Any, path: str = "") -> dict[str, str]:
    if isinstance(part, dict):
        return {
            k: v for key, item in part.items() for k, v in leaves(item, f"{path}/{key}").items()
        }
    if isinstance(part, list):
        return {k: v for i, x in enumerate(part) for k, v in leaves(x, f"{path}/{i}").items()}
    return {path: str(part)}


@pytest.mark.parametrize("part", ["sheet", "mail"])
def test_both_languages_have_the_same_sentences_and_fields(part: str) -> None:
    english = leaves(examples.comments()[part])
    spanish = leaves(examples.comments("es")[part])
    assert english.keys() == spanish.keys()
    for key, text in english.items():
        fields = {name for _, name, *_ in alphabet.Formatter().parse(text) if name}
        other = {name for _, name, *_ in alphabet.Formatter().parse(spanish[key]) if name}
        assert fields == other, key


def test_the_template_has_no_words_of_its_own() -> None:
    template = (sheet.SHEET_TEMPLATES / "sheet.html.j2").read_text("utf-8")
    shown = re.sub(r"\{%.*?%\}|\{\{.*?\}\}|<[^>]*>", "", template, flags=re.DOTALL)
    shown = shown.replace("@page { size:", "")
    assert not re.search(r"[A-Za-z]", shown)


def test_a_spanish_sheet_is_spanish() -> None:
    text = text_of(pdf_of("graded", language="es"))
    for words in ("Afinación: Ada Ostermoor", "9½ de 12", "un poco baja", "9,4 cents baja", "la",
                  "659,7 Hz", "6 de marzo de 2026", "Empuja la clavija"):  # fmt: skip
        assert words in text, words
    with pikepdf.open(io.BytesIO(pdf_of("graded", language="es"))) as pdf:
        assert str(pdf.Root.Lang) == "es"


def test_a_ten_year_old_can_read_it() -> None:
    """Flesch-Kincaid grade of the running text at most 5, age ten (Kincaid et al. 1975, formula
    from memory; syllables by the hyphenation library pyphen)."""
    hyphens = pyphen.Pyphen(lang="en_US")
    words = examples.comments()["sheet"]
    parts = [words["states"], words["cautions"], words["sure"], words["paths"]["intro"]]
    sentences = [re.sub(r"\{.*?\}", "two", t) for part in parts for t in leaves(part).values()]
    text = " ".join(t if t.endswith((".", "?")) else f"{t}." for t in sentences if t != "None")
    tokens = re.findall(r"[A-Za-z]+", text)
    syllables = sum(len(hyphens.positions(token)) + 1 for token in tokens)
    count = len(re.findall(r"[.?]", text))
    assert 0.39 * len(tokens) / count + 11.8 * syllables / len(tokens) - 15.59 <= 5


# Looks


def page_image(folder: Path) -> Image.Image:
    """The graded sheet in grey at 60 dots an inch."""
    (folder / "sheet.pdf").write_bytes(pdf_of("graded"))
    return test_pictures.raster_pdf(folder / "sheet.pdf", folder, 60)


def test_the_sheet_looks_as_it_did(tmp_path: Path) -> None:
    """Compared with tests/data/baselines/sheet.png; tests/make_baselines.py makes it anew."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is missing: apt-get install poppler-utils")
    baseline = Image.open(test_pictures.BASELINES / "sheet.png")
    mean, share = test_pictures.difference(page_image(tmp_path), baseline)
    assert mean < test_pictures.MEAN_DIFFERENCE
    assert share < test_pictures.DIFFERENT_PIXELS


# The stage script


def run_script(folder: Path, record: dict[str, Any], audio: list[Path]) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "record.json").write_text(json.dumps(record), "utf-8")
    (folder / "ticket.json").write_text(json.dumps(examples.ticket()), "utf-8")
    command = [sys.executable, ROOT / "scripts" / "render.py", "--record", folder / "record.json",
               "--ticket", folder / "ticket.json", "--audio", *audio,
               "--sheet", folder / "out.pdf", "--clips", folder / "clips",
               "--faults", folder / "faults.json"]  # fmt: skip
    subprocess.run(command, check=True, cwd=folder)
    return folder


def test_the_script_writes_the_sheet_and_the_clips_of_the_graded_take(tmp_path: Path) -> None:
    record = record_of("graded")
    noise = np.random.default_rng(1).normal(0, 0.05, 16000 * 50).astype(np.float32)
    graded, other = tmp_path / f"{'0' * 16}-violin.npy", tmp_path / f"{'1' * 16}-violin.npy"
    np.save(graded, noise)
    np.save(other, noise[:0])
    stale = tmp_path / "clips" / "stale.mp3"
    stale.parent.mkdir()
    stale.write_bytes(b"old")
    folder = run_script(tmp_path, record, [other, graded])
    assert (folder / "out.pdf").read_bytes() == pdf_of("graded")
    names = sorted(path.name for path in (folder / "clips").iterdir())
    assert names == ["A4.mp3", "D4.mp3", "E5.mp3", "G3.mp3", "speech.mp3", "turns.mp3"]


def test_the_script_makes_an_empty_folder_where_there_is_nothing_to_hear(tmp_path: Path) -> None:
    folder = run_script(tmp_path, record_of("missing"), [])
    assert (folder / "out.pdf").read_bytes() == pdf_of("missing")
    assert list((folder / "clips").iterdir()) == []
