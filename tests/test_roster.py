"""The roster in the forms teachers have it, and every mistake in it by row."""

from __future__ import annotations

import contextlib
import csv
import io
import tempfile
import zipfile
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lab.bench import CONFIG
from lab.classroom import ROSTER, build
from pegmark.files import tables, workbooks
from pegmark.receive.roster import Roster, read_roster
from pegmark.records.problems import TeacherError
from pegmark.settings import assignment

NAMES = [("García Núñez", "María José"), ("Müller", "Zoë"), ("O'Brien", "Søren"), ("Lee", "Ann")]


def read(class_dir) -> Roster:
    return read_roster(class_dir, assignment.load_assignment(class_dir, CONFIG))


def roster_of(tmp_path, content: bytes | str, **tables_: str) -> Roster:
    class_dir = build(tmp_path, **tables_)
    content = content if isinstance(content, bytes) else content.encode()
    (class_dir / "roster.csv").write_bytes(content)
    return read(class_dir)


def mistakes(tmp_path, content: bytes | str, **tables_: str) -> list[str]:
    with pytest.raises(TeacherError) as caught:
        roster_of(tmp_path, content, **tables_)
    return [f"{p['message']} {p['action']}" for p in caught.value.problems]


def typed(
    delimiter: str = ",", header: str = "student_id,family_name,given_name,instrument"
) -> str:
    rows = [f"s{i},{family},{given_},cello" for i, (family, given_) in enumerate(NAMES)]
    return "\r\n".join([header, *rows]).replace(",", delimiter) + "\r\n"


def names(roster: Roster) -> list[tuple[str, str]]:
    return [(student.family_name, student.given_name) for student in roster.students]


# -- forms -----------------------------------------------------------------------------------


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "latin-1", "mac_roman"]
)
def test_usual_encodings_and_separators(tmp_path, encoding, delimiter):
    assert names(roster_of(tmp_path, typed(delimiter).encode(encoding))) == NAMES


def test_central_european_code_page(tmp_path):
    text = "student_id,family_name,given_name,instrument\n1,Krzyżanowski,Łukasz,viola\n"
    assert names(roster_of(tmp_path, text.encode("cp1250"))) == [("Krzyżanowski", "Łukasz")]


@pytest.mark.parametrize(
    "header",
    [
        "ID,Last name,First name,Instrument",
        "Student ID,Surname,Forename,Instr.",
        "Student no.,LAST NAME,FIRST NAME,INSTRUMENT",
        "Número,Apellidos,Nombre,Instrumento",
        "Nr.,Nachname,Vorname,Instrument",
        "Student #,Last,First,Instrument:",
        "  student_id ,family-name,Given_Name,instrument*",
    ],
)
def test_headers_in_common_spellings(tmp_path, header):
    assert names(roster_of(tmp_path, typed(header=header))) == NAMES


def test_columns_in_any_order_and_extra_ones_kept(tmp_path):
    text = "Locker,Instrument,First,E-mail,Last,ID,sourcedId\n12,fiddle,Ana,a@b.org,Ruiz,7,x-1\n"
    (student,) = roster_of(tmp_path, text).students
    assert (student.student_id, student.name, student.instrument) == ("7", "Ana Ruiz", "violin")
    assert student.extra == {"Locker": "12", "sourcedId": "x-1"}


def test_the_surer_header_wins(tmp_path):
    text = "ID,Student ID,Last name,First name,Name,Instrument\n99,s1,Ruiz,Ana,Anita,viola\n"
    (student,) = roster_of(tmp_path, text).students
    assert student.student_id == "s1"
    assert student.extra == {"ID": "99", "Name": "Anita"}


def test_headers_mapped_in_the_assignment(tmp_path):
    text = "Pupil code,Nom,Pronom,Plays on\nx1,Ruiz,Ana,violin\n"
    mapping = "roster_columns: {Pupil code: student_id, Pronom: given_name, Plays on: instrument}\n"
    (student,) = roster_of(tmp_path, text, assignment_yaml=mapping).students
    assert (student.student_id, student.family_name, student.given_name) == ("x1", "Ruiz", "Ana")


