"""Refused rows as a workplace: found, counted, handed out as text or workbook, mended, and read again."""

from __future__ import annotations

import csv
import datetime as dt
import json
import re
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.checks.suites import suite
from pipeline.importing import load as load_module
from pipeline.importing.quarantine import Wanted, by_reason, refused, retry
from pipeline.importing.quarantine.files import export
from pipeline.importing.refusals import ABOUT, without_escapes
from pipeline.mapping.model import load_mapping
from pipeline.output.escape import escape_formula
from pipeline.sources.table import RawTable
from pipeline.store.database import open_store
from pipeline.store.pseudonyms import load_key

Run = Callable[..., Any]
CALC = "=cmd|' /C calc'!A0"


def query(store: Path, sql: str) -> list[Any]:
    with open_store(store) as connection:
        return connection.execute(sql).fetchall()


def sheets(path: Path) -> dict[str, pl.DataFrame]:
    return pl.read_excel(path, sheet_id=0, infer_schema_length=0)


@pytest.fixture
def messy(store: Path, canalwise: Run, export: Run, sound: Run) -> Path:
    """A store with refused rows and blanked cells of two files in two batches, and a broken one."""
    visits = [sound("visits", visit_id=CALC, left_at="soon", booked_minutes="-60", chair="@A")]
    visits += [sound("visits", visit_id="V2", reason="none of these"), sound("visits", visit_id="V3")]
    path = export("visits.csv", visits)
    path.write_text(path.read_text() + "V4,T1\n")
    canals = [sound("canals", canal=c, working_length_mm="205") for c in ("MB", "ML", "D")]
    canalwise("ingest", path, "--store", store)
    canalwise("ingest", export("canals.csv", canals), "--store", store)
    return store


# --- listing ---------------------------------------------------------------------------------------------------------


def test_filters_take_what_they_say(messy: Path, canalwise: Run) -> None:
    def rows(*how: object) -> list[Any]:
        found = canalwise("quarantine", "--store", messy, "--json", *how).json["rows"]
        return [(row["file"], row["row"]) for row in found]

    canals, visits = [("canals.csv", n) for n in (2, 3, 4)], [("visits.csv", n) for n in (2, 3, 5)]
    assert rows() == canals + visits
    assert rows("--file", "visits.csv") == rows("--file", "vis*") == rows("--batch", 1) == visits
    assert rows("--batch", 2) == rows("--kind", "canals") == rows("--column", "working_length_mm") == canals
    assert rows("--column", "left_at") == [("visits.csv", 2)]
    assert rows("--reason", "cells_do_not_fit_header") == [("visits.csv", 5)]
    assert rows("--file", "v*", "--column", "reason") == [("visits.csv", 3)]
    assert rows("--file", "v*", "--column", "working_length_mm") == []


@pytest.mark.parametrize(
    ("filters", "said"),
    [
        (
            ("--file", "bills.csv"),
            "nothing of a file bills.csv was refused or left empty. Files in quarantine: canals.csv, vis",
        ),
        (("--batch", 9), "nothing of batch 9 was refused or left empty. Batches in quarantine: 1, 2."),
        (
            ("--column", "price"),
            "nothing was refused or left empty for the column price. Columns in quarantine: booked_minutes,",
        ),
    ],
)
def test_a_filter_for_nothing_says_what_there_is(messy: Path, canalwise: Run, filters: Any, said: str) -> None:
    ran = canalwise("quarantine", "--store", messy, *filters)
    assert ran.code == 2
    assert said in ran.err


