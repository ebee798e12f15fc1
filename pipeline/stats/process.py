"""Process charts: is this month like the others?

Limits are three standard deviations from the centre. Months without data (NaN, or no units) are left out of centre
and limits and keep their place. Every chart takes `baseline`, true where a month counts for centre and limits, so
that limits can be frozen while later months are judged by them. A limit that would lie outside the possible is no
limit: None, or NaN in arrays. Charts of fewer than 12 points are `tentative`.

Sources: Shewhart WA, Economic Control of Quality, 1931. Individuals: Wheeler DJ, Understanding Variation, 1993 (from
memory). p and u: Montgomery DC, Introduction to Statistical Quality Control; NIST/SEMATECH e-Handbook 6.3.
Changing n: Laney DB, Qual Eng 2002;14:531-537. Rare events: Benneyan JC, Health Care Manag Sci 2001;4:305-318,
Kaminsky FC et al., J Qual Technol 1992;24:63-69 (g), Nelson LS, J Qual Technol 1994;26:162-165 (t). Runs: Anhoej J,
Olesen AV, PLoS ONE 2014;9:e113825.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from ._common import Floats, counts, sample

D2 = 2 / math.sqrt(math.pi)  # mean range of two normal values, 1.1284; exact
D3 = math.sqrt(2 - 4 / math.pi)  # its standard deviation, 0.8525
FEW_POINTS = 12
SPARSE = 5.0  # below this many expected events a month p and u charts mislead: count the gaps between events instead
T_POWER = 1 / 3.6
_ONE_SIDE = 0.00135  # tail of the normal distribution beyond three standard deviations


def individuals_factor(d2: float = D2) -> float:
    """Distance of the limits in mean moving ranges, 3 / d2 = 2.66."""
    return 3 / d2


def range_factor(d2: float = D2) -> float:
    """Upper limit of the moving range in mean moving ranges, D4 = 1 + 3 d3 / d2 = 3.27."""
    return 1 + 3 * D3 / d2


@dataclass(frozen=True)
class Individuals:
    """Individuals (XmR) chart in the unit of its values. `range_high` limits the moving range; None: not estimable."""

    n: int
    centre: float | None
    low: float | None
    high: float | None
    mean_range: float | None
    range_high: float | None
    tentative: bool


def individuals(
    values: npt.ArrayLike, d2: float = D2, baseline: npt.ArrayLike | None = None, floor: float | None = None
) -> Individuals:
    """Mean and limits 2.66 mean moving ranges away; ranges are taken between successive months that have a value.

    `floor` is the lowest possible value (0 for minutes): a lower limit below it is None.
    """
    x = np.asarray(values, dtype=float).ravel()
    x = x[_baseline(baseline, x.size) & ~np.isnan(x)]
    centre = float(x.mean()) if x.size else None
    if x.size < 2 or centre is None:
        return Individuals(x.size, centre, None, None, None, None, True)
    mean_range = float(np.abs(np.diff(x)).mean())
    reach = individuals_factor(d2) * mean_range
    low = centre - reach if floor is None or centre - reach >= floor else None
    return Individuals(
        x.size, centre, low, centre + reach, mean_range, range_factor(d2) * mean_range, x.size < FEW_POINTS
    )


@dataclass(frozen=True, eq=False)
class Attributes:
    """Chart of shares (p) or rates (u): one element a month in `values`, `low` and `high`.

    NaN: no data, or no limit. `sigma_z` is Laney's factor where it was used, else None. `sparse`: fewer than five
    events are expected in a usual month, so that gaps between events tell more.
    """

    n: int
    centre: float | None
    values: Floats
    low: Floats
    high: Floats
    sigma_z: float | None
    sparse: bool
    tentative: bool


def p_chart(events: npt.ArrayLike, n: npt.ArrayLike, baseline: npt.ArrayLike | None = None) -> Attributes:
    """Shares events / n, limits p -/+ 3 sqrt(p (1-p) / n). ValueError if events fall outside 0..n."""
    x, size = counts(events, n)
    return _attributes("p", x, size, baseline, laney_factor=False)


def u_chart(events: npt.ArrayLike, exposure: npt.ArrayLike, baseline: npt.ArrayLike | None = None) -> Attributes:
    """Rates events / exposure, limits u -/+ 3 sqrt(u / exposure), per unit of exposure."""
    x, size = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(exposure, dtype=float))
    return _attributes("u", x, size, baseline, laney_factor=False)


def laney(
    events: npt.ArrayLike,
    n: npt.ArrayLike,
    kind: Literal["p", "u"] = "p",
    baseline: npt.ArrayLike | None = None,
    d2: float = D2,
) -> Attributes:
    """p' or u' chart: limits times sigma_z, the variation between months in units of the chance variation within them.

    sigma_z = mean |z_i - z_(i-1)| / d2. Meant for sigma_z above 1; it is used as it is, also below.
    """
    if kind not in ("p", "u"):
        raise ValueError(f"kind is p or u, not {kind!r}")
    x, size = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(n, dtype=float))
    if kind == "p":
        counts(x, size)
    return _attributes(kind, x, size, baseline, laney_factor=True, d2=d2)


def overdispersed(events: npt.ArrayLike, n: npt.ArrayLike, kind: Literal["p", "u"] = "p") -> bool:
    """Do shares (p) or rates (u) vary from month to month by more than chance within the months (p < 0.05)?

    Laney's sigma_z, of ranges between successive months, must lie above 1 by more than its own error. Ranges beyond
    their upper limit are left out (Nelson 1982), so that a single month out of the ordinary does not widen the limits
    that should show it. Variance of a mean moving range over d2: 0.8264 / n (Cryer JD, Ryan TP, J Qual Technol
    1990;22:187-192, from memory; checked by simulation).
    """
    chart = p_chart(events, n) if kind == "p" else u_chart(events, n)
    if chart.n < 2 or not chart.centre or (kind == "p" and chart.centre == 1):
        return False
    spread = chart.centre * (1 - chart.centre) if kind == "p" else chart.centre
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (chart.values - chart.centre) * np.sqrt(np.asarray(n, dtype=float) / spread)
    ranges = np.abs(np.diff(z[~np.isnan(z)]))
    ranges = ranges[ranges <= range_factor() * ranges.mean()]
    return float(ranges.mean()) / D2 > 1 + 1.645 * math.sqrt(0.8264 / chart.n)


def _attributes(
    kind: Literal["p", "u"],
    x: Floats,
    size: Floats,
    baseline: npt.ArrayLike | None,
    *,
    laney_factor: bool,
    d2: float = D2,
) -> Attributes:
    x, size = np.atleast_1d(x).ravel(), np.atleast_1d(size).ravel()
    if bool(np.any(x < 0)) or bool(np.any(size < 0)):
        raise ValueError("events and units are not negative")
    has_data = (size > 0) & ~np.isnan(x)
    used = _baseline(baseline, x.size) & has_data
    n, tentative = int(used.sum()), int(used.sum()) < FEW_POINTS
    nothing = np.full(x.shape, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.where(has_data, x / size, np.nan)
    if n == 0:
        return Attributes(0, None, values, nothing, nothing.copy(), None, True, True)
    centre = float(x[used].sum() / size[used].sum())
    spread = centre * (1 - centre) if kind == "p" else centre
    with np.errstate(divide="ignore", invalid="ignore"):
        sigma = np.where(has_data, np.sqrt(spread / size), np.nan)
    sigma_z = None
    if laney_factor and n > 1 and spread > 0:
        z = (values[used] - centre) / sigma[used]
        sigma_z = float(np.abs(np.diff(z)).mean() / d2)
        sigma = sigma * sigma_z
    low, high = centre - 3 * sigma, centre + 3 * sigma
    low = np.where(low >= 0, low, np.nan)
    high = np.where(high <= 1, high, np.nan) if kind == "p" else high
    sparse = centre * float(size[used].mean()) < SPARSE
    return Attributes(n, centre, values, low, high, sigma_z, sparse, tentative)


def _baseline(baseline: npt.ArrayLike | None, size: int) -> npt.NDArray[np.bool_]:
    if baseline is None:
        return np.ones(size, dtype=bool)
    mask = np.asarray(baseline, dtype=bool).ravel()
    if mask.size != size:
        raise ValueError(f"baseline marks {mask.size} months of {size}")
    return mask


@dataclass(frozen=True)
class GChart:
    """Units without the event between successive events (0 and more). A long gap is good: only `high` can be passed.

    `centre` is the median of the geometric distribution, to count runs by; `mean` the usual figure. `high` lies three
    standard deviations up, `high_probability` at the quantile 0.99865. The lower limit is always 0, as the
    distribution's standard deviation exceeds its mean.
    """

    n: int
    mean: float | None
    p: float | None
    centre: float | None
    low: float | None
    high: float | None
    high_probability: float | None
    tentative: bool


def g_chart(gaps: npt.ArrayLike) -> GChart:
    """g chart of the closed gaps, standard deviation sqrt(mean (mean + 1)), p = 1 / (mean + 1).

    The gap since the last event is still open: leave it out here and show it as "at least x". ValueError if a gap is
    missing or negative.
    """
    x = sample(gaps)
    if x.size and x.min() < 0:
        raise ValueError("gaps are not negative")
    if x.size == 0:
        return GChart(0, None, None, None, None, None, None, True)
    mean = float(x.mean())
    p = 1 / (mean + 1)
    high = mean + 3 * math.sqrt(mean * (mean + 1))
    centre = probability = 0.0
    if mean > 0:
        centre = math.log(0.5) / math.log1p(-p)
        # Smallest k with P(X <= k) = 1 - (1 - p)**(k + 1) at least 0.99865.
        probability = float(max(math.ceil(math.log(_ONE_SIDE) / math.log1p(-p) - 1 - 1e-9), 0))
    return GChart(x.size, mean, p, centre, 0.0, high, probability, x.size < FEW_POINTS)


@dataclass(frozen=True)
class TChart:
    """Time between events: `centre`, `low` (None: no limit) and `high` in its own unit, the rest transformed."""

    n: int
    centre: float | None
    low: float | None
    high: float | None
    mean: float | None
    mean_range: float | None
    transformed_low: float | None
    transformed_high: float | None
    tentative: bool


def t_transformed(gaps: npt.ArrayLike, power: float = T_POWER) -> Floats:
    """Times to the power 1/3.6: exponential times become nearly normal. ValueError if one is 0, negative or missing."""
    x = sample(gaps)
    if bool(np.any(x <= 0)):
        raise ValueError(
            "a gap of 0 has no place on a t chart: use a finer unit of time, or a g chart of canals between"
        )
    return np.asarray(x**power, dtype=float)


def t_chart(gaps: npt.ArrayLike, power: float = T_POWER, d2: float = D2) -> TChart:
    """t chart of the closed gaps: an individuals chart of the transformed times, and its limits transformed back."""
    y = t_transformed(gaps, power)
    chart = individuals(y, d2)

    def back(limit: float | None) -> float | None:
        return None if limit is None or limit < 0 else float(limit ** (1 / power))

    return TChart(
        n=chart.n,
        centre=back(chart.centre),
        low=back(chart.low),
        high=back(chart.high),
        mean=chart.centre,
        mean_range=chart.mean_range,
        transformed_low=chart.low,
        transformed_high=chart.high,
        tentative=chart.tentative,
    )


@dataclass(frozen=True)
class Anhoej:
    """Runs about the centre line. Points on the line are not useful: they neither break nor extend a run.

    A signal is a longest run above `longest_run_max` or fewer crossings than `crossings_min`. `run_first` and
    `run_last` are places in the values handed in, None without a useful point.
    """

    n_useful: int
    longest_run: int
    longest_run_max: int | None
    run_first: int | None
    run_last: int | None
    crossings: int
    crossings_min: int | None
    long_run: bool
    few_crossings: bool
    tentative: bool


@lru_cache(maxsize=1024)
def anhoej_limits(n_useful: int) -> tuple[int | None, int | None]:
    """(longest run still usual, fewest crossings still usual) for so many useful points; (None, None) for none.

    round(log2 n) + 3, and the 5 % quantile of Binomial(n - 1, 1/2), computed in whole numbers.
    """
    if n_useful < 1:
        return None, None
    flips = n_useful - 1
    ways = below = 1  # to have exactly, and at most, k crossings among 2**flips
    k = 0
    while 20 * below < 2**flips:
        k += 1
        ways = ways * (flips - k + 1) // k
        below += ways
    return round(math.log2(n_useful)) + 3, k


def anhoej(values: npt.ArrayLike, centre: float) -> Anhoej:
    """Longest run and crossings of the values about `centre` (the median by custom); NaN is left out."""
    x = np.asarray(values, dtype=float).ravel()
    side = np.where(_same(x, np.asarray(centre)), 0.0, np.sign(x - centre))
    useful = np.flatnonzero(~np.isnan(x) & (side != 0))
    n = int(useful.size)
    longest_max, crossings_min = anhoej_limits(n)
    if n == 0:
        return Anhoej(0, 0, None, None, None, 0, None, False, False, True)
    changes = np.flatnonzero(np.diff(side[useful])) + 1
    starts = np.concatenate(([0], changes))
    lengths = np.diff(np.append(starts, n))
    i = int(lengths.argmax())
    longest, crossings = int(lengths[i]), int(changes.size)
    return Anhoej(
        n_useful=n,
        longest_run=longest,
        longest_run_max=longest_max,
        run_first=int(useful[starts[i]]),
        run_last=int(useful[starts[i] + longest - 1]),
        crossings=crossings,
        crossings_min=crossings_min,
        long_run=longest_max is not None and longest > longest_max,
        few_crossings=crossings_min is not None and crossings < crossings_min,
        tentative=n < FEW_POINTS,
    )


def _same(x: Floats, line: Floats) -> npt.NDArray[np.bool_]:
    # A level series has its limits on its centre, and the mean of equal values can be off in the last digit.
    return np.abs(x - line) <= 1e-12 * np.maximum(np.abs(x), np.abs(line))


@dataclass(frozen=True)
class Signal:
    """One fact about a chart: which rule was met, and the places (from 0) of the first and last month it concerns."""

    rule: Literal["above the upper limit", "below the lower limit", "long run", "few crossings"]
    first: int
    last: int


def signals(
    values: npt.ArrayLike, centre: float | None, low: npt.ArrayLike | None, high: npt.ArrayLike | None
) -> list[Signal]:
    """What the months show, in order of place: points beyond their limits, then the run and crossing rules.

    Limits are one figure, one a month, or None; a missing limit or value signals nothing. Runs are counted about
    `centre`. Few crossings concern the whole chart.
    """
    x = np.asarray(values, dtype=float).ravel()
    upper = np.broadcast_to(np.asarray(np.nan if high is None else high, dtype=float), x.shape)
    lower = np.broadcast_to(np.asarray(np.nan if low is None else low, dtype=float), x.shape)
    beyond = [
        Signal("above the upper limit" if x[i] > upper[i] else "below the lower limit", i, i)
        for i in np.flatnonzero(((x > upper) & ~_same(x, upper)) | ((x < lower) & ~_same(x, lower))).tolist()
    ]
    if centre is None:
        return beyond
    runs = anhoej(x, centre)
    if runs.long_run and runs.run_first is not None and runs.run_last is not None:
        beyond.append(Signal("long run", runs.run_first, runs.run_last))
    if runs.few_crossings:
        known = np.flatnonzero(~np.isnan(x))
        beyond.append(Signal("few crossings", int(known[0]), int(known[-1])))
    return beyond
