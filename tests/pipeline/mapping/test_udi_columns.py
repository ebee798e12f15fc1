"""Device identifiers of whole columns: as gs1.py reads each, and what an instrument's record takes from them."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.mapping.apply import Typed, apply
from pipeline.mapping.gs1 import Gs1Error, check_digit, parse
from pipeline.mapping.model import FileOptions, KindMapping, Mapping
from pipeline.mapping.udi import read_udis
from pipeline.sources.table import RawTable

PRINTED = "(01)07300016350759(11)230811(10)110822(21)5643"  # the example of GS1 Sweden
SCANNED = "]d2010730001635075911230811" + "10110822\x1d" + "215643"


def read(text: str | None) -> tuple[str | None, str | None, str | None, dt.date | None]:
    return read_udis(pl.Series([text], dtype=pl.String)).row(0)


def test_both_forms_of_the_published_example() -> None:
    assert read(PRINTED) == read(SCANNED) == ("07300016350759", "110822", "5643", None)


@pytest.mark.parametrize(
    "text",
    [
        "(01)6291041500231",  # GS1 Hong Kong's example with a wrong check digit, and 13 digits
        "(01)07300016350750",  # wrong check digit
        "(21)5643",  # a serial needs a GTIN
        "(01)07300016350759(17)271301",
        "(01)07300016350759(10)A(10)B",
        "0107300016350759(17)270200",
        "7.30002E+12",
        "7300016350759",
        "lot 7",
        "(",
        "",
        None,
    ],
)
def test_what_cannot_be_read_says_nothing(text: str | None) -> None:
    assert read(text) == (None,) * 4


def test_an_expiry_without_a_day_is_the_end_of_its_month() -> None:
    """From memory of the General Specifications; the syntax dictionary names the format yymmd0."""
    assert read("(17)270200")[3] == dt.date(2027, 2, 28)
    assert read("(17)280200")[3] == dt.date(2028, 2, 29)


def test_an_element_that_stands_twice_is_not_read() -> None:
    """The parser takes it when both say the same; here it is rather left to the person."""
    assert parse("(10)A(10)A").lot == "A"
    assert read("(10)A(10)A") == (None,) * 4


DIGITS = st.text("0123456789", min_size=13, max_size=13)
VALUES = st.text(r"""!"%&'()*+,-./0123456789:;<=>?ABCXYZ_abcxyz""", min_size=1, max_size=21)
DATES = st.one_of(
    st.dates(dt.date(2000, 1, 1), dt.date(2070, 12, 31)).map(lambda day: f"{day:%y%m%d}"),
    st.integers(0, 991399).map(lambda n: f"{n:06}"),
)
ELEMENTS = st.lists(
    st.one_of(
        st.tuples(st.just("01"), DIGITS.map(lambda digits: f"{digits}{check_digit(digits)}")),
        st.tuples(st.sampled_from(["11", "17"]), DATES),
        st.tuples(st.sampled_from(["10", "21"]), VALUES),
        st.tuples(st.just("240"), VALUES),
    ),
    max_size=6,
    unique_by=lambda element: element[0],
)


def written(elements: list[tuple[str, str]], scanned: bool) -> str:
    if not scanned:
        return "".join(f"({identifier}){value}" for identifier, value in elements)
    return "".join(i + value + ("\x1d" if i in ("10", "21", "240") else "") for i, value in elements)


@settings(deadline=None)
@given(ELEMENTS, st.booleans(), st.data())
def test_columns_say_what_the_parser_says(elements: list[tuple[str, str]], scanned: bool, data: st.DataObject) -> None:
    """Also where a character went missing."""
    text = written(elements, scanned)
    if text and data.draw(st.booleans()):
        at = data.draw(st.integers(0, len(text) - 1))
        text = text[:at] + text[at + 1 :]
    try:
        udi = parse(text)
    except Gs1Error:
        assert read(text) == (None,) * 4
        return
    assert read(text) == (udi.gtin, udi.lot, udi.serial, udi.expires_on)


def instruments(columns: dict[str, str], **cells: list[str]) -> Typed:
    mapping = {"columns": columns, "constants": {"size": "25", "taper": "0.04", "motion": "rotation"}}
    Mapping.model_validate({"kinds": {"instruments": mapping}})
    many = len(next(iter(cells.values())))
    rows = pl.DataFrame(
        {"source_row": pl.Series(range(2, many + 2), dtype=pl.Int64)}
        | {f"c{i}": c for i, c in enumerate(cells.values())}
    )
    return apply(
        RawTable(tuple(cells), rows), "instruments", KindMapping.model_validate(mapping), FileOptions(), "here"
    )


def test_lot_expiry_and_serial_are_filled_where_the_export_leaves_them_empty() -> None:
    udi = "(01)07300016350759(17)270200(10)110822(21)5643"
    done = instruments(
        {"udi": "U", "instrument_id": "I", "lot": "L", "expires_on": "E"},
        U=[udi, udi, "7.3E+12", ""],
        I=["", "7", "8", "9"],
        L=["", "L1", "", "L2"],
        E=["", "2026-12-31", "", ""],
    )
    assert done.records.select("instrument_id", "lot", "expires_on", "udi").rows() == [
        ("5643", "110822", dt.date(2027, 2, 28), udi),
        ("7", "L1", dt.date(2026, 12, 31), udi),
        ("8", None, None, "7.3E+12"),
        ("9", "L2", None, None),
    ]
    assert done.faults.height == 0


def test_the_serial_may_be_all_that_names_an_instrument() -> None:
    assert instruments({"udi": "U"}, U=[PRINTED, "(10)A"]).records["instrument_id"].to_list() == ["5643", None]
    with pytest.raises((UserError, ValueError), match="lacks the required columns instrument_id"):
        instruments({"lot": "L"}, L=["A"])
