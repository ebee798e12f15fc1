"""Facts renewed for what an import touched are, row by row, those that are made anew from the whole store.

Small practices at random, whose treatments share instruments, visits, chairs, patients and teeth more than any
practice's do, are loaded, replaced, read again by another mapping and taken out again; flags come and go, settings and
the day up to which follow-up counts change. After every step each table of facts is held against the same SQL on the
whole store.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import random
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.facts import kept, renewed, states
from pipeline.facts.prepare import make, prepare, reads, texts
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.store.database import facts_file, open_store
from tests.pipeline.checks.test_touched import Store

Rows = list[dict[str, Any]]
DAY = dt.date(2026, 6, 30)
NOT_RENEWED = {name for name, hangs in renewed.HANGS_ON.items() if hangs.on == renewed.PRACTICE}
STEP = {"step": 1, "size": 25, "taper": 0.06, "motion": "rotation", "depth_share": 1.0, "torque_ncm": 2}
CATALOGUE = {
    "sequence": [{"id": "S1", "irrigant_ml": 2, "apical_gauging": True, "glide_path_size": 10, "step": [STEP]}]
}


@pytest.fixture(autouse=True)
def _every_store_is_large(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "LEAST_ROWS", 0)
    monkeypatch.setattr(states, "LARGE", 1e9)
    monkeypatch.setattr(renewed, "MANY", 1e9)


@pytest.fixture
def whole(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """The tables of facts that were made whole and kept; what goes wrong with a renewal is an error here."""
    names: list[str] = []
    keep = kept.keep

    def noted(connection: Any, name: str, key: kept.Key, query: str) -> bool:
        names.append(name)
        return keep(connection, name, key, query)

    monkeypatch.setattr(kept, "keep", noted)
    monkeypatch.setattr(renewed, "_given_up_for", tuple)
    yield names


def values(kind: str, rng: random.Random, few: int) -> dict[str, Any]:
    """A record at random, of ids that many others have."""
    row: dict[str, Any] = {}
    when = dt.datetime(2023, 1, 1, 8) + dt.timedelta(days=rng.choice([*range(0, 1260, 60), *range(10)]))
    when += dt.timedelta(minutes=rng.choice([0, 20, 45, 60, 90]) + 60 * rng.randrange(8))
    if rng.random() < 0.1:  # the clock is changed, or it is late
        when = rng.choice([dt.datetime(2024, 3, 31, 2, 30), dt.datetime(2024, 10, 27, 2, 30), when.replace(hour=23)])
    ids = {
        "treatment_id": f"T{rng.randrange(few)}",
        "patient_id": f"P{rng.randrange(max(2, few // 3))}",
        "visit_id": f"V{rng.randrange(2 * few)}",
        "use_id": f"U{rng.randrange(6 * few)}",
        "instrument_id": f"I{rng.randrange(few)}",
        "incident_id": f"X{rng.randrange(few // 2)}",
        "follow_up_id": f"F{rng.randrange(3 * few)}",
        "contact_id": f"C{rng.randrange(few)}",
        "canal": rng.choice(["MB", "DB", "P"]),
        "sequence": rng.choice(["S1", "S2"]),
        "chair": rng.choice(["1", "2"]),
        "dentist": rng.choice(["D1", "D2"]),
        "tooth": rng.choice([16, 26, 75]),
        "not_treated": "calcified" if rng.random() < 0.1 else None,
        "seated_at": when,
        "left_at": when + dt.timedelta(minutes=rng.choice([10, 30, 60, 120])),
        "started_on": when.date(),
        "completed_on": when.date() + dt.timedelta(days=rng.choice([0, 14, 100])),
    }
    for column in KINDS[kind].columns:
        if not column.required and rng.random() < 0.25:
            row[column.name] = None
        elif column.name in ids:
            row[column.name] = ids[column.name]
        elif column.values:
            row[column.name] = rng.choice(sorted(column.values))
        elif column.type in ("int", "decimal"):
            row[column.name] = rng.choice([1, 2, 3, 20, 25])
        elif column.type == "bool":
            row[column.name] = rng.random() < 0.5
        elif column.type == "date":
            row[column.name] = when.date() + dt.timedelta(days=rng.choice([0, 30, 182, 365, 400, 730]))
        elif column.type == "timestamp":
            row[column.name] = when + dt.timedelta(minutes=rng.randrange(60))
        else:
            row[column.name] = rng.choice(["a", "b"])
    if rng.random() < 0.1:
        row["practice"] = "other"
    return row


class Practice(Store):
    """A store in a file, changed by the program's own steps, whose facts are kept."""

    def __init__(self, path: Path, rng: random.Random, few: int) -> None:
        self.path, self.rng, self.few = path, rng, few
        self.read = {}
        self.renewed: Counter[str] = Counter()

    @contextlib.contextmanager
    def written(self) -> Iterator[None]:
        with open_store(self.path, write=True) as self.connection:
            yield

    def begin(self) -> None:
        with self.written():
            for kind in KINDS:
                self.load(kind, [values(kind, self.rng, self.few) for _ in range(4 * self.few)])

    def change(self) -> str:
        """Something happens to the records; says what."""
        rng = self.rng
        with self.written():
            what, kind = rng.random(), rng.choice(list(KINDS))
            if what < 0.2:
                self.undo(number := rng.choice(list(self.read)))
                return f"undo {number}"
            if what < 0.35:
                kind, rows = self.read[number := rng.choice(list(self.read))]
                rows = [
                    values(kind, rng, self.few) if rng.random() < 0.1 else row for row in rows if rng.random() < 0.9
                ]
                self.load(kind, rows or [values(kind, rng, self.few)], file=f"file {number}", mapping=str(rng.random()))
                return f"read {number} again, {kind}"
            if what < 0.5:
                self.flag(kind)
                return f"flags of {kind}"
            self.load(kind, [values(kind, rng, self.few) for _ in range(rng.randrange(1, 4))])
            return f"load {kind}"

    def flag(self, kind: str) -> None:
        if self.rng.random() < 0.3:
            self.connection.execute("delete from flags where rule = ?", [self.rng.choice(["one", "another"])])
        records = self.connection.execute(f"select batch_id, record_no from {kind} order by all").fetchall()
        for batch, record in self.rng.sample(records, min(2, len(records))):
            self.connection.execute(
                "insert into flags values (?, ?, ?, 1, ?, 'flag', 'why', [], ['tooth_facts'])",
                [kind, batch, record, self.rng.choice(["one", "another"])],
            )

    def compare(
        self, settings: Settings, as_of: dt.date, whole: list[str], what: str, *, names: Iterable[str] = texts()
    ) -> None:
        """Tables of facts, as kept and as made anew from the whole store."""
        whole.clear()
        with open_store(self.path) as connection:
            prepare(connection, settings, as_of)
            make(connection, names)
            with contextlib.closing(connection.cursor()) as side, pytest.MonkeyPatch.context() as patched:
                patched.setattr(kept, "open_file", lambda connection: False)
                prepare(side, settings, as_of)
                make(side, names)
                for name in names:
                    assert rows(connection, name) == rows(side, name), f"{name} after {what}"
        self.renewed.update(set(names) - set(whole))


