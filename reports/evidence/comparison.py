"""Two sequences compared: crude and adjusted side by side, and what may be concluded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reports.blocks import Figure, Items, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.compare import Difference, compare
from reports.evidence.common import cannot, counting, csv_file
from reports.source import Answer
from reports.words import TOO_FEW, Words, count, plain, points


def compared(words: Words, id: str, answer: Answer, conclusions: Sequence[Sentence], whose: str) -> list[Part]:
    """Crude and adjusted side by side, the sentence that may be concluded, and the table."""
    if answer.missing:
        return [cannot(answer)]
    if not answer.rows:
        return [prose(f"Comparison of sequences, {whose}: fewer than two sequences with outcomes to compare.")]
    differences, lines, said = [], [], []
    for row in answer.rows:
        label = pair(words, row)
        crude = tuple(_percent(row.get(k)) for k in ("crude_difference", "crude_low", "crude_high"))
        adjusted = tuple(_percent(row.get(k)) for k in ("estimate", "low", "high"))
        texts = difference_text(row, "crude_difference", "crude_low", "crude_high"), difference_text(row)
        if row.get("too_few"):
            lines.append(Line((label, TOO_FEW, TOO_FEW, "\u2013", "\u2013"), answer.data(row)))
            continue
        differences.append(Difference(label, crude, texts[0], adjusted, texts[1]))  # type: ignore[arg-type]
        said.append(f"{label}: crude {texts[0]}, adjusted {texts[1]}")
        sides = f"{_of(row.get('events'), row.get('n'))}; {_of(row.get('events_reference'), row.get('n_reference'))}"
        least = row.get("smallest_difference")
        lines.append(
            Line(
                (label, texts[0], texts[1], sides, points(least).lstrip("+") if least is not None else "\u2013"),
                answer.data(row),
            )
        )
    parts: list[Part] = []
    if any(d.crude[0] is not None or d.adjusted[0] is not None for d in differences):
        axis = "Difference in healed share, percentage points; right of the line: more healed with the first named"
        wide, narrow = theme.both(lambda width: compare(differences, width, axis=axis))
        title = f"Healed share between sequences, {whose}: crude and adjusted differences"
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. {'; '.join(said)}.",
                wide=wide,
                narrow=narrow,
                caption=" ".join(
                    t
                    for t in (
                        plain(answer.measure.caption or ""),
                        f"Crude: as it stands. Adjusted: among like cases. Bars are {words.interval}s.",
                    )
                    if t
                ),
                data=answer.data(),
            )
        )
    if conclusions:
        parts.append(Items(tuple(conclusions), heading=f"What may be said, {whose}"))
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"Comparison of sequences, {whose}: difference in healed share, percentage points",
            heads=(
                "First against second",
                f"Crude ({words.interval})",
                f"Adjusted ({words.interval})",
                "Healed of n, first; second",
                "Smallest difference that would show",
            ),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3, 4}),
            data=answer.data(),
            records=True,
            folded=bool(parts),  # the chart and the sentences say it
            note=counting(answer),
            file=csv_file(id, answer),
        )
    )
    return parts


def pair(words: Words, row: Mapping[str, Any]) -> str:
    """`A against B`."""
    return f"{words.value('sequence', row.get('sequence'))} against {words.value('sequence', row.get('reference'))}"


def difference_text(row: Mapping[str, Any], value: str = "estimate", low: str = "low", high: str = "high") -> str:
    """`+3.0 points (-2.0 to +8.0)`."""
    if row.get("too_few"):
        return TOO_FEW
    if row.get(value) is None:
        return "no figure"
    bounds = ""
    if row.get(low) is not None and row.get(high) is not None:
        bounds = f" ({points(row[low])}\u00a0to\u00a0{points(row[high])})"
    return f"{points(row[value])} points{bounds}"


def _percent(value: float | None) -> float | None:
    return None if value is None else value * 100


def _of(events: Any, n: Any) -> str:
    return "\u2013" if events is None or n is None else f"{count(events)} of {count(n)}"