def test_machines_get_cells_as_an_object_beside_the_record(messy: Path, canalwise: Run) -> None:
    found = canalwise("quarantine", "--store", messy, "--file", "visits.csv", "--json").json
    first, _, broken = found["rows"]
    assert first["cells"]["visit_id"] == CALC
    assert first["cells"] == json.loads(first["record"])
    assert first["batch"] == 1
    assert {"left_at", "booked_minutes"} <= set(first["columns"])
    assert broken["cells"] is None
    assert {(line["rule"], line["rows"], line["cells"]) for line in found["by_reason"]} == {
        ("booked_minutes_out_of_range", 1, 0),
        ("value_does_not_parse", 1, 0),
        ("cells_do_not_fit_header", 1, 0),
        ("visit_reason_unknown", 0, 1),
    }
    assert [row["what"] for row in found["rows"]] == ["row", "cell", "row"]
    assert (found["refused"], found["blanked"]) == (2, 1)


def test_many_rows_are_counted_by_reason_first(store: Path, canalwise: Run, export: Run, sound: Run) -> None:
    canals = [sound("canals", treatment_id=f"T{n}", working_length_mm="205") for n in range(45)]
    canalwise("ingest", export("canals.csv", canals), "--store", store)
    ran = canalwise("quarantine", "--store", store)
    assert ran.code == 1
    assert ran.out.startswith("45 cells were left empty:")
    assert re.search(r"^working_length_out_of_range +45 +canals +1 +The working length lies", ran.out, re.MULTILINE)
    assert "working_length_out_of_range: nearly every cell of a column" in ran.out
    assert len(re.findall(r"^canals\.csv +\d", ran.out, re.MULTILINE)) == 40


def test_a_file_misread_as_a_whole_is_told_from_single_slips(
    store: Path, canalwise: Run, export: Run, sound: Run
) -> None:
    canals = [sound("canals", treatment_id=f"T{n}", working_length_mm="205" if n < 15 else "20.5") for n in range(60)]
    canalwise("ingest", export("canals.csv", canals), "--store", store)
    nine = [sound("visits", visit_id=f"V{n}", reason="x") for n in range(9)]
    canalwise("ingest", export("visits.csv", nine), "--store", store)
    with open_store(store) as connection:
        assert [(line["cells"], line["hint"]) for line in by_reason(connection)] == [(15, None), (9, None)]


# --- handing out -----------------------------------------------------------------------------------------------------


def test_a_workbook_is_text_with_marks_on_the_faulty_cells(messy: Path, canalwise: Run, tmp_path: Path) -> None:
    out = tmp_path / "refused.xlsx"
    ran = canalwise("quarantine", "--store", messy, "--out", out)
    assert (ran.code, ran.out) == (1, "")
    assert f"6 rows: {out}" in ran.err
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    book = sheets(out)
    assert list(book) == ["canals", "visits", "unreadable"]
    first = book["visits"].row(0, named=True)
    assert tuple(book["visits"].columns[:4]) == ABOUT
    assert first["visit_id"] == f"'{CALC}"
    assert first["chair"] == "'@A"
    assert first["booked_minutes"] == "-60"
    assert first["refused: row"] == "2"
    assert "left_at: soon is not" in first["refused: reason"]
    assert book["unreadable"].columns == [*ABOUT, "raw text"]
    with zipfile.ZipFile(out) as parts:
        sheet = parts.read("xl/worksheets/sheet2.xml").decode()
        notes = parts.read("xl/comments2.xml").decode()
        everything = b"".join(parts.read(name) for name in parts.namelist())
    assert "<f>" not in sheet
    assert set(re.findall(r' t="(\w+)"', sheet)) == {"s"}, "numbers are text as well"
    assert '<pane ySplit="1"' in sheet
    columns = book["visits"].columns
    marked = {chr(ord("A") + columns.index(name)) + "2" for name in ("left_at", "booked_minutes")}
    assert set(re.findall(r'<comment ref="(\w+)"', notes)) == marked | {chr(ord("A") + columns.index("reason")) + "3"}
    assert "left_at: soon is not" in notes
    assert b"externalLink" not in everything


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        *((sign + "1+1", "'" + sign + "1+1") for sign in "=@\t\r\n"),
        ("-2+3", "'-2+3"),
        ("+1(555)", "'+1(555)"),
        ("＝1+1", "'＝1+1"),
        ("\n=1", "'\n=1"),
        (" =1", "' =1"),
        ("-0,5", "-0,5"),
        ("+12.25", "+12.25"),
        ("plain", "plain"),
        ("it's = fine", "it's = fine"),
        ("'quoted'", "'quoted'"),
        ("", ""),
    ],
)
def test_formulas_are_made_harmless_and_meant_again_when_they_come_back(text: str, shown: str) -> None:
    assert escape_formula(text) == shown
    header = (*ABOUT, "note")
    cells = {f"c{i}": [cell] for i, cell in enumerate(("f.csv", "2", "incidents", "why", shown))}
    raw = RawTable(header, pl.DataFrame({"source_row": [2], **cells}))
    assert without_escapes(raw).rows["c4"].to_list() == [text]
    other = RawTable(("a", "b", "c", "d", "note"), raw.rows)
    assert without_escapes(other).rows["c4"].to_list() == [shown], "any other file means what it says"