def rows(connection: Any, name: str) -> Counter[tuple[Any, ...]]:
    """The rows of a table; rules of flags and sums stand in no order."""
    cursor = connection.execute(f"select * from {name}")
    found: Counter[tuple[Any, ...]] = Counter()
    flags = [column[0] in ("flags", "treatment_flags") for column in cursor.description]
    for row in cursor.fetchall():
        found[
            tuple(
                tuple(sorted(str(value).split())) if of else round(value, 9) if isinstance(value, float) else value
                for value, of in zip(row, flags, strict=True)
            )
        ] += 1
    return found


SETTINGS = [
    CATALOGUE,
    CATALOGUE | {"sterilisation_cost": 2.5},
    CATALOGUE | {"reporting": {"healed_after_months": 18}},
]


@pytest.mark.parametrize(
    ("seed", "steps"), [(1, 5), *(pytest.param(n, 40, marks=pytest.mark.slow) for n in range(2, 12))]
)
def test_renewed_facts_are_those_made_anew(seed: int, steps: int, tmp_path: Path, whole: list[str]) -> None:
    rng = random.Random(seed)
    practice = Practice(tmp_path / "s.duckdb", rng, rng.choice([6, 12, 40]))
    practice.begin()
    settings, as_of = Settings.model_validate(CATALOGUE | {"time_zone": "Europe/Berlin"}), DAY
    practice.compare(settings, as_of, whole, "the first import")
    assert set(whole) == texts().keys()
    for _ in range(steps):
        what = [practice.change() for _ in range(rng.choice([1, 1, 2]))]
        if rng.random() < 0.2:
            as_of += dt.timedelta(days=rng.choice([1, 31, 31, -31, 200]))
            what.append(f"as of {as_of}")
        if rng.random() < 0.1:
            settings = Settings.model_validate(rng.choice(SETTINGS) | {"time_zone": "Europe/Berlin"})
            what.append("other settings")
        practice.compare(settings, as_of, whole, f"{what}")
    assert not {name for name in texts().keys() - NOT_RENEWED if practice.renewed[name] < steps / 4}, practice.renewed


