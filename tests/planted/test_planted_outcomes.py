"""Outcomes, loss to recall and what follows a visit: the written truth of the demo practice comes out again.

Intervals are 99.9 % where several figures are looked at, as in test_planted_truth.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from demo_data import truth

Demo = Any  # of conftest.py
Row = dict[str, Any]
DUE = dt.date(2025, 6, 30)  # completed by then is due on the data date, 12 months later
LAST = dt.date.fromisoformat(truth.DATA_DATE)


def one(rows: list[Row]) -> Row:
    (row,) = rows
    return row


def truly_healed(demo: Demo) -> float:
    """Healed share of all teeth due, seen or not; teeth lost for another reason by the data date are left out."""
    due = demo.truth.truth.filter(pl.col("completed_on") <= DUE)
    otherwise = (pl.col("_lost_on") <= LAST) & (pl.col("_lost_reason") != "endodontic")
    return float((due.filter(~otherwise)["_outcome"] == "healed").mean())


def test_bounds_hold_the_truth_that_the_plain_share_misses(demo: Demo) -> None:
    row = one(demo.program.measure("healed_bounds"))
    truly = truly_healed(demo)
    assert row["lowest"] < truly < row["highest"]
    # Failures known by a later intervention, seen or not, take back about half of what the recall hides.
    assert row["estimate"] > truly + 0.01, "those who fare badly come less often"


def test_weights_do_not_repair_a_loss_that_depends_on_the_outcome_itself(demo: Demo) -> None:
    """As the caption says: lesion, tooth type, kind and age do not explain why patients of this practice stay away."""
    row = one(demo.program.measure("healed_share_weighted"))
    assert row["estimate"] > truly_healed(demo) + 0.01
    assert row["estimate"] == pytest.approx(row["unweighted"], abs=0.02)
    assert row["not_represented"] == 0


def test_classes_add_up_and_are_the_true_ones_of_those_judged(demo: Demo) -> None:
    rows = {row["class"]: row for row in demo.program.measure("outcome_classes", settings=demo.sure)}
    core = [rows[name] for name in ("healed", "healing", "uncertain", "not healed")]
    assert sum(row["estimate"] for row in core) == pytest.approx(1)
    assert len({row["n"] for row in core}) == 1
    healed = one(demo.program.measure("healed_share"))
    assert (rows["healed"]["n"], rows["healed"]["events"]) == (healed["n"], healed["events"])
    # A tooth that is not healed comes to recall less often than others, and more often is known by its loss.
    all_due = demo.truth.truth.filter(pl.col("completed_on") <= DUE)["_outcome"]
    assert rows["not healed"]["estimate"] < (all_due == "not healed").mean()


def test_functional_teeth_are_at_least_the_healed_ones(demo: Demo) -> None:
    functional = one(demo.program.measure("functional_share"))
    healed = one(demo.program.measure("healed_share"))
    assert functional["estimate"] > healed["estimate"]
    # Half of the teeth that do not heal have signs (SIGNS_IN_NOT_HEALED); the rest are functional.
    rows = {row["class"]: row["estimate"] for row in demo.program.measure("outcome_classes")}
    assert 1 - functional["estimate"] == pytest.approx(rows["not healed"] * truth.SIGNS_IN_NOT_HEALED, abs=0.03)


def test_flare_ups_per_visit(demo: Demo) -> None:
    row = one(demo.program.measure("flare_ups_per_visit", settings=demo.sure))
    assert row["low"] <= truth.FLARE_UPS <= row["high"]
    teeth = one(demo.program.measure("flare_ups"))
    assert teeth["events"] <= row["events"]
    assert teeth["estimate"] > row["estimate"]


def test_pain_fades(demo: Demo) -> None:
    rows = demo.program.measure("pain_after_visit", "day")
    assert [row["day"] for row in rows] == [1, 3, 7]
    means = [row["mean"] for row in rows]
    assert means == sorted(means, reverse=True)
    # A first day of mean 3.6 (SD 2.4, cut to 0-10), fading to 0.62 and 0.38 of it.
    assert means[0] == pytest.approx(3.7, abs=0.3)
    assert means[1] / means[0] == pytest.approx(0.62, abs=0.08)
    assert means[2] / means[0] == pytest.approx(0.38, abs=0.08)


def test_time_to_healing_ends_at_the_share_that_heals(demo: Demo) -> None:
    """A tooth keeps its class, so after a year the curve is the share of the class among teeth with a lesion judged."""
    row = next(r for r in demo.program.measure("time_to_healing", settings=demo.sure) if r["time"] == 24)
    judged = demo.program.facts(
        "select distinct treatment_id from follow_up_facts where state is not null and months >= 12"
    )
    teeth = demo.truth.truth.filter(pl.col("_lesion")).join(judged, on="treatment_id")
    assert row["low"] <= (teeth["_outcome"] == "healed").mean() <= row["high"]
    assert row["at_least"] <= row["estimate"] <= row["at_most"]


def test_endodontic_loss_competes_with_other_losses(demo: Demo) -> None:
    rows = [r for r in demo.program.measure("endodontic_loss", settings=demo.sure) if r["time"] == 12]
    found = {row["cause"]: row for row in rows}
    failed = float((demo.truth.truth["_outcome"] == "not healed").mean())
    both = truth.ENDODONTIC_LOSS_PER_YEAR + truth.OTHER_LOSS_PER_YEAR
    endodontic = failed * truth.ENDODONTIC_LOSS_PER_YEAR / both * (1 - np.exp(-both))
    assert found["endodontic"]["low"] <= endodontic <= found["endodontic"]["high"]
    other = 1 - float(truth.survival(1, failed)) - endodontic
    assert found["another reason"]["low"] <= other <= found["another reason"]["high"]


def test_restorations_within_days_follow_from_the_days(demo: Demo) -> None:
    within = {d: one(demo.program.measure(f"restored_within_{d}_days"))["estimate"] for d in (30, 90)}
    assert 0.4 < within[30] < within[90] < 1
    delay = one(demo.program.measure("restoration_delay"))
    assert delay["q1"] <= delay["estimate"] <= delay["q3"] <= delay["p90"]


def test_recall_list_of_the_command_is_sorted_by_risk(demo: Demo) -> None:
    rows = demo.program.run("recall", "--settings", demo.program.settings)["rows"]
    assert len(rows) > 300
    risk = [(row["incidents"] == 0, row["lesion"] != "yes", row["due_since"]) for row in rows]
    assert risk == sorted(risk)
    told = demo.program.query("select distinct treatment_id from follow_ups where not tooth_present")["treatment_id"]
    assert not {row["treatment_id"] for row in rows} & set(told), "teeth known to be lost are not called"
    assert len(told) > 20
