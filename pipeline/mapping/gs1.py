"""GS1 element strings: what the bar code of an instrument's package says (GTIN, lot, serial, dates).

Read in two forms: with brackets, as printed for people, (01)07300016350759(17)270200(10)A1, and as a scanner gives it,
where a variable-length element ends with FNC1 (sent as the group separator, character 29). Source: GS1 General
Specifications; application identifiers as in the GS1 syntax dictionary (01: 14 digits with check digit; 11 and 17: six
digits YYMMDD; 10 and 21: up to 20 characters).
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass

_FNC1 = "\x1d"
_FIXED = {"01": 14, "11": 6, "17": 6}
_VARIABLE = {"10": 20, "21": 20}
_SYMBOLOGY = re.compile(r"^\](?:C1|e0|d2|Q3|J1)")  # what a scanner may put in front to name the kind of bar code
_CHARACTERS = re.compile(r"[!\"%&'()*+,\-./0-9:;<=>?A-Z_a-z]+")  # GS1 character set 82


class Gs1Error(ValueError):
    """Why a text is no valid element string, as a plain phrase."""


@dataclass(frozen=True)
class Udi:
    """What an element string says; None where it says nothing."""

    gtin: str | None = None
    produced_on: dt.date | None = None
    expires_on: dt.date | None = None
    lot: str | None = None
    serial: str | None = None


def check_digit(digits: str) -> int:
    """The check digit of a GTIN without it: weights 3, 1, 3 ... from the right, the sum's distance to the next ten."""
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(digits)))
    return -total % 10


def valid_gtin(gtin: str) -> bool:
    """Whether a GTIN of 8, 12, 13 or 14 digits ends in its check digit (a swap of digits 5 apart goes unseen)."""
    return bool(re.fullmatch(r"\d{8}|\d{12,14}", gtin)) and check_digit(gtin[:-1]) == int(gtin[-1])


def date(yymmdd: str) -> dt.date:
    """A GS1 date: day 00 is the last day of the month; the century is the one within 50 years of today's."""
    if not re.fullmatch(r"\d{6}", yymmdd):
        raise Gs1Error("a date is not six digits")
    year, month, day = int(yymmdd[:2]), int(yymmdd[2:4]), int(yymmdd[4:])
    this = dt.date.today().year
    year += this - this % 100
    if year - this >= 51:
        year -= 100
    elif year - this <= -50:
        year += 100
    try:
        return dt.date(year, month, day or calendar.monthrange(year, month)[1])
    except (ValueError, calendar.IllegalMonthError):
        raise Gs1Error("a date does not exist") from None


def parse(text: str) -> Udi:
    """Read an element string in either form. Gs1Error says what is wrong with it."""
    text = _SYMBOLOGY.sub("", text.strip())
    elements = _bracketed(text) if text.startswith("(") else _scanned(text)
    if "01" in elements and not valid_gtin(elements["01"]):
        raise Gs1Error("the check digit of the GTIN is wrong")
    if "21" in elements and "01" not in elements:
        raise Gs1Error("a serial (21) needs a GTIN (01)")
    return Udi(
        gtin=elements.get("01"),
        produced_on=date(elements["11"]) if "11" in elements else None,
        expires_on=date(elements["17"]) if "17" in elements else None,
        lot=elements.get("10"),
        serial=elements.get("21"),
    )


def _bracketed(text: str) -> dict[str, str]:
    # Values may hold brackets themselves; only two to four digits in brackets open an element.
    parts = re.split(r"\((\d{2,4})\)", text)
    if parts[0]:
        raise Gs1Error("it does not begin with an application identifier")
    elements: dict[str, str] = {}
    for identifier, value in zip(parts[1::2], parts[2::2], strict=True):
        _add(elements, identifier, value)
    return elements


def _scanned(text: str) -> dict[str, str]:
    text = text.lstrip(_FNC1)
    elements: dict[str, str] = {}
    while text:
        identifier = text[:2]
        if identifier in _FIXED:
            end = 2 + _FIXED[identifier]
            value, text = text[2:end], text[end:].removeprefix(_FNC1)
        elif identifier in _VARIABLE:
            value, _, text = text[2:].partition(_FNC1)
        else:
            raise Gs1Error(f"application identifier {identifier} is not one of 01, 10, 11, 17, 21")
        _add(elements, identifier, value)
    if not elements:
        raise Gs1Error("it is empty")
    return elements


def _add(elements: dict[str, str], identifier: str, value: str) -> None:
    value = value.rstrip(_FNC1)
    if identifier in elements and elements[identifier] != value:
        raise Gs1Error(f"({identifier}) stands twice and says different things")
    if identifier in _FIXED and not re.fullmatch(rf"\d{{{_FIXED[identifier]}}}", value):
        raise Gs1Error(f"({identifier}) is not {_FIXED[identifier]} digits")
    if identifier in _VARIABLE and not (_CHARACTERS.fullmatch(value) and len(value) <= _VARIABLE[identifier]):
        raise Gs1Error(f"({identifier}) is not 1 to {_VARIABLE[identifier]} characters of the GS1 set")
    elements[identifier] = value
