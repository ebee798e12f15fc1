"""`measure --where` and `--as-of`: the same figures as inside the program, and wrong input told in one line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture
def ask(canalwise: Callable[..., Any], filled: Path, tmp_path: Path) -> Callable[..., Any]:
    settings = tmp_path / "own.toml"
    settings.write_text("[reporting]\nsmallest_group = 1\n", encoding="utf-8")  # the small set has few units a month

    def of(*more: str) -> Any:
        return canalwise("measure", *more, "--store", filled, "--settings", settings, "--json")

    return of


def test_only_the_units_of_a_group(ask: Callable[..., Any]) -> None:
    by_dentist = ask("chair_minutes_per_visit", "--by", "dentist").json["rows"]
    assert len(by_dentist) > 1
    for row in by_dentist:
        (alone,) = ask("chair_minutes_per_visit", "--where", f"dentist={row['dentist']}").json["rows"]
        assert alone == {key: value for key, value in row.items() if key != "dentist"}


def test_several_groups(ask: Callable[..., Any]) -> None:
    both = ask("chair_minutes_per_visit", "--by", "dentist,tooth_type").json["rows"]
    wanted = next(row for row in both if not row.get("too_few"))
    only = [f"{key}={wanted[key]}" for key in ("dentist", "tooth_type")]
    (alone,) = ask("chair_minutes_per_visit", "--where", only[0], "--where", only[1]).json["rows"]
    assert alone["n"] == wanted["n"] and alone["estimate"] == wanted["estimate"]


def test_a_process_chart_of_a_group(ask: Callable[..., Any]) -> None:
    all_months = ask("chair_minutes_per_visit", "--process").json["rows"]
    own = ask("chair_minutes_per_visit", "--process", "--where", "tooth_type=molar").json["rows"]
    assert 0 < sum(row.get("n") or 0 for row in own) < sum(row.get("n") or 0 for row in all_months)


def test_as_of_a_day(ask: Callable[..., Any]) -> None:
    """On a day before the first treatment nobody is due; the rest of time changes nothing for those who are."""
    now = ask("recall_share").json
    early = ask("recall_share", "--as-of", "2000-01-01").json
    assert sum(row["n"] for row in now["rows"]) > 0 and early["rows"] == []
    assert ask("recall_share", "--as-of", "9999-12-31").json["rows"] != []


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--where", "dentist"), "--where dentist is not GROUP=VALUE. Write it as dentist=D1."),
        (("--where", "dentist="), "--where dentist= is not GROUP=VALUE. Write it as dentist=D1."),
        (("--where", "dentist=A", "--where", "dentist=B"), "--where names dentist twice. Give each group one value."),
        (("--as-of", "soon"), "--as-of soon is not a date. Write it as 2026-03-31."),
        (("--where", "mood=good"), "chair_minutes_per_visit cannot be grouped by mood. It can be grouped by"),
        (
            ("--process", "--by", "dentist", "--where", "tooth_type=molar"),
            "--where does not go with a CUSUM, which compares groups. Give --by alone.",
        ),
    ],
)
def test_wrong_input(ask: Callable[..., Any], more: tuple[str, ...], says: str) -> None:
    wrong = ask("chair_minutes_per_visit", *more)
    assert (wrong.code, wrong.out) == (2, "")
    (line,) = [line for line in wrong.err.splitlines() if line.startswith("canalwise: ")]
    assert line.startswith(f"canalwise: {says}")
