"""Published times: visits, minutes, seconds of preparation, and how a visit's minutes are shared out among canals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import stats

Study = Any
Near = Callable[[float, int], Any]


def use(number: int, treatment: int, seconds: float, **more: object) -> dict[str, object]:
    return {
        "use_id": f"U{number}",
        "treatment_id": f"T{treatment}",
        "canal": "MB",
        "step": 1,
        "size": 25,
        "taper": 0.04,
        "motion": "rotation",
        "seconds": seconds,
        "result": "intact",
    } | more


def test_swedish_clinics(study: Study, near: Near) -> None:
    """Public clinics in Sweden (secondary copy): of 240 treatments begun, 169 filled, 32 extracted, 39 unfinished.

    That is 70.4, 13.3 and 16.3 % at 12 months; 2.4 visits a filled tooth on average.
    """
    states = ["completed"] * 169 + ["abandoned"] * 32 + ["in progress"] * 39
    teeth = [
        study.tooth(i, status=state, completed_on="2020-01-07" if state == "completed" else "")
        for i, state in enumerate(states)
    ]
    # A tooth of another year, so that a year has passed.
    teeth.append(study.tooth(240, started_on="2021-01-07", completed_on="", status="in progress"))
    visits = [
        study.visit(
            3 * i + j,
            treatment=i,
            seated_at=f"2020-01-07 {8 + 2 * j:02d}:00",
            left_at=f"2020-01-07 {9 + 2 * j:02d}:00",
        )
        for i in range(169)
        for j in range(2 if i < 101 else 3)
    ]
    study.ingest(treatments=teeth, visits=visits)
    whole = study.run("measure", "visits_per_tooth", "--to", "2020-12-31")
    (row,) = whole["rows"]
    assert (row["n"], row["estimate"]) == (169, near(2.4, 1))
    unfinished = study.figure("unfinished_share", "--to", "2020-12-31")
    assert (unfinished["n"], unfinished["events"], 100 * unfinished["estimate"]) == (240, 39, near(16.3, 1))
    assert 100 * row["n"] / unfinished["n"] == near(70.4, 1)


def test_wong_2015_quantiles_of_visit_times(study: Study) -> None:
    """Wong AW et al., BMC Oral Health 2015: 62.0 minutes for a single visit on average.

    The sample is made (log-normal quantiles around 62); its median and quartiles are checked against NumPy's type 7.
    """
    minutes = np.round(62 * np.exp(0.35 * np.linspace(-1.9, 1.9, 220))).astype(int)
    study.ingest(
        treatments=[study.tooth(i) for i in range(220)],
        visits=[study.visit(i, int(m)) for i, m in enumerate(minutes)],
    )
    row = study.figure("chair_minutes_per_visit")
    q1, median, q3, p90 = np.quantile(minutes, [0.25, 0.5, 0.75, 0.9])
    assert [row[k] for k in ("q1", "estimate", "q3", "p90")] == pytest.approx([q1, median, q3, p90])
    assert row["low"] <= 62 <= row["high"]


def test_bartols_2016_seconds_of_preparation(study: Study) -> None:
    """Bartols A et al., PeerJ 2016 (PMC5147020, abstract): seconds of preparation a canal, 599 patients.

    Printed: 238.9 s (SD 206.2) with several files in rotation (280 patients), 146.8 s (SD 452.8) with a single
    reciprocating one (319). A deviation above its mean says that the mean is a poor middle. The samples are made:
    quantiles of the log-normal distributions with these means and deviations, one canal a patient, so that the
    program's quartiles must be those of the distributions (SciPy), its interval of the median the order statistics by
    the binomial (SciPy). Above 1,800 seconds a record is refused, so the longest are cut there; no quartile moves.
    """
    groups = {"several": (280, 238.9, 206.2), "single": (319, 146.8, 452.8)}
    canals, uses, laws = [], [], {}
    for name, (n, mean, deviation) in groups.items():
        width = np.sqrt(np.log1p((deviation / mean) ** 2))
        laws[name] = stats.lognorm(width, scale=mean * np.exp(-(width**2) / 2))
        assert (laws[name].mean(), laws[name].std()) == pytest.approx((mean, deviation))
        for seconds in np.minimum(laws[name].ppf((np.arange(n) + 0.5) / n), 1800):
            uses.append(use(len(uses), len(uses), float(seconds)))
            canals.append(study.canal(len(canals), sequence=name))
    study.ingest(treatments=[study.tooth(i) for i in range(599)], canals=canals, instrument_uses=uses)
    rows = {row["sequence"]: row for row in study.measure("instrument_seconds_per_canal", "--by", "sequence")}
    for name, (n, _, _) in groups.items():
        found = [rows[name][k] for k in ("q1", "estimate", "q3", "p90")]
        # Type 7 quantiles of n even steps lie within a step of the distribution's own.
        below, above = (laws[name].ppf(np.array([0.25, 0.5, 0.75, 0.9]) + side / n) for side in (-1, 1))
        assert np.all((below < found) & (found < above))
        rank = int(stats.binom.ppf(0.025, n, 0.5))
        limits = laws[name].ppf((np.array([rank, n - rank + 1]) - 0.5) / n)
        assert [rows[name]["low"], rows[name]["high"]] == pytest.approx(limits)
    # The middle canal of the single file took 45 s, less than a third of the mean.
    assert rows["single"]["estimate"] == pytest.approx(45.3, abs=1)
    assert rows["several"]["estimate"] == pytest.approx(180.9, abs=1)


def test_sixty_two_minutes_over_three_canals(study: Study, near: Near) -> None:
    """62 minutes over 3 canals are 20.67 each (common practice, no source; Wong 2015 for the 62 minutes)."""
    canals = [study.canal(i, name) for i in range(5) for name in ("MB", "ML", "D")]
    study.ingest(
        treatments=[study.tooth(i) for i in range(5)], canals=canals, visits=[study.visit(i, 62) for i in range(5)]
    )
    row = study.figure("chair_minutes_per_canal", "--by", "basis")
    assert (row["basis"], row["n"], row["estimate"]) == ("estimated", 15, near(20.67, 2))
    assert row["q1"] == row["q3"] == pytest.approx(62 / 3)
    assert row["n"] / 5 * row["estimate"] == pytest.approx(62)


def test_an_hour_by_seconds_turning(study: Study) -> None:
    """60 minutes at 100, 200 and 300 seconds are 10, 20 and 30 (common practice, no source)."""
    seconds = {"MB": 100, "ML": 200, "D": 300}
    study.ingest(
        treatments=[study.tooth(i) for i in range(5)],
        canals=[study.canal(i, name) for i in range(5) for name in seconds],
        visits=[study.visit(i, 60) for i in range(5)],
        instrument_uses=[
            use(10 * i + k, i, turned, canal=name) for i in range(5) for k, (name, turned) in enumerate(seconds.items())
        ],
    )
    rows = study.measure("chair_minutes_per_canal", "--by", "basis,canal")
    assert {row["canal"]: row["estimate"] for row in rows} == pytest.approx({"MB": 10, "ML": 20, "D": 30})
    # Nothing was measured, and the default figure holds measured minutes only.
    assert study.measure("chair_minutes_per_canal") == []


def test_hazard_by_use_number_by_hand(study: Study) -> None:
    """40 instruments: none ends in use 1, 4 of 40 in use 2, 9 of 36 in use 3, and of 20 that reach use 4, 10.

    7 of the 27 left after use 3 are retired whole there. By hand: 0, 0.1, 0.25, 0.5; still whole after each use 1, 0.9,
    0.675, 0.3375. Limits of the hazard are Wilson's by SciPy.
    """
    ends = [(2, "separated")] * 4 + [(3, "deformed")] * 9 + [(3, "discarded")] * 7
    ends += [(4, "separated")] * 10 + [(4, "intact")] * 10
    start = dt.datetime(2020, 1, 7, 8)
    uses = [
        use(
            10 * k + n,
            n,
            30,
            instrument_id=f"I{k}",
            started_at=str(start + dt.timedelta(days=n)),
            result=result if n == last else "intact",
        )
        for k, (last, result) in enumerate(ends)
        for n in range(1, last + 1)
    ]
    study.ingest(
        treatments=[study.tooth(n) for n in range(1, 5)],
        canals=[study.canal(n) for n in range(1, 5)],
        instruments=[
            {"instrument_id": f"I{k}", "size": 25, "taper": 0.04, "motion": "rotation", "received_on": "2020-01-08"}
            for k in range(len(ends))
        ],
        instrument_uses=uses,
    )
    rows = study.measure("instrument_hazard")
    events = {1: (0, 40), 2: (4, 40), 3: (9, 36), 4: (10, 20)}
    assert {row["time"]: (row["events"], row["at_risk"]) for row in rows} == events
    assert [row["estimate"] for row in rows] == pytest.approx([0, 0.1, 0.25, 0.5])
    for row in rows:
        wilson = stats.binomtest(row["events"], row["at_risk"]).proportion_ci(method="wilson")
        assert (row["low"], row["high"]) == pytest.approx((wilson.low, wilson.high), abs=1e-12)
    curve = {row["time"]: row["estimate"] for row in study.measure("instrument_life")}
    assert [curve[n] for n in (1, 2, 3, 4)] == pytest.approx([1, 0.9, 0.675, 0.3375])


def test_restoration_delay_by_hand(study: Study) -> None:
    """Ten teeth restored after 0, 7, 14, 21, 30, 31, 60, 90, 91 and 120 days, by hand.

    The median lies between 30 and 31 days; 5 of 10 by day 30 and 8 of 10 by day 90, the days themselves included.
    Ten others never were; they have no delay, and count as not restored. A crown later than 4 months after treatment
    goes with more extractions (J Endod 2016, hazard ratio 3.38, abstract): an adjusted figure, not rebuilt.
    """
    delays = [0, 7, 14, 21, 30, 31, 60, 90, 91, 120]
    restored = [
        study.tooth(i, restoration="crown", restored_on=str(dt.date(2020, 1, 7) + dt.timedelta(days=d)))
        for i, d in enumerate(delays)
    ]
    waiting = [study.tooth(10 + i, restoration="temporary" if i % 2 else "none", restored_on="") for i in range(10)]
    later = study.tooth(20, started_on="2021-01-07", completed_on="", status="in progress")
    study.ingest(treatments=[*restored, *waiting, later])
    row = study.figure("restoration_delay")
    assert (row["n"], row["estimate"], row["q1"], row["q3"]) == (10, 30.5, 15.75, 82.5)
    for days, by_then in ((30, 5), (90, 8)):
        row = study.figure(f"restored_within_{days}_days")
        assert (row["n"], row["events"]) == (20, by_then)


# Left out: 92.9 minutes over several visits and 37 against 74 minutes for one canal and several (means and deviations
# of the sum of a tooth's visits, of skewed times).
