"""Mapping files: how another system's export becomes our records. TOML, checked by pydantic."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.errors import UserError
from pipeline.settings import first_problem, read_toml
from pipeline.sources.table import Dialect
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

    @property
    def dialect(self) -> Dialect:
        return Dialect(self.encoding, self.delimiter)


class SourceColumn(_Strict):
    """Where a column comes from, and what must be done to its text."""

    source: str = Field(alias="from")
    notation: Literal["fdi", "universal"] = "fdi"
    values: dict[str, str] = {}


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
        for name, kind in self.kinds.items():
            if name not in KINDS:
                raise ValueError(f"there is no record kind {name}; the kinds are {', '.join(KINDS)}")
            known = {*KINDS[name].names, "practice"}
            unknown = [column for column in (*kind.columns, *kind.constants) if column not in known]
            if unknown:
                raise ValueError(f"{name} has no column {unknown[0]}; it has {', '.join(KINDS[name].names)}")
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
    return KindMapping(columns={name: SourceColumn(source=name) for name in known if name in header})
