"""Two groups compared as in a trial that was never made: among like units, by models of the choice and of the outcome.

`designed` finds the units that have a counterpart in the other group and writes their covariates as columns;
`estimates` gives both groups' shares in one and the same mix of units three ways: by the outcome model (g-formula), by
inverse probabilities of the choice, and weighted by overlap. The last is doubly robust: right where the model of the
choice or that of the outcome is. It speaks of the units that might have been in either group, weighting each by its
chance to be in the other one: weights stay below 1 and no single unit can carry the answer, as it can with inverse
probabilities.

Errors: a cluster is left out at a time (jackknife) and both models follow by one Newton step; never below the error of
independent units, and more for every term that both models take from so many clusters (as the residual variance of a
regression is divided by n - p). Limits of the difference are made from Wilson's of both shares, at the numbers of
independent units that their variances amount to (MOVER), with Student's t: so all against none has limits too.

Sources: Hernan MA, Robins JM, Causal Inference: What If, 2020, chapters 12 and 13. Overlap weights: Li F, Morgan KL,
Zaslavsky AM, J Am Stat Assoc 2018;113:390-400; augmented by an outcome model: Mao H, Li L, Greene T, Stat Methods Med
Res 2019;28:2439-2454 (from memory). Jackknife of clusters: Bell RM, McCaffrey DF, Surv Methodol 2002;28:169-181. MOVER:
Newcombe RG, Stat Med 1998;17:873-890; Zou GY, Donner A, Stat Med 2008;27:1693-1702 (dependent shares). Degrees of
freedom: Welch BL, Biometrika 1947;34:28-35, of effective clusters (Kish 1965). Range of propensities with a caliper of
0.2 standard deviations of their logits: Austin PC, Pharm Stat 2011;10:150-161. Models: a ridge as of a normal prior of
standard deviation 2.5 (in the manner of Gelman A et al., Ann Appl Stat 2008;2:1360-1383) keeps them finite where a
value of a covariate has the outcome always or never; it draws what the outcome model says of the sides a little towards
each other (g-formula), which the residuals put right where both models are used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from . import newton
from ._common import Floats, tail
from .newton import Link, Model

RIDGE = 1 / 2.5**2
CALIPER = 0.2  # standard deviations of the propensities' logits
_ROUNDS = 5  # in which units without counterpart are looked for: those found leave others without one


def fit(design: npt.ArrayLike, outcome: npt.ArrayLike, ridge: float = RIDGE, link: Link = "logistic") -> Model:
    """Logistic or least-squares model; `design` has the shape (units, terms), its first column the intercept.

    The ridge holds the coefficients of every other term towards 0.
    """
    x, y = np.asarray(design, dtype=float), np.asarray(outcome, dtype=float).ravel()
    held = np.r_[0.0, np.full(x.shape[1] - 1, ridge)]
    found = newton.fit(x, y, held, link)
    return replace(found, information=found.information + newton.HAIR * np.eye(held.size))


@dataclass(frozen=True, eq=False)
class Design:
    """Covariates of the units that have a counterpart, as columns, and what has none.

    `kept`: the units with a counterpart, of those given; `x`: shape (kept units, terms), the intercept first;
    `propensity`: the chance of a kept unit to be exposed. `alone`: share of the exposed and of the reference without a
    counterpart; `alone_by`: the same for each categorical covariate by itself, units whose value only their own side
    has. None of the shares where a side has no unit.
    """

    kept: npt.NDArray[np.bool_]
    x: Floats
    exposed: npt.NDArray[np.bool_]
    choice: Model | None
    alone: tuple[float, float]
    alone_by: tuple[tuple[float, float], ...]

    @property
    def propensity(self) -> Floats:
        return np.full(self.exposed.size, 0.5) if self.choice is None else self.choice.mean

    @property
    def terms(self) -> int:
        """Columns beside the intercept."""
        return int(self.x.shape[1]) - 1


def designed(
    exposed: npt.ArrayLike,
    categories: Sequence[npt.ArrayLike],
    numbers: Sequence[npt.ArrayLike] = (),
) -> Design:
    """Units with a counterpart: values of every category that both sides have, propensities within the other's range.

    `categories` and `numbers` are arrays of one element a unit. ValueError for lengths that do not fit or numbers that
    are missing.
    """
    side = np.asarray(exposed, dtype=bool).ravel()
    codes = [np.unique(np.asarray(c, dtype=str).ravel(), return_inverse=True)[1] for c in categories]
    values = [np.asarray(v, dtype=float).ravel() for v in numbers]
    if any(v.size != side.size for v in (*codes, *values)) or not all(bool(np.isfinite(v).all()) for v in values):
        raise ValueError("one value of each covariate a unit, none of the numbers missing")
    every = np.ones(side.size, dtype=bool)
    alone_by = tuple(_shares(side, ~_on_both_sides(side, [code], every)) for code in codes)
    kept = every
    for round_ in range(_ROUNDS):
        kept = _on_both_sides(side, codes, kept)
        x = _columns([c[kept] for c in codes], [v[kept] for v in values])
        here = side[kept]
        if here.all() or not here.any():
            return Design(kept & False, x[:0], here[:0], None, (1.0, 1.0), alone_by)
        choice = fit(x, here.astype(float))
        out = _outside(here, choice.mean)
        if not out.any() or round_ == _ROUNDS - 1:
            break
        kept = kept.copy()
        kept[np.flatnonzero(kept)[out]] = False
    return Design(kept, x, here, choice, _shares(side, ~kept), alone_by)


def _shares(side: npt.NDArray[np.bool_], which: npt.NDArray[np.bool_]) -> tuple[float, float]:
    return tuple(float(which[s].mean()) if s.any() else 1.0 for s in (side, ~side))  # type: ignore[return-value]


def _on_both_sides(
    side: npt.NDArray[np.bool_], codes: Sequence[npt.NDArray[np.intp]], kept: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Without units whose value of a category the other side does not have; what is left may lose others theirs."""
    while True:
        before = kept
        for code in codes:
            both = np.ones(int(code.max(initial=-1)) + 1, dtype=bool)
            for s in (side, ~side):
                both &= np.bincount(code[kept & s], minlength=both.size) > 0
            kept = kept & both[code]
        if kept.sum() == before.sum():
            return kept


