"""The change between two periods, from the intervals of both."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stats.change import difference
from pipeline.stats.proportions import newcombe_difference, wilson

# Newcombe 1998, Stat Med 17:873, table II, method 10 (from memory; recomputed): 56/70 less 48/80, 9/10 less 3/10.
PUBLISHED = [(56, 70, 48, 80, 0.2, 0.0524, 0.3339), (9, 10, 3, 10, 0.6, 0.1705, 0.8090)]


def of_shares(x1: int, n1: int, x2: int, n2: int) -> tuple[float, float, float]:
    (low1, high1), (low2, high2) = wilson(x1, n1), wilson(x2, n2)
    return difference(x1 / n1, float(low1), float(high1), x2 / n2, float(low2), float(high2))


@pytest.mark.parametrize(("x1", "n1", "x2", "n2", "d", "low", "high"), PUBLISHED)
def test_published_differences_of_shares(x1: int, n1: int, x2: int, n2: int, d: float, low: float, high: float) -> None:
    assert of_shares(x1, n1, x2, n2) == pytest.approx((d, low, high), abs=5e-5)


@given(st.integers(1, 500), st.integers(1, 500), st.floats(0, 1), st.floats(0, 1))
def test_with_wilson_limits_it_is_newcombes_difference(n1: int, n2: int, p1: float, p2: float) -> None:
    x1, x2 = round(p1 * n1), round(p2 * n2)
    expected = [float(v) for v in newcombe_difference(x1, n1, x2, n2)]
    assert of_shares(x1, n1, x2, n2) == pytest.approx(expected, abs=1e-12)


def test_a_figure_outside_its_interval_is_refused() -> None:
    with pytest.raises(ValueError, match="inside its interval"):
        difference(1, 2, 3, 1, 0, 2)