def test_each_table_of_facts_says_what_its_rows_hang_on() -> None:
    hangs = renewed.HANGS_ON
    assert hangs.keys() == texts().keys()
    # Rows of an instrument, or of visits, are made of treatments that hang on no others.
    for name in (name for name in hangs if hangs[name].on in (renewed.INSTRUMENT, renewed.VISIT)):
        read = [hangs[other] for other in reads(texts()[name]) & hangs.keys() - {name}]
        assert {other.by for other in read} <= {None}
        assert {other.on for other in read} <= {hangs[name].on, renewed.TREATMENT, renewed.PRACTICE}


def test_days_that_facts_hold_against_the_day_are_all_known() -> None:
    """Another day renews only rows with one of TURNS in between: a new comparison in the SQL wants to be among them."""
    assert {name: n for name, sql in texts().items() if (n := sql.count("date '${as_of}'"))} == {
        "follow_up_facts": 1,
        "tooth_facts": 7,
        "treatment_visits": 2,
        "window_outcomes": 1,
    }
    assert not [name for name, hangs in renewed.HANGS_ON.items() if hangs.days and "days since" in texts()[name]]


SOME = ["canal_facts", "tooth_facts"]


def first(path: Path, rng: random.Random) -> Practice:
    practice = Practice(path, rng, 12)
    practice.begin()
    return practice


def test_another_day_renews_the_rows_that_it_changes(tmp_path: Path, whole: list[str]) -> None:
    practice = first(tmp_path / "s.duckdb", random.Random(4))
    names = [name for name, hangs in renewed.HANGS_ON.items() if hangs.days]
    settings = Settings.model_validate({"reporting": {"healed_after_months": 7}})
    as_of = dt.date(2023, 6, 1)
    for days in [0, 40, -10, 90, 200, -70, 365]:
        as_of += dt.timedelta(days=days)
        with practice.written():
            pass
        practice.compare(settings, as_of, whole, f"{days} days more", names=names)
        assert not days or not whole


def test_what_another_program_wrote_is_seen(tmp_path: Path, whole: list[str]) -> None:
    """Seen by the checksum of its batch, also where the program itself wrote afterwards."""
    practice = first(tmp_path / "s.duckdb", random.Random(5))
    practice.compare(Settings(), DAY, whole, "the first import", names=SOME)
    with duckdb.connect(str(practice.path)) as elsewhere:
        elsewhere.execute("update canals set curvature_deg = 33 where record_no = 1")
    with practice.written():
        practice.load("visits", [values("visits", random.Random(6), 12)])
    practice.compare(Settings(), DAY, whole, "it was written by another program", names=SOME)
    assert set(SOME) <= set(whole)


def test_a_batch_that_nobody_remembers_makes_all_whole(tmp_path: Path, whole: list[str]) -> None:
    """What the first import brought is not noted down: it is the most of the store."""
    practice = first(tmp_path / "s.duckdb", random.Random(7))
    practice.compare(Settings(), DAY, whole, "the first import", names=SOME)
    with practice.written():
        practice.undo(1)
    practice.compare(Settings(), DAY, whole, "the first batch was taken out", names=SOME)
    assert set(SOME) <= set(whole)


def test_an_import_and_its_undo_touch_the_same(tmp_path: Path, whole: list[str]) -> None:
    practice = first(tmp_path / "s.duckdb", random.Random(8))
    practice.compare(Settings(), DAY, whole, "the first import", names=SOME)
    for _ in range(2):  # the number of a batch that was taken out is given again
        with practice.written():
            number = practice.load("canals", [values("canals", random.Random(9), 12)])
        practice.compare(Settings(), DAY, whole, "a canal", names=SOME)
        assert set(whole) <= NOT_RENEWED
        with practice.written():
            practice.undo(number)
        practice.compare(Settings(), DAY, whole, "without it", names=SOME)
        assert set(whole) <= NOT_RENEWED


