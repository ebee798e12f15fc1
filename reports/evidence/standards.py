"""The practice's own standards: met, not met or cannot be told yet, and what was done since the last audit."""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Line, Part, Table, prose
from reports.evidence.common import cannot, csv_file
from reports.source import Answer
from reports.words import Words, capital, count, is_percent, number, points, short_day


def table(words: Words, id: str, answer: Answer, catalogue: Mapping[str, Any]) -> list[Part]:
    """One line a standard, in the order of the settings."""
    if answer.missing:
        return [cannot(answer)]
    if not answer.rows:
        return [
            prose(
                "The settings hold no standards. A standard says what the practice means to reach with a measure, "
                "since when, and what it does for it; the next audit holds the records against it."
            )
        ]
    return [
        Table(
            id=id,
            caption="Standards of the practice, in the order of the settings",
            heads=("Standard", "Since", "Figure since then", "Verdict", "Before, and the change", "Action"),
            lines=tuple(
                Line(
                    (
                        f"{plain(row['title'])}: {target_text(words, row, catalogue)}",
                        short_day(row["since"]) if row["since"] else "all records",
                        figure_text(words, row, catalogue),
                        capital(plain(row["verdict"])),
                        _change(words, row, catalogue),
                        plain(row["note"] or "\u2013"),
                    ),
                    answer.data(row),
                )
                for row in answer.rows
            ),
            data=answer.data(),
            records=True,
            note=f"{plain(answer.measure.caption)} Met or not met: the whole {words.interval} lies on one side of the "
            "standard.",
            file=csv_file(id, answer),
        )
    ]


def target_text(words: Words, row: Mapping[str, Any], catalogue: Mapping[str, Any]) -> str:
    """`at least 80%`."""
    shape = _shape(row, catalogue)
    percent = is_percent(shape)
    value = row["target"] * (100 if percent else 1)
    places = 0 if float(value).is_integer() else 1
    return f"{plain(row['direction'])} {words.figure(shape, row['target'], places)}"


def figure_text(words: Words, row: Mapping[str, Any], catalogue: Mapping[str, Any]) -> str:
    """`83% (81 to 85%), n 1,501`, or what is lacking."""
    if row.get("estimate") is None:
        return f"none: {plain(row.get('lacking') or 'nothing to count')}"
    return words.with_n(_shape(row, catalogue), row)


def _change(words: Words, row: Mapping[str, Any], catalogue: Mapping[str, Any]) -> str:
    """`82%, n 2,943; change +1.3 points (-1.2 to +3.6): no change shown`."""
    if row.get("before") is None:
        return "nothing before to compare with" if row.get("since") else "\u2013"
    shape = _shape(row, catalogue)
    before = f"{words.figure(shape, row['before'])}, n\u00a0{count(row['n_before'])}"
    if row.get("change") is None:
        return before
    values = [row[k] for k in ("change", "change_low", "change_high")]
    if is_percent(shape):
        change, low, high = (points(v) for v in values)
        unit = " points"
    else:
        change, low, high = ((v > 0) * "+" + number(v, words.decimals(shape)) for v in values)
        unit = ""
    return f"{before}; change {change}{unit} ({low}\u00a0to\u00a0{high}): {plain(row['trend'])}"


def _shape(row: Mapping[str, Any], catalogue: Mapping[str, Any]) -> Any:
    """What the words need to know of a standard's measure: its kind, its unit and the figure."""
    return SimpleNamespace(kind=catalogue[row["measure"]].kind, unit=row["unit"], rows=[dict(row)])
