"""Patients stay in the practice: their ids leave the door as pseudonyms, and what no mapping names is never kept.

Every text that may not get through is planted several times in exports, in sound rows and in every kind of bad one, and
then looked for in each file beside the store, in each table, in what is written for other people and on the screen.
"""

from __future__ import annotations

import json
import random
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.importing import ingest as ingest_module
from pipeline.importing.ingest import ingest
from pipeline.importing.quarantine import export as export_refused
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.store.database import open_store

NAMES = ["Annegret Zwiebelfuss", "Ottokar Pfefferkorn"]
PHONES = ["0660 5550199", "+43 1 5550142"]
IDS = ["PATIENT-77001", "PATIENT-77002", "PATIENT-77003"]
SECRETS = [*NAMES, *(name.split()[1] for name in NAMES), *PHONES, *IDS, "77001", "77002", "77003"]
HEADER = [
    "Name",
    "treatment_id",
    "patient_id",
    "Telefon",
    *(n for n in KINDS["treatments"].names if n not in ("treatment_id", "patient_id")),
]


def row(number: int, **changes: str) -> list[str]:
    """A treatment with a name and a telephone number that no mapping names."""
    record = {
        "Name": NAMES[number % 2],
        "Telefon": PHONES[number % 2],
        "treatment_id": f"CASE-{number}",
        "patient_id": IDS[number % 3],
        "tooth": "36",
        "dentist": "D1",
        "kind": "primary",
        "started_on": "2024-03-04",
        "status": "completed",
    }
    return [(record | changes).get(name, "") for name in HEADER]


def bad_rows() -> list[str]:
    """Rows broken in every way: cells lost and gained anywhere, quotes opened, values wrong, keys repeated."""
    dice = random.Random(7)
    lines = []
    for number in range(100, 180):
        cells = row(number)
        # Shifts that make up for each other in part: two cells gained and one lost, and so on.
        for _ in range(dice.randint(1, 4)):
            if dice.random() < 0.5:
                del cells[dice.randrange(len(cells))]
            else:
                cells.insert(dice.randrange(len(cells) + 1), dice.choice([*NAMES, *PHONES, *IDS, ""]))
        if len(cells) != len(HEADER):
            lines.append(",".join(cells))
    lines += [",".join([*row(200), name]) for name in NAMES]
    lines.append('"' + ",".join(row(201)))
    lines.append(",".join(row(202)).replace("CASE", '"CASE'))
    lines.append('"' + NAMES[0] + '"x,' + ",".join(row(203)[1:]))
    lines += [",".join(row(n, tooth="99")) for n in range(204, 208)]
    lines += [",".join(row(n, started_on="gestern")) for n in range(208, 212)]
    lines += [",".join(row(300)), ",".join(row(300, tooth="37"))]
    lines += [",".join(row(301, treatment_id="")), ",".join(row(302, patient_id=" " + IDS[0] + " ", tooth=""))]
    return lines


@pytest.fixture
def exports(tmp_path: Path) -> Path:
    folder = tmp_path / "exports"
    folder.mkdir()
    sound = [",".join(row(number)) for number in range(20)]
    text = "\n".join([",".join(HEADER), *sound, *bad_rows()]) + "\n"
    (folder / "treatments.csv").write_text(text, encoding="utf-8")
    # A file of a kind without patients, with a pasted name in a cell too many, and one in a column nobody maps.
    contacts = ["contact_id,treatment_id,contacted_at,", "C1,CASE-1,2024-03-05 12:00," + NAMES[0]]
    contacts.append(f"C2,CASE-1,2024-03-05 12:00,,{NAMES[1]},{PHONES[1]}")
    (folder / "contacts.csv").write_text("\n".join(contacts), encoding="utf-8")
    visits = ["visit_id,treatment_id,dentist,seated_at,left_at"]
    visits += [f"V{n},CASE-1,D1,2024-03-0{n} 09:00,2024-03-0{n} 10:00,{NAMES[0]}" for n in (1, 2)]
    visits.append(f'V3,CASE-1,D1,2024-03-03 09:00,2024-03-03 10:00,"{NAMES[1]}')
    (folder / "visits.csv").write_text("\n".join(visits), encoding="utf-8")
    return folder


