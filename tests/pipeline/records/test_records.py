"""The record kinds as their TOML files have them: what other parts rely on."""

from __future__ import annotations

import shutil
import typing
from importlib.resources import files
from pathlib import Path

import pytest

from pipeline.mapping.units import FACTORS, quantity
from pipeline.records import KINDS, LANGUAGES, PROVENANCE, SQL_TYPE, Kind, Type, read
from pipeline.store.schema import create_statements

KIND = pytest.mark.parametrize("kind", KINDS.values(), ids=list(KINDS))


@KIND
def test_every_column_has_a_type_that_the_store_knows(kind: Kind) -> None:
    assert {c.type for c in kind.columns} <= set(typing.get_args(Type)) == set(SQL_TYPE)


@KIND
def test_names_are_unique_plain_words(kind: Kind) -> None:
    assert len(set(kind.names)) == len(kind.names)
    assert all(name.isidentifier() and name == name.lower() for name in (kind.name, *kind.names))
    assert not set(kind.names) & set(PROVENANCE)


@KIND
def test_a_key_is_always_filled_in_and_text(kind: Kind) -> None:
    assert kind.key
    assert all(kind.column(name).required and kind.column(name).type == "text" for name in kind.key)


@KIND
def test_the_date_of_a_kind_is_one_of_its_columns(kind: Kind) -> None:
    assert kind.column(kind.dated_by).type in ("date", "timestamp")


def test_the_layout_is_read_as_written() -> None:
    tooth = KINDS["treatments"].column("tooth")
    assert (tooth.type, tooth.required, tooth.key) == ("int", True, False)
    lesion = KINDS["treatments"].column("lesion_mm")
    assert (lesion.type, lesion.required) == ("decimal", False)
    assert KINDS["canals"].key == ("treatment_id", "canal")


def test_every_kind_has_a_table_and_a_history() -> None:
    made = " ".join(create_statements())
    for name in KINDS:
        assert f"create table {name} (" in made
        assert f"create table {name}_history (" in made


@KIND
def test_every_column_says_what_it_means_and_has_words(kind: Kind) -> None:
    assert not kind.title.endswith(".")
    for column in kind.columns:
        assert column.about and not column.about.endswith("."), column.name
        assert tuple(column.words) == LANGUAGES, column.name
        assert "|" not in column.about


@KIND
def test_the_unit_of_a_column_is_the_one_that_mappings_make_of_others(kind: Kind) -> None:
    """The first of each quantity's units in mapping/units.py is ours; the name of a column ends in its quantity."""
    for column in kind.columns:
        ours = next(iter(FACTORS.get(quantity(column.name) or "", ())), None)
        assert column.unit == ours if ours else column.unit not in {u for of in FACTORS.values() for u in of}


@KIND
def test_a_list_is_of_the_type_of_its_column(kind: Kind) -> None:
    for column in kind.columns:
        values = (*column.values, *column.usual_values)
        assert len(set(values)) == len(values)
        assert all(isinstance(value, int if column.type == "int" else str) for value in values)
        assert column.type in ("text", "int") or not values


def test_lists_are_those_of_columns_that_take_no_other_words() -> None:
    assert KINDS["instruments"].lists.keys() == {"motion", "retired_reason"}
    assert KINDS["canals"].lists.keys() == {"length_confirmed"}, "canals may have other names"
    assert KINDS["treatments"].column("tooth").values[-1] == 85


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('type = "number"', "type is none of"),
        ('typ = "text"', "nobody reads typ"),
        ('type = "text"\nkey = true\nexpected = true', "one thing twice"),
        ('type = "text"\nvalues = ["a"]\nusual_values = ["b"]', "one thing twice"),
        ('type = "text"\nwords_of = "canals"', "canals.toml has no words"),
        ('type = "text"\nrange.limits = [0, 1]', "range is nothing for text"),
        ('type = "int"\nrange.limits = [0, 1]', "either a reason and its source or the rule"),
        ('type = "int"\nrange.limits = [1, 0]\nrange.rule = "a"', "from 1 to 0 is none"),
        ('type = "int"\nnot_after = 2099-12-31', "not_after is nothing for int"),
        ('type = "text"\nwords.nl = ["verdoving"]', "nobody reads nl"),
    ],
)
def test_a_file_that_says_something_else_is_refused(tmp_path: Path, line: str, says: str) -> None:
    folder = shutil.copytree(str(files("pipeline.records")), tmp_path / "records")
    with (folder / "visits.toml").open("a") as file:
        file.write(f"\n[columns.shade]\n{line}\n")
    with pytest.raises(ValueError, match=rf"visits\.shade.*{says}"):
        read(folder)
