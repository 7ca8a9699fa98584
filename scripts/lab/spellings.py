"""Invented students, and the ways their recordings come to be named.

Everything is drawn from a seeded generator. No name is anybody's: given and family names of many
languages are shuffled together.
"""

from __future__ import annotations

import random
import unicodedata
from dataclasses import dataclass

from lab.bench import INSTRUMENTS
from pegmark.receive.roster import Student

SPELT_GIVEN = """
María José|Ana|Ben|Chloë|Dmitri|Esra|Fatima|Gülay|Håkon|Inés|Jörg|Katarzyna|Léa|Mónica|Nikolaj|
Øyvind|Pilar|Quentin|Rosalía|Søren|Thi Mai|Ursula|Vojtěch|Wanda|Ximena|Yusuf|Zoë|Jean-Luc|
Mary Ann|Li Wei|Noor|Siobhán|Emre|Benedikt|Luca|Sofía|Tomás|Aoife|Björn|Camille|Dolores|Erik|
Giulia|Hugo|Ingrid|Joaquín|Kwame|Lukas|Mateo|Nia|Oskar|Paula|Ravi|Sanna|Tariq|Ulrich|Valeria|
Marek|Amélie|Çağla|Đorđe|Elif|Ferdinand|Greta|Henrik|Isabel|Jovana|Klára|Leopold|Mirela
"""
SPELT_FAMILY = """
García Márquez|López|Okafor|Müller|O'Brien|van der Berg|Østergaard|Nguyễn|Krzyżanowski|Ruiz|
Fernández|Yıldız|Dvořák|Sørensen|Haddad|al-Khatib|Rossi|Ó Súilleabháin|Petrović|Lindqvist|Weiß|
Castaño|de la Cruz|Tanaka|Kowalczyk|Mbeki|Schröder|Bianchi|Novák|Iyer|Jónsdóttir|Öztürk|Marchetti|
D'Angelo|MacGregor|Szabó|Delacroix|Hernández-Soto|Bergström|Achebe|Vasquez|Zimmermann|Kaya|Fournier|
Ivanova|Nakamura|Obi|Papadopoulos|Quispe|Ramírez|Silva|Thorvald|Urbina|Vogel|Whitcombe|Yamada
"""
OUTSIDE_GIVEN = ("Gwendolyn", "Bartholomew", "Philippa", "Octavia", "Zebulon", "Thaddeus")
OUTSIDE_FAMILY = ("Featherstone", "Quackenbush", "Zuckerbrot", "Pemberly", "Oldcastle")
NO_NAMES = (
    *("IMG_1012", "tuning week 3", "final FINAL (2)", "May 3 tuning", "viola", "will do"),
    *("2026-03-05 17-02-11", "my video", "A 440", "bass song"),
)
SPELT_FILES = (
    *("", "", "tuning", "week 3", "Week_03", "tuning video", "wk3 final", "hw 2", "{} tuning"),
    *("Tuning Test", "open strings", "take 2", "v2"),
)

# Names that are easily taken for each other or for other words.
TRAPS = (
    ("Ann", "Lee", "violin", ""),
    ("Anna", "Lee", "viola", ""),
    ("Annalee", "Smith", "cello", ""),
    ("Jan", "Novotny", "violin", ""),
    ("Jana", "Novotny", "violin", ""),
    ("Mario", "Conti", "cello", ""),
    ("Maria", "Conti", "violin", ""),
    ("Jon", "Baker", "violin", ""),
    ("John", "Baker", "double bass", ""),
    ("May", "Chen", "violin", ""),
    ("Viola", "Winter", "cello", ""),
    ("Mark", "Bass", "violin", ""),
    ("Mark", "Stone", "double bass", ""),
    ("Sam", "Reed", "violin", ""),
    ("Sam", "Reed", "cello", ""),
    ("James", "Kim", "viola", ""),
    ("Kim", "James", "violin", ""),
    ("Maximilian", "Brandt", "cello", "Max"),
    ("Guadalupe", "Ortega", "violin", "Lupe"),
    ("Alexandra", "Brandt", "viola", "Sasha; Lexi"),
    ("Will", "Song", "violin", ""),
    ("Jose Maria", "Ortiz", "violin", ""),
    ("Maria Jose", "Ortiz", "viola", ""),
    ("小明", "王", "violin", ""),
)


