"""The practice's own sequence catalogue and its standards as tables, and what settings refuse to say of them."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.facts.prepare import prepare
from pipeline.settings import Settings, load_settings
from pipeline.store.database import in_memory

AS_OF = dt.date(2026, 6, 30)
STEP = {"size": 20, "taper": 0.04, "motion": "rotation"}


def rows(settings: dict[str, Any], sql: str) -> list[tuple[Any, ...]]:
    connection = in_memory()
    prepare(connection, Settings.model_validate(settings), AS_OF)
    return connection.execute(sql).fetchall()


@pytest.mark.parametrize("table", ["catalogue_sequences", "catalogue_steps", "catalogue_standards"])
def test_without_a_catalogue_its_tables_are_there_and_empty(table: str) -> None:
    assert rows({}, f"select * from {table}") == []


def test_steps_stand_in_their_order_and_the_same_instrument_is_told_apart() -> None:
    settings = {
        "sequence": [
            {
                "id": "A",
                "glide_path_size": 15,
                "indication": {"largest_curvature_deg": 40, "first_binding_size": [10, 35]},
                "step": [
                    {"step": 30, **STEP, "size": 25, "speed_rpm": [250, 300], "depth_share": 1},
                    {"step": 10, **STEP},
                    {"step": 20, **STEP},
                ],
            },
            {"id": "empty"},
        ]
    }
    steps = rows(
        settings,
        """select step, place, size, slowest_rpm, fastest_rpm, depth_share, occurrence, occurrences
           from catalogue_steps order by place""",
    )
    assert steps == [
        (10, 1, 20, None, None, None, 1, 2),
        (20, 2, 20, None, None, None, 2, 2),
        (30, 3, 25, 250, 300, 1, 1, 1),
    ]
    sequences = rows(
        settings,
        """select sequence, glide_path_size, apical_gauging, largest_curvature_deg, smallest_binding_size,
               largest_binding_size, final_size from catalogue_sequences order by sequence""",
    )
    assert sequences == [("A", 15, False, 40, 10, 35, 25), ("empty", None, False, None, None, None, None)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[sequence]]\nid = "A"\n[[sequence]]\nid = "A"\n', "there are two sequences A"),
        (
            '[[sequence]]\nid = "A"\n' + 2 * '[[sequence.step]]\nstep = 1\nsize = 20\ntaper = 0.04\nmotion = "hand"\n',
            "there are two steps 1",
        ),
        ('[[standard]]\nmeasure = "recall_share"\n', "standard.0.target: Field required"),
        ('[[standard]]\nmeasure = "recall_share"\ntarget = 0.7\ndirection = "above"\n', "'at least' or 'at most'"),
    ],
)
def test_a_catalogue_that_contradicts_itself_is_refused_in_one_line(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "canalwise.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UserError) as raised:
        load_settings(path)
    assert said in str(raised.value)
    assert "\n" not in str(raised.value)
