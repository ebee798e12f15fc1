"""What the records of incidents lack."""

from __future__ import annotations

from reports.blocks import Sentence
from reports.source import Answer
from reports.words import count, counted, series


def not_told(answer: Answer, href: str) -> Sentence | None:
    """Incidents without a record that the patient was told."""
    rows = [row for row in answer.rows if "patient_informed" in row]
    if answer.missing or not rows:
        return None
    untold = sum(row["patient_informed"] is False for row in rows)
    unknown = sum(row["patient_informed"] is None for row in rows)
    said = [f"{count(untold)} {'says' if untold == 1 else 'say'} that the patient was not told"] if untold else []
    said += (
        [f"{count(unknown)} {'does' if unknown == 1 else 'do'} not say whether the patient was told"] if unknown else []
    )
    if not said:
        return None
    return Sentence(
        f"Of {counted(len(rows), 'incident')}, {series(said)}.", href, {**answer.data(), "n": str(len(rows))}
    )