@dataclass(frozen=True)
class Spelling:
    """A file's path, whose it is (None: nobody's), and whether the path alone can tell."""

    file: str
    student_id: str | None
    decidable: bool
    kind: str


def make_class(seed: int, size: int = 90) -> list[Student]:
    """A class with every trap and invented others, no two with the same name but the namesakes."""
    rng = random.Random(seed)
    given = [name.strip() for name in SPELT_GIVEN.replace("\n", "").split("|")]
    family = [name.strip() for name in SPELT_FAMILY.replace("\n", "").split("|")]
    people = list(TRAPS)
    taken = {(one[0], one[1]) for one in people}
    while len(people) < size:
        one = (rng.choice(given), rng.choice(family))
        if one not in taken:
            taken.add(one)
            people.append((*one, rng.choice(INSTRUMENTS), ""))
    rng.shuffle(people)
    style = rng.choice(("s{:04d}", "{:05d}", "2026-{:03d}", "VA{:02d}x"))
    start = rng.randrange(1, 9) * 1000 if style == "{:05d}" else 1
    return [
        Student(style.format(start + number), name, first, instrument, f"Period {number % 4 + 1}",
                nickname=nick)
        for number, (first, name, instrument, nick) in enumerate(people)
    ]  # fmt: skip


def spell(student: Student, students: list[Student], rng: random.Random) -> Spelling:
    """One way in which this student's recording may be named."""
    kind = rng.choices(
        ("full", "joined", "id", "nick", "folder", "typo", "one", "initial"),
        (40, 12, 12, 4, 14, 6, 6, 6),
    )[0]
    if kind == "nick" and not student.nickname:
        kind = "full"
    given, family = student.given_name, student.family_name
    names = {given, family}  # also James Kim and Kim James: no order tells them apart
    namesake = sum({s.given_name, s.family_name} == names for s in students) > 1
    # "mark bass" may as well be another Mark and his bass.
    bass = family == "Bass" and sum(s.given_name == given for s in students) > 1
    stem, decidable = "", not (namesake or bass)
    if kind == "id":
        stem, decidable = _with_id(student, rng), True
    elif kind == "one":
        stem, decidable = rng.choice((given, family)), False
    elif kind == "initial":
        stem, decidable = rng.choice((f"{given[0]} {family}", f"{given} {family[0]}")), False
    elif kind == "typo":
        stem, decidable = _order(given, _slip(family, rng), rng), False
    else:
        if kind == "nick":
            given = rng.choice(student.nickname.split(";")).strip()
        stem = _order(given, family, rng)
    stem = _letters(stem, rng, joined=kind == "joined")
    if namesake and not decidable and rng.random() < 0.6:
        stem, decidable = f"{stem} {student.instrument}", kind in ("full", "nick")
    if kind == "folder":
        inner = rng.choice(("video", "IMG_0412", "VID_20260305_171502", "recording 3", "tuning"))
        folder = _dress(stem, rng, student.instrument, True)
        file = f"{rng.choice(('', f'{student.section}/', 'week 3/'))}{folder}/{inner}"
    else:
        file = _dress(stem, rng, student.instrument, kind != "one")
        if rng.random() < 0.15:
            file = f"{rng.choice(('Week 3', 'violins', 'export.zip', 'Tuning homework'))}/{file}"
    if rng.random() < 0.1:
        file = unicodedata.normalize("NFD", file)
    return Spelling(f"{file}.{rng.choice(('mov', 'mp4', 'm4a', 'MOV', 'webm'))}",
                    student.student_id, decidable, kind)  # fmt: skip


