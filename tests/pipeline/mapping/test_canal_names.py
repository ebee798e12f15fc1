"""Words for canals: translated where the mapping asks for it, and never guessed. Names from memory, common practice."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.mapping.apply import apply
from pipeline.mapping.canals import SYNONYMS
from pipeline.mapping.model import FileOptions, KindMapping
from pipeline.sources.table import RawTable

NAMES = {"B", "L", "P", "P2", "D", "M", "MB", "MB2", "MB3", "DB", "DB2", "ML", "DL", "MM", "MD", "RE", "RP", "C", "S"}


def names(*cells: str, **how: object) -> list[str | None]:
    mapping = KindMapping.model_validate({"columns": {"canal": {"from": "Kanal", **how}}})
    rows = pl.DataFrame({"source_row": range(2, len(cells) + 2), "c0": cells})
    return apply(RawTable(("Kanal",), rows), "canals", mapping, FileOptions(), "here").records["canal"].to_list()


@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("MB1", "MB"),
        ("mb 1", "MB"),
        ("Mesiobuccal", "MB"),
        ("mesio-buccal", "MB"),
        ("MB2", "MB2"),
        ("mb-2", "MB2"),
        ("second mesiobuccal", "MB2"),
        ("palatal", "P"),
        ("palatinal", "P"),
        ("lingual", "L"),
        ("distal", "D"),
        ("DISTOBUKKAL", "DB"),
        ("single", "S"),
        ("main", "S"),
        ("Hauptkanal", "S"),
        ("mésio-vestibulaire", "MB"),
        ("mesiovestibolare", "MB"),
        ("językowy", "L"),
        ("middle mesial", "MM"),
        ("dl", "DL"),
        ("C-shaped", "C"),
        (" Mb3 ", "MB3"),
        ("radix entomolaris", "RE"),
        ("middle distal", "MD"),
    ],
)
def test_words_for_canals(word: str, name: str) -> None:
    assert names(word, synonyms=True) == [name]


def test_unknown_names_stay_as_they_are() -> None:
    assert names("isthmus", " Mb4 ", "", synonyms=True) == ["isthmus", "Mb4", None]


def test_nothing_is_translated_unasked() -> None:
    assert names("MB1", "palatal") == ["MB1", "palatal"]


def test_a_mappings_own_words_come_first() -> None:
    assert names("V", "Q", values={"V": "MM", "Q": "palatal"}, synonyms=True) == ["MM", "P"]


def test_the_table_knows_the_trades_names_and_only_means_those() -> None:
    assert set(SYNONYMS.values()) == NAMES
    assert all(SYNONYMS[name.lower()] == name for name in NAMES)
