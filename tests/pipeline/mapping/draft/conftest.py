"""Exports made from canonical records: translated, with other notations and headers, as practices would write them."""

from __future__ import annotations

import csv
import io
import random
import tomllib
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

HERE = Path(__file__).parent
SMALL = Path(__file__).resolve().parents[4] / "demo_data" / "small"
LANGUAGES = ("en", "de", "fr", "es", "it", "pl")

WORDS = tomllib.loads((HERE / "local_words.toml").read_text(encoding="utf-8"))
HELD_OUT = tomllib.loads((HERE / "held_out.toml").read_text(encoding="utf-8"))

DATES = {
    "en": ("%m/%d/%Y", "%d/%m/%Y", "%Y-%m-%d", "%m-%d-%Y"),
    "de": ("%d.%m.%Y", "%d.%m.%y", "%d.%m.%Y"),
    "fr": ("%d/%m/%Y", "%d/%m/%y"),
    "es": ("%d/%m/%Y", "%d-%m-%Y"),
    "it": ("%d/%m/%Y", "%d.%m.%Y"),
    "pl": ("%d.%m.%Y", "%Y-%m-%d", "%Y/%m/%d"),
}
# Columns of no interest that stand in many exports: their headers, and what is in them.
OTHERS = {
    "en": {"Surname": "name", "First name": "name", "Phone": "phone", "Invoice": "money", "Insurer": "word"},
    "de": {"Nachname": "name", "Vorname": "name", "Telefon": "phone", "Rechnungsbetrag": "money", "Kasse": "word"},
    "fr": {"Nom": "name", "Prénom": "name", "Téléphone": "phone", "Montant": "money", "Mutuelle": "word"},
    "es": {"Apellidos": "name", "Nombre": "name", "Teléfono": "phone", "Importe": "money", "Aseguradora": "word"},
    "it": {"Cognome": "name", "Nome": "name", "Telefono": "phone", "Importo": "money", "Assicurazione": "word"},
    "pl": {"Nazwisko": "name", "Imię": "name", "Telefon": "phone", "Kwota": "money", "Ubezpieczyciel": "word"},
}
# Worse ones: their words or their cells are like those of columns of ours.
TRAPS = {
    "en": "Date of birth,Referring dentist,Tooth surface,Anaesthetic (ml),Invoice no.,Next appointment,Policy no.,"
    "Consent signed,Entered,Room temperature",
    "de": "Geb.-Datum,Überweisender Zahnarzt,Zahnfläche,Anästhetikum (ml),Rechnungs-Nr.,Nächster Termin am,Vers.-Nr.,"
    "Einwilligung liegt vor,Erfasst,Raumtemperatur",
    "fr": "Né(e) le,Dentiste adresseur,Face de la dent,Anesthésique (ml),Facture n°,Prochain RDV,N° assuré,"
    "Consentement signé,Saisie,Température de la salle",
    "es": "Nacimiento,Dentista remitente,Cara del diente,Anestésico (ml),Factura núm.,Cita siguiente,N° póliza,"
    "Consentimiento firmado,Introducido,Temperatura de la sala",
    "it": "Nato/a il,Dentista inviante,Superficie del dente,Anestetico (ml),Fattura n.,Appuntamento successivo,"
    "N. polizza,Consenso firmato,Inserimento,Temperatura della sala",
    "pl": "Ur. dnia,Lekarz kierujący,Powierzchnia zęba,Środek znieczulający (ml),Faktura nr,Kolejna wizyta,Nr polisy,"
    "Zgoda podpisana,Wprowadzono,Temperatura gabinetu",
}
SORTS = ("birthday", "name", "surface", "ml", "number", "day", "number", "yes", "moment", "degrees")
NAMES = ("Abel", "Berta", "Carlo", "Dora", "Emil", "Frieda", "Gustav", "Hanna", "Igor", "Jana", "Karol", "Lena")
DAY_AND_TIMES = {  # one column of days, and times of day: visits
    "en": ("Date", "From", "To"),
    "de": ("Datum", "Von", "Bis"),
    "fr": ("Date", "Heure de début", "Heure de fin"),
    "es": ("Fecha", "Hora de inicio", "Hora de fin"),
    "it": ("Data", "Ora di inizio", "Ora di fine"),
    "pl": ("Data", "Godzina rozpoczęcia", "Godzina zakończenia"),
}
UNIVERSAL = {
    str(fdi): str(number)
    for number, fdi in enumerate([*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)], start=1)
}


UNIVERSAL |= {
    str(fdi): letter
    for letter, fdi in zip(
        "ABCDEFGHIJKLMNOPQRST",
        [*range(55, 50, -1), *range(61, 66), *range(75, 70, -1), *range(81, 86)],
        strict=True,
    )
}


@dataclass
class Made:
    """An export and what is true of it."""

    kind: str
    language: str
    header: list[str]
    rows: list[list[str]]
    truth: dict[str, tuple[str, ...]]  # our column -> its headers
    settings: dict[str, dict[str, object]] = field(default_factory=dict)  # our column -> what a mapping must say

    def text(self, delimiter: str = ";") -> str:
        out = io.StringIO()
        writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
        writer.writerow(self.header)
        writer.writerows(self.rows)
        return out.getvalue()


