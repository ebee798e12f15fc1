"""After an import only what it touched is judged across kinds: the flags are those of judging the whole store anew.

Small practices, made of what the examples of every rule are made of (tests/expectations/test_across.py), are loaded,
replaced, read again by another mapping and taken out again at random; after every step each rule is asked of all.
"""

from __future__ import annotations

import datetime as dt
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.checks import across, touched
from pipeline.checks.judge import create_faults, judge_each
from pipeline.checks.suites import ACROSS, fingerprint, suite
from pipeline.importing.ingest import ingest
from pipeline.importing.ingest import undo as take_out
from pipeline.importing.reread import withdraw
from pipeline.importing.undo import undo
from pipeline.records import KINDS, SQL_TYPE
from pipeline.settings import Settings
from pipeline.store import due
from pipeline.store.batches import Batch, merge, next_id
from pipeline.store.database import in_memory, open_store
from tests.expectations.test_across import CASES, MANY, practice

TODAY = dt.date(2026, 6, 30)
RULES = suite(ACROSS)
NARROW = [rule for rule in RULES if rule.scope != touched.WHOLE]
Rows = list[dict[str, Any]]

FEW = 12  # records of a kind: examples about many more say nothing of what is touched


def test_each_rule_says_whose_records_its_verdict_hangs_on(across_meta: dict[str, dict[str, Any]]) -> None:
    assert {name: meta.get("scope") for name, meta in across_meta.items() if meta.get("scope") not in touched.SCOPES} == {}


@pytest.fixture
def across_meta() -> dict[str, dict[str, Any]]:
    return {rule.id: rule.expectation["meta"] for rule in RULES}


@pytest.mark.parametrize("rule", NARROW, ids=lambda rule: rule.id)
def test_a_rule_reads_only_kinds_that_its_scope_can_gather(rule: Any) -> None:
    having = {key: {name for name, kind in KINDS.items() if key in kind.names} for key in ("treatment_id", "instrument_id")}
    may_read = {
        "treatment": having["treatment_id"],
        "patient": having["treatment_id"],
        "instrument": having["instrument_id"] | {"treatments"},
        "chair": {"visits"},
    }[rule.scope]
    assert touched.reads(rule) <= may_read
    assert rule.scope != "instrument" or rule.kind in having["instrument_id"]
    assert "$today" not in rule.judged, "its verdict changes by itself"
    # Whether a practice has any record of a kind is no matter of a treatment: such a rule names the kind.
    asks = [part for part in rule.judged.split("exists (") if " c.practice = r.practice)" in part or " i.practice = r.practice)" in part]
    assert bool(rule.if_any) == bool(asks or "group by g.practice" in rule.judged)


class Store:
    """A store in memory, changed by the program's own steps without files."""

    def __init__(self) -> None:
        self.connection = in_memory()
        self.read: dict[int, tuple[str, Rows]] = {}  # what each batch was made of
        self.flagged: Counter[str] = Counter()

    def load(self, kind: str, rows: Rows, file: str | None = None, mapping: str = "m") -> int:
        """A batch, or with the `file` of an earlier one and another mapping that file read again."""
        c, number = self.connection, next_id(self.connection)
        names = ("practice", *KINDS[kind].names)
        c.begin()
        columns = ", ".join(f'"{x.name}" {SQL_TYPE[x.type]}' for x in KINDS[kind].columns)
        c.execute(f"create or replace temp table incoming ({columns}, practice VARCHAR, record_no BIGINT, source_row BIGINT, batch_id BIGINT)")
        c.execute("create or replace temp table refused (record_no BIGINT)")
        c.executemany(
            f"insert into incoming ({', '.join(names)}, record_no, source_row, batch_id) values ({', '.join('?' * len(names))}, ?, ?, ?)",
            [[row.get(n, "here" if n == "practice" else None) for n in names] + [n, n + 1, number] for n, row in enumerate(rows, 1)],
        )
        batch = Batch(f"{kind}.csv", kind, "here", "UTC", file or f"file {number}", 1, "{}", mapping, "r")
        merge(c, batch, number, incoming="incoming", refused="refused", repeats=True)
        withdraw(c, batch, number, "incoming", "refused")
        c.commit()
        self.read[number] = (kind, rows)
        return number

    def undo(self, number: int) -> None:
        self.connection.begin()
        undo(self.connection, number)
        self.connection.commit()
        del self.read[number]

    def compare(self) -> None:
        """Renew what is due; the flags must be those that all rules find in the whole store."""
        c = self.connection
        narrow = due.batches_due(c, fingerprint(ACROSS)) is not None
        across.refresh(c, TODAY, due_only=True)
        columns = "{}, batch_id, record_no, source_row, rule, reason, columns"
        flags = c.execute(f"select {columns.format('kind')} from flags where action = 'flag'").fetchall()
        create_faults(c, "anew")
        judge_each(c, [(rule.kind, rule) for rule in RULES], "anew", TODAY)
        kinds = {rule.id: rule.kind for rule in RULES}
        anew = [(kinds[r[3]], *r[:3], r[3], *r[4:]) for r in c.execute("select batch_id, record_no, source_row, rule, reason, columns from anew").fetchall()]
        assert sorted(flags) == sorted(anew)
        if narrow:
            self.flagged.update({row[4] for row in flags})


