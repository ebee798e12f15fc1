"""Losses by their reason, and healing, over the time since completion."""

from __future__ import annotations

from collections.abc import Sequence

from reports.blocks import Line, Part, Sentence, Table, prose
from reports.evidence.common import cannot, csv_file, left_out
from reports.evidence.survival import FEWEST_FOLLOWED
from reports.source import Answer
from reports.words import Words, capital, count, plain


def losses(words: Words, id: str, answer: Answer, at: Sequence[float]) -> list[Part]:
    """Share of teeth lost by some times, each reason in a column: one tooth is lost for one reason only."""
    if answer.missing:
        return [cannot(answer)]
    causes = list(dict.fromkeys(row["cause"] for row in answer.shown))
    lines = []
    for time in at:
        rows = {row["cause"]: row for row in answer.shown if row["time"] == time}
        if len(rows) < len(causes) or not rows or min(r["at_risk"] for r in rows.values()) < FEWEST_FOLLOWED:
            continue
        cells = [Sentence(words.with_interval(answer.result, rows[c]), data=answer.data(rows[c])) for c in causes]
        lines.append(Line((count(time), *cells, count(rows[causes[0]]["at_risk"]))))
    if not lines:
        return [prose(f"{answer.title}: too few teeth were followed for long enough.")]
    return [
        Table(
            id=id,
            caption="Teeth lost, by reason: of all own teeth followed, those lost for one reason can no longer be lost "
            "for another",
            heads=("After, months", *(f"{capital(c)} ({words.interval})" for c in causes), "Still followed"),
            lines=tuple(lines),
            numeric=frozenset(range(1, len(causes) + 2)),
            data=answer.data(),
            records=True,
            note=f"{plain(answer.measure.caption or '')} {_until()} {left_out(answer)}".strip(),
            file=csv_file(id, answer),
        )
    ]


def healing(words: Words, id: str, answer: Answer, at: Sequence[float]) -> list[Part]:
    """Share of teeth with a lesion that had healed by some times, and what the visits leave open."""
    if answer.missing:
        return [cannot(answer)]
    rows = [row for row in answer.shown if row["time"] in at]
    if not rows:
        return [prose(f"{answer.title}: too few teeth with a lesion were seen again.")]
    lines = []
    for row in rows:
        least, most = (words.figure(answer.result, row[k]) for k in ("at_least", "at_most"))
        left_open = "nothing" if least == most else f"{least} to {most}"
        cells = (count(row["time"]), words.with_interval(answer.result, row), left_open, count(row["events"]))
        lines.append(Line(cells, answer.data(row)))
    return [
        Table(
            id=id,
            caption=f"Teeth with a lesion before treatment: healed by then, of {count(rows[0]['n'])}",
            heads=("After, months", f"Healed by then ({words.interval})", "Left open between visits", "Seen healed"),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3}),
            data=answer.data(),
            note=f"{plain(answer.measure.caption or '')} {left_out(answer)}".strip(),
            file=csv_file(id, answer),
        )
    ]


def _until() -> str:
    return f"Times at which fewer than {FEWEST_FOLLOWED} are still followed are not told."