def _columns(codes: Sequence[npt.NDArray[np.intp]], values: Sequence[Floats]) -> Floats:
    """The intercept, a column a value of a category but its commonest, and numbers in standard deviations."""
    n = codes[0].size if codes else values[0].size if values else 0
    columns = [np.ones(n)]
    for code in codes:
        count = np.bincount(code) if n else np.zeros(0, dtype=np.int64)
        levels = [c for c in np.argsort(-count, kind="stable") if count[c] > 0]
        columns += [(code == level).astype(float) for level in levels[1:]]
    for v in values:
        spread = float(v.std()) if n else 0.0
        if spread > 1e-9:
            columns.append((v - v.mean()) / spread)
    return np.column_stack(columns)


def _outside(side: npt.NDArray[np.bool_], propensity: Floats) -> npt.NDArray[np.bool_]:
    """Units whose propensity lies outside the other side's range by more than the caliper, on the logit scale."""
    logit = np.log(propensity / (1 - propensity))
    reach = CALIPER * float(logit.std())
    low = np.where(side, logit[~side].min(), logit[side].min()) - reach - 1e-9
    high = np.where(side, logit[~side].max(), logit[side].max()) + reach + 1e-9
    return np.asarray((logit < low) | (logit > high), dtype=bool)


@dataclass(frozen=True)
class Compared:
    """Both shares in one mix and their difference, exposed minus reference; None: not estimable.

    `p` is the smallest level at which the interval of the difference leaves out 0. `ratio` is that of the shares, its
    limits from the same two intervals. `df`: degrees of freedom of Student's t. `effective`: units that the weights of
    a side amount to (Kish).
    """

    exposed: float | None
    reference: float | None
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    p: float | None = None
    ratio: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None
    se: float | None = None
    df: float | None = None
    effective: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Estimates:
    """The three estimates of one difference; see the module."""

    standardised: Compared
    weighted: Compared
    overlap: Compared


