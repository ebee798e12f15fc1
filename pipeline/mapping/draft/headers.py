"""How like a header of an export is to the words that practices use for a column of ours.

Words are compared without capitals, diacritics, punctuation and units. Two headers are alike as far as their words are,
each word weighing by how telling it is: "date" stands in many columns, "curvature" in few.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files

import numpy as np

from pipeline.records import KINDS, LANGUAGES

FOREIGN = 0.93  # a word of another language than most of the header's counts for a little less
OTHER = ("", "other")  # columns that are none of ours

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
_OF = frozenset(("der", "des", "am"))
_NUMBER_WEIGHT, _SMALL_WEIGHT = 0.2, 0.15
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


def compared_words(text: str) -> tuple[str, ...]:
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
    words = set(compared_words(header))
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
    forms = {compared_words(form) for one in spelt for form in (one, without_unit(one))}
    for form in tuple(forms):
        # "Beginn der Behandlung" is Behandlungsbeginn.
        content = [word for word in form if word not in _SMALL]
        if len(content) == 2 and _OF.intersection(form):
            forms |= {(content[1] + link + content[0],) for link in ("", "s")}
    return {form for form in forms if form}


@cache
def vocabulary() -> tuple[Term, ...]:
    """Every word for every column, our own names first.

    A column of several kinds that each have words of their own for it is called `kind.column`.
    """
    own = {name for kind in KINDS.values() for name in kind.names} | {"practice"}
    terms = [Term(name, "", name, words) for name in sorted(own) for words in _variants(name)]
    several = {name: [k.column(name).words for k in KINDS.values() if name in k.names] for name in own}
    columns: dict[str, Mapping[str, Iterable[str]]] = {}
    for kind in KINDS.values():
        for column in kind.columns:
            alike = all(words == column.words for words in several[column.name])
            columns.setdefault(column.name if alike else f"{kind.name}.{column.name}", column.words)
    terms += _terms(columns)
    rest = tomllib.loads((files(__package__) / "vocabulary.toml").read_text(encoding="utf-8"))
    terms += _terms({"practice": rest["practice"]})
    ours = {term.words for term in terms}
    # What has become a word of a column of ours is no longer one of others'.
    return (*terms, *(term for term in _terms({"other": rest["other"]}) if term.words not in ours))


def _terms(columns: Mapping[str, Mapping[str, Iterable[str]]]) -> list[Term]:
    return [
        Term(column, language, text, words)
        for column, languages in columns.items()
        for language, texts in languages.items()
        for text in texts
        for words in _variants(text)
    ]


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


@cache
def _places() -> dict[tuple[str, str], tuple[int, ...]]:
    """(kind, column) of ours -> the terms for it. A word list of the kind's own replaces the general one."""
    by_column: dict[str, list[int]] = {}
    for at, term in enumerate(vocabulary()):
        by_column.setdefault(term.column, []).append(at)
    found = {}
    for kind in KINDS.values():
        for column in (*kind.names, "practice"):
            own = by_column.get(f"{kind.name}.{column}", [])
            general = by_column.get(column, [])
            if own:
                general = [at for at in general if not vocabulary()[at].language]
            found[kind.name, column] = (*general, *own)
    return found


@cache
def _of_others() -> tuple[int, ...]:
    return tuple(at for at, term in enumerate(vocabulary()) if term.column == "other")


def likenesses(headers: list[str]) -> dict[tuple[str, str], list[Likeness]]:
    """For each (kind, column) of ours, and for OTHER: how like each header is to it."""
    scores = _against_terms(headers)
    terms = vocabulary()
    found = {}
    for column, places in (*_places().items(), (OTHER, _of_others())):
        of_column = scores[:, places]
        best = of_column.argmax(axis=1)
        found[column] = [
            Likeness(float(of_column[h, at]), terms[places[at]].text) for h, at in enumerate(map(int, best))
        ]
    return found


