"""How like a header of an export is to the words that practices use for a column of ours.

Words are compared without capitals, diacritics, punctuation and units. Two headers are alike as far as their words are,
each word weighing by how telling it is: "date" stands in many columns, "curvature" in few.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from pipeline.store.records import KINDS

FOREIGN = 0.93  # a word of another language than most of the header's counts for a little less
LANGUAGES = ("en", "de", "fr", "es", "it", "pl")

_LETTERS = str.maketrans({"ł": "l", "ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "đ": "d", "Ł": "L", "'": " ", "’": " "})
_UMLAUTS = str.maketrans(dict(zip("äöüÄÖÜ", ("ae", "oe", "ue", "Ae", "Oe", "Ue"), strict=True)))
_NUMBER = frozenset(
    [
        "nr",
        "no",
        "n",
        "num",
        "nro",
        "number",
        "numbers",
        "nummer",
        "numero",
        "numer",
        "id",
        "ids",
        "ident",
        "identifiant",
        "code",
        "kod",
        "codice",
        "codigo",
        "lp",
    ]
)
_SMALL = frozenset(
    [
        "of",
        "the",
        "a",
        "an",
        "on",
        "at",
        "in",
        "by",
        "for",
        "to",
        "is",
        "de",
        "du",
        "des",
        "d",
        "la",
        "le",
        "les",
        "l",
        "del",
        "el",
        "los",
        "di",
        "della",
        "dello",
        "dell",
        "il",
        "lo",
        "da",
        "der",
        "die",
        "das",
        "dem",
        "den",
        "am",
        "um",
        "von",
        "des",
        "zum",
        "zur",
        "im",
        "et",
        "und",
        "y",
        "e",
        "i",
        "w",
        "z",
        "na",
        "do",
        "od",
        "po",
        "en",
        "au",
        "aux",
        "con",
        "mit",
        "avec",
    ]
)
_NUMBER_WEIGHT, _SMALL_WEIGHT = 0.3, 0.15
_ALIKE = 0.75  # from here on two words may be the same word, misspelt or inflected

# How a unit is written in a header -> our name of it. In brackets, or as the last word.
_UNITS = {
    "mm": "mm",
    "0.1 mm": "0.1 mm",
    "0,1 mm": "0.1 mm",
    "1/10 mm": "0.1 mm",
    "cm": "cm",
    "inch": "inch",
    "inches": "inch",
    "zoll": "inch",
    "pouces": "inch",
    "ncm": "Ncm",
    "n cm": "Ncm",
    "nmm": "Nmm",
    "n mm": "Nmm",
    "mnm": "mNm",
    "gcm": "gcm",
    "g cm": "gcm",
    "s": "seconds",
    "sec": "seconds",
    "sek": "seconds",
    "seg": "seconds",
    "min": "minutes",
    "ms": "milliseconds",
    "h": "hours",
    "mm:ss": "mm:ss",
    "hh:mm:ss": "hh:mm:ss",
    "hh:mm": "hh:mm",
    "%": "percent",
    "mm/mm": "mm/mm",
    "ml": "ml",
    "cl": "cl",
    "rpm": "rpm",
    "u/min": "rpm",
    "1/min": "rpm",
    "tr/min": "rpm",
    "giri/min": "rpm",
    "obr/min": "rpm",
    "1/s": "1/s",
    "°": "",
    "deg": "",
    "grad": "",
    "€": "",
    "eur": "",
    "$": "",
    "usd": "",
    "zł": "",
    "pln": "",
    "chf": "",
    "£": "",
}
_UNIT_WORDS = {  # a word of the header that says the unit by itself, and stays part of the name
    "minutes": ["minutes", "minuten", "minutos", "minuti", "minuty"],
    "seconds": ["seconds", "sekunden", "secondes", "segundos", "secondi", "sekundy"],
    "percent": ["percent", "prozent", "pourcent", "porcentaje", "percento", "procent"],
}
_BRACKETS = re.compile(r"[(\[{]([^)\]}]*)[)\]}]")


@dataclass(frozen=True)
class Term:
    """One way of heading a column: its language ("" for our own name), as written, and as compared."""

    column: str  # "kind.column" or "column"
    language: str
    text: str
    words: tuple[str, ...]


@dataclass(frozen=True)
class Likeness:
    """How like a header is to a column of ours (0..1), and to which of its words most."""

    score: float
    term: str


def plain(text: str) -> tuple[str, ...]:
    """The words of a text as they are compared: small letters without diacritics; number words are all "nr"."""
    text = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ][a-zà-ÿ])", " ", text)  # workingLength
    text = unicodedata.normalize("NFKD", text.translate(_LETTERS).replace("°", " ").replace("º", " "))
    text = "".join(c for c in text.casefold().replace("ß", "ss") if not unicodedata.combining(c))
    words = re.findall(r"[a-z]+|\d+", text.translate(_LETTERS))
    return tuple("nr" if word in _NUMBER else word for word in words)


def unit(header: str) -> str | None:
    """The unit that a header names; None where it names none."""
    header = header.strip().casefold().replace("·", "").replace("*", "")
    written = [inside.strip() for inside in _BRACKETS.findall(header)]
    spaced = re.sub(r"[_\s]+", " ", _BRACKETS.sub(" ", header)).strip()
    written += [" ".join(spaced.split(" ")[-n:]) for n in (2, 1) if len(spaced.split(" ")) > n]
    written += [text.removeprefix("in ") for text in written]
    for text in written:
        if text in _UNITS:
            return _UNITS[text] or None
    words = set(plain(header))
    return next((name for name, meant in _UNIT_WORDS.items() if words.intersection(meant)), None)


def unit_name(text: str) -> str | None:
    """Our name of a unit as written behind a number; None where it is none of ours."""
    return _UNITS.get(text.strip().casefold().replace("·", "")) or None


def without_unit(header: str) -> str:
    """A header without what stands in brackets and without a unit as its last words."""
    text = _BRACKETS.sub(" ", header)
    words = re.sub(r"[_\s]+", " ", text).strip().split(" ")
    for taken in (2, 1):
        if len(words) > taken and " ".join(words[-taken:]).casefold().replace("·", "") in _UNITS:
            words = words[:-taken]
            break
    if len(words) > 1 and words[-1].casefold() == "in":
        words = words[:-1]
    return " ".join(words)


def _variants(text: str) -> set[tuple[str, ...]]:
    """The ways in which a header may be compared: without what is in brackets or with it; ä as a or as ae."""
    spelt = {text, text.translate(_UMLAUTS)}
    forms = {plain(form) for one in spelt for form in (one, without_unit(one))}
    return {form for form in forms if form}


@cache
def vocabulary() -> tuple[Term, ...]:
    """Every word for every column, our own names first."""
    data = tomllib.loads((files(__package__) / "vocabulary.toml").read_text(encoding="utf-8"))
    own = {name for kind in KINDS.values() for name in kind.names} | {"practice"}
    terms = [Term(name, "", name, words) for name in sorted(own) for words in _variants(name)]
    for column, languages in data.items():
        for language, texts in languages.items():
            terms += [Term(column, language, text, words) for text in texts for words in _variants(text)]
    return tuple(terms)


@cache
def _weights() -> dict[str, float]:
    """How telling each word of the vocabulary is: the more columns it stands in, the less."""
    columns: dict[str, set[str]] = {}
    for term in vocabulary():
        for word in term.words:
            columns.setdefault(word, set()).add(term.column.rpartition(".")[2])
    return {word: max(0.35, 1 / (1 + 0.2 * (len(named) - 1))) for word, named in columns.items()}


def _weight(word: str, weights: dict[str, float]) -> float:
    if word == "nr":
        return _NUMBER_WEIGHT
    if word in _SMALL or (word.isdigit() and len(word) < 3):
        return _SMALL_WEIGHT
    return weights.get(word, 1.0)


def _terms_of(kind: str, column: str) -> tuple[str, ...]:
    return (f"{kind}.{column}", column)


def likenesses(headers: list[str]) -> dict[tuple[str, str], list[Likeness]]:
    """For each (kind, column) of ours: how like each header is to it."""
    scores = _against_terms(headers)
    by_column: dict[str, list[int]] = {}
    for at, term in enumerate(vocabulary()):
        by_column.setdefault(term.column, []).append(at)
    found = {}
    specific = {term.column for term in vocabulary() if "." in term.column}
    for kind in KINDS.values():
        for column in (*kind.names, "practice"):
            names = [name for name in _terms_of(kind.name, column) if name in by_column]
            # A word list of the kind's own replaces the general one, except for our own name.
            terms = [
                at
                for name in names
                for at in by_column[name]
                if name != column or f"{kind.name}.{column}" not in specific or vocabulary()[at].language == ""
            ]
            found[kind.name, column] = [
                max(
                    (Likeness(scores[h][at], vocabulary()[at].text) for at in terms),
                    key=lambda likeness: likeness.score,
                )
                for h in range(len(headers))
            ]
    return found


def _against_terms(headers: list[str]) -> list[list[float]]:
    """The likeness of each header to each term; words of another language than the header's have lost a little."""
    terms, weights = vocabulary(), _weights()
    scores = [[0.0] * len(terms) for _ in headers]
    for h, header in enumerate(headers):
        row = scores[h]
        for form in _variants(header):
            for at, score in enumerate(_form_scores(form, weights)):
                if score > row[at]:
                    row[at] = score
    liking = dict.fromkeys(LANGUAGES, 0.0)
    for row in scores:
        best = dict.fromkeys(LANGUAGES, 0.0)
        for term, score in zip(terms, row, strict=True):
            if term.language and score > best[term.language]:
                best[term.language] = score
        for language, score in best.items():
            liking[language] += score**4  # near-exact hits tell the language, faint likenesses do not
    most = max(liking.values(), default=0.0)
    home = {"", *(language for language, sum_ in liking.items() if sum_ >= 0.9 * most)}
    for row in scores:
        for at, term in enumerate(terms):
            if term.language not in home:
                row[at] *= FOREIGN
    return scores


