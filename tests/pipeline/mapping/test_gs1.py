"""GS1 element strings against the published examples of GS1 member organisations and the syntax dictionary."""

import datetime as dt

import pytest

from pipeline.mapping.gs1 import Gs1Error, check_digit, date, parse, valid_gtin


@pytest.mark.parametrize(
    ("digits", "expected"),
    [("629104150021", 3), ("890400021003", 7), ("730001100001", 7)],
    ids=["GS1 Hong Kong calculator", "GS1 example", "GS1 Sweden"],
)
def test_check_digit_of_published_examples(digits: str, expected: int) -> None:
    assert check_digit(digits) == expected


def test_check_digit_misses_a_swap_of_digits_five_apart() -> None:
    assert not valid_gtin("6291041500231")
    assert valid_gtin("6291041050213")  # wrong, and known to pass: the sum does not change


def test_full_string_of_gs1_sweden_in_both_forms() -> None:
    printed = parse("(01)07300016350759(11)230811(10)110822(21)5643")
    assert printed == parse("]d2010730001635075911230811" + "10110822\x1d" + "215643")
    assert (printed.gtin, printed.lot, printed.serial) == ("07300016350759", "110822", "5643")
    assert printed.produced_on == dt.date(2023, 8, 11)


def test_day_00_is_the_last_day_of_the_month() -> None:
    """From memory of the General Specifications; the syntax dictionary names the format yymmd0."""
    assert date("270200") == dt.date(2027, 2, 28)
    assert date("280200") == dt.date(2028, 2, 29)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("(01)07300016350750", "check digit"),
        ("(01)0730001635075", "14 digits"),
        ("(17)271301", "does not exist"),
        ("(21)5643", "needs a GTIN"),
        ("(10)" + "x" * 21, "1 to 20"),
        ("(10)A(10)B", "twice"),
        ("990123", "not one of"),
        ("lot 7", "not one of"),
        ("", "empty"),
    ],
)
def test_what_is_wrong_is_said(text: str, says: str) -> None:
    with pytest.raises(Gs1Error, match=says):
        parse(text)
