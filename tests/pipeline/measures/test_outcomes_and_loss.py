"""Outcomes and loss to follow-up through the whole runner: published counts, identities, and independent libraries."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest
from statsmodels.duration.survfunc import CumIncidenceRight

from pipeline.checks import across
from pipeline.measures.run import Result, Workspace
from pipeline.settings import Settings
from pipeline.stats.proportions import clustered_wilson, newcombe_difference, wilson
from pipeline.store.database import in_memory

AS_OF = dt.date(2026, 6, 30)
DONE = dt.date(2024, 1, 5)
SEEN = dt.date(2025, 2, 5)


def workspace(**kinds: list[dict[str, Any]]) -> Workspace:
    """A store in memory with these records."""
    connection = in_memory()
    for batch, (kind, rows) in enumerate(kinds.items(), start=1):
        frame = pl.DataFrame(rows, infer_schema_length=None).with_columns(
            practice=pl.lit("here"), source_row=pl.int_range(pl.len()), record_no=pl.int_range(pl.len())
        )
        connection.register("rows", frame.with_columns(batch_id=pl.lit(batch)).to_arrow())
        connection.execute(f"insert into {kind} by name select * from rows")
        connection.unregister("rows")
    return Workspace(connection, Settings(), AS_OF)


def treatment(i: int, **other: Any) -> dict[str, Any]:
    return {
        "treatment_id": f"T{i}",
        "patient_id": f"P{i}",
        "tooth": 16,
        "dentist": "D1",
        "kind": "primary",
        "preop_pai": 4,
        "started_on": DONE,
        "completed_on": DONE,
        "status": "completed",
        **other,
    }


def follow_up(i: int, pai: int | None = 1, **other: Any) -> dict[str, Any]:
    return {
        "follow_up_id": f"F{i}",
        "treatment_id": f"T{i}",
        "seen_on": SEEN,
        "image": "periapical",
        "pai": pai,
        "pain": False,
        "tooth_present": True,
        "lost_on": None,
        "lost_reason": None,
        **other,
    }


def one(result: Result) -> dict[str, Any]:
    (row,) = result.rows
    return row


def test_first_phase_of_a_university_study_and_what_its_loss_could_hide() -> None:
    """Friedman 2003, J Endod: 450 treated, 120 examined, 81 % healed (97). Bounds by hand: 97/450 and 427/450."""
    made = workspace(
        treatments=[treatment(i) for i in range(450)],
        follow_ups=[follow_up(i, 1 if i < 97 else 5) for i in range(120)],
    )
    row = one(made.compute("healed_bounds"))
    assert (row["n"], row["events"], row["not_known"]) == (120, 97, 330)
    assert row["estimate"] == pytest.approx(97 / 120)
    assert round(100 * row["estimate"]) == 81
    assert (row["lowest"], row["highest"]) == pytest.approx((0.21556, 0.94889), abs=1e-5)
    assert (row["low"], row["high"]) == pytest.approx(tuple(float(v) for v in wilson(97, 120)))
    assert row["lowest_low"] == pytest.approx(float(wilson(97, 450)[0]))
    assert row["highest_high"] == pytest.approx(float(wilson(427, 450)[1]))
    classes = {r["class"]: r["estimate"] for r in made.compute("outcome_classes").rows}
    assert classes == pytest.approx(
        {"healed": 97 / 120, "healing": 0, "uncertain": 0, "not healed": 23 / 120, "lost for another reason": 0}
    )
    assert one(made.compute("healed_share"))["estimate"] == pytest.approx(97 / 120)
    assert one(made.compute("functional_share"))["estimate"] == 1


HEALED_SHARES = ("healed_share", "healed_share_decided", "healed_bounds", "healed_share_weighted", "peer_funnel")


def again(i: int, on: dt.date) -> dict[str, Any]:
    """Tooth i treated again from that day on."""
    return treatment(
        i, treatment_id=f"R{i}", kind="retreatment", started_on=on, completed_on=None, status="in progress"
    )


def test_healing_after_an_operation_is_no_success_of_the_treatment() -> None:
    """Ten teeth seen healed, five of them after apical surgery: 10 of 10 was said once."""
    made = workspace(
        treatments=[treatment(i) for i in range(10)],
        follow_ups=[follow_up(i, 1, surgery_on=dt.date(2024, 10, 5) if i < 5 else None) for i in range(10)],
    )
    for name in (*HEALED_SHARES, "functional_share"):
        row = one(made.compute(name))
        assert (row["n"], row["estimate"]) == (10, pytest.approx(0.5)), name
    listed = made.compute("not_healed_list").rows
    assert [(row["why"], row["seen_on"]) for row in listed] == [("apical surgery", dt.date(2024, 10, 5))] * 5


@pytest.mark.parametrize("day", [DONE, dt.date(2024, 6, 5)], ids=["on the day of completion", "later"])
def test_teeth_retreated_without_a_review_are_known_failures(day: dt.date) -> None:
    """Six healed, four retreated and never seen: none of these may have healed, nor is any of them to be called."""
    made = workspace(
        treatments=[treatment(i) for i in range(10)] + [again(i, day) for i in range(4)],
        follow_ups=[follow_up(i) for i in range(4, 10)],
    )
    for name in (*HEALED_SHARES, "functional_share"):
        row = one(made.compute(name))
        assert (row["n"], row["estimate"]) == (10, pytest.approx(0.6)), name
    bounds = one(made.compute("healed_bounds"))
    assert (bounds["not_known"], bounds["lowest"], bounds["highest"]) == (0, 0.6, 0.6)
    assert (one(made.compute("recall_share"))["events"], made.compute("recall_list").rows) == (10, [])


def test_a_retreatment_is_history_and_no_doubt() -> None:
    """Retreated, then seen with pain and PAI 4: not healed, where the rules between kinds once called it doubtful."""
    seen = [follow_up(i, 4 if i < 4 else 1, pain=i < 4) for i in range(10)]
    made = workspace(
        treatments=[treatment(i) for i in range(10)] + [again(i, dt.date(2024, 6, 5)) for i in range(4)],
        follow_ups=seen,
    )
    across.refresh(made.connection, AS_OF)
    made = Workspace(made.connection, Settings(), AS_OF)
    result = made.compute("healed_share")
    assert (one(result)["n"], one(result)["events"]) == (10, 6)
    assert result.left_out == [{"reason": "treatment not completed", "n": 4}]
    # Begun once more as a first treatment, nobody can tell which of the two was seen.
    made = workspace(
        treatments=[treatment(i) for i in range(10)]
        + [again(i, dt.date(2024, 6, 5)) | {"kind": "primary"} for i in range(4)],
        follow_ups=seen,
    )
    across.refresh(made.connection, AS_OF)
    left_out = Workspace(made.connection, Settings(), AS_OF).compute("healed_share").left_out
    assert [row["n"] for row in left_out if row["reason"].startswith("doubtful")] == [4]


def test_uncertain_teeth_stay_in_the_strict_share_and_stand_apart_in_the_other_reading() -> None:
    """6 healed, 1 healing, 2 uncertain, 1 not healed: 6 of 10 strict, 6 of 8 without the uncertain, 9 of 10 loose."""
    pai = [1] * 6 + [3] + [4] * 2 + [5]
    made = workspace(
        treatments=[treatment(i) for i in range(10)],
        follow_ups=[follow_up(i, p, pain=p == 5) for i, p in enumerate(pai)],
    )
    classes = {r["class"]: (r["n"], r["events"]) for r in made.compute("outcome_classes").rows}
    assert classes == {
        "healed": (10, 6),
        "healing": (10, 1),
        "uncertain": (10, 2),
        "not healed": (10, 1),
        "lost for another reason": (10, 0),
    }
    strict, apart = made.compute("healed_share"), made.compute("healed_share_decided")
    assert (one(strict)["n"], one(strict)["events"]) == (10, 6)
    assert (one(apart)["n"], one(apart)["events"]) == (8, 6)
    assert (one(apart)["low"], one(apart)["high"]) == pytest.approx(tuple(float(v) for v in wilson(6, 8)))
    assert apart.left_out == [{"reason": "uncertain until four years after completion", "n": 2}]
    assert (one(made.compute("functional_share"))["n"], one(made.compute("functional_share"))["events"]) == (10, 9)
    for name in ("healed_bounds", "healed_share_weighted", "peer_funnel"):
        assert (one(made.compute(name))["n"], one(made.compute(name))["estimate"]) == (10, pytest.approx(0.6)), name


def test_primary_teeth_that_exfoliate_are_neither_lost_nor_failures() -> None:
    """Of 20 primary teeth six exfoliated after a year, unseen before, and two were extracted: 12 are seen healed."""
    day = dt.date(2025, 1, 5)
    gone = {"tooth_present": False, "image": "none", "pai": None, "pain": None, "lost_on": day}
    seen = [follow_up(i, **gone, lost_reason="exfoliated" if i < 6 else "caries") for i in range(8)]
    made = workspace(
        treatments=[treatment(i, tooth=75) for i in range(20)],
        follow_ups=seen + [follow_up(i, seen_on=dt.date(2026, 1, 5)) for i in range(8, 20)],
    )
    for name in ("healed_share", "functional_share", "healed_bounds", "outcome_classes", "healed_share_weighted"):
        left_out = {row["reason"]: row["n"] for row in made.compute(name).left_out}
        assert left_out["primary tooth exfoliated before it was judged"] == 6, name
    survival = made.compute("tooth_survival").rows
    assert sum(row["events"] for row in survival) == 2
    assert survival[-1]["estimate"] == pytest.approx(18 / 20), "censored that day, at which they were still at risk"
    assert survival[-1]["at_risk"] == 12
    losses = {row["cause"]: row["estimate"] for row in made.compute("endodontic_loss").rows}
    assert losses == pytest.approx({"endodontic": 0, "another reason": 2 / 20, "reason not recorded": 0})
    assert one(made.compute("recall_share"))["events"] == 8, "the others were seen after their window"
    assert {row["treatment_id"] for row in made.compute("recall_list").rows} == {f"T{i}" for i in range(8, 20)}


@pytest.mark.parametrize(
    ("days", "teeth"), [(-1, 0), (0, 5), (1, 5)], ids=["the day before", "the day", "the day after"]
)
def test_units_of_the_first_and_the_last_day_of_a_span_count(days: int, teeth: int) -> None:
    made = workspace(treatments=[treatment(i) for i in range(5)], follow_ups=[follow_up(i) for i in range(5)])
    day = dt.timedelta(days=days)
    until = made.compute("healed_share", end=DONE + day).rows
    since = made.compute("healed_share", start=DONE - day).rows
    assert [sum(row["n"] for row in rows) for rows in (until, since)] == [teeth, teeth]
    nothing = made.compute("not_healed_list", end=DONE + day).rows
    assert nothing == []
    listed = workspace(treatments=[treatment(i) for i in range(5)], follow_ups=[follow_up(0, 5)])
    assert len(listed.compute("not_healed_list", end=DONE + day).rows) == (1 if teeth else 0)


@pytest.mark.parametrize(("flared", "visits", "printed"), [(30, 946, "3.17")])
def test_flare_ups_of_946_visits(flared: int, visits: int, printed: str) -> None:
    """Walton and Fouad 1992, J Endod 18:172: 3.17 % of 946 visits. One visit a treatment here, and 30 unplanned ones.

    The unplanned visits of the study are not among its 946; here they are visits like others, so 30 of 946 + 30.
    """
    at = dt.datetime(2024, 1, 5, 9)

    def visit(i: int, day: int, reason: str) -> dict[str, Any]:
        seated = at + dt.timedelta(days=day)
        return {
            "visit_id": f"V{i}-{day}",
            "treatment_id": f"T{i}",
            "dentist": "D1",
            "seated_at": seated,
            "left_at": seated + dt.timedelta(minutes=50),
            "reason": reason,
        }

    made = workspace(
        treatments=[treatment(i) for i in range(visits)],
        visits=[visit(i, 0, "planned") for i in range(visits)]
        + [visit(i, 1 + i % 7, "pain or swelling") for i in range(flared)]
        + [visit(i, 8, "pain or swelling") for i in range(100, 110)]
        + [visit(i, 3, "planned") for i in range(200, 210)],
    )
    teeth = one(made.compute("flare_ups"))
    assert (teeth["n"], teeth["events"]) == (visits, flared)
    assert f"{100 * teeth['estimate']:.2f}" == printed
    by_visit = one(made.compute("flare_ups_per_visit"))
    assert (by_visit["n"], by_visit["events"]) == (visits + flared + 20, flared)


def losses(seed: int, n: int = 300) -> list[dict[str, Any]]:
    rng = np.random.default_rng(seed)
    days = rng.integers(20, 800, n)
    why = rng.choice(["", "endodontic", "fracture", "unknown"], n, p=[0.6, 0.15, 0.15, 0.1])
    return [
        follow_up(
            i,
            seen_on=DONE + dt.timedelta(days=int(d)),
            tooth_present=reason == "",
            lost_on=DONE + dt.timedelta(days=int(d)) if reason else None,
            lost_reason=None if reason in ("", "unknown") else str(reason),
        )
        for i, (d, reason) in enumerate(zip(days, why, strict=True))
    ]


def test_losses_and_survival_add_up_to_one_and_agree_with_statsmodels() -> None:
    records = losses(5)
    made = workspace(treatments=[treatment(i) for i in range(300)], follow_ups=records)
    rows = made.compute("endodontic_loss").rows
    kept = {row["time"]: row["estimate"] for row in made.compute("tooth_survival").rows}
    causes = ("endodontic", "another reason", "reason not recorded")
    for horizon in (12.0, 24.0):
        assert kept[horizon] is not None
        at = {row["cause"]: row["estimate"] for row in rows if row["time"] == horizon}
        assert tuple(at) == causes
        assert sum(at.values()) + kept[horizon] == pytest.approx(1)
    days = np.array([(r["lost_on"] or r["seen_on"]).toordinal() - DONE.toordinal() for r in records])
    cause = np.array(
        [0 if r["tooth_present"] else {"endodontic": 1, "fracture": 2}.get(r["lost_reason"], 3) for r in records]
    )
    oracle = CumIncidenceRight(days, cause)
    for number, name in enumerate(causes, start=1):
        found = {
            round(row["time"] * 30.4375): row["estimate"]
            for row in rows
            if row["cause"] == name and row["events"] and not row["few_at_risk"]
        }
        assert len(found) > 10
        for day, estimate in found.items():
            at_day = np.searchsorted(oracle.times, day, side="right") - 1
            assert estimate == pytest.approx(oracle.cinc[number - 1][at_day], abs=1e-9)


def test_one_minus_kaplan_meier_overstates_endodontic_loss() -> None:
    made = workspace(treatments=[treatment(i) for i in range(300)], follow_ups=losses(6))

    def last(rows: list[dict[str, Any]]) -> dict[str, Any]:
        return [row for row in rows if not row["few_at_risk"]][-1]

    final = last([row for row in made.compute("endodontic_loss").rows if row["cause"] == "endodontic"])
    records = losses(6)
    only = [
        r
        | {
            "tooth_present": r["lost_reason"] != "endodontic",
            "lost_on": r["lost_on"] if r["lost_reason"] == "endodontic" else None,
        }
        for r in records
    ]
    alone = last(
        workspace(treatments=[treatment(i) for i in range(300)], follow_ups=only).compute("tooth_survival").rows
    )
    assert final["estimate"] < 1 - alone["estimate"] - 0.01


def test_those_seen_against_those_not_seen_with_teeth_of_one_patient() -> None:
    """Newcombe's limits on events and units divided by each side's design effect."""
    rng = np.random.default_rng(2)
    patients = rng.integers(0, 90, 200)
    lesion = rng.random(90)[patients] < 0.5  # alike within a patient
    seen = rng.random(200) < np.where(lesion, 0.4, 0.7)
    made = workspace(
        treatments=[treatment(i, patient_id=f"P{patients[i]}", preop_pai=4 if lesion[i] else 1) for i in range(200)],
        follow_ups=[follow_up(i) for i in np.flatnonzero(seen).tolist()],
    )
    rows = [r for r in made.compute("recall_bias").rows if (r["characteristic"], r["level"]) == ("lesion", "yes")]
    (row,) = rows
    sides = []
    for who in (seen, ~seen):
        _, code = np.unique(patients[who], return_inverse=True)
        y, m = np.bincount(code, weights=lesion[who]), np.bincount(code).astype(float)
        p = y.sum() / m.sum()
        v = y.size / (y.size - 1) * ((y - p * m) ** 2).sum() / m.sum() ** 2
        sides.append((y.sum(), m.sum(), max(v * m.sum() / (p * (1 - p)), 1)))
    (x1, n1, d1), (x0, n0, d0) = sides
    assert d1 > 1.1 and d0 > 1.1
    assert (row["n"], row["events"], row["n_reference"], row["events_reference"]) == (n1, x1, n0, x0)
    wanted = newcombe_difference(x1 / d1, n1 / d1, x0 / d0, n0 / d0)
    assert (row["estimate"], row["low"], row["high"]) == pytest.approx(tuple(float(v) for v in wanted))
    assert row["high"] < 0, "teeth with a lesion came less often"


def test_classes_widen_for_patients_as_the_healed_share_does() -> None:
    rng = np.random.default_rng(8)
    patients = rng.integers(0, 60, 160)
    healed = rng.random(60)[patients] < 0.7
    made = workspace(
        treatments=[treatment(i, patient_id=f"P{patients[i]}") for i in range(160)],
        follow_ups=[follow_up(i, 1 if healed[i] else 4) for i in range(160)],
    )
    first = made.compute("outcome_classes").rows[0]
    share = one(made.compute("healed_share"))
    assert first["class"] == "healed"
    assert {k: first[k] for k in share} == pytest.approx(share)
    assert share["design_effect"] > 1.2
    bounds = one(made.compute("healed_bounds"))
    assert (bounds["low"], bounds["high"]) == pytest.approx((share["low"], share["high"]))
    assert bounds["lowest"] == bounds["highest"] == bounds["estimate"], "nobody was lost"


def test_weighting_repairs_what_is_explained_by_the_lesion_and_says_so_beside_the_plain_share() -> None:
    """All due: 100 with a lesion, 60 healed; 100 without, 90 healed. Seen alike within each: 20 (12) and 80 (72)."""
    made = workspace(
        treatments=[treatment(i, preop_pai=4 if i < 100 else 1) for i in range(200)],
        follow_ups=[follow_up(i, 1 if i < 12 else 4) for i in range(20)]
        + [follow_up(i, 1 if i < 172 else 4) for i in range(100, 180)],
    )
    row = one(made.compute("healed_share_weighted"))
    assert row["estimate"] == pytest.approx(0.75, abs=1e-5)
    assert row["unweighted"] == pytest.approx(0.84)
    assert row["largest_weight"] == pytest.approx(5, abs=1e-3)
    assert row["low"] < 0.75 < row["high"]
    plain = one(made.compute("healed_share"))
    assert row["unweighted"] == pytest.approx(plain["estimate"])
    assert row["high"] - row["low"] > plain["high"] - plain["low"], "weights cost precision"
    within = {r["lesion"]: r for r in made.compute("healed_share_weighted", ["lesion"]).rows}
    assert (within["yes"]["estimate"], within["no"]["estimate"]) == pytest.approx((0.6, 0.9), abs=1e-5)


def test_small_groups_are_withheld_in_every_kind() -> None:
    made = workspace(
        treatments=[treatment(i, dentist="D1" if i < 8 else "D2" if i < 11 else "D3") for i in range(17)],
        follow_ups=[follow_up(i) for i in range(17)],
    )
    for name in ("outcome_classes", "healed_bounds", "healed_share_weighted", "endodontic_loss", "time_to_healing"):
        rows = made.compute(name, ["dentist"]).rows
        assert {r["dentist"] for r in rows} == {"D1", "D2", "D3"}, name
        for row in rows:
            small = row["n"] is None
            # D2 has three teeth; D3 is withheld too, for the total less the others would tell them.
            assert (row["dentist"] != "D1") == small, (name, row)
            # Eight teeth have no curve, but bounds.
            figure = "at_most" if name == "time_to_healing" else "estimate"
            assert (row.get(figure) is None) == small, (name, row)
            if small:  # nothing from which its few teeth could be counted, or told when they were seen
                assert {k for k, v in row.items() if v is not None} <= {"dentist", "class", "cause", "too_few"}, (
                    name,
                    row,
                )


def test_every_measure_of_an_outcome_copes_with_nobody_seen() -> None:
    made = workspace(treatments=[treatment(i) for i in range(8)], follow_ups=[follow_up(99)])
    row = one(made.compute("healed_bounds"))
    assert row["too_few"] and row["n"] is row["not_known"] is None
    assert one(made.compute("healed_share_weighted"))["estimate"] is None
    for name in ("outcome_classes", "time_to_healing", "endodontic_loss", "event_free_survival"):
        assert made.compute(name).rows == [], name


def test_the_interval_of_the_bounds_holds_for_clusters_too() -> None:
    twice = [treatment(i, patient_id=f"P{i // 2}") for i in range(80)]
    made = workspace(treatments=twice, follow_ups=[follow_up(i, 1 if i % 4 < 2 else 4) for i in range(40)])
    row = one(made.compute("healed_bounds"))
    # Worst case by hand: 40 patients of 2 teeth; 10 of them 2 of 2, 30 of them 0 of 2.
    low, _ = clustered_wilson(20, 80, 40, 10 * 4, 10 * 4, 40 * 4)
    assert row["lowest"] == 0.25
    assert row["lowest_low"] == pytest.approx(float(low))


def test_a_tooth_is_watched_for_each_event_as_long_as_it_is_known() -> None:
    """Five teeth last seen after 397 days, two never: retreatments stand in the records whatever the visits were.

    T6 (never seen) and T0 are treated again after 700 days: by then nobody is watched for extraction any more, so
    nothing is told of it. T5 is treated again after 366 days: 1 of 7, 6/7.
    """
    days = {0: 700, 6: 700, 5: 366}
    again = [
        treatment(i, treatment_id=f"R{i}", kind="retreatment", started_on=DONE + dt.timedelta(days=d))
        | {"completed_on": None, "status": "in progress"}
        for i, d in days.items()
    ]
    made = workspace(
        treatments=[treatment(i, completed_on=DONE) for i in range(7)] + again,
        follow_ups=[follow_up(i) for i in range(5)],
    )
    result = made.compute("event_free_survival")
    told = {round(row["time"], 2): (row["n"], row["at_risk"], row["events"], row["estimate"]) for row in result.rows}
    assert told == {
        0: (7, 5, 0, 1),
        12: (7, 5, 0, 1),
        12.02: (7, 5, 1, pytest.approx(6 / 7)),
        13.04: (7, 5, 0, pytest.approx(6 / 7)),
    }
    assert result.left_out == [{"reason": "treatment not completed", "n": 3}]


def test_a_primary_tooth_that_nobody_saw_again_is_not_watched() -> None:
    """It may have fallen out unseen: what cannot be treated again is not at risk of it."""
    teeth = [treatment(i, tooth=75 if i < 3 else 16) for i in range(9)]
    made = workspace(treatments=teeth, follow_ups=[follow_up(i) for i in range(2, 9)])
    rows = made.compute("event_free_survival").rows
    assert {row["n"] for row in rows} == {7}
    assert made.compute("tooth_survival").rows[0]["n"] == 7


@pytest.mark.parametrize("name", ["tooth_survival", "endodontic_loss", "event_free_survival"])
def test_a_tooth_that_exfoliated_is_not_lost(name: str) -> None:
    """That day is the natural end of what can be seen of a primary tooth."""
    gone = {"tooth_present": False, "lost_on": SEEN, "lost_reason": "exfoliated", "pai": None}
    made = workspace(
        treatments=[treatment(i, tooth=75) for i in range(8)],
        follow_ups=[follow_up(0) | gone, *(follow_up(i) for i in range(1, 8))],
    )
    assert sum(row["events"] for row in made.compute(name).rows) == 0


def test_teeth_of_one_patient_widen_the_curve_of_the_measure() -> None:
    def curve(apart: bool) -> dict[float, dict[str, Any]]:
        records = [
            follow_up(
                i, tooth_present=i % 40 >= 4, lost_on=DONE + dt.timedelta(days=200 + i % 40) if i % 40 < 4 else None
            )
            for i in range(160)
        ]
        teeth = [
            treatment(i, patient_id=f"P{i if apart else i % 40}", tooth=(16, 26, 36, 46)[i // 40]) for i in range(160)
        ]
        return {
            row["time"]: row for row in workspace(treatments=teeth, follow_ups=records).compute("tooth_survival").rows
        }

    alone, together = curve(apart=True)[12.0], curve(apart=False)[12.0]
    assert alone["estimate"] == together["estimate"] == pytest.approx(0.9)
    assert together["high"] - together["low"] > 1.8 * (
        alone["high"] - alone["low"]
    )  # four alike are one: twice as wide


def test_another_key_and_another_order_move_no_figure_of_healing() -> None:
    """A bootstrap's draws followed the order of pseudonyms: another key, other limits."""
    days = [200 + 7 * (i * 37 % 60) for i in range(120)]

    def answer(names: str, order: list[int]) -> list[dict[str, Any]]:
        made = workspace(
            treatments=[treatment(i, patient_id=f"{names}{i * 17 % 61}") for i in order],
            follow_ups=[
                follow_up(i, 1 if days[i] > 150 + 400 * (i % 7) / 7 else 4, seen_on=DONE + dt.timedelta(days=days[i]))
                for i in order
            ],
        )
        return made.compute("time_to_healing").rows

    one, other = answer("P", list(range(120))), answer("Q9", list(reversed(range(120))))
    assert any(row["estimate"] is not None for row in one)
    for a, b in zip(one, other, strict=True):
        assert a == pytest.approx(b, abs=1e-9)
