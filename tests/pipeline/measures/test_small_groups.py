"""Of a group too small to report nothing is told but its name: no n, and nothing from which n could be made again."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.measures.catalogue import Example, find
from pipeline.measures.examples import run
from pipeline.measures.run import _mask


def treatments(n: int, dentist: str, **more: str) -> list[dict[str, str]]:
    return [
        {"treatment_id": f"{dentist}-{i}", "dentist": dentist, "patient_id": f"{dentist}{i}", **more} for i in range(n)
    ]


def computed(name: str, by: tuple[str, ...], smallest: int = 5, **kinds: list[dict[str, str]]) -> Any:
    usual = {"treatments": {"tooth": "16", "kind": "primary", "started_on": "2024-01-05", "status": "completed"}}
    given = {}
    for kind, rows in kinds.items():
        rows = [usual.get(kind, {}) | row for row in rows]
        columns = list(dict.fromkeys(c for row in rows for c in row))
        lines = [" | ".join(columns), *(" | ".join(row.get(c, "") for c in columns) for row in rows)]
        given[kind] = "\n".join(lines)
    settings = {"smallest_group": smallest}
    return run(find(name), Example(says="", given=given, expect="", by=by, settings=settings, as_of="2026-06-30"))


def told(row: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in row.items() if value is not None}


def two_dentists(name: str, by: tuple[str, ...] = ("dentist",), **more: Any) -> Any:
    """D1 has 20 treatments with 12 recorded canals, D2 has 20 with 3 recorded canals: 17 are not recorded."""
    canals = [
        {
            "treatment_id": f"{dentist}-{i}",
            "canal": "MB",
            "length_confirmed": "both" if i < recorded else "",
            "curvature_deg": "30" if i < recorded else "",
        }
        for dentist, recorded in (("D1", 12), ("D2", 3))
        for i in range(20)
    ]
    visits = [
        {
            "visit_id": f"V-{dentist}-{i}",
            "treatment_id": f"{dentist}-{i}",
            "dentist": dentist,
            "seated_at": f"2024-01-{i + 1:02d} 09:00",
            "left_at": f"2024-01-{i + 1:02d} 10:00",
            "rubber_dam": "true" if i < recorded else "",
        }
        for dentist, recorded in (("D1", 12), ("D2", 3))
        for i in range(20)
    ]
    done = {"completed_on": "2024-01-05"}
    return computed(
        name,
        by,
        treatments=[*treatments(20, "D1", **done), *treatments(20, "D2", **done)],
        canals=canals,
        visits=visits,
        **more,
    )


def test_what_is_not_recorded_does_not_tell_the_n_of_a_small_group() -> None:
    # 20 visits each, which other measures print: 20 less 17 not recorded would be the n of 3 that is withheld.
    found = two_dentists("rubber_dam_share")
    first, second = found.rows
    assert (first["n"], first["not_recorded"]) == (12, 8)
    assert told(second) == {"dentist": "D2", "too_few": True}
    assert found.suppressed == 1


def test_a_characteristic_hardly_ever_recorded_tells_neither_its_values_nor_how_often() -> None:
    incidents = [
        {
            "incident_id": f"X{i}",
            "treatment_id": f"D1-{i}",
            "canal": "MB",
            "kind": "ledge",
            "occurred_at": "2024-01-05 09:30",
            "canal_third": "apical" if i < 2 else "middle" if i < 4 else "",
        }
        for i in range(9)
    ]
    found = two_dentists("incident_sites", (), incidents=incidents)
    thirds = [row for row in found.rows if row["characteristic"] == "third of the canal"]
    # Two values, known of 4 of 9 incidents: one line is left, which names neither.
    assert [told(row) for row in thirds] == [{"characteristic": "third of the canal", "too_few": True}]
    (tooth,) = (row for row in found.rows if row["characteristic"] == "tooth type")
    assert (tooth["level"], tooth["n"], tooth["not_recorded"]) == ("molar", 9, 0)


def test_a_factor_of_few_canals_tells_neither_side_nor_its_recorded_share() -> None:
    # Of 20 canals 19 have an angle; three of them are curved by 30 degrees.
    canals = [
        {"treatment_id": f"D1-{i}", "canal": "MB", "curvature_deg": "" if i == 0 else "30" if i < 4 else "3"}
        for i in range(20)
    ]
    incidents = [
        {
            "incident_id": f"X{i}",
            "treatment_id": f"D1-{i}",
            "canal": "MB",
            "kind": "ledge",
            "occurred_at": "2024-01-05 09:30",
        }
        for i in (1, 9)
    ]
    uses = [
        {
            "use_id": f"U{i}",
            "treatment_id": f"D1-{i}",
            "canal": "MB",
            "step": "1",
            "size": "25",
            "taper": "0.06",
            "motion": "rotation",
            "result": "intact",
        }
        for i in range(20)
    ]
    kinds = {"treatments": treatments(20, "D1"), "canals": canals, "incidents": incidents, "instrument_uses": uses}
    whole = computed("contributing_factors", (), 1, **kinds).rows
    (curved,) = (r for r in whole if r["factor"] == "curvature of 25 degrees or more" and r["incident"] == "any")
    assert (curved["n"], curved["n_reference"], curved["not_recorded"]) == (3, 16, 1)
    rows = computed("contributing_factors", (), 5, **kinds).rows
    (row,) = (r for r in rows if r["factor"] == curved["factor"] and r["incident"] == "any")
    assert told(row) == {"incident": "any", "factor": curved["factor"], "too_few": True}


def test_a_small_group_has_one_row_of_a_curve_and_no_time_of_an_event() -> None:
    lost = [
        {
            "follow_up_id": f"F{i}",
            "treatment_id": f"D2-{i}",
            "seen_on": f"2025-0{i + 1}-10",
            "tooth_present": "false",
            "lost_on": f"2025-0{i + 1}-08",
            "lost_reason": "fracture",
        }
        for i in range(3)
    ]
    done = {"completed_on": "2024-01-05"}
    # D3 is withheld with D2, whom the total would tell otherwise.
    all_three = [*treatments(8, "D1", **done), *treatments(3, "D2", **done), *treatments(6, "D3", **done)]
    seen = [
        {"follow_up_id": f"G{d}{i}", "treatment_id": f"{d}-{i}", "seen_on": "2025-03-01", "tooth_present": "true"}
        for d, n in (("D1", 8), ("D3", 6))
        for i in range(n)
    ]
    found = computed("tooth_survival", ("dentist",), treatments=all_three, follow_ups=[*lost, *seen])
    assert [told(row) for row in found.rows if row["dentist"] == "D2"] == [{"dentist": "D2", "too_few": True}]
    assert len([row for row in found.rows if row["dentist"] == "D1"]) > 1
    assert found.suppressed == 2


@pytest.mark.parametrize("others", [0, 3])
def test_classes_that_share_a_small_denominator_are_withheld_together(others: int) -> None:
    # Four teeth of core classes; three lost for another reason would stand as 3 of 7 and tell the 4.
    done = {"completed_on": "2024-01-05"}
    follow_ups = [
        {
            "follow_up_id": f"F{i}",
            "treatment_id": f"D1-{i}",
            "seen_on": "2025-03-01",
            "image": "periapical",
            "pai": "1",
            "pain": "false",
            "tooth_present": "true",
        }
        for i in range(4)
    ] + [
        {
            "follow_up_id": f"F{4 + i}",
            "treatment_id": f"D1-{4 + i}",
            "seen_on": "2025-03-01",
            "tooth_present": "false",
            "lost_on": "2025-02-01",
            "lost_reason": "fracture",
        }
        for i in range(others)
    ]
    kinds = {"treatments": treatments(4 + others, "D1", **done), "follow_ups": follow_ups}
    shown = computed("outcome_classes", (), 1, **kinds).rows
    assert {row["n"] for row in shown} == {4, 4 + others}
    found = computed("outcome_classes", (), 5, **kinds)
    assert [set(told(row)) for row in found.rows] == [{"class", "too_few"}] * len(shown)
    assert found.suppressed == 1


def test_a_group_is_not_told_by_the_total_less_the_others() -> None:
    done = {"completed_on": "2024-01-05"}
    many = [*treatments(20, "D1", **done), *treatments(9, "D2", **done), *treatments(3, "D3", **done)]
    found = computed("unfinished_share", ("dentist",), treatments=many)
    assert [(row["dentist"], row["n"], row.get("too_few")) for row in found.rows] == [
        ("D1", 20, None),
        ("D2", None, True),
        ("D3", None, True),
    ]
    assert found.suppressed == 2
    (whole,) = computed("unfinished_share", (), treatments=many).rows
    assert whole["n"] == 32  # less 20 this tells the 12 of both, and neither


def test_a_group_of_just_enough_is_shown_and_one_fewer_is_not() -> None:
    rows = [{"sequence": "a", "n": 5, "estimate": 0.4}, {"sequence": "b", "n": 4, "estimate": 0.5}]
    assert _mask(rows, ["sequence"], "median", 5) == (
        [rows[0], {"sequence": "b", "n": None, "estimate": None, "too_few": True}],
        1,
    )


def test_either_side_of_a_pair_may_be_too_small() -> None:
    row = {"sequence": "a", "reference": "b", "n": 5, "n_reference": 5, "estimate": 0.1}
    few = {"sequence": "a", "reference": "b", "n": None, "n_reference": None, "estimate": None, "too_few": True}
    assert _mask([row], ["sequence"], "comparison", 5) == ([row], 0)
    for side in ("n", "n_reference"):
        assert _mask([row | {side: 4}], ["sequence"], "comparison", 5) == ([few], 1)


def test_times_are_withheld_unless_they_are_those_that_were_asked_for() -> None:
    row = {"sequence": "a", "time": 12, "n": 4, "estimate": 0.5}
    for kind, time in (("forecast", 12), ("survival", None)):
        ((shown,), _) = _mask([row], ["sequence"], kind, 5)
        assert shown == {"sequence": "a", "time": time, "n": None, "estimate": None, "too_few": True}
