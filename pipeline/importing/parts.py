"""Which parts of which files hold records: each a table of a source and how one kind of its records is read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from pipeline.errors import UserError
from pipeline.mapping.model import FileOptions, Mapping
from pipeline.mapping.recognise import Recognised, knows, recognise
from pipeline.output.template import GUIDE
from pipeline.sources.source import Source, Table


@dataclass(frozen=True)
class Part:
    """A table of one kind of records. `label` names it in the store and to people: visits.csv, recalls.xlsx[2026]."""

    table: Table
    label: str
    how: Recognised
    others_patients: tuple[str, ...] = ()  # its columns that another table of the mapping makes patient ids of

    @property
    def source(self) -> Source:
        return self.table.source

    @property
    def name(self) -> str:
        """As a person would look for it."""
        return str(self.source) if self.label == self.source.name else f"{self.source}, sheet {self.table.sheet}"


@dataclass(frozen=True)
class LeftAlone:
    """A sheet of a workbook with other sheets that hold records: it holds none that we know, and why."""

    label: str
    reason: str


def parts_of(file: Source, as_kind: str | None, mapping: Mapping | None) -> Iterator[Part | LeftAlone]:
    """What a file holds. A UserError says why it cannot be told, or why it is nothing that we know."""
    there = file.sheets
    if not there:
        yield from _parts(file, None, file.name, as_kind, mapping)
        return
    named = _by_sheet(mapping, as_kind) if mapping else {}
    if not named:
        yield from _known_sheets(file, there, as_kind, mapping)
        return
    if not any(sheet in there for sheet in named):
        raise UserError(
            f"has no sheet of the mapping ({', '.join(named)}); it has {', '.join(there)}",
            where=str(file),
            do="Mend the mapping",
        )
    for sheet, own in named.items():
        if sheet in there:
            yield from _parts(file, sheet, _label(file, sheet, there), as_kind, own)


def _by_sheet(mapping: Mapping, as_kind: str | None) -> dict[str, Mapping]:
    """The tables of a mapping that name a sheet, by its name."""
    tables = [(kind, t) for kind, tables in mapping.kinds.items() for t in tables if as_kind in (None, kind)]
    return {
        sheet: mapping.model_copy(
            update={
                "kinds": {
                    kind: tuple(t for k, t in tables if k == kind and t.sheet == sheet)
                    for kind in dict.fromkeys(k for k, t in tables if t.sheet == sheet)
                }
            }
        )
        for sheet in dict.fromkeys(t.sheet for _, t in tables if t.sheet)
    }


def _known_sheets(
    file: Source, there: list[str], as_kind: str | None, mapping: Mapping | None
) -> Iterator[Part | LeftAlone]:
    """Every sheet that holds records we know; at least one must."""
    found: list[Part] = []
    left: list[LeftAlone] = []
    first: UserError | None = None
    for sheet in there:
        label = _label(file, sheet, there)
        try:
            found += _parts(file, sheet, label, as_kind, mapping)
        except UserError as e:
            first = first or e
            if sheet not in GUIDE or not set(GUIDE) <= set(there):  # what our own template says of itself
                left.append(LeftAlone(label, e.what))
    if first and not found:
        raise first
    yield from found
    yield from left


def _label(file: Source, sheet: str, there: list[str]) -> str:
    return f"{file.name}[{sheet}]" if len(there) > 1 else file.name


def _parts(file: Source, sheet: str | None, label: str, as_kind: str | None, mapping: Mapping | None) -> list[Part]:
    options = mapping.file if mapping else FileOptions()
    known = partial(knows, as_kind=as_kind, mapping=mapping)
    table = file.table(options.dialect, sheet, known)
    where = str(file) if sheet is None or label == file.name else f"{file}, sheet {sheet}"
    found = recognise(table.header, where, name=file.name, as_kind=as_kind, mapping=mapping)
    return [Part(table, label, how, _others_patients(table.header, how)) for how in found]


def _others_patients(header: tuple[str, ...], how: Recognised) -> tuple[str, ...]:
    if not how.mapping.patients or how.mapping.patient_sources:
        return ()
    from pipeline.mapping.patients import private_sources

    return private_sources(header, how.mapping)
