"""A measure in plain words: what it is, how it is computed, where it comes from, and examples.

With a practice's settings the definition has its own months; with its store there is an example of its own figures,
and how many units they leave out.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from importlib import import_module
from textwrap import dedent, fill
from typing import Any

from pipeline.facts.prepare import reads
from pipeline.measures.catalogue import Example, Measure
from pipeline.measures.examples import table as rows_of
from pipeline.measures.run import Result, Row, Workspace
from pipeline.measures.sentence import with_sentences
from pipeline.settings import Settings

# How the figures of a kind are made. A kind without a line here is explained by the first line of its module.
FORMULAS = {
    "share": "p = x / n. Wilson interval: (x + z²/2 ± z √(x (n - x) / n + z²/4)) / (n + z²), where x and n are first "
    "divided by the design effect of alike units of one patient",
    "rate": "r = x / exposure. Garwood interval: χ²(α/2; 2x) / 2 and χ²(1 - α/2; 2x + 2) / 2, divided by the exposure",
    "time": "the middle value of n in order of size; its interval lies between the values of ranks k and n + 1 - k, "
    "k from the binomial distribution (n, 1/2)",
    "amount": "mean = total / n; interval: mean ± t √(variance between patients), Student's t",
    "survival": "S(t) = Π (1 - events / at risk) over the times up to t; limits S^exp(± z θ), "
    "θ = √(Σ events / (at risk (at risk - events))) / |ln S| (Greenwood)",
    "rate_comparison": "within strata with a events in t1 and b in t0 (t together): ratio = Σ a t0 / t divided by "
    "Σ b t1 / t; variance of its logarithm Σ (a + b) t1 t0 / t² divided by the product of these two sums; where few, "
    "a is binomial given a + b with the chance r t1 / (r t1 + t0), and Σ a a convolution",
    "comparison": "share of a side = Σ e (1 - e) m / Σ e (1 - e) over both sides + Σ w (y - m) / Σ w over its own; "
    "e the chance to be on the first side, m that of the event, both from logistic models, w = 1 - e on the first "
    "side, e on the other; difference of both shares, limits from Wilson's of each and the jackknife by patient. "
    "Mantel-Haenszel, within strata with a of n1 and c of n0 (n together): difference = Σ (a n0 - c n1) / n divided by "
    "Σ n1 n0 / n; odds ratio = Σ a (n0 - c) / n divided by Σ c (n1 - a) / n",
    "funnel": "target = Σ x / Σ n; limits: the numbers that a binomial count (n, target) passes by chance 2.5 and 0.1 "
    "times in 100 on a side, divided by n",
}


def own_words(text: str, settings: Settings) -> str:
    """A definition or caption with the practice's own months in place of the usual 12, and 9 to 18."""
    months = settings.reporting.healed_after_months
    first, last = settings.reporting.recall_window_months
    text = re.sub(r"\b12( calendar)? months (?=after completion|ago\b)", rf"{months}\1 months ", text)
    since, until = settings.reporting.comparison_window_months
    text = re.sub(r"\b12 to 24 months after completion", f"{since} to {until} months after completion", text)
    return re.sub(r"\b9( to |-)18 month", rf"{first}\g<1>{last} month", text)


def formula(measure: Measure) -> str:
    """How the measure's figure is computed, in one line."""
    kind = "share" if measure.kind == "checks" else measure.kind  # of the checks recorded, those met
    if kind in FORMULAS:
        scaled = f"; printed times {measure.scale:g}" if measure.scale != 1 else ""
        return FORMULAS[kind] + scaled
    said = (import_module(f"pipeline.measures.kinds.{measure.kind}").__doc__ or "").partition("\n\n")[0]
    return " ".join(said.split()).rstrip(".")


_WIDTH = 96  # columns, beyond which lines of prose are hard to read


