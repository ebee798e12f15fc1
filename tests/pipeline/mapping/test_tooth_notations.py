"""Tooth notations against published tables and our own counting round the arches."""

from __future__ import annotations

import unicodedata

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.mapping.apply import apply
from pipeline.mapping.model import FileOptions, KindMapping
from pipeline.mapping.recognise import recognise
from pipeline.mapping.tooth import FDI, NOTATIONS
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
    assert set(codes.values()) == permanent | primary
    if notation in ("universal", "quadrant"):
        assert len(codes) == 52


def typed(notation: str | None, *cells: str) -> tuple[list[int | None], list[str]]:
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


# Shapes as the Unicode standard names them, and the quadrant that a bracket means: its vertical stroke is the midline
# and its horizontal one the line between the arches, as one looks at the patient (Palmer, read in a secondary copy).
# So 6 and a stroke on its right and below is upper right.
PALMER = {
    "6\u2518": (16, "BOX DRAWINGS LIGHT UP AND LEFT"),
    "\u25146": (26, "BOX DRAWINGS LIGHT UP AND RIGHT"),
    "\u250c4": (34, "BOX DRAWINGS LIGHT DOWN AND RIGHT"),
    "4\u2510": (44, "BOX DRAWINGS LIGHT DOWN AND LEFT"),
    "D\u2518": (54, "BOX DRAWINGS LIGHT UP AND LEFT"),
    "8\u23cc": (18, "DENTISTRY SYMBOL LIGHT VERTICAL AND BOTTOM LEFT"),
    "\u23bf8": (28, "DENTISTRY SYMBOL LIGHT VERTICAL AND BOTTOM RIGHT"),
    "\u23be8": (38, "DENTISTRY SYMBOL LIGHT VERTICAL AND TOP RIGHT"),
    "8\u23cb": (48, "DENTISTRY SYMBOL LIGHT VERTICAL AND TOP LEFT"),
}


@pytest.mark.parametrize(("cell", "fdi", "name"), [(cell, fdi, name) for cell, (fdi, name) in PALMER.items()])
def test_palmer_brackets(cell: str, fdi: int, name: str) -> None:
    (bracket,) = (character for character in cell if not character.isalnum())
    assert unicodedata.name(bracket) == name
    assert typed("palmer", cell, cell[::-1], f" {cell[0]} {cell[1]} ") == ([fdi] * 3, [])


def test_a_supernumerary_tooth_is_told_and_never_passes_for_a_primary_one() -> None:
    """US notation: the neighbour's number and 50 (51-82), a primary letter and S: a secondary source."""
    teeth, reasons = typed("universal", "51", "82", "as", "#58", "8")
    assert teeth == [None, None, None, None, 11]
    assert reasons[0] == "tooth: 51 (supernumerary: no FDI code) is not a whole number."
    assert all("supernumerary" in reason for reason in reasons) and len(reasons) == 4
    assert typed("fdi", "51", "82") == ([51, 82], [])


def test_palmer_takes_quadrant_codes_and_nothing_else() -> None:
    assert typed("palmer", "UR6", "ll4", "6", "9\u2518", "\u2518", "6]")[0] == [16, 34, None, None, None, None]


@pytest.mark.parametrize(
    ("name", "fdi"),
    [
        ("upper right first molar", 16),
        ("Permanent Upper Right First Molar", 16),
        ("maxillary left central incisor", 21),
        ("mandibular right third molar", 48),
        ("lower left wisdom tooth", 38),
        ("Lower left 2nd premolar", 35),
        ("first bicuspid, upper right", 14),
        ("upper-left cuspid", 23),
        ("primary upper right second molar", 55),
        ("lower left deciduous canine", 73),
        ("upper right first premolar", 14),
        ("primary upper right first premolar", None),
        ("upper first molar", None),
        ("right first molar", None),
        ("16", None),
    ],
)
def test_names_of_teeth(name: str, fdi: int | None) -> None:
    assert typed("iso names", name)[0] == [fdi]


