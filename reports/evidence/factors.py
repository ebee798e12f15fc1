"""Factors seen more or less often with incidents: ratios on a log axis, and how often each was recorded."""

from __future__ import annotations

from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Table
from reports.charts import theme
from reports.charts.dots import Group, Mark, dots
from reports.evidence.common import cannot, counting, csv_file
from reports.source import Answer
from reports.words import TOO_FEW, Words, capital, count, number

INCIDENTS = {"any": "Any incident", "separation": "Separations"}


def with_incidents(words: Words, id: str, answer: Answer) -> list[Part]:
    """The ratios of every factor, for all incidents and for separations, and the counts that they are made of."""
    if answer.missing:
        return [cannot(answer)]
    kinds = [kind for kind in INCIDENTS if any(row.get("incident") == kind for row in answer.rows)]
    by_factor: dict[str, dict[str, dict[str, Any]]] = {}
    for row in answer.rows:
        by_factor.setdefault(row["factor"], {})[row["incident"]] = row
    groups, lines = [], []
    for factor, rows in by_factor.items():
        label = capital(plain(factor))
        groups.append(
            Group(
                label,
                tuple(
                    Mark(*_ratio(rows[kind]), ratio_text(rows[kind]), i) for i, kind in enumerate(kinds) if kind in rows
                ),
            )
        )
        for kind in kinds:
            if kind not in rows:
                continue
            row = rows[kind]
            lines.append(
                Line(
                    (
                        label,
                        INCIDENTS[kind],
                        ratio_text(row),
                        _of(row, "events", "n"),
                        _of(row, "events_reference", "n_reference"),
                        recorded_text(row),
                        plain(row.get("seen") or "\u2013"),
                    ),
                    answer.data(row),
                )
            )
    shown = [row for row in answer.rows if "seen" in row and str(row["seen"]).startswith("seen ")]
    told = sorted({f"{plain(row['factor'])} ({plain(row['seen'])})" for row in shown})
    title = "Factors with incidents: " + ("; ".join(told) if told else "none is shown to be seen more or less often")
    parts: list[Part] = []
    if any(mark.value for group in groups for mark in group.marks):
        wide, narrow = theme.both(
            lambda width: dots(
                groups,
                width,
                axis="Times as often an incident as in canals without the factor (log axis)",
                series=[INCIDENTS[kind] for kind in kinds],
                reference=1.0,
                log=True,
            )
        )
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. "
                + "; ".join(
                    f"{g.label}: {', '.join(f'{INCIDENTS[kinds[m.series]]} {m.text}' for m in g.marks)}" for g in groups
                )
                + ".",
                wide=wide,
                narrow=narrow,
                caption=plain(answer.measure.caption),
                data=answer.data(),
            )
        )
    parts.append(
        Table(
            id=f"{id}-table",
            caption="Factors with incidents: canals with the factor against canals without, within tooth type",
            heads=(
                "Factor",
                "Incidents",
                f"Times as often ({words.interval})",
                "With it: incidents of canals",
                "Without it",
                "Recorded in",
                "What may be said",
            ),
            lines=tuple(lines),
            numeric=frozenset({2, 3, 4, 5}),
            data=answer.data(),
            records=True,
            note=counting(answer),
            file=csv_file(id, answer),
            folded=True,
        )
    )
    return parts


def ratio_text(row: dict[str, Any]) -> str:
    """`1.4 (1.1 to 1.9)`; `at least 1.2` where no canal without the factor had an incident."""
    if row.get("too_few"):
        return TOO_FEW
    if row.get("estimate") is None and row.get("low") is not None:  # no incident without the factor
        return f"at least {number(row['low'], 2)}"
    if row.get("estimate") is None:
        return "not recorded" if not row.get("recorded_share") else "no figure"
    places = 1 if max(row["estimate"], row.get("high") or 0) >= 10 else 2
    bounds = ""
    if row.get("low") is not None and row.get("high") is not None:
        bounds = f" ({number(row['low'], places)}\u00a0to\u00a0{number(row['high'], places)})"
    return f"{number(row['estimate'], places)}{bounds}"


def recorded_text(row: dict[str, Any]) -> str:
    """`90% of canals`."""
    return "\u2013" if row.get("recorded_share") is None else f"{number(100 * row['recorded_share'])}%"


def _ratio(row: dict[str, Any]) -> tuple[float | None, float | None, float | None]:
    if row.get("too_few") or not row.get("estimate"):
        return None, None, None
    return row["estimate"], row.get("low"), row.get("high")


def _of(row: dict[str, Any], events: str, n: str) -> str:
    return "\u2013" if row.get(events) is None or row.get(n) is None else f"{count(row[events])} of {count(row[n])}"
