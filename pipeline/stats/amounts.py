"""Amounts (cost, instruments, revolutions): the mean with Student's t, from sums that SQL can make.

Source: the classical t interval; with clusters, the ratio estimator of Cochran WG, Sampling Techniques, 3rd ed. 1977,
chapter 9 (from memory), the variance that Rao and Scott use for shares.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ._common import Floats, tail

_ROUNDING = 1e-12  # of a sum of squares: less is what floating point leaves of equal amounts


def mean_interval(
    total: npt.ArrayLike,
    n: npt.ArrayLike,
    sum_yy: npt.ArrayLike,
    clusters: npt.ArrayLike | None = None,
    sum_yn: npt.ArrayLike | None = None,
    sum_nn: npt.ArrayLike | None = None,
    confidence: float = 0.95,
    sum_squares: npt.ArrayLike | None = None,
) -> tuple[Floats, Floats, Floats]:
    """Mean of an amount with its t interval, (mean, low, high), in the amount's unit; arrays, one element a group.

    Plain: `total` is the sum of the n amounts, `sum_yy` the sum of their squares. Clustered: a cluster c (a patient)
    has amounts that add up to y_c over n_c units; `clusters` is the number m of clusters, `sum_yy` the sum of y_c**2,
    `sum_yn` of y_c * n_c, `sum_nn` of n_c**2. With one unit a cluster both are the classical interval.

    v = m/(m-1) * sum((y_c - n_c mean)**2) / N**2, with m - 1 degrees of freedom; with `sum_squares`, the squares of the
    single amounts, v is never less than that of independent units. NaN for the mean where n = 0, for the limits where
    m < 2 or where nothing varies: amounts that happen to be equal do not tell how far they can differ. Sums of squares
    of amounts much larger than their spread lose digits: subtract a constant first.
    """
    from scipy.special import stdtrit

    if (clusters is None) != (sum_yn is None) or (clusters is None) != (sum_nn is None):
        raise ValueError("clustered: give clusters, sum_yn and sum_nn; plain: none of them")
    y, size, yy = (np.asarray(v, dtype=float) for v in (total, n, sum_yy))
    if clusters is None:
        m, yn, nn = size, y, size
    else:
        m, yn, nn = (np.asarray(v, dtype=float) for v in (clusters, sum_yn, sum_nn))
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(size > 0, y / size, np.nan)
        squares = np.maximum(yy - 2 * mean * yn + mean**2 * nn, 0)
        spread = m / (m - 1) * squares
        if sum_squares is not None:
            single = np.maximum(np.asarray(sum_squares, dtype=float) - mean * y, 0)
            spread = np.fmax(spread, size / (size - 1) * single)
            yy = np.maximum(yy, np.asarray(sum_squares, dtype=float))
        half = stdtrit(m - 1, 1 - tail(confidence)) * np.sqrt(spread) / size
    half = np.where((m >= 2) & (size > 0) & (spread > _ROUNDING * yy), half, np.nan)
    return mean, mean - half, mean + half