@pytest.mark.parametrize(
    ("cell", "name"),
    [
        ('"Ruiz, Ana"', ("Ruiz", "Ana")),
        ("Ana Ruiz", ("Ruiz", "Ana")),
        ("Ana María Ruiz", ("Ruiz", "Ana María")),
        ("Ruiz", ("Ruiz", "")),
    ],
)
def test_one_column_for_the_whole_name(tmp_path, cell, name):
    assert names(roster_of(tmp_path, f"id,name,instrument\n1,{cell},viola\n")) == [name]


def test_titles_blank_lines_and_sep_line(tmp_path):
    text = "sep=;\r\n;;;\r\nClass 7b, spring;;;\r\n\r\n" + typed(";") + ";;;\r\n   \r\n"
    assert names(roster_of(tmp_path, text)) == NAMES


def test_quoted_cells_by_rfc_4180(tmp_path):
    # RFC 4180, section 2, rules 5 to 7: quotes around commas, line breaks and doubled quotes.
    text = (
        "student_id,family_name,given_name,instrument,section\r\n"
        's1,"Ruiz, the ""first""",Ana,violin,"7B\r\nroom 3"\r\n'
    )
    (student,) = roster_of(tmp_path, text).students
    assert student.family_name == 'Ruiz, the "first"'
    assert student.section == "7B room 3"


def test_a_number_kept_as_text_by_a_formula(tmp_path):
    text = 'student_id,family_name,given_name,instrument\n"=""007""",Ruiz,Ana,violin\n'
    assert roster_of(tmp_path, text).students[0].student_id == "007"


def test_formulas_stay_texts(tmp_path):
    # OWASP, "CSV Injection": cells that begin with = + - @. On input they are only data.
    text = "student_id,family_name,given_name,instrument,section\n1,=1+1,@SUM(A1),cello,-2+3\n"
    (student,) = roster_of(tmp_path, text).students
    assert (student.family_name, student.given_name) == ("=1+1", "@SUM(A1)")
    assert student.section == "-2+3"


def test_invisible_and_control_characters_are_dropped(tmp_path):
    text = "student_id,family_name,given_name,instrument\ns1,Ru\u202eiz,A\x1bna\u200b,violin\n"
    (student,) = roster_of(tmp_path, text).students
    assert student.family_name == "Ruiz"
    assert student.given_name == "A na"


def workbook(path, rows, sheets=("Notes", "Class")):
    book = openpyxl.Workbook()
    book.active.title = sheets[0]
    book.active.append(["nothing", "here"])
    page = book.create_sheet(sheets[1])
    for row in rows:
        page.append(row)
    book.save(path)


def test_a_workbook(tmp_path):
    class_dir = build(tmp_path, assignment_yaml="due: 2026-03-06 18:00 Z\n")
    (class_dir / "roster.csv").unlink()
    rows = [
        ["Strings 7b"],
        [],
        ["ID", "Last name", "First name", "Instrument", "Due"],
        [1012, "Núñez", "Ana", "String bass", None],
        [None, None, None, None, None],
        [1013.0, "Lee", "Ann", "violin", "2026-03-08"],
    ]
    workbook(class_dir / "Roster.xlsx", rows)
    roster = read(class_dir)
    assert [student.student_id for student in roster.students] == ["1012", "1013"]
    assert roster.students[0].instrument == "double bass"
    assert roster.students[1].due.isoformat() == "2026-03-08T23:59:59+00:00"
    assert [student.line for student in roster.students] == [4, 6]
    assert "workbook, sheet 'Class'" in roster.understood


