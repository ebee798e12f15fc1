"""Patients' numbers become pseudonyms before anything else is made of a file's cells.

What a mapping makes the patient id of may stand in other columns too: as a case number, as a part of one, in a table of
another kind. Wherever it stands it is the pseudonym of that patient, so that records meet across files and nothing that
is kept or told of a row (its key, its refused cells, the reasons) holds the number.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace

import polars as pl

from pipeline.mapping.model import KindMapping, Patient, SourceColumn, place
from pipeline.mapping.wide import joined
from pipeline.records import KINDS
from pipeline.sources.table import RawTable
from pipeline.store.pseudonyms import FORM, pseudonyms

_MADE = "\x00"  # begins the names of the columns that are made here: no header has it in a table that a mapping names
_NOT_SHOWN = "birth_year: what stands there is no year; it is not shown, as the patient's id is made of it."


@dataclass(frozen=True)
class Hidden:
    """`read` and `mapping` make the records; `shown` is the export as it may be kept and told of."""

    read: RawTable
    mapping: KindMapping
    shown: RawTable
    part_of_id: bool  # birth_year is read from a cell that the patient's id is made of

    def without_numbers(self, faults: pl.DataFrame) -> pl.DataFrame:
        """Faults of records (see apply.Typed) whose reasons name no cell that a patient's id is made of."""
        if not self.part_of_id:
            return faults
        private = (pl.col("column") == "birth_year") & (pl.col("rule") == "value_does_not_parse")
        return faults.with_columns(reason=pl.when(private).then(pl.lit(_NOT_SHOWN)).otherwise("reason"))


def private_sources(header: tuple[str, ...], mapping: KindMapping) -> tuple[str, ...]:
    """The source columns of a table that some patient id of its mapping file is made of."""
    parts = [part for patient in mapping.every_patient for part in _parts(header, patient)]
    return tuple(s for s in mapping.sources if any(_same(header, s, patient, at) for patient, at in parts))


def hide(raw: RawTable, kind: str, mapping: KindMapping, practice: str, key: bytes) -> Hidden:
    """An export with pseudonyms for what patient ids are made of; `practice` is that of rows that name none.

    Where a file has all parts of a patient's id, each of them stands for the whole; a lone part is a pseudonym of its
    own. A birth year is still read from a birth date's column, and nothing else that is no text.
    """
    names = private_sources(raw.header, mapping)
    if not names:
        return Hidden(raw, mapping, raw, part_of_id=False)
    rows = raw.rows.with_columns(_practice=_practice(raw, mapping, practice))
    made: dict[int, str] = {}  # place of a part -> the made column that stands for it
    shown = raw.rows
    header, extra = list(raw.header), []
    for number, patient in enumerate(mapping.every_patient):
        parts = [(p, at) for p, at in _parts(raw.header, patient) if at not in made]
        used = [at for p, at in parts if any(_same(raw.header, name, p, at) for name in names)]
        if not used:
            continue
        whole = len(parts) == len(patient.sources)
        for group in [[at for _, at in parts]] if whole else [[at] for at in used]:
            ids = _ids(rows, group, patient, raw.typed_cells, key)
            column = f"{_MADE}{number}.{group[0]}"
            extra.append(ids.alias(f"c{len(header)}"))
            header.append(column)
            made |= dict.fromkeys(group, column)
            first, *others = [at for at in group if at in used]
            shown = shown.with_columns(ids.alias(f"c{first}"), *(pl.lit("").alias(f"c{at}") for at in others))
    year, part_of_id = mapping.columns.get("birth_year"), False
    if year and len(year.sources) == 1:
        at = place(raw.header, year.sources[0])
        own = mapping.every_patient[0]
        part_of_id = at in made and len(own.sources) > 1 and at in [a for _, a in _parts(raw.header, own)]
        if part_of_id:
            extra.append(raw.rows[f"c{at}"].alias(f"c{len(header)}"))
            header.append(f"{_MADE}birth_year")
    columns = {name: _rewritten(kind, name, how, raw.header, made) for name, how in mapping.columns.items()}
    if "patient_id" in columns:  # its words are translated already
        columns["patient_id"] = columns["patient_id"].model_copy(update={"values": {}})
    if part_of_id:
        columns["birth_year"] = columns["birth_year"].model_copy(update={"sources": (f"{_MADE}birth_year",)})
    return Hidden(
        replace(raw, header=tuple(header), rows=shown.with_columns(extra)),
        mapping.model_copy(update={"columns": columns}),
        replace(raw, rows=shown),
        part_of_id,
    )


