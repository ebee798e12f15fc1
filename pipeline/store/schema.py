"""The tables of the store: one a record kind, its history, and the books that account for every row."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.records import KINDS, SQL_TYPE, Kind

VERSION = 5

_PROVENANCE = (
    "practice VARCHAR, source_file VARCHAR, source_row BIGINT, loaded_at TIMESTAMP, batch_id BIGINT, record_no BIGINT"
)

_BOOKS = (
    # One row an imported file (and kind). `mapping` is how it was read, as JSON: refused rows can be read again.
    # read = loaded + unchanged + superseded + quarantined, checked as it is written.
    """create table batches (
        batch_id BIGINT, source_file VARCHAR, kind VARCHAR, practice VARCHAR, time_zone VARCHAR,
        file_hash VARCHAR, file_bytes BIGINT, mapping VARCHAR, mapping_hash VARCHAR, rules_hash VARCHAR,
        loaded_at TIMESTAMP,
        "read" BIGINT, loaded BIGINT, unchanged BIGINT, superseded BIGINT, quarantined BIGINT,
        check ("read" = loaded + unchanged + superseded + quarantined))""",
    # Records that were refused (`what` is row), and records that are in the store without some cells (`what` is cell:
    # rules, reasons and columns have an entry for each of these), with what a person needs to mend them. `record` holds
    # the mapped cells of their row, as JSON; `key` the record's key where it could be told: once that is in the store,
    # the refusal, or the blanked cell, is settled.
    """create table quarantine (
        batch_id BIGINT, record_no BIGINT, kind VARCHAR, source_file VARCHAR, source_row BIGINT, key VARCHAR,
        rules VARCHAR[], reasons VARCHAR[], columns VARCHAR[], record VARCHAR, what VARCHAR default 'row')""",
    # What became of the cells of a batch, column by column; read = stored + blanked + refused.
    """create table cells (
        batch_id BIGINT, "column" VARCHAR, "read" BIGINT, stored BIGINT, blanked BIGINT, refused BIGINT,
        check ("read" = stored + blanked + refused))""",
    # Records that stay in the store but that a warning or a rule across kinds has marked.
    """create table flags (
        kind VARCHAR, batch_id BIGINT, record_no BIGINT, source_row BIGINT, rule VARCHAR, action VARCHAR,
        reason VARCHAR, columns VARCHAR[], spoils VARCHAR[])""",
    """create table checks (
        checked_at TIMESTAMP, suite VARCHAR, expectations BIGINT, failed BIGINT, "rows" BIGINT, unexpected BIGINT)""",
    # What Great Expectations said of values (checks/remembered.py): of a text its hash, or a number.
    "create table value_verdicts (expectation VARCHAR, hash VARCHAR, number DOUBLE, refused BOOLEAN)",
    # The settings that the store was given, the last by time those of today (kept_settings.py).
    "create table settings_given (given_at TIMESTAMP, settings VARCHAR)",
    # What a batch leaves to be done; written in its transaction (due.py).
    "create table due (what VARCHAR)",
    # By which key pseudonyms were made: one row, none until the first import (identity.py).
    "create table store_key (fingerprint VARCHAR)",
    # One row: another token whenever the store was opened for writing, so that what was made of it before is known.
    "create table store_state (token VARCHAR)",
    "insert into store_state values (cast(uuid() as varchar))",
    "create table store_version (version INTEGER)",
)


def columns_sql(kind: Kind) -> str:
    """The columns of a kind's table as SQL, record first, provenance after."""
    record = ", ".join(f'"{c.name}" {SQL_TYPE[c.type]}' for c in kind.columns)
    return f"{record}, {_PROVENANCE}"


def record_tables(kind: Kind) -> dict[str, str]:
    """The tables of a kind, its records and their history: name -> columns as SQL."""
    columns = columns_sql(kind)
    return {kind.name: columns, f"{kind.name}_history": f"{columns}, replaced_by BIGINT, replaced_at TIMESTAMP"}


def create_statements(kinds: Mapping[str, Kind] = KINDS) -> list[str]:
    """All statements that make an empty store."""
    statements = list(_BOOKS)
    for kind in kinds.values():
        statements += [f"create table {name} ({columns})" for name, columns in record_tables(kind).items()]
    statements.append(f"insert into store_version values ({VERSION})")
    return statements
