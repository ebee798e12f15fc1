"""Cells, not rows: an impossible or unknown value in an optional column is left empty and listed; the record stays."""

from __future__ import annotations

import datetime as dt
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.checks.suites import suite
from pipeline.importing import load as load_module
from pipeline.importing.ingest import ingest, undo
from pipeline.importing.quarantine import Wanted, counted, refused, retry
from pipeline.importing.refusals import ABOUT
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.store.database import open_store
from pipeline.store.known import known_on
from pipeline.store.pseudonyms import load_key
from pipeline.store.status import status

Sound = Callable[..., dict[str, str | None]]
Exports = Callable[..., Path]


def load(store: Path, *files: Path) -> list[Any]:
    return [done for file in files for done in ingest(store, [file], Settings(practice="here", practice_id="here"))]


def query(store: Path, sql: str) -> list[Any]:
    with open_store(store) as connection:
        return connection.execute(sql).fetchall()


def listed(store: Path) -> list[tuple[Any, ...]]:
    """file, row, and column and rule of each listed cell or refusal"""
    with open_store(store) as connection:
        found = refused(connection)
    return [(r.file, r.row, r.what, dict(zip(r.columns, r.rules, strict=False))) for r in found]


# --- which cells ------------------------------------------------------------------------------------------------------

WAY = "canal_finished_before_started"
BAD: dict[str, list[tuple[dict[str, str], dict[str, str]]]] = {  # cells -> the rule that blanks each
    "treatments": [
        ({"preop_pai": "9"}, {"preop_pai": "preop_pai_not_1_to_5"}),
        ({"preop_pai": "nine"}, {"preop_pai": "value_does_not_parse"}),
        ({"restoration": "platinum"}, {"restoration": "restoration_unknown"}),
        ({"kind": "???"}, {"kind": "treatment_kind_unknown"}),
        ({"status": "???"}, {"status": "treatment_status_unknown"}),
        ({"lesion_mm": "-3"}, {"lesion_mm": "lesion_out_of_range"}),
        ({"birth_year": "2030"}, {"birth_year": "birth_year_impossible"}),
        (
            {"completed_on": "2099-01-01", "restored_on": "0224-03-05"},
            dict.fromkeys(("completed_on",), "treatment_later_date_impossible")
            | {"restored_on": "value_does_not_parse"},
        ),
        ({"completed_on": "1925-03-11"}, {"completed_on": "treatment_later_date_impossible"}),
    ],
    "canals": [
        (
            {"first_binding_size": "15", "final_size": "2", "glide_path_size": "999"},
            dict.fromkeys(("final_size", "glide_path_size"), "canal_size_out_of_range"),
        ),
        ({"finished_at": "2024-03-04 09:00"}, dict.fromkeys(("finished_at", "started_at"), WAY)),
        ({"started_at": "2099-03-04 09:10"}, {"started_at": "canal_date_impossible"}),
    ],
    "instrument_uses": [
        (
            {"seconds": "-1", "speed_rpm": "-300", "torque_ncm": "2", "size": "3", "motion": "sideways"},
            {
                "seconds": "use_seconds_out_of_range",
                "speed_rpm": "use_number_impossible",
                "size": "use_size_out_of_range",
                "motion": "use_motion_unknown",
            },
        ),
        ({"result": "fine"}, {"result": "use_result_unknown"}),
    ],
    "instruments": [
        (
            {"retired_on": "2023-12-31", "retired_reason": "bored"},
            {
                "received_on": "instrument_retired_before_received",
                "retired_on": "instrument_retired_before_received",
                "retired_reason": "retirement_reason_unknown",
            },
        ),
        ({"received_on": "2099-01-01"}, {"received_on": "instrument_date_impossible"}),
    ],
    "incidents": [({"kind": "mishap"}, {"kind": "incident_kind_unknown"})],
    "follow_ups": [
        (
            {"lost_on": "2099-01-01", "image": "x"},
            {"lost_on": "follow_up_event_date_impossible", "image": "image_unknown"},
        ),
        ({"pain": "perhaps"}, {"pain": "value_does_not_parse"}),
    ],
    "contacts": [({"pain_score": "11"}, {"pain_score": "pain_score_not_0_to_10"})],
    "visits": [
        (
            {"booked_minutes": "-5", "reason": "x"},
            {"booked_minutes": "booked_minutes_out_of_range", "reason": "visit_reason_unknown"},
        )
    ],
}


