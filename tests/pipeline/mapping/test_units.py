"""Units of an export as ours: published factors, round trips, and contradictions refused."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.mapping.apply import Typed, apply
from pipeline.mapping.model import FileOptions, KindMapping, Mapping
from pipeline.mapping.units import CLOCKS, FACTORS, quantity, units
from pipeline.records import KINDS
from pipeline.sources.table import RawTable

MEASURED = {
    "mm": ("canals", "working_length_mm"),
    "ncm": ("instrument_uses", "torque_ncm"),
    "seconds": ("instrument_uses", "seconds"),
    "minutes": ("visits", "booked_minutes"),
    "taper": ("instruments", "taper"),
    "rpm": ("instrument_uses", "speed_rpm"),
    "ml": ("instrument_uses", "irrigant_ml"),
}


def typed(kind: str, column: str, cells: list[str], *, workbook: bool = False, decimal: str = ".", **how: Any) -> Typed:
    mapping = KindMapping.model_validate({"columns": {column: {"from": "X", **how}}})
    rows = pl.DataFrame(
        {"source_row": pl.Series(range(2, len(cells) + 2), dtype=pl.Int64), "c0": pl.Series(cells, dtype=pl.String)}
    )
    options = FileOptions.model_validate({"decimal": decimal})
    return apply(RawTable(("X",), rows, typed_cells=workbook), kind, mapping, options, "here")


def values(kind: str, column: str, cells: list[str], **how: Any) -> list[Any]:
    done = typed(kind, column, cells, **how)
    assert done.faults["source_row"].to_list() == [
        row
        for row, cell, value in zip(done.records["source_row"], cells, done.records[column], strict=True)
        if cell and value is None
    ]
    return done.records[column].to_list()


@pytest.mark.parametrize(
    ("column", "unit", "cell", "expected"),
    [
        # The inch is 25.4 mm by the international yard and pound agreement of 1959.
        ("working_length_mm", "inch", "0.8", 20.32),
        ("working_length_mm", "cm", "2.05", 20.5),
        ("working_length_mm", "0.1 mm", "205", 20.5),
        # Standard gravity is 9.80665 m/s2 (3rd General Conference on Weights and Measures, 1901).
        ("torque_ncm", "gcm", "100", 0.980665),
        ("torque_ncm", "Nmm", "25", 2.5),
        ("torque_ncm", "mNm", "25", 2.5),
        ("seconds", "minutes", "1.5", 90.0),
        ("seconds", "milliseconds", "1500", 1.5),
        ("seconds", "mm:ss", "1:30", 90.0),
        ("seconds", "mm:ss", "01:30,5", 90.5),
        ("seconds", "hh:mm:ss", "0:01:30", 90.0),
        ("booked_minutes", "hours", "0.75", 45.0),
        ("booked_minutes", "seconds", "90", 1.5),
        ("booked_minutes", "hh:mm", "1:15", 75.0),
        ("booked_minutes", "mm:ss", "45:30", 45.5),
        ("taper", "percent", "4", 0.04),
        ("taper", "percent", "7", 0.07),
        ("taper", "percent", "06", 0.06),
        ("taper", "percent", "4 %", 0.04),
        ("taper", "percent", "0", 0.0),
        ("taper", "mm/mm", ".04", 0.04),
        ("final_taper", "percent", "6", 0.06),
        ("speed_rpm", "1/s", "5", 300.0),
        ("irrigant_ml", "cl", "0.2", 2.0),
        # A number may carry its unit, if it is the declared one.
        ("working_length_mm", "cm", "2.05 cm", 20.5),
        ("torque_ncm", "Ncm", "2.5 ncm", 2.5),
    ],
)
def test_a_declared_unit_is_converted(column: str, unit: str, cell: str, expected: float) -> None:
    kind = next(k.name for k in KINDS.values() if column in k.names)
    assert values(kind, column, [cell, ""], unit=unit) == [pytest.approx(expected, abs=1e-12), None]


@pytest.mark.parametrize(
    ("column", "unit", "cell", "says"),
    [
        ("taper", "percent", "0.04", "taper: 0.04 is not a number with decimal point in per cent (0, or 1 and more)."),
        ("taper", "percent", "0.5 %", "in per cent"),
        ("taper", "mm/mm", "4 %", "taper: 4 % is not a number with decimal point in mm/mm."),
        ("seconds", "mm:ss", "1:75", "seconds: 1:75 is not a time written as mm:ss."),
        ("seconds", "mm:ss", "90", "is not a time written as mm:ss."),
        ("seconds", "mm:ss", "0:01:30", "is not a time written as mm:ss."),
        ("seconds", "hh:mm:ss", "1:30", "is not a time written as hh:mm:ss."),
        ("seconds", "mm:ss", "-1:30", "is not a time"),
        ("booked_minutes", "hh:mm", "1:15.5", "is not a time"),
        ("working_length_mm", "cm", "20.5 mm", "is not a number with decimal point in cm."),
        ("working_length_mm", "cm", "cm", "is not a number"),
        ("working_length_mm", None, "20.5 mm", "is not a number"),
    ],
)
def test_what_contradicts_the_declared_unit_is_refused(column: str, unit: str | None, cell: str, says: str) -> None:
    kind = next(k.name for k in KINDS.values() if column in k.names)
    done = typed(kind, column, [cell], unit=unit)
    assert done.records[column].to_list() == [None]
    assert says in "".join(done.faults["reason"])


def test_a_taper_without_a_declared_unit() -> None:
    """A per cent sign is a declaration; a bare 4 is a number and fails the rule on tapers later."""
    assert values("instruments", "taper", ["4", "4 %", "6%", ".04", "0.04", "% 4", "%"]) == [
        4,
        0.04,
        0.06,
        0.04,
        0.04,
        None,
        None,
    ]
    assert values("instruments", "taper", ["0,04", ",04", "4 %", "4,5 %", "0.04", "4.500"], decimal=",") == [
        0.04,
        0.04,
        0.04,
        0.045,
        0.04,  # no thousands begin with a nought
        None,
    ]
    assert values("instruments", "taper", ["0,04", "1.250"], decimal=",") == [0.04, None]
    assert values("instruments", "price", ["4 %"]) == [None]


def test_a_columns_own_decimal_sign_wins() -> None:
    mapping = {"columns": {"taper": {"from": "X", "decimal": ","}, "price": "Y"}}
    rows = pl.DataFrame({"source_row": [2], "c0": ["0,04"], "c1": ["12.50"]})
    done = apply(RawTable(("X", "Y"), rows), "instruments", KindMapping.model_validate(mapping), FileOptions(), "here")
    assert done.records.select("taper", "price").row(0) == (0.04, 12.5)


def test_a_time_cell_of_a_workbook_is_hours_minutes_and_seconds() -> None:
    """A cell typed as 1:30 holds an hour and a half, whatever it was meant to be: not taken for mm:ss."""
    cells = ["1899-12-31 00:01:30", "1899-12-30 00:01:30"]
    assert values("instrument_uses", "seconds", cells, unit="hh:mm:ss", workbook=True) == [90, 90]
    assert values("instrument_uses", "seconds", cells, unit="mm:ss", workbook=True) == [None, None]


def test_a_column_has_only_units_of_what_it_measures() -> None:
    assert quantity("final_taper") == quantity("taper") == "taper"
    assert quantity("tooth") is None
    assert set(units("seconds")) == {*FACTORS["seconds"], *CLOCKS}
    for column, unit in (("tooth", "mm"), ("working_length_mm", "Ncm"), ("working_length_mm", "mm:ss"), ("size", "mm")):
        kind = next(k.name for k in KINDS.values() if column in k.names)
        required = {name: name for name in KINDS[kind].required} | {column: {"from": column, "unit": unit}}
        with pytest.raises(ValueError, match=f"{kind}.columns.{column}.unit: "):
            Mapping.model_validate({"kinds": {kind: {"columns": required}}})


@settings(deadline=None)
@given(st.data(), st.floats(1, 1000), st.sampled_from([(q, u) for q in MEASURED for u in FACTORS[q]]))
def test_units_round_trip(data: st.DataObject, ours: float, what: tuple[str, str]) -> None:
    """A value written in a unit comes back as the value, to twelve digits."""
    measured, unit = what
    many, of = FACTORS[measured][unit]
    theirs = ours / many * of
    kind, column = MEASURED[measured]
    decimal = data.draw(st.sampled_from(".,"))
    assert values(kind, column, [repr(theirs).replace(".", decimal)], unit=unit, decimal=decimal) == [
        pytest.approx(ours, rel=1e-12)
    ]


@settings(deadline=None)
@given(st.integers(0, 9999), st.integers(0, 59), st.integers(0, 59))
def test_clocks_round_trip(hours: int, minutes: int, seconds: int) -> None:
    texts = {
        "hh:mm:ss": (f"{hours}:{minutes:02}:{seconds:02}", hours * 3600 + minutes * 60 + seconds),
        "mm:ss": (f"{hours}:{seconds}", hours * 60 + seconds),
        "hh:mm": (f"{hours:02}:{minutes:02}", hours * 3600 + minutes * 60),
    }
    for unit, (text, total) in texts.items():
        assert values("instrument_uses", "seconds", [text], unit=unit) == [total]
        assert values("visits", "booked_minutes", [text], unit=unit) == [pytest.approx(total / 60)]
