"""Which records a rule across kinds must judge again, once some batches have changed the store.

A rule's `scope` (expectations/across.json) says whose records its verdict on a record hangs on: those of the record's
treatment, patient or instrument, or of its chair or dentist on its day. Nothing outside can change the verdict, so it
is enough to judge the treatments, patients ... that a new, replaced or withdrawn record belongs or belonged to, each
with all of its records. What counts over a dentist, a batch or a practice is of the scope `whole`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.checks.suites import Rule
from pipeline.records import KINDS

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

WHOLE = "whole"
OF_A_DAY = ("chair", "dentist")  # visits in one chair, or of one dentist, on one day
SCOPES = ("treatment", "patient", "instrument", *OF_A_DAY, WHOLE)

# From this share of all records on, to find out what was touched costs more than to judge everything.
LARGE = 0.25

_OF_TREATMENTS = tuple(kind.name for kind in KINDS.values() if "treatment_id" in kind.names)
_OF_INSTRUMENTS = tuple(kind.name for kind in KINDS.values() if "instrument_id" in kind.names)
_TABLE = re.compile(rf"\b(from|join)(\s+)({'|'.join(KINDS)})\b", re.IGNORECASE)


def reads(rule: Rule) -> set[str]:
    """The kinds whose records a rule looks at, its own among them."""
    return {rule.kind} | {found[2] for found in _TABLE.findall(rule.judged)}


def is_large(connection: Connection, batches: Sequence[int]) -> bool:
    """Whether these batches changed so much that everything may as well be judged."""
    changed = _number(
        connection,
        "select coalesce(sum(loaded + superseded), 0)::bigint from batches where batch_id in (select unnest(?))",
        batches,
    )
    return changed > LARGE * sum(_number(connection, f"select count(*) from {kind}") for kind in KINDS)


class Touched:
    """What the batches touched, as temporary tables: `touched_SCOPE_KIND` holds the records of a kind to judge."""

    def __init__(self, connection: Connection, batches: Sequence[int], rules: Iterable[Rule]) -> None:
        """Makes the tables that `rules` read. `close` drops them."""
        self._connection = connection
        self._batches = f"({', '.join(map(str, sorted(batches)))})"
        self._made: list[str] = []
        self._witnesses: list[tuple[str, str]] = []  # the key that a witness gives, and the end of its table's name
        self._changed = {
            kind
            for (kind,) in connection.execute(
                f"select distinct kind from batches where batch_id in {self._batches}"
            ).fetchall()
        }
        rules = list(rules)
        self._keys(sorted({rule.if_any for rule in rules if rule.if_any}))
        for scope in SCOPES:
            for kind in sorted({kind for rule in rules if rule.scope == scope != WHOLE for kind in reads(rule)}):
                self._table(f"{scope}_{kind}", self._records(scope, kind))

    def may_change(self, rule: Rule) -> bool:
        """Whether the verdicts of a rule may be others now: not if nothing of what it reads was changed."""
        return bool(reads(rule) & self._changed) or "$today" in rule.judged

    def narrowed(self, rule: Rule) -> tuple[str, Rule]:
        """The relation that a rule must be judged on, and the rule as it reads the touched records only."""
        if rule.scope == WHOLE or rule.if_any in self._lacking:
            return rule.kind, rule
        judged = _TABLE.sub(rf"\1\2touched_{rule.scope}_\3", rule.judged)
        return f"touched_{rule.scope}_{rule.kind}", replace(rule, judged=judged)

    def close(self) -> None:
        for name in self._made:
            self._connection.execute(f"drop table if exists temp.{name}")

    def _table(self, name: str, sql: str) -> None:
        self._connection.execute(f"create or replace temp table touched_{name} as {sql}")
        self._made.append(f"touched_{name}")

    def _keys(self, conditions: Sequence[str]) -> None:
        """The treatments, patients and instruments, and the chairs and dentists with their days, that were touched."""
        for kind, key in (("treatments", "treatment_id"), ("instruments", "instrument_id")):
            having = _OF_TREATMENTS if kind == "treatments" else _OF_INSTRUMENTS
            parts = [self._versions(of, f"practice, {key}") for of in having if of in self._changed]
            self._table(f"own_{kind}", " union ".join(parts) or f"select practice, {key} from {kind} limit 0")
        witnesses = [self._witness(condition) for condition in conditions]
        self._lacking = {c for c, missing in zip(conditions, witnesses, strict=True) if missing}
        self._table(
            "treatment_keys",
            "select practice, treatment_id from touched_own_treatments"
            + "".join(f" union select practice, treatment_id from touched_any_{n}" for n in self._of("treatment_id")),
        )
        self._table(
            "instrument_keys",
            "select practice, instrument_id from touched_own_instruments union "
            "select practice, instrument_id from instrument_uses semi join touched_treatment_keys "
            "using (practice, treatment_id) where instrument_id is not null"
            + "".join(f" union select practice, instrument_id from touched_any_{n}" for n in self._of("instrument_id")),
        )
        patients = (
            "select practice, patient_id from treatments "
            "semi join touched_treatment_keys using (practice, treatment_id)"
        )
        if "treatments" in self._changed:
            patients += " union " + self._versions("treatments", "practice, patient_id")
        self._table("patients", patients)
        self._table(
            "patient_keys",
            "select practice, treatment_id from treatments semi join touched_patients using (practice, patient_id) "
            "union select practice, treatment_id from touched_treatment_keys",
        )
        for scope in OF_A_DAY:
            day = f"practice, {scope}, cast(seated_at as date) as day"
            self._table(
                f"{scope}_keys",
                self._versions("visits", day) if "visits" in self._changed else f"select {day} from visits limit 0",
            )

    def _versions(self, kind: str, columns: str) -> str:
        """Columns of the records that the batches brought, and of those that they replaced or withdrew."""
        return (
            f"select {columns} from {kind} where batch_id in {self._batches} "
            f"union select {columns} from {kind}_history where replaced_by in {self._batches}"
        )

    def _witness(self, condition: str) -> bool:
        """For a rule that speaks only where a practice has any such record, one that was there before and still is.

        Its treatment or instrument is judged with the others, so that the rule finds it. Says whether a practice lacks
        one: then the batches may have brought the first or taken the last, and the rule is asked of all.
        """
        kind, _, column = condition.partition(".")
        key = "treatment_id" if kind in _OF_TREATMENTS else "instrument_id"
        given = f" and {column} is not null" if column else ""
        name = condition.replace(".", "_")
        self._table(
            f"any_{name}",
            f"select practice, {key} from {kind} where rowid in (select min(rowid) from {kind} "
            f"where batch_id not in {self._batches}{given} group by practice)",
        )
        self._witnesses.append((key, name))
        without = (
            "select count(*) from (select practice from touched_own_treatments union "
            f"select practice from touched_own_instruments) anti join touched_any_{name} using (practice)"
        )
        return _number(self._connection, without) > 0

    def _of(self, key: str) -> list[str]:
        return [name for of, name in self._witnesses if of == key]

    def _records(self, scope: str, kind: str) -> str:
        """SQL of all records of a kind that belong to what was touched."""
        if scope in OF_A_DAY:
            return (
                f"select v.* from visits as v semi join touched_{scope}_keys as k on k.practice = v.practice "
                f"and k.{scope} = v.{scope} and k.day = cast(v.seated_at as date)"
            )
        if scope == "instrument" and kind not in _OF_INSTRUMENTS:  # treatments that the instruments were used in
            keys, on = "touched_instrument_instrument_uses", "treatment_id"
        else:
            keys, on = f"touched_{scope}_keys", "instrument_id" if scope == "instrument" else "treatment_id"
        return f"select * from {kind} semi join {keys} using (practice, {on})"


def _number(connection: Connection, sql: str, batches: Sequence[int] | None = None) -> int:
    found = connection.execute(sql, [list(batches)] if batches is not None else None).fetchone()
    assert found is not None
    return int(found[0])
