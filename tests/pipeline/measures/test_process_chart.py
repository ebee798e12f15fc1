"""Process charts of measures: textbook data through the program's own charts, gaps and small months, and the words."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.measures.catalogue import find
from pipeline.measures.process_chart import limits, process_chart
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.stats import process
from pipeline.store.database import in_memory

VALUES = {
    entry["id"]: entry
    for entry in json.loads((Path(__file__).parents[2] / "published" / "check-values.json").read_text())
}


def days(months: int) -> list[dt.date]:
    return [dt.date(2020 + i // 12, i % 12 + 1, 10) for i in range(months)]


def practice(smallest: int = 1, as_of: dt.date = dt.date(2026, 6, 30), **records: list[dict[str, Any]]) -> Workspace:
    connection = in_memory()
    for batch, (kind, rows) in enumerate(records.items(), start=1):
        connection.register("given", pl.DataFrame(rows, infer_schema_length=None))
        names = ", ".join(rows[0])
        connection.execute(
            f"insert into {kind} ({names}, practice, source_file, source_row, batch_id, record_no) "
            f"select {names}, 'x', 'x.csv', 1, {batch}, row_number() over () from given"
        )
    return Workspace(connection, Settings.model_validate({"reporting": {"smallest_group": smallest}}), as_of)


def sat(minutes: list[float | None], smallest: int = 1) -> Workspace:
    """One visit a month of so many minutes; None: no visit."""
    treatments, visits = [], []
    for i, (day, length) in enumerate(zip(days(len(minutes)), minutes, strict=True)):
        if length is not None:
            key = {"treatment_id": f"T{i}", "dentist": "D1"}
            treatments.append(
                key | {"patient_id": f"P{i}", "tooth": 16, "kind": "primary", "started_on": day, "status": "completed"}
            )
            seated = dt.datetime.combine(day, dt.time(8))
            left = seated + dt.timedelta(minutes=length)
            visits.append(key | {"visit_id": f"V{i}", "chair": "1", "seated_at": seated, "left_at": left})
    return practice(smallest, treatments=treatments, visits=visits)


def started(open_of: list[tuple[int, int]], smallest: int = 1) -> Workspace:
    """So many of n treatments of each month were never finished."""
    rows = [
        {
            "treatment_id": f"T{i}-{k}",
            "patient_id": f"P{i}-{k}",
            "tooth": 16,
            "kind": "primary",
            "dentist": "D1",
            "started_on": day,
            "completed_on": None if k < x else day,
            "status": "in progress" if k < x else "completed",
        }
        for i, (day, (x, n)) in enumerate(zip(days(len(open_of)), open_of, strict=True))
        for k in range(n)
    ]
    return practice(smallest, treatments=rows)


def test_individuals_chart_of_the_nist_flow_rates() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2: 50.81, 45.8159, 55.8041 with d2 = 1.128; ours is exact, hence the tolerance."""
    entry = VALUES["xmr-nist"]
    chart = process_chart(sat(entry["inputs"]["x"]), "chair_minutes_per_visit")
    assert chart.method == "individuals"
    assert chart.centre == pytest.approx(entry["expected"]["mean"], abs=0.005)
    for row in chart.rows:
        assert row["low_limit"] == pytest.approx(entry["expected"]["lcl"], abs=0.003)
        assert row["high_limit"] == pytest.approx(entry["expected"]["ucl"], abs=0.003)
    assert [row["value"] for row in chart.rows] == pytest.approx(entry["inputs"]["x"])
    assert chart.signals == []
    assert "Only 10 months have a figure: with fewer than 12 the limits are tentative" in " ".join(chart.notes)


def test_individuals_chart_of_montgomerys_loan_costs() -> None:
    """Montgomery, Introduction to Statistical Quality Control, 6th ed., example 6.5: 300.5, 279.78, 321.22."""
    entry = VALUES["xmr-montgomery"]
    chart = process_chart(sat(entry["inputs"]["x"]), "chair_minutes_per_visit")
    assert chart.centre == pytest.approx(300.5)
    assert chart.rows[0]["low_limit"] == pytest.approx(279.78, abs=0.02)
    assert chart.rows[0]["high_limit"] == pytest.approx(321.22, abs=0.02)
    assert not any("tentative" in note for note in chart.notes)


