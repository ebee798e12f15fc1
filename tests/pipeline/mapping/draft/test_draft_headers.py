"""Headers: what counts when they are compared, and how like each is to the words of the vocabulary."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.mapping.draft.headers import (
    LANGUAGES,
    _variants,
    compared_words,
    likenesses,
    unit,
    vocabulary,
    without_unit,
)
from pipeline.mapping.draft.profile import meanings, words
from pipeline.records import KINDS

HELD_OUT = Path(__file__).with_name("held_out.toml")
# Words that belong to no language of the six alone, or to a list and not to a column.
LISTS_OF_WORDS = {"yes_no", "nothing", "totals", "kinds"}


@pytest.mark.parametrize(
    ("text", "compared"),
    [
        ("Arbeitslänge", ("arbeitslange",)),
        ("working_length", ("working", "length")),
        ("workingLength", ("working", "length")),
        ("N° traitement", ("nr", "traitement")),
        ("Treatment No.", ("treatment", "nr")),
        ("Długość robocza", ("dlugosc", "robocza")),
        ("GRÖSSE", ("grosse",)),
        ("Größe", ("grosse",)),
        ("d'apex", ("d", "apex")),
    ],
)
def test_what_counts_of_a_header(text: str, compared: tuple[str, ...]) -> None:
    assert compared_words(text) == compared


@pytest.mark.parametrize(
    ("header", "name", "bare"),
    [
        ("AL [mm]", "mm", "AL"),
        ("Länge in cm", "cm", "Länge"),
        ("length_mm", "mm", "length"),
        ("Drehmoment (Ncm)", "Ncm", "Drehmoment"),
        ("Torque [g·cm]", "gcm", "Torque"),
        ("Dauer (mm:ss)", "mm:ss", "Dauer"),
        ("WL (1/10 mm)", "0.1 mm", "WL"),
        ("Konizität [%]", "percent", "Konizität"),
        ("Geplante Minuten", "minutes", "Geplante Minuten"),
        ("Vitesse (tr/min)", "rpm", "Vitesse"),
        ("Zahn", None, "Zahn"),
        ("Preis €", None, "Preis"),
        ("Zahn (1-32)", None, "Zahn"),
    ],
)
def test_units_are_told_from_headers(header: str, name: str | None, bare: str) -> None:
    assert unit(header) == name
    assert without_unit(header) == bare


def test_every_column_has_words_in_six_languages() -> None:
    there = {(term.column, term.language) for term in vocabulary()}
    for kind in KINDS.values():
        for column in kind.names:
            for language in LANGUAGES:
                assert {(column, language), (f"{kind.name}.{column}", language)} & there, (kind.name, column, language)


def test_every_word_of_ours_has_words_and_none_means_two_things() -> None:
    from pipeline.checks.suites import suite

    for name in words():
        if name in LISTS_OF_WORDS:
            continue
        known = meanings(name)
        for meaning, found in words()[name].items():
            assert all(known[compared_words(word) or (word,)] == meaning for word in found), (name, meaning)
        kind, _, column = name.rpartition(".")
        for of in KINDS.values():
            if column in of.names and kind in ("", of.name):
                rules = [rule.expectation["kwargs"] for rule in suite(of.name)]
                sets = [rule["value_set"] for rule in rules if rule["column"] == column and "value_set" in rule]
                assert sets == [] or set(sets[0]) == set(words()[name]), (of.name, column)


@pytest.mark.parametrize(
    ("header", "kind", "column"),
    [
        ("Zahn", "treatments", "tooth"),
        ("ząb", "treatments", "tooth"),
        ("LT [mm]", "canals", "working_length_mm"),
        ("AL", "canals", "working_length_mm"),
        ("Behandlungs Beginn", "treatments", "started_on"),
        ("Beginn der Behandlung", "treatments", "started_on"),
        ("LONGITUD_DE_TRABAJO", "canals", "working_length_mm"),
        ("Arbeitslaenge", "canals", "working_length_mm"),
        ("numero seriale", "instruments", "instrument_id"),
        ("Zwischenfal Nr", "incidents", "incident_id"),  # misspelt
    ],
)
def test_the_likest_column(header: str, kind: str, column: str) -> None:
    found = likenesses([header])
    scores = {name: row[0].score for (of, name), row in found.items() if of == kind}
    best = max(scores, key=lambda name: scores[name])
    assert best == column
    assert scores[best] >= 0.85


def test_short_words_are_alike_only_when_they_are_the_same() -> None:
    found = likenesses(["AK", "WL"])
    assert found["canals", "working_length_mm"][0].score < 0.5
    assert found["canals", "working_length_mm"][1].score == 1


def test_words_held_out_for_measuring_are_not_in_the_vocabulary() -> None:
    known = {term.words for term in vocabulary() if term.column != "other"}
    for column, languages in tomllib.loads(HELD_OUT.read_text(encoding="utf-8")).items():
        assert set(languages) == set(LANGUAGES)
        for texts in languages.values():
            assert [text for text in texts if _variants(text) & known] == [], column