def test_where_most_is_touched_all_is_made_whole(
    tmp_path: Path, whole: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    practice = first(tmp_path / "s.duckdb", random.Random(10))
    practice.compare(Settings(), DAY, whole, "the first import", names=SOME)
    for module, name in ((states, "LARGE"), (renewed, "MANY")):
        with practice.written():
            practice.load("follow_ups", [values("follow_ups", practice.rng, 12)])
        with monkeypatch.context() as bounded:
            bounded.setattr(module, name, 0.0)
            practice.compare(Settings(), DAY, whole, "a follow-up", names=SOME)
        assert "tooth_facts" in whole


def test_a_renewal_that_fails_costs_no_answer(
    tmp_path: Path, whole: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk, say: facts are made whole, and the next import finds no rest of it."""
    practice = first(tmp_path / "s.duckdb", random.Random(12))
    practice.compare(Settings(), DAY, whole, "the first import", names=SOME)
    with practice.written():
        practice.load("canals", [values("canals", random.Random(13), 12)])

    def fails(self: Any, name: str, wanted: str) -> None:
        if name == "treatment_base":
            raise duckdb.IOException("no space left on device")
        replace(self, name, wanted)

    replace = renewed._Renewal._replace
    with monkeypatch.context() as full:
        full.setattr(renewed, "_given_up_for", lambda: (duckdb.Error,))
        full.setattr(renewed._Renewal, "_replace", fails)
        practice.compare(Settings(), DAY, whole, "a failure", names=SOME)
    assert "treatment_base" in whole and "canal_base" not in whole
    with duckdb.connect(str(facts_file(practice.path)), read_only=True) as facts:
        old = facts.execute("select fact from contents group by fact having count(*) > 1").fetchall()
    assert {name for (name,) in old} <= NOT_RENEWED


def treatment(number: int, **changed: Any) -> dict[str, Any]:
    return {"treatment_id": f"T{number}", "patient_id": f"P{number}", "tooth": 16, "started_on": "2024-03-04"} | changed


def visit(name: str, number: int, chair: str | None, seated: str, left: str) -> dict[str, Any]:
    times = {"seated_at": seated, "left_at": left}
    return {"visit_id": name, "treatment_id": f"T{number}", "chair": chair} | times


def use(number: int, instrument: str) -> dict[str, Any]:
    where = {"treatment_id": f"T{number}", "canal": "MB", "step": 1}
    return {"use_id": f"U{number}", "instrument_id": instrument} | where


TWO = [treatment(1), treatment(2, patient_id="P1", tooth=26), treatment(3)]
DAY_BEFORE = visit("V1", 1, "1", "2024-03-04 23:30", "2024-03-05 00:30")
SKIPPED = visit("V1", 1, "1", "2011-12-30 09:00", "2011-12-30 10:00")
IN_CHAIR = visit("V8", 1, "1", "2024-03-04 09:00", "2024-03-04 10:00")


@pytest.mark.parametrize(
    ("kind", "before", "after", "zone"),
    [
        ("instrument_uses", [use(1, "I1"), use(2, "I1")], use(2, "I2"), "UTC"),
        ("visits", [DAY_BEFORE, visit("V2", 3, "1", "2024-03-05 00:10", "2024-03-05 01:00")],
         DAY_BEFORE | {"left_at": "2024-03-04 23:50"}, "UTC"),
        # The 30th was left out there: its times are those of the 31st.
        ("visits", [SKIPPED, visit("V2", 3, "1", "2011-12-31 09:30", "2011-12-31 10:30")],
         SKIPPED | {"left_at": "2011-12-30 09:20"}, "Pacific/Apia"),
        ("visits", [IN_CHAIR, visit("V9", 2, "1", "2024-03-04 09:30", "2024-03-04 10:30"),
                    visit("V9", 3, "2", "2024-03-04 09:30", "2024-03-04 10:30"),
                    visit("V10", 4, "2", "2024-03-04 09:00", "2024-03-04 10:00")],
         IN_CHAIR | {"left_at": "2024-03-04 09:40"}, "UTC"),
        ("visits", [visit("V1", 1, "1", "2024-03-04 09:00", "2024-03-04 10:00"),
                    visit("V1", 2, "1", "2024-03-06 09:00", "2024-03-06 10:00"),
                    visit("V2", 3, "1", "2024-03-05 09:00", "2024-03-05 10:00")],
         visit("V1", 2, "1", "2024-03-04 09:00", "2024-03-04 10:00"), "UTC"),
        ("treatments", [visit("V1", 1, None, "2024-03-04 09:00", "2024-03-04 10:00"),
                        visit("V2", 2, None, "2024-03-04 09:30", "2024-03-04 10:30")],
         treatment(1, patient_id="P9"), "UTC"),
    ],
    ids=["an instrument taken elsewhere", "over midnight", "a day left out", "a visit in two chairs", "of two days",
         "another patient"],
)  # fmt: skip
def test_what_is_renewed_beside_what_changed(
    kind: str, before: Rows, after: dict[str, Any], zone: str, tmp_path: Path, whole: list[str]
) -> None:
    practice = Practice(tmp_path / "s.duckdb", random.Random(1), 12)
    with practice.written():
        practice.load("treatments", TWO)
        practice.load("canals", [{"treatment_id": f"T{n}", "canal": "MB"} for n in (1, 2, 3)])
        practice.load("visits" if kind == "treatments" else kind, before)
    settings = Settings.model_validate({"time_zone": zone, "sterilisation_cost": 1})
    names = {"instrument_uses": ["canal_facts", "instrument_facts"]}.get(kind, ["visit_facts"])
    practice.compare(settings, DAY, whole, "the first import", names=names)
    with practice.written():
        practice.load(kind, [after])
    practice.compare(settings, DAY, whole, "the second", names=names)
    assert set(whole) <= NOT_RENEWED
