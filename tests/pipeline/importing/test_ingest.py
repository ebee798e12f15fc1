"""Imports: every row accounted for, all of a file or nothing, the same twice changes nothing, order does not matter."""

from __future__ import annotations

import itertools
import json
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.importing import load as load_module
from pipeline.importing.ingest import Imported, ingest
from pipeline.records import KINDS
from pipeline.settings import Settings, load_settings
from pipeline.sources.unread import LeftOut
from pipeline.store import batches
from pipeline.store.batches import Counts
from pipeline.store.database import open_store

HERE = Settings(practice="here", practice_id="here")
BOOKS = ("batches", "quarantine", "cells", "flags", "checks", "store_version")
EVERY_TABLE = (*BOOKS, *KINDS, *(f"{kind}_history" for kind in KINDS))


def run(store: Path, *paths: Path, settings: Settings = HERE, **how: Any) -> list[Imported]:
    return list(ingest(store, list(paths), settings, **how))


def query(store: Path, sql: str) -> list[Any]:
    with open_store(store) as connection:
        return connection.execute(sql).fetchall()


def everything(store: Path) -> dict[str, list[Any]]:
    """Every row of every table, to the letter."""
    with open_store(store) as connection:
        return {table: connection.execute(f"from {table} order by all").fetchall() for table in EVERY_TABLE}


def records(store: Path) -> dict[str, list[Any]]:
    """Records and marks without what differs by the order of imports: when, and under which number of batch."""
    kept = {kind: query(store, f"select * exclude (loaded_at, batch_id) from {kind} order by all") for kind in KINDS}
    marks = (
        "select f.kind, b.source_file, f.source_row, rule, action, reason from flags f join batches b using (batch_id)"
    )
    kept["flags"] = query(store, f"{marks} order by all")
    kept["quarantine"] = query(store, "select * exclude (batch_id) from quarantine order by all")
    return kept


def assert_adds_up(imported: Sequence[Imported]) -> None:
    for one in imported:
        c = one.counts
        assert c.read == c.loaded + c.unchanged + c.superseded + c.quarantined, one


# --- accounting ------------------------------------------------------------------------------------------------------


def test_every_row_of_the_small_set_is_loaded(store: Path, small: Path) -> None:
    imported = run(store, small, settings=load_settings(small / "canalwise.toml"))
    assert_adds_up(imported)
    lines = {path.stem: len(path.read_text().splitlines()) - 1 for path in small.glob("*.csv")}
    assert {one.kind: one.counts.read for one in imported} == lines
    assert {one.kind: one.counts.loaded for one in imported} == lines
    assert {kind: len(query(store, f"from {kind}")) for kind in KINDS} == lines


MESS = """visit_id,treatment_id,dentist,seated_at,left_at,booked_minutes,Bemerkung

V1,T1,D1,2024-03-04 09:00,2024-03-04 10:00,60,fine
V2,T1,D1,2024-03-05 09:00,2024-03-05 08:00,60,left before seated
V3,T1,D1,soon,2024-03-05 08:00,x,two values that do not parse
V4,T1,D1,2024-03-06 09:00,2024-03-06 10:00,60
V5,T1,D1,2024-03-07 09:00,2024-03-07 10:00,60,"open
V6,T1,D1,2024-03-08 09:00,2024-03-08 10:00,60,"two
lines"
V1,T1,D1,2024-03-04 09:00,2024-03-04 10:00,60.0,"the first one again, to the letter of its record"
V7,T1,D1,2024-03-09 09:00,2024-03-09 10:00,60,says one thing
V7,T1,D1,2024-03-09 09:00,2024-03-09 10:30,60,says another
,T1,D1,2024-03-10 09:00,2024-03-10 10:00,60,no key
V8,T1,D1,2024-03-11 09:00,2024-03-11 09:01,60,a warning only
"""


@pytest.fixture
def mess(tmp_path: Path) -> Path:
    path = tmp_path / "visits.csv"
    path.write_text(MESS, encoding="utf-8")
    return path


def test_every_row_of_a_messy_file_is_accounted_for(store: Path, mess: Path) -> None:
    (imported,) = run(store, mess)
    assert imported.counts == Counts(read=11, loaded=3, unchanged=1, superseded=0, quarantined=7)
    assert query(store, "select visit_id, source_row from visits order by all") == [("V1", 3), ("V6", 8), ("V8", 14)]
    refused = query(store, "select source_row, rules from quarantine order by all")
    assert refused == [
        (4, ["visit_minutes_out_of_range"]),
        (5, ["value_does_not_parse", "value_does_not_parse"]),
        (6, ["cells_do_not_fit_header"]),
        (7, ["quote_not_closed"]),
        (11, ["key_repeated"]),
        (12, ["key_repeated"]),
        (13, ["visit_incomplete"]),
    ]
    assert query(store, "select source_row, rule from flags where action = 'warn'") == [(14, "visit_time_unusual")]


