"""Units of different size against the figure of all: the funnel, and its table. Never a league table."""

from __future__ import annotations

from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.funnel import Limits, Unit, funnel
from reports.evidence.common import cannot, counting, csv_file, figure_head, n_text, unprinted
from reports.evidence.groups import order
from reports.source import Answer
from reports.words import TOO_FEW, Words, capital, count, counted, number

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

    outside = [row for row in rows if is_outside(row)]
    inside = [row for row in rows if not is_outside(row)]
    parts: list[Part] = []
    title = f"{answer.title}: {counted(len(rows), 'lot')}, " + (
        "no other to compare it with"
        if len(rows) == 1
        else f"{count(len(outside))} outside the 95% limits"
        if outside
        else "none outside the 95% limits"
    )
    if len(rows) > 1:
        target = (rows[0]["target"], f"All lots {words.figure(answer.result, rows[0]['target'], 1)}")
        units = [
            Unit(
                row["n"],
                row["estimate"],
                text(row),
                plain(row["lot"]) if is_outside(row) else "",
                is_outside(row),
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
            caption=f"{answer.title}; those outside the limits first, then by name"
            if len(rows) > 1
            else f"{answer.title}: one lot, no other to compare it with",
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
                for row in (*outside, *inside)
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


def dentists(words: Words, id: str, answer: Answer, *, events: str, size: str) -> list[Part]:
    """Each dentist's events against those expected of the own cases, for the lead: in the order of names."""
    if answer.missing:
        return [cannot(answer)]
    rows = order(words, answer, answer.rows)
    known = [row for row in rows if not row.get("too_few") and row.get("estimate") is not None]
    if len(known) < 2:
        return [prose(f"{answer.title}: no other to compare with, or too few {size} of others to expect anything.")]
    outside = [row for row in known if is_outside(row)]
    title = f"{answer.title}: {counted(len(known), 'dentist')}, " + (
        f"{count(len(outside))} outside the 95% limits" if outside else "none outside the 95% limits"
    )

    def text(row: dict[str, Any]) -> str:
        return (
            f"{words.value('dentist', row['dentist'])}: {count(row['events'])} against {number(row['expected'], 1)} "
            f"expected, ratio {ratio(row)}, {_position(row)}"
        )

    units = [
        Unit(
            row["expected"],
            row["estimate"],
            text(row),
            words.value("dentist", row["dentist"]) if is_outside(row) else "",
            is_outside(row),
        )
        for row in known
    ]
    limits = [ends(row, row["expected"]) for row in known]
    wide, narrow = theme.both(
        lambda width: funnel(
            units,
            limits,
            (1.0, "As expected"),
            width,
            axis=f"{capital(events)}: observed to expected",
            size_axis=f"{capital(events)} expected",
        )
    )
    lines = [
        Line(
            (
                words.value("dentist", row["dentist"]),
                *(
                    (TOO_FEW, *("\u2013",) * 5)
                    if row.get("too_few")
                    else (n_text(row), count(row["events"]), *adjusted_cells(row), _position(row))
                ),
            ),
            answer.data(row),
        )
        for row in rows
    ]
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. " + "; ".join(map(text, known)) + ".",
            wide=wide,
            narrow=narrow,
            caption=f"{plain(answer.measure.caption)} Dashed: 95% limits; dotted: 99.8% limits.",
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption=f"{answer.title}, by name",
            heads=(
                "Dentist",
                capital(size),
                capital(events),
                "Expected",
                f"Ratio ({words.interval})",
                SHRUNKEN,
                "Place",
            ),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3, 4, 5}),
            data=answer.data(),
            note=f"{shrunken_note(known)} {counting(answer)}".strip(),
            folded=True,
            file=csv_file(id, answer),
        ),
    ]


SHRUNKEN = "Drawn towards all"


def ends(row: dict[str, Any], size: float) -> Limits:
    """The limits of a row, drawn at a size."""
    return Limits(size, row["limit_low_998"], row["limit_low_95"], row["limit_high_95"], row["limit_high_998"])


def ratio(row: dict[str, Any]) -> str:
    """`0.90 (0.81 to 0.97)`."""
    if row.get("estimate") is None:
        return "\u2013"
    return f"{number(row['estimate'], 2)} ({number(row['low'], 2)} to {number(row['high'], 2)})"


def adjusted_cells(row: dict[str, Any]) -> tuple[str, str, str]:
    """Expected, ratio with interval, and the ratio drawn towards that of all; dashes where there is none."""
    expected, shrunken = (
        number(row[key], places) if row.get(key) is not None else "\u2013"
        for key, places in (("expected", 1), ("shrunken", 2))
    )
    return expected, ratio(row), shrunken


def shrunken_note(rows: list[dict[str, Any]]) -> str:
    """What the ratio drawn towards that of all is, or why there is none."""
    if any(row.get("shrunken") is not None for row in rows):
        return (
            "Drawn towards the ratio of all by as much as chance explains of the differences between all dentists "
            "(empirical Bayes): of few cases a ratio far from 1 is mostly chance."
        )
    return "With fewer than 5 dentists it cannot be told how far a ratio should be drawn towards that of all."


def is_outside(row: dict[str, Any]) -> bool:
    """Does a unit lie outside its 95 % limits? One that cannot be compared does not."""
    return str(row.get("position") or "").startswith(("above", "below"))


def _position(row: dict[str, Any]) -> str:
    return plain(row["position"]).replace(" %", "%")