def small(tables: dict[str, Rows]) -> bool:
    return all(len(rows) <= FEW and not kind.endswith("_history") for kind, rows in tables.items())


EXAMPLES = [
    tables
    for of in (CASES, MANY)
    for right, wrong in of.values()
    for change in [*right, *(one[0] if isinstance(one, tuple) else one for one in wrong)]
    if small(tables := practice(change))
]
OWN = {key for kind in KINDS.values() for key in kind.key} - {"canal", "treatment_id"}


def elsewhere(row: dict[str, Any], end: str, rng: random.Random) -> dict[str, Any]:
    """The record in a corner of its own (ids end in `end`), with a few threads to the other corners."""
    row = dict(row)
    for column in row.keys() & ({"treatment_id", "instrument_id", "patient_id"} | OWN):
        if row[column] is not None:
            own = column in OWN and column != "instrument_id"
            row[column] += end if own or rng.random() < 0.85 else rng.choice("abc")
    if rng.random() < 0.05:
        row["practice"] = "other"
    return row


@pytest.mark.parametrize("seed", [1, 2, pytest.param(range(3, 40), marks=pytest.mark.slow)])
def test_flags_are_those_of_judging_everything_anew(seed: int | range, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(touched, "LARGE", float("inf"))
    seen: Counter[str] = Counter()
    for one in [seed] if isinstance(seed, int) else seed:
        seen += at_random(random.Random(one), steps=40).flagged
    if not isinstance(seed, int):
        assert {rule.id for rule in NARROW} - {"sterilisations_falling"} <= seen.keys(), "every rule has spoken"


def at_random(rng: random.Random, steps: int) -> Store:
    store = Store()
    for end in "abc":
        for kind, rows in practice({}).items():
            store.load(kind, [elsewhere(row, end, rng) for row in rows])
    store.compare()
    for _ in range(steps):
        for _ in range(rng.choice([1, 1, 2])):
            what = rng.random()
            if what < 0.12 and store.read:
                store.undo(rng.choice(list(store.read)))
            elif what < 0.3 and store.read:  # a file read again: of its records some are gone, some say something else
                number = rng.choice(list(store.read))
                kind, rows = store.read[number]
                kept = [rng.choice(store.read[other][1]) if rng.random() < 0.2 else row for row in rows if rng.random() < 0.7 for other in [number]]
                if kept:
                    store.load(kind, kept, file=f"file {number}", mapping=f"mended {rng.random()}")
            else:
                end = rng.choice("abc")
                for kind, rows in rng.choice(EXAMPLES).items():
                    kept = [elsewhere(row, end, rng) for row in rows if rng.random() < 0.9]
                    if kept and rng.random() < 0.9:
                        store.load(kind, kept)
        store.compare()
    return store
