"""Standards: when one is met, when it is not, when it cannot be told, and what settings may not ask."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.measures.kinds.standards import verdict
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

MET, NOT, UNTOLD = "met", "not met", "cannot be told yet"


@pytest.mark.parametrize(
    ("low", "high", "at_least", "at_most"),
    # The standard is 0.7.
    [
        (0.75, 0.95, MET, NOT),
        (0.7, 0.9, MET, UNTOLD),
        (0.65, 0.9, UNTOLD, UNTOLD),
        (0.5, 0.7, UNTOLD, MET),
        (0.3, 0.69, NOT, MET),
        (0.7, 0.7, MET, MET),
        (None, None, UNTOLD, UNTOLD),
    ],
)
def test_the_interval_decides(low: float | None, high: float | None, at_least: str, at_most: str) -> None:
    assert verdict(low, high, 0.7, "at least") == at_least
    assert verdict(low, high, 0.7, "at most") == at_most


def computed(*standards: dict[str, Any], visits: int = 0, smallest: int = 5) -> list[dict[str, Any]]:
    """Standards of a practice with so many visits since 2026-02-01, all with rubber dam, and as many without before."""
    connection = in_memory()
    days = [(dt.datetime(2026, month, 1 + n, 9), month == 2) for month in (1, 2) for n in range(visits)]
    for n, (seated, dam) in enumerate(days):
        connection.execute(
            """insert into treatments (treatment_id, patient_id, tooth, dentist, kind, started_on, status, practice,
                   batch_id, record_no) values (?, ?, 16, 'D1', 'primary', ?, 'completed', 'here', 1, ?)""",
            [f"T{n}", f"P{n}", seated.date(), n],
        )
        connection.execute(
            """insert into visits (visit_id, treatment_id, dentist, seated_at, left_at, rubber_dam, practice, batch_id,
                   record_no) values (?, ?, 'D1', ?, ?, ?, 'here', 2, ?)""",
            [f"V{n}", f"T{n}", seated, seated + dt.timedelta(hours=1), dam, n],
        )
    settings = Settings.model_validate({"standard": standards, "reporting": {"smallest_group": smallest}})
    return Workspace(connection, settings, dt.date(2026, 6, 30)).compute("standards").rows


def test_without_standards_there_are_no_lines() -> None:
    assert computed() == []


def test_a_standard_is_held_against_records_since_its_day_and_tells_the_change() -> None:
    standard = {"measure": "rubber_dam_share", "target": 0.5, "since": "2026-02-01", "note": "Dam in every room"}
    (row,) = computed(standard, visits=10)
    assert (row["n"], row["estimate"], row["verdict"], row["note"]) == (10, 1, MET, "Dam in every room")
    assert (row["n_before"], row["before"], row["change"], row["trend"]) == (10, 0, 1, "better")
    # Wilson 0/10 is 0 to 0.2775, 10/10 is 0.7225 to 1: 1 - sqrt(0.2775^2 + 0.2775^2) = 0.6075.
    assert (row["change_low"], row["change_high"]) == pytest.approx((0.6075, 1), abs=1e-4)


def test_a_standard_without_a_day_is_held_against_all_records() -> None:
    (row,) = computed({"measure": "rubber_dam_share", "target": 0.5}, visits=10)
    assert (row["n"], row["estimate"], row["verdict"]) == (20, 0.5, UNTOLD)
    assert (row["before"], row["change"], row["trend"]) == (None, None, None)


def test_too_few_records_are_withheld_and_nothing_is_told_of_them() -> None:
    (row,) = computed({"measure": "rubber_dam_share", "target": 0.01, "since": "2026-02-01"}, visits=4)
    assert (row["n"], row["estimate"], row["low"], row["before"], row["change"]) == (None,) * 5
    assert (row["verdict"], row["lacking"], row["target"]) == (UNTOLD, "too few to report", 0.01)


def test_what_the_store_lacks_is_said() -> None:
    (row,) = computed({"measure": "recall_share", "target": 0.7}, visits=5)
    assert (row["verdict"], row["lacking"]) == (UNTOLD, "no treatments with completed on, no follow-ups")


def test_a_standard_of_money_is_in_the_currency_of_the_practice() -> None:
    (row,) = computed({"measure": "cost_per_canal", "target": 10, "direction": "at most"})
    assert (row["unit"], row["verdict"]) == ("EUR", UNTOLD)


def test_a_limit_for_the_hazard_at_each_use_stops_no_other_standard() -> None:
    limit = {"measure": "instrument_hazard", "target": 0.05, "direction": "at most"}
    rows = computed(limit, {"measure": "rubber_dam_share", "target": 0.5}, visits=5)
    assert [row["measure"] for row in rows] == ["rubber_dam_share"]


@pytest.mark.parametrize(
    ("standard", "said"),
    [
        ({"measure": "recal_share", "target": 0.7}, "there is no measure recal_share; did you mean recall_share"),
        ({"measure": "incident_list", "target": 1}, "incident_list is not one figure"),
        ({"measure": "standards", "target": 1}, "standards is not one figure"),
        ({"measure": "recall_share", "target": 70}, "a share, from 0 to 1"),
        ({"measure": "patient_informed", "target": 90}, "a share, from 0 to 1"),
    ],
)
def test_a_standard_that_cannot_be_is_one_clear_error(standard: dict[str, Any], said: str) -> None:
    with pytest.raises(UserError) as raised:
        computed(standard)
    assert str(raised.value).startswith("a standard in the settings: ")
    assert said in str(raised.value)
    assert "\n" not in str(raised.value)


def test_a_wrong_standard_stops_no_other_measure() -> None:
    settings = Settings.model_validate({"standard": [{"measure": "nothing of the kind", "target": 1}]})
    assert Workspace(in_memory(), settings, dt.date(2026, 6, 30)).compute("imports").rows == []
