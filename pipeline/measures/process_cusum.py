"""Risk-adjusted CUSUM: a dentist's (or a sequence's) teeth one after another, each against its own risk.

The risk of a tooth comes from the teeth of all others, by tooth type, lesion and kind of treatment. The sum rises where
more happens than the risks say and falls back to 0 where less does. Methods and sources stand in pipeline.stats.cusum.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import UserError
from pipeline.measures.run import Result, Row, Workspace
from pipeline.stats import cusum
from pipeline.stats._common import Floats
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import polars as pl

# What is watched: the numerator's value that is not wished for (0, or 1 and more), and what is said of teeth, of one.
WATCHED = {
    "healed_share": (0, "were not healed", "is not healed"),
    "separations_per_100_teeth": (1, "had an instrument separated", "has an instrument separated"),
}
GROUPED = ("dentist", "sequence")
STRATA = ("tooth_type", "lesion", "kind")
ODDS_RATIO = 2.0  # the change that the sum is made to find: twice the odds; common practice, no source
FALSE_ALARM = 0.05  # how often a series of exactly these teeth passes its limit by chance alone
FEWEST_OTHERS = 30  # teeth of others below which no risk is fitted; common practice, no source


@dataclass(frozen=True)
class ProcessCusum(Result):
    """A row a group: `n` teeth, `events`, `expected` from their risks, the `highest` sum, its `limit`, `signal_on`.

    `series` holds each group's sum after each tooth: `number` (from 1), `on` and `sum`; `signals` say in words which
    group's sum passed its limit and when, `notes` how it was made.
    """

    series: list[Row]
    signals: list[Row]
    notes: list[str]


def process_cusum(
    workspace: Workspace, name: str, by: Sequence[str], start: dt.date | None = None, end: dt.date | None = None
) -> ProcessCusum:
    """The CUSUM of `name` (a key of WATCHED) for every group of `by`, which is one name of GROUPED.

    A group smaller than the smallest that is reported, or whose others are too few for a risk, has no figures. The sum
    is not reset after a signal. UserError for other measures or groups.
    """
    if name not in WATCHED or len(by) != 1 or by[0] not in GROUPED:
        raise UserError(
            f"{name} has no process chart by {', '.join(by)}",
            do=f"--by month has charts; {' and '.join(WATCHED)} have one --by {' or '.join(GROUPED)}",
        )
    unwished, happened, happens = WATCHED[name]
    group = by[0]
    found = workspace.compute(name, by, start, end)
    units = _units(workspace, group, unwished)
    rows: list[Row] = []
    series: list[Row] = []
    signals: list[Row] = []
    for row in found.rows:
        value = row[group]
        kept = {group: value, "n": row["n"]}
        mine = units["of"].eq_missing(value)  # what is not recorded is no group, and has no units here
        own, others = units.filter(mine), units.filter(~mine)
        too_few = bool(row.get("too_few")) or own.is_empty()
        if too_few or others.height < FEWEST_OTHERS or others["event"].n_unique() < 2:
            rows.append(kept | dict.fromkeys(("events", "expected", "highest", "limit", "signal_on")))
            rows[-1] |= {"too_few": True}
            continue
        event, risk = own["event"].to_numpy(), _risk(own, others)
        sums = cusum.cusum(cusum.weights(risk, event, ODDS_RATIO))
        limit = cusum.limit(risk, ODDS_RATIO, FALSE_ALARM)
        beyond = np.flatnonzero(sums > limit)
        on = own["on"].to_list()
        first = on[int(beyond[0])] if beyond.size else None
        rows.append(
            kept
            | {"events": int(event.sum()), "expected": float(risk.sum()), "highest": float(sums.max()), "limit": limit}
            | {"signal_on": first}
        )
        series += [{group: value, "number": i + 1, "on": on[i], "sum": float(s)} for i, s in enumerate(sums)]
        if first is not None:
            number = int(beyond[0]) + 1
            says = (
                f"{first}: the sum of {group} “{value}” passes its limit of {limit:.2f} at tooth {number} of {len(on)}"
                f"; by then {int(event[:number].sum())} {happened}, {float(risk[:number].sum()):.1f} were expected"
            )
            signals.append({"rule": "cusum", "first": first, "last": first, "says": says})
    notes = [
        f"Each tooth against the risk that it {happens}, from the teeth of all others by tooth type, lesion and kind "
        "of treatment.",
        f"The sum looks for {ODDS_RATIO:g} times the odds; a series of exactly these teeth passes its limit by chance "
        f"alone {FALSE_ALARM * 100:g} times in 100. The risks are taken as known.",
        "A signal asks for a look; it says nothing of the cause.",
    ]
    title = f"{found.title}: risk-adjusted CUSUM"
    return ProcessCusum(
        **{**vars(found), "title": title, "unit": f"teeth that {happened}", "rows": rows},
        series=series,
        signals=signals,
        notes=notes,
    )


def _units(workspace: Workspace, group: str, unwished: int) -> pl.DataFrame:
    """One row a tooth that counts, in order of completion; what is not recorded is a level of its own."""
    strata = ", ".join(f'coalesce(cast("{s}" as varchar), \'not recorded\') as "{s}"' for s in STRATA)
    event = "numerator = 0" if unwished == 0 else "numerator > 0"
    return frame(
        workspace.connection,
        f'select cast("{group}" as varchar) as of, cast({event} as integer) as event, happened_on as "on", {strata} '
        f'from {workspace.kept} where "{group}" is not null order by happened_on, rowid',
    )


def _risk(own: pl.DataFrame, others: pl.DataFrame) -> Floats:
    def terms(teeth: pl.DataFrame) -> Any:
        columns = [(teeth[s] == level).to_numpy() for s, level in levels]
        return np.column_stack(columns).astype(float) if columns else np.empty((teeth.height, 0))

    levels = [(s, level) for s in STRATA for level in sorted(others[s].unique().to_list())[1:]]
    return cusum.fitted_risk(others["event"].to_numpy(), terms(others), terms(own))