def test_text_files_hold_one_kind_each(messy: Path, canalwise: Run, tmp_path: Path) -> None:
    out = tmp_path / "refused.csv"
    ran = canalwise("quarantine", "--store", messy, "--out", out)
    named = {tmp_path / f"refused-{name}.csv": n for name, n in (("canals", 3), ("visits", 2), ("unreadable", 1))}
    assert {path: f"{n} row{'' if n == 1 else 's'}: {path}" in ran.err for path, n in named.items()} == dict.fromkeys(
        named, True
    )
    assert not out.exists()
    canalwise("quarantine", "--store", messy, "--kind", "canals", "--out", out)
    with out.open(newline="") as file:
        assert [row["working_length_mm"] for row in csv.DictReader(file)] == ["205"] * 3


def test_a_cell_that_no_workbook_holds_is_said(store: Path, canalwise: Run, export: Run, sound: Run) -> None:
    row = sound("incidents") | {"note": "x" * 40_000, "kind": "slip"}
    canalwise("ingest", export("incidents.csv", [row]), "--store", store)
    ran = canalwise("quarantine", "--store", store, "--out", store.with_name("refused.xlsx"))
    assert ran.code == 2
    assert "at most 32,767 characters" in ran.err
    assert canalwise("quarantine", "--store", store, "--out", store.with_name("refused.csv")).code == 1


def test_an_unknown_ending_is_refused_before_anything_is_read(canalwise: Run, tmp_path: Path) -> None:
    ran = canalwise("quarantine", "--store", tmp_path / "none.duckdb", "--out", tmp_path / "refused.doc")
    assert (ran.code, "End it in .csv or .xlsx" in ran.err) == (2, True)


# --- mended and imported again ---------------------------------------------------------------------------------------

FRONT_DESK = """
[file]
encoding = "windows-1252"
delimiter = ";"
decimal = ","
date = "%d.%m.%Y"
header_row = 3

[treatments.columns]
treatment_id = "Fall"
patient_id = "Patient"
tooth = { from = "Zahn", notation = "universal" }
dentist = "Behandler"
kind = { from = "Art", values = { neu = "primary", Revision = "retreatment" } }
started_on = "Beginn"
status = { from = "Stand", values = { offen = "in progress" } }
lesion_mm = "Läsion"
"""
EXPORT = """Praxis am Markt;;;;;;;;
Fälle 2024;;;;;;;;
Fall;Patient;Zahn;Behandler;Art;Beginn;Stand;Läsion;Telefon
F1;4711;19;Müller;neu;04.03.2024;offen;2,5;0123
F2;4712;33;Müller;neu;04.03.2024;offen;2,5;0124
F3;4711;30;Müller;neu;04.13.2024;offen;0,5;0123
F4;4713;3;Müller;neu;05.03.2024;offen;950,0;0125
"""


