"""How units fall among the values of characteristics: dots a characteristic, and one table of all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.dots import Group, Mark, dots
from reports.evidence.common import cannot, counting, csv_file, published, slug
from reports.source import Answer
from reports.words import TOO_FEW, Words, capital, count

# Values in the order a reader expects; all others stand as the measure gives them.
_ORDERS = {
    "third of the canal": ("coronal", "middle", "apical", "furcation"),
    "curvature (Schneider)": ("straight", "moderate", "severe", "unclassed"),
    "tooth type": ("incisor", "canine", "premolar", "molar"),
}


def parts_of(
    words: Words, id: str, answer: Answer, *, caption: str, of: str, charts: Sequence[str], names: Mapping[str, str]
) -> list[Part]:
    """A chart for each characteristic named in `charts`, and the table of all.

    `of` is what falls among the values, in the plural; `names` tells how a characteristic is called on the page.
    """
    if answer.missing:
        return [cannot(answer)]
    if not answer.rows:
        return [prose(f"{caption}: none on record.")]
    kinds: dict[str, list[dict[str, Any]]] = {}
    for row in answer.rows:
        kinds.setdefault(row.get("characteristic") or "", []).append(row)
    parts: list[Part] = []
    lines = []
    first = True
    for kind, found in kinds.items():
        rows = _ordered(kind, found)
        name = names.get(kind, kind)
        if kind in charts and any(row.get("estimate") is not None and not row.get("too_few") for row in rows):
            parts.append(_chart(words, f"{id}-{slug(kind)}", answer, name, rows, of, first))
            first = False
        lines += [
            Line(
                (
                    *((capital(name),) if len(kinds) > 1 else ()),
                    _level(row),
                    words.with_interval(answer.result, row, 0),
                    *(
                        ("\u2013", TOO_FEW, "\u2013")
                        if row.get("too_few")
                        else (count(row["events"]), count(row["n"]), count(row["not_recorded"]))
                    ),
                ),
                answer.data(row),
            )
            for row in rows
        ]
    own = ("What", "Value") if len(kinds) > 1 else (capital(names.get(kind, kind)),)
    parts.append(
        Table(
            id=f"{id}-table",
            caption=caption,
            heads=(*own, f"Share ({words.interval})", capital(of), "Of", "Not recorded"),
            lines=tuple(lines),
            numeric=frozenset(range(len(own), len(own) + 4)),
            data=answer.data(),
            note=counting(answer),
            folded=len(lines) > 10,
            file=csv_file(id, answer),
        )
    )
    return parts + published(answer)


def _ordered(kind: str, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    order = _ORDERS.get(kind, ())
    return sorted(rows, key=lambda row: order.index(row["level"]) if row.get("level") in order else len(order))


def _level(row: Mapping[str, Any]) -> str:
    return capital(plain(row.get("level") or "\u2013"))


def _chart(
    words: Words, id: str, answer: Answer, name: str, rows: list[dict[str, Any]], of: str, captioned: bool
) -> Figure:
    marks = []
    for row in rows:
        shown = row.get("estimate") is not None and not row.get("too_few")
        text = f"{words.with_interval(answer.result, row, 0)}, {count(row['events'])}" if shown else TOO_FEW
        estimate, low, high = (row.get(k) if shown else None for k in ("estimate", "low", "high"))
        marks.append(Group(_level(row), (Mark(estimate, low, high, text),)))
    known = [row for row in rows if row.get("n") and not row.get("too_few")]
    most = max(known, key=lambda row: row["estimate"])
    n, blank = count(most["n"]), most["not_recorded"]
    title = (
        f"{capital(name)}, of the {n} {of} in which it is recorded; most often {plain(most['level'])}, "
        f"{words.with_interval(answer.result, most, 0)}"
    )
    wide, narrow = theme.both(lambda width: dots(marks, width, axis=f"Share of {of}", bounds=(0.0, 1.0), percent=True))
    said = f"Not recorded in {count(blank)}. " if blank else ""
    return Figure(
        id=id,
        title=title,
        alt=f"{title}. {'; '.join(f'{g.label}: {g.marks[0].text}' for g in marks)}.",
        wide=wide,
        narrow=narrow,
        caption=said + (plain(answer.measure.caption or "") if captioned else f"Bars are {words.interval}s."),
        data=answer.data(),
    )
