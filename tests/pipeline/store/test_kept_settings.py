"""A store keeps the settings that it was given: figures do not depend on the folder that a command is called from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.settings import Settings
from pipeline.store.database import in_memory
from pipeline.store.kept_settings import keep, used

OWN = Settings.model_validate(
    {"practice": "here", "time_zone": "Europe/Vienna", "sterilisation_cost": 1.5, "reporting": {"smallest_group": 3}}
)


def test_a_store_that_was_given_none_says_that_defaults_are_used() -> None:
    found = used(in_memory(), None)
    assert (found.settings, found.origin) == (Settings(), "defaults")
    assert "given no settings, so defaults are used" in found.remark


def test_those_last_given_are_used_and_those_of_a_file_come_first() -> None:
    with in_memory() as store:
        keep(store, OWN)
        keep(store, OWN)
        assert store.execute("select count(*) from settings_given").fetchall() == [(1,)]
        own = used(store, None)
        assert own.settings == OWN and own.origin.startswith("the store's own, given on 2") and own.remark == ""
        same = used(store, OWN, "canalwise.toml")
        assert (same.origin, same.remark) == ("canalwise.toml", "")
        other = OWN.model_copy(update={"sterilisation_cost": 2.0, "currency": "PLN"})
        told = used(store, other, "canalwise.toml")
        assert told.settings == other
        assert told.remark.startswith("Settings of canalwise.toml differ from what the store was given on 2")
        assert told.remark.endswith(": currency (PLN, the store: EUR), sterilisation_cost (2.0, the store: 1.5).")


def test_many_differences_are_counted_and_tables_only_named() -> None:
    with in_memory() as store:
        keep(store, OWN)
        other = Settings.model_validate({"practice": "there", "standard": [{"measure": "recall_share", "target": 0.6}]})
        remark = used(store, other, "x.toml").remark
    assert remark.endswith(
        "time_zone (UTC, the store: Europe/Vienna), sterilisation_cost (0.0, the store: 1.5) and 2 more."
    )


def test_an_earlier_day_has_the_settings_of_that_day() -> None:
    with in_memory() as store:
        days = [dt.datetime(2026, month, 1) for month in (1, 3, 5)]
        for day, cost in zip(days, (1.0, 2.0, 3.0), strict=True):
            given = OWN.model_copy(update={"sterilisation_cost": cost})
            store.execute("insert into settings_given values (?, ?)", [day, given.model_dump_json()])

        def cost(year: int, month: int) -> float:
            return used(store, None, known_until=dt.datetime(year, month, 15)).settings.sterilisation_cost

        assert [cost(2026, month) for month in (1, 2, 3, 4, 5, 12)] == [1.0, 1.0, 2.0, 2.0, 3.0, 3.0]
        assert cost(2025, 1) == 1.0, "before the first the first"
        assert used(store, None).settings.sterilisation_cost == 3.0


@pytest.mark.parametrize("zone", ["America/Los_Angeles", "Asia/Tokyo", "UTC"])
def test_the_clock_of_the_machine_decides_nothing(zone: str) -> None:
    """Two settings on one day: the later counts, west of Greenwich as well, and those of a day end with it there."""
    with in_memory() as store:
        store.execute(f"set TimeZone = '{zone}'")
        now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
        for ago, cost in zip((4, 1), (1.0, 2.0), strict=True):
            given = OWN.model_copy(update={"sterilisation_cost": cost})
            store.execute(
                "insert into settings_given values (?, ?)", [now - dt.timedelta(hours=ago), given.model_dump_json()]
            )
        assert used(store, None).settings.sterilisation_cost == 2.0
        between = (now - dt.timedelta(hours=2)).replace(tzinfo=dt.UTC)
        assert used(store, None, known_until=between).settings.sterilisation_cost == 1.0


@pytest.fixture
def away(small: Path, store: Path, canalwise: Callable[..., Any]) -> Callable[..., Any]:
    """The commands, called from a folder without settings; the store was filled with the small set's own."""
    done = canalwise("ingest", small, "--store", store, "--settings", small / "canalwise.toml")
    assert done.code == 0, done.err
    return canalwise


