"""Comparisons, each pair of groups, as in a trial that was never made: crude beside four ways of comparing like cases.

The headline (`estimate`, its interval and p, and so the verdict) is the overlap-weighted difference of
stats.target_trial over all that the measure's `adjust` names: doubly robust, errors by patient. It is given only where
it can be told: enough patients a side, enough units for what is allowed for, and counterparts on the other side; else
`cannot_tell` or `cannot_compare` says why. Beside it: standardised by the outcome model and weighted by inverse
probabilities (the same units), Mantel-Haenszel and directly standardised shares over `strata`, and a logistic GEE with
the strata's parts as terms.

Units give `numerator`, `cluster`, the columns named by `strata`, `adjust` and `adjust_numbers`, and maybe `unseen` (why
there is no outcome: such units count as eligible only) and `months` (when the outcome was read).
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, own_cluster
from pipeline.stats import clustering, evalue, power, proportions, stratified, target_trial
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection

# All common practice, no source; two units a term as in Austin PC, Steyerberg EW, J Clin Epidemiol 2015;68:627-636,
# who found as many enough for linear models (from memory), and as simulated (pipeline/guide/validation.md).
FEWEST_CLUSTERS = 10  # patients a side
FEWEST_A_TERM = 2  # units of the smaller side for each term allowed for
FEWEST_EFFECTIVE = 10  # units that a side's weights amount to
MOST_ALONE = 0.5  # share of a side's units without a counterpart: of one side at least most must have one
FEW_CLUSTERS = clustering.FEW_CLUSTERS  # below this Mantel-Haenszel's limits take Student's t

# What a compared group says already, or is a part of, cannot be allowed for.
_SAME = {
    "month": ("completed_year",),
    "quarter": ("completed_year",),
    "year": ("completed_year",),
    "tooth_group": ("tooth_type",),
    "tooth": ("tooth_type",),
    "curvature_class": ("curvature",),
    "lesion": ("lesion_size",),
}
NAMES = {
    "tooth_type": "tooth type",
    "kind": "kind of treatment",
    "lesion": "lesion",
    "lesion_size": "lesion and its size",
    "curvature": "curvature class",
    "curvature_class": "curvature class",
    "dentist": "dentist",
    "completed_year": "year of completion",
    "months": "months to the review",
}


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    compared = by[0]
    drop = {compared, *_SAME.get(compared, ())}
    strata, adjust, numbers = (
        tuple(s for s in names if s not in drop) for names in (measure.strata, measure.adjust, measure.adjust_numbers)
    )
    everyone = _units(connection, units, measure, compared, strata, adjust, numbers)
    decided = everyone.filter(everyone["event"].is_not_null())
    size = dict.fromkeys(everyone["compared"].unique().to_list(), 0)
    size |= dict(decided.group_by("compared").len().iter_rows())
    eligible = dict(everyone.group_by("compared").len().iter_rows())
    largest_first = sorted(size, key=lambda g: (-size[g], g))
    said = _said(connection, measure, adjust, numbers)
    sides = {g: decided.filter(decided["compared"] == g) for g in largest_first}
    seen = "unseen" in measure.columns
    out = []
    for reference, other in combinations(largest_first, 2):
        exposed, opposite = sides[other], sides[reference]
        row = {compared: other, "reference": reference} | _pair(exposed, opposite, decided, strata, confidence)
        row |= _trial(exposed, opposite, adjust, numbers, confidence)
        row |= _model(exposed, opposite, strata, confidence)
        if seen:
            row |= {"n_eligible": eligible[other], "n_eligible_reference": eligible[reference]}
            row |= _reviewed(exposed, "") | _reviewed(opposite, "_reference")
        out.append(row | said)
    for p, adjusted, method in (
        ("p_value", "p_adjusted", power.benjamini_hochberg),
        ("homogeneity_p", "homogeneity_p_adjusted", power.holm),
    ):
        tested = [row for row in out if row[p] is not None]
        for row, value in zip(tested, method([r[p] for r in tested]) if tested else (), strict=True):
            row[adjusted] = float(value)
    for row in out:
        row["pairs"] = sum(r["p_value"] is not None for r in out)
    return out


def _units(
    connection: Connection,
    units: str,
    measure: Measure,
    compared: str,
    strata: tuple[str, ...],
    adjust: tuple[str, ...],
    numbers: tuple[str, ...],
) -> pl.DataFrame:
    """One row a unit: the group compared, whether it had the event, its strata and covariates, its cluster."""
    parts = "".join(f', cast("{s}" as varchar) as "{s}"' for s in dict.fromkeys((*strata, *adjust)))
    parts += "".join(f', cast("{s}" as double) as "{s}"' for s in numbers)
    together = " , ".join(f'cast("{s}" as varchar)' for s in strata)
    stratum = f"dense_rank() over (order by {together}) - 1" if strata else "0"
    return frame(
        connection,
        f"""select cast("{compared}" as varchar) as compared, cast(numerator as double) as event,
                cast({stratum} as bigint) as stratum, hash({own_cluster(measure)}) as cluster {parts}
            from {units} order by rowid""",
    )


def _said(connection: Connection, measure: Measure, adjust: tuple[str, ...], numbers: tuple[str, ...]) -> Row:
    """What was allowed for, what the store holds and was not, and what no record tells: as text."""
    held = [
        words
        for column, words in measure.not_adjusted.items()
        if connection.execute(
            f"select 1 from {column.partition('.')[0]} where {column.partition('.')[2]} is not null limit 1"
        ).fetchone()
    ]
    return {
        "adjusted_for": ", ".join(NAMES.get(a, a) for a in (*adjust, *numbers)),
        "not_adjusted_for": ", ".join(dict.fromkeys(held)),
        "unrecorded": measure.not_recorded,
    }


def _pair(
    exposed: pl.DataFrame, opposite: pl.DataFrame, everyone: pl.DataFrame, strata: tuple[str, ...], confidence: float
) -> Row:
    """One comparison without a model: crude, within strata, and standardised to the mix of everyone who counts."""
    count = int(everyone["stratum"].to_numpy().max(initial=0)) + 1

    def counted(side: pl.DataFrame) -> npt.NDArray[np.float64]:
        where, event = side["stratum"].to_numpy(), side["event"].to_numpy()
        events = np.bincount(where, weights=event, minlength=count)
        return np.stack([events, np.bincount(where, minlength=count) - events], axis=1)

    tables = np.stack([counted(exposed), counted(opposite)], axis=1)
    tables = tables[tables.sum(axis=(1, 2)) > 0]
    crude = stratified.crude(tables.sum(axis=0), confidence, (_alike(exposed), _alike(opposite)))
    both = exposed.vstack(opposite)
    side = np.repeat([True, False], [exposed.height, opposite.height])
    event, stratum, cluster = (both[c].to_numpy() for c in ("event", "stratum", "cluster"))
    effect = stratified.between_clusters(event, side, stratum, cluster)
    patients = exposed["cluster"].n_unique(), opposite["cluster"].n_unique()
    adjusted = stratified.mantel_haenszel(tables, confidence, effect * _few(min(patients), confidence))
    standard = stratified.standardised_difference(
        event, side, stratum, np.bincount(everyone["stratum"].to_numpy(), minlength=count), cluster, confidence
    )
    alpha = round(1 - confidence, 12)
    return {
        "n": int(crude.n_exposed),
        "events": int(tables[:, 0, 0].sum()),
        "n_reference": int(crude.n_reference),
        "events_reference": int(tables[:, 1, 0].sum()),
        "patients": patients[0],
        "patients_reference": patients[1],
        "crude_difference": crude.risk_difference,
        "crude_low": crude.difference_low,
        "crude_high": crude.difference_high,
        "crude_odds_ratio": crude.odds_ratio,
        "crude_odds_ratio_low": crude.odds_low,
        "crude_odds_ratio_high": crude.odds_high,
        "mantel_haenszel_difference": adjusted.risk_difference,
        "mantel_haenszel_low": adjusted.difference_low,
        "mantel_haenszel_high": adjusted.difference_high,
        "odds_ratio": adjusted.odds_ratio,
        "odds_ratio_low": adjusted.odds_low,
        "odds_ratio_high": adjusted.odds_high,
        "homogeneity_p": stratified.equal_odds_p(tables, effect),
        "homogeneity_p_adjusted": None,
        "strata": adjusted.strata_used,
        "strata_dropped": adjusted.strata_dropped,
        "n_used": int(adjusted.n_used),
        "smallest_difference": power.smallest_difference(
            crude.n_exposed, crude.n_reference, crude.reference or 0.0, alpha=alpha
        ),
        "directly_standardised_difference": standard.difference,
        "directly_standardised_low": standard.low,
        "directly_standardised_high": standard.high,
        "standard_covered": standard.covered,
    }


def _alike(side: pl.DataFrame) -> float:
    """Design effect of a side's share: teeth of one patient."""
    import polars as pl

    sums = side.group_by("cluster").agg(n=pl.len().cast(pl.Float64), y=pl.col("event").sum())
    n, y = sums["n"].to_numpy(), sums["y"].to_numpy()
    if not n.size:
        return 1.0
    return float(proportions.design_effect(y.sum(), n.sum(), n.size, (y * y).sum(), (y * n).sum(), (n * n).sum()))


