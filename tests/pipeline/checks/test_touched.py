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
    assert {
        name: meta.get("scope") for name, meta in across_meta.items() if meta.get("scope") not in touched.SCOPES
    } == {}


@pytest.fixture
def across_meta() -> dict[str, dict[str, Any]]:
    return {rule.id: rule.expectation["meta"] for rule in RULES}


@pytest.mark.parametrize("rule", NARROW, ids=lambda rule: rule.id)
def test_a_rule_reads_only_kinds_that_its_scope_can_gather(rule: Any) -> None:
    having = {
        key: {name for name, kind in KINDS.items() if key in kind.names} for key in ("treatment_id", "instrument_id")
    }
    may_read = {
        "treatment": having["treatment_id"],
        "patient": having["treatment_id"],
        "instrument": having["instrument_id"] | {"treatments"},
        "chair": {"visits"},
        "dentist": {"visits"},
    }[rule.scope]
    assert touched.reads(rule) <= may_read
    assert rule.scope != "instrument" or rule.kind in having["instrument_id"]
    assert "$today" not in rule.judged, "its verdict changes by itself"
    # Whether a practice has any record of a kind is no matter of a treatment: such a rule names the kind.
    asks = [
        part
        for part in rule.judged.split("exists (")
        if " c.practice = r.practice)" in part or " i.practice = r.practice)" in part
    ]
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
        c.execute(
            f"create or replace temp table incoming ({columns}, practice VARCHAR, record_no BIGINT, "
            "source_row BIGINT, batch_id BIGINT)"
        )
        c.execute("create or replace temp table refused (record_no BIGINT)")
        c.executemany(
            f"insert into incoming ({', '.join(names)}, record_no, source_row, batch_id) "
            f"values ({', '.join('?' * len(names))}, ?, ?, ?)",
            [
                [row.get(n, "here" if n == "practice" else None) for n in names] + [n, n + 1, number]
                for n, row in enumerate(rows, 1)
            ],
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
        anew = [
            (kinds[r[3]], *r[:3], r[3], *r[4:])
            for r in c.execute("select batch_id, record_no, source_row, rule, reason, columns from anew").fetchall()
        ]
        assert sorted(flags) == sorted(anew)
        if narrow:
            self.flagged.update({row[4] for row in flags})

    def flags(self) -> set[str]:
        return {rule for (rule,) in self.connection.execute("select rule from flags").fetchall()}


def small(tables: dict[str, Rows]) -> bool:
    return all(len(rows) <= FEW and not kind.endswith("_history") for kind, rows in tables.items())


def examples(rule: str) -> list[dict[str, Rows]]:
    """Practices that the rule speaks in, and some that it leaves alone."""
    right, wrong = (CASES | MANY).get(rule, ([], []))
    changes = [one[0] if isinstance(one, tuple) else one for one in wrong] * 3 + right
    return [tables for change in changes if small(tables := practice(change))]


# Of the rules that are asked only of what is touched; those that count over many records have larger examples.
EXAMPLES = [found for rule in NARROW if (found := examples(rule.id))]
OWN = {key for kind in KINDS.values() for key in kind.key} - {"canal", "treatment_id"}


def elsewhere(row: dict[str, Any], end: str, rng: random.Random) -> dict[str, Any]:
    """The record in a corner of its own (ids end in `end`), with a few threads to the other corners."""
    row = dict(row)
    for column in row.keys() & ({"treatment_id", "instrument_id", "patient_id"} | OWN):
        if row[column] is not None:
            own = column in OWN and column != "instrument_id"
            row[column] += end if own or rng.random() < 0.92 else rng.choice("abc")
    if rng.random() < 0.05:
        row["practice"] = "other"
    return row


@pytest.mark.parametrize("seed", [1, pytest.param(range(3, 15), marks=pytest.mark.slow)])
def test_flags_are_those_of_judging_everything_anew(seed: int | range, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(touched, "LARGE", float("inf"))
    seen: Counter[str] = Counter()
    for one in [seed] if isinstance(seed, int) else seed:
        seen += at_random(random.Random(one), steps=12 if isinstance(seed, int) else 60).flagged
    if not isinstance(seed, int):
        spoken = [rule.id for rule in NARROW if rule.id in seen]
        assert len(spoken) >= 0.9 * len(NARROW), "nearly every rule has spoken"


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
                kept = [
                    rng.choice(store.read[other][1]) if rng.random() < 0.2 else row
                    for row in rows
                    if rng.random() < 0.7
                    for other in [number]
                ]
                if kept:
                    store.load(kind, kept, file=f"file {number}", mapping=f"mended {rng.random()}")
            else:
                end = rng.choice("abc")
                for kind, rows in rng.choice(rng.choice(EXAMPLES)).items():
                    kept = [elsewhere(row, end, rng) for row in rows if rng.random() < 0.95]
                    if kept and rng.random() < 0.95:
                        store.load(kind, kept)
        store.compare()
    return store


TWO_CHAIRS = [
    {"visit_id": f"V{n}", "treatment_id": "T1", "dentist": f"D{n}", "chair": str(n), "seated_at": "2025-03-03 09:00"}
    | {"left_at": "2025-03-03 10:00"}
    for n in (1, 2)
]
ONE_INSTRUMENT = [
    {"use_id": f"U{n}", "treatment_id": f"T{n}", "instrument_id": "I1", "started_at": "2025-03-03 09:10"}
    for n in (1, 2)
]


def treatments(*patients: str) -> Rows:
    plain = practice({})["treatments"][0]
    return [plain | {"treatment_id": f"T{n}", "patient_id": p, "tooth": 10 + n} for n, p in enumerate(patients, 1)]


@pytest.mark.parametrize(
    ("kind", "rows", "later", "rule"),
    [
        ("instrument_uses", ONE_INSTRUMENT, treatments("P1", "P1"), "use_in_two_patients_at_once"),
        ("visits", TWO_CHAIRS, treatments("P9", "P2")[1:], "patient_in_two_chairs"),
    ],
    ids=["the treatments turn out to be of one patient", "the treatment is withdrawn"],
)
def test_a_flag_goes_with_a_cause_in_another_kind(
    kind: str, rows: Rows, later: Rows, rule: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(touched, "LARGE", float("inf"))
    store = Store()
    store.load(kind, rows)
    first = store.load("treatments", treatments("P1", "P2"))
    store.compare()
    assert rule in store.flags()
    store.load("treatments", later, file=f"file {first}", mapping="mended")
    store.compare()
    assert rule not in store.flags()


def flags(store: Path) -> list[tuple[Any, ...]]:
    with open_store(store) as connection:
        return connection.execute("select kind, batch_id, record_no, rule from flags order by all").fetchall()


def test_files_are_judged_by_what_they_touch(
    store: Path, small: Path, export: Callable[..., Path], sound: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A practice, then an export of two visits: one of no treatment, one of another time; then without it again."""
    list(ingest(store, [small], Settings()))
    before = flags(store)
    judged: list[str] = []

    def watched(connection: Any, rules: Any, into: str, today: dt.date) -> Any:
        if into == "faults":
            judged.extend(relation for relation, _ in rules)
        return judge_each(connection, rules, into, today)

    monkeypatch.setattr(across, "judge_each", watched)
    rows = [sound("visits", visit_id="V1"), sound("visits", visit_id="new", treatment_id="nowhere")]
    list(ingest(store, [export("visits-late.csv", rows)], Settings()))
    assert judged.count("touched_treatment_visits") > 2
    assert "visits" in judged, "rules that count over a dentist are asked of all visits"
    assert not {"treatments", "touched_patient_treatments", "touched_instrument_instruments"} & set(judged)
    after = flags(store)
    assert {rule for *_, rule in after} >= {"visit_without_treatment"} and after != before
    with open_store(store, write=True) as connection:
        across.refresh(connection, TODAY)
    assert flags(store) == after

    with open_store(store) as connection:
        (last,) = connection.execute("select max(batch_id) from batches").fetchone() or (0,)
    del judged[:]
    take_out(store, last)
    assert "touched_treatment_visits" not in judged, "what was taken out is nowhere any more: all are judged"
    assert flags(store) == before


def test_flags_of_other_rules_are_all_due(store: Path, small: Path) -> None:
    """A store whose flags were found by an earlier version's rules is judged whole at the next import."""
    list(ingest(store, [small / "visits.csv"], Settings()))
    with open_store(store) as connection:
        assert due.batches_due(connection, fingerprint(ACROSS)) == []
        assert due.batches_due(connection, "of an earlier version") is None
