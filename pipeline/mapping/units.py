"""Units of an export -> those of our columns: mm, seconds or minutes, N cm, ml, taper in mm per mm, pain from 0 to 10.

What a column measures is the unit that its name ends in. A unit is declared for a column in the mapping file, never
told from the values. Factors are exact by definition: 1 inch is 25.4 mm (international yard and pound agreement, 1959)
and standard gravity 9.80665 m/s2 (3rd General Conference on Weights and Measures, 1901) makes 1 g cm 0.00980665 N cm.
"""

from __future__ import annotations

import polars as pl

# By what a column measures: one unit of the export is so many of ours, as numerator and denominator, since 7 * 0.01 is
# not the number 0.07 and 7 / 100 is.
FACTORS: dict[str, dict[str, tuple[int, int]]] = {
    "mm": {"mm": (1, 1), "0.1 mm": (1, 10), "cm": (10, 1), "inch": (254, 10)},
    "ncm": {"Ncm": (1, 1), "Nmm": (1, 10), "mNm": (1, 10), "gcm": (980_665, 100_000_000)},
    "seconds": {"seconds": (1, 1), "minutes": (60, 1), "milliseconds": (1, 1000)},
    "minutes": {"minutes": (1, 1), "seconds": (1, 60), "hours": (60, 1)},
    "taper": {"mm/mm": (1, 1), "percent": (1, 100)},
    "rpm": {"rpm": (1, 1), "1/s": (60, 1)},
    "ml": {"ml": (1, 1), "cl": (10, 1)},
    # A numerical rating from 0 to 10, or a visual analogue scale of 100 mm.
    "score": {"0-10": (1, 1), "0-100": (1, 10)},
}
# What stands where an instrument has no single taper: it is kept without one.
VARIABLE_TAPER = (
    *("variable", "var", "var.", "variable taper", "multi", "multitaper", "progressive", "variabel", "progressiv"),
    *("conicité variable", "conicidad variable", "conicità variabile", "zmienna"),
)
# Times written with colons: how many seconds each part is, from the left.
CLOCKS: dict[str, tuple[int, ...]] = {"mm:ss": (60, 1), "hh:mm": (3600, 60), "hh:mm:ss": (3600, 60, 1)}
_SECONDS = {"seconds": 1, "minutes": 60}


def quantity(column: str) -> str | None:
    """What a column measures: the unit that its name ends in; None where it has no unit."""
    last = column.rsplit("_", 1)[-1]
    return last if last in FACTORS else None


def units(column: str) -> tuple[str, ...]:
    """The units that may be declared for a column."""
    what = quantity(column)
    return (*FACTORS.get(what or "", ()), *(CLOCKS if what in _SECONDS else ()))


def from_clock(text: pl.Expr, column: str, unit: str) -> pl.Expr:
    """A time written with colons in our unit; null where it is none (parts after the first are below 60)."""
    parts = CLOCKS[unit]
    shape = r"^\d{1,4}" + r":[0-5]?\d" * (len(parts) - 1) + (r"(?:[.,]\d+)?$" if parts[-1] == 1 else "$")
    pieces = text.str.replace(",", ".", literal=True).str.split(":")
    seconds = pl.sum_horizontal(
        pieces.list.get(i, null_on_oob=True).cast(pl.Float64, strict=False) * each for i, each in enumerate(parts)
    )
    return pl.when(text.str.contains(shape)).then(seconds / _SECONDS[quantity(column) or ""])


def from_number(number: pl.Expr, column: str, unit: str) -> pl.Expr:
    """A number of the export in our unit; null where it contradicts the declared one."""
    many, of = FACTORS[quantity(column) or ""][unit]
    if unit == "percent":
        # A taper of 0.04 in a column declared as per cent is a contradiction and no taper of 0.0004.
        number = pl.when((number == 0) | (number >= 1)).then(number)
    if many != 1:
        number = number * many
    return number / of if of != 1 else number