def explained(
    measure: Measure, settings: Settings | None = None, workspace: Workspace | None = None, width: int = _WIDTH
) -> str:
    """The text of `canalwise explain NAME`; the workspace of a store adds the practice's own figures.

    Prose is broken at `width` columns, at 96 where there are more; a table of an example that is wider is given as one
    record below another.
    """
    settings = settings or Settings()
    prose = partial(_wrapped, width=min(width, _WIDTH))
    table = partial(_example_table, room=width)
    parts = [
        prose(f"{measure.title} [{measure.name}]"),
        prose(f"Unit: {measure.unit}. Kind: {measure.kind}."),
        "",
        prose(own_words(measure.definition, settings)),
    ]
    if measure.numerator:
        parts += ["", prose(f"Numerator: {measure.numerator}."), prose(f"Denominator: {measure.denominator}.")]
    parts += ["", prose(f"Formula: {formula(measure)}.")]
    parts += ["", prose(own_words(measure.caption, settings)), "", prose("Source: " + measure.source)]
    parts += ["", prose(f"Settings it follows: {', '.join(_settings(measure, settings))}.")]
    needs = [f"{kind}" + (f" ({', '.join(columns)})" if columns else "") for kind, columns in measure.needs.items()]
    if measure.needs_one_of:
        needs.append(" or ".join(measure.needs_one_of))
    if needs:
        parts += ["", prose("Needs: " + "; ".join(needs))]
    if measure.groups:
        parts += ["", prose("Can be grouped by: " + ", ".join(measure.groups))]
    for figure in measure.published:
        interval = f" ({figure.low:g} to {figure.high:g})" if figure.low is not None and figure.high is not None else ""
        n = f", n = {figure.n:,}" if figure.n else ""
        parts += [
            "",
            prose(
                f"Published, as context and not as a target: {figure.value:g}{interval}{n}, {figure.population}. "
                f"{figure.source}. What differs: {figure.differs}"
            ),
        ]
    for example in measure.example:
        parts += ["", prose("Worked example: " + example.says + ".")]
        for kind, text in example.given.items():
            parts += [f"  given {kind}:", table(text)]
        parts += [prose(f"the figure{_asked(example)}:", indent=2), table(example.expect)]
    if workspace is not None:
        parts += ["", *_own(measure, workspace, prose)]
    return "\n".join(parts)


def _asked(example: Example) -> str:
    """How an example's figure was asked for, in words that follow it."""
    by = f" by {', '.join(example.by)}" if example.by else ""
    only = "".join(f", {group} {value} alone" for group, value in example.where.items())
    start = f" from {example.start}" if example.start else ""
    end = f" to {example.end}" if example.end else ""
    return by + only + start + end + (f", as of {example.as_of}" if example.as_of else "")


def explained_json(measure: Measure, settings: Settings | None = None, workspace: Workspace | None = None) -> Row:
    """What `canalwise explain NAME --json` prints: the measure's entries, and `own`, the store's figures, or null."""
    settings = settings or Settings()
    own = own_figures(measure, workspace) if workspace else None
    return {
        **measure.model_dump(mode="json", by_alias=True, exclude={"sql"}),
        "definition": own_words(measure.definition, settings),
        "caption": own_words(measure.caption, settings),
        "formula": formula(measure),
        "settings": _settings(measure, settings),
        "own": own.as_json() if own else None,
    }


def own_figures(measure: Measure, workspace: Workspace) -> Result | None:
    """The measure of the workspace's store, ungrouped; None where the store lacks what it needs."""
    if workspace.missing(measure.name):
        return None
    return with_sentences(workspace.compute(measure.name), workspace.settings.reporting.confidence)


