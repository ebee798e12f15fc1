"""Tooth notations -> FDI two-digit codes (ISO 3950).

Universal numbers run 1-16 from the upper right third molar to the upper left, 17-32 from the lower left to the lower
right; primary teeth are A-T in the same order. Quadrant notation names the patient's quadrant (UR, UL, LL, LR) and
counts from the midline: UR6, LL4; primary teeth have letters (URA-URE).
"""

from __future__ import annotations


def _universal() -> dict[str, str]:
    permanent = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]
    primary = [*range(55, 50, -1), *range(61, 66), *range(75, 70, -1), *range(81, 86)]
    numbers = {str(number): str(fdi) for number, fdi in enumerate(permanent, start=1)}
    letters = dict(zip("ABCDEFGHIJKLMNOPQRST", map(str, primary), strict=True))
    return numbers | letters


def _quadrant() -> dict[str, str]:
    codes: dict[str, str] = {}
    for number, name in enumerate(("UR", "UL", "LL", "LR"), start=1):
        codes |= {f"{name}{tooth}": f"{number}{tooth}" for tooth in range(1, 9)}
        codes |= {f"{name}{letter}": f"{number + 4}{tooth}" for tooth, letter in enumerate("ABCDE", start=1)}
    return codes


NOTATIONS: dict[str, dict[str, str]] = {"universal": _universal(), "quadrant": _quadrant()}
