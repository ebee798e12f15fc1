"""The store as it was known earlier, against stores that never saw the later imports."""

from __future__ import annotations

import csv
import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.facts.prepare import make, texts
from pipeline.importing.ingest import ingest, undo
from pipeline.importing.undo import undo as take_out
from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Workspace
from pipeline.records import KINDS
from pipeline.settings import Settings, load_settings
from pipeline.store.batches import Batch, merge, next_id
from pipeline.store.database import in_memory, open_store
from pipeline.store.known import end_of, known_now, known_on, last_day, last_import, latest_import

Sound = Callable[..., dict[str, str | None]]
Exports = Callable[..., Path]
UTC = dt.UTC
TABLES = [*KINDS, *(f"{kind}_history" for kind in KINDS), "batches", "quarantine"]


def rows(connection: Any, table: str) -> list[Any]:
    found: list[Any] = connection.execute(f"select * from {table} order by all").fetchall()
    return found


def loaded_at(connection: Any, batch: int) -> dt.datetime:
    (at,) = connection.execute("select loaded_at from batches where batch_id = ?", [batch]).fetchone()
    return at.replace(tzinfo=UTC)


def dated(store: Path, moments: dict[int, str]) -> None:
    """Set when batches were loaded (UTC)."""
    with open_store(store, write=True) as connection:
        for batch, moment in moments.items():
            connection.execute("update batches set loaded_at = ? where batch_id = ?", [moment, batch])


# ---- against a store that holds only the first export ------------------------------------------------------------


