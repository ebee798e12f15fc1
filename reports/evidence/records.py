"""Lists: records one a line, why rows were refused, and how complete the records are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.output.text import plain
from pipeline.records import KINDS
from reports.blocks import Figure, File, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.quarantine import Reason, bars
from reports.evidence.common import NEVER, Column, cannot, csv_file, unprinted
from reports.source import Answer
from reports.words import Words, capital, count, counted, percent

MOST_REASONS = 10  # drawn; the table has all
MOST_RECORDS = 400  # rows of a record list on a page; the CSV file holds all


def plain_column(words: Words, head: str, name: str) -> Column:
    """A column of a record list that shows one field."""
    return (
        head,
        lambda row: words.value(name, row[name]) if name in _GROUPED and row.get(name) else words.cell(row.get(name)),
    )


_GROUPED = frozenset({"sequence", "tooth_type", "tooth_group", "kind", "motion"})


def listed(
    id: str,
    answer: Answer,
    columns: Sequence[Column],
    *,
    caption: str,
    empty: str,
    hide: Iterable[str] = (),
    open_rows: int = 25,
    numeric: Iterable[int] = (),
    note: str = "",
    most_printed: int = MOST_RECORDS,
) -> list[Part]:
    """A list of records, one a line, in the measure's own order; patient identity never among the columns.

    The first `open_rows` lie open, the next fold away, and the file holds all with every column but `hide`. Paper has
    the first `most_printed`, of which there are more than `open_rows`.
    """
    if answer.missing:
        return [cannot(answer)]
    rows = answer.rows
    if not rows:
        return [prose(empty)]
    shown = rows[:MOST_RECORDS]
    lines = [Line(tuple(text(row) for _, text in columns)) for row in shown]
    heads = tuple(head for head, _ in columns)
    hidden = NEVER | set(hide)
    file = File(id, tuple(k for k in rows[0] if k not in hidden), rows)
    data = {**answer.data(), "n": str(len(rows))}
    parts: list[Part] = []
    rest = len(rows) - open_rows
    said = note
    if len(rows) > len(shown):
        said = f"{note} This page shows {count(len(shown))} of {count(len(rows))}; the file has all.".strip()
    parts.append(
        Table(
            id=f"{id}-table",
            caption=caption,
            heads=heads,
            numeric=frozenset(numeric),
            lines=tuple(lines[:open_rows]),
            records=True,
            data=data,
            note=said,
            in_sight=f"The first {open_rows} of {count(len(rows))}." if rest > 0 else "",
            file=file,
        )
    )
    if rest > 0:
        more = Table(
            id=f"{id}-more",
            caption=f"{caption}, continued",
            summary=f"The next {count(len(shown) - open_rows)}",
            heads=heads,
            numeric=frozenset(numeric),
            lines=tuple(lines[open_rows:]),
            records=True,
            data=answer.data(),
            folded=True,
            printed=most_printed - open_rows,
            unprinted=unprinted(most_printed, len(rows)),
        )
        parts.append(more)
    return parts


def kind_words(kind: object) -> str:
    """A record kind as a reader writes it."""
    name = plain(kind)
    return capital(KINDS[name].words if name in KINDS else name.replace("_", " "))


def refused(words: Words, id: str, answer: Answer) -> list[Part]:
    """Bars of the reasons why records were refused, the most frequent first with their share together, and a table."""
    if answer.missing:
        return [cannot(answer)]
    rows = [r for r in answer.rows if r.get("rows_refused")]
    empty = left_empty(answer)
    if not rows:
        return [prose("No record waits in quarantine: every row read was taken in.", empty)]
    reasons = [f"{kind_words(r['record_kind'])}: {plain(r['reason']).rstrip('.')}" for r in rows]
    total = sum(r["rows_refused"] for r in rows)
    title = f"{counted(total, 'refusal')} in quarantine; most often: {reasons[0]} ({count(rows[0]['rows_refused'])})"
    top = [
        Reason(
            f"{reason}:\u00a0{count(r['rows_refused'])}, {percent(r['share'])}; "
            f"together {percent(r['cumulated_share'])}",
            r["share"],
            r["cumulated_share"],
        )
        for reason, r in zip(reasons[:MOST_REASONS], rows, strict=False)
    ]
    axis = "Share of all refusals: of the reason (bar), with those above it (dot)"
    wide, narrow = theme.both(lambda width: bars(top, width, axis=axis))
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. {'; '.join(r.text for r in top)}.",
            wide=wide,
            narrow=narrow,
            caption="Refused rows count in no figure of this page until they are mended; one refused for two reasons "
            "stands in both."
            + (f" The {MOST_REASONS} most frequent of {len(rows)} reasons." if len(rows) > MOST_REASONS else ""),
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption="Rows in quarantine by reason",
            heads=("Reason", "Rows", "Share", "Together"),
            lines=tuple(
                Line(
                    (reason, count(r["rows_refused"]), percent(r["share"]), percent(r["cumulated_share"])),
                    {"measure": answer.name, "n": str(r["rows_refused"])},
                )
                for reason, r in zip(reasons, rows, strict=True)
            ),
            numeric=frozenset({1, 2, 3}),
            data=answer.data(),
            file=csv_file(id, answer),
            folded=len(rows) > 6,
        ),
        *([prose(empty)] if empty else []),
    ]


def left_empty(answer: Answer) -> str:
    """How many cells of records that were taken in were left empty; nothing where there are none."""
    n = sum(row.get("cells_left_empty") or 0 for row in answer.rows)
    if not n:
        return ""
    return (
        f"{counted(n, 'cell')} of records that were taken in {'was' if n == 1 else 'were'} left empty, as what stood "
        "there is impossible or unknown: figures count them as not recorded. "
        "\u201ccanalwise quarantine\u201d lists them."
    )


def complete(words: Words, id: str, answer: Answer, titles: Mapping[str, str]) -> list[Part]:
    """How complete the records are that the measures of a page read; `titles` are those measures by name.

    Measures that need the same of the same records share a line, the least complete first.
    """
    if answer.missing:
        return [cannot(answer)]
    lines: dict[tuple[str, str], tuple[dict[str, Any], list[str]]] = {}
    for row in answer.rows:
        if row["measure"] in titles:
            lines.setdefault((row["record_kind"], row["columns"]), (row, []))[1].append(titles[row["measure"]])
    lacking = sorted((found for found in lines.values() if found[0]["estimate"] < 1), key=lambda f: f[0]["estimate"])
    whole = len(lines) - len(lacking)
    if not lacking:
        return [prose("Every record that this page counts holds what its measures need.")] if lines else []
    worst = lacking[0][0]
    met = f"{counted(whole, 'further need', 'further needs')} of the measures {'is' if whole == 1 else 'are'}"
    said = [f"{met} met by every record."] if whole else []
    emptied = any(row.get("left_empty") for row, _ in lacking)
    if emptied:
        said.append(
            "\u201cLeft empty\u201d are cells in which something impossible or unknown stood: they count as not "
            "recorded, and \u201ccanalwise quarantine\u201d lists them."
        )
    return [
        Table(
            id=f"{id}-table",
            caption=f"Records that hold what the measures of this page need; in brackets {words.interval}s",
            heads=(
                "Records",
                "Must hold",
                "Complete",
                "Of",
                *(["Left empty"] if emptied else []),
                "Most often blank",
                "For",
            ),
            lines=tuple(
                Line(
                    (
                        kind_words(row["record_kind"]),
                        plain(row["columns"]).replace("_", " "),
                        words.with_interval(answer.result, row),
                        count(row["records"]),
                        *([count(row.get("left_empty") or 0)] if emptied else []),
                        plain(row["most_often_blank"] or "").replace("_", " "),
                        "; ".join(sorted(measures)),
                    ),
                    answer.data(row),
                )
                for row, measures in lacking
            ),
            numeric=frozenset({2, 3, 4} if emptied else {2, 3}),
            records=True,
            folded=True,
            summary="What records of this page lack; least complete are "
            f"{kind_words(worst['record_kind']).lower()}: {words.with_interval(answer.result, worst)}",
            data=answer.data(),
            note=" ".join(said),
            file=csv_file(id, answer),
        )
    ]
