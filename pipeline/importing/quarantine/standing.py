"""Which records stand in the store as an old mapping read them, where a mended one would read them otherwise.

A retry reads refused rows only. What the old mapping let pass may be wrong as well (a date whose day and month it
swapped), and only reading the whole file again can mend that: so it is said.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from pipeline.importing.quarantine.again import mended
from pipeline.importing.quarantine.how import How, as_read
from pipeline.importing.quarantine.kept import as_kept, hash_of, origins
from pipeline.importing.quarantine.listing import Wanted
from pipeline.mapping.model import KindMapping, Mapping
from pipeline.records import KINDS

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

_ALL = "true"
_SHOWN = 8  # row numbers


@dataclass(frozen=True)
class Standing:
    """Records of a file that a mended mapping may read otherwise: in which columns (none: all of them), which rows."""

    file: str
    kind: str
    columns: tuple[str, ...]
    rows: int
    first_rows: tuple[int, ...]

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"columns": list(self.columns), "first_rows": list(self.first_rows)}

    def sentence(self, mapping: str) -> str:
        """A line for people, with the command that mends it."""
        many = "1 row" if self.rows == 1 else f"{self.rows} rows"
        shown = ", ".join(map(str, self.first_rows)) + (" ..." if self.rows > len(self.first_rows) else "")
        what = f" ({', '.join(self.columns)})" if self.columns else ""
        path = self.file.partition("[")[0].partition(".zip/")
        return (
            f"{many} of {self.file} ({self.kind}) stand as the old mapping read them{what}: row {shown}. Read the "
            f"whole file again: canalwise ingest {path[0]}{'.zip' if path[1] else ''} --mapping {mapping}"
        )


def standing(connection: Connection, wanted: Wanted, mapping: Mapping) -> list[Standing]:
    """What stands under the mappings by which the wanted refused rows were read, by file. Ask before they are retried.

    All files that such a mapping read are meant, not only those with refused rows; but none that the mended one has
    read since.
    """
    found: dict[tuple[str, str], Standing] = {}
    for origin in origins(connection, wanted):
        how = mended(origin, mapping)
        if isinstance(how, str):
            continue
        affected = _affected(as_read(origin.batch.mapping), how, origin.batch.kind)
        if not affected:
            continue
        new = hash_of(as_kept(origin.batch, how))
        rows = connection.execute(
            f"""select b.source_file, count(*), list_slice(list_sort(list(distinct r.source_row)), 1, {_SHOWN})
                from {origin.batch.kind} r join batches b using (batch_id)
                where b.mapping_hash = ? and ({" or ".join(affected.values())})
                and b.file_hash not in (select file_hash from batches where mapping_hash = ? and kind = ?)
                group by all order by all""",
            [origin.batch.mapping_hash, new, origin.batch.kind],
        ).fetchall()
        columns = tuple(column for column in affected if column)
        for file, many, first in rows:
            found[file, origin.batch.mapping_hash] = Standing(file, origin.batch.kind, columns, many, tuple(first))
    return list(found.values())


def _affected(old: How, new: How, kind: str) -> dict[str, str]:
    """Column -> which records r it may change, as SQL. "" is a change to all of a record. Empty where nothing that was
    read would be read otherwise."""
    if _shape(old) != _shape(new):
        return {"": _ALL}
    found: dict[str, list[str]] = {}
    for column in (*KINDS[kind].names, "practice"):
        if column not in old.table.filled | new.table.filled:
            continue
        conditions = _of_column(old, new, column, "text" if column == "practice" else KINDS[kind].column(column).type)
        if conditions:
            found[column] = conditions
    return {column: " or ".join(conditions) for column, conditions in found.items()}


def _shape(how: How) -> str:
    """What decides which cells a record has."""
    options = how.options.model_dump(include={"encoding", "delimiter", "quote", "header_row", "header_rows", "trailer"})
    table = how.table.model_dump(include={"each", "split"}, mode="json")
    return json.dumps([options, table, how.table.patients != ()], sort_keys=True, default=str)


def _of_column(old: How, new: How, column: str, type_: str) -> list[str]:
    if _reading(old, column, type_) != _reading(new, column, type_):
        return [_ALL]
    conditions = []
    before, after = (_words(how.table, column) for how in (old, new))
    cell = f'lower(cast(r."{column}" as varchar))'
    for word in before.keys() | after.keys():
        if before.get(word) != after.get(word):
            # Where the word meant nothing before it stands in the record as it is, else as what it meant.
            stood = before.get(word, word).lower()
            conditions.append(f"{cell} = {_quoted(stood)}" if stood else f'r."{column}" is null')
    defaults = [how.table.columns[column].default if column in how.table.columns else None for how in (old, new)]
    if defaults[0] != defaults[1]:
        conditions.append(f'r."{column}" is null' if not defaults[0] else f"{cell} = {_quoted(defaults[0].lower())}")
    if type_ == "bool":
        for name, value in (("true", "true"), ("false", "false")):
            lost = {w.lower() for w in getattr(old.options, name)} - {w.lower() for w in getattr(new.options, name)}
            if lost:
                conditions.append(f'r."{column}" is {value}')
    return conditions


def _reading(how: How, column: str, type_: str) -> tuple[object, ...]:
    """All that decides what a cell means, but for words."""
    own = how.table.columns.get(column)
    options = how.options
    form = {"date": options.date, "timestamp": options.timestamp}.get(type_)
    return (
        how.table.sources_of(column),
        how.table.constants.get(column),
        own and (own.join, own.template, own.unit, own.notation, own.synonyms),
        ((own and own.format) or form or "iso") if type_ in ("date", "timestamp") else None,
        ((own and own.decimal) or options.decimal) if type_ in ("decimal", "int") else None,
        options.time_zone if type_ in ("date", "timestamp") else None,
    )


def _words(table: KindMapping, column: str) -> dict[str, str]:
    how = table.columns.get(column)
    return {word.lower(): meaning for word, meaning in how.values.items()} if how else {}


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
