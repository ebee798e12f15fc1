"""Reading JSON as text: a record a line (NDJSON), or one array of records.

DuckDB takes the cells out of each record; numbers come with a point, true and false as words, null as an empty cell.
"""

from __future__ import annotations

import json

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.head import is_blank
from pipeline.sources.table import WHITE, Broken, File, Lines, RawTable, cell_names
from pipeline.sources.text import decode, lines_of
from pipeline.store.database import scratch
from pipeline.store.frames import frame

_MOST_KEYS = 10_000
_NO_OBJECT, _KEY_TWICE = "not_a_json_object", "json_key_twice"
_REASONS = {
    _NO_OBJECT: "This line is not a JSON object.",
    _KEY_TWICE: "This record has the same key twice; which value is meant cannot be told.",
}


def read_json(path: File, encoding: str | None = None) -> RawTable:
    """Records of a JSON file; a line that is no JSON object is a broken record with its text."""
    text, _ = decode(path, encoding)
    if text.lstrip(WHITE).startswith("["):
        records = _array(text, path)
        blank = 0
    else:
        # JSON writes no line end inside a text, so that any of them ends a record.
        lines, _ = lines_of(text)
        records = [(number, line) for number, line in enumerate(lines, start=1) if not is_blank(line)]
        blank = len(lines) - len(records)
    if not records:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    table = _table(records, blank, path)
    if not table.rows.height and len(records) > 1 and _is_one_object(text):
        raise UserError("is one JSON object, not records", where=str(path), do="Export a list, or a record a line")
    return table


def _array(text: str, path: File) -> list[tuple[int, str]]:
    """The elements of an array, numbered from 1, each as JSON text again."""
    try:
        found = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as e:
        at = f"{path}, line {e.lineno}" if isinstance(e, json.JSONDecodeError) else str(path)
        raise UserError(f"is not valid JSON ({e})", where=at, do="Export it again") from None
    return [(number, json.dumps(record, ensure_ascii=False)) for number, record in enumerate(found, start=1)]


def _table(records: list[tuple[int, str]], blank: int, path: File) -> RawTable:
    lines_in = pl.DataFrame(records, schema={"source_row": pl.Int64, "line": pl.String}, orient="row")
    with scratch() as connection:
        connection.register("lines_in", lines_in)
        connection.execute(
            f"""create temp table lines as
                select source_row, line,
                       case when not json_valid(line) or json_type(line) <> 'OBJECT' then '{_NO_OBJECT}'
                            when len(json_keys(line)) <> len(list_distinct(json_keys(line))) then '{_KEY_TWICE}'
                       end as rule
                from lines_in"""
        )
        # Keys in the order in which the records bring them.
        keys = connection.execute(
            """select k from (
                   select unnest(json_keys(line)) as k, generate_subscripts(json_keys(line), 1) as place, source_row
                   from lines where rule is null)
               group by k order by min((source_row, place))"""
        ).fetchall()
        if len(keys) > _MOST_KEYS:
            what = f"has {len(keys):,} different keys, more than {_MOST_KEYS:,}"
            raise UserError(what, where=str(path), do="Export records, one key a column")
        header = tuple(key for (key,) in keys)
        cells = "".join(f", coalesce(line ->> {_path(key)}, '') as c{i}" for i, key in enumerate(header))
        rows = frame(connection, f"select source_row{cells} from lines where rule is null order by source_row")
        refused = connection.execute(
            "select source_row, line, rule from lines where rule is not null order by source_row"
        ).fetchall()
    rows.columns = ["source_row", *cell_names(len(header))]
    broken = tuple(Broken(at, line, (), rule, _REASONS[rule]) for at, line, rule in refused)
    lines = Lines(len(records) + blank, 0, blank, 0, rows.height, len(broken))
    return RawTable(header, rows, broken, blank, typed_cells=True, lines=lines)


def _is_one_object(text: str) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except (ValueError, RecursionError):
        return False


def _path(key: str) -> str:
    """A key as an SQL text of a JSON Pointer (RFC 6901)."""
    return "'/" + key.replace("~", "~0").replace("/", "~1").replace("'", "''") + "'"
