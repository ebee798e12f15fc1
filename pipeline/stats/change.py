"""Difference of two independent figures from their own intervals, whatever kind of figure they are.

Source: method of variance estimates recovery, Zou GY, Donner A, Stat Med 2008;27:1693-1702. With Wilson intervals of
two shares it is Newcombe's method 10 (Stat Med 1998;17:873-890).
"""

from __future__ import annotations

import math


def difference(
    first: float, first_low: float, first_high: float, second: float, second_low: float, second_high: float
) -> tuple[float, float, float]:
    """First less second with its limits, at the confidence that the two intervals have. In the figures' own unit.

    ValueError where a figure lies outside its interval.
    """
    if not (first_low <= first <= first_high and second_low <= second <= second_high):
        raise ValueError("each figure lies inside its interval")
    d = first - second
    return (
        d,
        d - math.hypot(first - first_low, second_high - second),
        d + math.hypot(first_high - first, second - second_low),
    )
