"""Inside, outside, cannot be told: curvature and first binding size, each blank or not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Facts = Callable[..., list[dict[str, Any]]]
INDICATION = {"largest_curvature_deg": 30, "first_binding_size": [10, 35]}


def found(facts: Facts, settings: list[dict[str, Any]], *canals: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    rows = facts(
        "canal_indication",
        settings={"sequence": settings},
        treatments=[{"treatment_id": "T1", "patient_id": "A", "tooth": 16}],
        canals=[
            {
                "treatment_id": "T1",
                "canal": str(n),
                "sequence": sequence,
                "curvature_deg": curvature,
                "first_binding_size": size,
            }
            for n, (sequence, curvature, size) in enumerate(canals)
        ],
    )
    rows.sort(key=lambda row: int(row["canal"]))
    return [(row["inside"], row["too_curved"], row["other_width"], row["without_indication"]) for row in rows]


def test_every_combination_of_curvature_and_width(facts: Facts) -> None:
    grid = {
        (30, 10): (1, 0, 0),
        (0, 35): (1, 0, 0),
        (31, 20): (0, 1, 0),
        (10, 8): (0, 0, 1),
        (10, 40): (0, 0, 1),
        (45, 8): (0, 1, 1),
        (45, None): (0, 1, 0),
        (None, 40): (0, 0, 1),
        (None, 20): (None, 0, 0),
        (20, None): (None, 0, 0),
        (None, None): (None, 0, 0),
    }
    rows = found(facts, [{"id": "A", "indication": INDICATION}], *(("A", *canal) for canal in grid))
    assert rows == [(*expected, None) for expected in grid.values()]


@pytest.mark.parametrize(
    ("indication", "canal", "inside"),
    [
        ({"largest_curvature_deg": 30}, ("A", 30, None), 1),
        ({"largest_curvature_deg": 30}, ("A", None, 20), None),
        ({"first_binding_size": [10, 35]}, ("A", None, 20), 1),
        ({"first_binding_size": [10, 35]}, ("A", 80, 20), 1),
    ],
)
def test_only_what_the_catalogue_asks_for_counts(
    facts: Facts, indication: dict[str, Any], canal: tuple[Any, ...], inside: int | None
) -> None:
    ((is_inside, *_),) = found(facts, [{"id": "A", "indication": indication}], canal)
    assert is_inside == inside


def test_why_a_canal_has_no_indication(facts: Facts) -> None:
    rows = found(facts, [{"id": "A"}], (None, 10, 20), ("B", 10, 20), ("A", 10, 20))
    assert [(row[0], row[3]) for row in rows] == [
        (None, "sequence not recorded"),
        (None, "the canal's sequence is not in the catalogue"),
        (None, "the catalogue gives the sequence no indication"),
    ]