def corrected(small: Path, out: Path) -> Path:
    """A later export of the small set: values mended, filled in and emptied, records added, one row refused."""
    out.mkdir()

    def rewrite(kind: str, change: Callable[[list[dict[str, str]]], list[dict[str, str]]]) -> None:
        with (small / f"{kind}.csv").open(encoding="utf-8", newline="") as file:
            found = change(list(csv.DictReader(file)))
        with (out / f"{kind}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(found[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(found)

    def every(n: int, **values: str) -> Callable[[list[dict[str, str]]], list[dict[str, str]]]:
        return lambda found: [row | (values if place % n == 0 else {}) for place, row in enumerate(found)]

    rewrite("canals", every(3, sequence="hand-six"))
    rewrite("visits", every(4, booked_minutes="10"))
    rewrite("instrument_uses", every(50, result="separated"))
    rewrite("follow_ups", every(2, pai="5"))
    rewrite("contacts", every(2, pain_score="9"))
    # The first treatment's tooth changes; the last two are new and belong to nothing, or are refused.
    rewrite(
        "treatments",
        lambda found: [
            found[0] | {"tooth": "36", "completed_on": ""},
            *found[1:],
            found[1] | {"treatment_id": "new", "patient_id": "new", "started_on": "2027-01-04", "completed_on": ""},
            found[1] | {"treatment_id": "bad", "tooth": "99"},
        ],
    )
    # A canal and a visit whose treatment is unknown are marked; the flag is of this import only.
    rewrite("incidents", lambda found: [*found, found[0] | {"incident_id": "stray", "treatment_id": "nowhere"}])
    return out


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Settings, int]:
    """A store that holds only the first export, one that also holds the corrected one, and its first later batch."""
    small = Path(__file__).resolve().parents[3] / "demo_data" / "small"
    folder = tmp_path_factory.mktemp("twice")
    first, both, own = folder / "a.duckdb", folder / "b.duckdb", load_settings(small / "canalwise.toml")
    # The first export lacks a treatment that the second brings: what belongs to it is flagged, and no longer after it.
    early = folder / "early"
    shutil.copytree(small, early)
    lines = (early / "treatments.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (early / "treatments.csv").write_text("".join(lines[:-3]), encoding="utf-8")
    list(ingest(first, [early], own))
    for suffix in (".duckdb", ".key"):
        shutil.copy(first.with_suffix(suffix), both.with_suffix(suffix))
    with open_store(first) as connection:
        later = next_id(connection)
    list(ingest(both, [corrected(small, folder / "late")], own))
    return first, both, own, later


def before(connection: Any, batch: int) -> dt.datetime:
    return loaded_at(connection, batch) - dt.timedelta(microseconds=1)


def test_every_table_is_as_it_was(twice: tuple[Path, Path, Settings, int]) -> None:
    first, both, _, later = twice
    with open_store(first) as then, open_store(both) as now:
        assert rows(then, "canals") != rows(now, "canals")
        known_on(now, before(now, later))
        for table in TABLES:
            assert rows(now, table) == rows(then, table), table
            names = [[d[0] for d in c.execute(f"select * from {table} limit 0").description] for c in (now, then)]
            assert names[0] == names[1]


def test_facts_and_flags_are_as_they_were(twice: tuple[Path, Path, Settings, int]) -> None:
    first, both, own, later = twice
    with open_store(first) as then, open_store(both) as now:
        flagged = rows(now, "flags")
        Workspace(then, own)
        Workspace(now, own, known=before(now, later))
        make(then, texts())
        make(now, texts())
        # Rules across kinds found something else then than they do now; and facts gather only what those found.
        across = "(select * from flags where action = 'flag')"
        assert rows(then, across) != [row for row in flagged if row[5] == "flag"]
        assert len(rows(then, across)) > 3
        for table in (across, *texts()):
            assert _about(rows(now, table)) == _about(rows(then, table)), table
        # What known_on says that it does not turn back: warnings on records that were replaced.
        warned = "(select * from flags where action = 'warn')"
        assert set(map(str, rows(now, warned))) < set(map(str, rows(then, warned)))


def test_every_measure_gives_the_figures_of_then(twice: tuple[Path, Path, Settings, int]) -> None:
    first, both, own, later = twice
    computed, changed = 0, set()
    with open_store(first) as then, open_store(both) as now:
        # Workspaces with views of their own stand side by side on cursors of one connection.
        known, present = Workspace(now.cursor(), own, known=before(now, later)), Workspace(now, own)
        only_first = Workspace(then, own)
        assert known.as_of == only_first.as_of
        for name in catalogue():
            assert known.missing(name) == only_first.missing(name)
            if known.missing(name):
                continue
            a, b = known.compute(name), only_first.compute(name)
            assert a.left_out == b.left_out, name
            assert _about(a.rows) == _about(b.rows), name
            computed += 1
            if present.compute(name).rows != b.rows:
                changed.add(name)
    assert computed > 40
    assert {"healed_share", "separations_per_100_canals", "booking_overrun", "corrections", "imports"} <= changed


def _about(value: Any) -> Any:
    """Sums of floats in another order differ in their last digit."""
    if isinstance(value, dict):
        return {k: _about(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_about(v) for v in value]
    return float(f"{value:.10g}") if isinstance(value, float) else value


def test_the_present_comes_back_and_nothing_is_written(twice: tuple[Path, Path, Settings, int]) -> None:
    _, both, own, later = twice
    untouched = both.read_bytes()
    with open_store(both) as connection:
        present = {table: rows(connection, table) for table in [*TABLES, "flags"]}
        figures = Workspace(connection, own).compute("separations_per_100_canals").rows
        moment = before(connection, later)
        assert Workspace(connection, own, known=moment).compute("separations_per_100_canals").rows != figures
        known_now(connection)
        assert {table: rows(connection, table) for table in present} == present
        Workspace(connection, own, known=moment)
        assert Workspace(connection, own).compute("separations_per_100_canals").rows == figures
        # At the moment of the last batch everything is known.
        (last,) = connection.execute("select max(batch_id) from batches").fetchone()
        known_on(connection, loaded_at(connection, last))
        assert {table: rows(connection, table) for table in present} == present
    assert both.read_bytes() == untouched


def test_an_open_connection_for_writing_keeps_its_flags(twice: tuple[Path, Path, Settings, int], store: Path) -> None:
    """Flags that are judged anew go to the connection's own table, also where the store could be written to."""
    _, both, own, later = twice
    shutil.copy(both, store)
    with open_store(store, write=True) as connection:
        flagged = rows(connection, "flags")
        Workspace(connection, own, known=before(connection, later))
        assert rows(connection, "flags") != flagged
        known_now(connection)
        assert rows(connection, "flags") == flagged
    with open_store(store) as connection:
        assert rows(connection, "flags") == flagged


def test_a_settled_refusal_is_not_told_again(sound: Sound, export: Exports, store: Path) -> None:
    """What known_on says it does not turn back."""
    for name, day in (("bad.csv", "2099-01-01 09:00"), ("mended.csv", "2024-03-05 12:00")):
        list(ingest(store, [export(name, [sound("contacts", contacted_at=day)])], Settings()))
    with open_store(store) as connection:
        known_on(connection, loaded_at(connection, 1))
        assert rows(connection, "contacts") == rows(connection, "quarantine") == []
        assert connection.execute("select quarantined from batches").fetchall() == [(1,)]


# ---- histories of any shape --------------------------------------------------------------------------------------


def load(connection: Any, scores: dict[str, int]) -> int:
    """Merge contacts with these pain scores as one batch; gives its id."""
    number = next_id(connection)
    connection.execute("create or replace temp table refused (record_no bigint, source_row bigint)")
    empty = ", ".join(
        f"null as {c}" for c in KINDS["contacts"].names if c not in ("contact_id", "treatment_id", "pain_score")
    )
    values = ", ".join(f"('{key}', {score}, {place})" for place, (key, score) in enumerate(scores.items(), start=1))
    connection.execute(
        f"""create or replace temp table incoming as
            select {number} as batch_id, n as record_no, n + 1 as source_row, 'here' as practice, key as contact_id,
                   'T' as treatment_id, score as pain_score, {empty}
            from (values {values}) as v(key, score, n)"""
    )
    batch = Batch(f"{number}.csv", "contacts", "here", "UTC", f"hash {number}", 1, "{}", "m", "r")
    merge(connection, batch, number, incoming="incoming", refused="refused", repeats=False)
    return number


def scores(connection: Any, table: str = "contacts") -> list[Any]:
    found: list[Any] = connection.execute(
        f"select contact_id, pain_score, batch_id, record_no, source_file from {table} order by all"
    ).fetchall()
    return found


EXPORT = st.dictionaries(st.sampled_from("ABCD"), st.integers(0, 2), min_size=1)


@settings(max_examples=40, deadline=None)
@given(st.lists(EXPORT, min_size=1, max_size=6), st.data())
def test_any_history_is_turned_back_to_any_batch(exports: list[dict[str, int]], data: st.DataObject) -> None:
    """After any imports, some undone at the end: as known after batch k is what a store with the first k holds."""
    store = in_memory()
    for scores_ in exports:
        load(store, scores_)
    undone = data.draw(st.lists(st.integers(1, len(exports)), unique=True, max_size=len(exports) - 1), "undone")
    for batch in undone:
        take_out(store, batch)
    (first,) = store.execute("select min(batch_id) from batches").fetchone()
    known_after = data.draw(st.integers(first, len(exports)), "known after")
    only = in_memory()
    for scores_ in exports[:known_after]:
        load(only, scores_)
    for batch in undone:
        if batch <= known_after:
            take_out(only, batch)
    (last,) = only.execute("select max(batch_id) from batches").fetchone()
    present = scores(store), scores(store, "contacts_history")
    known_on(store, loaded_at(store, last))
    assert scores(store) == scores(only)
    assert scores(store, "contacts_history") == scores(only, "contacts_history")
    known_now(store)
    assert (scores(store), scores(store, "contacts_history")) == present


def test_of_three_versions_the_one_current_then() -> None:
    store = in_memory()
    for number in (1, 2, 3):
        assert load(store, {"A": number, f"new {number}": 0}) == number
    moments = {number: loaded_at(store, number) for number in (1, 2, 3)}
    for number, moment in moments.items():
        known_on(store, moment)
        assert [row[:2] for row in scores(store)] == [
            ("A", number),
            *((f"new {n}", 0) for n in range(1, number + 1)),
        ]


def test_a_clock_that_was_wrong_once_brings_no_record_twice() -> None:
    store = in_memory()
    for number in (1, 2, 3):
        load(store, {"A": number})
    store.execute(
        "update batches set loaded_at = timestamp '2020-01-01' + to_hours(case batch_id when 2 then 9 else 0 end)"
    )
    known_on(store, dt.datetime(2020, 1, 1, 5))
    assert [row[:2] for row in scores(store)] == [("A", 1)]


# ---- days and imports --------------------------------------------------------------------------------------------


@pytest.fixture
def three(sound: Sound, export: Exports, store: Path) -> Path:
    """Batches 1 and 2 of one evening in Vienna, 3 after its midnight, 4 (nothing new) and 5 (a refusal) a day later."""
    files = [
        [sound("contacts")],
        [sound("contacts", contact_id="C2")],
        [sound("contacts", pain_score="5")],
        [sound("contacts", contact_id="C2", pain_score="2.0")],  # other bytes, the same record
        [sound("contacts", contact_id="C3", pain_score="11")],
    ]
    for number, rows_ in enumerate(files, start=1):
        list(ingest(store, [export(f"contacts-{number}.csv", rows_)], Settings(time_zone="Europe/Vienna")))
    # Summer time: Vienna is two hours ahead of UTC.
    moments = ["2026-06-30 19:00", "2026-06-30 21:59:59", "2026-06-30 22:00", "2026-07-02 08:00", "2026-07-02 08:01"]
    dated(store, dict(enumerate(moments, start=1)))
    return store


def test_an_import_is_what_was_loaded_on_a_day_at_the_practice(three: Path) -> None:
    with open_store(three) as connection:
        found = last_import(connection, "Europe/Vienna")
        assert found is not None
        assert (found.day, found.batches) == (dt.date(2026, 7, 2), (4, 5))  # a refusal is something
        assert found.before == dt.datetime(2026, 7, 2, 7, 59, 59, 999999, UTC)
    undo(three, 5)
    dated(three, {4: "2026-07-02 08:00"})
    with open_store(three) as connection:
        found = last_import(connection, "Europe/Vienna")
        assert found is not None
        assert (found.day, found.batches) == (dt.date(2026, 7, 1), (3,))  # batch 4 changed nothing
        known_on(connection, found.before)
        assert connection.execute("select pain_score from contacts order by contact_id").fetchall() == [(2,), (2,)]
        assert last_import(connection, "Europe/Vienna") is None  # nothing before
        latest = latest_import(connection, "Europe/Vienna")
        assert latest is not None
        assert (latest.day, latest.batches) == (dt.date(2026, 6, 30), (1, 2))
        assert last_day(connection) == dt.date(2026, 6, 30)
        known_now(connection)
        utc = latest_import(connection, "UTC")
        assert utc is not None
        assert utc.batches == (1, 2, 3)  # in UTC all three are of one day


def test_an_empty_store_has_no_import() -> None:
    store = in_memory()
    assert latest_import(store, "UTC") is last_import(store, "UTC") is None
    for ask in (lambda: known_on(store, dt.datetime(2026, 1, 1)), lambda: last_day(store)):
        with pytest.raises(UserError, match="nothing was imported into this store yet"):
            ask()


def test_only_refusals_before_are_nothing_to_compare_with(sound: Sound, export: Exports, store: Path) -> None:
    for name, day in (("bad.csv", "2099-01-01 09:00"), ("good.csv", "2024-03-05 12:00")):
        list(ingest(store, [export(name, [sound("contacts", contact_id=name, contacted_at=day)])], Settings()))
    dated(store, {1: "2026-01-01", 2: "2026-01-02"})
    with open_store(store) as connection:
        assert last_import(connection, "UTC") is None
        latest = latest_import(connection, "UTC")
        assert latest is not None
        assert latest.batches == (2,)


def test_the_end_of_a_day() -> None:
    assert end_of(dt.date(2026, 6, 30), "Europe/Vienna") == dt.datetime(2026, 6, 30, 21, 59, 59, 999999, UTC)
    assert end_of(dt.date(2026, 12, 31), "Europe/Vienna") == dt.datetime(2026, 12, 31, 22, 59, 59, 999999, UTC)
    # Paraguay put its clocks back at midnight, to eleven (tz database: Asuncion, 24 March 2024): the last hour of 23
    # March came twice, at UTC-3 and at UTC-4.
    assert end_of(dt.date(2024, 3, 23), "America/Asuncion") == dt.datetime(2024, 3, 24, 3, 59, 59, 999999, UTC)
    assert end_of(dt.date.max, "America/New_York").year == 9999
    assert end_of(dt.date.min, "Asia/Tokyo").year == 1


# ---- the command line --------------------------------------------------------------------------------------------


def test_the_command_line(canalwise: Callable[..., Any], three: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('time_zone = "Europe/Vienna"\n', encoding="utf-8")

    def ask(*more: str) -> Any:
        return canalwise("measure", "imports", "--store", three, "--settings", own, *more)

    def files(*more: str) -> list[str]:
        return [row["source_file"] for row in ask("--json", *more).json["rows"]]

    assert files() == [f"contacts-{n}.csv" for n in (1, 2, 3, 4, 5)]
    assert files("--known-on", "2026-06-30") == ["contacts-1.csv", "contacts-2.csv"]
    assert files("--known-on", "2026-07-01") == ["contacts-1.csv", "contacts-2.csv", "contacts-3.csv"]
    assert files("--known-on", "9999-12-31") == files()
    told = ask("--known-on", "2026-07-01", "--json")
    assert told.json["known_on"] == "2026-07-01"
    assert "As known on 2026-07-01" in told.err
    assert "known_on" not in ask("--json").json
    for day, says in (
        ("2026-06-29", "canalwise: nothing was imported by then: the first import was on 2026-06-30."),
        ("0001-01-01", "canalwise: nothing was imported by then: the first import was on 2026-06-30."),
        ("30.06.2026", "canalwise: --known-on 30.06.2026 is not a date. Write it as 2026-03-31."),
        ("", "canalwise: --known-on is not a date. Write it as 2026-03-31."),
    ):
        wrong = ask("--known-on", day)
        assert (wrong.code, wrong.out, wrong.err.strip()) == (2, "", says)
