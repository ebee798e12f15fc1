"""Forecasts of the invented practice, made as on earlier days, against what was taken into use afterwards."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
from scipy import stats

from pipeline.measures.run import Workspace
from pipeline.settings import load_settings
from pipeline.store.database import open_store

Demo = Any  # of conftest.py
DAYS = [dt.date(2025, 1, 31), dt.date(2025, 6, 30), dt.date(2025, 9, 30), dt.date(2025, 12, 31), dt.date(2026, 3, 31)]


def test_what_was_taken_into_use_lay_within_the_limits(demo: Demo) -> None:
    """Up to seventy-five forecasts of 90 days: as many within as limits of 95 % let expect (one-sided, 1 in 1000)."""
    used = demo.program.facts("select size, motion, first_used_on from instrument_facts")
    held = all_ = 0
    with open_store(demo.program.store) as store:
        for day in DAYS:
            made = Workspace(store, load_settings(demo.program.settings), day).compute(
                "stock_forecast", ("motion", "size")
            )
            later = used.filter(pl.col("first_used_on").is_between(day, day + dt.timedelta(90), closed="right"))
            taken = {(m, s): n for m, s, n in later.group_by("motion", "size").len().iter_rows()}
            for row in made.rows:
                if row["time"] == 90 and row["estimate"] is not None:
                    held += row["low"] <= taken.get((row["motion"], row["size"]), 0) <= row["high"]
                    all_ += 1
    assert all_ >= 60
    assert held >= stats.binom.ppf(0.001, all_, 0.95), (held, all_)