def test_a_workbook_that_unpacks_without_end_is_refused(tmp_path):
    class_dir = build(tmp_path)
    (class_dir / "roster.csv").unlink()
    with zipfile.ZipFile(class_dir / "roster.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"\0" * (workbooks.MAX_UNPACKED + 1))
    with pytest.raises(TeacherError, match="too large when unpacked"):
        read(class_dir)


@pytest.mark.parametrize(
    "content", [b"PK\x03\x04 not really", b"\xd0\xcf\x11\xe0 old", b"\0\1\2" * 50]
)
def test_files_that_are_no_tables(tmp_path, content):
    (message,) = mistakes(tmp_path, content)
    assert "roster.csv: cannot be read as a table" in message
    assert "Save it again as CSV" in message


def test_what_was_understood_is_one_line(tmp_path):
    text = "Last name;First;Student no.;Inst.;Locker\nRuiz;Ana;1;viola;12\nLee;Ann;2;viola;\n"
    assert roster_of(tmp_path, text).understood == (
        "roster.csv: 2 students (semicolons, UTF-8); read as Last name = family_name, "
        "First = given_name, Student no. = student_id, Inst. = instrument; "
        "kept as they are: Locker."
    )


# -- lists as schools export them --------------------------------------------------------------
# Headers and orders: common practice, no source.


def one_of(tmp_path, text: str, **more: str):
    (student,) = roster_of(tmp_path, text, **more).students
    return student.family_name, student.given_name, student.instrument


@pytest.mark.parametrize(
    ("header", "row", "family", "given"),
    [
        ("Nr.;Name;Vorname;Instrument", "1;Müller;Zoë;Geige", "Müller", "Zoë"),
        ("Nr.;Vorname;Name;Instrument", "1;Zoë;Müller;1. Violine", "Müller", "Zoë"),
        ("ID;Surname;Name;Instrument", "1;Ruiz;Ana;violin", "Ruiz", "Ana"),
        ("ID;Name;First name;Instrument", "1;Ruiz;Ana;2nd violin", "Ruiz", "Ana"),
        ("ID;Name;First name;Instrument", "1;Ana Ruiz;Ana;violin", "Ruiz", "Ana"),
        ("ID;Name;First name;Instrument", "1;RUIZ, Ana;Ana;violin", "RUIZ", "Ana"),
        ("Nr;Nachname, Vorname;Instrument", "1;García Núñez, María José;Violine", "García Núñez",
         "María José"),
        ("Nr;Nachname Vorname;Instrument", "1;Müller Zoë;Violine 2", "Müller", "Zoë"),
        ("Nr;Nachname, Vorname;Instrument", "1;von der Heide Zoë;Geige 1", "von der Heide", "Zoë"),
        ("N.º;Apellidos y nombre;Instrumento", "1;Ruiz Soto, Ana;Violín", "Ruiz Soto", "Ana"),
        ("N.º;Apellidos, Nombre;Instrumento", "1;Ruiz Soto, Ana;primer violín", "Ruiz Soto", "Ana"),
        ("Matrícula;Primer apellido;Segundo apellido;Nombre;Instrumento",
         "1;Ruiz;Soto;Ana;violín", "Ruiz Soto", "Ana"),
        ("ID;Name;Instrument", "1;RUIZ SOTO Ana María;violin", "RUIZ SOTO", "Ana María"),
        ("ID;Name;Instrument", "1;Ana María RUIZ;violin", "RUIZ", "Ana María"),
        ("ID;Name;Instrument", "1;van der BERG Anna;violin", "van der BERG", "Anna"),
        ("ID;Name;Instrument", "1;Ana J. RUIZ;violin", "RUIZ", "Ana J."),
        ("ID;Name;Instrument", "1;Anna van der Berg;violin", "van der Berg", "Anna"),
        ("ID;Last name;First name;Middle name;Instrument", "1;Lee;Ann;Marie;violin", "Lee",
         "Ann Marie"),
        ("Nr;Nachname;Vorname 1;Vorname 2;Instrument", "1;Lee;Ann;Marie;Violine", "Lee",
         "Ann Marie"),
        ("Nr;Nachname;Vorname;Zweiter Vorname;Instrument", "1;Lee;Ann;;Violine", "Lee", "Ann"),
        ("Numéro d'élève;Nom;Prénom;Instrument;Classe", "1;Noël;Chloé;violon;6B", "Noël", "Chloé"),
        ("Identifiant;Nom et prénom;Instrument", "1;NOËL Chloé;1er violon", "NOËL", "Chloé"),
        ("Matricola;Cognome;Nome;Strumento;Sezione", "1;Sarti;Elèna;violino primo;2A", "Sarti",
         "Elèna"),
        ("Matricola;Cognome;Nome;Strumento;Sezione", "1;Sarti;Elèna;violino;2A", "Sarti", "Elèna"),
        ("Codice;Cognome e nome;Strumento", "1;Sarti Elèna;violino", "Sarti", "Elèna"),
        ("Leerlingnummer;Voornaam;Tussenvoegsel;Achternaam;Instrument;Klas",
         "1;Anna;van der;Berg;viool;2c", "van der Berg", "Anna"),
        ("Stamnummer;Naam;Roepnaam;Instrument", "1;Berg, Anna;Anneke;viool", "Berg", "Anna"),
        ("ID;Surname;Instrument", "1;Ruiz, Ana;violin", "Ruiz", "Ana"),
        ("ID;Name;Instrument", "1;McDONALD Ian;violin", "McDONALD", "Ian"),
        ("Stamnummer;Roepnaam;Tussenvoegsel;Achternaam;Instrument", "1;Piet;van den;Berg;viool",
         "van den Berg", "Piet"),
        ("Nr;Familienname;Rufname;Instrument", "1;Müller;Anni;Geige", "Müller", "Anni"),
        ("ID;First name;Last name;Name;Instrument", "1;Ana;;Ana Ruiz;violin", "Ruiz", "Ana"),
    ],
)  # fmt: skip
def test_no_half_of_a_name_is_dropped(tmp_path, header, row, family, given):
    text = f"Streicherklasse 7b, Frühling;;;\n\n{header}\n{row}\n"
    assert one_of(tmp_path, text) == (family, given, "violin")


@pytest.mark.parametrize(
    ("word", "key"),
    [
        *((word, "violin") for word in ("Geige", "2. Geige", "Violine II", "Primer violín")),
        *((word, "violin") for word in ("Violine (1)", "Violín 1º")),
        *((word, "violin") for word in ("Violon 2", "2e violon", "Secondo violino", "1e viool")),
        *((word, "viola") for word in ("Bratsche", "Alto", "Altviool", "viola")),
        *((word, "cello") for word in ("Violoncello", "Violonchelo", "Violoncelle", "Vc. 2")),
        *((word, "double bass") for word in ("Kontrabass", "Kontrabaß", "Contrabajo")),
        *((word, "double bass") for word in ("Contrebasse", "Contrabbasso", "Contrabas")),
        *((word, "double bass") for word in ("Bajo", "Basse", "Basso", "Bas")),
    ],
)
def test_instruments_in_six_languages(tmp_path, word, key):
    text = f"student_id,family_name,given_name,instrument\n1,Ruiz,Ana,{word}\n"
    assert one_of(tmp_path, text)[2] == key


def test_names_parted_by_likelihood_are_told_with_their_rows(tmp_path):
    roster = roster_of(tmp_path, "id,name,instrument\n1,Ana María Ruiz,viola\n2,Lee Ann,viola\n")
    (notice,) = roster.notices
    assert notice["code"] == "names_parted"
    assert "line 2: Ana María | Ruiz." in notice["message"]
    assert "Family, Given" in notice["action"]


@pytest.mark.parametrize("page", ["cp1252", "mac_roman"])
def test_utf_8_mixed_with_an_older_code_page_is_noticed(tmp_path, page):
    lines = ["id,family_name,given_name,instrument", "1,Müller,Zoë,viola", "2,Núñez,José,viola"]
    content = "\n".join(lines[:2]).encode(page) + b"\n" + lines[2].encode()
    roster = roster_of(tmp_path, content)
    assert names(roster) == [("Müller", "Zoë"), ("Núñez", "José")]
    assert [notice["code"] for notice in roster.notices] == ["mixed_code_pages"]
    assert "UTF-8 mixed with" in roster.understood


@pytest.mark.parametrize("name", ["roster (1).csv", "Class list.csv", "Klassenliste 7b.tsv"])
def test_the_one_table_there_is_is_taken_and_said(tmp_path, name):
    class_dir = build(tmp_path, matches_csv="file,student_id\n")
    (class_dir / "roster.csv").rename(class_dir / name)
    (class_dir / "marks (2).csv").write_text("student_id,criterion,points\n")
    (class_dir / "~$Class list.xlsx").write_bytes(b"a lock of an office program")
    assert f"{name}: " in read(class_dir).understood
    assert "taken for the roster" in read(class_dir).understood
    (class_dir / "other.csv").write_text(ROSTER)
    with pytest.raises(TeacherError, match=r"Several tables may be the class list: .*other\.csv"):
        read(class_dir)


def test_a_second_roster_beside_the_first_is_told(tmp_path):
    class_dir = build(tmp_path)
    assert read(class_dir).notices == ()
    (class_dir / "roster (1).csv").write_text(ROSTER)
    (notice,) = read(class_dir).notices
    assert notice["message"] == "roster (1).csv beside roster.csv was not read."


def open_document(path, rows: str) -> None:
    """A spreadsheet of ISO/IEC 26300 (part 3: content.xml, table:table-row, office:value-type)."""
    spaces = "".join(
        f' xmlns:{one}="urn:oasis:names:tc:opendocument:xmlns:{one}:1.0"'
        for one in ("office", "table", "text")
    )
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr(
            "content.xml",
            f"<office:document-content{spaces}><office:body><office:spreadsheet>"
            f'<table:table table:name="7b">{rows}</table:table>'
            "</office:spreadsheet></office:body></office:document-content>",
        )


def cells(*texts: str) -> str:
    return "".join(f"<table:table-cell><text:p>{t}</text:p></table:table-cell>" for t in texts)


def test_an_open_document_sheet(tmp_path):
    class_dir = build(tmp_path, assignment_yaml="due: 2026-03-06 18:00 Z\n")
    (class_dir / "roster.csv").unlink()
    number = '<table:table-cell office:value-type="float" office:value="1012"/>'
    day = '<table:table-cell office:value-type="date" office:date-value="2026-03-08"/>'
    open_document(
        class_dir / "Class list.ods",
        f"<table:table-row>{cells('Strings 7b')}</table:table-row>"
        '<table:table-row table:number-rows-repeated="2"><table:table-cell/></table:table-row>'
        f"<table:table-row>{cells('Nr', 'Name', 'Vorname', 'Instrument', 'Frist')}"
        '<table:table-cell table:number-columns-repeated="900"/></table:table-row>'
        f"<table:table-row>{number}{cells('Müller', 'Zoë', 'Kontrabass')}{day}</table:table-row>"
        '<table:table-row table:number-rows-repeated="1048000"><table:table-cell/>'
        "</table:table-row>",
    )
    (student,) = read(class_dir).students
    assert (student.student_id, student.name, student.line) == ("1012", "Zoë Müller", 5)
    assert (student.instrument, student.due.day) == ("double bass", 8)


def test_an_open_document_with_entities_is_refused(tmp_path):
    class_dir = build(tmp_path)
    (class_dir / "roster.csv").unlink()
    with zipfile.ZipFile(class_dir / "roster.ods", "w") as archive:
        archive.writestr("content.xml", '<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>')
    with pytest.raises(TeacherError, match="not a workbook that can be opened"):
        read(class_dir)


# -- cells -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "key"),
    [
        ("Violin", "violin"),
        ("VIOLIN II", "violin"),
        ("vla.", "viola"),
        ("Violoncello", "cello"),
        ("String Bass", "double bass"),
        ("bass", "double bass"),
        ("contrabass", "double bass"),
        ("Double-Bass", "double bass"),
        ("Solo Bass", "solo bass"),
        ("5-string bass", "five-string bass"),
    ],
)
def test_instruments_by_their_everyday_names(tmp_path, word, key):
    text = f"student_id,family_name,given_name,instrument\n1,Ruiz,Ana,{word}\n"
    assert roster_of(tmp_path, text).students[0].instrument == key


