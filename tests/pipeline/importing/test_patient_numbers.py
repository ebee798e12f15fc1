"""A patient's number is a pseudonym wherever a mapping puts it: as a case number, a part of one, in any kind's table.

Marked numbers are planted in exports that have no case number, and then looked for in everything that is kept and told.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.store.database import open_store
from tests.pipeline.test_privacy import all_cells

MARKS = ["KARTE77001", "KARTE77002", "Zwiebelfuss", "Pfefferkorn", "1961-07-07", "1962-08-08"]
PSEUDONYM = re.compile(r"pt-[0-9a-f]{32}")

CASES = """Chart no,Surname,Born,Tooth #,Begun,Who,What,Done
KARTE77001,Zwiebelfuss,1961-07-07,36,2024-03-04,D1,primary,completed
KARTE77001,Zwiebelfuss,1961-07-07,46,2024-04-04,D1,primary,completed
KARTE77002,Pfefferkorn,1962-08-08,36,2024-05-06,D1,primary,completed
KARTE77002,Pfefferkorn,1962-08-08,99,2024-06-06,D1,primary,completed
KARTE77002,Pfefferkorn,1962-08-08,37,gestern,D1,primary,completed
KARTE77002,Pfefferkorn,1962-08-08,36,2024-05-06,D1,retreatment,completed,too,many,cells
"""
VISITS = """Chart no,Surname,Born,Tooth #,Who,In,Out
KARTE77001,Zwiebelfuss,1961-07-07,36,D1,2024-03-04 09:00,2024-03-04 10:00
KARTE77002,Pfefferkorn,1962-08-08,36,D1,2024-05-06 09:00,2024-05-06 08:00
KARTE77002,Pfefferkorn,1962-08-08,36,D1,heute,2024-05-06 10:00
KARTE77002,Pfefferkorn,1962-08-08,36,D1,2024-05-06 09:00
"""
TABLES = """
[treatments.columns]
treatment_id = {treatment}
patient_id = {patient}
tooth = {{ from = "Tooth #", notation = "fdi" }}
dentist = "Who"
kind = "What"
started_on = {{ from = "Begun", format = "iso" }}
status = "Done"