def test_p_chart_of_montgomerys_orange_juice_cans() -> None:
    """Montgomery, example 7.1: 30 samples of 50; 0.2313, limits 0.0524 and 0.4102.

    His samples vary from one to the next by more than chance (sigma_z 1.66), so that ours are those limits drawn apart.
    """
    entry = VALUES["p-chart-oj"]
    chart = process_chart(started([(x, 50) for x in entry["inputs"]["x"]]), "unfinished_share")
    assert chart.method == "p'"
    assert chart.centre == pytest.approx(0.2313, abs=0.00005)
    assert chart.sigma_z is not None
    half = 0.4102 - 0.2313
    assert chart.rows[0]["high_limit"] == pytest.approx(0.2313 + half * chart.sigma_z, abs=0.0002)
    assert chart.rows[0]["low_limit"] is None  # below 0
    assert not [s for s in chart.signals if "limit" in s["rule"]]


def test_one_month_out_of_the_ordinary_is_told_and_does_not_hide_itself_in_wider_limits() -> None:
    """20 months about 1 in 5 and one of 30 in 50: p = 240 / 1050, upper limit p + 3 sqrt(p (1 - p) / 50) = 40.7 %."""
    months = [(x, 50) for x in (10, 12, 9, 11, 8, 12, 10, 13, 9, 11) * 2]
    chart = process_chart(started([*months[:14], (30, 50), *months[14:]]), "unfinished_share")
    assert chart.method == "p"
    (beyond,) = (s for s in chart.signals if s["rule"] == "above the upper limit")
    assert beyond == {
        "rule": "above the upper limit",
        "first": "2021-03",
        "last": "2021-03",
        "says": "2021-03: 60.0 % is above the upper limit of 40.7 %",
    }
    assert chart.rows[14]["signal"] == "above the upper limit"


def test_p_chart_of_changing_n() -> None:
    """Montgomery, table 7.4: purchase orders; 0.0955, for n = 100 limits 0.007 and 0.184."""
    entry = VALUES["p-chart-varying"]
    x, n = entry["inputs"]["x"], entry["inputs"]["n"]
    chart = process_chart(started(list(zip(x, n, strict=True))), "unfinished_share")
    assert chart.centre == pytest.approx(0.0955, abs=0.0001)
    hundred = chart.rows[n.index(100)]
    assert (hundred["low_limit"], hundred["high_limit"]) == pytest.approx((0.007, 0.184), abs=0.001)
    assert len({row["high_limit"] for row in chart.rows}) == len(set(n))


def test_u_chart_of_personal_computers() -> None:
    """Montgomery, 2nd ed.: 20 samples of 5 computers; 1.93, 0.07, 3.79 (here per 1,000)."""
    entry = VALUES["u-chart-pc"]
    rows = [{"n": 5, "events": x, "exposure": 5.0} for x in entry["inputs"]["x"]]
    drawn = limits(find("separations_per_1000_uses"), rows)
    assert drawn.method == "u"
    assert drawn.centre == pytest.approx(1930, abs=5)
    assert (drawn.low[0], drawn.high[0]) == pytest.approx((70, 3790), abs=5)


def test_shares_of_more_than_one_event_a_unit_get_a_u_chart() -> None:
    drawn = limits(find("separations_per_100_teeth"), [{"n": 5, "events": x} for x in (3, 7, 4)])
    assert drawn.method == "u"
    assert drawn.centre == pytest.approx(100 * 14 / 15)


def test_months_that_vary_by_more_than_chance_get_laneys_limits_and_say_so() -> None:
    months = [(40 if i % 2 else 10, 100) for i in range(14)]
    chart = process_chart(started(months), "unfinished_share")
    laney = process.laney([x for x, _ in months], 100)
    assert chart.method == "p'"
    assert chart.sigma_z == pytest.approx(laney.sigma_z)
    assert any("limits are Laney's" in note for note in chart.notes)


def test_laneys_limits_are_seldom_taken_for_chance_alone() -> None:
    """2,000 charts of 24 months without any other variation: about 5 in 100, three standard errors either way."""
    rng = np.random.default_rng(5)
    found = [process.overdispersed(rng.binomial(40, 0.85, 24), np.full(24, 40)) for _ in range(2000)]
    assert 0.03 < np.mean(found) < 0.08


def test_a_month_without_visits_keeps_its_place_and_has_no_figure() -> None:
    chart = process_chart(sat([50, 51, None, 49] + [50] * 10), "chair_minutes_per_visit")
    assert [row["month"] for row in chart.rows][:4] == ["2020-01", "2020-02", "2020-03", "2020-04"]
    gap = chart.rows[2]
    assert (gap["n"], gap["value"], gap["low_limit"], gap["signal"]) == (0, None, None, None)
    assert chart.centre == pytest.approx(50)