def test_addresses_are_parted_and_bad_ones_told(tmp_path):
    text = (
        "student_id,family_name,given_name,instrument,email\n"
        's1,Ruiz,Ana,violin,"ana@b.org; home@c.example.org, ana@b.org"\n'
        "s2,Lee,Ann,violin,ann@home\n"
        's3,Kim,Jo,violin,"a@b.org\nBcc: x@y.org"\n'
        "s4,Obi,Nia,violin,n/a\n"
    )
    roster = roster_of(tmp_path, text)
    assert [s.email for s in roster.students] == [
        "ana@b.org;home@c.example.org",
        "",
        "a@b.org;x@y.org",
        "",
    ]
    assert {(n["student_id"], n["code"]) for n in roster.notices} == {
        ("s2", "bad_email"),
        ("s3", "bad_email"),
    }
    assert "line 3, email: 'ann@home' is not an e-mail address" in roster.notices[0]["message"]


def test_language_due_and_excused(tmp_path):
    text = (
        "student_id,family_name,given_name,instrument,language,due,excused\n"
        "s1,Ruiz,Ana,violin,Español,2026-03-09 08:00,\n"
        "s2,Lee,Ann,violin,EN,2026-03-09 08:00 +00:00,x\n"
        "s3,Kim,Jo,violin,,2026-03-09,Yes\n"
    )
    due = "due: 2026-03-06 18:00 +01:00\n"
    one, two, three = roster_of(tmp_path, text, assignment_yaml=due).students
    assert (one.language, two.language, three.language) == ("es", "en", None)
    assert one.due.isoformat() == "2026-03-09T08:00:00+01:00"
    assert two.due.isoformat() == "2026-03-09T08:00:00+00:00"
    assert three.due.isoformat() == "2026-03-09T23:59:59+01:00"
    assert (one.excused, two.excused, three.excused) == (False, True, True)


