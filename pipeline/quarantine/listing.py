"""What was refused, where it stands, and why."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any

from pipeline.checks.suites import all_rules
from pipeline.errors import UserError
from pipeline.store.records import KINDS

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

_rules = cache(all_rules)

# Of a file's records, and at least so many, refused by one rule: the column was misread, not the row.
NEARLY_ALL, MANY = 0.9, 10


@dataclass(frozen=True)
class Wanted:
    """Which refused records are meant; None is all. `file` may be a pattern such as visits*.csv; of `rules` any."""

    kind: str | None = None
    rule: str | None = None
    file: str | None = None
    batch: int | None = None
    column: str | None = None
    rules: tuple[str, ...] | None = None

    @property
    def sql(self) -> str:
        """A condition on the rows q of the table quarantine; its parameters are the attributes."""
        return """($kind is null or q.kind = $kind) and ($rule is null or list_contains(q.rules, $rule))
            and ($file is null or q.source_file = $file or q.source_file glob $file)
            and ($batch is null or q.batch_id = $batch) and ($column is null or list_contains(q.columns, $column))
            and ($rules is null or list_has_any(q.rules, $rules))"""


@dataclass(frozen=True)
class Refused:
    """One refused record: where it stands, why it was refused, and what of its row was kept."""

    file: str
    row: int
    kind: str
    rules: list[str]
    reasons: list[str]
    columns: list[str]
    batch: int
    record_no: int
    record: str
    how: str  # how its file was read, as JSON (see ingest.py)

    @property
    def reason(self) -> str:
        return " ".join(dict.fromkeys(self.reasons))

    @cached_property
    def cells(self) -> dict[str, str] | None:
        """The mapped cells of its row, patient ids as pseudonyms; None where the row cannot be told into cells."""
        if not self.columns:  # only a broken row points at no column
            return None
        found = json.loads(self.record)
        return found if isinstance(found, dict) else None

    @property
    def faulty(self) -> frozenset[str]:
        """The columns at fault: of those that its rules look at the ones that their reasons name, where they do."""
        found: set[str] = set()
        for rule, reason in zip(self.rules, self.reasons, strict=True):
            known = _rules().get(rule)
            looked_at = known.columns if known else self.columns
            said = reason.rpartition(" Found: ")[2].rstrip(".").split(", ") if known else [reason.partition(":")[0]]
            named = {column for column in looked_at for words in said if words.split(" ")[0] == column}
            found |= named or set(looked_at)
        return frozenset(found)

    def as_json(self) -> dict[str, Any]:
        named = {"file": self.file, "row": self.row, "kind": self.kind, "batch": self.batch, "rules": self.rules}
        why = {"reason": self.reason, "reasons": self.reasons, "columns": self.columns}
        return {**named, **why, "record": self.record, "cells": self.cells}


def refused(connection: Connection, wanted: Wanted | None = None) -> list[Refused]:
    """Refused records by file and row. A UserError names what there is where nothing has a wanted name."""
    wanted = wanted or Wanted()
    check(connection, wanted)
    found = connection.execute(
        f"""select q.source_file, q.source_row, q.kind, q.rules, q.reasons, q.columns, q.batch_id, q.record_no,
                   q.record, b.mapping
            from quarantine q join batches b using (batch_id) where {wanted.sql}
            order by q.source_file, q.batch_id, q.record_no""",
        vars(wanted),
    ).fetchall()
    return [Refused(*row) for row in found]


def by_reason(connection: Connection, wanted: Wanted | None = None) -> list[dict[str, Any]]:
    """How many records each rule refused, the most frequent first: rule, rows, kind, files, reason, hint.

    A reason is the rule's, without the values found. `hint` is given where a rule refused nearly all of a file.
    """
    wanted = wanted or Wanted()
    check(connection, wanted)
    cursor = connection.execute(
        f"""with refusals as (
                select q.kind, q.batch_id, q.source_file, q.record_no, q.rule, min(q.reason) as reason
                from (select *, unnest(rules) as rule, unnest(reasons) as reason from quarantine) q
                where {wanted.sql} group by all),
            by_batch as (
                select kind, rule, batch_id, source_file, count(*) as n, min(reason) as reason
                from refusals group by all)
            select rule, sum(n)::bigint as "rows", by_batch.kind, count(distinct by_batch.source_file) as files,
                   case when rule = 'value_does_not_parse' then 'A value is not written as the mapping says.'
                   else split_part(min(reason), ' Found: ', 1) end as reason,
                   bool_or(n >= {MANY} and n >= {NEARLY_ALL} * b."read") as hint
            from by_batch join batches b using (batch_id)
            group by by_batch.kind, rule order by "rows" desc, by_batch.kind, rule""",
        vars(wanted),
    )
    names = [d[0] for d in cursor.description or ()]
    lines = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    hint = "nearly every row of a file: the mapping may say the wrong unit, notation or format"
    return [line | {"hint": hint if line["hint"] else None} for line in lines]


def check(connection: Connection, wanted: Wanted) -> None:
    """Raise a UserError, which names what there is, where nothing refused has a wanted name."""
    if wanted.kind is not None and wanted.kind not in KINDS:
        raise UserError(f"there is no record kind {wanted.kind}; the kinds are {', '.join(KINDS)}")
    # attribute: what has it among all refused rows, what is said when nothing has, and of what the others are
    known = {
        "rule": ("unnest(rules)", "no row was refused by the rule {}", "Rules"),
        "file": ("source_file", "no row of a file {} was refused", "Files"),
        "batch": ("batch_id", "no row of batch {} was refused", "Batches"),
        "column": ("unnest(columns)", "no row was refused for the column {}", "Columns"),
    }
    for attribute, (those, what, others) in known.items():
        value = getattr(wanted, attribute)
        if value is None:
            continue
        one = Wanted(**{attribute: value})
        if connection.execute(f"select 1 from quarantine q where {one.sql} limit 1", vars(one)).fetchone() is None:
            names = connection.execute(f"select distinct {those} as v from quarantine order by v").fetchall()
            there = ", ".join(str(name) for (name,) in names) or "none"
            raise UserError(what.format(value), do=f"{others} with refused rows: {there}")
