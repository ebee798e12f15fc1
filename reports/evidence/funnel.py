"""Units of different size against the figure of all: the funnel, and its table. Never a league table."""

from __future__ import annotations

from typing import Any

from reports.blocks import Figure, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.funnel import Limits, Unit, funnel
from reports.evidence.common import cannot, counting, csv_file, figure_head, n_text, unprinted
from reports.source import Answer
from reports.words import Words, capital, count, counted, plain

MOST_PRINTED = 60  # lots on paper: those outside the limits come first, and what lies inside is drawn


def lots(words: Words, id: str, answer: Answer) -> list[Part]:
    """Lots of instruments against the rate of all; those outside the limits are named."""
    if answer.missing:
        return [cannot(answer)]
    rows = [row for row in answer.rows if row.get("estimate") is not None and not row.get("too_few")]
    few = len(answer.rows) - len(rows)
    if not rows:
        return [prose(f"{answer.title}: no lot with enough uses to show.")]
    places = words.decimals(answer.result)

    def text(row: dict[str, Any]) -> str:
        figure = words.with_interval(answer.result, row, places)
        return f"Lot {plain(row['lot'])}: {figure}, {count(row['events'])} in {counted(row['n'], 'use')}"

    outside = [row for row in rows if row["position"] != "inside"]
    parts: list[Part] = []
    title = f"{answer.title}: {counted(len(rows), 'lot')}, " + (
        f"{count(len(outside))} outside the 95% limits" if outside else "none outside the 95% limits"
    )
    if len(rows) > 1:
        target = (rows[0]["target"], f"All lots {words.figure(answer.result, rows[0]['target'], 1)}")
        units = [
            Unit(
                row["n"],
                row["estimate"],
                text(row),
                plain(row["lot"]) if row["position"] != "inside" else "",
                row["position"] != "inside",
            )
            for row in rows
        ]
        limits = [
            Limits(row["n"], row["limit_low_998"], row["limit_low_95"], row["limit_high_95"], row["limit_high_998"])
            for row in rows
        ]
        wide, narrow = theme.both(
            lambda width: funnel(
                units, limits, target, width, axis=capital(plain(answer.result.unit)), size_axis="Uses of the lot"
            )
        )
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. {target[1]}. "
                + ("; ".join(f"{text(row)}, {_position(row)}" for row in outside) or "All lie inside")
                + ".",
                wide=wide,
                narrow=narrow,
                caption=f"{plain(answer.measure.caption)} Dashed: 95% limits; dotted: 99.8% limits, joined between the "
                "sizes of the lots; those of the smallest lots lie beyond the chart.",
                data=answer.data(),
            )
        )
    note = counting(answer)
    if few:
        note = f"{counted(few, 'lot')} with too few uses to show. {note}"
    # Those outside first, each in the order of the lots' names: not a ranking.
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"{answer.title}; those outside the limits first, then by name",
            heads=("Lot", figure_head(words, answer), "Separations", "Uses", "Against the limits"),
            lines=tuple(
                Line(
                    (
                        plain(row["lot"]),
                        words.with_interval(answer.result, row, places),
                        count(row["events"]),
                        n_text(row),
                        _position(row),
                    ),
                    answer.data(row),
                )
                for row in (*outside, *(row for row in rows if row["position"] == "inside"))
            ),
            numeric=frozenset({1, 2, 3}),
            data=answer.data(),
            note=note,
            folded=len(rows) > 10,
            file=csv_file(id, answer),
            printed=MOST_PRINTED,
            unprinted=unprinted(MOST_PRINTED, len(rows)),
        )
    )
    return parts


def _position(row: dict[str, Any]) -> str:
    return plain(row["position"]).replace(" %", "%")