def worked(measure: Measure, row: Row, unit: str) -> str:
    """One row as the arithmetic that makes its figure, as far as one line can hold it."""
    if row.get("too_few"):
        return "too few to report"
    if "sentence" in row:
        return str(row["sentence"])
    n, x, figure = row.get("n"), row.get("events"), row.get("estimate")
    times = f" × {measure.scale:,.6g}" if measure.scale != 1 else ""
    interval = ""
    if row.get("low") is not None and row.get("high") is not None:
        interval = f" (interval {_short(row['low'])} to {_short(row['high'])})"
    if measure.kind in ("share", "checks") and figure is not None:
        beside = f"; not recorded: {row['not_recorded']:,}" if measure.kind == "checks" else ""
        return (
            f"{x:,} {measure.numerator or 'events'} of {n:,} {measure.denominator or 'units'}: "
            f"{x:,} / {n:,}{times} = {_short(figure)}{interval}{beside}"
        )
    if measure.kind == "rate" and figure is not None:
        below = _short(row["exposure"])
        return (
            f"{x:,} {measure.numerator or 'events'} over {below} {measure.denominator or 'of exposure'}: "
            f"{x:,} / {below}{times} = {_short(figure)}{interval}"
        )
    if measure.kind == "amount" and figure is not None and not times:
        total = _short(row["total"])
        return f"total {total} {unit}: {total} / {n:,} = {_short(figure)}{interval}"
    if measure.kind == "time" and figure is not None:
        return f"the middle one of {n:,} values in order is {_short(figure)} {unit}{interval}"
    return ", ".join(f"{key.replace('_', ' ')} {_short(value)}" for key, value in row.items() if value is not None)


_FEW_LINES = 6  # of a measure with many rows, these are shown


def _own(measure: Measure, workspace: Workspace, prose: Callable[..., str]) -> list[str]:
    """The practice's own figures and what they leave out."""
    result = own_figures(measure, workspace)
    if result is None:
        return [prose(f"This practice's store cannot answer it: {', '.join(workspace.missing(measure.name))}.")]
    until = f"records up to {workspace.as_of.isoformat()}"
    if measure.kind == "list":
        many = "1 line" if len(result.rows) == 1 else f"{len(result.rows):,} lines"
        return [prose(f"This practice, {until}: {many}; `canalwise measure {measure.name}` shows them.")]
    parts = [prose(f"This practice's own figures, {until}:")]
    parts += [prose(worked(measure, row, result.unit), indent=4) for row in result.rows[:_FEW_LINES]]
    if not result.rows:
        parts.append("    no unit counts")
    if len(result.rows) > _FEW_LINES:
        parts.append(f"    and {len(result.rows) - _FEW_LINES} rows more")
    parts.append("Left out:" if result.left_out else "Left out: nothing")
    parts += [prose(f"{left['n']:,} - {left['reason']}", indent=4, hang=2) for left in result.left_out]
    return parts


def _settings(measure: Measure, settings: Settings) -> list[str]:
    """The practice's settings that change this figure, in words."""
    reporting = settings.reporting
    first, last = reporting.recall_window_months
    columns = reads(measure.sql)
    said = [
        f"intervals of {reporting.confidence * 100:.6g} %",
        f"groups of fewer than {reporting.smallest_group} are not reported",
    ]
    if columns & {"outcome_class", "outcome_seen_on", "due"}:
        said.append(f"outcomes count from {reporting.healed_after_months} months after completion")
    if columns & {"recalled", "window_open", "follow_ups_in_window"}:
        said.append(f"the recall window is {first} to {last} months")
    if measure.kind == "comparison" and "window_healed" in columns:
        since, until = reporting.comparison_window_months
        said.append(f"outcomes are compared {since} to {until} months after completion")
    if measure.unit == "currency":
        said.append(f"sterilisation costs {settings.sterilisation_cost:g} {settings.currency} a cycle")
    return said


def _short(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:,.4g}" if abs(value) < 10_000 else f"{value:,.0f}"
    return f"{value:,}" if isinstance(value, int) else str(value)


def _wrapped(text: str, width: int, indent: int = 0, hang: int = 0) -> str:
    margin = " " * indent
    return fill(
        " ".join(text.split()),
        width=width,
        initial_indent=margin,
        subsequent_indent=margin + " " * hang,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _example_table(text: str, room: int) -> str:
    """A text table, indented; where it is wider than `room`, a sentence of its cells for each row."""
    lines = dedent(text).strip().splitlines()
    if max(map(len, lines)) + 4 <= room:
        return "\n".join("    " + line for line in lines)
    rows = [", ".join(f"{name} {cell}" for name, cell in row.items() if cell) for row in rows_of(text)]
    return "\n".join(_wrapped(f"- {row}", room, indent=4, hang=2) for row in rows)
