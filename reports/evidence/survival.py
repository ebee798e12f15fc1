"""Survival in steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.survival import Curve, Step, survival
from reports.evidence.common import Shape, cannot, counting, csv_file, keys
from reports.evidence.groups import order
from reports.source import Answer
from reports.words import TOO_FEW, Words, capital, count, group_title, groups_title, series


def curve(
    words: Words,
    id: str,
    answer: Answer,
    *,
    share: str,
    axis: str,
    unit: str,
    at: Sequence[float],
    event: str,
    events: str,
) -> list[Part]:
    """Survival in steps, by the answer's groups; `at` are the times that the text and the key name."""
    if answer.missing:
        return [cannot(answer)]
    curves, lines, said, none = [], [], [], []
    shown = [row["estimate"] for row in answer.shown if row["time"] and row["estimate"] is not None]
    places = 1 if shown and max(shown) > 0.95 else 0
    groups = _by_group(words, answer)
    axis_end = max((_followed(rows)[1] for _, rows in groups if not rows[0].get("too_few")), default=0.0)
    for label, rows in groups:
        first = rows[0]
        own = (label,) if answer.by else ()
        if first.get("too_few"):
            lines.append(Line((*own, "\u2013", TOO_FEW, "\u2013", "\u2013"), answer.data(first)))
            continue
        n = first["n"]
        rows, end = _followed(rows)
        if rows[0]["estimate"] is None:  # too few were ever followed
            lines.append(Line((*own, "\u2013", TOO_FEW, "\u2013", count(first["at_risk"])), answer.data(first)))
            continue
        reached = [t for t in at if t <= end] or [end]
        stated = _at(rows, reached[-1])
        shape = Shape(answer.result, [stated])
        if not any(row["events"] for row in rows):
            limit = words.with_interval(shape, stated)
            told = f"no {event} among {count(n)}, {limit} at {count(round(reached[-1]))} {unit}"
            none.append(f"{label}: {told}" if answer.by else capital(told))
            lines.append(Line((*own, count(round(reached[-1])), limit, "0", "\u2013"), answer.data(stated)))
            continue
        steps = tuple(_step(row, _tip(words, answer, row, places, unit)) for row in rows)
        text = f"{words.with_interval(shape, stated, places)} at {count(round(reached[-1]))} {unit}, n\u00a0{count(n)}"
        said.append(f"{label}: {text}" if answer.by else text)
        bar = _step({**stated, "time": reached[-1]})
        curves.append(Curve(label, text, steps, end, bar, _few(rows, axis_end), keys(answer, first)))
        for t in reached:
            row = _at(rows, t)
            so_far = sum(r["events"] for r in rows if r["time"] <= t)
            followed = count(row["at_risk"]) if row["time"] == t else "\u2013"  # known where a step stands
            share_then = words.with_interval(shape, row, places)
            lines.append(Line((*own, count(round(t)), share_then, count(so_far), followed), answer.data(row)))
    parts: list[Part] = []
    if curves:
        lowest = min((s.low if s.low is not None else s.estimate) for c in curves for s in (*c.steps, c.stated) if s)
        if len(curves) > 2:
            lowest = min(
                [c.stated.low for c in curves if c.stated and c.stated.low is not None]
                + [c.steps[-1].estimate for c in curves]
            )
        floor = max(0.0, int(lowest * 10) / 10)
        wide, narrow = theme.both(
            lambda width: survival(curves[:MOST_CURVES], width, axis=axis, share=share, lowest=floor)
        )
        title = f"{share}: {said[0]}" if len(said) == 1 else f"{share}, {groups_title(answer.by)}"
        drawn = "Shaded bands are" if len(curves) < 3 else "Upright bars are"
        bands = f"{drawn} {words.interval}s. Steps with fewer than {FEWEST_FOLLOWED} still followed are not drawn."
        if len(curves) > MOST_CURVES:
            bands += f" The first {MOST_CURVES} are drawn; all are in the table."
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. {'; '.join(said)}.",
                wide=wide,
                narrow=narrow,
                caption=" ".join(t for t in (plain(answer.measure.caption or ""), bands) if t),
                data=answer.data(),
            )
        )
    if none:
        parts.append(prose(f"{'; '.join(none)}. None seen is not none to come."))
    if lines:
        heads = (capital(series([group_title(b) for b in answer.by])),) if answer.by else ()
        parts.append(
            Table(
                id=f"{id}-table",
                caption=f"{share}, {groups_title(answer.by)}" if answer.by else share,
                heads=(
                    *heads,
                    f"After, {unit}",
                    f"{share} ({words.interval})",
                    f"{capital(events)} until then",
                    "Still followed",
                ),
                lines=tuple(lines),
                numeric=frozenset(range(1, 5)),
                records=bool(answer.by),
                data=answer.data(),
                note=counting(answer),
                file=csv_file(id, answer),
                folded=len(lines) > 10,
            )
        )
    return parts


MOST_CURVES = 6  # as many as there are colours, dashes and shapes to tell them apart
FEWEST_FOLLOWED = 10  # a survival curve is not drawn beyond; statistics texts advise 5 to 10 (common practice)


def _followed(rows: Sequence[dict[str, Any]]) -> tuple[list[dict[str, Any]], float]:
    """The steps with enough still followed, and the time up to which the last of them holds."""
    kept = [row for row in rows if row["at_risk"] >= FEWEST_FOLLOWED] or list(rows[:1])
    after = rows[len(kept)]["time"] if len(kept) < len(rows) else kept[-1]["time"]
    return kept, after


def _step(row: Mapping[str, Any], text: str = "") -> Step:
    return Step(row["time"], row["at_risk"], row["estimate"], _real(row.get("low")), _real(row.get("high")), text)


def _tip(words: Words, answer: Answer, row: dict[str, Any], places: int, unit: str) -> str:
    """`91% (85 to 95%) at 24 months, 60 at risk`."""
    time = words.with_interval(Shape(answer.result, [row]), row, places)
    return f"{time} at {count(round(row['time'], 1))} {unit}, {count(row['at_risk'])} at risk"


def _by_group(words: Words, answer: Answer) -> list[tuple[str, list[dict[str, Any]]]]:
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in order(words, answer, answer.rows):
        groups.setdefault(tuple(row.get(b) for b in answer.by), []).append(row)
    return [
        (words.group(rows[0], answer.by), sorted(rows, key=lambda r: r.get("time") or 0)) for rows in groups.values()
    ]


def _at(rows: Sequence[dict[str, Any]], time: float) -> dict[str, Any]:
    """The step that holds at a time, marked with the time asked for."""
    return {**[row for row in rows if row["time"] <= time][-1], "asked": time}


def _few(rows: Sequence[dict[str, Any]], axis_end: float, most: int = 5) -> tuple[tuple[float, int], ...]:
    """Numbers at risk at some of the event times, spread over the axis so that they do not touch."""
    kept: list[tuple[float, int]] = []
    for row in rows:
        if not kept or row["time"] - kept[-1][0] >= axis_end / most:
            kept.append((row["time"], row["at_risk"]))
    return tuple(kept)


def _real(value: float | None) -> float | None:
    return None if value is None or value != value else value
