"""How strong something not allowed for would have to be to explain a ratio of shares away.

Source: VanderWeele TJ, Ding P, Ann Intern Med 2017;167:268-274.
"""

from __future__ import annotations

import math


def e_value(ratio: float) -> float:
    """RR + sqrt(RR (RR - 1)) of a ratio of shares or its inverse, whichever is 1 or more.

    Something tied to both the choice and the outcome by ratios of at least this size each, beyond what was allowed for,
    could explain the ratio; weaker it could not. ValueError unless the ratio is positive and finite.
    """
    if not (0 < ratio < math.inf):
        raise ValueError(f"a ratio of shares is positive, not {ratio!r}")
    rr = max(ratio, 1 / ratio)
    return rr + math.sqrt(rr * (rr - 1))


def e_value_of_limit(low: float, high: float) -> float:
    """The E-value of the limit nearest 1; exactly 1 where the interval holds 1. ValueError unless 0 <= low <= high."""
    if not 0 <= low <= high:
        raise ValueError("limits of a ratio are not negative, the lower one first")
    return 1.0 if low <= 1 <= high else e_value(low if low > 1 else high)