def estimates(design: Design, outcome: npt.ArrayLike, cluster: npt.ArrayLike, confidence: float = 0.95) -> Estimates:
    """Shares with the outcome (0 or 1) of both sides, by each of three ways; one outcome and cluster a kept unit.

    `standardised`: what the outcome model expects of all kept units, were all exposed and were none (g-formula).
    `weighted`: each unit by the inverse of its chance to be on its side, weights divided by their sum. `overlap`: the
    doubly robust one. ValueError for lengths that do not fit.
    """
    y = np.asarray(outcome, dtype=float).ravel()
    code = np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    side = design.exposed
    if not y.size == side.size == code.size:
        raise ValueError("one outcome and one cluster a kept unit")
    if design.choice is None or not side.any() or side.all():
        nothing = Compared(None, None)
        return Estimates(nothing, nothing, nothing)
    observed = np.column_stack([design.x, side])
    result = fit(observed, y)
    units = _Units.of(design, y)
    whole = units.shares(design.choice.coefficient[:, None], result.coefficient[:, None])[:, 0]
    by_cluster = _jackknife(design, y, result, observed, units, code)
    by_unit = by_cluster
    if np.bincount(code).max() > 1:
        by_unit = _jackknife(design, y, result, observed, units, np.arange(y.size))
    clustered = int(code.max()) + 1
    spent = clustered / max(clustered - 2 * (design.terms + 1), clustered / 2)
    found = []
    for k, own in enumerate((np.ones(y.size), weights(design, "weighted"), weights(design, "overlap"))):
        sides = slice(2 * k, 2 * k + 2)
        both = [v[sides, sides] for v in (by_cluster, by_unit)]
        sizes = tuple(effective_size(own[s]) for s in (side, ~side))
        clusters = tuple(effective_size(np.bincount(code[s], weights=own[s])) for s in (side, ~side))
        # Clusters whose units are on both sides may show less than independent units do; chance is not to narrow it.
        covariance = (max(both, key=_of_difference) if np.isfinite(both[0]).all() else both[0]) * spent
        found.append(_limits((float(whole[2 * k]), float(whole[2 * k + 1])), covariance, sizes, clusters, confidence))
    return Estimates(*found)


def weights(design: Design, how: Literal["weighted", "overlap"] = "overlap") -> Floats:
    """What each kept unit counts among those of its side."""
    e, side = design.propensity, design.exposed
    return np.where(side, 1 - e, e) if how == "overlap" else np.where(side, 1 / e, 1 / (1 - e))


def effective_size(weight: npt.ArrayLike) -> float:
    """Kish's (sum w)**2 / sum w**2; 0 without weights."""
    w = np.asarray(weight, dtype=float)
    squares = float((w**2).sum())
    return float(w.sum()) ** 2 / squares if squares > 0 else 0.0