[visits.columns]
visit_id = {{ template = "{{treatment_id}}/{{seated_at}}" }}
treatment_id = {treatment}
dentist = "Who"
seated_at = {{ from = "In", format = "iso" }}
left_at = {{ from = "Out", format = "iso" }}
"""


@pytest.fixture
def exports(tmp_path: Path) -> Path:
    folder = tmp_path / "exports"
    folder.mkdir()
    (folder / "cases.csv").write_text(CASES)
    (folder / "visits.csv").write_text(VISITS)
    return folder


def mapping(path: Path, treatment: str, patient: str, more: str = "") -> Path:
    path.write_text(TABLES.format(treatment=treatment, patient=patient) + more)
    return path


def marks_in(text: str | bytes) -> list[str]:
    data = text if isinstance(text, bytes) else text.encode()
    return [mark for mark in MARKS if mark.encode() in data]


WAYS = {
    "the number itself": ('"Chart no"', '"Chart no"'),
    "by its place": ('"#1"', '"Chart no"'),
    "a part": ('["Chart no", "Tooth #"]', '"Chart no"'),
    "all parts of a joined one": ('["Surname", "Born", "Tooth #"]', '["Surname", "Born"]'),
    "some parts of a joined one": ('["Tooth #", "Surname"]', '["Surname", "Born"]'),
}


@pytest.mark.parametrize("way", WAYS)
def test_no_patients_number_is_kept_or_told(
    store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path, way: str
) -> None:
    how = mapping(tmp_path / "theirs.toml", *WAYS[way])
    shown = [canalwise("ingest", exports, "--mapping", how, "--store", store)]
    assert shown[0].code == 1, shown[0].err
    out = tmp_path / "refused.csv"
    shown += [
        canalwise("quarantine", "--store", store),
        canalwise("quarantine", "--store", store, "--json"),
        canalwise("quarantine", "--store", store, "--out", out),
        canalwise("quarantine", "retry", "--store", store),
        canalwise("check", "--store", store),
    ]
    assert len(shown[2].json["rows"]) >= 5
    cells = all_cells(store)
    assert "gestern" in cells, "what may be kept is kept"
    assert PSEUDONYM.search(cells)
    assert marks_in(cells) == []
    for path in (*store.parent.iterdir(), *tmp_path.glob("refused*")):
        assert (path.name, marks_in(path.read_bytes())) == (path.name, [])
    for ran in shown:
        assert marks_in(ran.out + ran.err) == []
    with open_store(store) as connection:  # records of a patient meet across files
        found = connection.execute(
            "select t.treatment_id, t.patient_id from treatments t join visits v using (practice, treatment_id)"
        ).fetchall()
    # Where two teeth have one number both are refused, and the visit meets neither.
    assert bool(found) == ("Tooth" in WAYS[way][0])
    assert all(patient in treatment for treatment, patient in found)


@pytest.mark.parametrize("way", ["all parts of a joined one", "some parts of a joined one"])
def test_a_mended_row_has_the_key_that_it_would_have_had(
    store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path, way: str
) -> None:
    how = mapping(tmp_path / "theirs.toml", *WAYS[way])
    canalwise("ingest", exports, "--mapping", how, "--store", store)
    out = tmp_path / "refused.csv"
    canalwise("quarantine", "--kind", "treatments", "--reason", "value_does_not_parse", "--store", store, "--out", out)
    (part,) = [path for path in tmp_path.glob("refused*.csv") if "gestern" in path.read_text()]
    part.write_text(part.read_text().replace("gestern", "2024-07-07"))
    assert canalwise("ingest", part, "--mapping", how, "--store", store).code in (0, 1)
    with open_store(store) as connection:
        ids = dict(connection.execute("select tooth, treatment_id from treatments").fetchall())
        patients = dict(connection.execute("select tooth, patient_id from treatments").fetchall())
    assert ids[37].replace("37", "36") != ids[37]
    assert patients[37] in ids[37]
    canalwise("ingest", exports, "--mapping", how, "--store", store)
    with open_store(store) as connection:
        assert dict(connection.execute("select tooth, treatment_id from treatments").fetchall())[37] == ids[37]


def test_a_birth_date_of_which_an_id_is_made_is_not_told_where_it_is_no_year(
    store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    how = mapping(tmp_path / "theirs.toml", '["Surname", "Born", "Tooth #"]', '["Surname", "Born"]')
    how.write_text(how.read_text().replace("[visits.columns]", 'birth_year = "Born"\n[visits.columns]'))
    canalwise("ingest", exports, "--mapping", how, "--store", store)
    ran = canalwise("quarantine", "--store", store, "--json")
    assert "birth_year" in ran.out
    assert marks_in(ran.out + all_cells(store)) == []
    years = exports / "cases.csv"
    years.write_text(CASES.replace("-07-07,", ",").replace("-08-08,", ","))
    canalwise("ingest", years, "--mapping", how, "--store", store)
    with open_store(store) as connection:
        assert connection.execute(
            "select distinct birth_year from treatments where birth_year > 0 order by 1"
        ).fetchall() == [
            (1961,),
            (1962,),
        ]


def test_a_number_in_a_column_that_is_no_text_is_refused_and_not_told(
    store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    """A mapping that takes the chart number for the tooth: numbers that are teeth as well would pass."""
    (exports / "cases.csv").write_text(CASES.replace("KARTE77001", "36").replace("KARTE77002", "47"))
    how = mapping(tmp_path / "theirs.toml", '["Chart no", "Tooth #"]', '"Chart no"')
    how.write_text(how.read_text().replace('tooth = { from = "Tooth #"', 'tooth = { from = "Chart no"'))
    canalwise("ingest", exports / "cases.csv", "--mapping", how, "--store", store)
    with open_store(store) as connection:
        assert connection.execute("select count(*) from treatments").fetchone() == (0,)


def test_another_file_may_call_another_column_alike(store: Path, tmp_path: Path, canalwise: Callable[..., Any]) -> None:
    """By its place, in a table that says its files, a column that is no patient's is read as it is."""
    cases, stock = tmp_path / "cases.csv", tmp_path / "stock.csv"
    cases.write_text("No,Case,Tooth,Begun,Who,What,Done\n7,C1,36,2024-03-04,D1,primary,completed\n")
    stock.write_text("No,Size,Taper\nFILE-1,25,0.04\n")
    how = tmp_path / "theirs.toml"
    text = """
        [treatments.columns]
        treatment_id = "Case"
        patient_id = "No"
        tooth = { from = "Tooth", notation = "fdi" }
        dentist = "Who"
        kind = "What"
        started_on = "Begun"
        status = "Done"
        [instruments]
        files = "stock*.csv"
        [instruments.columns]
        instrument_id = "NO"
        size = "Size"
        taper = "Taper"
        [instruments.constants]
        motion = "rotation"
        """
    how.write_text(text.replace('"NO"', '"No"'))
    ran = canalwise("ingest", cases, stock, "--mapping", how, "--store", store)
    assert ran.code == 0, ran.err
    assert "stock.csv: No is kept as a pseudonym" in ran.err
    with open_store(store) as connection:
        (kept,) = connection.execute("select instrument_id from instruments").fetchall()
    assert PSEUDONYM.fullmatch(kept[0])
    how.write_text(text.replace('"NO"', '"#1"'))
    assert "pseudonym" not in canalwise("ingest", cases, stock, "--mapping", how, "--store", store).err
    with open_store(store) as connection:
        assert ("FILE-1",) in connection.execute("select instrument_id from instruments").fetchall()


def test_a_draft_offers_patient_tooth_and_first_date_where_there_is_no_case_number(
    exports: Path, canalwise: Callable[..., Any], store: Path, tmp_path: Path
) -> None:
    (exports / "visits.csv").unlink()
    ran = canalwise("mapping", exports)
    (line,) = [line for line in ran.out.splitlines() if line.startswith("# treatment_id = ")]
    assert line == '# treatment_id = { from = ["Chart no", "Tooth #", "Begun"], join = "/" }'


def test_a_draft_offers_the_same_key_to_other_records_that_have_its_columns(
    canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    head = "Chart no,Tooth,Started on,Dentist,"
    keys = [f"P{n},{31 + n % 8},2024-03-{n + 1:02},D1," for n in range(25)]
    cases = [head + "Treatment kind,Status", *(f"{key}primary,completed" for key in keys)]
    visits = [head + "Visit number,Seated at,Left at"]
    visits += [f"{key}V{n},2024-03-{n + 1:02} 09:00,2024-03-{n + 1:02} 10:00" for n, key in enumerate(keys)]
    (tmp_path / "cases.csv").write_text("\n".join(cases))
    (tmp_path / "visits.csv").write_text("\n".join(visits))
    ran = canalwise("mapping", tmp_path / "cases.csv", tmp_path / "visits.csv")
    line = '# treatment_id = { from = ["Chart no", "Tooth", "Started on"], join = "/" }'
    assert ran.out.splitlines().count(line) == 2, ran.out