def _parts(header: tuple[str, ...], patient: Patient) -> list[tuple[Patient, int]]:
    """The parts of a patient's id that a file has, by their places."""
    found = [place(header, s) for s in patient.sources if patient.near or not s.startswith("#") or s in header]
    return [(patient, at) for at in dict.fromkeys(found) if at is not None]


def _same(header: tuple[str, ...], source: str, patient: Patient, at: int) -> bool:
    """Whether a table's source column is that part. In another file it must be called so: places mean nothing there."""
    if patient.near:
        return place(header, source) == at
    return unicodedata.normalize("NFC", source) == unicodedata.normalize("NFC", header[at])


def _rewritten(kind: str, name: str, how: SourceColumn, header: tuple[str, ...], made: dict[int, str]) -> SourceColumn:
    """A column that reads the pseudonym once, where the first part of the id stood."""
    if not how.sources or (name != "practice" and KINDS[kind].column(name).type != "text"):
        return how  # what is no text finds the pseudonym in its cell, which parses as nothing
    at = [place(header, source) for source in how.sources]
    sources = [made.get(-1 if p is None else p, source) for p, source in zip(at, how.sources, strict=True)]
    return how.model_copy(update={"sources": tuple(dict.fromkeys(sources))})


def _practice(raw: RawTable, mapping: KindMapping, practice: str) -> pl.Expr:
    """The practice of each row, as its record will have it."""
    how = mapping.columns.get("practice")
    if how is None or not how.sources:
        return pl.lit(mapping.constants.get("practice", "").strip() or practice)
    places = [place(raw.header, source) for source in how.sources]
    cell = joined([_cell(at) for at in places if at is not None], how.join, raw.typed_cells, only_whole=False)
    if how.default and how.default.strip():
        cell = cell.fill_null(how.default.strip())
    return _translated(cell, how.values).fill_null(practice)


def _translated(cell: pl.Expr, values: dict[str, str]) -> pl.Expr:
    if not values:
        return cell
    words = {word.lower(): meaning for word, meaning in values.items()}
    found = pl.coalesce(cell.str.to_lowercase().replace_strict(words, default=None, return_dtype=pl.String), cell)
    return pl.when(found != "").then(found)


def _cell(at: int) -> pl.Expr:
    return pl.col(f"c{at}").str.strip_chars().replace("", None)


def _ids(rows: pl.DataFrame, group: list[int], patient: Patient, typed_cells: bool, key: bytes) -> pl.Series:
    """The pseudonym of each row, "" where the id is not whole. A part that is one already (of a row that was refused
    once) stays."""
    cells = [_cell(at) for at in group]
    id_ = joined(cells, patient.join, typed_cells, only_whole=True)
    if len(group) == len(patient.sources):
        id_ = _translated(id_, patient.values)
    before = pl.coalesce(pl.when(cell.str.contains(FORM.pattern)).then(cell) for cell in cells)
    found = rows.select(practice="_practice", id=pl.coalesce(before, id_))
    pairs = found.unique().drop_nulls()
    known = pairs.with_columns(pl.Series("pseudonym", pseudonyms(pairs.iter_rows(), key), dtype=pl.String))
    return found.join(known, on=["practice", "id"], how="left", maintain_order="left")["pseudonym"].fill_null("")