def standardised_mean_differences(
    x: npt.ArrayLike, exposed: npt.ArrayLike, weight: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Of each column of `x`: the difference of means over the root of the mean of both variances, (before, after).

    After weighting the variances are still those before it. 0 where a column does not vary.
    """
    v, side, w = np.asarray(x, dtype=float), np.asarray(exposed, dtype=bool), np.asarray(weight, dtype=float)
    ones, others = v[side], v[~side]
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt((ones.var(axis=0, ddof=1) + others.var(axis=0, ddof=1)) / 2)
        before = (ones.mean(axis=0) - others.mean(axis=0)) / spread
        after = (np.average(ones, axis=0, weights=w[side]) - np.average(others, axis=0, weights=w[~side])) / spread
    return np.nan_to_num(before, posinf=0.0, neginf=0.0), np.nan_to_num(after, posinf=0.0, neginf=0.0)


@dataclass(frozen=True, eq=False)
class _Units:
    """Units by pattern of covariates: how many of each side (`n`, shape (2, patterns)), with how many events (`y`)."""

    x: Floats
    pattern: npt.NDArray[np.intp]
    side: npt.NDArray[np.intp]
    event: Floats
    n: Floats
    y: Floats

    @classmethod
    def of(cls, design: Design, y: Floats) -> _Units:
        x, pattern = np.unique(design.x, axis=0, return_inverse=True)
        pattern = pattern.ravel()
        side = np.where(design.exposed, 0, 1)
        n = np.stack([np.bincount(pattern[side == s], minlength=len(x)) for s in (0, 1)]).astype(float)
        events = np.stack([np.bincount(pattern[side == s], y[side == s], minlength=len(x)) for s in (0, 1)]).astype(
            float
        )
        return cls(x, pattern, side, y, n, events)

    def shares(
        self,
        choice: Floats,
        outcome: Floats,
        code: npt.NDArray[np.intp] | None = None,
        near: _Sums | None = None,
    ) -> Floats:
        """Shares of the exposed and the reference by each way, shape (6, sets), for sets of coefficients, one a column.

        With `code`, set g is without the units of cluster g. With `near`, sums over all units are those of its
        expansion about the coefficients of all.
        """
        sums = self._whole(choice, outcome) if near is None else near.moved(choice, outcome)
        own = None if code is None else self._own(choice, outcome, code)
        out = np.empty((6, choice.shape[1]))
        for s in (0, 1):
            units, m, h, hm, v, vy, w, wr = (
                (whole if own is None else whole - own[s][k]) for k, whole in enumerate(sums[s])
            )
            with np.errstate(divide="ignore", invalid="ignore"):
                out[s] = m / units
                out[2 + s] = vy / v
                out[4 + s] = hm / h + wr / w
        return out

    def _whole(self, choice: Floats, outcome: Floats) -> list[list[Floats]]:
        """For each side the sums over all units that shares are made of, in the order of _own."""
        e = newton.mean(self.x @ choice, "logistic")
        linear = self.x @ outcome[:-1]
        h, everyone, found = e * (1 - e), self.n.sum(axis=0), []
        for s, m in enumerate((newton.mean(linear + outcome[-1], "logistic"), newton.mean(linear, "logistic"))):
            chance = e if s == 0 else 1 - e
            n, y = self.n[s][:, None], self.y[s][:, None]
            inverse, other = 1 / chance, 1 - chance
            of_all = [np.full(e.shape[1], everyone.sum()), everyone @ m, everyone @ h, everyone @ (h * m)]
            of_side = [self.n[s] @ inverse, self.y[s] @ inverse, self.n[s] @ other]
            found.append([*of_all, *of_side, (other * (y - n * m)).sum(axis=0)])
        return found

    def _own(self, choice: Floats, outcome: Floats, code: npt.NDArray[np.intp]) -> list[list[Floats]]:
        """For each side the parts of each cluster's own units in those sums, at its own set of coefficients."""
        order = np.argsort(code, kind="stable")
        here, x, side = code[order], self.x[self.pattern[order]], self.side[order]
        start = np.searchsorted(here, np.arange(choice.shape[1]))
        e = newton.mean((x * choice.T[here]).sum(axis=1), "logistic")
        linear = (x * outcome[:-1].T[here]).sum(axis=1)
        h, event, found = e * (1 - e), self.event[order], []
        for s, m in enumerate((newton.mean(linear + outcome[-1][here], "logistic"), newton.mean(linear, "logistic"))):
            chance, mine = (e if s == 0 else 1 - e), (side == s).astype(float)
            other = mine * (1 - chance)
            parts = [np.ones(e.size), m, h, h * m, mine / chance, mine * event / chance, other, other * (event - m)]
            found.append([np.add.reduceat(part, start) for part in parts])
        return found


@dataclass(frozen=True, eq=False)
class _Sums:
    """The sums of _Units._whole near the coefficients of all units, to the second order of what moves them.

    A cluster left out of m moves coefficients by about 1 / m: what is left out is of the order of its third power.
    """

    choice: Floats
    outcome: Floats
    constant: list[list[float]]
    first: list[list[Floats]]  # derivatives by the coefficients of both models, those of the choice first
    second: list[list[Floats]]

    @classmethod
    def at(cls, units: _Units, choice: Floats, outcome: Floats) -> _Sums:
        x, everyone = units.x, units.n.sum(axis=0)
        e = newton.mean(x @ choice, "logistic")
        h = e * (1 - e)
        h1, one = h * (1 - 2 * e), np.ones_like(e)
        h2 = h * (1 - 6 * h)
        constant, first, second = [], [], []
        for s in (0, 1):
            design = np.column_stack([x, one * (1 - s)])
            m = newton.mean(design @ outcome, "logistic")
            m1 = m * (1 - m)
            m2, sign = m1 * (1 - 2 * m), 1 - 2 * s  # the chance rises with the predictor on the first side
            n, y = units.n[s], units.y[s]
            inverse = 1 / (e if s == 0 else 1 - e)
            other = 1 - e if s == 0 else e
            rest = y - n * m
            o1, o2 = -sign * h, -sign * h1
            odds = inverse - 1  # its derivative by the predictor is -sign times itself
            # value; derivatives by the predictor of the choice (c), of the outcome (o); second ones: cc, co, oo
            parts: list[tuple[Floats, ...]] = [
                (everyone, 0 * e, 0 * e, 0 * e, 0 * e, 0 * e),
                (everyone * m, 0 * e, everyone * m1, 0 * e, 0 * e, everyone * m2),
                (everyone * h, everyone * h1, 0 * e, everyone * h2, 0 * e, 0 * e),
                tuple(everyone * v for v in (h * m, h1 * m, h * m1, h2 * m, h1 * m1, h * m2)),
                (n * inverse, -sign * n * odds, 0 * e, n * odds, 0 * e, 0 * e),
                (y * inverse, -sign * y * odds, 0 * e, y * odds, 0 * e, 0 * e),
                (n * other, n * o1, 0 * e, n * o2, 0 * e, 0 * e),
                (other * rest, o1 * rest, -other * n * m1, o2 * rest, -o1 * n * m1, -other * n * m2),
            ]
            constant.append([float(value.sum()) for value, *_ in parts])
            first.append([np.r_[c @ x, o @ design] for _, c, o, *_ in parts])
            second.append(
                [
                    np.block(
                        [
                            [x.T @ (x * cc[:, None]), x.T @ (design * co[:, None])],
                            [design.T @ (x * co[:, None]), design.T @ (design * oo[:, None])],
                        ]
                    )
                    for *_, cc, co, oo in parts
                ]
            )
        return cls(choice, outcome, constant, first, second)

    def moved(self, choice: Floats, outcome: Floats) -> list[list[Floats]]:
        """The sums at sets of coefficients, one a column."""
        by = np.concatenate([choice - self.choice[:, None], outcome - self.outcome[:, None]])
        return [
            [c + f @ by + (by * (h @ by)).sum(axis=0) / 2 for c, f, h in zip(*of_side, strict=True)]
            for of_side in zip(self.constant, self.first, self.second, strict=True)
        ]


_AT_ONCE = 200_000  # patterns times clusters: what stays in the processor's cache
_MOST_EXACT = 10_000_000  # patterns times clusters, a second: both grow with a practice


def _jackknife(
    design: Design, y: Floats, result: Model, observed: Floats, units: _Units, code: npt.NDArray[np.intp]
) -> Floats:
    """Covariance of the six shares, shape (6, 6): each cluster left out in turn; infinite where one is a whole side."""
    assert design.choice is not None
    clusters = int(code.max()) + 1
    of_a_side = [np.unique(code[units.side == s]).size for s in (0, 1)]
    if min(of_a_side) < 2:
        return np.full((6, 6), np.inf)
    moves = [
        _without_each(x, v, model, code)
        for x, v, model in ((design.x, design.exposed.astype(float), design.choice), (observed, y, result))
    ]
    choice, outcome = ((m.coefficient + by).T for m, by in zip((design.choice, result), moves, strict=True))
    # Those that move the coefficients most are left out of every sum, as many as there is time for; of the others, when
    # there are more, what sums lose is so little that two derivatives say it.
    far = sum(((by @ m.information) * by).sum(axis=1) for m, by in zip((design.choice, result), moves, strict=True))
    farthest_first = np.argsort(-far, kind="stable")
    exact = max(_MOST_EXACT // len(units.x), 1)
    near = _Sums.at(units, design.choice.coefficient, result.coefficient) if exact < clusters else None
    moved = np.empty((6, clusters))
    order = np.argsort(code, kind="stable")
    ends = np.searchsorted(code[order], np.arange(clusters + 1))
    for group, expanded, step in (
        (farthest_first[:exact], None, _AT_ONCE // len(units.x)),
        (farthest_first[exact:], near, _AT_ONCE // len(result.coefficient) ** 2),
    ):
        for first in range(0, group.size, max(step, 1)):
            those = group[first : first + max(step, 1)]
            size = ends[those + 1] - ends[those]
            at = np.repeat(np.arange(those.size), size)
            here = order[np.repeat(ends[those] - np.cumsum(size) + size, size) + np.arange(at.size)]
            part = _Units(units.x, units.pattern[here], units.side[here], units.event[here], units.n, units.y)
            moved[:, those] = part.shares(choice[:, those], outcome[:, those], at, expanded)
    moved -= moved.mean(axis=1, keepdims=True)
    return np.asarray((clusters - 1) / clusters * moved @ moved.T, dtype=float)


def _without_each(x: Floats, y: Floats, model: Model, code: npt.NDArray[np.intp]) -> Floats:
    """By how much the coefficients move when a cluster is left out, one Newton step: shape (clusters, terms)."""
    slope = model.mean * (1 - model.mean)
    pull = x * (y - model.mean)[:, None]
    size = np.bincount(code)
    order = np.argsort(code, kind="stable")
    start = np.cumsum(size) - size
    score = np.add.reduceat(pull[order], start, axis=0)
    inverse = np.linalg.inv(model.information)
    moved = -score @ inverse
    single = size == 1
    rows = order[start[single]]
    leverage = slope[rows] * ((x[rows] @ inverse) * x[rows]).sum(axis=1)
    moved[single] /= (1 - np.minimum(leverage, 0.99))[:, None]
    for many in np.unique(size[~single]):
        of = np.flatnonzero(size == many)
        for part in np.array_split(of, -(-of.size * x.shape[1] * int(many) // _AT_ONCE)):
            unit = order[start[part][:, None] + np.arange(many)]
            # The information less the cluster's own, turned about by Woodbury: small matrices, one a cluster.
            own = x[unit] * np.sqrt(slope[unit])[..., None]
            turned = own @ inverse
            rest = np.eye(many) / 0.99 - turned @ own.transpose(0, 2, 1)
            pulled = np.linalg.solve(rest, turned @ score[part][..., None])
            moved[part] -= (turned.transpose(0, 2, 1) @ pulled)[..., 0]
    return np.asarray(moved, dtype=float)


def _of_difference(covariance: Floats) -> float:
    return float(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1])


def _limits(
    shares: tuple[float, float],
    covariance: Floats,
    sizes: tuple[float, ...],
    clusters: tuple[float, ...],
    confidence: float,
) -> Compared:
    from scipy.special import stdtr, stdtrit

    # What rounding leaves of a share of none is none: the ratio of two such would be a ratio of rounding errors.
    p = np.clip(shares, 0.0, 1.0)
    p = np.where(p < 1e-9, 0.0, np.where(p > 1 - 1e-9, 1.0, p))
    difference = float(p[0] - p[1])
    if not bool(np.isfinite(covariance).all()) or min(clusters) <= 1.0 + 1e-9:
        return Compared(float(p[0]), float(p[1]), difference, effective=(sizes[0], sizes[1]))
    # Independent units that a share's variance amounts to: no more than its weights do. A share of all or none shows no
    # variance: its units are taken to be as alike as those of the other side, or, where that shows none either, as one
    # unit a cluster.
    k, size = np.array(clusters), np.array(sizes)
    smooth = (p * k + 0.5) / (k + 1)
    spread = smooth * (1 - smooth)
    silent = (p * (1 - p) < 1e-9) | (np.diag(covariance) < 1e-12)
    variance = np.maximum(np.diag(covariance), spread / size)
    alikeness = np.minimum(variance / (spread / size), np.maximum(size / k, 1.0))[::-1]
    variance = np.where(silent, spread / size * np.where(silent[::-1], size / k, alikeness), variance)
    n = spread / variance
    own = np.sqrt(np.diag(covariance))
    alike = float(covariance[0, 1] / (own[0] * own[1])) if own.min() > 1e-9 else 0.0
    alike = min(max(alike, -0.95), 0.95)
    df = float(variance.sum() ** 2 / (variance**2 / (k - 1)).sum())

    (p1, p0), (n1, n0) = p.tolist(), n.tolist()

    def reach(t: float, *, down: bool) -> float:
        (low1, high1), (low0, high0) = _wilson(p1, n1, t), _wilson(p0, n0, t)
        a, b = (p1 - low1, high0 - p0) if down else (high1 - p1, p0 - low0)
        return math.sqrt(max(a * a + b * b - 2 * alike * a * b, 0.0))

    t = float(stdtrit(df, 1 - tail(confidence)))
    beyond, within = 1e3, 0.0  # the t at which the limit nearest 0 is 0
    if reach(beyond, down=difference > 0) > abs(difference):
        for _ in range(40):
            middle = (beyond + within) / 2
            past = reach(middle, down=difference > 0) > abs(difference)
            beyond, within = (middle, within) if past else (beyond, middle)
    value = 2 * float(stdtr(df, -beyond)) if difference else 1.0
    (low1, high1), (low0, high0) = _wilson(p1, n1, t), _wilson(p0, n0, t)
    ratio = float(p[0] / p[1]) if p[1] > 0 else None
    return Compared(
        exposed=float(p[0]),
        reference=float(p[1]),
        difference=difference,
        low=max(difference - reach(t, down=True), -1.0),
        high=min(difference + reach(t, down=False), 1.0),
        p=value,
        ratio=ratio,
        ratio_low=_ratio_limit(p, p1 - low1, high0 - p0, alike, low=True),
        ratio_high=_ratio_limit(p, high1 - p1, p0 - low0, alike, low=False),
        se=math.sqrt(max(_of_difference(covariance), 0.0)),
        df=df,
        effective=(sizes[0], sizes[1]),
    )


def _wilson(p: float, n: float, t: float) -> tuple[float, float]:
    """Wilson's limits of a share p of n, n no whole number, at so many standard errors."""
    square = t * t / n
    middle = (p + square / 2) / (1 + square)
    half = t / (1 + square) * math.sqrt(p * (1 - p) / n + square / (4 * n))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def _ratio_limit(p: Floats, a: float, b: float, alike: float, *, low: bool) -> float | None:
    """The R at which p1 - R p0 is as far from 0 as its limits allow: (p1 - R p0)**2 = a**2 - 2 r R a b + R**2 b**2."""
    square, middle, rest = float(p[1] ** 2 - b * b), float(p[0] * p[1]) - alike * a * b, float(p[0] ** 2 - a * a)
    if square <= 1e-12:
        return 0.0 if low else None
    root = math.sqrt(max(middle * middle - square * rest, 0.0))
    return max((middle - root if low else middle + root) / square, 0.0)
