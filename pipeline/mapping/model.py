"""Mapping files: how another system's export becomes our records. TOML, checked by pydantic.

The entries are explained in the README; `[file]` says how the files are written, and a table for each record kind (or
several, `[[canals]]`) says where its columns come from.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipeline.errors import UserError
from pipeline.mapping import units
from pipeline.mapping.questions import Question, questions
from pipeline.records import KINDS, Column, Kind
from pipeline.settings import first_problem, read_toml
from pipeline.sources.table import Dialect, is_pattern, text_codec

Notation = Literal["fdi", "universal", "quadrant", "palmer", "iso names"]
_ISO = "iso"
_PLACE = re.compile(r"\{(\w+)\}")
TIMES = "times"  # the one name in a pattern that is no column: so many equal uses


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class FileOptions(_Strict):
    """How the files of a mapping are written. What is None is told by the file itself, as far as it can be."""

    encoding: str | None = None
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    quote: Annotated[str, Field(max_length=1)] = '"'
    header_row: Annotated[int, Field(ge=0)] | None = None  # 0: the file has none, and its columns are "#1", "#2" ...
    header_rows: Annotated[int, Field(ge=1, le=9)] = 1
    trailer: tuple[str, ...] = ()
    decimal: Literal[".", ","] = "."
    date: str | None = None  # None and "iso": 2026-03-31
    timestamp: str | None = None  # None and "iso": ISO 8601, with or without seconds
    time_zone: str | None = None
    true: tuple[str, ...] = ()
    false: tuple[str, ...] = ()

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str | None) -> str | None:
        try:
            text_codec(value or "utf-8")
        except LookupError as e:
            raise ValueError(f"there is no encoding {value}; use e.g. utf-8 or windows-1252") from e
        return value

    @field_validator("delimiter")
    @classmethod
    def _can_delimit(cls, value: str | None) -> str | None:
        if value is not None and (not _is_sign(value) or value == '"'):
            raise ValueError("must be a sign such as , ; | or a tab")
        return value

    @field_validator("quote")
    @classmethod
    def _can_quote(cls, value: str) -> str:
        if value and (not _is_sign(value) or value == "\t"):
            raise ValueError("must be a sign such as \" or ', or nothing")
        return value

    @field_validator("trailer")
    @classmethod
    def _regular(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for expression in value:
            if not is_pattern(expression):
                raise ValueError(f"{expression} is no regular expression")
        return value

    @field_validator("date")
    @classmethod
    def _date_format(cls, value: str | None) -> str | None:
        return _format(value, day_only=True)

    @field_validator("timestamp")
    @classmethod
    def _timestamp_format(cls, value: str | None) -> str | None:
        return _format(value, day_only=False)

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        try:
            ZoneInfo(value or "UTC")
        except (ZoneInfoNotFoundError, ValueError, OSError) as e:
            raise ValueError(f"{value} is no time zone name such as UTC or Europe/Vienna") from e
        return value

    @model_validator(mode="after")
    def _two_signs(self) -> FileOptions:
        if self.quote and self.quote == self.delimiter:
            raise ValueError("delimiter and quote are the same sign")
        return self

    @property
    def dialect(self) -> Dialect:
        return Dialect(self.encoding, self.delimiter, self.quote, self.header_row, self.header_rows, self.trailer)


def _is_sign(value: str) -> bool:
    return value.isascii() and (value.isprintable() or value == "\t") and not value.isalnum() and value != " "


def _format(value: str | None, *, day_only: bool) -> str | None:
    """A strftime format; ValueError unless a text written in it comes back as the moment it was written from."""
    import polars as pl

    if value in (None, _ISO):
        return value
    moment = dt.datetime(2026, 3, 31, 14, 5, tzinfo=dt.UTC)
    try:
        text = pl.Series([moment.strftime(value or "")])
        if day_only:
            sound = text.str.to_date(value, strict=False).item() == moment.date()
        else:
            read = text.str.to_datetime(value, strict=False).item()
            sound = read is not None and read.replace(tzinfo=dt.UTC) == moment
    except (pl.exceptions.PolarsError, ValueError):
        sound = False
    if not sound:
        raise ValueError(f"{value} is no format such as %d.%m.%Y or %d.%m.%Y %H:%M")
    return value


def _many(value: object) -> object:
    """`from = "Date"` is short for `from = ["Date"]`."""
    return (value,) if isinstance(value, str) else value


class SourceColumn(_Strict):
    """Where a column comes from, and what must be done to its text."""

    sources: Annotated[tuple[str, ...], BeforeValidator(_many)] = Field(alias="from", default=())
    join: str = " "
    template: str | None = None
    format: str | None = None
    decimal: Literal[".", ","] | None = None
    unit: str | None = None
    notation: Notation | None = None
    values: dict[str, str] = {}
    default: str | None = None
    synonyms: bool = False

    @field_validator("values")
    @classmethod
    def _one_meaning_a_word(cls, words: dict[str, str]) -> dict[str, str]:
        meanings: dict[str, str] = {}
        for word, meaning in words.items():
            if meanings.setdefault(word.lower(), meaning) != meaning:
                raise ValueError(f"{word} is given two meanings (capitals do not count)")
        return words

    @model_validator(mode="after")
    def _template_alone(self) -> SourceColumn:
        others = {name for name, field in type(self).model_fields.items() if getattr(self, name) != field.default}
        if self.template is not None and others != {"template"}:
            raise ValueError("a template stands alone")
        return self

    @property
    def parts(self) -> tuple[str, ...]:
        """The columns that a template is made from."""
        return tuple(_PLACE.findall(self.template or ""))


class Each(_Strict):
    """One record for each of several values, each with source columns of its own (`{canal}` in their names)."""

    column: str
    words: dict[str, str] = Field(min_length=1)  # value -> the word for it in the headers

    @model_validator(mode="before")
    @classmethod
    def _as_written(cls, data: object) -> object:
        """`canal = ["MB", "P"]`, or `canal = { MB = "mesial", P = "palatal" }`."""
        if not isinstance(data, dict) or "column" in data:
            return data
        if len(data) != 1:
            raise ValueError("names one column, such as canal")
        ((column, words),) = data.items()
        if isinstance(words, list) and all(isinstance(word, str) for word in words):
            words = dict(zip(words, words, strict=True))
        return {"column": column, "words": words}

    def source(self, name: str, word: str) -> str:
        """The name of a source column for one of the values."""
        return name.replace(f"{{{self.column}}}", word)

    def has_own(self, name: str) -> bool:
        return f"{{{self.column}}}" in name


class Split(_Strict):
    """Several records in one cell, in order: "25/.06 x2; 30/.04"."""

    source: str = Field(alias="from")
    separator: str = Field(min_length=1)
    pattern: str

    @field_validator("pattern")
    @classmethod
    def _can_be_told_apart(cls, pattern: str) -> str:
        names = _PLACE.findall(pattern)
        if not set(names) - {TIMES}:
            raise ValueError('names no column, as "{size}/{taper}" does')
        if len(set(names)) < len(names):
            raise ValueError("names a column twice")
        if "}{" in pattern:
            raise ValueError("has two columns with nothing between them")
        return pattern

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(name for name in _PLACE.findall(self.pattern) if name != TIMES)


class Patient(_Strict):
    """What a table of a mapping file makes the patient id of. `near`: that table may be of the same file."""

    sources: tuple[str, ...]
    join: str = " "
    values: dict[str, str] = {}
    near: bool = True


class KindMapping(_Strict):
    """One table of a mapping file: a record kind, and in which files its records are."""

    columns: dict[str, SourceColumn] = {}
    constants: dict[str, str] = {}
    sheet: str | None = None
    files: str | None = None  # a glob on the file's name, where kinds share headers
    each: Each | None = None
    split: Split | None = None
    questions: tuple[Question, ...] = ()  # what a draft leaves open: such a table is not imported
    patients: tuple[Patient, ...] = ()  # of the file's other tables: their numbers are no more kept here than there

    @model_validator(mode="before")
    @classmethod
    def _names_alone(cls, data: object) -> object:
        """`tooth = "Zahn"` is short for `tooth = { from = "Zahn" }`."""
        if isinstance(data, dict) and isinstance(data.get("columns"), dict):
            columns = {k: {"from": v} if isinstance(v, str | list) else v for k, v in data["columns"].items()}
            return data | {"columns": columns}
        return data

    def sources_of(self, column: str) -> tuple[str, ...]:
        """The source columns that one of our columns is made from, those of every canal of a wide row."""
        names = self.columns[column].sources if column in self.columns else ()
        if self.split and column in self.split.columns:
            names = (self.split.source,)
        if self.each is None:
            return names
        each = self.each
        return tuple(dict.fromkeys(each.source(name, word) for name in names for word in each.words.values()))

    @property
    def sources(self) -> tuple[str, ...]:
        """All source columns that the table needs."""
        columns = (*self.columns, *(self.split.columns if self.split else ()))
        return tuple(dict.fromkeys(source for column in columns for source in self.sources_of(column)))

    @property
    def patient_sources(self) -> tuple[str, ...]:
        """The source columns that the patient id is made from."""
        return self.sources_of("patient_id")

    @property
    def every_patient(self) -> tuple[Patient, ...]:
        """What patient ids are made of, in this table first."""
        how = self.columns.get("patient_id")
        own = (Patient(sources=how.sources, join=how.join, values=how.values),) if how and how.sources else ()
        return (*own, *(patient for patient in self.patients if patient not in own))

    @property
    def filled(self) -> frozenset[str]:
        """The columns of the record that the table fills, by whatever means."""
        split = (*self.split.columns, "step") if self.split else ()
        return frozenset((*self.columns, *self.constants, *split, *((self.each.column,) if self.each else ())))


class Mapping(_Strict):
    """A whole mapping file: options of the files, then one table or several for each record kind it covers."""

    file: FileOptions = FileOptions()
    kinds: dict[str, tuple[KindMapping, ...]]

    @field_validator("kinds", mode="before")
    @classmethod
    def _one_or_several(cls, kinds: object) -> object:
        if not isinstance(kinds, dict):
            return kinds
        return {
            name: tuple(tables) if isinstance(tables, list | tuple) else (tables,) for name, tables in kinds.items()
        }

    @field_validator("kinds")
    @classmethod
    def _know_all_patients(cls, kinds: dict[str, tuple[KindMapping, ...]]) -> dict[str, tuple[KindMapping, ...]]:
        """Tell each table what the others make patient ids of."""
        own = [(table, patient) for tables in kinds.values() for table in tables for patient in table.every_patient[:1]]

        def told(table: KindMapping) -> KindMapping:
            others = [
                patient.model_copy(update={"near": (other.files, other.sheet) == (table.files, table.sheet)})
                for other, patient in own
                if other is not table
            ]
            return table.model_copy(update={"patients": tuple(others)})

        return {kind: tuple(map(told, tables)) for kind, tables in kinds.items()}

    @model_validator(mode="after")
    def _known_columns(self) -> Mapping:
        if not self.kinds:
            raise ValueError(f"it maps no record kind; the kinds are {', '.join(KINDS)}")
        for name, tables in self.kinds.items():
            if name not in KINDS:
                raise ValueError(f"there is no record kind {name}; the kinds are {', '.join(KINDS)}")
            for table in tables:
                _check(KINDS[name], table)
        return self


def _check(kind: Kind, table: KindMapping) -> None:
    """ValueError unless the table makes records of this kind."""
    name = kind.name
    each = (table.each.column,) if table.each else ()
    split = table.split.columns if table.split else ()
    known = {*kind.names, "practice"}
    for column in (*table.columns, *table.constants, *each, *split):
        if column not in known:
            raise ValueError(f"{name} has no column {column}; it has {', '.join(kind.names)}")
    if table.split and "step" not in kind.names:
        raise ValueError(f"{name}.split: only the uses of instruments stand several in a cell")
    for column in table.columns:
        if column in table.constants:
            raise ValueError(f"{name}.{column} has both a column of the export and a constant: leave one")
    taken = [*(c for c in table.columns if table.columns[c].sources or table.columns[c].template is not None)]
    taken += [*table.constants, *each, *split]
    twice = [column for column in taken if taken.count(column) > 1]
    if twice:
        raise ValueError(f"{name}.{twice[0]} is filled in two ways: leave one")
    lacking = [c for c in kind.required if c not in table.filled]
    if "udi" in table.columns:
        lacking = [c for c in lacking if c != "instrument_id"]  # the serial in the device identifier
    if lacking and not table.questions:
        raise ValueError(f"{name} lacks the required columns {', '.join(lacking)}")
    if table.each:
        own = [*(s for c in table.columns.values() for s in c.sources), *((table.split.source,) if table.split else ())]
        if not any(table.each.has_own(source) for source in own):
            raise ValueError(f"{name}.each: no source column has {{{table.each.column}}} in its name")
    for column, how in table.columns.items():
        try:
            _check_column(kind, column, how, table)
        except ValueError as e:
            raise ValueError(f"{name}.columns.{column}.{e}") from e


def _check_column(kind: Kind, column: str, how: SourceColumn, table: KindMapping) -> None:
    type_ = "text" if column == "practice" else kind.column(column).type
    if not how.sources and how.template is None and column not in (table.split.columns if table.split else ()):
        raise ValueError("from: which column of the export is it?")
    for name in (name for source in how.sources for name in _PLACE.findall(source)):
        if name in kind.names and (table.each is None or table.each.column != name):
            raise ValueError(f"from: {{{name}}} stands for the words of [{kind.name}.each], which there are none")
    if how.format is not None:
        if type_ not in ("date", "timestamp"):
            raise ValueError("format: only dates and times have one")
        try:
            _format(how.format, day_only=type_ == "date")
        except ValueError as e:
            raise ValueError(f"format: {e}") from e
    if how.decimal and type_ not in ("decimal", "int"):
        raise ValueError("decimal: only numbers have one")
    if how.unit is not None and how.unit not in units.units(column):
        allowed = ", ".join(units.units(column))
        raise ValueError(f"unit: {how.unit} is none of {allowed}" if allowed else "unit: the column has none")
    if how.notation and column != "tooth":
        raise ValueError("notation: only tooth has one")
    if how.synonyms and column != "canal":
        raise ValueError("synonyms: only canals have them")
    if how.template is not None:
        _check_template(type_, column, how, table)


def _check_template(type_: str, column: str, how: SourceColumn, table: KindMapping) -> None:
    if type_ != "text":
        raise ValueError("template: only text can be made from one")
    if column == "patient_id":
        raise ValueError("template: a patient's id comes from columns of the export (from = [...])")
    if not how.parts:
        raise ValueError("template: names no column, as {treatment_id} does")
    for part in how.parts:
        if part not in table.filled | {"practice"}:
            raise ValueError(f"template: nothing fills {part}")
        if part in table.columns and table.columns[part].template is not None:
            raise ValueError(f"template: {part} is made from a template itself")
        if part == "patient_id":
            raise ValueError("template: a patient's id would be kept in it")


def load_mapping(path: Path) -> Mapping:
    """The mapping file at `path`, checked; a UserError names the entry that is wrong."""
    data = read_toml(path, "mapping file")
    options = data.pop("file", {})
    try:
        _add_questions(data, path)
        return Mapping.model_validate({"file": options, "kinds": data})
    except ValidationError as e:
        problem = first_problem(e).removeprefix("kinds.").removeprefix("kinds: ")
        problem = re.sub(r"^(\w+)\.(\d+)\b", lambda at: _table_name(data, at[1], int(at[2])), problem)
        raise UserError(problem, where=str(path), do="Mend that entry") from None


def _add_questions(data: dict[str, Any], path: Path) -> None:
    """Give every table the questions that stand in it, and all of them those of `[file]`."""
    for kind, tables in data.items():
        for number, table in enumerate(tables if isinstance(tables, list) else [tables]):
            if not isinstance(table, dict):
                continue
            if "questions" in table:
                what = f"{kind}.questions: a question is a line that begins with #?"
                raise UserError(what, where=str(path), do="Mend that entry")
            if "patients" in table:
                raise UserError(f"{kind}.patients: there is no such entry", where=str(path), do="Mend that entry")
            table["questions"] = questions(path.read_text(encoding="utf-8-sig"), kind, number)


def _table_name(data: dict[str, Any], kind: str, number: int) -> str:
    return f"{kind} ({number + 1})" if isinstance(data.get(kind), list) else kind


def canonical(header: tuple[str, ...], kind: str) -> KindMapping:
    """The mapping of a file that already has our headers: FDI codes and ISO 8601 by contract, so nothing is unclear."""
    known = (*KINDS[kind].names, "practice")
    columns: dict[str, dict[str, Any]] = {name: {"from": name} for name in known if name in header}
    for column in KINDS[kind].columns:
        if column.name in columns:
            columns[column.name] |= _contract(column)
    return KindMapping.model_validate({"columns": columns})


def _contract(column: Column) -> dict[str, str]:
    if column.name == "tooth":
        return {"notation": "fdi"}
    return {"format": _ISO} if column.type in ("date", "timestamp") else {}


def place(header: tuple[str, ...], source: str) -> int | None:
    """Where a source column stands in a header; "#3" is the third, unless a header has that very text.

    Letters with marks are the same whether a system writes them as one character or as two (Unicode's NFC and NFD).
    """
    if source in header:
        return header.index(source)
    composed = [unicodedata.normalize("NFC", cell) for cell in header]
    if unicodedata.normalize("NFC", source) in composed:
        return composed.index(unicodedata.normalize("NFC", source))
    number = re.fullmatch(r"#([1-9]\d{0,4})", source)
    return int(number[1]) - 1 if number and int(number[1]) <= len(header) else None
