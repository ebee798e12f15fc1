"""Ratios of times: of two medians, and of groups after case mix (a linear model of the logarithm of minutes).

Sources: ratio of two medians, Price RM, Bonett DG, J Stat Comput Simul 2002;72:119-124 (from memory). Least squares
with variances robust to clusters, Liang K-Y, Zeger SL, Biometrika 1986;73:13-22, with the usual correction for few
clusters and Student's t with one degree of freedom less than there are clusters (those of statsmodels and Stata);
below 40 clusters with residuals corrected for what they draw the fit to themselves: CR2, Bell RM, McCaffrey DF, Survey
Methodology 2002;28:169-181.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import FEW_CLUSTERS, Floats, normal_quantile, number, sample, tail, z_value
from .times import median_design_effect


@dataclass(frozen=True)
class Ratio:
    """A ratio of times with its limits; None where not estimable."""

    ratio: float | None
    low: float | None
    high: float | None


NOT_ESTIMABLE = Ratio(None, None, None)
_ROUNDING = 1e-9  # what floating point leaves of an error that is 0 by hand, of a logarithm


def median_ratio(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    confidence: float = 0.95,
    clusters: tuple[npt.ArrayLike, npt.ArrayLike] | None = None,
) -> Ratio:
    """Median of the first sample over that of the second, two independent groups, by Price and Bonett.

    `clusters` of both samples widen each variance by its `median_design_effect`. Limits are None where a sample has
    fewer than 3 values, or where they would be 0 wide: equal values do not tell how they vary. ValueError for
    times that are not positive.
    """
    a, b = (np.sort(sample(x)) for x in (first, second))
    if bool(np.any(a <= 0)) or bool(np.any(b <= 0)):
        raise ValueError("times are above 0")
    if not a.size or not b.size:
        return NOT_ESTIMABLE
    ratio = float(np.median(a) / np.median(b))
    own = clusters or (None, None)
    effects = [median_design_effect(x, c) for x, c in zip((first, second), own, strict=True)]
    variances = [_variance_of_log_median(x) for x in (a, b)]
    together = sum(v * effect for v, effect in zip(variances, effects, strict=True) if v is not None)
    if None in variances or together <= 0:
        return Ratio(ratio, None, None)
    half = z_value(confidence) * math.sqrt(together)
    return Ratio(ratio, ratio * math.exp(-half), ratio * math.exp(half))


def _variance_of_log_median(x: Floats) -> float | None:
    """The squared half width, in normal quantiles, between two order statistics about the median."""
    from scipy.special import bdtr

    if x.size < 3:
        return None
    rank = max(round((x.size + 1) / 2 - math.sqrt(x.size)), 1)
    width = math.log(x[x.size - rank] / x[rank - 1])
    z = -normal_quantile(float(bdtr(rank - 1, x.size, 0.5)))
    return (width / (2 * z)) ** 2


@dataclass(frozen=True)
class Comparison:
    """Ratios of the geometric mean time of each group to the reference's, crude and after case mix, by group."""

    crude: dict[int, Ratio]
    adjusted: dict[int, Ratio]
    clusters: int


def adjusted_ratios(
    minutes: npt.ArrayLike,
    group: npt.ArrayLike,
    reference: int,
    factors: Sequence[npt.ArrayLike],
    numbers: Sequence[npt.ArrayLike] = (),
    cluster: npt.ArrayLike | None = None,
    confidence: float = 0.95,
) -> Comparison:
    """Compare the times of groups with a reference group's, with and without case mix.

    `minutes` are positive; `group` and each of `factors` are whole numbers, one level each; `numbers` enter as they
    are; `cluster` says which units belong together (a patient's). log(minutes) is linear in all of them. A group that
    the case mix cannot be told from is not estimable, nor is anything with fewer than two clusters. Limits are None
    where they would be 0 wide: times that happen to be equal do not tell how they vary.
    """
    y, g = sample(minutes), np.asarray(group).ravel()
    if bool(np.any(y <= 0)):
        raise ValueError("times are above 0")
    y = np.log(y)
    who = np.arange(y.size) if cluster is None else np.asarray(cluster).ravel()
    others = [int(level) for level in np.unique(g) if level != reference]
    compared = [(g == level).astype(float) for level in others]
    mix = [(f == level).astype(float) for f in map(np.asarray, factors) for level in np.unique(f)[1:]]
    mix += [sample(n) for n in numbers]
    crude = _fit(y, [], compared, who, confidence)
    adjusted = _fit(y, mix, compared, who, confidence)
    return Comparison(
        crude=dict(zip(others, crude, strict=True)),
        adjusted=dict(zip(others, adjusted, strict=True)),
        clusters=int(np.unique(who).size),
    )


def _fit(
    y: Floats, mix: list[Floats], compared: list[Floats], who: npt.NDArray[np.int64], confidence: float
) -> list[Ratio]:
    """Ratios of the compared columns. Columns that the ones before them add up to are left out, the case mix first."""
    from scipy.special import stdtrit

    columns = np.column_stack([np.ones_like(y), *mix, *compared])
    _, codes = np.unique(who, return_inverse=True)
    clusters = int(codes.max()) + 1 if codes.size else 0
    if clusters < 2 or y.size <= columns.shape[1]:
        return [NOT_ESTIMABLE] * len(compared)
    scale = np.linalg.norm(columns, axis=0)
    r = np.abs(np.diag(np.linalg.qr(columns / np.where(scale > 0, scale, 1), mode="r")))
    kept = np.flatnonzero(r > 1e-9)
    x = columns[:, kept]
    bread = np.linalg.inv(x.T @ x)
    b = bread @ (x.T @ y)
    residuals, factor = y - x @ b, clusters / (clusters - 1) * (y.size - 1) / (y.size - kept.size)
    if clusters < FEW_CLUSTERS:
        residuals, factor = _unbiased(x, residuals, codes, bread), 1.0
    scores = np.zeros((clusters, kept.size))
    np.add.at(scores, codes, x * residuals[:, None])
    se = np.sqrt(factor * np.diag(bread @ scores.T @ scores @ bread))
    half = -float(stdtrit(clusters - 1, tail(confidence))) * np.where(se > _ROUNDING, se, np.nan)
    found = dict(zip(kept.tolist(), zip(b.tolist(), half.tolist(), strict=True), strict=True))
    out = []
    for place in range(1 + len(mix), columns.shape[1]):
        log_ratio, h = found.get(place, (math.nan, math.nan))
        out.append(Ratio(*(number(math.exp(v)) for v in (log_ratio, log_ratio - h, log_ratio + h))))
    return out


def _unbiased(x: Floats, residuals: Floats, codes: npt.NDArray[np.intp], bread: Floats) -> Floats:
    """Residuals (I - H)^-1/2 e by cluster (CR2): few clusters draw the fit to themselves. 0 at leverage 1."""
    out = np.zeros_like(residuals)
    for cluster in range(int(codes.max()) + 1):
        own = np.flatnonzero(codes == cluster)
        values, vectors = np.linalg.eigh(np.eye(own.size) - x[own] @ bread @ x[own].T)
        power = np.where(values > _ROUNDING, 1 / np.sqrt(np.maximum(values, _ROUNDING)), 0.0)
        out[own] = vectors @ (power * (vectors.T @ residuals[own]))
    return out