@pytest.mark.parametrize("kind", BAD)
def test_the_cell_is_left_empty_and_listed_and_the_row_is_kept(
    kind: str, store: Path, sound: Sound, export: Exports
) -> None:
    key = next(name for name in reversed(KINDS[kind].key))
    bad = [sound(kind) | {key: f"B{n}"} | wrong for n, (wrong, _) in enumerate(BAD[kind])]
    (done,) = load(store, export(f"{kind}.csv", [*bad, sound(kind)]))
    assert (done.counts.loaded, done.counts.quarantined) == (len(bad) + 1, 0)
    assert listed(store) == [(f"{kind}.csv", n + 2, "cell", rules) for n, (_, rules) in enumerate(BAD[kind])]
    for n, (wrong, rules) in enumerate(BAD[kind]):
        (row,) = query(store, f"select {', '.join(KINDS[kind].names)} from {kind} where {key} = 'B{n}'")
        found = dict(zip(KINDS[kind].names, row, strict=True))
        assert [c for c in rules if found[c] is not None] == []
        assert [c for c, text in (sound(kind) | wrong).items() if text and c not in rules and found[c] is None] == []
    assert done.counts.blanked == sum(len(rules) for _, rules in BAD[kind])
    assert query(store, "select rule from flags where action = 'blank'") == []


def test_keys_dates_and_tooth_still_refuse_the_record(store: Path, sound: Sound, export: Exports) -> None:
    rows = [
        sound("treatments", treatment_id="T2", tooth="99", preop_pai="9"),
        sound("treatments", treatment_id="T3", started_on="2099-01-01"),
        sound("treatments", treatment_id="T4", started_on="soon", lesion_mm="x"),
        sound("treatments", treatment_id="T5", completed_on="2024-03-01"),
        sound("treatments", treatment_id="", lesion_mm="-1"),
    ]
    (done,) = load(store, export("t.csv", rows))
    assert (done.counts.loaded, done.counts.quarantined, done.counts.blanked) == (0, 5, 0)
    # Everything that is wrong with a refused row is told at once.
    with open_store(store) as connection:
        rules = [set(r.rules) for r in refused(connection)]
        assert [r.what for r in refused(connection)] == ["row"] * 5
        assert counted(connection) == (5, 0)
    assert rules[0] == {"tooth_not_fdi", "preop_pai_not_1_to_5"}
    assert rules[2] == {"value_does_not_parse"}
    # In the books their cells are those of refused rows.
    assert query(store, 'select sum(stored), sum(blanked), bool_and(refused = "read") from cells') == [(0, 0, True)]


def test_other_rules_judge_what_is_left(store: Path, sound: Sound, export: Exports) -> None:
    """A lesion of 5 mm beside a PAI of 1 is doubtful; beside an impossible PAI there is nothing to doubt."""
    rows = [
        sound("treatments", preop_pai="1", lesion_mm="5"),
        sound("treatments", treatment_id="T2", preop_pai="-1", lesion_mm="5"),
        sound("treatments", treatment_id="T3", completed_on="2099-03-04"),
    ]
    load(store, export("t.csv", rows))
    warned = query(store, "select source_row, rule from flags where action = 'warn' order by all")
    assert (2, "diagnosis_doubtful") in warned
    assert 3 not in {row for row, _ in warned}
    assert (4, "treatment_dates_doubtful") in warned, "completed, and no day of it"


@pytest.mark.parametrize(
    ("kind", "cells_", "stored"),
    [
        ("treatments", {"restoration": "Crown "}, "crown"),
        ("treatments", {"status": "IN  PROGRESS", "completed_on": ""}, "in progress"),
        ("treatments", {"apical_diagnosis": "Acute\u00a0apical   ABSCESS"}, "acute apical abscess"),
        ("follow_ups", {"image": "\u2003PERIAPICAL\u00a0"}, "periapical"),
        ("canals", {"length_confirmed": "apex  locator"}, "apex locator"),
        ("canals", {"length_confirmed": "Apex\u202flocator\u200b"}, "apex locator"),
        ("incidents", {"kind": "Over-Instrumentation"}, "over-instrumentation"),
        ("visits", {"rubber_dam": " YES\u200b"}, True),
    ],
)
def test_case_and_spaces_never_matter(
    kind: str, cells_: dict[str, str], stored: Any, store: Path, sound: Sound, export: Exports
) -> None:
    (done,) = load(store, export(f"{kind}.csv", [sound(kind) | cells_]))
    assert (done.counts.loaded, done.counts.blanked) == (1, 0)
    assert query(store, f"select {next(iter(cells_))} from {kind}") == [(stored,)]