# -- mistakes --------------------------------------------------------------------------------


def test_every_mistake_is_told_at_once_by_row(tmp_path):
    text = (
        "student_id,family_name,given_name,instrument,language,due,excused\n"
        "s1,Ruiz,Ana,violin,,,\n"
        "s 2,Okafor,Ben,cello,,,\n"
        "s3,Lee,Ann,celo,,,\n"
        "S1,Lee,Anna,viola,,,\n"
        ",Kim,Jo,violin,,,\n"
        "s6,,,violin,,,\n"
        "s7,Obi,Nia,,,,\n"
        "s8,Iyer,Ravi,violin,klingon,,\n"
        "s9,Kaya,Elif,violin,,soon,\n"
        "s10,Vogel,Max,violin,,,perhaps\n"
        "../x,Vogel,Ida,violin,,,\n"
        f"{'a' * 65},Vogel,Uwe,violin,,,\n"
        "s1,Vogel,Eva,kazoo,,,\n"
    )
    found = mistakes(tmp_path, text)
    expected = [
        ("line 3, student_id", '"s 2" is not written as it must be', "letters, digits"),
        ("line 4, instrument", "'celo' is not a known instrument", 'Did you mean "cello"?'),
        ("lines 2 and 5", "'S1' appears twice (Ana Ruiz, Anna Lee)", "an id of their own"),
        ("line 6, student_id", "it is empty", "1 to 64 letters"),
        ("line 7, family_name", "there is no name", "Fill in"),
        ("line 8, instrument", "it is empty", "violin, viola, cello"),
        ("line 9, language", "no sentences for 'klingon'", "en, es"),
        ("line 10, due", "'soon' is not a date and time", "2026-03-06 18:00"),
        ("line 11, excused", "'perhaps' is neither yes nor no", "Write yes"),
        ("line 12, student_id", '"../x"', "letters, digits"),
        ("line 13, student_id", "aaa", "letters, digits"),
        ("line 14, instrument", "'kazoo' is not a known instrument", "violin, viola"),
        ("lines 2 and 14", "'s1' appears twice (Ana Ruiz, Eva Vogel)", "an id of their own"),
    ]
    for where, wrong, action in expected:
        assert any(where in m and wrong in m and action in m for m in found), (where, found)
        assert all(m.startswith("roster.csv") for m in found)
    assert len(found) == len(expected)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["no row with column headers", "student_id"]),
        ("1,Ruiz,Ana,violin\n", ["no row with column headers"]),
        ("student_id,family_name,given_name,instrument\n", ["there is no student"]),
        ("student_id,family_name,given_name\n1,Ruiz,Ana\n",
         ["no column instrument", "the headers are: student_id, family_name, given_name"]),
        ("family_name,given_name,instrumemt\nRuiz,Ana,viola\n",
         ["no column student_id", "no column instrument", 'Did you mean "instrumemt"?']),
        ("student_id,family_name,given_name,instrument\n1,Ruiz, Jr.,Ana,viola\n",
         ["line 2: 5 cells under 4 headers", "quotes"]),
        ('student_id,family_name,given_name,instrument\n1,"Ruiz,Ana,viola\n2,Lee,Ann,viola\n',
         ["line 2: a quotation mark is opened and not closed"]),
        ("student_id,student_id,family_name,given_name,instrument\n1,2,Ruiz,Ana,viola\n",
         ["'student_id' appears twice"]),
        ("student_id,family_name,given_name,instrument\n1," + "x" * 3000 + ",Ana,viola\n",
         ["line 2: a cell has more than 2000 characters"]),
    ],
)  # fmt: skip
def test_tables_that_are_broken(tmp_path, text, words):
    found = " ".join(mistakes(tmp_path, text))
    for word in words:
        assert word in found