def _few(patients: int, confidence: float) -> float:
    """By what a variance is larger where few patients call for Student's t."""
    if not 2 <= patients < FEW_CLUSTERS:
        return 1.0
    from scipy.special import stdtrit

    upper = (1 + confidence) / 2
    return float(stdtrit(patients - 1, upper) / stdtrit(1e9, upper)) ** 2


_NOT_TOLD = dict.fromkeys(
    (
        *("estimate", "low", "high", "p_value", "p_adjusted", "adjusted", "adjusted_reference"),
        *("risk_ratio", "risk_ratio_low", "risk_ratio_high", "e_value", "e_value_limit"),
        *("standardised", "standardised_reference"),
        *("standardised_difference", "standardised_low", "standardised_high"),
        *("weighted_difference", "weighted_low", "weighted_high"),
        *("n_compared", "n_compared_reference", "effective_n", "effective_n_reference", "alone", "alone_reference"),
        *("imbalance", "imbalance_weighted", "terms", "cannot_tell", "cannot_compare"),
    )
)


def _trial(
    exposed: pl.DataFrame, opposite: pl.DataFrame, adjust: tuple[str, ...], numbers: tuple[str, ...], confidence: float
) -> Row:
    """The headline, the two estimates beside it, and the overlap that they stand on; or why there is none."""
    few = min(side["cluster"].n_unique() for side in (exposed, opposite))
    if few < FEWEST_CLUSTERS:
        who = "1 patient" if few == 1 else f"{few} patients"
        return _NOT_TOLD | {"cannot_tell": f"{who} on a side, fewer than {FEWEST_CLUSTERS}"}
    both = exposed.vstack(opposite)
    side = np.repeat([True, False], [exposed.height, opposite.height])
    values = [_of_side(both[name].to_numpy(), side) for name in numbers]
    design = target_trial.designed(side, [both[name].to_numpy() for name in adjust], values)
    kept = design.kept
    by_side = [kept & side, kept & ~side]
    counted = [int(s.sum()) for s in by_side]
    row = _NOT_TOLD | {
        "n_compared": counted[0],
        "n_compared_reference": counted[1],
        "alone": design.alone[0],
        "alone_reference": design.alone[1],
        "terms": design.terms,
    }
    if min(design.alone) > MOST_ALONE:
        return row | {"cannot_compare": _why_alone(design, adjust)}
    event, cluster = both["event"].to_numpy()[kept], both["cluster"].to_numpy()[kept]
    weight = target_trial.weights(design)
    effective = [target_trial.effective_size(weight[s]) for s in (design.exposed, ~design.exposed)]
    before, after = target_trial.standardised_mean_differences(design.x[:, 1:], design.exposed, weight)
    row |= {
        "effective_n": effective[0],
        "effective_n_reference": effective[1],
        "imbalance": float(np.abs(before).max(initial=0.0)),
        "imbalance_weighted": float(np.abs(after).max(initial=0.0)),
    }
    if min(effective) < FEWEST_EFFECTIVE:
        said = f"the cases that are alike amount to fewer than {FEWEST_EFFECTIVE} on a side"
        return row | {"cannot_compare": said}
    if min(np.unique(cluster[s]).size for s in (design.exposed, ~design.exposed)) < FEWEST_CLUSTERS:
        return row | {
            "cannot_compare": f"fewer than {FEWEST_CLUSTERS} patients of a side have cases with a counterpart"
        }
    if min(counted) < FEWEST_A_TERM * design.terms:
        many = f"{min(counted)} cases on a side are fewer than {FEWEST_A_TERM} for each of {design.terms} terms"
        return row | {"cannot_tell": f"{many} that are allowed for"}
    found = target_trial.estimates(design, event, cluster, confidence)
    top, model, inverse = found.overlap, found.standardised, found.weighted
    row |= {
        "estimate": top.difference,
        "low": top.low,
        "high": top.high,
        "p_value": top.p,
        "adjusted": top.exposed,
        "adjusted_reference": top.reference,
        "risk_ratio": top.ratio,
        "risk_ratio_low": top.ratio_low,
        "risk_ratio_high": top.ratio_high,
        "standardised": model.exposed,
        "standardised_reference": model.reference,
        "standardised_difference": model.difference,
        "standardised_low": model.low,
        "standardised_high": model.high,
        "weighted_difference": inverse.difference,
        "weighted_low": inverse.low,
        "weighted_high": inverse.high,
    }
    # Where a side has the event never its ratio is 0, or whatever the models' ridge leaves of it.
    if top.ratio and all(event[s].any() for s in (design.exposed, ~design.exposed)):
        row["e_value"] = evalue.e_value(top.ratio)
    if row["e_value"] is not None and top.ratio_low is not None and top.ratio_high is not None:
        row["e_value_limit"] = evalue.e_value_of_limit(top.ratio_low, top.ratio_high)
    return row