def test_the_folder_of_a_command_moves_no_figure(away: Callable[..., Any], small: Path, store: Path) -> None:
    """Seen before: cost_per_canal answered 6.45 instead of 9.19 from another folder, without a word."""
    own = away("measure", "cost_per_canal", "--store", store, "--settings", small / "canalwise.toml", "--json")
    other = away("measure", "cost_per_canal", "--store", store, "--json")
    assert other.json["rows"] == own.json["rows"] and other.json["rows"][0]["estimate"]
    assert own.json["settings_from"] == "canalwise.toml"
    assert other.json["settings_from"].startswith("the store's own, given on ")
    assert other.err == own.err == ""
    adherence = away("measure", "adherence", "--by", "sequence", "--store", store)
    assert "Nothing to show" not in adherence.out


def test_other_settings_are_used_and_named(away: Callable[..., Any], small: Path, store: Path, tmp_path: Path) -> None:
    text = (small / "canalwise.toml").read_text(encoding="utf-8")
    cost = Settings.model_validate({}).sterilisation_cost
    other = tmp_path / "other.toml"
    lines = [
        line if not line.startswith("sterilisation_cost") else "sterilisation_cost = 99" for line in text.splitlines()
    ]
    other.write_text("\n".join(lines), encoding="utf-8")
    told = away("measure", "cost_per_canal", "--store", store, "--settings", other, "--json")
    assert (
        "Settings of other.toml differ from what the store was given on" in told.err
        and "sterilisation_cost (99" in told.err
    )
    assert told.json["rows"][0]["estimate"] > 90 > cost
    quiet = away("measure", "cost_per_canal", "--store", store, "--json", "--quiet")
    assert quiet.json["rows"][0]["estimate"] < 90, "what a reader is given is not kept"


def test_an_import_without_a_file_goes_by_the_stores_own(away: Callable[..., Any], small: Path, store: Path) -> None:
    told = away("ingest", small, "--store", store, "--settings", small / "canalwise.toml")
    assert "differ" not in told.err
    again = away("ingest", small, "--store", store, "--json")
    assert all(one["skipped"] for one in again.json["files"]), again.err
    assert "defaults" not in again.err


def test_an_import_with_other_settings_says_what_they_change(
    away: Callable[..., Any], small: Path, store: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.toml"
    text = (small / "canalwise.toml").read_text(encoding="utf-8")
    other.write_text(text.replace("\nsterilisation_cost = ", "\nsterilisation_cost = 9"), encoding="utf-8")
    told = away("ingest", small, "--store", store, "--settings", other)
    assert "The settings given differ from what the store was given on" in told.err
    after = away("measure", "cost_per_canal", "--store", store, "--settings", other)
    assert "differ" not in after.err, "they are the store's own now"


@pytest.mark.parametrize("asked", [("recall",), ("stock",), ("explain", "recall_share"), ("measure", "recall_share")])
def test_every_answer_for_machines_says_from_which_settings_it_is(
    away: Callable[..., Any], asked: tuple[str, ...], store: Path
) -> None:
    assert away(*asked, "--store", store, "--json").json["settings_from"].startswith("the store's own, given on ")


def test_defaults_are_told(canalwise: Callable[..., Any], small: Path, store: Path) -> None:
    done = canalwise("ingest", small / "visits.csv", "--store", store)
    assert "given no settings, so defaults are used" in done.err
    told = canalwise("measure", "chair_minutes_per_visit", "--store", store)
    assert "given no settings, so defaults are used" in told.err


def test_pages_say_from_which_settings_they_are(away: Callable[..., Any], store: Path, tmp_path: Path) -> None:
    import polars as pl

    out = tmp_path / "pages"
    done = away("report", "incidents", "--store", store, "--out", out)
    assert done.code == 0, done.err
    for page in ("index", "incidents"):
        text = (out / f"{page}.html").read_text(encoding="utf-8")
        assert "the store&#39;s own, given on " in text
    book = pl.read_excel(out / "incidents.xlsx", sheet_id=1, has_header=False).rows()
    assert any(row[0] == "Settings" and str(row[1]).startswith("the store's own, given on ") for row in book)