def test_words_of_a_mapping_are_found_whatever_their_case_and_spaces(
    store: Path, sound: Sound, export: Exports, canalwise: Any
) -> None:
    row = sound("visits", reason="Normal\u00a0 TERMIN", rubber_dam="  ja  DOCH")
    columns = "".join(f'{c} = "{c}"\n' for c in row if c != "reason")
    store.with_name("m.toml").write_text(
        f'[file]\ntrue = ["Ja doch"]\n[visits.columns]\n{columns}'
        'reason = { from = "reason", values = { "normal termin" = "planned" } }\n'
    )
    ran = canalwise("ingest", export("v.csv", [row]), "--store", store, "--mapping", store.with_name("m.toml"))
    assert ran.code == 0
    assert query(store, "select reason, rubber_dam from visits") == [("planned", True)]


# --- rows of one file -------------------------------------------------------------------------------------------------


def test_a_blanked_cell_contradicts_nothing(store: Path, sound: Sound, export: Exports) -> None:
    rows = [sound("treatments", preop_pai="9"), sound("treatments", preop_pai="4")]
    (done,) = load(store, export("t.csv", rows))
    assert (done.counts.loaded, done.counts.unchanged, done.counts.blanked) == (1, 1, 1)
    assert query(store, "select preop_pai, source_row from treatments") == [(4, 3)]
    other = [*rows, sound("treatments", preop_pai="3")]
    (done,) = load(store, export("u.csv", other))
    assert (done.counts.quarantined, done.counts.blanked) == (3, 0), "which of 4 and 3 is right cannot be told"
    different = [sound("treatments", preop_pai="9", tooth="37"), sound("treatments", preop_pai="4")]
    assert load(store, export("v.csv", different))[0].counts.quarantined == 2


# --- books ------------------------------------------------------------------------------------------------------------


def test_books_of_cells_are_kept_column_by_column(store: Path, sound: Sound, export: Exports) -> None:
    rows = [
        sound("contacts", pain_score="11"),
        sound("contacts", contact_id="C2", pain_score=" "),
        sound("contacts", contact_id="C3", contacted_at="soon"),
        sound("contacts", contact_id="C4", pain_score="x", contacted_at="2099-01-01 09:00"),
    ]
    load(store, export("contacts.csv", rows))
    books = {c: counts for c, *counts in query(store, "select * exclude (batch_id) from cells")}
    assert books == {  # read, stored, blanked, in refused rows
        "contact_id": [4, 2, 0, 2],
        "treatment_id": [4, 2, 0, 2],
        "contacted_at": [4, 2, 0, 2],
        "pain_score": [3, 0, 1, 2],
    }
    load(store, export("again.csv", [sound("contacts", pain_score="11")]))
    assert query(store, "select sum(stored), sum(blanked) from cells where batch_id = 2") == [(3, 1)]


def test_cells_of_device_identifiers_and_templates_are_counted(
    store: Path, sound: Sound, export: Exports, canalwise: Any
) -> None:
    udi = "(01)07300016350759(17)260228(10)AB12"  # check digit: GS1 General Specifications
    rows = [
        sound("instruments", udi=udi, lot=None, expires_on="soon"),
        sound("instruments", instrument_id="I2", udi=udi.replace("(17)26", "(17)19"), lot="L9", expires_on=None),
    ]
    (done,) = load(store, export("instruments.csv", rows))
    assert (done.counts.loaded, done.counts.blanked) == (2, 1)
    assert query(store, "select lot, expires_on from instruments order by instrument_id") == [
        ("AB12", dt.date(2026, 2, 28)),
        ("L9", dt.date(2019, 2, 28)),
    ]
    books = {c: counts for c, *counts in query(store, "select * exclude (batch_id) from cells")}
    assert books["expires_on"] == [3, 2, 1, 0], "one that does not parse, and two that the identifier says"
    assert books["lot"] == [2, 2, 0, 0]
    mapping = store.with_name("m.toml")
    mapping.write_text(
        '[contacts.columns]\ncontact_id = { template = "{treatment_id}/{contacted_at}" }\n'
        'treatment_id = "treatment_id"\ncontacted_at = "contacted_at"\npain_score = "pain_score"\n'
    )
    ran = canalwise("ingest", export("c.csv", [sound("contacts")]), "--mapping", mapping, "--store", store)
    assert ran.code == 0, ran.err
    assert query(store, 'select "read", stored from cells where "column" = \'contact_id\'') == [(1, 1)]


