"""Names as they stand in file names: words, spellings that mean the same, slips of the pen."""

from __future__ import annotations

import contextlib
import functools
import os
import re
import unicodedata
import urllib.parse

from pegmark.receive.strays import EXTENSIONS

# Words that file names carry beside names; they are no sign of another student.
_USUAL = """
a all an and as assignment assignsubmission at attempt audio bow bowed by camera check class clip
copy copia corrected daily date day de del done draft early edit edited en exercise export failed
file files final finished first fixed for from full good group hd her here high his homework hw
i id image img in instrument instruments is it kopie la last late latest lesson long low media
memo mine mp mov movie music my name new newest no note number of ok okay old on one online
onlinetext open orchestra original part peg pegs period phone piece pitch play played playing
please plucked practice pupil re real really rec record recorded recording redo reduced replay
resend resubmission resubmit retake sample save saved school sec second section send sent short
solo sound st start string strings student students submission submissions submit submitted
take task task1 teacher test th the third this to try tune tuned tuner tuning two three four
unit untitled up upload uploaded ver version vid video videos view voice week wk with work year
mr mrs ms miss dr nd rd
art bill do flat grade key mark marks notes pat scale sharp song songs will
monday tuesday wednesday thursday friday saturday sunday mon tue wed thu fri sat sun
january february march april may june july august september october november december
jan feb mar apr jun jul aug sep sept oct nov dec am pm
afinacion afinar afinando semana tarea clase grupo grabacion entrega intento toma nuevo nueva
lunes martes miercoles jueves viernes sabado domingo enero febrero marzo abril mayo junio julio
agosto septiembre octubre noviembre diciembre el mi cuerda cuerdas orquesta
stimmen stimmung gestimmt woche aufgabe aufnahme neu neue mein meine kopf von und datei klasse
accord accorder semaine devoir enregistrement nouveau ma mon essai copie
"""
_PARTICLES = """
al bin bint da das de degli dei del della den der des di do dos du el ibn la las le los mac mc
of san santa st ter ten van vom von vonder y zu zum zur jr sr ii iii iv
"""
USUAL = frozenset(_USUAL.split())
PARTICLES = frozenset(_PARTICLES.split())
JOINING = frozenset({"and", "et", "und", "with"})  # two people in one recording
_SPECIAL = str.maketrans(
    {"ß": "ss", "ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i"}
)
UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa", "ø": "oe"})
_WORD = re.compile(r"[^\W\d_]+|\d+")
_CAMEL = re.compile(r"(?<=[a-zß-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ])|(?<=[A-ZÀ-ÖØ-Þ])(?=[A-ZÀ-ÖØ-Þ][a-zß-öø-ÿ])")


def repair(text: str) -> str:
    r"""A name as it was meant: ``%C3%AD``, ``#U00ed``, ``\xed`` and UTF-8 read as a code page."""
    if re.search(r"%[0-9A-Fa-f]{2}", text):
        text = urllib.parse.unquote(text)
    text = re.sub(r"#U([0-9A-Fa-f]{4})", lambda m: chr(int(m[1], 16)), text)
    text = re.sub(r"\\x([0-9a-f]{2})", lambda m: bytes([int(m[1], 16)]).decode("latin-1"), text)
    text = unicodedata.normalize("NFC", text)
    for page in ("cp1252", "mac_roman", "cp437", "latin-1"):
        with contextlib.suppress(UnicodeError):
            again = text.encode(page).decode("utf-8")
            if again != text:
                return unicodedata.normalize("NFC", again)
    return text


def path_levels(file: str) -> list[str]:
    """The file's name without its ending, then its folders from the inside out."""
    *folders, name = file.split("/")
    stem, suffix = os.path.splitext(name)
    if os.path.splitext(stem)[1][1:].lower() in EXTENSIONS:  # "take.mov.mp4"
        stem = os.path.splitext(stem)[0]
    stem = stem if suffix[1:].isalnum() else name
    return [stem, *(re.sub(r"\.zip$", "", f, flags=re.IGNORECASE) for f in reversed(folders))]


def plain(text: str) -> str:
    """Lower case without accents or apostrophes."""
    text = unicodedata.normalize("NFKD", text.casefold().translate(_SPECIAL))
    return "".join(c for c in text if not unicodedata.combining(c) and c not in "'’‘`´ʼ")


def name_words(text: str) -> list[str]:
    """The words of a text, plain; capitals inside a word and digits begin a new one."""
    text = re.sub(r"(?<=\w)['’]s\b", "", text)  # Ana's video
    text = _CAMEL.sub(" ", unicodedata.normalize("NFC", text))
    return _WORD.findall(plain(text))


def is_parted(name: str) -> bool:
    """Whether a name can fall apart in a file name: by signs in it, or by letters beyond ASCII."""
    return not (name.isascii() and name.replace(" ", "").isalpha())


def joined_words(text: str) -> str:
    return "".join(name_words(text))


@functools.lru_cache(maxsize=4096)
def name_forms(name: str) -> frozenset[str]:
    """The plain spellings of a given or family name: the whole, and each word that can stand
    alone; with ä as a and as ae, and with letters beyond ASCII lost."""
    forms: set[str] = set()
    name = unicodedata.normalize("NFC", name).casefold()
    for spelling in (name, name.translate(UMLAUTS)):
        words = _WORD.findall(plain(spelling))
        solid = [word for word in words if word not in PARTICLES]
        forms.update(word for word in solid if len(word) >= 2 and word.isalpha())
        forms.update(("".join(words), "".join(solid)))
    lost = ["".join(c for c in word if c.isascii()) for word in re.findall(r"[^\W\d_]+", name)]
    forms.update(word for word in (*lost, "".join(lost)) if len(word) >= 3)
    return frozenset(form for form in forms if len(form) >= 2 or not form.isascii())


def is_one_slip(word: str, name: str, inside: bool = False) -> bool:
    """Whether `word` is `name` with one letter wrong, lost, added or swapped (two from 9 letters).

    With `inside`, first and last letter must stand: Mario is not a slip of Maria.
    """
    if word == name or len(word) < 4 or len(name) < 4 or abs(len(word) - len(name)) > 2:
        return False
    if inside and (word[0] != name[0] or word[-1] != name[-1]):
        return False
    from rapidfuzz.distance import OSA

    allowed = 2 if min(len(word), len(name)) >= 9 else 1
    return OSA.distance(word, name, score_cutoff=allowed) <= allowed