def found_in(text: str | bytes) -> list[str]:
    data = text if isinstance(text, bytes) else text.encode()
    return [secret for secret in SECRETS if secret.encode() in data]


def all_cells(store: Path) -> str:
    """Everything in every table as text: the file itself may be compressed."""
    with open_store(store) as connection:
        tables = [name for (name,) in connection.execute("select table_name from duckdb_tables()").fetchall()]
        return json.dumps(
            {t: connection.execute(f"from {t}").fetchall() for t in tables}, default=str, ensure_ascii=False
        )


def test_no_patient_is_found_anywhere_behind_the_door(
    store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    inside: dict[str, bytes] = {}
    refresh = ingest_module.across.refresh

    def look_while_open(*arguments: Any, **options: Any) -> Any:
        inside.update((path.name, path.read_bytes()) for path in store.parent.iterdir())
        return refresh(*arguments, **options)

    monkeypatch.setattr(ingest_module.across, "refresh", look_while_open)
    shown = [canalwise("ingest", exports, "--store", store)]
    assert shown[0].code == 1
    assert "canalwise.duckdb.wal" in inside, "the write-ahead log is looked at too"

    out = tmp_path / "refused.csv"
    shown += [
        canalwise("ingest", exports, "--store", store, "--json"),
        canalwise("quarantine", "--store", store),
        canalwise("quarantine", "--store", store, "--json"),
        canalwise("quarantine", "--store", store, "--out", out),
        canalwise("quarantine", "--store", store, "--out", tmp_path / "refused.xlsx"),
        canalwise("quarantine", "retry", "--store", store),
        canalwise("check", "--store", store),
        canalwise("check", "--store", store, "--json"),
        canalwise("status", "--store", store, "--json"),
    ]
    cells = all_cells(store)
    # What may be kept is there, so the search would find what may not.
    assert "CASE-19" in cells
    assert b"CASE-19" in b"".join(inside.values()) + store.read_bytes()
    handed_out = b"".join(path.read_bytes() for path in tmp_path.glob("refused*.csv"))
    assert b"CASE-204" in handed_out
    assert "CASE-204" in shown[3].out
    assert len(shown[3].json["rows"]) > 60

    assert found_in(cells) == []
    for name, data in inside.items():
        assert (name, found_in(data)) == (name, [])
    for path in store.parent.iterdir():
        assert (path.name, found_in(path.read_bytes())) == (path.name, [])
    assert found_in(handed_out) == []
    book = pl.read_excel(tmp_path / "refused.xlsx", sheet_id=0, infer_schema_length=0)
    assert "CASE-204" in book["treatments"]["treatment_id"]
    assert found_in(json.dumps({name: sheet.to_dict(as_series=False) for name, sheet in book.items()})) == []
    for ran in shown:
        assert found_in(ran.out + ran.err) == []


def test_no_patient_is_shown_when_an_export_is_not_understood(
    store: Path, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    path = tmp_path / "export.csv"
    line = ",".join(row(1))
    for text in (
        line,
        f"{line}\n{line}\n",
        line.replace(",", ";"),
        f'"{line}',
        f"{','.join(HEADER)}\n{line},ä".encode("windows-1252"),
        f"{line}\nä".encode("mac-roman"),
    ):
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        for how in ((), ("--as", "treatments")):
            ran = canalwise("ingest", path, "--store", store, *how)
            assert ran.code == 2
            assert found_in(ran.out + ran.err) == []


def ingested(store: Path, *paths: Path, practice: str = "here", **how: Any) -> None:
    list(ingest(store, list(paths), Settings(practice=practice, practice_id=practice), **how))


def patients(store: Path) -> dict[tuple[str, str], str]:
    with open_store(store) as connection:
        rows = connection.execute("select practice, treatment_id, patient_id from treatments").fetchall()
    return {(practice, treatment): patient for practice, treatment, patient in rows}


def test_one_patient_is_one_pseudonym_however_the_export_writes_the_id(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any], tmp_path: Path
) -> None:
    import xlsxwriter

    ingested(
        store,
        export(
            "a.csv",
            [sound("treatments", patient_id="4711"), sound("treatments", treatment_id="T2", patient_id=" 4711 ")],
        ),
    )
    book = tmp_path / "book.xlsx"
    cells = sound("treatments", treatment_id="T3")
    with xlsxwriter.Workbook(book) as workbook:
        sheet = workbook.add_worksheet()
        sheet.write_row(0, 0, list(cells))
        sheet.write_row(1, 0, [4711 if name == "patient_id" else cell for name, cell in cells.items()])
    ingested(store, book)
    mapping = tmp_path / "mapping.toml"
    mapping.write_text("[treatments.columns]\n" + "".join(f'{name} = "X {name}"\n' for name in cells))
    other = export(
        "b.csv",
        [{f"X {name}": cell for name, cell in sound("treatments", treatment_id="T4", patient_id="4711").items()}],
    )
    ingested(store, other, mapping_file=mapping)
    found = patients(store)
    assert len(found) == 4
    assert len(set(found.values())) == 1
    assert found["here", "T1"].startswith("pt-")


def test_another_practice_has_another_pseudonym_for_the_same_id(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    path = export("a.csv", [sound("treatments"), sound("treatments", treatment_id="T2", practice="north")])
    ingested(store, path)
    ingested(store, path, practice="south")
    found = patients(store)
    assert len({found["here", "T1"], found["south", "T1"], found["north", "T2"]}) == 3


def test_a_refused_row_mended_and_read_again_meets_its_patients_other_records(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any], canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    rows = [
        sound("treatments", practice=p, treatment_id=t, tooth=tooth)
        for p in ("north", "")
        for t, tooth in (("T1", "36"), ("T2", "99"))
    ]
    ingested(store, export("a.csv", rows))
    assert canalwise("quarantine", "--store", store, "--out", tmp_path / "mend.csv").code == 1
    mended = tmp_path / "mended.csv"
    mended.write_text((tmp_path / "mend.csv").read_text().replace(",99,", ",37,"))
    ingested(store, mended)
    found = patients(store)
    assert found["north", "T1"] == found["north", "T2"]
    assert found["here", "T1"] == found["here", "T2"] != found["north", "T1"]


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_what_is_written_is_its_owners_alone(
    store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    canalwise("ingest", exports, "--store", store)
    assert {path.name: mode(path) for path in store.parent.iterdir()} == {
        "canalwise.duckdb": 0o600,
        "canalwise.key": 0o600,
    }
    for name in ("refused.csv", "refused.xlsx"):
        canalwise("quarantine", "--store", store, "--out", tmp_path / name)
    assert len(list(tmp_path.glob("refused*"))) > 2
    assert {mode(path) for path in tmp_path.glob("refused*")} == {0o600}
    ran = canalwise("measure", "quarantine_by_reason", "--store", store, "--out", tmp_path / "m.csv")
    assert ran.code == 0, ran.err
    assert mode(tmp_path / "m.csv") == 0o600


def test_refused_rows_are_written_for_their_owner_alone_whatever_the_umask(tmp_path: Path) -> None:
    export_refused([], tmp_path / "refused.csv")
    assert mode(tmp_path / "refused.csv") == 0o600


def test_reports_are_their_owners_alone(filled: Path, canalwise: Callable[..., Any], tmp_path: Path) -> None:
    folder = tmp_path / "pages"
    ran = canalwise("report", "incidents", "--store", filled, "--out", folder)
    assert ran.code == 0, ran.err
    assert mode(folder) == 0o700
    pages = list(folder.rglob("*.html"))
    assert pages
    assert {mode(page) for page in pages} == {0o600}


def test_a_store_does_not_go_on_under_a_new_key(store: Path, exports: Path, canalwise: Callable[..., Any]) -> None:
    ingested(store, exports)
    store.with_suffix(".key").unlink()
    ran = canalwise("ingest", exports, "--store", store)
    assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert "the pseudonym key of this store is missing" in ran.err
    with pytest.raises(UserError):
        ingested(store, exports)
