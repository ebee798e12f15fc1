"""How a computed measure stands in a terminal: which columns, and which in per cent. JSON and files have all."""

from __future__ import annotations

from typing import Any

from pipeline.measures.catalogue import find
from pipeline.measures.run import Result

# Of a comparison a table shows these; --json and --out have every figure.
_OF_COMPARISONS = frozenset(
    (
        *("reference", "n", "n_reference", "crude_difference", "estimate", "low", "high", "p_adjusted"),
        *("mantel_haenszel_difference", "e_value", "alone", "alone_reference", "too_few"),
    )
)

_OF_RATES = frozenset(
    (
        *("reference", "n", "events", "rate", "n_reference", "events_reference", "rate_reference", "crude_ratio"),
        *("estimate", "low", "high", "p_adjusted", "method", "events_used", "too_few"),
    )
)
_OF_EVENTS_SEEN_AT_VISITS = ("told_from", "at_least_low", "at_most_high")

# Columns that go, in this order, where a table is too wide.
_SPARE = (
    *("up_on", "down_on", "signal"),  # of a CUSUM: sentences below tell them
    *("overdispersion_allowed_for", "weibull_shape", "method", "df", "chi2", "p_value", "standardised_difference"),
    *("limit_interval_998", "limit_low_998", "shrunken", "alone", "alone_reference", "mantel_haenszel_difference"),
    *("e_value", "events_used", "rate_reference", "events_reference", "rate", "crude_difference", "crude_ratio"),
    *("crude_interval", "median_reference", "patients", "design_effect", "largest_weight", "not_represented"),
    *("lowest_interval", "lowest_low", "highest_high", "turnbull", "differs", "over_by_10", "over_by_10_interval"),
    *(
        "units",
        "exposure",
        "total",
        "strata",
        "days_interval",
        "days_centre",
        "canals_high",
        "canals_centre",
        "tentative",
    ),
    *("target", "centre", "p90", "q1", "q3", "limit_interval_95", "partly_recorded", "n_reference", "recorded_share"),
    *("not_recorded", "expected", "few_at_risk", "p_adjusted", "median", "events"),
)
_SHORT = {
    "n_reference": "n there",
    "events_reference": "events there",
    "rate_reference": "rate there",
    "reference": "against",
    "estimate": "figure",
    "design_effect": "design",
    "not_recorded": "blank",
    "recorded_share": "recorded",
    "mantel_haenszel_difference": "M-H",
    "p_adjusted": "p",
}

_SHARES = (
    *("estimate", "low", "high", "lowest", "lowest_low", "highest", "highest_high", "unweighted", "smooth"),
    *(
        "value",
        "low_limit",
        "high_limit",
        "at_least",
        "at_most",
        "at_least_low",
        "at_most_high",
        "turnbull",
        "target",
        "centre",
    ),
    *("limit_low_95", "limit_high_95", "limit_low_998", "limit_high_998", "shrunken"),
)
_DIFFERENCES = ("estimate", "low", "high", "crude_difference", "mantel_haenszel_difference")
_SHARES_BESIDE = ("alone", "alone_reference", "share_seen", "share_not_seen")


def heading(result: Result) -> str:
    """The line above the table: what it is, and in which unit."""
    measure = find(result.measure)
    timed = measure.time_unit if any("time" in row for row in result.rows) else ""
    points = ", in percentage points" if _in_points(result) else ""
    return f"{result.title} ({result.unit}{points}{f'; time in {timed}' if timed else ''})"


def shown(result: Result) -> dict[str, Any]:
    """How output.terminal.table shows the result's rows: what of them, and in which order columns can be spared."""
    columns = dict.fromkeys(key for row in result.rows for key in row)
    options: dict[str, Any] = {"spare": _SPARE, "short": {k: v for k, v in _SHORT.items() if k not in result.by}}
    beside = [name for name in columns if name.endswith("_share")]  # a share counted beside a figure of another unit
    ends = [f"{name.removesuffix('_share')}_{end}" for name in beside for end in ("low", "high")]
    options["percent"] = (*beside, *(name for name in ends if name in columns), *_SHARES_BESIDE)
    if _in_points(result):
        options["points"] = _DIFFERENCES
    elif result.unit == "share" or result.unit.startswith("share "):
        options["percent"] = (*options["percent"], *_SHARES)
    if result.kind in ("comparison", "rate_comparison"):
        kept = _OF_COMPARISONS if result.kind == "comparison" else _OF_RATES
        options["drop"] = [c for c in columns if c not in kept and c not in result.by]
        options["empty"] = "Nothing to compare."
    elif result.kind == "interval_censored":
        options["drop"] = _OF_EVENTS_SEEN_AT_VISITS
    return options


def _in_points(result: Result) -> bool:
    return result.unit == "difference of shares"
