"""Marks across record kinds: they come, are listed by `check`, and go when the missing record is imported later."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.checks import across
from pipeline.checks.store import check
from pipeline.importing.ingest import ingest
from pipeline.settings import Settings
from pipeline.store.database import open_store

TODAY = dt.date(2026, 6, 30)
KINDS_OF_THE_TREATMENT = ("visits", "canals", "instrument_uses", "incidents", "follow_ups", "contacts")


def load(store: Path, *paths: Path) -> None:
    list(ingest(store, list(paths), Settings()))


def marks(store: Path) -> set[tuple[str, str]]:
    with open_store(store) as connection:
        return set(connection.execute("select kind, rule from flags where action = 'flag'").fetchall())


def test_a_record_whose_treatment_is_missing_is_marked_until_it_comes(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    load(store, *(export(f"{kind}.csv", [sound(kind)]) for kind in KINDS_OF_THE_TREATMENT))
    without = {
        ("visits", "visit_without_treatment"),
        ("canals", "canal_without_treatment"),
        ("instrument_uses", "use_without_treatment"),
        ("incidents", "incident_unattached"),
        ("follow_ups", "follow_up_without_treatment"),
        ("contacts", "contact_without_treatment"),
    }
    assert marks(store) == without
    with open_store(store, write=True) as connection:
        outcome = check(connection, TODAY)
        listed = {(f["kind"], f["rule"], f["rows"]) for f in outcome.findings}
    assert not outcome.success
    assert listed == {(kind, rule, 1) for kind, rule in without}
    assert marks(store) == without

    load(store, export("treatments.csv", [sound("treatments")]))
    assert marks(store) == set()
    with open_store(store, write=True) as connection:
        assert check(connection, TODAY).success


@pytest.mark.parametrize("order", list(itertools.permutations(("treatments", "visits", "canals"))), ids="-".join)
def test_marks_do_not_depend_on_the_order_of_imports(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any], order: tuple[str, ...]
) -> None:
    """T1 is whole; a visit and a canal of T2 have no treatment; a canal of T1 lies outside its visit."""
    late = {"started_at": "2024-03-04 11:00", "finished_at": "2024-03-04 11:30"}
    rows = {
        "treatments": [sound("treatments")],
        "visits": [sound("visits"), sound("visits", visit_id="V2", treatment_id="T2", dentist="D2")],
        "canals": [sound("canals"), sound("canals", canal="ML", **late), sound("canals", treatment_id="T2")],
    }
    for kind in order:
        load(store, export(f"{kind}.csv", rows[kind]))
    with open_store(store) as connection:
        found = connection.execute(
            "select kind, source_row, rule from flags where action = 'flag' order by all"
        ).fetchall()
    assert found == [
        ("canals", 3, "canal_times_outside_visits"),
        ("canals", 4, "canal_without_treatment"),
        ("visits", 3, "visit_without_treatment"),
    ]


def test_a_mark_goes_when_the_record_itself_is_mended(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    load(store, export("treatments.csv", [sound("treatments")]))
    load(store, export("follow_ups.csv", [sound("follow_ups", seen_on="2024-03-01")]))
    assert marks(store) == {("follow_ups", "follow_up_before_completion")}
    load(store, export("follow_ups_mended.csv", [sound("follow_ups")]))
    assert marks(store) == set()


def test_a_marked_record_says_which_measures_it_would_spoil(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    load(store, export("visits.csv", [sound("visits")]))
    with open_store(store) as connection:
        found = connection.execute("select action, spoils, columns, reason from flags").fetchall()
    reason = "The visit belongs to a treatment that was not imported. Found: treatment."
    assert found == [("flag", ["visit_facts"], ["treatment_id"], reason)]


def test_marks_are_renewed_as_a_whole_or_not_at_all(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    load(store, export("visits.csv", [sound("visits")]))

    def fails(*arguments: object) -> None:
        raise RuntimeError("the power went")

    monkeypatch.setattr(across, "judge_each", fails)
    with open_store(store, write=True) as connection, pytest.raises(RuntimeError):
        across.refresh(connection, TODAY)
    assert marks(store) == {("visits", "visit_without_treatment")}


def test_a_warning_marks_rows_that_stay_and_no_others(
    store: Path, export: Callable[..., Path], sound: Callable[..., Any]
) -> None:
    odd = {"left_at": "2024-03-04 09:01"}  # a minute in the chair: a warning
    rows = [
        sound("visits", visit_id="V1", **odd),
        sound(
            "visits", visit_id="V2", seated_at="2099-01-01 09:00", left_at="2099-01-01 09:01"
        ),  # refused for another reason
        sound("visits", visit_id="V3"),
        sound("visits", visit_id="V1", **odd),  # the first one again
    ]
    load(store, export("visits.csv", rows))
    warned = "select source_row, rule from flags where action = 'warn'"
    with open_store(store) as connection:
        assert connection.execute(warned).fetchall() == [(2, "visit_time_unusual")]
    with open_store(store, write=True) as connection:
        outcome = check(connection, TODAY)
        assert connection.execute(warned).fetchall() == [(2, "visit_time_unusual")]
    assert {"kind": "visits", "rule": "visit_time_unusual", "rows": 1}.items() <= next(
        f for f in outcome.findings if f["rule"] == "visit_time_unusual"
    ).items()


def test_a_check_is_kept_in_the_store(filled: Path) -> None:
    with open_store(filled, write=True) as connection:
        outcome = check(connection, TODAY)
        kept = connection.execute('select suite, expectations, failed, "rows", unexpected from checks').fetchall()
    assert kept == [tuple(line.values()) for line in outcome.suites]
    assert {line["suite"]: line["rows"] for line in outcome.suites}["instrument_uses"] == 619