@settings(deadline=None)
@given(st.data(), st.sampled_from(FDI), st.sampled_from(sorted(NOTATIONS)))
def test_every_tooth_comes_back_from_every_spelling(data: st.DataObject, fdi: str, notation: str) -> None:
    spellings = [spelling for spelling, code in NOTATIONS[notation].items() if code == fdi]
    spelling = data.draw(st.sampled_from(spellings))
    shown = data.draw(st.sampled_from([spelling, spelling.upper(), spelling.lower(), f" {spelling} "]))
    assert typed(notation, shown) == ([int(fdi)], [])


def test_there_are_52_teeth_and_numbers_between_are_none() -> None:
    """ISO 3950: permanent 11-18 to 41-48, primary 51-55 to 81-85; 19, 49 and 56 are no teeth."""
    assert len(FDI) == len(set(FDI)) == 52
    assert not {"19", "49", "56", "10", "20", "29"} & set(FDI)


@pytest.mark.parametrize(
    ("cells", "teeth"),
    [
        (["16", "36"], [16, 36]),
        (["16", "30"], [3 + 25, 46]),  # 30 is no FDI code; so 16 is the upper left third molar
        (["A", "16"], [55, 28]),
        (["55", "16", "36"], [55, 16, 36]),
        (["K", "", "3"], [75, None, 16]),
        (["6\u2518", "UR6"], [16, 16]),
        (["upper right first molar"], [16]),
        (["#3", "30"], [16, 46]),
        (["16.0", "36.0"], [16, 36]),
    ],
)
def test_the_file_itself_may_decide(cells: list[str], teeth: list[int | None]) -> None:
    assert typed(None, *cells) == (teeth, [])


def test_a_number_that_no_notation_has_decides_nothing() -> None:
    """Codes between the quadrants are numbers, and refused by a rule later."""
    assert typed(None, "16", "36", "49", "soon")[0] == [16, 36, 49, None]
    assert typed(None, "56", "")[0] == [56, None]


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        (
            ["16", "26", "11"],
            "treatments.tooth: every tooth in it is valid both as an FDI code and as a Universal number",
        ),
        (["31", "32", "99"], "valid both"),
        (["55", "16"], "valid both"),  # a supernumerary tooth beside the Universal 5, or an upper right primary molar
        (["51", "61", "74", "82"], "valid both"),
        (["36", "30"], "some of its teeth are only fdi, others only universal"),
        (["3", "UR6"], "some of its teeth are only universal, others only palmer"),
    ],
)
def test_what_can_be_read_in_two_ways_must_be_declared(cells: list[str], says: str) -> None:
    with pytest.raises(UserError) as caught:
        typed(None, *cells)
    assert says in str(caught.value)
    assert 'notation = "fdi"' in str(caught.value)


def test_the_18_shared_numbers_are_those_of_both_tables() -> None:
    """11-18, 21-28, 31 and 32 (computed from the two tables)."""
    shared = {int(n) for n in set(FDI) & set(NOTATIONS["universal"])}
    assert shared == {*range(11, 19), *range(21, 29), 31, 32}
    for number in shared:
        with pytest.raises(UserError, match="valid both"):
            typed(None, str(number))


def test_our_own_headers_are_fdi_by_contract() -> None:
    header = ("treatment_id", "patient_id", "tooth", "dentist", "kind", "started_on", "status")
    (how,) = recognise(header, "treatments.csv", as_kind=None, mapping=None)
    rows = pl.DataFrame(
        {"source_row": [2], "c0": "a", "c1": "b", "c2": "11", "c3": "d", "c4": "e", "c5": "f", "c6": "g"}
    )
    assert apply(RawTable(header, rows), "treatments", how.mapping, how.options, "here").records["tooth"].to_list() == [
        11
    ]


def test_a_word_for_a_tooth_is_translated_before_the_notation_is_told() -> None:
    words = {"from": "Zahn", "values": {"links unten 6": "36", "?": ""}}
    mapping = KindMapping.model_validate({"columns": {"tooth": words}})
    rows = pl.DataFrame({"source_row": [2, 3, 4], "c0": ["Links unten 6", "16", "?"]})
    done = apply(RawTable(("Zahn",), rows), "treatments", mapping, FileOptions(), "practice")
    assert done.records["tooth"].to_list() == [36, 16, None]
