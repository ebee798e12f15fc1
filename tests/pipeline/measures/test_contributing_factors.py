"""Each factor is present where the records say so, absent where they say the contrary, and else not told."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.measures.catalogue import find
from pipeline.measures.kinds import factors
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

CATALOGUE = {
    "sequence": [
        {
            "id": "A",
            "glide_path_size": 15,
            "step": [
                {"step": 1, "size": 30, "taper": 0.06, "motion": "rotation", "depth_share": 0.5, "use_limit": 2}
                | {"speed_rpm": [300, 400], "torque_ncm": 2.0},
                {"step": 2, "size": 25, "taper": 0.06, "motion": "rotation", "speed_rpm": [300, 400]},
            ],
        }
    ]
}
USE = {
    "treatment_id": "T",
    "canal": "S",
    "taper": 0.06,
    "motion": "rotation",
    "result": "intact",
    "irrigant_ml": 2.0,
    "speed_rpm": 350.0,
    "torque_ncm": 2.0,
    "peak_torque_ncm": 1.5,
    "depth_mm": 9.0,
}
FACTORS = ["speed_outside", "torque_over", "use_over_limit", "no_glide_path", "out_of_order", "too_deep"]
FACTORS += ["not_irrigated", "curved"]


def told(
    canal: dict[str, Any], first: dict[str, Any], second: dict[str, Any], earlier: int = 0, catalogue: bool = True
) -> dict[str, Any]:
    """The factors of a canal with two uses; `earlier` canals the first instrument had been in before."""
    connection = in_memory()
    canals = [{"treatment_id": "T", "canal": "S", "sequence": "A", "working_length_mm": 20.0, **canal}]
    uses = [
        {"use_id": "U1", "step": 1, "instrument_id": "I1", "size": 30, **USE, **first},
        {"use_id": "U2", "step": 2, "instrument_id": "I2", "size": 25, **USE, "depth_mm": 20.0, **second},
    ]
    before = [
        {**uses[0], "use_id": f"E{i}", "treatment_id": f"E{i}", "started_at": f"2026-01-0{i + 1} 09:00:00"}
        for i in range(earlier)
    ]
    uses[0]["started_at"] = "2026-02-01 09:00:00"
    # Not older than the records: all their uses are counted.
    new = [{"instrument_id": name, "received_on": dt.date(2026, 2, 1)} for name in ("I1", "I2")]
    for kind, records in (("canals", canals), ("instruments", new), ("instrument_uses", [*uses, *before])):
        for number, row in enumerate(records):
            connection.execute(
                f"insert into {kind} ({', '.join(row)}, practice, source_row, batch_id, record_no) "
                f"values ({', '.join('?' * len(row))}, 'here', 1, 1, {number})",
                list(row.values()),
            )
    workspace = Workspace(connection, Settings.model_validate(CATALOGUE if catalogue else {}), dt.date(2026, 6, 30))
    workspace.compute("contributing_factors")  # its units stay in `kept`
    (row,) = connection.execute(
        f"select {', '.join(FACTORS)} from {workspace.kept} where treatment_id = 'T'"
    ).fetchall()
    return dict(zip(FACTORS, row, strict=True))


AS_ASKED = {"glide_path_size": 15, "curvature_deg": 10.0}


def test_a_canal_done_as_the_catalogue_asks_has_no_factor() -> None:
    assert told(AS_ASKED, {}, {}) == dict.fromkeys(FACTORS, 0)


@pytest.mark.parametrize(
    ("factor", "canal", "first", "second", "earlier"),
    [
        ("speed_outside", {}, {"speed_rpm": 299.0}, {}, 0),
        ("torque_over", {}, {"peak_torque_ncm": 2.1}, {}, 0),
        ("torque_over", {}, {"torque_ncm": 2.5, "peak_torque_ncm": 2.2}, {}, 0),
        ("use_over_limit", {}, {}, {}, 2),
        ("no_glide_path", {"glide_path_size": 10}, {}, {}, 0),
        ("out_of_order", {}, {"step": 3}, {}, 0),
        ("too_deep", {}, {"depth_mm": 11.0}, {}, 0),
        ("not_irrigated", {}, {"irrigant_ml": 0.0}, {}, 0),
        ("curved", {"curvature_deg": 25.0}, {}, {}, 0),
    ],
)
def test_one_departure_is_one_factor(factor: str, canal: Any, first: Any, second: Any, earlier: int) -> None:
    found = told({**AS_ASKED, **canal}, first, second, earlier)
    assert {name for name, present in found.items() if present == 1} == {factor}
    assert None not in found.values() or factor == "out_of_order"


def test_the_last_use_allowed_and_no_irrigant_after_the_last_instrument_are_no_factors() -> None:
    assert told(AS_ASKED, {}, {"irrigant_ml": 0.0}, earlier=1) == dict.fromkeys(FACTORS, 0)


def test_what_is_not_recorded_is_not_told() -> None:
    nothing = dict.fromkeys(["speed_rpm", "torque_ncm", "peak_torque_ncm", "depth_mm", "irrigant_ml", "instrument_id"])
    found = told({}, nothing, nothing)
    assert {name for name, present in found.items() if present is not None} == {"out_of_order"}


def test_what_only_a_catalogue_can_tell_is_not_told_without_one() -> None:
    """No figure of the trade stands in for it: what instructions for use say differs from instrument to instrument."""
    found = told({"glide_path_size": 6}, {"speed_rpm": 900.0, "depth_mm": 20.0}, {}, catalogue=False)
    assert [found[name] for name in ("speed_outside", "no_glide_path", "out_of_order", "too_deep")] == [None] * 4
    assert found["not_irrigated"] == 0


def test_words_say_what_the_figures_allow_and_never_speak_of_causes() -> None:
    connection = in_memory()
    columns = ", ".join(f"{name} integer" for name in [*FACTORS, "any_incident", "separation"])
    connection.execute(f"create temp table kept (tooth_type varchar, cluster varchar, {columns})")
    # 40 of 400 with the factor, 20 of 800 without: 4 times as often; every other factor is not told.
    for present, event, n in ((1, 1, 40), (1, 0, 360), (0, 1, 20), (0, 0, 780)):
        connection.execute(
            f"insert into kept (tooth_type, speed_outside, any_incident, separation) "
            f"select 'molar', {present}, {event}, 0 from range({n})"
        )
    rows = factors.rows(connection, "kept", find("contributing_factors"), (), 0.95)
    speed = {row["incident"]: row for row in rows if row["factor"] == "speed outside the range"}
    assert speed["any"]["estimate"] == pytest.approx(4)
    assert (speed["any"]["n"], speed["any"]["n_reference"]) == (400, 800)
    assert speed["any"]["seen"] == "seen more often"
    assert speed["separation"]["seen"] == "cannot be told"  # there is none
    assert {row["seen"] for row in rows if row["factor"] != "speed outside the range"} == {"not recorded"}
    measure = find("contributing_factors")
    assert "caused by" not in measure.caption.replace("not caused by", "")


def test_an_interval_that_leaves_out_1_beside_no_word_says_why() -> None:
    """2.14 (1.01 to 4.53) once read "no difference shown": it is one of three factors, 0.04 x 3 is more than 0.05."""
    rows = [{"incident": "any", "p_value": p, "estimate": 2.14} for p in (0.04, 0.3, 0.9)]
    factors._say(rows, (), 0.95)
    assert [row["seen"] for row in rows] == [
        "not after allowing for the 3 factors looked at",
        "no difference shown",
        "no difference shown",
    ]
    alone = {"incident": "any", "p_value": 0.04, "estimate": 2.14}
    factors._say([alone], (), 0.95)
    assert alone["seen"] == "seen more often"


def told_of(canals: list[tuple[str, int, int]]) -> dict[str, Any]:
    """The row of a factor for any incident, from canals as (patient, factor present, incident)."""
    connection = in_memory()
    columns = ", ".join(f"{name} integer" for name in [*FACTORS, "any_incident", "separation"])
    connection.execute(f"create temp table kept (tooth_type varchar, cluster varchar, {columns})")
    connection.executemany(
        "insert into kept (tooth_type, cluster, curved, any_incident, separation) values ('molar', ?, ?, ?, 0)", canals
    )
    rows = factors.rows(connection, "kept", find("contributing_factors"), (), 0.95)
    return next(row for row in rows if row["factor"].startswith("curvature") and row["incident"] == "any")


def test_one_patient_is_no_proof() -> None:
    """Twelve incidents in the twelve curved canals of a single patient say nothing of curved canals."""
    others = [(f"P{i}", 0, int(i < 20)) for i in range(200)]
    spread = told_of([*others, *((f"Q{i}", 1, 1) for i in range(12))])
    alone = told_of([*others, *(("Q", 1, 1) for i in range(12))])
    assert spread["seen"] == "seen more often"
    assert alone["estimate"] == spread["estimate"] == pytest.approx(10)
    assert alone["high"] / alone["low"] >= spread["high"] / spread["low"]


def test_patients_with_many_incidents_widen_the_limits() -> None:
    canals = [(f"P{i}", i % 2, int(i % 5 == 0 or i % 7 == 0)) for i in range(60)]
    apart = told_of([(f"{p}/{j}", present, event) for p, present, event in canals for j in range(4)])
    together = told_of([(p, present, event) for p, present, event in canals for j in range(4)])
    assert together["estimate"] == pytest.approx(apart["estimate"])
    assert together["design_effect"] == pytest.approx(4, rel=0.05)  # four canals alike in all are one
    assert together["low"] < apart["low"] < apart["high"] < together["high"]


def test_no_incident_on_one_side_has_a_limit_and_no_certainty() -> None:
    none = told_of([*((f"P{i}", 1, 0) for i in range(50)), *((f"Q{i}", 0, int(i < 3)) for i in range(50))])
    # 3 events among 100 equal chances: 2 x 0.5 ** 3; the ratio's limit from (1 / (1 + ratio)) ** 3 = 0.025.
    assert (none["estimate"], none["low"], none["p_value"]) == (0, 0, pytest.approx(0.25))
    assert none["high"] == pytest.approx(0.025 ** (-1 / 3) - 1)
    assert none["seen"] == "no difference shown"
    of_one_patient = told_of([*((f"P{i}", 1, 0) for i in range(50)), *(("Q", 0, int(i < 3)) for i in range(50))])
    assert of_one_patient["p_value"] == 1
