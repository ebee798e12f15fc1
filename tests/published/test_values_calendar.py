"""The entry of check-values-2.json on adding months: facts and recalls do it in DuckDB (`+ interval 'n' month`)."""

from __future__ import annotations

from pathlib import Path

from pipeline.store.database import in_memory

from .entries import entry

ROOT = Path(__file__).parents[2] / "pipeline"


def test_months_are_added_as_calendars_do() -> None:
    of = entry("add-months")
    found = (
        in_memory()
        .execute(
            """select day, list(cast(cast(day as date) + cast(months || ' month' as interval) as varchar) order by i)
                from (select unnest($days) as day, generate_subscripts($days, 1) as place)
                cross join (select unnest($months) as months, generate_subscripts($months, 1) as i)
                group by day, place order by place""",
            {"days": of["inputs"]["date"], "months": of["inputs"]["months"]},
        )
        .fetchall()
    )
    assert [[day[:10] for day in days] for _, days in found] == of["expected"]["result"]


def test_facts_and_recalls_add_months_in_that_way_only() -> None:
    """No difference of the months' numbers: it counts 31 January to 1 February as a month."""
    for path in (*ROOT.glob("facts/*.sql"), ROOT / "questions" / "recall.py"):
        text = path.read_text(encoding="utf-8")
        assert "date_diff('month'" not in text and "add_months" not in text, path