def test_books_that_do_not_add_up_stop_the_import(
    filled: Path, sound: Sound, export: Exports, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = export("contacts.csv", [sound("contacts", contact_id="new", pain_score="11")])
    before = (
        query(filled, "from contacts order by all"),
        query(filled, "from quarantine"),
        query(filled, "from batches"),
    )
    whole = load_module.keep

    def loses_a_cell(connection: Any, *more: Any) -> None:
        whole(connection, *more)
        connection.execute("update quarantine set columns = [], rules = [] where what = 'cell'")

    monkeypatch.setattr(load_module, "keep", loses_a_cell)
    with pytest.raises(
        AssertionError, match=r"1 cells of contacts\.pain_score read, accounted for: 0 stored, 0 blanked"
    ):
        load(filled, path)
    after = query(filled, "from contacts order by all"), query(filled, "from quarantine"), query(filled, "from batches")
    assert after == before


def test_the_store_itself_refuses_books_that_do_not_add_up(store: Path, sound: Sound, export: Exports) -> None:
    load(store, export("contacts.csv", [sound("contacts", pain_score="11")]))
    with open_store(store, write=True) as connection, pytest.raises(duckdb.ConstraintException):
        connection.execute("update cells set blanked = blanked + 1")


KILLED = """
import os, signal, sys
from pathlib import Path
from pipeline.importing import load
from pipeline.importing.ingest import ingest
from pipeline.settings import Settings
step = sys.argv[3]
whole = getattr(load.cells, step)
def and_then_the_power_goes(*arguments):
    whole(*arguments)
    os.kill(os.getpid(), signal.SIGKILL)
setattr(load.cells, step, and_then_the_power_goes)
list(ingest(Path(sys.argv[1]), [Path(sys.argv[2])], Settings(practice="here")))
"""


@pytest.mark.parametrize("step", ["lost", "account"])
def test_a_killed_import_leaves_books_that_add_up(step: str, store: Path, sound: Sound, export: Exports) -> None:
    load(store, export("first.csv", [sound("contacts", pain_score="11")]))
    before = {t: query(store, f"from {t} order by all") for t in ("contacts", "cells", "quarantine", "batches")}
    path = export("second.csv", [sound("contacts", contact_id=f"K{n}", pain_score="12") for n in range(50)])
    ended = subprocess.run([sys.executable, "-c", KILLED, str(store), str(path), step], check=False)
    assert ended.returncode == -signal.SIGKILL
    assert {t: query(store, f"from {t} order by all") for t in before} == before
    (done,) = load(store, path)
    assert (done.counts.loaded, done.counts.blanked) == (50, 50)


# --- mending ----------------------------------------------------------------------------------------------------------


def test_a_later_import_with_the_cell_sound_settles_it(store: Path, sound: Sound, export: Exports) -> None:
    load(store, export("a.csv", [sound("follow_ups", pai="7"), sound("follow_ups", follow_up_id="F2", pai="8")]))
    load(store, export("b.csv", [sound("follow_ups", pai="2")]))
    assert listed(store) == [("a.csv", 3, "cell", {"pai": "pai_not_1_to_5"})]
    # The same word again: it is listed once, where it stood last.
    load(store, export("c.csv", [sound("follow_ups", follow_up_id="F2", pai="8")]))
    assert listed(store) == [("c.csv", 2, "cell", {"pai": "pai_not_1_to_5"})]
    # An empty cell is a later word too.
    load(store, export("d.csv", [sound("follow_ups", follow_up_id="F2", pai="")]))
    assert listed(store) == []
    # A row that is refused says nothing of the record that is in.
    load(store, export("e.csv", [sound("follow_ups", follow_up_id="F3", pai="8")]))
    load(store, export("f.csv", [sound("follow_ups", follow_up_id="F3", pai="1", seen_on="2099-01-01")]))
    assert [entry[:3] for entry in listed(store)] == [("e.csv", 2, "cell"), ("f.csv", 2, "row")]


def test_a_record_taken_out_takes_its_cells_along(store: Path, sound: Sound, export: Exports) -> None:
    a = export("a.csv", [sound("contacts", pain_score="11")])
    load(store, a, export("b.csv", [sound("contacts", pain_score="1")]))
    assert listed(store) == []
    assert undo(store, 2) == ["a.csv"], "what it settled is told again by its file"
    load(store, a)
    assert [entry[0] for entry in listed(store)] == ["a.csv"]
    undo(store, 1)
    undo(store, 2)
    assert listed(store) == []
    assert query(store, "from cells") == query(store, "from contacts") == []


def test_cells_are_known_as_on_the_day(store: Path, sound: Sound, export: Exports) -> None:
    load(store, export("a.csv", [sound("contacts", contact_id="C9")]))
    load(store, export("b.csv", [sound("contacts", pain_score="11")]))
    with open_store(store, write=True) as connection:
        connection.execute("update batches set loaded_at = timestamp '2025-01-01' + to_days(batch_id::int)")
        assert status(connection)["kinds"]["contacts"]["blanked"] == 1
        assert [b["blanked"] for b in status(connection)["batches"]] == [0, 1]
        known_on(connection, dt.datetime(2025, 1, 2, 12))
        assert counted(connection) == (0, 0)
        assert connection.execute("select distinct batch_id from cells").fetchall() == [(1,)]


def test_cells_pass_when_a_rule_was_mended_and_the_list_shrinks(
    store: Path, sound: Sound, export: Exports, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(
        store,
        export("f.csv", [sound("follow_ups", pai="7", image="x"), sound("follow_ups", follow_up_id="F2", image="x")]),
    )
    lenient = tuple(r for r in suite("follow_ups") if r.id != "pai_not_1_to_5")
    monkeypatch.setattr(load_module, "suite", lambda kind: lenient)
    with open_store(store, write=True) as connection:
        (done,) = retry(connection, load_key(store))
        assert (done.counts.read, done.counts.superseded, done.counts.unchanged, done.counts.blanked) == (2, 1, 1, 2)
        assert counted(connection) == (0, 2)
    assert query(store, "select pai, image, batch_id from follow_ups order by follow_up_id") == [
        (7, None, 2),
        (1, None, 1),
    ]
    assert query(store, "select pai, replaced_by from follow_ups_history") == [(None, 2)]
    assert sorted(listed(store)) == [
        ("f.csv", 2, "cell", {"image": "image_unknown"}),
        ("f.csv", 3, "cell", {"image": "image_unknown"}),
    ]
    with open_store(store, write=True) as connection:  # nothing passes any more: nothing changes
        assert [d.counts.superseded for d in retry(connection, load_key(store))] == [0, 0]
        assert connection.execute("select count(*) from batches").fetchone() == (2,)


def test_a_refused_row_that_passes_without_a_cell_lists_the_cell(
    store: Path, sound: Sound, export: Exports, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(store, export("f.csv", [sound("follow_ups", pai="7", seen_on="2099-01-01")]))
    lenient = tuple(r for r in suite("follow_ups") if r.id != "follow_up_date_impossible")
    monkeypatch.setattr(load_module, "suite", lambda kind: lenient)
    with open_store(store, write=True) as connection:
        list(retry(connection, load_key(store)))
        assert counted(connection) == (0, 1)
    assert query(store, "select pai, year(seen_on) from follow_ups") == [(None, 2099)]


def test_a_cell_of_a_record_that_the_store_has_from_later_is_not_read_again(
    store: Path, sound: Sound, export: Exports, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(store, export("a.csv", [sound("contacts", pain_score="11")]))
    kept = query(store, "from quarantine")
    load(store, export("b.csv", [sound("contacts", pain_score="1")]))
    with open_store(store, write=True) as connection:  # as if it had not been settled
        connection.executemany(f"insert into quarantine values ({', '.join('?' * len(kept[0]))})", kept)
        monkeypatch.setattr(load_module, "suite", lambda kind: ())
        (done,) = retry(connection, load_key(store), Wanted(batch=1))
        assert done.left == ("1 row older than what the store holds of the same records",)
    assert query(store, "select pain_score from contacts") == [(1.0,)]


def test_mended_in_a_file_and_imported_again(store: Path, sound: Sound, export: Exports, canalwise: Any) -> None:
    rows = [
        sound("treatments", patient_id="Jane Roe", preop_pai="9"),
        sound("treatments", treatment_id="T2", tooth="99"),
    ]
    ran = canalwise("ingest", export("t.csv", rows), "--store", store)
    assert (ran.code, "1 row was refused, 1 cell left empty" in ran.err) == (1, True)
    patient = query(store, "select patient_id from treatments")
    out = store.with_name("refused.csv")
    canalwise("quarantine", "--store", store, "--out", out)
    text = out.read_text()
    assert "Left empty: preop_pai." in text and "Jane" not in text and set(ABOUT) <= set(text.split("\n")[0].split(","))
    mended = store.with_name("mended.csv")
    mended.write_text(text.replace(",9,", ",4,"))
    ran = canalwise("ingest", mended, "--store", store, "--json")
    assert (ran.json["files"][0]["superseded"], ran.json["files"][0]["quarantined"]) == (1, 1)
    assert query(store, "select preop_pai, patient_id from treatments") == [(4, *patient[0])]
    assert [entry[2] for entry in listed(store)] == ["row"]


# --- what is said -----------------------------------------------------------------------------------------------------


def test_cells_alone_are_no_reason_for_status_1_but_a_misread_column_is(
    store: Path, sound: Sound, export: Exports, canalwise: Any
) -> None:
    def canals(*lengths: str) -> list[Any]:
        return [sound("canals", treatment_id=f"T{n}", working_length_mm=text) for n, text in enumerate(lengths)]

    ran = canalwise("ingest", export("a.csv", canals("205", "20.5", "")), "--store", store)
    assert (ran.code, "1 cell was left empty; `canalwise quarantine` lists them" in ran.err) == (0, True)
    assert "blanked" in ran.out
    clean = canalwise("ingest", export("b.csv", canals("20.5")), "--store", store)
    assert "blanked" not in clean.out
    # Eleven of twelve that are filled in, of many more rows.
    ran = canalwise("ingest", export("c.csv", canals(*["205"] * 11, "20", *[""] * 50)), "--store", store)
    assert ran.code == 1
    assert "c.csv: nearly every cell of canals.working_length_mm was left empty: it may be another column" in ran.err
    again = canalwise("ingest", export("c.csv", canals(*["205"] * 11, "20", *[""] * 50)), "--store", store, "--json")
    assert (again.code, again.json["files"][0]["misread"], again.json["files"][0]["blanked"]) == (
        1,
        ["working_length_mm"],
        11,
    )
    shown = canalwise("quarantine", "--store", store)
    assert (shown.code, shown.out.splitlines()[0]) == (1, "11 cells were left empty.")
    assert "left empty: working_length_mm" in shown.out


def test_status_counts_rows_and_cells(store: Path, sound: Sound, export: Exports, canalwise: Any) -> None:
    rows = [sound("treatments", preop_pai="9", lesion_mm="x"), sound("treatments", treatment_id="T2", tooth="99")]
    load(store, export("t.csv", rows))
    found = canalwise("status", "--store", store, "--json").json["kinds"]["treatments"]
    assert (found["records"], found["quarantined"], found["blanked"]) == (1, 1, 2)
    assert found["completeness"]["preop_pai"] == 0
    assert canalwise("check", "--store", store, "--json").json["suites"][0]["unexpected"] == 0


def test_no_patient_stands_in_what_is_kept_of_a_blanked_cell(store: Path, sound: Sound, export: Exports) -> None:
    row = sound("treatments", patient_id="Jane Roe", preop_pai="9") | {"Remark": "Roe, called twice"}
    load(store, export("t.csv", [row]))
    (kept,) = query(store, "select record from quarantine")
    assert "Roe" not in kept[0] and '"preop_pai": "9"' in kept[0]