@pytest.fixture
def front_desk(store: Path, canalwise: Run, tmp_path: Path) -> tuple[Path, Path]:
    """A store with refused rows of a file that only its mapping makes readable; and that mapping."""
    mapping, path = tmp_path / "frontdesk.toml", tmp_path / "faelle.csv"
    mapping.write_text(FRONT_DESK, encoding="utf-8")
    path.write_bytes(EXPORT.encode("windows-1252"))
    ran = canalwise("ingest", path, "--mapping", mapping, "--store", store, "--json")
    (done,) = ran.json["files"]
    assert (done["loaded"], done["quarantined"], done["blanked"]) == (2, 2, 1)
    return store, mapping


def test_text_of_a_mapped_file_comes_back_by_the_same_mapping(front_desk: Any, canalwise: Run, tmp_path: Path) -> None:
    store, mapping = front_desk
    out = tmp_path / "refused.csv"
    canalwise("quarantine", "--store", store, "--out", out)
    text = out.read_text(encoding="utf-8-sig")
    assert "Telefon" not in text, "what nobody mapped is not kept"
    mended = text.replace(";33;", ";18;").replace("04.13.2024", "13.04.2024").replace("950,0", "9,5")
    assert mended != text
    (tmp_path / "mended.csv").write_text(mended, encoding="utf-8-sig")
    ran = canalwise("ingest", tmp_path / "mended.csv", "--mapping", mapping, "--store", store, "--json")
    done = ran.json["files"][0]
    assert (ran.code, done["loaded"], done["superseded"]) == (0, 2, 1), ran.err
    assert canalwise("quarantine", "--store", store).code == 0
    found = query(store, "select treatment_id, tooth, dentist, started_on, lesion_mm from treatments order by all")
    day = dt.date(2024, 3, 4)
    assert found == [
        ("F1", 36, "Müller", day, 2.5),
        ("F2", 37, "Müller", day, 2.5),
        ("F3", 46, "Müller", dt.date(2024, 4, 13), 0.5),
        ("F4", 16, "Müller", dt.date(2024, 3, 5), 9.5),
    ]
    assert query(store, "select count(distinct patient_id) from treatments") == [(3,)], "F1 and F3 are one patient"


def test_a_workbook_of_a_mapped_file_comes_back_by_the_same_mapping(
    front_desk: Any, canalwise: Run, tmp_path: Path
) -> None:
    store, mapping = front_desk
    out, mended = tmp_path / "refused.xlsx", tmp_path / "mended.xlsx"
    canalwise("quarantine", "--store", store, "--out", out)
    rewrite(out, mended, {"33": "18", "04.13.2024": "13.04.2024", "950,0": "9,5"})
    ran = canalwise("ingest", mended, "--mapping", mapping, "--store", store, "--json")
    done = ran.json["files"][0]
    assert (ran.code, done["loaded"], done["superseded"]) == (0, 2, 1), ran.err
    assert query(store, "select tooth, lesion_mm from treatments order by all") == [
        (16, 9.5),
        (36, 2.5),
        (37, 2.5),
        (46, 0.5),
    ]
    assert query(store, "from quarantine") == []


def rewrite(source: Path, target: Path, cells: dict[str, str]) -> None:
    """The workbook saved again with some texts replaced, as a person would with a spreadsheet."""
    with zipfile.ZipFile(source) as before, zipfile.ZipFile(target, "w") as after:
        for name in before.namelist():
            data = before.read(name)
            if name == "xl/sharedStrings.xml":
                text = data.decode()
                for old, new in cells.items():
                    assert f"<t>{old}</t>" in text
                    text = text.replace(f"<t>{old}</t>", f"<t>{new}</t>")
                data = text.encode()
            after.writestr(name, data)


