"""A share counted beside a median has an interval of its own: severe pain, over the booking, done on one day."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from statsmodels.stats.proportion import proportion_confint

from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.stats.proportions import clustered_wilson
from pipeline.store.database import in_memory

MORNING = dt.datetime(2026, 3, 2, 9)


def pain(scores: list[tuple[str, int]], **reporting: Any) -> dict[str, Any]:
    """Pain on the day after a visit, of visits (patient, score)."""
    connection = in_memory()
    for i, (patient, score) in enumerate(scores):
        connection.execute(
            """insert into treatments (treatment_id, patient_id, tooth, dentist, kind, started_on, status, practice,
                source_row, record_no, batch_id) values (?, ?, 16, 'D1', 'primary', ?, 'completed', 'here', ?, ?, 1)""",
            [f"T{i}", patient, MORNING.date(), i, i],
        )
        connection.execute(
            """insert into visits (visit_id, treatment_id, dentist, seated_at, left_at, practice, source_row, record_no,
                batch_id) values (?, ?, 'D1', ?, ?, 'here', ?, ?, 2)""",
            [f"V{i}", f"T{i}", MORNING, MORNING + dt.timedelta(hours=1), i, i],
        )
        connection.execute(
            """insert into contacts (contact_id, treatment_id, contacted_at, pain_score, practice, source_row,
                record_no, batch_id) values (?, ?, ?, ?, 'here', ?, ?, 3)""",
            [f"C{i}", f"T{i}", MORNING + dt.timedelta(days=1), score, i, i],
        )
    settings = Settings.model_validate({"reporting": {"smallest_group": 1, **reporting}})
    (row,) = Workspace(connection, settings, dt.date(2026, 6, 30)).compute("pain_after_visit").rows
    return row


@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_the_share_of_severe_pain_has_wilsons_interval(confidence: float) -> None:
    row = pain([(f"P{i}", 7 + i if i < 3 else 2) for i in range(10)], confidence=confidence)
    assert (row["n"], row["estimate"], row["severe"], row["severe_share"]) == (10, 2, 3, 0.3)
    low, high = proportion_confint(3, 10, alpha=1 - confidence, method="wilson")
    assert (row["severe_low"], row["severe_high"]) == (pytest.approx(low), pytest.approx(high))


def test_six_is_not_severe_and_seven_is() -> None:
    assert pain([("A", 6), ("B", 7)])["severe"] == 1


def test_visits_of_one_patient_that_are_alike_widen_it() -> None:
    # Ten patients of two visits each, alike within each: no more is known than of ten visits.
    row = pain([(f"P{i // 2}", 8 if i < 6 else 1) for i in range(20)])
    alone = proportion_confint(6, 20, method="wilson")
    assert row["severe_share"] == 0.3
    assert row["severe_low"] < alone[0] and row["severe_high"] > alone[1]
    # Sums over patients by hand: yy = 3 x 2 x 2, yn the same, nn = 10 x 2 x 2.
    low, high = map(float, clustered_wilson(6, 20, 10, 12, 12, 40, 0.95))
    assert (row["severe_low"], row["severe_high"]) == (pytest.approx(low), pytest.approx(high))
