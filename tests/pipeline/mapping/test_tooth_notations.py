"""Tooth notations against published tables and our own counting round the arches."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.mapping.apply import apply
from pipeline.mapping.model import FileOptions, KindMapping
from pipeline.mapping.tooth import NOTATIONS
from pipeline.sources.table import RawTable

# Pairs by source: "counted" is our own counting along the arches as the Universal system is defined (upper right third
# molar is 1, on to the upper left, then lower left 17 to lower right 32); the FDI codes are those of ISO 3950.
UNIVERSAL = {
    "3": ("16", "counted"),
    "8": ("11", "counted"),
    "9": ("21", "counted"),
    "14": ("26", "counted"),
    "17": ("38", "counted"),
    "32": ("48", "counted"),
    "19": ("36", "counted"),
    "24": ("31", "counted"),
    "25": ("41", "counted"),
    "30": ("46", "a published table, read in a secondary copy"),
    "A": ("55", "counted"),
    "T": ("85", "counted"),
    "K": ("75", "counted"),
}
QUADRANT = {"UR6": "16", "LL4": "34"}  # from memory of the trade's notation; no source at hand


@pytest.mark.parametrize(("number", "fdi"), [(n, fdi) for n, (fdi, _) in UNIVERSAL.items()])
def test_universal_numbers(number: str, fdi: str) -> None:
    assert NOTATIONS["universal"][number] == fdi


def test_universal_numbers_in_closed_form() -> None:
    """Number U: 19 - U, 12 + U, 55 - U and 16 + U in the four quadrants (computed)."""
    closed = {
        **{u: 19 - u for u in range(1, 9)},
        **{u: 12 + u for u in range(9, 17)},
        **{u: 55 - u for u in range(17, 25)},
        **{u: 16 + u for u in range(25, 33)},
    }
    assert {int(n): int(fdi) for n, fdi in NOTATIONS["universal"].items() if n.isdigit()} == closed


@pytest.mark.parametrize(("code", "fdi"), QUADRANT.items())
def test_quadrant_codes(code: str, fdi: str) -> None:
    assert NOTATIONS["quadrant"][code] == fdi


@pytest.mark.parametrize("notation", NOTATIONS)
def test_a_notation_names_every_tooth_once(notation: str) -> None:
    permanent = {f"{quadrant}{tooth}" for quadrant in range(1, 5) for tooth in range(1, 9)}
    primary = {f"{quadrant}{tooth}" for quadrant in range(5, 9) for tooth in range(1, 6)}
    codes = NOTATIONS[notation]
    assert len(codes) == {"palmer": 5 * 52}.get(notation, 52) or notation == "iso names"
    assert set(codes.values()) == permanent | primary


def typed(notation: str, *cells: str) -> tuple[list[int | None], list[str]]:
    mapping = KindMapping.model_validate({"columns": {"tooth": {"from": "Zahn", "notation": notation}}})
    raw = RawTable(("Zahn",), pl.DataFrame({"source_row": range(2, len(cells) + 2), "c0": cells}))
    done = apply(raw, "treatments", mapping, FileOptions(), "practice")
    return done.records["tooth"].to_list(), done.faults["reason"].to_list()


def test_teeth_come_as_fdi_codes_whatever_the_case() -> None:
    assert typed("universal", "3", "30", "a", " T ", "") == ([16, 46, 55, 85, None], [])
    assert typed("quadrant", "ur6", "LL4", "URA") == ([16, 34, 51], [])
    assert typed("fdi", "16", "85") == ([16, 85], [])


def test_a_number_of_another_notation_never_passes_for_an_fdi_code() -> None:
    """33 would be a lower canine in FDI; in the Universal system there is no such tooth."""
    teeth, reasons = typed("universal", "33", "16", "U")
    assert teeth == [None, 28, None]
    assert reasons == [
        "tooth: 33 (no universal tooth) is not a whole number.",
        "tooth: U (no universal tooth) is not a whole number.",
    ]
    assert typed("quadrant", "16", "UR9")[0] == [None, None]