def test_a_due_time_without_any_zone(tmp_path):
    text = "student_id,family_name,given_name,instrument,due\n1,Ruiz,Ana,viola,2026-03-09 08:00\n"
    (message,) = mistakes(tmp_path, text)
    assert "with a zone" in message


def test_a_mapped_header_that_is_not_there(tmp_path):
    (message,) = mistakes(tmp_path, ROSTER, assignment_yaml="roster_columns: {Code: nickname}\n")
    assert "roster_columns maps 'code' to nickname" in message
    assert "assignment.yaml" in message


def test_two_rosters_or_none(tmp_path):
    class_dir = build(tmp_path)
    (class_dir / "roster.xlsx").write_bytes(b"")
    with pytest.raises(TeacherError, match=r"several rosters: roster\.csv, roster\.xlsx"):
        read(class_dir)
    (class_dir / "roster.xlsx").unlink()
    (class_dir / "roster.csv").unlink()
    with pytest.raises(TeacherError, match=r"There is no roster\.csv or roster\.xlsx"):
        read(class_dir)


# -- properties ------------------------------------------------------------------------------


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(content):
    """Nothing but TeacherError comes out of a broken table."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "roster.csv"
        path.write_bytes(content)
        with contextlib.suppress(TeacherError):
            table = tables.read_table(path, {"student_id": ("id",)}, (("student_id",),))
            assert all(len(row.cells) == len(table.header) for row in table.rows)


@given(st.lists(st.text(max_size=20), min_size=1, max_size=5))
def test_csv_lines_come_back_as_they_were(cells):
    # RFC 4180: what is written by the rules is read by the rules (here by Python's csv module).
    assert next(csv.reader(io.StringIO(tables.csv_line(cells), newline=""))) == cells