def _against_terms(headers: list[str]) -> np.ndarray:
    """The likeness of each header to each term; words of another language than the header's have lost a little."""
    terms = vocabulary()
    scores = np.zeros((len(headers), len(terms)))
    for h, header in enumerate(headers):
        for form in _variants(header):
            for at, score in _form_scores(form).items():
                scores[h, at] = max(scores[h, at], score)
    languages = np.array([term.language for term in terms])
    # Near-exact hits tell the language, faint likenesses do not.
    liking = {name: float((scores[:, languages == name].max(axis=1) ** 4).sum()) for name in LANGUAGES}
    most = max(liking.values())
    foreign = [name for name, sum_ in liking.items() if sum_ < 0.9 * most]
    scores[:, np.isin(languages, foreign)] *= FOREIGN
    return scores


def _form_scores(form: tuple[str, ...]) -> dict[int, float]:
    """The likeness of one form of a header to the terms that it is like at all."""
    from rapidfuzz import fuzz, process

    terms, weights = vocabulary(), _weights()
    near = {word: _near(word) for word in form}
    joined = "".join(form)
    found: dict[int, float] = {}
    if len(joined) > 4:
        whole = process.cdist([joined], _joined_terms(), scorer=fuzz.ratio, score_cutoff=80, dtype=np.float32)[0]
        found = {int(at): float(whole[at]) / 100 * 0.97 for at in np.nonzero(whole)[0]}
    # A word that no column is known by says little against what the others say.
    weigh = {
        word: _weight(max(close, key=lambda w: close[w]), weights) if close else 0.5 * _weight(word, weights)
        for word, close in near.items()
    }
    of_form = sum(weigh[word] for word in form)
    for at in {at for close in near.values() for word in close for at in _terms_with(word)}:
        shared = 0.0
        left = list(terms[at].words)
        for word in form:
            close = near[word]
            match = max((w for w in left if w in close), key=lambda w: close[w], default=None)
            if match is not None:
                left.remove(match)
                shared += (weigh[word] + _weight(match, weights)) / 2 * close[match]
        of_term = sum(_weight(word, weights) for word in terms[at].words)
        found[at] = max(found.get(at, 0.0), 0.97 * min(1.0, 2 * shared / (of_form + of_term)))
    if len(joined) >= 5:
        for at, other in enumerate(_joined_terms()):
            if len(other) >= 5 and (joined in other or other in joined):  # compounds: Behandlungsbeginn, Beginn
                part = min(len(joined), len(other)) / max(len(joined), len(other))
                found[at] = max(found.get(at, 0.0), 0.5 + 0.4 * part)
    found |= dict.fromkeys(_exact().get(form, ()), 1.0)
    return found


@cache
def _exact() -> dict[tuple[str, ...], list[int]]:
    found: dict[tuple[str, ...], list[int]] = {}
    for at, term in enumerate(vocabulary()):
        found.setdefault(term.words, []).append(at)
    return found


@cache
def _with_words() -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for at, term in enumerate(vocabulary()):
        for word in set(term.words):
            found.setdefault(word, []).append(at)
    return found


def _terms_with(word: str) -> list[int]:
    return _with_words().get(word, [])


@cache
def _joined_terms() -> list[str]:
    return ["".join(term.words) for term in vocabulary()]


@lru_cache(maxsize=10_000)
def _near(word: str) -> dict[str, float]:
    """The words of the vocabulary that a word of a header may be, with how like they are."""
    from rapidfuzz import process
    from rapidfuzz.distance import OSA

    everything = list(_with_words())
    close = {word: 1.0} if word in _with_words() else {}
    if len(word) >= 4 and not word.isdigit():
        same = process.extract(word, everything, scorer=OSA.normalized_similarity, score_cutoff=_ALIKE, limit=None)
        close |= {other: float(score) for other, score, _ in same if len(other) >= 4 and other != word}
    if len(word) >= 3:
        for other in everything:
            if other.startswith(word) and len(other) > len(word) + 1:
                close[other] = max(close.get(other, 0.0), 0.86 if len(word) >= 4 else 0.8)  # diag., behandl.
    return close
