"""Tooth notations -> FDI two-digit codes (ISO 3950).

Universal numbers run 1-16 from the upper right third molar to the upper left, 17-32 from the lower left to the lower
right; primary teeth are A-T in the same order.
"""

from __future__ import annotations


def _universal() -> dict[str, str]:
    permanent = [18 - i for i in range(8)] + [21 + i for i in range(8)] + [38 - i for i in range(8)] + [41 + i for i in range(8)]
    primary = [55 - i for i in range(5)] + [61 + i for i in range(5)] + [75 - i for i in range(5)] + [81 + i for i in range(5)]
    numbers = {str(number): str(fdi) for number, fdi in enumerate(permanent, start=1)}
    letters = dict(zip("ABCDEFGHIJKLMNOPQRST", map(str, primary), strict=True))
    return numbers | letters


NOTATIONS: dict[str, dict[str, str]] = {"universal": _universal()}
