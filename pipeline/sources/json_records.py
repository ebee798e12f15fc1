"""Reading JSON as text: a record a line (NDJSON), or one array of records.

DuckDB takes the cells out of each record; numbers come with a point, true and false as words, null as an empty cell.
"""

from __future__ import annotations

import json

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.table import Broken, File, RawTable, cell_names
from pipeline.store.database import scratch
from pipeline.store.frames import frame


def read_json(path: File) -> RawTable:
    """Records of a JSON file; a line that is no JSON object is a broken record with its text."""
    text = _text(path)
    if text.lstrip().startswith("["):
        records = _array(text, path)
    else:
        records = [(number, line) for number, line in enumerate(text.split("\n"), start=1) if line.strip()]
    if not records:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    return _table(
        records, blank=0 if text.lstrip().startswith("[") else text.rstrip("\n").count("\n") + 1 - len(records)
    )


def _text(path: File) -> str:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as e:
        raise UserError(f"the file cannot be read ({e.strerror})", where=str(path), do="Check the path") from None
    except UnicodeDecodeError as e:
        raise UserError(
            f"byte {e.start} is not UTF-8 text", where=str(path), do="JSON is UTF-8: export it again"
        ) from None
    return text.replace("\r\n", "\n")


def _array(text: str, path: File) -> list[tuple[int, str]]:
    """The elements of an array, numbered from 1, each as JSON text again."""
    try:
        found = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as e:
        at = f"{path}, line {e.lineno}" if isinstance(e, json.JSONDecodeError) else str(path)
        raise UserError(f"is not valid JSON ({e})", where=at, do="Export it again") from None
    return [(number, json.dumps(record, ensure_ascii=False)) for number, record in enumerate(found, start=1)]


def _table(records: list[tuple[int, str]], blank: int) -> RawTable:
    lines = pl.DataFrame(records, schema={"source_row": pl.Int64, "line": pl.String}, orient="row")
    with scratch() as connection:
        connection.register("lines_in", lines)
        connection.execute(
            """create temp table lines as
               select source_row, line,
                      case when json_valid(line) then json_type(line) = 'OBJECT' else false end as sound
               from lines_in"""
        )
        # Keys in the order in which the records bring them.
        keys = connection.execute(
            """select k from (
                   select unnest(json_keys(line)) as k, generate_subscripts(json_keys(line), 1) as place, source_row
                   from lines where sound)
               group by k order by min((source_row, place))"""
        ).fetchall()
        header = tuple(key for (key,) in keys)
        cells = "".join(f", coalesce(line ->> {_path(key)}, '') as c{i}" for i, key in enumerate(header))
        rows = frame(connection, f"select source_row{cells} from lines where sound order by source_row")
        refused = connection.execute(
            "select source_row, line from lines where not sound order by source_row"
        ).fetchall()
    rows.columns = ["source_row", *cell_names(len(header))]
    broken = tuple(Broken(at, line, (), "not_a_json_object", "This line is not a JSON object.") for at, line in refused)
    return RawTable(header, rows, broken, blank, typed_cells=True)


def _path(key: str) -> str:
    """A key as an SQL text of a JSON path."""
    quoted = key.replace("\\", "\\\\").replace('"', '\\"')
    return "'$.\"" + quoted.replace("'", "''") + "\"'"
