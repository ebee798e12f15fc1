"""Mapping files: how another system's export becomes our records. TOML, checked by pydantic."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator, model_validator

from pipeline.errors import UserError
from pipeline.settings import first_problem, read_toml
from pipeline.sources.table import Dialect, text_codec
from pipeline.store.records import KINDS


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class FileOptions(_Strict):
    """How the files of a mapping are written."""

    encoding: str = "utf-8"
    delimiter: str = Field(default=",", min_length=1, max_length=1)
    decimal: Literal[".", ","] = "."
    date: str = "%Y-%m-%d"
    timestamp: str | None = None  # None: ISO 8601, with or without seconds
    true: tuple[str, ...] = ()
    false: tuple[str, ...] = ()

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            text_codec(value)
        except LookupError as e:
            raise ValueError(f"there is no encoding {value}; use e.g. utf-8 or windows-1252") from e
        return value

    @field_validator("delimiter")
    @classmethod
    def _can_delimit(cls, value: str) -> str:
        if not value.isascii() or not (value.isprintable() or value == "\t") or value.isalnum() or value in '" ':
            raise ValueError("must be a sign such as , ; | or a tab")
        return value

    @field_validator("date", "timestamp")
    @classmethod
    def _reads_what_it_writes(cls, value: str | None, info: ValidationInfo) -> str | None:
        moment = dt.datetime(2026, 3, 31, 14, 5)
        if value is not None and not _parses(value, moment, info.field_name == "date"):
            raise ValueError(f"{value} is no format such as %d.%m.%Y or %d.%m.%Y %H:%M")
        return value

    @property
    def dialect(self) -> Dialect:
        return Dialect(self.encoding, self.delimiter)


def _parses(form: str, moment: dt.datetime, day_only: bool) -> bool:
    """Does a text written in this format come back as the moment it was written from?"""
    import polars as pl

    try:
        text = pl.Series([moment.strftime(form)])
        if day_only:
            return bool(text.str.to_date(form, strict=False).item() == moment.date())
        return bool(text.str.to_datetime(form, strict=False).item() == moment)
    except (pl.exceptions.PolarsError, ValueError):
        return False


class SourceColumn(_Strict):
    """Where a column comes from, and what must be done to its text."""

    source: str = Field(alias="from")
    notation: Literal["fdi", "universal", "quadrant"] = "fdi"
    values: dict[str, str] = {}

    @field_validator("values")
    @classmethod
    def _one_meaning_a_word(cls, words: dict[str, str]) -> dict[str, str]:
        meanings: dict[str, str] = {}
        for word, meaning in words.items():
            if meanings.setdefault(word.lower(), meaning) != meaning:
                raise ValueError(f"{word} is given two meanings (capitals do not count)")
        return words


class KindMapping(_Strict):
    """One record kind of a mapping file."""

    columns: dict[str, SourceColumn]
    constants: dict[str, str] = {}
    sheet: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _names_alone(cls, data: object) -> object:
        """`tooth = "Zahn"` is short for `tooth = { from = "Zahn" }`."""
        if isinstance(data, dict) and isinstance(data.get("columns"), dict):
            columns = {k: {"from": v} if isinstance(v, str) else v for k, v in data["columns"].items()}
            return data | {"columns": columns}
        return data

    @property
    def sources(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(c.source for c in self.columns.values()))


class Mapping(_Strict):
    """A whole mapping file: options of the files, then a table for each record kind it covers."""

    file: FileOptions = FileOptions()
    kinds: dict[str, KindMapping]

    @model_validator(mode="after")
    def _known_columns(self) -> Mapping:
        if not self.kinds:
            raise ValueError(f"it maps no record kind; the kinds are {', '.join(KINDS)}")
        for name, kind in self.kinds.items():
            if name not in KINDS:
                raise ValueError(f"there is no record kind {name}; the kinds are {', '.join(KINDS)}")
            known = {*KINDS[name].names, "practice"}
            unknown = [column for column in (*kind.columns, *kind.constants) if column not in known]
            if unknown:
                raise ValueError(f"{name} has no column {unknown[0]}; it has {', '.join(KINDS[name].names)}")
            twice = [column for column in kind.columns if column in kind.constants]
            if twice:
                raise ValueError(f"{name}.{twice[0]} has both a column of the export and a constant: leave one")
            lacking = [c for c in KINDS[name].required if c not in kind.columns and c not in kind.constants]
            if lacking:
                raise ValueError(f"{name} lacks the required columns {', '.join(lacking)}")
        return self


def load_mapping(path: Path) -> Mapping:
    """The mapping file at `path`, checked; a UserError names the entry that is wrong."""
    data = read_toml(path, "mapping file")
    options = data.pop("file", {})
    try:
        return Mapping.model_validate({"file": options, "kinds": data})
    except ValidationError as e:
        problem = first_problem(e).removeprefix("kinds.").removeprefix("kinds: ")
        raise UserError(problem, where=str(path), do="Mend that entry") from None


def canonical(header: tuple[str, ...], kind: str) -> KindMapping:
    """The mapping of a file that already has our headers."""
    known = (*KINDS[kind].names, "practice")
    return KindMapping.model_validate({"columns": {name: name for name in known if name in header}})
