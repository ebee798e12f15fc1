"""A mapping that was wrong and is mended: no record stays as the wrong one read it without a word.

And a refusal for a date that lay in the future ends by itself when that day has come.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.importing.ingest import ingest, undo
from pipeline.importing.quarantine import refused
from pipeline.settings import Settings
from pipeline.store.database import open_store

HOW = """
[file]
date = "{date}"
timestamp = "{date} %H:%M"
[treatments.columns]
treatment_id = "Case"
patient_id = "Chart"
tooth = {{ from = "Tooth", notation = "fdi" }}
dentist = "Who"
kind = {{ from = "What", values = {{ "first" = "primary" {words} }} }}
started_on = "Begun"
status = "Done"
[visits.columns]
visit_id = {{ template = "{{treatment_id}}/{{seated_at}}" }}
treatment_id = "Case"
dentist = "Who"
seated_at = "In"
left_at = "Out"
"""
DAYS = [dt.date(2024, 3, 1) + dt.timedelta(days=n) for n in range(63)]


def how(path: Path, date: str = "%d/%m/%Y", words: str = "") -> Path:
    path.write_text(HOW.format(date=date, words=words))
    return path


@pytest.fixture
def exports(tmp_path: Path) -> Path:
    """63 treatments, of which 24 begin on a day of the month that may be a month too, and their visits."""
    folder = tmp_path / "exports"
    folder.mkdir()
    cases = ["Case,Chart,Tooth,Who,What,Begun,Done"]
    visits = ["Case,Who,In,Out"]
    for n, day in enumerate(DAYS):
        cases.append(f"C{n},P{n},36,D1,first,{day:%d/%m/%Y},completed")
        visits.append(f"C{n},D1,{day:%d/%m/%Y} 09:00,{day:%d/%m/%Y} 10:00")
    (folder / "cases.csv").write_text("\n".join(cases))
    (folder / "visits.csv").write_text("\n".join(visits))
    return folder


def begun(store: Path) -> list[dt.date]:
    with open_store(store) as connection:
        return [d for (d,) in connection.execute("select started_on from treatments order by started_on").fetchall()]


AMBIGUOUS = sum(day.day <= 12 for day in DAYS)


def test_retry_by_a_mended_mapping_says_which_rows_stand_as_the_old_one_read_them(
    store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    wrong, right = how(tmp_path / "wrong.toml", "%m/%d/%Y"), how(tmp_path / "right.toml")
    canalwise("ingest", exports, "--mapping", wrong, "--store", store)
    assert len(begun(store)) == AMBIGUOUS
    ran = canalwise("quarantine", "retry", "--mapping", right, "--store", store)
    assert ran.code == 1
    assert f"{AMBIGUOUS} rows of cases.csv (treatments) stand as the old mapping read them" in ran.err
    assert "started_on" in ran.err
    assert f"canalwise ingest cases.csv --mapping {right}" in ran.err
    assert len(begun(store)) == 63, "the refused ones are in all the same"
    assert begun(store) != DAYS
    again = canalwise("quarantine", "retry", "--mapping", right, "--store", store, "--json")
    assert (again.code, again.json["quarantined"]) == (0, 0), "nothing is left that could be read again"

    canalwise("ingest", exports, "--mapping", right, "--store", store)
    assert begun(store) == DAYS
    with open_store(store) as connection:
        seated = connection.execute("select seated_at from visits order by 1").fetchall()
    assert [at.date() for (at,) in seated] == DAYS, "a key made of a date that was read wrongly leaves no record behind"


def test_machines_are_told_as_well(store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path) -> None:
    canalwise("ingest", exports, "--mapping", how(tmp_path / "wrong.toml", "%m/%d/%Y"), "--store", store)
    right = how(tmp_path / "right.toml")
    found = canalwise("quarantine", "retry", "--mapping", right, "--kind", "treatments", "--store", store, "--json")
    (standing,) = found.json["standing"]
    assert standing["file"] == "cases.csv"
    assert (standing["kind"], standing["columns"], standing["rows"]) == ("treatments", ["started_on"], AMBIGUOUS)
    assert found.code == 1


def test_a_mapping_that_only_knows_more_words_changes_nothing_that_stands(
    store: Path, exports: Path, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    cases = exports / "cases.csv"
    cases.write_text(cases.read_text().replace("P7,36,D1,first", "P7,36,D1,second"))
    canalwise("ingest", exports, "--mapping", how(tmp_path / "one.toml"), "--store", store)
    more = how(tmp_path / "more.toml", words=', "second" = "retreatment"')
    ran = canalwise("quarantine", "retry", "--mapping", more, "--store", store, "--json")
    assert (ran.code, ran.json["standing"]) == (0, [])
    # A word that stands in records already loaded is another matter.
    cases.write_text(cases.read_text().replace("P8,36,D1,first", "P8,36,D1,primary").replace("P9,36", "P9,99"))
    canalwise("ingest", exports, "--mapping", how(tmp_path / "one.toml"), "--store", store)
    ran = canalwise(
        *("quarantine", "retry", "--store", store, "--json", "--mapping"),
        how(tmp_path / "more.toml", words=', "primary" = "retreatment"'),
    )
    assert [(one["columns"], one["rows"]) for one in ran.json["standing"]] == [(["kind"], 62)]


def test_what_a_file_no_longer_holds_when_it_is_read_otherwise_comes_back_when_that_is_undone(
    store: Path, exports: Path, tmp_path: Path
) -> None:
    for name in ("wrong", "right"):
        mapping = how(tmp_path / f"{name}.toml", {"wrong": "%m/%d/%Y", "right": "%d/%m/%Y"}[name])
        list(ingest(store, [exports / "visits.csv"], Settings(), mapping_file=mapping))
        with open_store(store) as connection:
            found = connection.execute("select visit_id, seated_at from visits order by 1").fetchall()
        if name == "wrong":
            before = found
    assert len(before) == AMBIGUOUS
    assert len(found) == 63
    undo(store, 2)
    with open_store(store) as connection:
        assert connection.execute("select visit_id, seated_at from visits order by 1").fetchall() == before
        assert connection.execute("select count(*) from visits_history").fetchone() == (0,)


NOW = dt.date(2026, 3, 10)
SOON = dt.date(2026, 3, 12)


@pytest.fixture
def ahead(export: Callable[..., Path], sound: Callable[..., Any]) -> list[Path]:
    """Treatments of which one begins in two days and one is of another century, and another file."""
    rows = [
        sound("treatments", treatment_id=id_, started_on=day, completed_on=None, status="in progress")
        for id_, day in (("T1", "2026-03-01"), ("T2", SOON.isoformat()), ("T3", "1926-03-01"))
    ]
    return [export("cases.csv", rows), export("visits.csv", [sound("visits")])]


def ids(store: Path) -> set[str]:
    with open_store(store) as connection:
        return {id_ for (id_,) in connection.execute("select treatment_id from treatments").fetchall()}


def test_a_row_refused_for_a_date_in_the_future_is_judged_again_at_a_later_import(
    store: Path, ahead: list[Path]
) -> None:
    cases, visits = ahead
    said: list[str] = []
    list(ingest(store, [cases], Settings(), day=NOW))
    assert ids(store) == {"T1"}
    list(ingest(store, [visits], Settings(), day=NOW, progress=said.append))
    assert ids(store) == {"T1"}
    list(ingest(store, [visits], Settings(), day=SOON, progress=said.append))
    assert ids(store) == {"T1", "T2"}, "also where the import itself brings nothing new"
    assert [line for line in said if "lay in the future" in line] == [
        "1 record refused, or left without a cell, for a date that lay in the future is in the store now."
    ]
    with open_store(store) as connection:
        (left,) = refused(connection)
    assert left.row == 4
    list(ingest(store, [cases, visits], Settings(), day=SOON + dt.timedelta(days=1), progress=said.append))
    assert ids(store) == {"T1", "T2"}
    assert sum("lay in the future" in line for line in said) == 1


def test_check_and_retry_judge_it_again_as_well(store: Path, ahead: list[Path], canalwise: Callable[..., Any]) -> None:
    list(ingest(store, ahead, Settings(), day=NOW))  # today, whenever that is, is later
    ran = canalwise("check", "--store", store)
    assert "1 record refused, or left without a cell, for a date that lay in the future is in the store now." in ran.err
    assert ids(store) == {"T1", "T2"}
    list(ingest(store.with_name("two.duckdb"), ahead, Settings(), day=NOW))
    canalwise("quarantine", "retry", "--store", store.with_name("two.duckdb"))
    assert ids(store.with_name("two.duckdb")) == {"T1", "T2"}
