"""Rows that hold several records, days and times apart, several kinds in one file; and what is asked of them."""

from __future__ import annotations

import csv
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.mapping.apply import Typed, apply
from pipeline.mapping.draft.draft import Draft, draft
from pipeline.mapping.model import Mapping, load_mapping
from pipeline.sources.read import read


def export(tmp_path: Path, header: list[str], rows: list[list[str]], name: str = "export.csv") -> Path:
    path = tmp_path / name
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, delimiter=";").writerows([header, *rows] if header else rows)
    return path


def loaded(drafted: Draft, tmp_path: Path) -> Mapping:
    (tmp_path / "draft.toml").write_text(drafted.text, encoding="utf-8")
    return load_mapping(tmp_path / "draft.toml")


def typed(path: Path, kind: str, mapping: Mapping) -> Typed:
    raw = read(path, mapping.file.dialect)
    return apply(raw, kind, mapping.kinds[kind][0], mapping.file, "practice")


@pytest.mark.parametrize("pattern", ["{}_AL", "AL {}", "AL ({}) [mm]", "{}-AL mm"])
def test_columns_that_differ_by_the_canal_make_records_of_their_own(tmp_path: Path, pattern: str) -> None:
    header = ["Fall", *(pattern.format(canal) for canal in ("MB", "DB", "P"))]
    path = export(tmp_path, header, [[f"F{i}", "20,5", "", f"{18 + i},5"] for i in range(6)])
    drafted = draft([path])
    assert drafted.questions == ()
    records = typed(path, "canals", loaded(drafted, tmp_path)).records
    assert records["canal"].to_list() == ["MB", "P"] * 6
    assert records["working_length_mm"].to_list()[:2] == [20.5, 18.5]


def test_canals_by_other_words_in_the_headers(tmp_path: Path) -> None:
    header = ["Fall", "AL mesial", "AL distal", "ISO mesial", "ISO distal"]
    path = export(tmp_path, header, [[f"F{i}", "20,5", "21", "25", "30"] for i in range(6)])
    mapping = loaded(draft([path]), tmp_path)
    each = mapping.kinds["canals"][0].each
    assert each is not None
    assert each.words == {"M": "mesial", "D": "distal"}


def test_single_letters_are_no_canals_where_nothing_says_so(tmp_path: Path) -> None:
    header = ["Fall", "Patient", "Zahn", "Behandler", "Art", "Beginn", "Status", "Karte M", "Karte B"]
    row = ["P1", "36", "D1", "Revision", "31.01.2024", "fertig", "x", "y"]
    path = export(tmp_path, header, [[f"F{i}", *row] for i in range(6)])
    assert list(loaded(draft([path]), tmp_path).kinds) == ["treatments"]


@pytest.mark.parametrize(
    ("cells", "separator", "pattern"),
    [
        (["25/.06 x2; 30/.04", "15/.02"], ";", "{size}/{taper} x{times}"),
        (["10/.02 + 25/.06"], "+", "{size}/{taper} x{times}"),
        (["2x 25/.06, 30/.04"], ",", "{times}x {size}/{taper}"),
        (["25/.06"], ";", "{size}/{taper} x{times}"),
    ],
)
def test_several_uses_in_a_cell(tmp_path: Path, cells: list[str], separator: str, pattern: str) -> None:
    rows = [[f"F{i}", "MB", cells[i % len(cells)], "rotierend", "intakt"] for i in range(8)]
    path = export(tmp_path, ["Fall", "Kanal", "Feilen", "Antrieb", "Zustand"], rows)
    drafted = draft([path])
    assert drafted.questions == ()
    mapping = loaded(drafted, tmp_path)
    split = mapping.kinds["instrument_uses"][0].split
    assert split is not None
    assert (split.separator, split.pattern) == (separator, pattern)
    done = typed(path, "instrument_uses", mapping)
    assert done.faults.height == 0
    assert done.records["use_id"][0] == "F0/MB/1"
    assert done.records["use_id"].n_unique() == done.records.height


def test_tapers_of_such_cells_may_be_per_cent(tmp_path: Path) -> None:
    rows = [[f"F{i}", "MB", "25/06 x2; 30/04", "rotierend", "intakt"] for i in range(8)]
    path = export(tmp_path, ["Fall", "Kanal", "Feilen", "Antrieb", "Zustand"], rows)
    records = typed(path, "instrument_uses", loaded(draft([path]), tmp_path)).records
    assert records["taper"].to_list()[:3] == [0.06, 0.06, 0.04]
    assert records["step"].to_list()[:3] == [1, 2, 3]