def test_counts_are_kept_with_the_batch(store: Path, mess: Path) -> None:
    (imported,) = run(store, mess)
    columns = 'source_file, kind, practice, "read", loaded, unchanged, superseded, quarantined, file_bytes'
    (batch,) = query(store, f"select {columns} from batches")
    counts = [n for name, n in vars(imported.counts).items() if name != "blanked"]
    assert batch == ("visits.csv", "visits", "here", *counts, mess.stat().st_size)


def test_a_header_alone_is_read_as_no_rows(store: Path, export: Callable[..., Path], tmp_path: Path) -> None:
    path = tmp_path / "contacts.csv"
    path.write_text(",".join(KINDS["contacts"].names))
    assert [one.counts for one in run(store, path)] == [Counts(0, 0, 0, 0, 0)]


BLNS = Path(__file__).resolve().parents[4] / "shared" / "corpora" / "blns" / "blns.json"


@pytest.mark.skipif(not BLNS.is_file(), reason="no corpus beside this checkout")
def test_awkward_texts_are_stored_to_the_letter(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    """The Big List of Naughty Strings (MIT licence), as notes of incidents: text is data, never code or format."""
    texts = [text for text in json.loads(BLNS.read_text(encoding="utf-8")) if "\0" not in text]
    assert len(texts) > 400
    rows = [sound("incidents", incident_id=f"N{i}", note=text) for i, text in enumerate(texts)]
    assert run(store, export("incidents.csv", rows))[0].counts == Counts(len(texts), len(texts), 0, 0, 0)
    stored = dict(query(store, "select incident_id, note from incidents"))
    expected = pl.Series(texts).str.strip_chars().replace("", None)
    assert [stored[f"N{i}"] for i in range(len(texts))] == expected.to_list()


# --- the same again, and newer ---------------------------------------------------------------------------------------


def test_the_same_files_again_change_nothing(filled: Path, small: Path, mess: Path) -> None:
    settings = load_settings(small / "canalwise.toml")
    first = run(filled, mess, settings=settings)
    before = everything(filled)
    again = run(filled, small, mess, settings=settings)
    assert everything(filled) == before
    assert all(one.skipped for one in again)
    assert again[-1].counts.quarantined == first[0].counts.quarantined == 7
    assert sum(one.counts.unchanged for one in again) == 1403 + 4
    assert_adds_up(again)


def test_the_same_records_in_another_file_change_only_the_books(filled: Path, small: Path, tmp_path: Path) -> None:
    before = everything(filled)
    copy = tmp_path / "copy.csv"
    lines = (small / "treatments.csv").read_text().splitlines(keepends=True)
    copy.write_text(lines[0] + "".join(reversed(lines[1:])))
    (again,) = run(filled, copy, settings=load_settings(small / "canalwise.toml"))
    assert again.counts == Counts(len(lines) - 1, 0, len(lines) - 1, 0, 0)
    after = everything(filled)
    changed = {table for table in EVERY_TABLE if after[table] != before[table]}
    assert changed == {"batches", "cells"}


def test_a_newer_record_supersedes_and_the_old_one_is_kept(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    run(
        store,
        export(
            "old.csv",
            [sound("treatments", status="in progress", completed_on=None), sound("treatments", treatment_id="T2")],
        ),
    )
    (newer,) = run(store, export("new.csv", [sound("treatments", tooth="37"), sound("treatments", treatment_id="T2")]))
    assert newer.counts == Counts(read=2, loaded=0, unchanged=1, superseded=1, quarantined=0)
    now = query(store, "select treatment_id, tooth, status, source_file, batch_id from treatments order by all")
    assert now == [("T1", 37, "completed", "new.csv", 2), ("T2", 36, "completed", "old.csv", 1)]
    old = query(store, "select treatment_id, tooth, status, source_file, batch_id, replaced_by from treatments_history")
    assert old == [("T1", 36, "in progress", "old.csv", 1, 2)]
    # An empty cell is a newer record's word too.
    (emptied,) = run(store, export("third.csv", [sound("treatments", tooth="37", birth_year=None)]))
    assert emptied.counts.superseded == 1
    assert query(store, "select birth_year from treatments where treatment_id = 'T1'") == [(None,)]


def test_marks_on_a_replaced_record_go_with_it(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    run(store, export("old.csv", [sound("visits", left_at="2024-03-04 09:01")]))
    assert query(store, "select rule from flags where action = 'warn'") == [("visit_time_unusual",)]
    run(store, export("new.csv", [sound("visits")]))
    assert query(store, "select rule from flags where action = 'warn'") == []


def test_an_older_refusal_is_void_when_the_file_is_read_by_a_better_mapping(store: Path, tmp_path: Path) -> None:
    path = tmp_path / "contacts.csv"
    path.write_text("contact_id,treatment_id,contacted_at\nC1,T1,05.03.2024 12:00\n")
    (first,) = run(store, path)
    assert first.counts.quarantined == 1
    mapping = tmp_path / "mapping.toml"
    columns = "".join(f'{name} = "{name}"\n' for name in ("contact_id", "treatment_id", "contacted_at"))
    mapping.write_text(f'[file]\ntimestamp = "%d.%m.%Y %H:%M"\n[contacts.columns]\n{columns}')
    (second,) = run(store, path, mapping_file=mapping)
    assert second.counts == Counts(1, 1, 0, 0, 0)
    assert query(store, "from quarantine") == []
    assert len(query(store, "from batches")) == 2


def test_rows_that_contradict_each_other_are_both_refused_even_when_one_is_in_the_store(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    run(store, export("old.csv", [sound("treatments")]))
    (done,) = run(store, export("new.csv", [sound("treatments"), sound("treatments", tooth="37")]))
    assert done.counts == Counts(2, 0, 0, 0, 2)
    assert query(store, "select tooth from treatments") == [(36,)]


def test_a_refused_row_does_not_contradict_a_sound_one(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    (done,) = run(store, export("new.csv", [sound("treatments"), sound("treatments", tooth="99")]))
    assert done.counts == Counts(2, 1, 0, 0, 1)


def test_a_key_of_two_columns_is_read_as_two(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    rows = [sound("canals", canal=canal) for canal in ("MB", "ML", "D")]
    rows += [sound("canals", treatment_id="T1M", canal="B")]
    assert run(store, export("canals.csv", rows))[0].counts.loaded == 4


# --- all or nothing --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", ["judge", "_refuse_contradictions", "merge", "settle", "keep"])
def test_a_failing_step_leaves_the_store_as_it_was(
    filled: Path, mess: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    before = everything(filled)
    whole = getattr(load_module, step)

    def half(*arguments: Any, **named: Any) -> None:
        whole(*arguments, **named)
        raise RuntimeError("the power went")

    monkeypatch.setattr(load_module, step, half)
    with pytest.raises(RuntimeError, match="the power went"):
        run(filled, mess)
    assert everything(filled) == before


def test_counts_that_do_not_add_up_stop_the_import(filled: Path, mess: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = everything(filled)

    class Short(Counts):
        def __new__(cls, read: int, *parts: int) -> Any:
            return Counts(read + 1, *parts)

    monkeypatch.setattr(batches, "Counts", Short)
    with pytest.raises(AssertionError, match="12 records read, 11 accounted for"):
        run(filled, mess)
    assert everything(filled) == before


def test_the_store_itself_refuses_counts_that_do_not_add_up(store: Path, mess: Path) -> None:
    import duckdb

    run(store, mess)
    with open_store(store, write=True) as connection, pytest.raises(duckdb.ConstraintException):
        connection.execute("update batches set loaded = loaded + 1")


def test_an_unknown_file_among_several_is_named_and_the_others_are_loaded(
    store: Path, small: Path, tmp_path: Path
) -> None:
    bills = tmp_path / "bills.csv"
    bills.write_text("no,amount\n1,10\n")
    left: list[LeftOut] = []
    done = list(ingest(store, [bills, small], HERE, leave_out=left.append))
    assert len(done) == 8
    assert [one.file for one in left] == [str(bills)]
    with pytest.raises(UserError, match=r"bills\.csv: none of its 2 columns"):  # where nobody asked for it
        run(store, small, bills)


def test_an_unknown_file_alone_leaves_no_store(store: Path, tmp_path: Path) -> None:
    bills = tmp_path / "bills.csv"
    bills.write_text("no,amount\n1,10\n")
    with pytest.raises(UserError, match=r"bills\.csv: none of its 2 columns"):
        list(ingest(store, [bills], HERE, leave_out=lambda _: None))
    assert not store.exists()
    assert not store.with_suffix(".key").exists()


def test_when_a_later_file_fails_the_earlier_ones_are_in_and_judged_across_kinds(
    store: Path, small: Path, mess: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = load_module.judge

    def fails_on_visits(connection: Any, relation: str, rules: Any, *more: Any) -> Any:
        if rules[0].kind == "visits":
            raise RuntimeError("the power went")
        return whole(connection, relation, rules, *more)

    monkeypatch.setattr(load_module, "judge", fails_on_visits)
    with pytest.raises(RuntimeError):
        run(store, small / "canals.csv", mess)
    assert len(query(store, "from canals")) == 129
    rules = query(store, "select distinct rule from flags where action = 'flag'")
    assert ("canal_without_treatment",) in rules


# --- practices and order ---------------------------------------------------------------------------------------------


def test_two_practices_in_one_export_keep_their_keys_apart(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    rows = [sound("treatments", practice=p, tooth=tooth) for p, tooth in (("north", "16"), ("south", "26"), ("", "36"))]
    assert run(store, export("t.csv", rows))[0].counts == Counts(3, 3, 0, 0, 0)
    assert query(store, "select practice, tooth from treatments order by tooth") == [
        ("north", 16),
        ("south", 26),
        ("here", 36),
    ]
    (newer,) = run(store, export("u.csv", [sound("treatments", practice="south", tooth="27")]))
    assert newer.counts == Counts(1, 0, 0, 1, 0)
    assert query(store, "select practice, tooth from treatments order by tooth") == [
        ("north", 16),
        ("south", 27),
        ("here", 36),
    ]


def test_a_canal_finds_its_treatment_in_its_own_practice_only(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    run(store, export("t.csv", [sound("treatments", practice="north")]))
    run(store, export("c.csv", [sound("canals", practice=p) for p in ("north", "south")]))
    flagged = "select practice from canals c join flags f using (batch_id, source_row) where f.rule = ?"
    with open_store(store) as connection:
        assert connection.execute(flagged, ["canal_without_treatment"]).fetchall() == [("south",)]


def test_files_in_any_order_give_the_same_tables(store: Path, small: Path, mess: Path, tmp_path: Path) -> None:
    files = [*sorted(small.glob("*.csv")), mess]
    orders = [files, files[::-1], files[4:] + files[:4]]
    found = []
    for number, order in enumerate(orders):
        one = tmp_path / f"order{number}.duckdb"
        one.with_suffix(".key").write_bytes(b"k" * 32)
        run(one, *order)
        found.append(records(one))
    assert found[0] == found[1] == found[2]
    assert found[0]["flags"]


# --- what cannot be read ---------------------------------------------------------------------------------------------


def refusal(store: Path, *paths: Path, **how: Any) -> str:
    with pytest.raises(UserError) as caught:
        run(store, *paths, **how)
    assert not store.exists()
    return str(caught.value)


def test_what_cannot_be_read_is_said_before_anything_is_loaded(
    store: Path, small: Path, tmp_path: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    latin = tmp_path / "latin.csv"
    latin.write_bytes(
        "contact_id,treatment_id,contacted_at\nC1,T1,2024-03-05 12:00\nCé,T1,2024-03-05 12:00\n".encode("latin-1")
    )
    assert "latin.csv, line 3: byte 61 is not UTF-8 text" in refusal(store, latin)
    empty = tmp_path / "empty.csv"
    empty.touch()
    assert refusal(store, empty) == f"{empty}: the file is empty. Export it again."
    assert "no such file or folder" in refusal(store, tmp_path / "missing.csv")
    bare = tmp_path / "bare"
    bare.mkdir()
    assert "the folder has no .csv or .xlsx files" in refusal(store, bare)
    short = export("v.csv", [{"visit_id": "V1", "treatment_id": "T1", "dentist": "D1", "seated_at": "x"}])
    assert "lacks the columns left_at of visits" in refusal(store, short, as_kind="visits")
    assert "there is no record kind teeth" in refusal(store, small, as_kind="teeth")


def test_a_kind_that_is_given_is_taken(store: Path, export: Callable[..., Path], sound: Callable[..., Any]) -> None:
    both = export("both.csv", [sound("canals") | sound("instrument_uses")])
    assert run(store, both)[0].kind == "instrument_uses"
    assert run(store, both, as_kind="canals")[0].kind == "canals"


# --- workbooks with several sheets -----------------------------------------------------------------------------------


def test_every_sheet_that_a_mapping_names_is_read(store: Path, tmp_path: Path) -> None:
    import xlsxwriter

    path = tmp_path / "book.xlsx"
    with xlsxwriter.Workbook(path) as book:
        calls, notes, visits = (book.add_worksheet(name) for name in ("Calls", "Notes", "Chair"))
        calls.write_row(0, 0, ["Nr", "Case", "When"])
        calls.write_row(1, 0, ["C1", "T1", "2024-03-05 12:00"])
        notes.write_row(0, 0, ["Private", "things"])
        visits.write_row(0, 0, ["Nr", "Case", "Who", "In", "Out"])
        visits.write_row(1, 0, ["V1", "T1", "D1", "2024-03-04 09:00", "2024-03-04 10:00"])
        visits.write_row(2, 0, ["V2", "T1", "D1", "2024-03-04 09:00", "2024-03-04 08:00"])
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(
        '[contacts]\nsheet = "Calls"\n[contacts.columns]\ncontact_id = "Nr"\ntreatment_id = "Case"\n'
        'contacted_at = "When"\n'
        '[visits]\nsheet = "Chair"\n[visits.columns]\nvisit_id = "Nr"\ntreatment_id = "Case"\ndentist = "Who"\n'
        'seated_at = "In"\nleft_at = "Out"\n'
    )
    done = {one.kind: one.counts for one in run(store, path, mapping_file=mapping)}
    assert done == {"contacts": Counts(1, 1, 0, 0, 0), "visits": Counts(2, 1, 0, 0, 1)}
    again = run(store, path, mapping_file=mapping)
    assert all(one.skipped for one in again)
    only = tmp_path / "only.duckdb"
    assert [one.kind for one in run(only, path, mapping_file=mapping, as_kind="visits")] == ["visits"]
    mapping.write_text(mapping.read_text().replace("Calls", "Phone").replace("Chair", "Stuhl"))
    with pytest.raises(UserError, match=r"has no sheet of the mapping \(Phone, Stuhl\); it has Calls, Notes, Chair"):
        run(tmp_path / "none.duckdb", path, mapping_file=mapping)


# --- the key ---------------------------------------------------------------------------------------------------------


def test_without_its_key_a_store_takes_nothing_in(filled: Path, small: Path) -> None:
    store = filled
    before = everything(store)
    store.with_suffix(".key").unlink()
    with pytest.raises(UserError, match=r"the pseudonym key of this store is missing"):
        run(store, small / "visits.csv")
    assert not store.with_suffix(".key").exists()
    store.with_suffix(".key").write_bytes(b"short")
    with pytest.raises(UserError, match=r"is not a pseudonym key \(32 bytes expected, 5 found\)"):
        run(store, small / "visits.csv")
    assert everything(store) == before


def test_a_copy_of_a_store_with_its_key_goes_on_where_it_was(filled: Path, small: Path, tmp_path: Path) -> None:
    for suffix in (".duckdb", ".key"):
        shutil.copy(filled.with_suffix(suffix), tmp_path / f"moved{suffix}")
    lines = (small / "treatments.csv").read_text().splitlines(keepends=True)
    newer = tmp_path / "treatments.csv"
    newer.write_text("".join(lines) + lines[1].replace("T00001", "T77777", 1))
    (done,) = run(tmp_path / "moved.duckdb", newer, settings=load_settings(small / "canalwise.toml"))
    assert done.counts.loaded == 1
    patients = "select count(distinct patient_id) from treatments where treatment_id in ('T00001', 'T77777')"
    assert query(tmp_path / "moved.duckdb", patients) == [(1,)]


def test_no_two_orders_of_the_same_two_versions_end_alike(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    """What was imported last is what counts; a file seen before is not read again, so it cannot bring the old back."""
    old = export("old.csv", [sound("treatments", tooth="36")])
    new = export("new.csv", [sound("treatments", tooth="37")])
    for file, tooth in itertools.zip_longest((old, new, old), (36, 37, 37)):
        run(store, file)
        assert query(store, "select tooth from treatments") == [(tooth,)]


def test_a_refusal_is_settled_once_a_record_of_its_key_is_in(
    canalwise: Callable[..., Any], sound: Callable[..., Any], export: Callable[..., Path]
) -> None:
    late = "2099-01-01"
    bad = [sound("follow_ups", seen_on=late), sound("follow_ups", follow_up_id="F2", seen_on=late)]
    assert canalwise("ingest", export("follow_ups.csv", bad)).code == 1
    mended = export("mended.csv", [sound("follow_ups", pai="2")])
    assert canalwise("ingest", mended).code == 0
    left = canalwise("quarantine", "--json")
    assert left.code == 1
    assert [row["row"] for row in left.json["rows"]] == [3]  # the other record is still refused
    assert canalwise("ingest", export("rest.csv", [sound("follow_ups", follow_up_id="F2", pai="1")])).code == 0
    assert canalwise("quarantine", "--json").code == 0