def test_every_sheet_of_a_mended_workbook_is_taken(messy: Path, canalwise: Run, tmp_path: Path) -> None:
    out, mended = tmp_path / "refused.xlsx", tmp_path / "mended.xlsx"
    canalwise("quarantine", "--store", messy, "--out", out)
    rewrite(out, mended, {"205": "20.5", "soon": "2024-03-04 10:00", "-60": "60", "none of these": "planned"})
    ran = canalwise("ingest", mended, "--store", messy, "--json")
    assert ran.code == 0, ran.err
    done = {(f["kind"], f["loaded"], f["superseded"]) for f in ran.json["files"]}
    assert done == {("canals", 0, 3), ("visits", 1, 1)}
    left = canalwise("quarantine", "--store", messy, "--json").json["rows"]
    assert [row["rules"] for row in left] == [["cells_do_not_fit_header"]]
    assert query(messy, "select count(*) from canals") == [(3,)]


def test_texts_that_were_made_harmless_are_stored_as_they_were_meant(
    store: Path, canalwise: Run, export: Run, sound: Run, tmp_path: Path
) -> None:
    notes = ["- seen at once", "=A1", "@home", "+43", "it's"]
    rows = [sound("incidents", incident_id=f"N{n}", note=note, canal_third="x") for n, note in enumerate(notes)]
    canalwise("ingest", export("incidents.csv", rows), "--store", store)
    for name in ("refused.csv", "refused.xlsx"):
        canalwise("quarantine", "--store", store, "--out", tmp_path / name)
    text = (tmp_path / "refused.csv").read_text()
    assert "'=A1" in text
    (tmp_path / "mended.csv").write_text(text.replace(",x,", ",apical,"))
    assert canalwise("ingest", tmp_path / "mended.csv", "--store", store).code == 0
    assert [note for (note,) in query(store, "select note from incidents order by incident_id")] == notes
    other = tmp_path / "other.duckdb"
    rewrite(tmp_path / "refused.xlsx", tmp_path / "mended.xlsx", {"x": "apical"})
    assert canalwise("ingest", tmp_path / "mended.xlsx", "--store", other).code == 0
    assert [note for (note,) in query(other, "select note from incidents order by incident_id")] == notes


def test_rows_that_come_back_unmended_are_refused_once(messy: Path, canalwise: Run, tmp_path: Path) -> None:
    before = query(messy, "select count(*) from quarantine")
    out = tmp_path / "refused.csv"
    canalwise("quarantine", "--store", messy, "--kind", "canals", "--out", out)
    ran = canalwise("ingest", out, "--store", messy)
    assert (ran.code, "3 cells were left empty" in ran.err) == (0, True)
    assert query(messy, "select count(*) from quarantine") == before


# --- read again ------------------------------------------------------------------------------------------------------


def everything(store: Path) -> dict[str, list[Any]]:
    of_the_run = "'store_state', 'settings_given'"
    names = query(store, f"select table_name from duckdb_tables() where table_name not in ({of_the_run})")
    tables = [name for (name,) in names]
    return {table: query(store, f"from {table} order by all") for table in tables}


def test_reading_again_what_is_still_wrong_changes_nothing(messy: Path, canalwise: Run) -> None:
    before = everything(messy)
    ran = canalwise("quarantine", "retry", "--store", messy, "--json")
    assert ran.code == 1
    assert (ran.json["quarantined"], ran.json["blanked"]) == (2, 4)
    by_file = {f["file"]: f for f in ran.json["files"]}
    assert (by_file["canals.csv"]["read"], by_file["canals.csv"]["blanked"]) == (3, 3)
    assert by_file["visits.csv"]["left"] == ["1 row not told into cells, to be mended in the export"]
    assert everything(messy) == before