def records(kind: str) -> list[dict[str, str]]:
    """The canonical records of the small set."""
    with (SMALL / f"{kind}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def word(language: str, kind: str, column: str, text: str) -> str:
    """A word of ours as practices of a language write it."""
    lists = (WORDS.get(f"{language}.{kind}.{column}"), WORDS.get(language, {}).get(column))
    return next((found[text] for found in lists if found and text in found), text)


def listed(kind: str, column: str) -> bool:
    return f"de.{kind}.{column}" in WORDS or column in WORDS["de"]


def typo(text: str, dice: random.Random) -> str:
    """A header with one slip of the finger in its longest word."""
    longest = max(text.split(), key=len)
    if len(longest) < 6:
        return text
    at = dice.randrange(1, len(longest) - 1)
    slips = (
        longest[:at] + longest[at + 1 :],
        longest[:at] + longest[at] + longest[at:],
        longest[:at] + longest[at + 1] + longest[at] + longest[at + 2 :],
        longest[:at] + dice.choice("aeinrst") + longest[at + 1 :],
    )
    return text.replace(longest, dice.choice(slips))


def dressed(text: str, unit: str, dice: random.Random) -> str:
    """A header as systems dress it: capitals, underscores, no diacritics, a unit in brackets."""
    if unit and dice.random() < 0.7:
        text = f"{text} {dice.choice(('[{}]', '({})', '{}')).format(unit)}"
    way = dice.randrange(6)
    if way == 0:
        text = text.upper() if "ß" not in text else text
    elif way == 1:
        text = text.lower()
    elif way == 2:
        text = "_".join(text.split())
    elif way == 3:
        text = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
        text = text.replace("ł", "l").replace("Ł", "L")
    return text


def headers_of(kind: str, column: str, language: str, how: str, dice: random.Random) -> str:
    """A header for a column: `how` is known (from the vocabulary), misspelt, or held out."""
    from pipeline.mapping.draft.headers import vocabulary

    if how == "held out":
        for name in (f"{kind}.{column}", column):
            if name in HELD_OUT:
                return str(dice.choice(HELD_OUT[name][language]))
    terms = vocabulary()
    for name in (f"{kind}.{column}", column):
        found = sorted({t.text for t in terms if t.column == name and t.language == language})
        if found:
            text = dice.choice(found)
            return typo(text, dice) if how == "misspelt" else text
    raise KeyError(column)


def make(kind: str, language: str, how: str, seed: int, *, whole: bool = False) -> Made:
    """An export of one kind with random columns, order and notations. `how` its headers are drawn: see headers_of.

    `whole`: with every record and every filled column, and nothing lost by rounding.
    """
    from pipeline.records import KINDS

    dice = random.Random(f"{kind} {language} {how} {seed}")
    rows = records(kind)
    if len(rows) > 40 and not whole:
        rows = rows[: dice.randrange(40, len(rows) + 1)]
    day = dice.choice(DATES[language])
    clock = "%H:%M:%S" if whole else dice.choice(("%H:%M", "%H:%M:%S"))
    comma = language != "en"
    joined = kind == "visits" and dice.random() < 0.3
    columns = [
        c
        for c in KINDS[kind].columns
        if (whole or dice.random() < (0.97 if c.required else 0.7)) and any(row.get(c.name) for row in rows)
    ]
    made: list[tuple[tuple[str, ...], str, list[str]]] = []  # headers, our column, cells
    truth: dict[str, tuple[str, ...]] = {}
    settings: dict[str, dict[str, object]] = {}
    taken: set[str] = set()

    def head(column: str, unit: str = "") -> str:
        for _ in range(50):
            text = dressed(headers_of(kind, column, language, how, dice), unit, dice)
            if text not in taken:
                break
        taken.add(text)
        return text

    def number(text: str) -> str:
        return text.replace(".", ",") if comma else text

    def moment(text: str, form: str) -> str:
        import datetime as dt

        return dt.datetime.fromisoformat(text).strftime(form) if text else ""

    if joined:
        date, start, stop = DAY_AND_TIMES[language]
        taken |= {date, start, stop}
        made.append(((date,), "", [moment(row["seated_at"], day) for row in rows]))
        for column, text in (("seated_at", start), ("left_at", stop)):
            made.append(((text,), column, [moment(row[column], clock) for row in rows]))
            truth[column] = (date, text)
            settings[column] = {"format": _iso(f"{day} {clock}")}
    for of in columns:
        cells = [row[of.name] for row in rows]
        said: dict[str, object] = {}
        unit = ""
        if joined and of.name in ("seated_at", "left_at"):
            continue
        if of.type == "date":
            cells, said = [moment(c, day) for c in cells], {"format": _iso(day)}
        elif of.type == "timestamp":
            cells, said = [moment(c, f"{day} {clock}") for c in cells], {"format": _iso(f"{day} {clock}")}
        elif of.type == "bool":
            cells = [WORDS.get(language, {}).get(c, c) for c in cells]
        elif of.name == "tooth":
            way = dice.choice(("fdi", "fdi", "universal", "palmer"))
            if way == "universal":
                cells = [UNIVERSAL[c] for c in cells]
            elif way == "palmer":
                cells = [_quadrant(c) for c in cells]
            said = {"notation": way}
        elif of.name in ("taper", "final_taper"):
            way = dice.choice(("0.04", "4", "4 %", ".04"))
            cells = [_taper(c, way, comma) for c in cells]
            if way == "4":
                said = {"unit": "percent"}
        elif of.name in ("working_length_mm", "length_mm"):
            unit, factor = dice.choice((("mm", 1), ("mm", 1), ("cm", 0.1), ("1/10 mm", 10)))
            cells = [number(f"{float(c) * factor:.4g}") if c else "" for c in cells]
            said = {"unit": {"mm": None, "cm": "cm", "1/10 mm": "0.1 mm"}[unit]}
        elif of.name == "seconds":
            if dice.random() < 0.4:
                cells, said = (
                    [f"{int(float(c)) // 60:02}:{int(float(c)) % 60:02}" if c else "" for c in cells],
                    {"unit": "mm:ss"},
                )
            else:
                unit = "s"
        elif of.name == "torque_ncm":
            unit = "Ncm" if whole else dice.choice(("Ncm", "Ncm", "gcm"))
            if unit == "gcm":
                cells, said = [number(f"{float(c) / 0.00980665:.0f}") if c else "" for c in cells], {"unit": "gcm"}
            else:
                cells = [number(c) for c in cells]
        elif of.type in ("decimal", "int"):
            cells = [number(c) for c in cells]
            unit = of.name.rsplit("_", 1)[-1] if of.name.endswith(("_mm", "_ml")) else ""
        elif listed(kind, of.name):
            cells = [word(language, kind, of.name, c) for c in cells]
        text = head(of.name, unit)
        made.append(((text,), of.name, cells))
        truth[of.name] = (text,)
        settings[of.name] = said
    for text, sort in OTHERS[language].items():
        if text not in taken and dice.random() < 0.35:
            made.append(((text,), "", [_other(sort, comma, dice) for _ in rows]))
    for text, sort in zip(TRAPS[language].split(","), SORTS, strict=True):
        if text not in taken and dice.random() < 0.25:
            made.append(((text,), "", [_trap(sort, language, day, clock, dice) for _ in rows]))
    if dice.random() < 0.5:
        dice.shuffle(made)
    header = [names[0] for names, _, _ in made]
    return Made(
        kind, language, header, [list(cells) for cells in zip(*(c for _, _, c in made), strict=True)], truth, settings
    )


def _quadrant(fdi: str) -> str:
    quadrant, place = int(fdi[0]), fdi[1]
    return ("UR", "UL", "LL", "LR")[(quadrant - 1) % 4] + (place if quadrant < 5 else "ABCDE"[int(place) - 1])


def _iso(form: str) -> str:
    return "iso" if form.startswith("%Y-%m-%d") else form


def _taper(text: str, way: str, comma: bool) -> str:
    if not text:
        return ""
    percent = f"{float(text) * 100:.4g}"
    found = {"0.04": text, ".04": text.removeprefix("0"), "4": percent, "4 %": f"{percent} %"}[way]
    return found.replace(".", ",") if comma else found


def _other(sort: str, comma: bool, dice: random.Random) -> str:
    if sort == "name":
        return dice.choice(NAMES)
    if sort == "phone":
        return f"0{dice.randrange(100, 999)} {dice.randrange(10**5, 10**7)}"
    if sort == "money":
        text = f"{dice.randrange(20, 900)}.{dice.randrange(100):02}"
        return text.replace(".", ",") if comma else text
    return dice.choice(("A", "B", "private", "none"))


def _trap(sort: str, language: str, day: str, clock: str, dice: random.Random) -> str:
    import datetime as dt

    some = dt.datetime(2023, 7, 1, 8) + dt.timedelta(minutes=dice.randrange(10**6))
    if sort == "birthday":
        return (some - dt.timedelta(days=dice.randrange(5000, 30000))).strftime(day)
    if sort in ("name", "number"):
        return dice.choice(NAMES) if sort == "name" else str(dice.randrange(10**5, 10**7))
    if sort == "surface":
        return dice.choice(("MOD", "OD", "M", "D", "B"))
    if sort == "yes":
        return str(WORDS.get(language, {"true": "yes"})["true"])
    if sort == "ml":
        return dice.choice(("1", "2", "1.7" if language == "en" else "1,7"))
    if sort == "degrees":
        return str(dice.randrange(18, 26))
    return some.strftime(day if sort == "day" else f"{day} {clock}")


@pytest.fixture
def made() -> Callable[..., Made]:
    """made(kind, language, how, seed) -> an export of that kind: see `make`."""
    return make
