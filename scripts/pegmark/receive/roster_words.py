"""Words of class lists: their headers in six languages, yes and no, languages by name.

Headers as schools' exports have them (common practice, no source), the surest first; compared
without case, accents and signs, see `pegmark.trade.instruments.fold`.
"""

from __future__ import annotations

import re
from itertools import product

_FAMILY = (
    *("last name", "lastname", "surname", "family", "last", "student last name"),
    *("nachname", "familienname", "zuname"),
    *("apellidos", "apellido", "nom de famille", "nom", "cognome", "achternaam", "sobrenome"),
)
_GIVEN = (
    *("first name", "firstname", "forename", "given", "first", "student first name"),
    *("given names", "first names", "forenames", "vorname", "vornamen", "nombre", "nombres"),
    *("nombre de pila", "prenom", "prenoms", "nome", "nomi", "voornaam", "voornamen"),
)
_BETWEEN = ("", "and", "und", "y", "e", "et", "en")


def _joined(first: tuple[str, ...], then: tuple[str, ...]) -> tuple[str, ...]:
    """'nachname, vorname' and the like: one header over whole names."""
    return tuple(" ".join(f"{a} {w} {b}".split()) for a, b, w in product(first, then, _BETWEEN))


ROSTER_FIELDS: dict[str, tuple[str, ...]] = {
    "student_id": (
        *("student number", "student no", "student nr", "pupil id", "pupil number", "pupil no"),
        *("learner id", "school id", "id", "id number", "number", "no", "nr", "n o"),
        *("schuelernummer", "schülernummer", "schülernr", "schüler nr", "schüler id"),
        *("matrikelnummer", "kennung", "nummer", "numero de matricula", "matricula", "numero"),
        *("identificador", "identificacion", "numero d'eleve", "numero eleve", "n eleve"),
        *("identifiant", "ine", "matricola", "codice", "codice studente", "leerlingnummer"),
        *("leerlingnr", "stamnummer", "studentnummer", "user id", "username", "user name"),
        *("login", "benutzername", "usuario", "utilisateur", "utente", "gebruikersnaam"),
    ),
    "family_name": _FAMILY,
    "family_name_2": ("segundo apellido", "apellido 2", "second surname", "apellido materno"),
    "family_prefix": ("tussenvoegsel", "tussenvoegsels", "voorvoegsel", "namenszusatz"),
    "given_name": _GIVEN,
    "given_name_2": (
        *("middle name", "middle names", "second name", "middle", "given name 2"),
        *("first name 2", "forename 2", "vorname 2", "zweiter vorname", "weitere vornamen"),
        *("segundo nombre", "nombre 2", "prenom 2", "deuxieme prenom", "autres prenoms"),
        *("secondo nome", "nome 2", "tweede voornaam", "voornaam 2"),
    ),
    "family_then_given": _joined(("family name", *_FAMILY), ("given name", *_GIVEN)),
    "given_then_family": _joined(("given name", *_GIVEN), ("family name", *_FAMILY)),
    "full_name": (
        *("student name", "name", "student", "pupil", "pupil name", "nombre completo", "alumno"),
        *("alumna", "alumno a", "estudiante", "schüler", "schülerin", "schüler in", "eleve"),
        *("nom complet", "alunno", "studente", "nome completo", "naam", "leerling"),
        *("naam leerling", "volledige naam"),
    ),
    "instrument": (
        *("instr", "inst", "instruments", "instrumente", "instrumento", "strumento"),
        *("plays", "stimme", "cuerda", "pupitre"),
    ),
    "section": (
        *("class", "class name", "group", "period", "part", "ensemble", "orchestra"),
        *("seccion", "grupo", "clase", "curso", "klasse", "gruppe", "kurs", "classe", "groupe"),
        *("gruppo", "sezione", "klas", "groep"),
    ),
    "email": (
        *("e-mail", "mail", "email address", "e-mail address", "emails", "student email"),
        *("parent email", "guardian email", "family email", "correo", "correo electronico"),
        *("e-mail-adresse", "mailadresse", "emailadresse", "courriel", "mel", "adresse e-mail"),
        *("adresse mail", "posta elettronica", "indirizzo e-mail", "e-mailadres", "mailadres"),
    ),
    "nickname": (
        *("nick name", "preferred name", "known as", "goes by", "apodo", "rufname", "spitzname"),
        *("prenom usuel", "prenom d'usage", "surnom", "soprannome", "roepnaam"),
    ),
    "language": ("home language", "lang", "idioma", "sprache", "langue", "lingua", "taal"),
    "due": (
        *("due date", "deadline", "extension", "own due date", "abgabe", "abgabetermin", "frist"),
        *("fecha limite", "fecha de entrega", "plazo", "date limite", "echeance", "scadenza"),
        *("inleverdatum", "uiterste datum"),
    ),
    "excused": (
        *("excuse", "exempt", "exento", "justificado", "befreit", "entschuldigt", "dispense"),
        *("excuse e", "esonerato", "giustificato", "vrijgesteld", "geoorloofd afwezig"),
    ),
}
# One name of two columns each: what is read as a first column when it stands alone.
FIRST_OF_TWO: dict[str, tuple[str, ...]] = {
    "family_name": ("primer apellido", "apellido 1", "first surname", "apellido paterno"),
    "given_name": (
        *("given name 1", "first name 1", "forename 1", "vorname 1", "erster vorname"),
        *("primer nombre", "nombre 1", "prenom 1", "primo nome", "nome 1"),
        *("eerste voornaam", "voornaam 1"),
    ),
}
ROSTER_FIELDS |= {name: (*ROSTER_FIELDS[name], *more) for name, more in FIRST_OF_TWO.items()}

# Which part of an instrument somebody plays, as it stands beside the instrument's folded name:
# '1 geige', '2e viool', 'violine ii', 'primer violin'.
_ORDINAL = (
    r"(?:[1-4](?:st|nd|rd|th|er|ere|re|eme|e|o|a)?|i{1,3}|iv|first|second|third|erste|zweite|"
    r"dritte|primer|primero|segundo|tercer|premier|premiere|second|seconde|deuxieme|primo|"
    r"secondo|terzo|eerste|tweede|derde)"
)
ROSTER_PART = re.compile(rf"^{_ORDINAL} | {_ORDINAL}$")
_YES = """
yes y x true 1 excused exempt si ja oui ✓ ✔ ☑ befreit entschuldigt exento dispense esonerato
vrijgesteld
"""
ROSTER_YES = frozenset(_YES.split())
NO = frozenset({"", "no", "n", "false", "0", "nein", "non", "nee", "none"})
NO_ENTRY = frozenset({"", "none", "n/a", "na", "?", "/", "keine", "ninguno", "aucun", "geen"})
LANGUAGES = {
    "en": ("english", "ingles", "anglais", "englisch", "inglese", "engels"),
    "es": ("spanish", "espanol", "castellano", "spanisch", "espagnol", "spagnolo", "spaans"),
}
