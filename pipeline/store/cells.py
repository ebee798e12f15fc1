"""The books of cells: of every column of a batch, what was read = stored + blanked + refused.

`read` is counted where text becomes typed (mapping.apply), before anything is parsed: cells that hold something, and
those made from device identifiers and templates. The other side is counted in the database: what the accepted records
hold, what is listed as blanked, and what refused records held. A record that the store has already counts as any other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.records import KINDS

if TYPE_CHECKING:
    import duckdb

    from pipeline.store.batches import Batch

    Connection = duckdb.DuckDBPyConnection


def lost(connection: Connection) -> None:
    """Make the table `lost`: each cell whose value is in no typed record, once, with the rule and the reason.

    Reads the relation `faults` of a load. A cell may be lost twice: what stood in it does not parse, and what a device
    identifier says in its place is impossible.
    """
    connection.execute(
        """create or replace temp table lost as
           select record_no, source_row, "column", min(rule) as rule, arg_min(reason, rule) as reason
           from (select record_no, source_row, rule, reason, unnest(columns) as "column",
                        rule = 'value_does_not_parse' as unparsed
                 from faults where action = 'blank' or rule = 'value_does_not_parse')
           group by record_no, source_row, "column", unparsed"""
    )


def account(connection: Connection, kind: str, batch_id: int, read: dict[str, int]) -> int:
    """Write the books of a batch; gives the number of blanked cells.

    Reads the relations `incoming`, `refused` and `lost` of a load. Raises AssertionError when they do not add up.
    """
    names = KINDS[kind].names
    refused = "record_no in (select record_no from refused)"
    any_refused = connection.execute("select 1 from refused limit 1").fetchone() is not None
    stored = _filled(connection, names, f"not ({refused})" if any_refused else "true")
    held = _filled(connection, names, refused) if any_refused else dict.fromkeys(names, 0)
    spoilt = dict(connection.execute(f'select "column", count(*) from lost where {refused} group by all').fetchall())
    blanked = dict(
        connection.execute(
            """select "column", count(*) from (select unnest(columns) as "column" from quarantine
               where batch_id = ? and what = 'cell') group by all""",
            [batch_id],
        ).fetchall()
    )
    books = [
        (batch_id, name, read[name], stored[name], blanked.get(name, 0), held[name] + spoilt.get(name, 0))
        for name in names
    ]
    for _, name, *counts in books:
        if counts[0] != sum(counts[1:]):
            parts = "{1} stored, {2} blanked, {3} in refused rows".format(*counts)
            raise AssertionError(f"{counts[0]} cells of {kind}.{name} read, accounted for: {parts}")
    filled = [line for line in books if line[2]]
    if filled:
        lines = ", ".join(["(?, ?, ?, ?, ?, ?)"] * len(filled))
        connection.execute(f"insert into cells values {lines}", [value for line in filled for value in line])
    return sum(blanked.values())


def _filled(connection: Connection, names: tuple[str, ...], condition: str) -> dict[str, int]:
    counts = ", ".join(f'count("{name}")' for name in names)
    found = connection.execute(f"select {counts} from incoming where {condition}").fetchone()
    assert found is not None
    return dict(zip(names, found, strict=True))


# Of the filled cells of a column, and at least so many, blanked: the column was misread, not the cells.
NEARLY_ALL, MANY = 0.9, 10


def misread(connection: Connection, batch: Batch) -> list[str]:
    """The columns of a batch of which nearly every cell was left empty."""
    found = connection.execute(
        f"""select "column" from cells where blanked >= {MANY} and blanked >= {NEARLY_ALL} * "read"
            and batch_id = (select max(batch_id) from batches where file_hash = ? and kind = ? and practice = ?
                            and mapping_hash = ? and rules_hash = ?) order by 1""",
        [batch.file_hash, batch.kind, batch.practice, batch.mapping_hash, batch.rules_hash],
    ).fetchall()
    return [column for (column,) in found]