def test_rows_pass_when_a_rule_was_mended(messy: Path, canalwise: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    lenient = lambda kind: tuple(r for r in suite(kind) if r.id != "visit_reason_unknown")  # noqa: E731
    monkeypatch.setattr(load_module, "suite", lenient)
    ran = canalwise("quarantine", "retry", "--store", messy, "--kind", "visits", "--json")
    (done,) = ran.json["files"]
    assert (done["read"], done["superseded"], done["quarantined"]) == (2, 1, 1)
    assert done["read"] == done["loaded"] + done["unchanged"] + done["superseded"] + done["quarantined"]
    # The row keeps its place, the other refusals theirs; the batch of the rows read again adds up by itself.
    assert query(messy, "select source_file, source_row, batch_id from visits where visit_id = 'V2'") == [
        ("visits.csv", 3, 3)
    ]
    assert query(messy, 'select source_file, "read", superseded, quarantined from batches where batch_id = 3') == [
        ("visits.csv", 1, 1, 0)
    ]
    assert query(messy, "select batch_id, source_row from quarantine order by all") == [
        (1, 2), (1, 5), (2, 2), (2, 3), (2, 4)
    ]  # fmt: skip


def test_only_wanted_rows_are_read_again(messy: Path, canalwise: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load_module, "suite", lambda kind: ())
    ran = canalwise("quarantine", "retry", "--store", messy, "--reason", "visit_reason_unknown", "--json")
    assert [(f["file"], f["read"], f["superseded"]) for f in ran.json["files"]] == [("visits.csv", 1, 1)]
    assert query(messy, "select count(working_length_mm) from canals") == [(0,)]


def test_nothing_left_is_status_0(store: Path, canalwise: Run, export: Run, sound: Run, monkeypatch: Any) -> None:
    assert canalwise("ingest", export("visits.csv", [sound("visits", reason="odd")]), "--store", store).code == 0
    assert canalwise("quarantine", "retry", "--store", store).code == 1
    monkeypatch.setattr(load_module, "suite", lambda kind: ())
    ran = canalwise("quarantine", "retry", "--store", store)
    assert ran.code == 0
    assert re.search(r"^visits\.csv +visits +1 +0 +0 +1 +0 +0", ran.out, re.MULTILINE)
    ran = canalwise("quarantine", "retry", "--store", store)
    assert (ran.code, ran.out) == (0, "Nothing was in quarantine.\n")


def test_a_mended_mapping_reads_what_was_kept(front_desk: Any, canalwise: Run, tmp_path: Path) -> None:
    store, mapping = front_desk
    text = mapping.read_text(encoding="utf-8")
    mapping.write_text(text.replace('lesion_mm = "Läsion"', 'lesion_mm = { from = "Läsion", unit = "0.1 mm" }'))
    ran = canalwise("quarantine", "retry", "--mapping", mapping, "--store", store, "--json")
    (done,) = ran.json["files"]
    assert (ran.code, done["read"], done["superseded"], done["quarantined"]) == (1, 3, 1, 2)
    assert query(
        store, "select tooth, lesion_mm, source_file, source_row from treatments where treatment_id = 'F4'"
    ) == [(16, 95.0, "faelle.csv", 7)]
    # The pseudonym that was kept is the patient's: a later export of the plain id meets it.
    other = tmp_path / "later.csv"
    last = EXPORT.splitlines()[-1]
    lines = [*EXPORT.splitlines()[:3], last.replace("F4", "F5").replace("950,0", "9,5")]
    other.write_bytes("\n".join(lines).encode("windows-1252"))
    assert canalwise("ingest", other, "--mapping", mapping, "--store", store).code == 0
    assert query(store, "select count(distinct patient_id) from treatments where treatment_id in ('F4', 'F5')") == [
        (1,)
    ]


def test_a_mapping_that_needs_more_than_was_kept_says_so_in_one_line(front_desk: Any, canalwise: Run) -> None:
    store, mapping = front_desk
    before = everything(store)
    mapping.write_text(FRONT_DESK.replace('"Läsion"', '"Telefon"'), encoding="utf-8")
    ran = canalwise("quarantine", "retry", "--mapping", mapping, "--store", store)
    assert ran.code == 2
    assert ran.err.count("\n") == 1
    assert "faelle.csv: the mapping needs the column Telefon, which was not kept of the refused rows." in ran.err
    assert "Import the file again" in ran.err
    mapping.write_text('[contacts.columns]\ncontact_id = "a"\ntreatment_id = "b"\ncontacted_at = "c"\n')
    ran = canalwise("quarantine", "retry", "--mapping", mapping, "--store", store)
    assert "faelle.csv: the mapping says nothing of treatments." in ran.err
    assert everything(store) == before


def test_what_cannot_be_told_from_a_few_rows_is_left_and_said(store: Path, canalwise: Run, tmp_path: Path) -> None:
    mapping, path = tmp_path / "m.toml", tmp_path / "t.csv"
    text = FRONT_DESK.replace(', notation = "universal"', "").replace("header_row = 3\n", "")
    mapping.write_text(text.replace('encoding = "windows-1252"\n', ""), encoding="utf-8")
    lines = [*EXPORT.splitlines()[2:], "F6;4711;18;Müller;was?;04.03.2024;offen;;"]
    path.write_text("\n".join(line for line in lines if "F2" not in line and "F4" not in line), encoding="utf-8")
    canalwise("ingest", path, "--mapping", mapping, "--store", store)
    ran = canalwise("quarantine", "retry", "--store", store, "--reason", "treatment_kind_unknown", "--json")
    (done,) = ran.json["files"]
    assert done["read"] == 0
    assert "notation" in done["left"][0]
    assert len(query(store, "from quarantine")) == 2


def test_a_row_older_than_what_the_store_holds_is_left(store: Path, canalwise: Run, export: Run, sound: Run) -> None:
    mapping = store.with_name("m.toml")
    names = {"visit_id": "No", "treatment_id": "treatment_id", "dentist": "dentist"}
    names |= {"seated_at": "seated_at", "left_at": "left_at"}
    columns = "".join(f'{ours} = "{theirs}"\n' for ours, theirs in names.items())
    mapping.write_text(f"[visits.columns]\n{columns}")
    old = {"No": "", "Id": "V1", **{k: v for k, v in sound("visits").items() if k in names and k != "visit_id"}}
    canalwise("ingest", export("old.csv", [old | {"dentist": "D9"}]), "--mapping", mapping, "--store", store)
    canalwise("ingest", export("new.csv", [sound("visits")]), "--store", store)
    mapping.write_text(f"[visits.columns]\n{columns}".replace('"No"', '{ from = "No", default = "V1" }'))
    ran = canalwise("quarantine", "retry", "--mapping", mapping, "--store", store, "--json")
    (done,) = ran.json["files"]
    assert (done["read"], done["left"]) == (0, ["1 row older than what the store holds of the same records"])
    assert query(store, "select dentist from visits") == [("D1",)]


WIDE = """
[canals.each]
canal = ["MB", "ML"]
[canals.columns]
treatment_id = "Fall"
working_length_mm = "{canal}_WL"
"""


def test_wide_rows_are_handed_out_once_and_read_again_as_a_whole(
    store: Path, canalwise: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mapping, path = tmp_path / "wide.toml", tmp_path / "wide.csv"
    mapping.write_text(WIDE)
    path.write_text("Fall,MB_WL,ML_WL\nT1,205,195\nT2,20,195\nT3,20,19.5\n")
    ran = canalwise("ingest", path, "--mapping", mapping, "--store", store, "--json")
    assert (ran.json["files"][0]["loaded"], ran.json["files"][0]["blanked"]) == (6, 3)
    out = tmp_path / "refused.csv"
    canalwise("quarantine", "--store", store, "--out", out)
    with out.open(newline="") as file:
        assert [row["Fall"] for row in csv.DictReader(file)] == ["T1", "T2"]

    monkeypatch.setattr(load_module, "suite", lambda kind: ())
    ran = canalwise("quarantine", "retry", "--store", store, "--json")
    (done,) = ran.json["files"]
    assert (done["read"], done["superseded"], done["unchanged"], done["blanked"]) == (4, 3, 1, 0)
    found = query(store, "select treatment_id, canal, working_length_mm from canals order by all")
    assert found == [
        ("T1", "MB", 205), ("T1", "ML", 195), ("T2", "MB", 20), ("T2", "ML", 195), ("T3", "MB", 20), ("T3", "ML", 19.5)
    ]  # fmt: skip
    assert query(store, "from quarantine") == []


def test_a_row_of_several_records_leaves_what_is_still_wrong_of_it(store: Path, canalwise: Run, tmp_path: Path) -> None:
    mapping, path = tmp_path / "wide.toml", tmp_path / "wide.csv"
    mapping.write_text(WIDE)
    path.write_text("Fall,MB_WL,ML_WL\nT1,205,9999\nT2,195,200\n")
    canalwise("ingest", path, "--mapping", mapping, "--store", store)
    mapping.write_text(WIDE.replace('"{canal}_WL"', '{ from = "{canal}_WL", unit = "0.1 mm" }'))
    ran = canalwise("quarantine", "retry", "--mapping", mapping, "--store", store, "--json")
    (done,) = ran.json["files"]
    assert (done["read"], done["superseded"], done["unchanged"], done["blanked"]) == (4, 3, 1, 1)
    assert query(store, "select treatment_id, canal, working_length_mm from canals order by all") == [
        ("T1", "MB", 20.5),
        ("T1", "ML", None),
        ("T2", "MB", 19.5),
        ("T2", "ML", 20.0),
    ]
    (left,) = query(store, "select batch_id, source_row, reasons[1] from quarantine")
    assert left[:2] == (2, 2)
    assert "999.9" in left[2]
    assert query(
        store, 'select "read", loaded, unchanged, superseded, quarantined from batches where batch_id = 2'
    ) == [(4, 0, 1, 3, 0)]


def test_taking_out_rows_read_again_names_the_file_to_import(
    messy: Path, canalwise: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(load_module, "suite", lambda kind: ())
    canalwise("quarantine", "retry", "--store", messy, "--kind", "canals")
    assert query(messy, "select count(working_length_mm) from canals") == [(3,)]
    ran = canalwise("ingest", "--undo", 3, "--store", messy, "--json")
    assert ran.json["import_again"] == ["canals.csv"]
    assert query(messy, "select count(*), count(working_length_mm) from canals") == [(3, 0)]


def test_a_failure_leaves_store_and_quarantine_as_they_were(messy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = everything(messy)
    calls = []

    def second_time(*arguments: Any, **named: Any) -> Any:
        calls.append(1)
        if len(calls) == 2:
            raise RuntimeError("the power went")
        return load_module.load(*arguments, **named)

    monkeypatch.setattr(load_module, "suite", lambda kind: ())
    monkeypatch.setattr("pipeline.importing.quarantine.again.load", second_time)
    with open_store(messy, write=True) as connection, pytest.raises(RuntimeError):
        list(retry(connection, load_key(messy), Wanted(kind="canals")))
    assert everything(messy) == before


def test_a_mapping_with_open_questions_reads_nothing_again(front_desk: Any, tmp_path: Path) -> None:
    store, mapping = front_desk
    mapping.write_text(FRONT_DESK + "#? Which unit?\n", encoding="utf-8")
    with open_store(store, write=True) as connection:
        with pytest.raises(Exception, match="leaves 1 question of treatments open"):
            list(retry(connection, load_key(store), None, load_mapping(mapping)))
        assert len(refused(connection)) == 3, "two rows, and one without a cell"


def test_no_rows_make_a_file_of_headers(tmp_path: Path) -> None:
    for name in ("none.csv", "none.xlsx"):
        assert export([], tmp_path / name) == [(tmp_path / name, 0)]
    assert (tmp_path / "none.csv").read_text() == ",".join(ABOUT) + "\n"
    assert sheets(tmp_path / "none.xlsx")["refused"].columns == list(ABOUT)