def test_a_month_too_small_to_report_has_no_figure_and_counts_for_no_limit() -> None:
    months = [(5, 20)] * 12 + [(3, 4)]
    chart = process_chart(started(months, smallest=5), "unfinished_share")
    assert chart.rows[12]["value"] is None
    assert chart.rows[12]["too_few"] is True
    assert chart.rows[12].get("events") is None
    assert chart.centre == pytest.approx(0.25)
    assert chart.suppressed == 1


def test_a_lasting_shift_is_told_as_a_run_with_its_months() -> None:
    """24 useful months: a run of more than round(log2 24) + 3 = 8, fewer than 8 crossings (Anhoej 2014)."""
    up_down = [50, 54, 51, 53, 50, 54, 51, 53, 50, 54, 51, 53, 60, 61, 60, 61, 60, 61, 60, 61, 60, 61, 60, 61]
    chart = process_chart(sat(up_down), "chair_minutes_per_visit")
    assert (chart.longest_run, chart.longest_run_usual) == (12, 8)
    assert (chart.crossings, chart.crossings_usual) == (1, 8)
    said = {s["rule"]: s["says"] for s in chart.signals}
    assert said["long run"] == (
        "2020-01 to 2020-12: 12 months in a row below the centre line of 56.25 minutes; chance alone seldom makes more "
        "than 8 (Anhoej)"
    )
    assert said["few crossings"].startswith("2020-01 to 2021-12: the months cross the centre line once;")


def test_runs_are_not_judged_below_twelve_months_and_one_month_has_no_limits() -> None:
    chart = process_chart(sat([50, 51, 50, 51, 50, 60, 61, 60, 61, 60, 61]), "chair_minutes_per_visit")
    assert not {"long run", "few crossings"} & {s["rule"] for s in chart.signals}
    one = process_chart(sat([50]), "chair_minutes_per_visit")
    assert one.notes[-1] == "Fewer than two months have a figure: there are no limits."
    assert one.rows[0]["high_limit"] is None


def test_minutes_beyond_a_booking_may_be_below_zero_and_so_may_their_limit() -> None:
    treatments, visits = [], []
    for i, day in enumerate(days(12)):
        key = {"treatment_id": f"T{i}", "dentist": "D1"}
        treatments.append(
            key | {"patient_id": f"P{i}", "tooth": 16, "kind": "primary", "started_on": day, "status": "completed"}
        )
        seated = dt.datetime.combine(day, dt.time(8))
        left = seated + dt.timedelta(minutes=58 if i % 2 else 61)  # an hour was booked
        visits.append(
            key | {"visit_id": f"V{i}", "chair": "1", "seated_at": seated, "left_at": left, "booked_minutes": 60}
        )
    chart = process_chart(practice(treatments=treatments, visits=visits), "booking_overrun")
    assert chart.centre == pytest.approx(-0.5)
    assert chart.rows[0]["low_limit"] == pytest.approx(-0.5 - 2.66 * 3, abs=0.01)
    assert chart.rows[0]["high_limit"] == pytest.approx(-0.5 + 2.66 * 3, abs=0.01)


def test_where_and_days_keep_a_part() -> None:
    workspace = sat([50, 52, 51, 49])
    assert len(process_chart(workspace, "chair_minutes_per_visit", end=dt.date(2020, 2, 29)).rows) == 2
    nobody = process_chart(workspace, "chair_minutes_per_visit", {"dentist": "D2"})
    assert (nobody.rows, nobody.centre) == ([], None)


@pytest.mark.parametrize("name", ["tooth_survival", "sequence_comparison", "incident_list"])
def test_kinds_without_a_chart_are_refused_in_a_sentence(name: str) -> None:
    with pytest.raises(UserError, match="has no process chart"):
        process_chart(sat([50]), name)


def test_the_command(canalwise: Any, filled: Path) -> None:
    told = canalwise("measure", "chair_minutes_per_visit", "--process", "--by", "month", "--store", filled, "--json")
    found = told.json
    assert found["method"] == "individuals"
    assert {"month", "n", "value", "centre", "low_limit", "high_limit", "signal"} <= set(found["rows"][0])
    printed = canalwise("measure", "chair_minutes_per_visit", "--process", "--store", filled).out
    assert printed.startswith("Chair time per visit, month by month (minutes)\n")
    for note in found["notes"]:
        assert note in printed
    wrong = canalwise("measure", "chair_minutes_per_visit", "--process", "--by", "dentist", "--store", filled)
    assert wrong.code == 2
    assert "chair_minutes_per_visit has no process chart by dentist" in wrong.err
