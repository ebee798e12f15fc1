"""The standards of the invented practice: all three verdicts occur, and each follows from its figure's interval."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from demo_data.generate import Made
from pipeline.importing.ingest import Imported
from pipeline.measures.catalogue import find
from pipeline.measures.run import Row, Workspace
from pipeline.settings import Settings, load_settings

# Read off the figures and intervals of the demo by eye; the seed is fixed.
EXPECTED = {
    "filling_quality": "met",
    "booking_overrun": "met",
    "rubber_dam_share": "not met",
    "patient_informed": "not met",
    "separations_per_100_canals": "cannot be told yet",
    "restored_within_30_days": "cannot be told yet",
}


@pytest.fixture(scope="module")
def settings(demo_exports: Made) -> Settings:
    return load_settings(demo_exports.out / "canalwise.toml")


@pytest.fixture(scope="module")
def workspace(settings: Settings, imported: tuple[Path, dict[str, Imported]]) -> Workspace:
    return Workspace(duckdb.connect(str(imported[0]), read_only=True), settings)


@pytest.fixture(scope="module")
def held(workspace: Workspace) -> dict[str, Row]:
    return {row["measure"]: row for row in workspace.compute("standards").rows}


def test_each_standard_has_an_audit_a_note_and_the_expected_verdict(settings: Settings, held: dict[str, Row]) -> None:
    assert {name: row["verdict"] for name, row in held.items()} == EXPECTED
    assert set(EXPECTED.values()) == {"met", "not met", "cannot be told yet"}
    for standard in settings.standards:
        assert isinstance(standard.since, dt.date)
        assert standard.note.endswith(".")


@pytest.mark.parametrize("name", EXPECTED)
def test_the_verdict_follows_from_the_interval_of_the_measure_since_the_audit(
    workspace: Workspace, held: dict[str, Row], name: str
) -> None:
    row = held[name]
    (figure,) = workspace.compute(name, start=row["since"]).rows
    assert (row["n"], row["estimate"], row["low"], row["high"]) == tuple(
        figure[k] for k in ("n", "estimate", "low", "high")
    )
    wholly_above, wholly_below = row["low"] >= row["target"], row["high"] <= row["target"]
    good, bad = (wholly_above, wholly_below) if row["direction"] == "at least" else (wholly_below, wholly_above)
    assert row["verdict"] == ("met" if good else "not met" if bad else "cannot be told yet")
    if find(name).scale != 1:  # a count per 100: Garwood's, from SciPy's chi-square quantiles
        n, x = figure["n"] / figure["design_effect"], figure["events"] / figure["design_effect"]
        low, high = stats.chi2.ppf(0.025, 2 * x) / 2 / n, stats.chi2.ppf(0.975, 2 * x + 2) / 2 / n
        assert (row["low"], row["high"]) == pytest.approx((find(name).scale * low, find(name).scale * high), rel=1e-6)
    elif find(name).kind != "time":  # Wilson's interval as statsmodels has it, of as many cases as the units are worth
        n, x = figure["n"] / figure["design_effect"], figure["events"] / figure["design_effect"]
        low, high = proportion_confint(x, n, method="wilson")
        assert (row["low"], row["high"]) == pytest.approx((low, high), rel=1e-6)


def test_the_figure_since_the_audit_is_that_of_the_records_since_the_audit(
    workspace: Workspace, held: dict[str, Row]
) -> None:
    row = held["rubber_dam_share"]
    counted = "select count(*), avg(cast(rubber_dam as double)) from visits where rubber_dam is not null and"
    in_store = "treatment_id in (select treatment_id from treatments)"
    since, before = (
        workspace.connection.execute(f"{counted} {in_store} and seated_at {when} date '2025-07-01'").fetchone()
        for when in (">=", "<")
    )
    assert (row["n"], row["estimate"]) == pytest.approx(since)
    assert (row["n_before"], row["before"]) == pytest.approx(before)