def _form_scores(form: tuple[str, ...], weights: dict[str, float]) -> list[float]:
    """The likeness of one form of a header to every term."""
    import numpy as np
    from rapidfuzz import fuzz, process

    terms = vocabulary()
    near = _near_words(form)
    joined = "".join(form)
    whole = process.cdist([joined], _joined_terms(), scorer=fuzz.ratio, score_cutoff=80, dtype=np.float32)[0] / 100
    form_weight = sum(_weight(word, weights) for word in form)
    scores = []
    for at, term in enumerate(terms):
        if term.words == form:
            scores.append(1.0)
            continue
        score = float(whole[at]) * 0.97 if len(joined) > 4 else 0.0
        shared = 0.0
        left = list(term.words)
        for word in form:
            close = near[word]
            match = max((w for w in left if w in close), key=lambda w: close[w], default=None)
            if match is not None:
                left.remove(match)
                weight = (_weight(word, weights) + _weight(match, weights)) / 2
                shared += weight * close[match]
        if shared:
            of_term = sum(_weight(word, weights) for word in term.words)
            score = max(score, 0.97 * 2 * shared / (form_weight + of_term))
        other = _joined_terms()[at]
        if score < 0.8 and min(len(joined), len(other)) >= 5:
            short, long = sorted((joined, other), key=len)
            if short in long:  # compounds: Behandlungsbeginn, Beginn
                score = max(score, 0.5 + 0.4 * len(short) / len(long))
        scores.append(score)
    return scores


@cache
def _joined_terms() -> list[str]:
    return ["".join(term.words) for term in vocabulary()]


@cache
def _all_words() -> list[str]:
    return sorted({word for term in vocabulary() for word in term.words})


def _near_words(form: tuple[str, ...]) -> dict[str, dict[str, float]]:
    """For each word of a header the words of the vocabulary that it may be, with how like they are."""
    from rapidfuzz import process
    from rapidfuzz.distance import OSA

    near: dict[str, dict[str, float]] = {}
    for word in form:
        close = {word: 1.0}
        if len(word) >= 4 and not word.isdigit():
            for other, score, _ in process.extract(
                word, _all_words(), scorer=OSA.normalized_similarity, score_cutoff=_ALIKE, limit=None
            ):
                if len(other) >= 4:
                    close[other] = max(close.get(other, 0.0), float(score))
        if len(word) >= 3:
            for other in _all_words():
                if other != word and other.startswith(word) and len(other) > len(word) + 1:
                    close[other] = max(close.get(other, 0.0), 0.86 if len(word) >= 4 else 0.8)  # diag., behandl.
        near[word] = close
    return near
