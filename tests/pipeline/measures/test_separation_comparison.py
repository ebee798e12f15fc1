"""Separations compared between sequences: what is like, what is counted, and what may be said of it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.measures.rate_sentence import statement, times, verdict
from pipeline.measures.run import Workspace
from pipeline.measures.sentence import with_sentences
from pipeline.settings import Settings
from pipeline.store.database import in_memory


def practice(
    separated: dict[tuple[str, str], int],
    patients: int = 40,
    teeth: tuple[int, ...] = (16, 11),
    one_patient: bool = False,
) -> Any:
    """A store with a tooth a patient for each (sequence, dentist), two uses each; so many teeth have a separation."""
    connection = in_memory()
    treatments, canals, uses = [], [], []
    for (sequence, dentist), events in separated.items():
        for i in range(patients):
            key = f"{sequence}{dentist}{i}"
            patient = f"P{sequence}{dentist}" if one_patient else f"P{key}"
            treatments.append(
                (key, patient, teeth[i % len(teeth)], dentist, dt.date(2026, 1, 5), "primary", "completed")
            )
            canals.append((key, "S", sequence))
            results = ("separated" if i < events else "intact", "intact")
            uses += [(f"{key} {n}", key, result, "S", n, 25, 0.06, "rotation") for n, result in enumerate(results)]
    for kind, columns, rows in (
        ("treatments", "treatment_id, patient_id, tooth, dentist, started_on, kind, status", treatments),
        ("canals", "treatment_id, canal, sequence", canals),
        ("instrument_uses", "use_id, treatment_id, result, canal, step, size, taper, motion", uses),
    ):
        values = ", ".join("?" * (len(rows[0]) + 1))
        connection.executemany(
            f"insert into {kind} ({columns}, record_no, practice, source_file, source_row, batch_id) "
            f"values ({values}, 'here', 'f.csv', 1, 1)",
            [(*row, n) for n, row in enumerate(rows)],
        )
    return connection


def compared(connection: Any, *by: str, smallest: int = 5) -> list[dict[str, Any]]:
    workspace = Workspace(connection, Settings.model_validate({"reporting": {"smallest_group": smallest}}))
    return with_sentences(workspace.compute("separation_comparison", by), 0.95).rows


def test_a_large_difference_within_each_dentist_is_shown() -> None:
    (row,) = compared(practice({("A", "D1"): 14, ("A", "D2"): 14, ("B", "D1"): 2, ("B", "D2"): 2}))
    assert (row["sequence"], row["reference"]) == ("B", "A")  # as many uses each: the name decides
    assert (row["events"], row["events_reference"], row["n"], row["n_reference"]) == (4, 28, 160, 160)
    assert row["verdict"] == "difference shown" and row["method"] == "exact"
    assert row["high"] < 1 and row["dentist_high"] < 1
    said = row["sentence"]
    assert "a difference is shown" in said and "association, not a cause" in said
    assert "tooth type, curvature (recorded of 0 %), use number (recorded of 0 %), kind of treatment" in said
    assert "mostly not recorded: lesion before treatment, speed, torque" in said
    assert "sequence" not in row["recorded_besides"] and "dentist (beside it)" in said


def test_a_difference_that_is_the_dentist_is_no_difference_of_sequences() -> None:
    (row,) = compared(practice({("A", "D1"): 14, ("B", "D2"): 2}))
    assert row["verdict"] == "cannot be told"
    assert row["high"] < 1 and row["dentist_events"] == 0
    assert "no dentist used both" in row["sentence"]
    (row,) = compared(practice({("A", "D1"): 14, ("A", "D2"): 1, ("B", "D2"): 1, ("B", "D3"): 1}))
    assert row["verdict"] == "cannot be told"
    assert "within the uses of each dentist" in row["sentence"]
    (row,) = compared(practice({("A", "D1"): 14, ("B", "D2"): 2}), "dentist")
    assert row["verdict"] == "difference shown"  # nothing to be held apart from; the sequence is named as recorded
    assert "Recorded and not allowed for: sequence" in row["sentence"]


def test_no_difference_says_what_it_leaves_open() -> None:
    (row,) = compared(practice({("A", "D1"): 3, ("B", "D1"): 2}))
    assert row["verdict"] == "no difference shown"
    assert f"up to {times(row['high'])} times as often with the first is not ruled out" in row["sentence"]
    (row,) = compared(practice({("A", "D1"): 3, ("B", "D1"): 0}))
    assert (row["low"], row["events"]) == (0, 0) and row["estimate"] > 0
    assert "nor that none separate with it" in row["sentence"]
    (row,) = compared(practice({("A", "D1"): 0, ("B", "D1"): 3}))
    assert row["high"] is None and row["crude_ratio"] is None
    assert "no upper bound" in row["sentence"]


def test_no_separation_at_all_is_not_no_risk() -> None:
    """Exact upper bound of each rate: 3.689 / 80 uses x 1,000 = 46.1 (Garwood)."""
    (row,) = compared(practice({("A", "D1"): 0, ("B", "D1"): 0}))
    assert row["verdict"] == "cannot be told" and row["estimate"] is None
    assert row["rate_high"] == pytest.approx(46.11, abs=0.01)
    assert "up to 46 and 46" in row["sentence"]


def test_one_patient_as_a_whole_side_tells_nothing() -> None:
    (row,) = compared(practice({("A", "D1"): 30, ("B", "D1"): 2}, one_patient=True))
    assert row["verdict"] == "cannot be told"
    assert "fewer than 10 patients" in row["sentence"]
    # Counted once a patient it is one against one, and the limits hold nearly everything.
    assert row["high"] == row["clustered_high"] > 30 * row["independent_high"]


def test_a_small_side_is_withheld_whole() -> None:
    (row,) = compared(practice({("A", "D1"): 3, ("B", "D1"): 2}, patients=2), smallest=5)
    assert row["too_few"] and row["n"] is row["events"] is row["allowed_for"] is row["rate"] is None
    assert row["verdict"] == "cannot be told"
    assert statement(row) == "cannot be told: a side is smaller than the smallest group that is reported."


def test_only_like_uses_are_compared() -> None:
    connection = practice({("A", "D1"): 5}, teeth=(16,))
    other = practice({("B", "D1"): 0}, teeth=(11,))
    for kind in ("treatments", "canals", "instrument_uses"):
        rows = other.execute(f"select * from {kind}").fetchall()
        connection.executemany(f"insert into {kind} values ({', '.join('?' * len(rows[0]))})", rows)
    (row,) = compared(connection)
    assert (row["strata"], row["strata_dropped"], row["n_used"]) == (0, 2, 0)
    assert "no like uses with both" in row["sentence"]


def test_many_pairs_are_allowed_for_and_strata_are_not_compared() -> None:
    connection = practice({(s, "D1"): e for s, e in zip("ABCD", (9, 2, 2, 2), strict=True)})
    found = compared(connection)
    assert len(found) == 6
    assert all(row["p_adjusted"] >= row["p_value"] for row in found)
    undone = [row for row in found if row["p_value"] < 0.05 <= row["p_adjusted"]]
    assert all(verdict(row) != "difference shown" for row in undone)
    with pytest.raises(UserError, match="one of its strata"):
        compared(connection, "tooth_type")
    with pytest.raises(UserError, match="one thing at a time"):
        compared(connection, "sequence", "dentist")


@pytest.mark.parametrize(
    ("ratio", "text"), [(0.997, "0.997"), (1.0, "1.0"), (1.004, "1.004"), (2.26, "2.3"), (14.2, "14"), (0.031, "0.031")]
)
def test_a_ratio_is_never_rounded_to_one(ratio: float, text: str) -> None:
    assert times(ratio) == text
