"""Risk-adjusted CUSUM of measures: risks without the group itself, sums in order of time, signals in words."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.optimize import minimize

from pipeline.errors import UserError
from pipeline.measures.process_cusum import process_cusum
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.stats import cusum
from pipeline.store.database import in_memory


def practice(teeth: list[tuple[str, bool, bool]], smallest: int = 1) -> Workspace:
    """(dentist, lesion, healed) of teeth completed one a day from 2020 on, each seen after a year."""
    connection = in_memory()
    first = dt.date(2020, 1, 1)
    rows = [
        {
            "id": f"T{i}",
            "dentist": dentist,
            "preop": 4 if lesion else 1,
            "day": first + dt.timedelta(days=i),
            "pai": 1 if healed else 5,
        }
        for i, (dentist, lesion, healed) in enumerate(teeth)
    ]
    connection.register("given", pl.DataFrame(rows))
    books = "'x', 'x.csv', 1, 1, row_number() over ()"
    connection.execute(
        "insert into treatments (treatment_id, patient_id, tooth, kind, dentist, preop_pai, started_on, completed_on, "
        "status, practice, source_file, source_row, batch_id, record_no) "
        f"select id, id, 16, 'primary', dentist, preop, day, day, 'completed', {books} from given"
    )
    connection.execute(
        "insert into follow_ups (follow_up_id, treatment_id, seen_on, image, pai, pain, tooth_present, practice, "
        "source_file, source_row, batch_id, record_no) "
        f"select id, id, day + interval 400 day, 'periapical', pai, false, true, {books} from given"
    )
    settings = Settings.model_validate({"reporting": {"smallest_group": smallest}})
    return Workspace(connection, settings, dt.date(2026, 6, 30))


def usual(seed: int, n: int, dentists: str = "AB") -> list[tuple[str, bool, bool]]:
    """Half with a lesion; healed 9 in 10 without, 7 in 10 with."""
    rng = np.random.default_rng(seed)
    lesion = rng.random(n) < 0.5
    healed = rng.random(n) < np.where(lesion, 0.7, 0.9)
    return list(zip(rng.choice(list(dentists), n).tolist(), lesion.tolist(), healed.tolist(), strict=True))


def test_the_risk_is_that_of_the_others_teeth_of_the_kind() -> None:
    """A's teeth all fail, which says nothing of A's own risks: 400 teeth of B give 0.1 and 0.3, little shrunk."""
    lesions = [True, False] * 200
    fails = [i % 20 in (0, 1, 2, 3, 4, 5, 7, 9) if lesion else i % 20 in (1, 3) for i, lesion in enumerate(lesions)]
    others = [("B", lesion, not fail) for lesion, fail in zip(lesions, fails, strict=True)]
    share = {lesion: np.mean([not h for _, own, h in others if own == lesion]) for lesion in (True, False)}
    own = [("A", True, False)] * 5 + [("A", False, False)] * 5
    found = process_cusum(practice([*others, *own]), "healed_share", ("dentist",))
    (a,) = (row for row in found.rows if row["dentist"] == "A")
    assert (a["n"], a["events"]) == (10, 10)
    assert a["expected"] == pytest.approx(5 * share[True] + 5 * share[False], abs=0.15)


def test_sums_go_by_the_published_weights_in_order_of_completion() -> None:
    """Steiner 2000: ln 2 - ln(1 + p) for an event, -ln(1 + p) for none, at odds ratio 2."""
    teeth = usual(1, 300)
    found = process_cusum(practice(teeth), "healed_share", ("dentist",))
    sums = [row["sum"] for row in found.series if row["dentist"] == "A"]
    days = [row["on"] for row in found.series if row["dentist"] == "A"]
    assert days == sorted(days)
    own = [(lesion, not healed) for dentist, lesion, healed in teeth if dentist == "A"]
    others = [(lesion, not healed) for dentist, lesion, healed in teeth if dentist == "B"]
    fit = cusum.fitted_risk(
        [e for _, e in others], [[float(le)] for le, _ in others], [[float(le)] for le, _ in own], ridge=1.0
    )
    by_hand, s = [], 0.0
    for p, (_, event) in zip(fit.tolist(), own, strict=True):
        s = max(0.0, s + (np.log(2) if event else 0.0) - np.log(1 + p))
        by_hand.append(s)
    assert sums == pytest.approx(by_hand, abs=1e-6)


def test_a_dentist_whose_teeth_begin_to_fail_is_told_with_the_day_and_the_others_are_not() -> None:
    teeth = usual(3, 400)
    turned = [(d, le, h and not (d == "A" and i > 250 and i % 3)) for i, (d, le, h) in enumerate(teeth)]
    found = process_cusum(practice(turned), "healed_share", ("dentist",))
    (signal,) = found.signals
    assert "dentist “A” passes its limit" in signal["says"]
    assert "were not healed" in signal["says"]
    assert dt.date(2020, 1, 1) + dt.timedelta(days=250) < signal["first"] < dt.date(2020, 1, 1) + dt.timedelta(days=340)
    assert {row["dentist"]: row["signal_on"] for row in found.rows} == {"A": signal["first"], "B": None}


def test_too_few_teeth_of_a_group_or_of_all_others_have_no_figures() -> None:
    few = [("C", True, False)] * 3
    # A is withheld with C, whose number the total would tell.
    found = process_cusum(practice([*usual(1, 100), *few], smallest=5), "healed_share", ("dentist",))
    assert {row["dentist"]: row.get("too_few", False) for row in found.rows} == {"A": True, "B": False, "C": True}
    assert "C" not in {row["dentist"] for row in found.series}
    alone = process_cusum(practice(usual(1, 60, "A")), "healed_share", ("dentist",))
    assert [row["limit"] for row in alone.rows] == [None]


def test_teeth_whose_group_is_not_recorded_are_no_group() -> None:
    unknown: list[Any] = [(None, True, False)] * 20
    found = process_cusum(practice([*usual(1, 100), *unknown], smallest=5), "healed_share", ("dentist",))
    assert {row["dentist"]: row.get("too_few", False) for row in found.rows} == {"A": False, "B": False, None: True}
    known = process_cusum(practice(usual(1, 100), smallest=5), "healed_share", ("dentist",))
    assert [row["expected"] for row in found.rows if row["dentist"]] == [row["expected"] for row in known.rows]


@pytest.mark.parametrize(
    ("name", "by"),
    [("healed_share", ("tooth_type",)), ("recall_share", ("dentist",)), ("healed_share", ("dentist", "sequence"))],
)
def test_what_has_no_cusum_is_refused(name: str, by: tuple[str, ...]) -> None:
    with pytest.raises(UserError, match="has no process chart by"):
        process_cusum(practice(usual(1, 40)), name, by)


def test_the_fitted_risk_is_the_minimum_of_the_penalised_likelihood() -> None:
    """Oracle: SciPy's minimiser on the same function."""
    rng = np.random.default_rng(2)
    x = rng.integers(0, 2, (200, 3)).astype(float)
    y = rng.random(200) < 1 / (1 + np.exp(1 - x @ [1.0, -0.5, 0.0]))

    def loss(b: Any) -> float:
        eta = b[0] + x @ b[1:]
        return float(np.logaddexp(0, eta).sum() - eta[y].sum() + 0.5 * (b[1:] ** 2).sum())

    best = minimize(loss, np.zeros(4), tol=1e-12).x
    expected = 1 / (1 + np.exp(-(best[0] + x @ best[1:])))
    assert cusum.fitted_risk(y, x, x) == pytest.approx(expected, abs=1e-5)
    # A level in which nobody had the event keeps a risk above 0.
    y[x[:, 0] == 1] = False
    assert cusum.fitted_risk(y, x, [[1.0, 0.0, 0.0]])[0] > 0.005
    with pytest.raises(ValueError, match="with and without"):
        cusum.fitted_risk([False] * 5, np.ones((5, 1)), np.ones((1, 1)))


def test_the_command(canalwise: Any, filled: Path) -> None:
    found = canalwise("measure", "healed_share", "--process", "--by", "dentist", "--store", filled, "--json").json
    assert {"dentist", "n", "events", "expected", "highest", "limit", "signal_on"} <= set(found["rows"][0])
    assert found["unit"] == "teeth that were not healed"
