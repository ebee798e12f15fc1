"""Tooth notations -> FDI two-digit codes (ISO 3950).

- universal: 1-16 from the upper right third molar to the upper left, 17-32 from the lower left to the lower right;
  primary teeth are A-T in the same order. Supernumerary teeth are 51-82 (their neighbour's number and 50) and AS-TS.
  FDI has no code for them, and 51-55, 61-65, 71-75, 81 and 82 are codes of primary teeth, for which they never pass.
- quadrant: the patient's quadrant (UR, UL, LL, LR) and the place counted from the midline: UR6, LL4; primary teeth have
  letters (URA-URE). From memory of the trade's usage.
- palmer: the same places with a bracket that opens away from the midline, on either side of the number (6┘, ┘6), or as
  quadrant codes. Unicode has the brackets as box drawings and once more as dentistry symbols.
- iso names: the words, "upper right first molar", "primary lower left canine". A name that does not say primary or
  deciduous means the permanent tooth.
"""

from __future__ import annotations

from itertools import product

import polars as pl

QUADRANTS = {"UR": "1", "UL": "2", "LL": "3", "LR": "4"}
# Box drawing, then the dentistry symbol of the same shape.
BRACKETS = {"UR": "\u2518\u23cc", "UL": "\u2514\u23bf", "LR": "\u2510\u23cb", "LL": "\u250c\u23be"}

FDI: tuple[str, ...] = (
    *(f"{quadrant}{place}" for quadrant in range(1, 5) for place in range(1, 9)),
    *(f"{quadrant}{place}" for quadrant in range(5, 9) for place in range(1, 6)),
)


class UnclearNotationError(ValueError):
    """Which notation the teeth are written in is not to be told from them; says why, as a plain phrase."""


def _universal() -> dict[str, str]:
    permanent = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]
    primary = [*range(55, 50, -1), *range(61, 66), *range(75, 70, -1), *range(81, 86)]
    numbers = {str(number): str(fdi) for number, fdi in enumerate(permanent, start=1)}
    letters = dict(zip("ABCDEFGHIJKLMNOPQRST", map(str, primary), strict=True))
    return numbers | letters


def _quadrant() -> dict[str, str]:
    codes: dict[str, str] = {}
    for name, number in QUADRANTS.items():
        codes |= {f"{name}{tooth}": f"{number}{tooth}" for tooth in range(1, 9)}
        codes |= {f"{name}{letter}": f"{int(number) + 4}{tooth}" for tooth, letter in enumerate("ABCDE", start=1)}
    return codes


def _palmer() -> dict[str, str]:
    quadrant = _quadrant()
    codes = dict(quadrant)
    for name, brackets in BRACKETS.items():
        for place, bracket in product("12345678ABCDE", brackets):
            codes |= dict.fromkeys((place + bracket, bracket + place), quadrant[name + place])
    return codes


def _names() -> dict[str, str]:
    arches = {"U": ("upper", "maxillary"), "L": ("lower", "mandibular")}
    sides = {"R": "right", "L": "left"}
    front = ["central incisor", "lateral incisor", "canine"]
    teeth = {
        0: [*front, "first premolar", "second premolar", "first molar", "second molar", "third molar"],
        4: [*front, "first molar", "second molar"],
    }
    other_words = {"canine": "cuspid", "premolar": "bicuspid", "third molar": "wisdom tooth"}
    dentitions = {0: ("", "permanent"), 4: ("primary", "deciduous")}
    codes: dict[str, str] = {}
    for dentition, quadrant in product(teeth, QUADRANTS):
        for place, word in enumerate(teeth[dentition], start=1):
            words = {word} | {word.replace(usual, other) for usual, other in other_words.items()}
            fdi = f"{int(QUADRANTS[quadrant]) + dentition}{place}"
            for tooth, arch, which in product(sorted(words), arches[quadrant[0]], dentitions[dentition]):
                side = sides[quadrant[1]]
                spellings = (
                    f"{which} {arch} {side} {tooth}",
                    f"{which} {side} {arch} {tooth}",
                    f"{arch} {side} {which} {tooth}",
                    f"{arch} {which} {tooth} {side}",
                    f"{which} {tooth} {arch} {side}",
                )
                codes |= {" ".join(spelling.split()): fdi for spelling in spellings}
    return codes


# Supernumerary teeth in Universal numbers (a secondary source): known, and without an FDI code.
SUPERNUMERARY = (*map(str, range(51, 83)), *(f"{letter}S" for letter in "ABCDEFGHIJKLMNOPQRST"))

NOTATIONS: dict[str, dict[str, str]] = {
    "universal": _universal(),
    "quadrant": _quadrant(),
    "palmer": _palmer(),
    "iso names": _names(),
}
_EVERY = {"fdi": {code: code for code in FDI}, **NOTATIONS}


def _plain(text: pl.Expr, notation: str) -> pl.Expr:
    """A tooth as the tables spell it."""
    if notation == "iso names":
        text = text.str.to_lowercase().str.replace_all(r"[\s,_-]+", " ").str.strip_chars()
        for figure, word in (("1st", "first"), ("2nd", "second"), ("3rd", "third")):
            text = text.str.replace(figure, word, literal=True)
        return text
    if notation in ("fdi", "universal"):  # as sheets and forms write numbers: 16.0, #3, 03
        text = text.str.replace(r"^([1-9]\d*)\.0+$" if notation == "fdi" else r"^#?\s*0*([1-9]\d*)(?:\.0+)?$", "$1")
    return text.str.to_uppercase().str.replace_all(r"\s+", "")


def to_fdi(text: pl.Expr, notation: str, *, otherwise: pl.Expr | None = None) -> pl.Expr:
    """The FDI code of a tooth written in `notation`; `otherwise` (null) where that has no such tooth."""
    table = _EVERY[notation]
    default = pl.lit(None, pl.String) if otherwise is None else otherwise
    plain = _plain(text, notation)
    code = plain.replace_strict(table, default=default, return_dtype=pl.String)
    if notation == "universal" and otherwise is not None:
        said = pl.format("{} (supernumerary: no FDI code)", text)
        code = pl.when(plain.is_in(SUPERNUMERARY)).then(said).otherwise(code)
    return pl.when(text.is_not_null()).then(code)


def tell_notation(teeth: pl.Series) -> str:
    """The one notation that explains the teeth of a file, where the file itself decides; else UnclearNotationError.

    What decides is a tooth that only one notation has: 36 is no Universal number, 30 and K are no FDI codes; 11 and 21
    are both (ISO 3950 and the Universal system share 11-18, 21-28, 31 and 32, with supernumerary teeth also 51-55,
    61-65, 71-75, 81 and 82). FDI where no tooth is known at all.
    """
    names = ("fdi", "universal", "palmer", "iso names")  # what is a quadrant code is one of palmer too
    both = [code for code in FDI if code in SUPERNUMERARY]
    known = pl.DataFrame({"tooth": teeth.drop_nulls().unique()}).select(
        to_fdi(pl.col("tooth"), name).is_not_null().alias(name)
        | (pl.lit(name == "universal") & _plain(pl.col("tooth"), "universal").is_in(both))
        for name in names
    )
    known = known.with_columns(alone=pl.sum_horizontal(names) == 1)
    decided = [name for name in names if (known[name] & known["alone"]).any()]
    if len(decided) == 1:
        return decided[0]
    if decided:
        raise UnclearNotationError(f"some of its teeth are only {', others only '.join(decided)}")
    if any(known[name].any() for name in names):
        raise UnclearNotationError("every tooth in it is valid both as an FDI code and as a Universal number")
    return "fdi"
