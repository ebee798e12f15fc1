"""Risk-adjusted CUSUM: a dentist's (or a sequence's) teeth one after another, each against its own risk.

The risk of a tooth comes from the teeth of all others, by tooth type, lesion and kind of treatment. One sum rises where
more happens than the risks say, another where less does; each falls back to 0. A limit once passed is a signal until
the settings answer it: from that day on the sums start again at 0. Methods and sources stand in pipeline.stats.cusum.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import UserError
from pipeline.measures.case_mix import PATIENT, columns, first_seen, terms
from pipeline.measures.run import Result, Row, Workspace
from pipeline.settings import Answer
from pipeline.stats import cusum, risk_model
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
ODDS_RATIO = 2.0  # the change that the sums are made to find: twice the odds, half the odds; common practice, no source
FALSE_ALARM = 0.05  # how often a series of such teeth, however long it grows, passes a limit by chance alone
# Teeth of others below which no risk is fitted, and of them with and without the event: simulated, with fewer the
# promise is not kept and a doubling is not found (tests/planted/simulated/test_peers.py, table in the guide).
FEWEST_OTHERS = 60
FEWEST_EVENTS = 5
MORE, FEWER = "more than expected", "fewer than expected"

SIDES = ("up_on", "down_on")
HIGHEST = (("highest", "limit"), ("highest_down", "limit_down"))
FIGURES = (
    *("events", "expected", "highest", "limit", "highest_down", "limit_down", "signal_on", "signal", *SIDES),
    *("answered_on", "answered_signal_on", "answered_signal", "answer", "n_since_answer"),
)


@dataclass(frozen=True)
class ProcessCusum(Result):
    """A row a group: `n` teeth, `events`, `expected` from their risks, and of both sums the highest and the limit.

    `highest` and `limit` are of the sum that rises with more events than expected, where it stood highest against its
    limit, `highest_down` and `limit_down` of that which rises with fewer, both since the last answer. `signal` says
    which side of it passed, `signal_on` when first, `up_on` and `down_on` when each. Of an answer: its day, its note,
    the first signal before it, and how many teeth came since.

    `series` holds each group's sums after each tooth: `number` (from 1), `on`, `sum`, `sum_down`, their limits, and
    `answered`, how many answers came before it;
    `signals` say in words which group's sum passed its limit and when, `notes` how it was made.
    """

    series: list[Row]
    signals: list[Row]
    notes: list[str]


def process_cusum(
    workspace: Workspace, name: str, by: Sequence[str], start: dt.date | None = None, end: dt.date | None = None
) -> ProcessCusum:
    """The CUSUM of `name` (a key of WATCHED) for every group of `by`, which is one name of GROUPED.

    A group smaller than the smallest that is reported, or whose others are too few for a risk, has no figures. The
    sums start again only where an answer says so. UserError for other measures or groups.
    """
    if name not in WATCHED or len(by) != 1 or by[0] not in GROUPED:
        raise UserError(
            f"{name} has no process chart by {', '.join(by)}",
            do=f"--by month has charts; {' and '.join(WATCHED)} have one --by {' or '.join(GROUPED)}",
        )
    unwished, happened, happens = WATCHED[name]
    group = by[0]
    found = workspace.compute(name, by, start, end, also=STRATA)
    units = _units(workspace, group, unwished)
    x = terms(units, STRATA)
    rows: list[Row] = []
    series: list[Row] = []
    signals: list[Row] = []
    for row in found.rows:
        value = row[group]
        kept = {group: value, "n": row["n"]}
        mine = units["of"].eq_missing(value)  # what is not recorded is no group, and has no units here
        own, others = units.filter(mine), units.filter(~mine)
        if row.get("too_few") or own.is_empty() or _few(others):
            rows.append(kept | dict.fromkeys(FIGURES) | {"too_few": True})
            continue
        answers = sorted(
            (a for a in workspace.settings.answers if (a.measure, a.group, a.value) == (name, group, value)),
            key=lambda a: a.on,
        )
        of = np.asarray(mine, dtype=bool)
        model = risk_model.fitted(others["event"].to_numpy(), x[~of], others["patient"].to_numpy())
        figures, points, says = _watched(own, x[of], model, [a for a in answers if a.on <= workspace.as_of])
        rows.append(kept | figures)
        series += [{group: value} | point for point in points]
        signals += [
            {"rule": "cusum", "first": day, "last": day}
            | {"says": f"{day}: the sum of {group} “{value}” {text}".replace("HAPPENED", happened)}
            for day, text in says
        ]
    notes = [
        f"Each tooth against the risk that it {happens}, from the teeth of all others by tooth type, lesion and kind "
        "of treatment.",
        f"One sum looks for {ODDS_RATIO:g} times the odds (more than expected), one for half of them (fewer); of 100 "
        f"series of such teeth, however long they grow, at most {FALSE_ALARM * 100:g} pass a limit by chance alone. "
        "Limits rise with the number of teeth. Once the first of them are many enough, own teeth that come in later "
        "move no limit of earlier ones; those of others move the risks, and limits a little with them. Limits allow "
        "for risks that are estimated, and for teeth of one patient being alike. With fewer than "
        f"{FEWEST_OTHERS} teeth of others, or {FEWEST_EVENTS} of them with or without the event, there is no sum.",
        "A signal asks for a look, and stays until it is answered in the settings; it says nothing of the cause.",
    ]
    title = f"{found.title}: risk-adjusted CUSUM"
    return ProcessCusum(
        **{**vars(found), "title": title, "unit": f"teeth that {happened}", "rows": rows},
        series=series,
        signals=signals,
        notes=notes,
    )


def _few(others: pl.DataFrame) -> bool:
    """Are there too few teeth of others, or too few with or without the event, to tell a risk?"""
    with_event = int(others["event"].sum())
    return others.height < FEWEST_OTHERS or min(with_event, others.height - with_event) < FEWEST_EVENTS


def _watched(
    own: pl.DataFrame, of_own: Floats, model: risk_model.RiskModel, answers: Sequence[Answer]
) -> tuple[Row, list[Row], list[tuple[dt.date, str]]]:
    """Figures of one group, its sums tooth by tooth, and its signals that are not answered, in words."""
    event, risk, on = own["event"].to_numpy(), model.expected(of_own), own["on"].to_list()
    figures: Row = {"events": int(event.sum()), "expected": float(risk.sum())} | dict.fromkeys(FIGURES[2:])
    points: list[Row] = []
    says: list[tuple[dt.date, str]] = []
    for answered, (teeth, answer) in enumerate(_parts(on, answers)):
        patients = own["patient"].to_numpy()[teeth]
        limits = cusum.limits(model, of_own[teeth], patients, ODDS_RATIO, FALSE_ALARM)
        passed: dict[str, int] = {}
        sums, nearest = [], []
        for side, ratio, limit in (("up_on", ODDS_RATIO, limits.up), ("down_on", 1 / ODDS_RATIO, limits.down)):
            s = cusum.cusum(cusum.weights(risk[teeth], event[teeth], ratio))
            sums.append(s)
            beyond = np.flatnonzero(s > limit + 1e-9)  # a limit that the sum just reaches is not passed
            nearest.append(int(np.argmax(s - limit)) if s.size else 0)
            if beyond.size:
                passed[side] = teeth.start + int(beyond[0])
        points += [
            {"number": i + 1, "on": on[i], "sum": float(up), "sum_down": float(down)}
            | {"limit": float(limit), "limit_down": float(limit_down), "answered": answered}
            for i, up, down, limit, limit_down in zip(
                range(teeth.start, teeth.stop), *sums, limits.up, limits.down, strict=True
            )
        ]
        first = min(passed.values(), default=None)
        signal = " and ".join(
            {"up_on": MORE, "down_on": FEWER}[side] for side in sorted(passed, key=lambda s: passed[s])
        )
        if answer is not None:
            figures |= {"answered_on": answer.on, "answer": answer.note, "n_since_answer": len(on) - teeth.stop}
            if first is not None and figures["answered_signal_on"] is None:
                figures |= {"answered_signal_on": on[first], "answered_signal": signal}
            continue
        if teeth.start == teeth.stop:  # none since the answer
            continue
        for names, s, ends, i in zip(HIGHEST, sums, (limits.up, limits.down), nearest, strict=True):
            figures |= dict(zip(names, (float(s[i]), float(ends[i])), strict=True))
        figures |= {side: on[i] for side, i in passed.items()}
        if first is not None:
            figures |= {"signal_on": on[first], "signal": signal}
        says += [_says(side, i, teeth, on, event, risk, limits) for side, i in passed.items()]
    return figures, points, says


def _parts(on: Sequence[dt.date], answers: Sequence[Answer]) -> Iterator[tuple[slice, Answer | None]]:
    """Which teeth, in order of time, come before each answer and after the last of them."""
    ends = [sum(day < answer.on for day in on) for answer in answers]
    yield from (
        (slice(start, stop), answer)
        for (start, stop), answer in zip(pairwise([0, *ends, len(on)]), [*answers, None], strict=True)
    )


def _says(
    side: str, i: int, teeth: slice, on: Sequence[dt.date], event: Any, risk: Floats, limits: cusum.Limits
) -> tuple[dt.date, str]:
    seen = slice(teeth.start, i + 1)
    ends, what = (limits.up, MORE) if side == "up_on" else (limits.down, FEWER)
    since = " since the answer" if teeth.start else ""
    text = (
        f"passes its limit of {ends[i - teeth.start]:.2f} at tooth {i + 1} of {len(on)}: {what}; by then{since} "
        f"{int(event[seen].sum())} HAPPENED, {float(risk[seen].sum()):.1f} were expected"
    )
    return on[i], text


def _units(workspace: Workspace, group: str, unwished: int) -> pl.DataFrame:
    """One row a tooth that counts, in order of time, on one day by treatment id: no order of records decides."""
    event = "numerator = 0" if unwished == 0 else "numerator > 0"
    found = frame(
        workspace.connection,
        f'select cast("{group}" as varchar) as of, cast({event} as integer) as event, happened_on as "on", '
        f"{columns(STRATA)}, {PATIENT} as patient from {workspace.kept} "
        f'where "{group}" is not null order by happened_on, practice, treatment_id',
    )
    return found.with_columns(first_seen(found["patient"]).alias("patient"))
