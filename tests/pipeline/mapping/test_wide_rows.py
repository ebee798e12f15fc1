"""Rows that hold several records: a column for each canal, several uses in a cell; nothing lost, nothing invented."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.mapping.apply import Typed, apply
from pipeline.mapping.model import FileOptions, KindMapping, Mapping
from pipeline.records import KINDS
from pipeline.sources.table import RawTable

CANALS = {
    "each": {"canal": ["MB", "DB", "P"]},
    "columns": {
        "treatment_id": "Fall",
        "working_length_mm": "{canal}_WL",
        "final_size": "{canal}_size",
        "started_at": {"from": ["Tag", "{canal}_um"]},
    },
}
USES = {
    "split": {"from": "Feilen", "separator": ";", "pattern": "{size}/{taper} x{times}"},
    "columns": {
        "use_id": {"template": "{treatment_id}/{canal}/{step}"},
        "treatment_id": "Fall",
        "canal": "Kanal",
        "depth_mm": "Tiefe",
    },
    "constants": {"motion": "rotation", "result": "intact"},
}


def typed(kind: str, mapping: dict[str, Any], header: str, *rows: str) -> Typed:
    """Rows written as cells parted by |; they stand at lines 2, 3 ..."""
    names = tuple(header.split("|"))
    cells = [row.split("|") for row in rows]
    frame = pl.DataFrame(
        {"source_row": pl.Series(range(2, len(rows) + 2), dtype=pl.Int64)}
        | {f"c{i}": pl.Series([row[i] for row in cells], dtype=pl.String) for i in range(len(names))}
    )
    return apply(RawTable(names, frame), kind, KindMapping.model_validate(mapping), FileOptions(), "here")


def shown(done: Typed, *columns: str) -> list[tuple[Any, ...]]:
    return done.records.select("record_no", "source_row", *columns).rows()


HEADER = "Fall|Tag|MB_WL|MB_size|MB_um|DB_WL|DB_size|DB_um|P_WL|P_size|P_um"


def test_one_record_for_each_canal_that_has_anything_filled_in() -> None:
    done = typed(
        "canals",
        CANALS,
        HEADER,
        "a|2026-03-01|20.5|25||19|||21|30|09:30",
        "b|2026-03-02||||||||40|",
    )
    assert done.per_row == 3
    assert shown(done, "treatment_id", "canal", "working_length_mm", "final_size") == [
        (4, 2, "a", "MB", 20.5, 25),
        (5, 2, "a", "DB", 19.0, None),
        (6, 2, "a", "P", 21.0, 30),
        (9, 3, "b", "P", None, 40),
    ]
    # The day belongs to the row, and alone is no moment.
    assert done.records["started_at"].to_list() == [None, None, dt.datetime(2026, 3, 1, 9, 30), None]
    assert done.faults.height == 0


def test_the_values_of_a_canal_may_be_called_otherwise_in_the_header() -> None:
    mapping = {
        "each": {"canal": {"MB": "mesial", "P": "palatinal"}},
        "columns": {"treatment_id": "Fall", "working_length_mm": "Länge {canal}"},
    }
    table = KindMapping.model_validate(mapping)
    assert table.sources == ("Fall", "Länge mesial", "Länge palatinal")
    done = typed("canals", mapping, "Fall|Länge mesial|Länge palatinal", "a|20|21")
    assert shown(done, "canal", "working_length_mm") == [(3, 2, "MB", 20.0), (4, 2, "P", 21.0)]


def test_a_row_without_any_canal_is_refused_and_not_lost() -> None:
    done = typed("canals", CANALS, HEADER, "a|2026-03-01|||||| ||||"[:-1], "b|2026-03-01|20||08:00||||||")
    assert shown(done, "treatment_id", "canal") == [(4, 2, "a", None), (7, 3, "b", "MB")]
    assert done.faults.filter(pl.col("rule") == "no_canal_filled_in").rows() == [
        (4, 2, "no_canal_filled_in", "No canal of this row has anything filled in (MB, DB, P).", "canal")
    ]


def test_a_value_that_does_not_parse_spoils_its_own_canal_only() -> None:
    done = typed("canals", CANALS, HEADER, "a||20||2026-03-01 09:30|soon|||||")
    assert shown(done, "canal", "working_length_mm") == [(4, 2, "MB", 20.0), (5, 2, "DB", None)]
    assert done.faults.select("record_no", "source_row", "reason").rows() == [
        (5, 2, "working_length_mm: soon is not a number with decimal point.")
    ]


def test_a_default_does_not_make_a_canal() -> None:
    columns = CANALS["columns"] | {"final_size": {"from": "{canal}_size", "default": "25"}}  # type: ignore[operator]
    done = typed("canals", CANALS | {"columns": columns}, HEADER, "a||20||||||||")
    assert shown(done, "canal", "final_size") == [(4, 2, "MB", 25)]


def test_several_uses_in_a_cell() -> None:
    done = typed("instrument_uses", USES, "Fall|Kanal|Feilen|Tiefe", "a|MB|25/.06 x2; 30/.04|18", "b|P|20/.02;|")
    assert done.per_row == 3
    assert done.faults.height == 0
    assert shown(done, "use_id", "step", "size", "taper", "depth_mm", "motion") == [
        (4, 2, "a/MB/1", 1, 25, 0.06, 18.0, "rotation"),
        (5, 2, "a/MB/2", 2, 25, 0.06, 18.0, "rotation"),
        (6, 2, "a/MB/3", 3, 30, 0.04, 18.0, "rotation"),
        (7, 3, "b/P/1", 1, 20, 0.02, None, "rotation"),
    ]


@pytest.mark.parametrize(
    ("pattern", "cell", "pieces"),
    [
        ("{size}/{taper} x{times}", "25/0.06X2", [(25, 0.06)] * 2),
        ("{size}/{taper} x{times}", " 25 / .06  × 2 ;30/4%", [(25, 0.06), (25, 0.06), (30, 0.04)]),
        ("{times}x {size}/{taper}", "2x25/.06;30/.04", [(25, 0.06), (25, 0.06), (30, 0.04)]),
        ("{size} {taper}", "25 .06;30   .04", [(25, 0.06), (30, 0.04)]),
        ("#{size} ({taper})", "#25 (0.06)", [(25, 0.06)]),
        ("{size}", "25;30", [(25, None), (30, None)]),
    ],
)
def test_patterns(pattern: str, cell: str, pieces: list[tuple[int, float | None]]) -> None:
    mapping = USES | {"split": {"from": "Feilen", "separator": ";", "pattern": pattern}}
    done = typed("instrument_uses", mapping, "Fall|Kanal|Feilen|Tiefe", f"a|MB|{cell}|18")
    assert done.records.select("size", "taper").rows() == pieces
    assert done.records["step"].to_list() == list(range(1, len(pieces) + 1))


def test_what_else_a_piece_may_hold() -> None:
    split = {"from": "Feilen", "separator": ",", "pattern": "{instrument_id} ({lot}) {motion}: {size}/{taper}"}
    columns = {
        "use_id": {"template": "{treatment_id}/{canal}/{step}"},
        "treatment_id": "Fall",
        "canal": "Kanal",
        "motion": {"values": {"rot": "rotation"}},
        "taper": {"unit": "percent"},
    }
    mapping = {"split": split, "columns": columns, "constants": {"result": "intact"}}
    done = typed("instrument_uses", mapping, "Fall|Kanal|Feilen", "a|MB|I-7 (L 1) rot: 25/06, I8 (L2) hand: 30/4")
    assert done.records.select("instrument_id", "lot", "motion", "size", "taper").rows() == [
        ("I-7", "L 1", "rotation", 25, 0.06),
        ("I8", "L2", "hand", 30, 0.04),
    ]
    Mapping.model_validate({"kinds": {"instrument_uses": mapping}})


@pytest.mark.parametrize(
    ("cell", "rule", "reason"),
    [
        ("25/.06; stumpf; 30/.04", "piece_does_not_fit", "stumpf is not written as {size}/{taper} x{times}."),
        ("25/.06 x0", "piece_does_not_fit", "25/.06 x0 is not written as"),
        ("25/.06 x100", "piece_does_not_fit", "25/.06 x100 is not written as"),
        ("25/.06 30/.04", "piece_does_not_fit", "is not written as"),
        ("", "no_piece_filled_in", "The cell that names the instruments is empty."),
        (" ; ;", "no_piece_filled_in", "The cell that names the instruments is empty."),
    ],
)
def test_a_piece_that_cannot_be_told_spoils_the_whole_row(cell: str, rule: str, reason: str) -> None:
    header = "Fall|Kanal|Feilen|Tiefe"
    done = typed("instrument_uses", USES, header, "a|MB|15/.02; 20/.02|18", f"b|MB|{cell}|18", "c|P|20/.04|")
    (fault,) = done.faults.rows(named=True)
    assert (fault["source_row"], fault["rule"]) == (3, rule)
    assert reason in fault["reason"]
    of_row = done.records.filter(pl.col("source_row") == 3)
    assert of_row["record_no"].to_list() == [fault["record_no"]]
    assert done.records["source_row"].to_list() == [2, 2, 3, 4]


def test_a_taper_that_does_not_parse_is_one_empty_cell() -> None:
    header = "Fall|Kanal|Feilen|Tiefe"
    done = typed("instrument_uses", USES, header, "a|MB|15/.02; 20/.02|18", "b|MB|25/.06; 30/0,04|18")
    (fault,) = done.faults.rows(named=True)
    assert (fault["source_row"], fault["rule"], fault["column"]) == (3, "value_does_not_parse", "taper")
    assert done.records.select("source_row", "size", "taper").rows()[2:] == [(3, 25, 0.06), (3, 30, None)]


def test_a_variable_taper_is_none_and_no_fault() -> None:
    mapping = {"columns": {"final_taper": {"from": "Taper", "unit": "percent"}}}
    done = typed("canals", mapping, "Taper", "6", "variable", " Variabel ", "5.5")
    assert (done.records["final_taper"].to_list(), done.faults.height) == ([0.06, None, None, 0.055], 0)


def test_uses_in_a_cell_for_each_canal() -> None:
    mapping = {
        "each": {"canal": ["MB", "P"]},
        "split": {"from": "{canal} Feilen", "separator": ";", "pattern": "{size}/{taper} x{times}"},
        "columns": {"use_id": {"template": "{treatment_id}/{canal}/{step}"}, "treatment_id": "Fall"},
        "constants": {"motion": "rotation", "result": "intact"},
    }
    done = typed(
        "instrument_uses",
        mapping,
        "Fall|MB Feilen|P Feilen",
        "a|25/.06;30/.04 x2|20/.02",
        "b||20/.02",
        "c||",
        "d|x|20/.02",
    )
    assert done.per_row == 4
    assert shown(done, "use_id", "canal", "step") == [
        (5, 2, "a/MB/1", "MB", 1),
        (6, 2, "a/MB/2", "MB", 2),
        (7, 2, "a/MB/3", "MB", 3),
        (8, 2, "a/P/1", "P", 1),
        (9, 3, "b/P/1", "P", 1),
        (13, 4, None, None, None),
        (17, 5, None, "MB", None),
    ]
    assert done.faults.select("record_no", "rule").rows() == [(13, "no_canal_filled_in"), (17, "piece_does_not_fit")]


@pytest.mark.parametrize(
    ("kind", "table", "says"),
    [
        ("canals", {"each": {"canal": []}}, "each.words"),
        ("canals", {"each": {"canal": ["MB"], "step": ["1"]}}, "each: names one column, such as canal"),
        ("canals", {"each": {"kanal": ["MB"]}}, "canals has no column kanal"),
        ("canals", {"each": {"canal": ["MB"]}}, "canals.each: no source column has {canal} in its name"),
        (
            "canals",
            {"each": {"canal": ["MB"]}, "columns": {"treatment_id": "F", "canal": "K", "patency": "{canal}_p"}},
            "canals.canal is filled in two ways: leave one",
        ),
        (
            "canals",
            {"columns": {"treatment_id": "F", "canal": "K", "patency": "{canal}_p"}},
            "canals.columns.patency.from: {canal} stands for the words of [canals.each], which there are none",
        ),
        ("visits", {"split": USES["split"]}, "visits has no column size"),
        ("instrument_uses", {"split": USES["split"] | {"pattern": "{size}{taper}"}}, "nothing between them"),
        ("instrument_uses", {"split": USES["split"] | {"pattern": "{size}/{size}"}}, "names a column twice"),
        ("instrument_uses", {"split": USES["split"] | {"pattern": "x{times}"}}, "names no column"),
        ("instrument_uses", {"split": USES["split"] | {"pattern": "{größe}"}}, "has no column größe"),
        ("instrument_uses", {"split": USES["split"] | {"separator": ""}}, "split.separator"),
        (
            "instruments",
            {"split": {"from": "F", "separator": ";", "pattern": "{size}"}},
            "instruments.split: only the uses",
        ),
    ],
)
def test_what_makes_no_sense_is_refused(kind: str, table: dict[str, Any], says: str) -> None:
    required = {name: name for name in KINDS[kind].required if name not in ("canal", "size", "taper", "step")}
    with pytest.raises(ValueError) as caught:
        Mapping.model_validate({"kinds": {kind: {"columns": required} | table}})
    assert says in str(caught.value).replace("\n  Value error, ", ": ").replace("kinds.", "").replace(f"{kind}.0.", "")


LENGTHS = st.one_of(st.none(), st.integers(80, 350).map(lambda tenths: tenths / 10))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(st.tuples(LENGTHS, LENGTHS), min_size=4, max_size=4), max_size=8))
def test_wide_and_long_say_the_same(rows: list[list[tuple[float | None, float | None]]]) -> None:
    """The same canals as columns of one row and as rows of their own: the same records, but for where they stood."""
    names = ["MB", "MB2", "DB", "P"]

    def text(number: float | None) -> str:
        return "" if number is None else str(number)

    wide = typed(
        "canals",
        {
            "each": {"canal": names},
            "columns": {"treatment_id": "F", "working_length_mm": "{canal}_WL", "filling_extent_mm": "{canal}_e"},
        },
        "|".join(["F", *(f"{name}_{what}" for name in names for what in ("WL", "e"))]),
        *("|".join([f"T{i}", *(text(cell) for canal in row for cell in canal)]) for i, row in enumerate(rows)),
    )
    long = typed(
        "canals",
        {"columns": {"treatment_id": "F", "canal": "K", "working_length_mm": "W", "filling_extent_mm": "E"}},
        "F|K|W|E",
        *(
            f"T{i}|{name}|{text(length)}|{text(extent)}"
            for i, row in enumerate(rows)
            for name, (length, extent) in zip(names, row, strict=True)
            if (length, extent) != (None, None)
        ),
    )
    sound = wide.records.join(wide.faults, on="record_no", how="anti")
    assert sound.drop("record_no", "source_row").equals(long.records.drop("record_no", "source_row"))
    empty = [i for i, row in enumerate(rows) if all(canal == (None, None) for canal in row)]
    assert wide.faults["source_row"].to_list() == [i + 2 for i in empty]
    numbers = wide.records["record_no"]
    assert numbers.is_unique().all()
    assert numbers.to_list() == sorted(numbers)
    assert ((numbers - 1) // wide.per_row + 1).to_list() == wide.records["source_row"].to_list()


USE = st.tuples(st.sampled_from([10, 15, 25, 40]), st.sampled_from(["0.02", ".04", "6%"]), st.integers(1, 3))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(USE, min_size=1, max_size=5), min_size=1, max_size=6), st.sampled_from([";", "+", " | "]))
def test_uses_in_a_cell_and_in_rows_of_their_own_say_the_same(uses: list[list[tuple[int, str, int]]], by: str) -> None:
    frame = pl.DataFrame(
        {
            "source_row": pl.Series(range(2, len(uses) + 2), dtype=pl.Int64),
            "c0": [f"T{i}" for i in range(len(uses))],
            "c1": [by.join(f"{size}/{taper}" + f" x{n}" * (n > 1) for size, taper, n in row) for row in uses],
        }
    )
    table = KindMapping.model_validate(
        {"split": USES["split"] | {"separator": by}, "columns": {"treatment_id": "F"}}  # type: ignore[operator]
        | {"constants": {"canal": "MB", "motion": "rotation", "result": "intact"}}
    )
    table = table.model_copy(update={"split": table.split.model_copy(update={"source": "Files"})})  # type: ignore[union-attr]
    done = apply(RawTable(("F", "Files"), frame), "instrument_uses", table, FileOptions(), "here")
    worth = {"0.02": 0.02, ".04": 0.04, "6%": 0.06}
    expected = [
        (f"T{i}", step, size, worth[taper])
        for i, row in enumerate(uses)
        for step, (size, taper) in enumerate(((size, taper) for size, taper, n in row for _ in range(n)), start=1)
    ]
    assert done.records.select("treatment_id", "step", "size", "taper").rows() == expected
    assert done.faults.height == 0
    assert done.per_row == max(sum(n for _, _, n in row) for row in uses)