def _of_side(values: npt.NDArray[np.float64], side: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """What is not known of a unit is the mean of its side: a failure that was never reviewed has no time of review."""
    out = values.astype(float)
    for s in (side, ~side):
        known = out[s & np.isfinite(out)]
        out[s & ~np.isfinite(out)] = known.mean() if known.size else 0.0
    return out


_ONE_SIDED = {"dentist": "each dentist used only one of them", "completed_year": "they were used in different years"}


def _why_alone(design: target_trial.Design, adjust: tuple[str, ...]) -> str:
    """Why so many have no counterpart: one covariate by itself, if one does it, else all together."""
    worst = max(design.alone_by, key=min, default=(0.0, 0.0))
    if min(worst) > MOST_ALONE:
        column = adjust[design.alone_by.index(worst)]
        if min(worst) == 1:
            return _ONE_SIDED.get(column, f"no {NAMES.get(column, column)} is found on both sides")
        return f"most cases of either side have a {NAMES.get(column, column)} that is not found on the other"
    shares = f"{design.alone[0] * 100:.0f} and {design.alone[1] * 100:.0f} %"
    return f"{shares} of the cases of the two sides have no counterpart on the other, all that is allowed for together"


def _reviewed(side: pl.DataFrame, suffix: str) -> Row:
    """When a side's outcomes were read: median and quartiles in months, of those that were."""
    months = side["months"].drop_nulls().to_numpy() if "months" in side.columns else np.zeros(0)
    at = np.quantile(months, [0.25, 0.5, 0.75]).tolist() if months.size else [None] * 3
    return {
        f"review_{name}{suffix}": value for name, value in zip(("quarter", "median", "three_quarters"), at, strict=True)
    }


def _model(exposed: pl.DataFrame, opposite: pl.DataFrame, strata: tuple[str, ...], confidence: float) -> Row:
    """Odds ratio of a logistic GEE clustered by patient; None where too few patients or the data allow none."""
    empty = dict.fromkeys(("gee_odds_ratio", "gee_low", "gee_high", "gee_p", "gee_n", "gee_clusters"))
    if min(side["cluster"].n_unique() for side in (exposed, opposite)) < FEWEST_CLUSTERS:
        return empty
    both = exposed.vstack(opposite).with_columns(side=np.repeat([1.0, 0.0], [exposed.height, opposite.height]))
    both = _informative(both, ("side", *strata))
    if both["side"].n_unique() < 2:  # one side has the event always or never: its odds are not estimable
        return empty
    terms, names = [both["side"].to_numpy()], ["side"]
    for stratum in strata:
        # The commonest level is what the others are compared with.
        levels = both[stratum].value_counts().sort("count", stratum, descending=[True, False])[stratum].to_list()
        terms += [(both[stratum] == level).to_numpy().astype(float) for level in levels[1:]]
        names += [f"{stratum} {level}" for level in levels[1:]]
    fitted = clustering.gee_logistic(
        both["event"].to_numpy(), np.column_stack(terms), both["cluster"].to_numpy(), names, confidence
    )
    if fitted is None:
        return empty
    return {
        "gee_odds_ratio": fitted.odds_ratio[1],
        "gee_low": fitted.low[1],
        "gee_high": fitted.high[1],
        "gee_p": fitted.p[1],
        "gee_n": fitted.n,
        "gee_clusters": fitted.clusters,
    }


def _informative(units: pl.DataFrame, terms: tuple[str, ...]) -> pl.DataFrame:
    """Without the levels of a term in which the outcome never varies: they fit any odds ratio and would run away."""
    import polars as pl

    event = pl.col("event")
    while True:
        before = units.height
        for term in terms:
            units = units.filter(event.min().over(term) < event.max().over(term))
        if units.height == before:
            return units
