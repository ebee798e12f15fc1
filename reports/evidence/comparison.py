"""Two sequences compared: crude and adjusted side by side, and what may be concluded."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Items, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.compare import Bounded, Difference, compare
from reports.evidence.common import cannot, counting, csv_file
from reports.source import Answer
from reports.words import TOO_FEW, Words, count, number, percent, points

HEADS = ("First against second", "Crude", "Mantel-Haenszel", "Standardised", "Inverse probability", "Adjusted")
LIKENESS = (
    "First against second",
    "Healed of n (of those due)",
    "No counterpart",
    "Months to review, median (quartiles)",
    "E-value (limit)",
)
NOTE = (
    "Mantel-Haenszel allows for tooth type, lesion and kind of treatment only. Standardised (by a model of the "
    "outcome), inverse probability and adjusted allow for all that is named above; the adjusted difference is the one "
    "that sentences speak of. E-value: how many times as likely something not allowed for would have to make both the "
    "choice and healing to explain the adjusted ratio away (to move the interval to no difference)."
)


def compared(words: Words, id: str, answer: Answer, conclusions: Sequence[Sentence], whose: str) -> list[Part]:
    """Crude and adjusted side by side, the sentence that may be concluded, and the table."""
    if answer.missing:
        return [cannot(answer)]
    if not answer.rows:
        return [prose(f"Comparison of sequences, {whose}: fewer than two sequences with outcomes to compare.")]
    differences: list[Difference] = []
    lines: list[Line] = []
    likeness: list[Line] = []
    said: list[str] = []
    for row in answer.rows:
        label = pair(words, row)
        crude = _percents(row, "crude_difference", "crude_low", "crude_high")
        adjusted = _percents(row, "estimate", "low", "high")
        texts = difference_text(row, "crude_difference", "crude_low", "crude_high"), difference_text(row)
        if row.get("too_few"):
            for table, heads in ((lines, HEADS), (likeness, LIKENESS)):
                table.append(Line((label, TOO_FEW, *("\u2013",) * (len(heads) - 2)), answer.data(row)))
            continue
        differences.append(Difference(label, crude, texts[0], adjusted, texts[1]))
        said.append(f"{label}: crude {texts[0]}, adjusted {texts[1]}")
        ways = ("mantel_haenszel", "standardised", "weighted")
        between = (difference_text(row, f"{way}_difference", f"{way}_low", f"{way}_high") for way in ways)
        cells = (texts[0], *between, texts[1])
        lines.append(Line((label, *(text.replace(" points", "") for text in cells)), answer.data(row)))
        cells = (
            f"{_of(row, '')}; {_of(row, '_reference')}",
            _both(row, "alone", lambda share: percent(share)),
            f"{_review(row, '')}; {_review(row, '_reference')}",
            _e_value(row),
        )
        likeness.append(Line((label, *cells), answer.data(row)))
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
                        f"Crude: as it stands. Adjusted: among like cases, where it can be told. "
                        f"Bars are {words.interval}s.",
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
            caption=f"Comparison of sequences, {whose}: difference in healed share, points ({words.interval}s)",
            heads=HEADS,
            lines=tuple(lines),
            numeric=frozenset(range(1, len(HEADS))),
            data=answer.data(),
            records=True,
            folded=bool(parts),  # the chart and the sentences say it
            note=NOTE,
            file=csv_file(id, answer),
        )
    )
    parts.append(
        Table(
            id=f"{id}-likeness",
            caption=f"How alike the two sides are, {whose}: first; second",
            heads=LIKENESS,
            lines=tuple(likeness),
            numeric=frozenset(range(1, len(LIKENESS))),
            data=answer.data(),
            records=True,
            folded=len(parts) > 1,
            note=counting(answer),
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


def _percents(row: Mapping[str, Any], estimate: str, low: str, high: str) -> Bounded:
    value, least, most = (None if row.get(k) is None else row[k] * 100 for k in (estimate, low, high))
    return value, least, most


def _of(row: Mapping[str, Any], side: str) -> str:
    """`30 of 34 (of 66)`."""
    events, n, due = (row.get(f"{name}{side}") for name in ("events", "n", "n_eligible"))
    if events is None or n is None:
        return "\u2013"
    return f"{count(events)} of {count(n)}" + (f" (of {count(due)})" if due is not None else "")


def _both(row: Mapping[str, Any], name: str, text: Callable[[float], str]) -> str:
    values = row.get(name), row.get(f"{name}_reference")
    return "; ".join("\u2013" if v is None else text(v) for v in values)


def _review(row: Mapping[str, Any], side: str) -> str:
    """`14.2 (13.3 to 15.1)`."""
    low, middle, high = (row.get(f"review_{name}{side}") for name in ("quarter", "median", "three_quarters"))
    if low is None or middle is None or high is None:
        return "\u2013"
    return f"{number(middle, 1)} ({number(low, 1)} to {number(high, 1)})"


def _e_value(row: Mapping[str, Any]) -> str:
    point, limit = row.get("e_value"), row.get("e_value_limit")
    return "\u2013" if point is None or limit is None else f"{number(point, 2)} ({number(limit, 2)})"


def allowed_for(answer: Answer) -> str:
    """What the adjusted differences allow for, what is recorded and they do not, what no record tells."""
    row = next((r for r in answer.rows if r.get("adjusted_for")), None)
    if row is None:
        return ""
    text = f"Allowed for: {row['adjusted_for']}."
    if row.get("not_adjusted_for"):
        text += f" Recorded but not allowed for: {row['not_adjusted_for']}."
    if row.get("unrecorded"):
        text += f" Not recorded: {row['unrecorded']}."
    return text
