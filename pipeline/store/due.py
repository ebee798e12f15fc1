"""What a store still owes after a batch: the flags of rules across kinds.

The mark is written in the batch's own transaction and goes with the flags' renewal, so a program that is cut off in
between leaves it, and the next that opens the store honours it (checks.across.open_judged). It says which batches have
changed something since the flags were renewed, so that no others need be judged again. Beside it stands by which rules
the flags were found: under others they are all due.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

_ALL = "flags"
_BATCH = "flags of batch "
_BY = "flags are by rules "


def mark(connection: Connection, batch_id: int | None = None) -> None:
    """Flags are due, as records have changed; inside the caller's transaction.

    `batch_id` is the batch that brought records, replaced or withdrew them (`replaced_by` in history says so); without
    it nothing tells what has changed, and all flags are due.
    """
    what = _ALL if batch_id is None else f"{_BATCH}{batch_id}"
    connection.execute("insert into due select $what where $what not in (select what from due)", {"what": what})


def settled(connection: Connection, rules: str) -> None:
    """Flags have been renewed by the rules of this fingerprint; inside the caller's transaction."""
    connection.execute("delete from due where what = ? or starts_with(what, ?) or starts_with(what, ?)", _WHAT)
    connection.execute("insert into due values (?)", [_BY + rules])


_WHAT = [_ALL, _BATCH, _BY]


def flags_due(connection: Connection) -> bool:
    return bool(connection.execute("select 1 from due where what = ? or starts_with(what, ?)", _WHAT[:2]).fetchall())


def batches_due(connection: Connection, rules: str) -> list[int] | None:
    """The batches since which flags are due; None where all are, also because they were found by other rules."""
    marks = {what for (what,) in connection.execute("select what from due").fetchall()}
    if _ALL in marks or _BY + rules not in marks:
        return None
    return sorted(int(what.removeprefix(_BATCH)) for what in marks if what.startswith(_BATCH))