def test_what_a_use_may_lack_is_told_and_not_made_up(tmp_path: Path) -> None:
    """A motion that no column tells stays empty, and nobody is asked to assert what was never looked at."""
    path = export(tmp_path, ["Fall", "Kanal", "Feilen"], [[f"F{i}", "MB", "25/.06; 30/.04"] for i in range(8)])
    drafted = draft([path])
    assert drafted.questions == ()
    assert "motion stays empty: no column found." in drafted.text and "hand, rotation" in drafted.text
    records = typed(path, "instrument_uses", loaded(drafted, tmp_path)).records
    assert records["motion"].null_count() == records["result"].null_count() == records.height


def test_a_header_like_a_column_whose_cells_do_not_fit_is_asked(tmp_path: Path) -> None:
    rows = [[f"F{i}", "MB", "25/.06; 30/.04", f"Q{i}"] for i in range(8)]
    drafted = draft([export(tmp_path, ["Fall", "Kanal", "Feilen", "Bewegungsart"], rows)])
    assert [question.partition(":")[0] for _, question in drafted.questions] == ["motion"]
    assert '# motion = "hand"' in drafted.text


def test_a_column_of_days_and_columns_of_times_are_joined(tmp_path: Path) -> None:
    header = ["Termin", "Fall", "Behandler", "Datum", "Von", "Bis"]
    path = export(tmp_path, header, [[f"V{i}", "F1", "D1", f"{13 + i}.03.2024", "09:05", "10:10"] for i in range(9)])
    drafted = draft([path])
    assert drafted.questions == ()
    records = typed(path, "visits", loaded(drafted, tmp_path)).records
    assert str(records["seated_at"][0]) == "2024-03-13 09:05:00"
    assert str(records["left_at"][0]) == "2024-03-13 10:10:00"


def test_times_that_may_belong_to_two_days_are_asked_about(tmp_path: Path) -> None:
    header = ["Termin", "Fall", "Behandler", "Gebucht am", "Gekommen am", "Von", "Bis"]
    rows = [[f"V{i}", "F1", "D1", f"{13 + i}.02.2024", f"{14 + i}.03.2024", "09:05", "10:10"] for i in range(9)]
    asked = draft([export(tmp_path, header, rows)]).questions
    assert any(q.startswith("seated_at") and "Gebucht am" in q and "Gekommen am" in q for _, q in asked)


def test_one_file_may_hold_treatments_and_their_canals(tmp_path: Path) -> None:
    header = ["Fall", "Patient", "Zahn", "Behandler", "Art", "Beginn", "Status", "AL MB", "AL DB", "AL P"]
    teeth = ["16", "26", "36", "46", "17", "27"]
    rows = [
        [f"F{i}", f"P{i}", tooth, "D1", "Revision", f"{13 + i}.03.2024", "abgeschlossen", "20,5", "19", "21"]
        for i, tooth in enumerate(teeth)
    ]
    path = export(tmp_path, header, rows)
    drafted = draft([path])
    assert drafted.questions == ()
    mapping = loaded(drafted, tmp_path)
    assert list(mapping.kinds) == ["treatments", "canals"]
    assert typed(path, "treatments", mapping).records["tooth"].to_list() == [int(tooth) for tooth in teeth]
    assert typed(path, "canals", mapping).records.height == 18


def test_a_key_that_is_none_is_asked_about(tmp_path: Path) -> None:
    header = ["Fall", "Patient", "Zahn", "Behandler", "Art", "Beginn", "Status"]
    rows = [
        [f"F{i // 2}", f"P{i}", str(31 + i % 8), "D1", "Revision", f"{13 + i}.03.2024", "fertig"] for i in range(12)
    ]
    asked = draft([export(tmp_path, header, rows)]).questions
    assert any(q.startswith("treatment_id") and "6 rows" in q for _, q in asked)


def test_two_columns_that_are_equally_like_are_asked_about(tmp_path: Path) -> None:
    header = ["Fall", "Patient", "Zahn", "Behandler", "Art", "Beginn", "Behandlungsbeginn", "Status"]
    rows = [
        [f"F{i}", f"P{i}", str(31 + i % 8), "D1", "Revision", f"{13 + i}.03.2024", f"{12 + i}.03.2024", "fertig"]
        for i in range(12)
    ]
    ((table, question),) = draft([export(tmp_path, header, rows)]).questions
    assert table == "treatments"
    assert question.startswith("started_on") and "Beginn" in question and "Behandlungsbeginn" in question


