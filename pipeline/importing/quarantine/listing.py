"""What was refused or left empty, where it stands, and why."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any

from pipeline.checks.suites import all_rules
from pipeline.errors import UserError
from pipeline.records import KINDS
from pipeline.store.cells import MANY, NEARLY_ALL

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

_rules = cache(all_rules)


@dataclass(frozen=True)
class Wanted:
    """Which refused records, and which with blanked cells, are meant; None is all. `file` may be a pattern such as
    visits*.csv; of `rules` any."""

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
    """One refused record (`what` is row), or one in the store of which cells were left empty (cell): where it stands,
    why, and what of its row was kept. Of a cell `rules`, `reasons` and `columns` have an entry each."""

    file: str
    row: int
    kind: str
    rules: list[str]
    reasons: list[str]
    columns: list[str]
    batch: int
    record_no: int
    record: str
    what: str
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
        if self.what == "cell":
            return frozenset(self.columns)
        found: set[str] = set()
        for rule, reason in zip(self.rules, self.reasons, strict=True):
            known = _rules().get(rule)
            looked_at = known.blanks or known.columns if known else self.columns
            said = reason.rpartition(" Found: ")[2].rstrip(".").split(", ") if known else [reason.partition(":")[0]]
            named = {column for column in looked_at for words in said if words.split(" ")[0] == column}
            found |= named or set(looked_at)
        return frozenset(found)

    @property
    def what_in_words(self) -> str:
        """What became of it, in words."""
        if self.what == "row":
            return "row refused"
        cells = list(dict.fromkeys(self.columns))
        return f"left empty: {', '.join(cells)}"

    def as_json(self) -> dict[str, Any]:
        named = {"file": self.file, "row": self.row, "kind": self.kind, "what": self.what, "batch": self.batch}
        named |= {"rules": self.rules}
        why = {"reason": self.reason, "reasons": self.reasons, "columns": self.columns}
        return {**named, **why, "record": self.record, "cells": self.cells}


def refused(connection: Connection, wanted: Wanted | None = None) -> list[Refused]:
    """Refused records and those with blanked cells, by file and row.

    A UserError names what there is where nothing has a wanted name.
    """
    wanted = wanted or Wanted()
    check(connection, wanted)
    found = connection.execute(
        f"""select q.source_file, q.source_row, q.kind, q.rules, q.reasons, q.columns, q.batch_id, q.record_no,
                   q.record, q.what, b.mapping
            from quarantine q join batches b using (batch_id) where {wanted.sql}
            order by q.source_file, q.batch_id, q.record_no""",
        vars(wanted),
    ).fetchall()
    return [Refused(*row) for row in found]


def by_reason(connection: Connection, wanted: Wanted | None = None) -> list[dict[str, Any]]:
    """How many records each rule refused (rows) and how many cells it left empty, the most frequent first: rule, rows,
    cells, kind, files, reason, hint.

    A reason is the rule's, without the values found. `hint` is given where a rule refused nearly all of a file, or left
    nearly all of a column empty. A refused record is counted for each of its faults.
    """
    wanted = wanted or Wanted()
    check(connection, wanted)
    cursor = connection.execute(
        f"""with refusals as (
                select q.kind, q.batch_id, q.source_file, q.record_no, q.rule,
                       case when q.what = 'cell' then q.cell end as "column", min(q.reason) as reason
                from (select *, unnest(rules) as rule, unnest(reasons) as reason, unnest(columns) as cell
                      from quarantine) q
                where q.rule is not null and {wanted.sql} group by all),
            by_batch as (
                select kind, rule, "column", batch_id, source_file, count(*) as n, min(reason) as reason
                from refusals group by all)
            select rule, coalesce(sum(n) filter (b."column" is null), 0)::bigint as "rows",
                   coalesce(sum(n) filter (b."column" is not null), 0)::bigint as cells,
                   b.kind, count(distinct b.source_file) as files,
                   case when rule = 'value_does_not_parse' then 'A value is not written as the mapping says.'
                   else split_part(min(reason), ' Found: ', 1) end as reason,
                   bool_or(n >= {MANY} and n >= {NEARLY_ALL} * coalesce(c."read", batches."read")) as hint
            from by_batch b join batches using (batch_id)
            left join cells c on c.batch_id = b.batch_id and c."column" = b."column"
            group by b.kind, rule order by "rows" + cells desc, b.kind, rule""",
        vars(wanted),
    )
    names = [d[0] for d in cursor.description or ()]
    lines = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    hint = "nearly every {} of a file: the mapping may say the wrong unit, notation or format"
    whole = {True: hint.format("row"), False: hint.format("cell of a column")}
    return [line | {"hint": whole[line["rows"] > 0] if line["hint"] else None} for line in lines]


def counted(connection: Connection, wanted: Wanted | None = None) -> tuple[int, int]:
    """How many records are refused, and how many cells left empty."""
    wanted = wanted or Wanted()
    found = connection.execute(
        f"""select count(*) filter (q.what = 'row'), coalesce(sum(len(q.columns)) filter (q.what = 'cell'), 0)
            from quarantine q where {wanted.sql}""",
        vars(wanted),
    ).fetchone()
    assert found is not None
    return int(found[0]), int(found[1])


def check(connection: Connection, wanted: Wanted) -> None:
    """Raise a UserError, which names what there is, where nothing refused has a wanted name."""
    if wanted.kind is not None and wanted.kind not in KINDS:
        raise UserError(f"there is no record kind {wanted.kind}; the kinds are {', '.join(KINDS)}")
    # attribute: what has it among all refused rows, what is said when nothing has, and of what the others are
    known = {
        "rule": ("unnest(rules)", "nothing was refused or left empty by the rule {}", "Rules"),
        "file": ("source_file", "nothing of a file {} was refused or left empty", "Files"),
        "batch": ("batch_id", "nothing of batch {} was refused or left empty", "Batches"),
        "column": ("unnest(columns)", "nothing was refused or left empty for the column {}", "Columns"),
    }
    for attribute, (those, what, others) in known.items():
        value = getattr(wanted, attribute)
        if value is None:
            continue
        one = Wanted(**{attribute: value})
        if connection.execute(f"select 1 from quarantine q where {one.sql} limit 1", vars(one)).fetchone() is None:
            names = connection.execute(f"select distinct {those} as v from quarantine order by v").fetchall()
            there = ", ".join(str(name) for (name,) in names) or "none"
            raise UserError(what.format(value), do=f"{others} in quarantine: {there}")