def outsider(students: list[Student], rng: random.Random) -> Spelling:
    """A recording of nobody on the roster; it may share a family or a given name with someone."""
    given, family = rng.choice(OUTSIDE_GIVEN), rng.choice(OUTSIDE_FAMILY)
    kind = rng.choice(("stranger", "sibling", "same given", "no name"))
    someone = rng.choice(students)
    if kind == "sibling":
        family = someone.family_name
    elif kind == "same given":
        given = someone.given_name
    stem = _letters(_order(given, family, rng), rng, joined=rng.random() < 0.2)
    if kind == "no name":
        stem = rng.choice(NO_NAMES)
    return Spelling(
        _dress(stem, rng, rng.choice(INSTRUMENTS), kind != "no name") + ".mp4", None, False, kind
    )


def _order(given: str, family: str, rng: random.Random) -> str:
    return rng.choice((f"{given} {family}", f"{family} {given}", f"{family}, {given}"))


def _with_id(student: Student, rng: random.Random) -> str:
    name = rng.choice(("", student.given_name, f"{student.given_name} {student.family_name}"))
    parts = [part for part in (student.student_id, name) if part]
    if rng.random() < 0.3:
        parts.reverse()
    return " ".join(parts)


def _letters(text: str, rng: random.Random, joined: bool) -> str:
    """Accents kept, dropped or spelled out; capitals; separators or none."""
    how = rng.random()
    if how < 0.4:
        text = _without_accents(text)
    elif how < 0.5:
        spelled: dict[str, str | int | None] = {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"}
        spelled |= {"Ä": "Ae", "Ö": "Oe", "Ü": "Ue"}
        text = text.translate(str.maketrans(spelled))
    how = rng.random()
    if joined and how < 0.5:
        return "".join(word[:1].upper() + word[1:] for word in text.replace(",", "").split())
    text = text.lower() if how < 0.4 else text.upper() if how < 0.5 else text
    if joined:
        return text.replace(",", "").replace(" ", "")
    separator = rng.choice((" ", " ", "_", "-", ".", "__", " - "))
    return text.replace(", ", rng.choice((", ", "_", separator))).replace(" ", separator)


def _without_accents(text: str) -> str:
    others: dict[str, str | int | None] = {"ø": "o", "Ø": "O", "ł": "l", "ß": "ss", "ı": "i"}
    plain = text.translate(str.maketrans(others | {"đ": "d", "Đ": "D"}))
    plain = unicodedata.normalize("NFKD", plain)
    return "".join(c for c in plain if not unicodedata.combining(c))


def _dress(stem: str, rng: random.Random, instrument: str, platform: bool) -> str:
    """What platforms, phones and students put around a name."""
    gap = rng.choice((" ", "_", "-", " - "))
    words = rng.choice(SPELT_FILES).format(instrument)
    if words:
        stem = rng.choice((f"{stem}{gap}{words}", f"{words}{gap}{stem}"))
    if platform and rng.random() < 0.35:
        stem = rng.choice(
            (
                f"{stem}_{rng.randrange(10**6, 10**8)}_assignsubmission_file_",
                f"{rng.randrange(10, 99)}-{rng.randrange(10**6)} - {stem} - Mar 5, 2026 605 PM",
                f"2026-03-05-17-02-11_{stem}",
                f"{stem}_{rng.getrandbits(64):016x}",
                f"{stem} {rng.getrandbits(32):08x}-1a2b-4c3d-9e8f-{rng.getrandbits(48):012x}",
                f"{stem}_late_{rng.randrange(10**6, 10**7)}_{rng.randrange(10**6, 10**7)}",
            )
        )
    return stem + rng.choice(("", "", "", " (1)", " copy", " - Copy", "_final", " 2", " FINAL"))


def _slip(name: str, rng: random.Random) -> str:
    """The name with one letter swapped, lost, doubled or wrong."""
    if len(name) < 4:
        return name
    at = rng.randrange(1, len(name) - 1)
    return rng.choice(
        (
            name[: at - 1] + name[at] + name[at - 1] + name[at + 1 :],
            name[:at] + name[at + 1 :],
            name[:at] + name[at] + name[at:],
            name[:at] + rng.choice("aeioubdgklmnrst") + name[at + 1 :],
        )
    )