def test_a_required_column_that_is_missing_is_asked_about_with_what_could_fill_it(tmp_path: Path) -> None:
    header = ["Fall", "Gesehen am", "PAI", "Zahn vorhanden"]
    path = export(tmp_path, header, [[f"F{i}", f"{13 + i}.03.2024", "1", "ja"] for i in range(9)])
    drafted = draft([path])
    ((_, question),) = drafted.questions
    assert question.startswith("follow_up_id")
    answer = '# follow_up_id = { template = "{treatment_id}/{seen_on}" }'
    assert answer in drafted.text
    # Answered: the line loses its mark, the question goes.
    lines = [line for line in drafted.text.splitlines() if not line.startswith("#? ")]
    (tmp_path / "mended.toml").write_text("\n".join(lines).replace(answer, answer[2:]), encoding="utf-8")
    records = typed(path, "follow_ups", load_mapping(tmp_path / "mended.toml")).records
    assert records["follow_up_id"][0] == "F0/2024-03-13"


def test_without_a_header_everything_is_asked_by_place(tmp_path: Path, small: Path) -> None:
    with (small / "treatments.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    drafted = draft([export(tmp_path, [], rows)])
    mapping = loaded(drafted, tmp_path)
    assert mapping.file.header_row == 0
    assert len(mapping.kinds["treatments"][0].questions) == len(drafted.questions)
    assert '# tooth = { from = "#4", notation = "fdi" }' in drafted.text
    assert "T00001" not in drafted.text


def test_repeated_and_empty_headers_are_named_by_their_place(tmp_path: Path) -> None:
    header = ["Termin", "Fall", "Behandler", "Beginn", "Ende", "", "Raum", "Raum"]
    rows = [[f"V{i}", "F1", "D1", f"{13 + i}.03.2024 09:00", f"{13 + i}.03.2024 10:00", "", "1", "1"] for i in range(9)]
    drafted = draft([export(tmp_path, header, rows)])
    assert '"#7"' in drafted.text and '"#8"' in drafted.text
    loaded(drafted, tmp_path)


def test_months_of_the_same_export_are_one_table(tmp_path: Path) -> None:
    header = ["Termin", "Fall", "Behandler", "Beginn", "Ende"]
    for month in ("01", "02"):
        rows = [
            [f"V{month}{i}", "F1", "D1", f"0{i}.{month}.2024 09:00", f"0{i}.{month}.2024 10:00"] for i in range(1, 9)
        ]
        export(tmp_path, header, rows, f"Termine 2024-{month}.csv")
    drafted = draft([tmp_path])
    (table,) = drafted.evidence
    assert table["files"] == ["Termine 2024-01.csv", "Termine 2024-02.csv"]
    assert table["rows"] == 16


def test_tables_that_could_take_each_others_files_name_their_own(tmp_path: Path) -> None:
    contacts = ["Kontakt", "Fall", "Zeitpunkt", "NRS", "Schwellung"]
    rows = [[f"K{i}", "F1", f"{13 + i}.03.2024 09:00", "2", "nein"] for i in range(9)]
    export(tmp_path, contacts, rows, "Anrufe.csv")
    export(tmp_path, [*contacts, "Notiz"], [[*row, "x"] for row in rows], "Anrufe alt.csv")
    mapping = loaded(draft([tmp_path]), tmp_path)
    names = {table.files for table in mapping.kinds["contacts"]}
    assert "Anrufe.csv" in names


def test_a_file_of_no_kind_is_said_so(tmp_path: Path) -> None:
    path = export(tmp_path, ["Artikel", "Regal", "Menge"], [["Handschuhe", "A", "3"]] * 5)
    with pytest.raises(UserError, match="no kind of record"):
        draft([path])


def test_a_sheet_for_each_kind_is_named(tmp_path: Path, small: Path) -> None:
    import xlsxwriter

    path = tmp_path / "alles.xlsx"
    with xlsxwriter.Workbook(path) as book:
        for kind in ("visits", "contacts"):
            sheet = book.add_worksheet(kind)
            frame = pl.read_csv(small / f"{kind}.csv", infer_schema=False)
            sheet.write_row(0, 0, frame.columns)
            for i, row in enumerate(frame.fill_null("").iter_rows(), start=1):
                sheet.write_row(i, 0, row)
        book.add_worksheet("leer")
    drafted = draft([path])
    assert drafted.questions == ()
    mapping = loaded(drafted, tmp_path)
    assert {kind: tables[0].sheet for kind, tables in mapping.kinds.items()} == {
        "visits": "visits",
        "contacts": "contacts",
    }
