"""Entries of check-values-2.json on device identifiers: by the parser, by whole columns, and by an import."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.mapping.gs1 import Gs1Error, Udi, check_digit, parse
from pipeline.mapping.udi import read_udis

from .conftest import Study
from .entries import Entry, entry, hold

FIELDS = {"01": "gtin", "10": "lot", "21": "serial"}


def scanned(of: Entry) -> str:
    """The string as a scanner sends it; the entries write the separator as <GS>."""
    return str(of["inputs"]["element_string"]).replace("<GS>", "\x1d")


def test_check_digits() -> None:
    of = entry("gs1-check-digit")
    hold(of, {"digit": [check_digit(text) for text in of["inputs"]["without_check_digit"]]})


@pytest.mark.parametrize("name", ["gs1-day-00", "gs1-expiry-lot-serial", "gs1-lot-first", "gs1-missing-separator"])
def test_element_strings(name: str, study: Study) -> None:
    of = entry(name)
    expected = of["expected"]
    said = {FIELDS[identifier]: text for identifier, text in expected["elements"] if identifier in FIELDS}
    days = [None, *expected["dates"]][-1]
    for text in (scanned(of), expected["hri"]):
        udi = parse(text)
        assert {field: getattr(udi, field) for field in ("gtin", "lot", "serial")} == {
            field: said.get(field) for field in ("gtin", "lot", "serial")
        }
        assert (udi.expires_on and udi.expires_on.isoformat()) == days
        assert read_udis(pl.Series([text])).row(0) == (udi.gtin, udi.lot, udi.serial, udi.expires_on)
    study.ingest(
        instruments=[
            {"instrument_id": said.get("serial", "I1"), "udi": scanned(of), "size": 25, "taper": 0.04, "motion": "hand"}
        ]
    )
    found = study.query("select instrument_id, lot, cast(expires_on as varchar) from instruments")
    assert found == [(said.get("serial", "I1"), said.get("lot"), days)]
    # A lost separator cannot be told from the string; that it looks lost is said.
    marked = study.query("select rule from flags where kind = 'instruments'")
    assert marked == ([("udi_separator_lost",)] if name == "gs1-missing-separator" else [])


def test_a_wrong_check_digit_is_seen(study: Study) -> None:
    of = entry("gs1-bad-check-digit")
    text = scanned(of)
    try:
        udi = parse(text)
    except Gs1Error:
        udi = Udi()
    hold(of, {"valid": udi != Udi()})
    assert read_udis(pl.Series([text])).row(0) == (None,) * 4
    study.ingest(instruments=[{"instrument_id": "I1", "udi": text, "size": 25, "taper": 0.04, "motion": "rotation"}])
    assert study.query("select lot, rule from instruments inner join flags using (batch_id, record_no)") == [
        (None, "udi_unreadable")
    ]
