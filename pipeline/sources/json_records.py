"""Reading JSON as text: a record a line (NDJSON), or one array of records.

DuckDB takes the cells out of each record; numbers come with a point, true and false as words, null as an empty cell,
lists and objects as JSON.
"""

from __future__ import annotations

import json

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.table import WHITE, Broken, File, Lines, RawTable, cell_names
from pipeline.sources.text import decode, lines_of
from pipeline.store.database import scratch
from pipeline.store.frames import frame

_MOST_KEYS = 10_000
_REASONS = {
    "not_a_json_object": "This line is not a JSON object.",
    "json_key_twice": "This record has the same key twice; which value is meant cannot be told.",
}


def read_json(path: File, encoding: str | None = None) -> RawTable:
    """Records of a JSON file; a line that is no JSON object is a broken record with its text."""
    text, _ = decode(path, encoding)
    # JSON has no line end inside a text: any of them ends a record.
    lines = _array(text, path) if text.lstrip(WHITE).startswith("[") else lines_of(text)[0]
    records = pl.DataFrame({"line": lines}, schema={"line": pl.String}).with_row_index("source_row", 1)
    records = records.filter(pl.col("line").str.strip_chars(WHITE) != "")
    if not records.height:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    header, rows, broken = _told(records, path)
    if not rows.height and len(broken) > 1 and _is_one_object(text):
        raise UserError("is one JSON object, not records", where=str(path), do="Export a list, or a record a line")
    blank = len(lines) - records.height
    accounted = Lines(len(lines), 0, blank, 0, rows.height, len(broken))
    return RawTable(header, rows, broken, blank, typed_cells=True, lines=accounted)


def _array(text: str, path: File) -> list[str]:
    """The elements of an array, each as the JSON text that it is."""
    with scratch() as connection:
        if connection.execute("select json_valid($1)", [text]).fetchone() == (True,):
            elements = connection.execute("select unnest(json_extract($1, '$[*]'))::varchar", [text]).fetchall()
            return [element for (element,) in elements]
    at, why = str(path), ""
    try:
        json.loads(text)  # says where
    except json.JSONDecodeError as e:
        at, why = f"{path}, line {e.lineno}", f" ({e})"
    except (ValueError, RecursionError):
        pass
    raise UserError(f"is not valid JSON{why}", where=at, do="Export it again")


def _told(records: pl.DataFrame, path: File) -> tuple[tuple[str, ...], pl.DataFrame, tuple[Broken, ...]]:
    """The keys of all records in the order in which they come, the cells, and what is no record."""
    with scratch() as connection:
        connection.register("records_in", records)
        connection.execute(
            """create temp table lines as
               select source_row::bigint as source_row, line,
                      case when json_valid(line)
                           then case when json_type(line) = 'OBJECT' then json_keys(line) end end as keys
               from records_in"""
        )
        # Most records have the same keys in the same order.
        key_lists = connection.execute(
            "select keys, len(keys) <> len(list_distinct(keys)) from lines where keys is not null "
            "group by keys order by min(source_row)"
        ).fetchall()
        header = tuple(dict.fromkeys(key for keys, twice in key_lists if not twice for key in keys))
        if len(header) > _MOST_KEYS:
            what = f"has {len(header):,} different keys, more than {_MOST_KEYS:,}"
            raise UserError(what, where=str(path), do="Export records, one key a column")
        refused = "keys is null"
        if any(twice for _, twice in key_lists):
            refused += " or len(keys) <> len(list_distinct(keys))"
        cells = "".join(f", coalesce(cells[{i}], '') as c{i - 1}" for i in range(1, len(header) + 1))
        paths = ", ".join(map(_path, header))
        rows = frame(
            connection,
            f"select source_row{cells} "
            f"from (select source_row, json_extract_string(line, [{paths}]::varchar[]) as cells "
            f"from lines where not ({refused})) order by source_row",
        )
        broken = connection.execute(
            "select source_row, line, case when keys is null then 'not_a_json_object' else 'json_key_twice' end "
            f"from lines where {refused} order by source_row"
        ).fetchall()
    rows.columns = ["source_row", *cell_names(len(header))]
    return header, rows, tuple(Broken(at, line, (), rule, _REASONS[rule]) for at, line, rule in broken)


def _is_one_object(text: str) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except (ValueError, RecursionError):
        return False


def _path(key: str) -> str:
    """A key as an SQL text of a JSON Pointer (RFC 6901)."""
    return "'/" + key.replace("~", "~0").replace("/", "~1").replace("'", "''") + "'"
