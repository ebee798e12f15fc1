"""The record kinds as written down in one place: what other parts rely on."""

from __future__ import annotations

import typing

import pytest

from pipeline.records import KINDS, SQL_TYPE, Kind, Type
from pipeline.store.schema import create_statements

KIND = pytest.mark.parametrize("kind", KINDS.values(), ids=list(KINDS))


@KIND
def test_every_column_has_a_type_that_the_store_knows(kind: Kind) -> None:
    assert {c.type for c in kind.columns} <= set(typing.get_args(Type)) == set(SQL_TYPE)


@KIND
def test_names_are_unique_plain_words(kind: Kind) -> None:
    assert len(set(kind.names)) == len(kind.names)
    assert all(name.isidentifier() and name == name.lower() for name in (kind.name, *kind.names))
    assert not set(kind.names) & {"practice", "source_file", "source_row", "loaded_at", "batch_id"}


@KIND
def test_a_key_is_always_filled_in_and_text(kind: Kind) -> None:
    assert kind.key
    assert all(kind.column(name).required and kind.column(name).type == "text" for name in kind.key)


@KIND
def test_the_date_of_a_kind_is_one_of_its_columns(kind: Kind) -> None:
    assert kind.dated_by is not None
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
