"""What a comparison of sequences must not be taken in by, from records to the sentence."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.measures.run import Workspace
from pipeline.measures.sentence import verdict, with_sentences
from pipeline.settings import Settings
from pipeline.store.database import in_memory

AS_OF = dt.date(2026, 6, 30)
Row = dict[str, Any]


def store(teeth: pl.DataFrame) -> Any:
    """Records of teeth given by patient, dentist, sequence, healed, days (to the review) and maybe more."""
    n = teeth.height
    defaults = {"tooth": 16, "kind": "primary", "preop_pai": 4, "patient": pl.Series(np.arange(n)).cast(pl.String)}
    defaults |= {"dentist": "D1", "completed_on": dt.date(2023, 1, 10), "days": 540, "lesion_mm": None}
    given = teeth.with_columns(**{k: v if isinstance(v, pl.Series) else pl.lit(v) for k, v in defaults.items()
                                  if k not in teeth.columns}, id=pl.Series(np.arange(n)).cast(pl.String))  # fmt: skip
    tables = {
        "treatments": given.select(
            "tooth", "kind", "preop_pai", "dentist", "completed_on", pl.col("lesion_mm").cast(pl.Float64),
            treatment_id="id", patient_id="patient", started_on="completed_on", status=pl.lit("completed"),
        ),
        "canals": given.select("sequence", treatment_id="id", canal=pl.lit("MB")),
        "follow_ups": given.filter(pl.col("days").is_not_null()).select(
            treatment_id="id", follow_up_id="id", seen_on=pl.col("completed_on") + pl.duration(days=pl.col("days")),
            image=pl.lit("periapical"), pai=pl.when("healed").then(1).otherwise(4), pain=False, tooth_present=True,
        ),
    }  # fmt: skip
    connection = in_memory()
    for batch, (kind, records) in enumerate(tables.items()):
        whole = records.with_columns(practice=pl.lit("p"), batch_id=batch).with_row_index("record_no")
        connection.register("given", whole)
        connection.execute(f"insert into {kind} by name select * from given")
        connection.unregister("given")
    return connection


def compared(connection: Any, smallest: int = 5, **where: str) -> list[Row]:
    settings = Settings.model_validate({"reporting": {"smallest_group": smallest}})
    work = Workspace(connection, settings, AS_OF)
    return with_sentences(work.compute("sequence_comparison", where=where), 0.95).rows


def healed(share: float, n: int) -> list[bool]:
    return [i < round(share * n) for i in range(n)]


def test_two_dentists_with_a_sequence_each_cannot_be_compared() -> None:
    """D1 uses A and heals 60 %, D2 uses B and heals 84 %: whose doing it is, no record tells."""
    teeth = pl.DataFrame({"sequence": ["A"] * 100 + ["B"] * 100, "dentist": ["D1"] * 100 + ["D2"] * 100,
                          "healed": healed(0.6, 100) + healed(0.84, 100)})  # fmt: skip
    (row,) = compared(store(teeth))
    assert verdict(row) == "cannot be compared"
    assert row["sentence"].endswith("cannot be compared: each dentist used only one of them.")
    assert row["alone"] == row["alone_reference"] == 1
    assert row["estimate"] is None
    assert abs(row["crude_difference"]) == pytest.approx(0.24)


def test_two_dentists_who_use_both_unequally_are_told_from_the_sequence() -> None:
    """The same dentists, each with both: within a dentist both sequences heal alike, and that is what is found."""
    parts = [("D1", "A", 100, 0.6), ("D1", "B", 30, 0.6), ("D2", "A", 25, 0.84), ("D2", "B", 100, 0.84)]
    teeth = pl.concat([pl.DataFrame({"dentist": [d] * n, "sequence": [s] * n, "healed": healed(p, n)})
                       for d, s, n, p in parts])  # fmt: skip
    (row,) = compared(store(teeth))
    assert row["crude_high"] < 0 or row["crude_low"] > 0
    assert abs(row["estimate"]) < 0.01
    assert verdict(row) == "no difference shown"


def test_a_side_reviewed_later_is_no_side_that_heals_more() -> None:
    """A reviewed after 30 to 48 months and B after 12 to 20, healing the same by time: nothing can be told of A."""
    rng = np.random.default_rng(5)
    days = np.concatenate([rng.integers(915, 1460, 150), rng.integers(366, 608, 150)])
    share = 1 - np.exp(-days / 30.4375 / 12)
    teeth = pl.DataFrame({"sequence": ["A"] * 150 + ["B"] * 150, "days": days, "healed": rng.random(300) < share})
    (row,) = compared(store(teeth.with_columns(completed_on=pl.lit(dt.date(2022, 1, 10)))))
    assert row["too_few"]
    assert row["sentence"].split(": ", 1)[1].startswith("cannot be told")


def test_review_times_inside_the_window_are_allowed_for() -> None:
    rng = np.random.default_rng(6)
    days = np.concatenate([rng.integers(440, 725, 200), rng.integers(370, 640, 200)])
    share = 1 - np.exp(-days / 30.4375 / 12)
    teeth = pl.DataFrame({"sequence": ["A"] * 200 + ["B"] * 200, "days": days, "healed": rng.random(400) < share})
    (row,) = compared(store(teeth))
    a, b = ("", "_reference") if row["sequence"] == "A" else ("_reference", "")
    assert row[f"review_median{a}"] - row[f"review_median{b}"] > 1.5
    assert abs(row["estimate"]) < abs(row["crude_difference"])
    assert verdict(row) == "no difference shown"


def test_one_patient_with_28_teeth_is_no_side() -> None:
    teeth = pl.DataFrame({"sequence": ["A"] * 28 + ["B"] * 60, "healed": [False] * 28 + healed(0.8, 60),
                          "patient": ["one"] * 28 + [f"p{i}" for i in range(60)]})  # fmt: skip
    (row,) = compared(store(teeth))
    assert verdict(row) == "cannot be told"
    assert row["sentence"].endswith("cannot be told: 1 patient on a side, fewer than 10.")


def test_all_against_none_is_no_case_of_too_few() -> None:
    teeth = pl.DataFrame({"sequence": ["A"] * 20 + ["B"] * 20, "healed": [True] * 20 + [False] * 20})
    (row,) = compared(store(teeth))
    assert verdict(row) == "difference shown"
    low, high = sorted((abs(row["low"]), abs(row["high"])))
    assert 0.6 < low < 0.85
    assert high == 1
    assert row["p_value"] < 1e-6


def test_an_intervention_before_the_windows_end_is_a_failure_seen_or_not() -> None:
    """40 teeth a side, all of B seen healed; 10 of A were retreated after 20 months, 5 of them never reviewed."""
    teeth = pl.DataFrame({"sequence": ["A"] * 40 + ["B"] * 40, "healed": [True] * 80,
                          "days": [None] * 5 + [400] * 75}, schema_overrides={"days": pl.Int64})  # fmt: skip
    connection = store(teeth)
    again = "select t.practice, t.treatment_id || 'r' as treatment_id, t.patient_id, t.tooth, t.dentist"
    connection.execute(
        f"""insert into treatments by name {again}, 'retreatment' as kind, 4 as preop_pai,
            date '2024-09-10' as started_on, 'ongoing' as status, 9 as batch_id,
            cast(t.treatment_id as integer) + 1000 as record_no
            from treatments as t where cast(treatment_id as integer) < 10"""
    )
    (row,) = compared(connection)
    sides = {row["sequence"]: (row["events"], row["n"], row["n_eligible"]),
             row["reference"]: (row["events_reference"], row["n_reference"], row["n_eligible_reference"])}  # fmt: skip
    assert sides == {"A": (30, 40, 40), "B": (40, 40, 40)}


def test_windows_that_are_not_over_and_teeth_not_seen_are_counted() -> None:
    late = dt.date(2024, 7, 1)  # 24 months later is the day after the records end
    teeth = pl.DataFrame(
        {"sequence": ["A"] * 30 + ["B"] * 30 + ["A"] * 7, "healed": [True] * 67, "days": [540] * 25 + [None] * 5
         + [540] * 37, "completed_on": [dt.date(2024, 6, 30)] * 60 + [late] * 7}
    )  # fmt: skip
    connection = store(teeth)
    result = Workspace(connection, Settings(), AS_OF).compute("sequence_comparison")
    assert {r["reason"]: r["n"] for r in result.left_out} == {
        "the window of reviews is not over yet": 7,
        "not seen in the window": 5,
    }
    (row,) = result.rows
    assert (row["n"], row["n_eligible"], row["n_reference"], row["n_eligible_reference"]) == (25, 30, 30, 30)


def test_of_several_reviews_the_one_nearest_the_middle_of_the_window_tells() -> None:
    teeth = pl.DataFrame({"sequence": ["A"] * 6 + ["B"] * 6, "healed": [True] * 12, "days": [550] * 12})
    connection = store(teeth)
    for months, pai in ((13, 4), (23, 4), (30, 4)):
        connection.execute(
            f"""insert into follow_ups by name select * replace (follow_up_id || '/{months}' as follow_up_id,
                seen_on - 550 + to_days(cast(30.4375 * {months} as integer)) as seen_on, {pai} as pai,
                record_no + 1000 * {months} as record_no) from follow_ups where length(follow_up_id) < 3"""
        )
    (row,) = compared(connection)
    assert (row["events"], row["events_reference"]) == (6, 6)
    assert row["review_median"] == pytest.approx(550 / 30.4375)


def test_nothing_of_a_reference_side_below_the_smallest_group_is_told() -> None:
    """Three teeth of the larger group were judged on no side: whichever side is small, its row says its name alone."""
    teeth = pl.DataFrame({"sequence": ["A"] * 3 + ["B"] * 4 + ["C"] * 30, "healed": healed(0.7, 37)})
    rows = compared(store(teeth))
    names = {"sequence", "reference", "too_few", "sentence"}
    masked = [row for row in rows if row.get("too_few")]
    assert len(masked) == 3
    for row in masked:
        assert {k for k, v in row.items() if v is not None} == names
        assert not any(character.isdigit() for character in row["sentence"])


def test_a_small_reference_alone_withholds_the_row() -> None:
    """`n_reference` counts by itself: the first side is large enough here, its reference is not."""
    from pipeline.measures.run import _mask

    row = {"sequence": "A", "reference": "B", "n": 9, "n_reference": 3, "n_eligible_reference": 4, "estimate": 0.1,
           "effective_n_reference": 2.9, "review_median_reference": 14.0, "cannot_tell": "3 patients"}  # fmt: skip
    ((shown,), hidden) = _mask([row], ("sequence",), "comparison", 5)
    assert hidden == 1
    assert {k: v for k, v in shown.items() if v is not None} == {"sequence": "A", "reference": "B", "too_few": True}
    ((kept,), hidden) = _mask([row | {"n_reference": 5}], ("sequence",), "comparison", 5)
    assert hidden == 0
    assert kept["estimate"] == 0.1


def test_answers_do_not_follow_the_order_of_records_or_the_names_of_patients() -> None:
    rng = np.random.default_rng(8)
    teeth = pl.DataFrame({"sequence": rng.choice(["A", "B"], 200), "healed": rng.random(200) < 0.7,
                          "patient": rng.integers(0, 120, 200).astype(str), "tooth": rng.choice([11, 16, 24], 200),
                          "dentist": rng.choice(["D1", "D2"], 200)})  # fmt: skip
    mixed = teeth.with_columns(patient=pl.lit("x") + pl.col("patient").str.reverse()).sample(200, shuffle=True, seed=1)
    first, second = (compared(store(t))[0] for t in (teeth, mixed))
    for key in ("estimate", "low", "high", "p_value", "homogeneity_p", "weighted_low", "mantel_haenszel_high"):
        assert first[key] == pytest.approx(second[key], abs=1e-9), key
