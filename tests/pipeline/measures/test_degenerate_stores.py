"""Every measure on stores where little is there or nothing varies: no crash, nothing impossible, no false certainty.

What must hold of every row whatever the records: it can be written as JSON (no NaN, no infinity); an estimate lies
within its limits; a share within 0 and 1; and limits that are both the estimate itself are given for nothing that is
estimated. A median's are order statistics: of tied times they may be equal, and hold their confidence.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise
from typing import Any

import polars as pl
import pytest

from pipeline.measures.catalogue import Measure, catalogue
from pipeline.measures.run import Result, Workspace
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.store.database import in_memory

Row = dict[str, Any]
BEGAN, AS_OF = dt.datetime(2023, 1, 9, 9, 0), dt.date(2026, 6, 30)
MONTHS = ("month", "quarter", "year")

# What a store is like, as changes to an ordinary one of 24 teeth of 12 patients, two dentists and two sequences.
STORES: dict[str, dict[str, Any]] = {
    "ordinary": {},
    "one treatment": {"teeth": 1},
    "two equal treatments": {"teeth": 2, "equal": True},
    "one patient": {"patients": 1},
    "one dentist and one sequence": {"dentists": 1},
    "all healed and nothing broke": {"healed": 24, "lost": 0, "broken": 0},
    "none healed and every canal had a separation": {"healed": 0, "broken": 24},
    "everything on one day": {"apart": 0, "reviewed": 0, "equal": True},
    "every value equal": {"equal": True},
    "nobody reviewed": {"reviewed": None},
    "all lost": {"healed": 0, "lost": 24},
}
GROUPED = {"ordinary", "one patient", "every value equal"}


def records(
    teeth: int = 24,
    patients: int = 12,
    dentists: int = 2,
    healed: int = 16,
    lost: int = 2,
    broken: int = 3,
    apart: int = 11,
    reviewed: int | None = 400,
    equal: bool = False,
) -> dict[str, list[Row]]:
    """A practice's records: `apart` days between treatments, `reviewed` days from completion to the review."""
    made: dict[str, list[Row]] = {kind: [] for kind in KINDS}
    for i in range(teeth):
        tid, own, minutes = f"T{i:02}", f"I{i % 12:02}", 60 if equal else 40 + 3 * i
        begun = BEGAN + dt.timedelta(days=apart * i, hours=0 if apart else i)
        done = begun + dt.timedelta(minutes=minutes)
        side = i % dentists
        made["treatments"].append(
            {
                "treatment_id": tid,
                "patient_id": f"P{i % patients:02}",
                "birth_year": 1970,
                "tooth": 36 if equal else (36, 46, 11, 24, 16, 37)[i % 6],
                "dentist": f"D{side}",
                "kind": "primary",
                "preop_pai": 4 if equal or i % 2 else 1,
                "started_on": begun.date(),
                "completed_on": done.date(),
                "status": "completed",
                "restoration": "direct",
                "restored_on": done.date() + dt.timedelta(days=0 if equal else i),
            }
        )
        made["visits"].append(
            {
                "visit_id": f"V{i}",
                "treatment_id": tid,
                "dentist": f"D{side}",
                "seated_at": begun,
                "left_at": done,
                "booked_minutes": 60,
                "rubber_dam": True,
                "reason": "planned",
            }
        )
        for place, canal in enumerate(("MB", "D") if i % 6 in (0, 1, 5) or equal else ("main",)):
            at = begun + dt.timedelta(minutes=5 + 15 * place)
            made["canals"].append(
                {
                    "treatment_id": tid,
                    "canal": canal,
                    "sequence": f"S{side}",
                    "curvature_deg": 20 if equal else 5 * (i % 9),
                    "working_length_mm": 20,
                    "length_confirmed": "both",
                    "first_binding_size": 15,
                    "final_size": 30,
                    "final_taper": 0.04,
                    "apical_gauge_size": 30,
                    "started_at": at,
                    "finished_at": at + dt.timedelta(minutes=10 if equal else 6 + i % 9),
                    "filling_extent_mm": -0.5,
                    "filling_voids": False,
                }
            )
            made["instrument_uses"].append(
                {
                    "use_id": f"U{i}{canal}",
                    "treatment_id": tid,
                    "canal": canal,
                    "step": 1,
                    "instrument_id": own,
                    "lot": f"L{i % 3}",
                    "size": 25,
                    "taper": 0.04,
                    "motion": "rotation",
                    "started_at": at,
                    "seconds": 40 if equal else 30 + i,
                    "speed_rpm": 300,
                    "torque_ncm": 2,
                    "result": "separated" if i < broken else "intact",
                }
            )
            if i < broken:
                made["incidents"].append(
                    {
                        "incident_id": f"N{i}{canal}",
                        "treatment_id": tid,
                        "canal": canal,
                        "instrument_id": own,
                        "kind": "separation",
                        "occurred_at": at,
                        "canal_third": "apical",
                        "fragment_mm": 3,
                        "managed": "bypassed",
                        "patient_informed": True,
                    }
                )
        made["contacts"].append(
            {"contact_id": f"C{i}", "treatment_id": tid, "contacted_at": done, "pain_score": 2 if equal else i % 5}
        )
        if reviewed is not None:
            seen = done.date() + dt.timedelta(days=reviewed + (0 if equal else 3 * i))
            gone = i >= teeth - lost
            made["follow_ups"].append(
                {
                    "follow_up_id": f"F{i}",
                    "treatment_id": tid,
                    "seen_on": seen,
                    "image": "none" if gone else "periapical",
                    "pai": None if gone else 1 if i < healed else 4,
                    "pain": False,
                    "tenderness": False,
                    "swelling": False,
                    "sinus_tract": False,
                    "tooth_present": not gone,
                    "lost_on": seen if gone else None,
                    "lost_reason": "endodontic" if gone else None,
                    "restoration_intact": True,
                }
            )
    for k in range(min(teeth, 12)):
        made["instruments"].append(
            {
                "instrument_id": f"I{k:02}",
                "lot": f"L{k % 3}",
                "size": 25,
                "taper": 0.04,
                "length_mm": 25,
                "motion": "rotation",
                "price": 12.5 if equal else 10 + k,
                "received_on": BEGAN.date() - dt.timedelta(days=30),
                "use_limit": 6,
                "retired_on": AS_OF - dt.timedelta(days=30),
                "retired_reason": "use limit",
            }
        )
    return made


# Columns whose words are in a list that has `other`.
WORDS = {
    "treatments": ("kind", "status", "pulp_diagnosis", "apical_diagnosis", "restoration"),
    "visits": ("reason",),
    "canals": ("length_confirmed",),
    "instrument_uses": ("motion", "result"),
    "instruments": ("motion", "retired_reason"),
    "incidents": ("kind", "canal_third", "managed"),
    "follow_ups": ("image",),
}


def emptied(made: dict[str, list[Row]], only: tuple[str, ...] = ()) -> dict[str, list[Row]]:
    """The records without what may be empty, or without columns of these names."""
    return {
        kind: [
            {c: v for c, v in row.items() if KINDS[kind].column(c).required or (only and c not in only)} for row in rows
        ]
        for kind, rows in made.items()
    }


def other(made: dict[str, list[Row]]) -> dict[str, list[Row]]:
    """The records with the word `other` wherever a list has it."""
    return {kind: [row | dict.fromkeys(WORDS.get(kind, ()), "other") for row in rows] for kind, rows in made.items()}


def workspace(store: str, made: dict[str, list[Row]] | None = None) -> Workspace:
    connection = in_memory()
    for batch, (kind, rows) in enumerate((made or records(**STORES[store])).items(), start=1):
        if rows:
            frame = pl.DataFrame(rows, infer_schema_length=None).with_columns(
                practice=pl.lit("here"),
                source_file=pl.lit(f"{kind}.csv"),
                source_row=pl.int_range(2, len(rows) + 2),
                batch_id=pl.lit(batch),
                record_no=pl.int_range(1, len(rows) + 1),
            )
            connection.register("frame", frame.to_arrow())
            names = ", ".join(f'"{name}"' for name in frame.columns)
            connection.execute(f"insert into {kind} ({names}) select {names} from frame")
            connection.unregister("frame")
    settings = Settings.model_validate(
        {
            "reporting": {"smallest_group": 1},
            "sequence": [{"id": "S0"}, {"id": "S1"}],
            "standard": [{"measure": "healed_share", "target": 0.8}, {"measure": "rubber_dam_share", "target": 1}],
        }
    )
    return Workspace(connection, settings, AS_OF)


def computed(store: str) -> Iterator[tuple[Measure, tuple[str, ...], Row]]:
    """Every row of every measure that the store allows; also by tooth type or size, where groups are small."""
    work = workspace(store)
    for name, measure in catalogue().items():
        if work.missing(name):
            continue
        small = [g for g in ("tooth_type", "size") if g in measure.groups and g not in measure.strata]
        for by in ((), *((g,) for g in small if store in GROUPED)):
            result = work.compute(name, by)
            json.dumps(result.as_json(), allow_nan=False, default=str)
            yield from ((measure, by, row) for row in result.rows)


def limits(row: Row) -> Iterator[tuple[str, Any, Any, Any]]:
    """Each figure of a row that has limits: its name, itself, its limits."""
    if {"estimate", "low", "high"} <= row.keys():
        yield "estimate", row["estimate"], row["low"], row["high"]
    for low in [column for column in row if column.endswith("_low")]:
        name, high = low.removesuffix("_low"), low.removesuffix("_low") + "_high"
        figure = f"{name}_share" if f"{name}_share" in row else name  # a count has limits of its share
        if high in row and figure in row:
            yield figure, row[figure], row[low], row[high]


NO_SHARE = {"comparison", "seen"}  # differences of shares lie between -1 and 1
ORDERED = {"time"}  # kinds whose limits are order statistics
CHARTS = {"gaps"}  # kinds that have limits of a chart, which a value may pass, beside those of the estimate


@pytest.mark.parametrize("store", STORES)
def test_no_figure_is_impossible_or_falsely_certain(store: str) -> None:
    found = list(computed(store))
    assert len({measure.name for measure, *_ in found}) >= (20 if store == "nobody reviewed" else 35)
    wrong = []
    for measure, by, row in found:
        told = f"{measure.name} by {by}: {row}"
        for name, estimate, low, high in limits(row):
            if name != "estimate" and measure.kind in CHARTS:
                continue
            known = [v for v in (low, estimate, high) if v is not None]
            if any(b < a - 1e-9 for a, b in pairwise(known)):
                wrong.append(f"{name} outside its limits: {told}")
            if len(known) == 3 and low == high and not (name == "estimate" and measure.kind in ORDERED):
                wrong.append(f"{name} certain: {told}")
            if measure.unit.startswith("share") and name == "estimate" and known:
                least = -1 if measure.kind in NO_SHARE else 0
                if not least - 1e-9 <= min(known) or not max(known) <= 1 + 1e-9:
                    wrong.append(f"{name} is no share: {told}")
    assert not wrong, f"{len(wrong)} of {len(found)} rows:\n" + "\n".join(wrong[:20])


# Of these every row of the answer counts all units of its group, so that n and what is left out make up all units.
COUNTED = (
    "share",
    "rate",
    "time",
    "amount",
    "survival",
    "classes",
    "bounds",
    "weighted",
    "interval_censored",
    "hazard",
)

SPARSE: dict[str, Callable[[], dict[str, list[Row]]]] = {
    "nothing that may be empty is filled in": lambda: emptied(records()),
    "every word is other": lambda: other(records()),
    "no kind, status, size, taper, motion, result or dentist": lambda: emptied(
        records(), ("kind", "status", "size", "taper", "motion", "result", "dentist")
    ),
    "no kind of treatment": lambda: emptied(records(), ("kind",)),
    "no status": lambda: emptied(records(), ("status",)),
    "no motion, size or taper": lambda: emptied(records(), ("motion", "size", "taper")),
    "no results of uses": lambda: emptied(records(), ("result",)),
    "no results of uses and no incidents": lambda: emptied(records(broken=0), ("result",)),
}


WHOLE = list(SPARSE)[:3]  # of these every measure is asked, of the others some


def answers(store: str, names: Iterable[str]) -> list[tuple[Measure, Result | None, int]]:
    """Measures, each with its answer (None where the store lacks what it needs), and how many units there are."""
    work = workspace(store, SPARSE[store]())
    found: list[tuple[Measure, Result | None, int]] = []
    for name in names:
        measure = catalogue()[name]
        if work.missing(name):
            found.append((measure, None, 0))
            continue
        result = work.compute(name)
        json.dumps(result.as_json(), allow_nan=False, default=str)
        if not measure.sql:  # it has no units
            found.append((measure, result, 0))
            continue
        many = "count(distinct unit)" if "unit" in measure.columns else "count(*)"
        units = work.connection.execute(f"select {many} from {work._units(measure)}").fetchone()
        found.append((measure, result, units[0] if units else 0))
    return found


@pytest.mark.parametrize("store", WHOLE)
def test_every_unit_is_counted_or_left_out_with_its_reason(store: str) -> None:
    wrong = []
    for measure, result, units in answers(store, catalogue()):
        if result is None or measure.kind not in COUNTED:
            continue
        left_out = sum(one["n"] for one in result.left_out)
        counted = max((row["n"] for row in result.rows if row.get("n") is not None), default=0)
        if counted + left_out != units or not all(one["reason"] for one in result.left_out):
            wrong.append((measure.name, units, counted, result.left_out))
    assert wrong == []


def told(store: str, *names: str) -> dict[str, Result]:
    return {measure.name: result for measure, result, _ in answers(store, names) if result is not None}


def reasons(result: Result) -> dict[str, int]:
    return {one["reason"]: one["n"] for one in result.left_out}


def test_a_treatment_without_a_kind_is_not_taken_for_a_primary_one() -> None:
    assert workspace("ordinary", SPARSE["no kind of treatment"]()).missing("healed_share") == [
        "no treatments with kind"
    ]
    made = records()
    made["treatments"] = made["treatments"][:1] + [row | {"kind": None} for row in made["treatments"][1:]]
    work = workspace("ordinary", made)
    for name in ("healed_share", "tooth_survival", "sequence_comparison"):
        assert reasons(work.compute(name))["kind of treatment not recorded"] == 23, name
    assert work.compute("days_open").rows[0]["n"] == 24


def test_another_kind_of_treatment_has_its_times_and_no_healing() -> None:
    made = [row | {"kind": "pulpotomy"} for row in records()["treatments"]]
    work = workspace("ordinary", records() | {"treatments": made})
    for name in ("healed_share", "sequence_comparison", "tooth_survival", "indication_compared"):
        left_out = {one["reason"]: one["n"] for one in work.compute(name).left_out}
        assert "neither primary treatment nor retreatment" in left_out or name == "indication_compared", name
        assert not work.compute(name).rows or work.compute(name).rows[0].get("n") in (0, None), name
    assert work.compute("chair_minutes_per_visit").rows[0]["n"] == 24
    assert work.compute("incidents_per_100_canals").rows[0]["n"] == 36


def test_a_day_of_completion_tells_a_status_that_is_empty() -> None:
    ordinary, found = workspace("ordinary").compute("healed_share"), told("no status", "healed_share")["healed_share"]
    assert found.rows == ordinary.rows


def test_a_motion_that_is_not_recorded_is_not_a_rotation() -> None:
    of_uses = ("separation_comparison", "separations_by_lot", "untracked_uses")
    found = told("no motion, size or taper", *of_uses, "instrument_life", "instrument_hazard")
    for name in of_uses:
        assert reasons(found[name]) == {"motion not recorded": 36}, name
    for name in ("instrument_life", "instrument_hazard"):
        assert reasons(found[name]) == {"motion not recorded": 12}, name


def test_a_result_that_is_not_recorded_is_no_instrument_found_whole() -> None:
    """With incidents a separation is known all the same; that nobody found one deformed is not."""
    shares = ("separations_per_1000_uses", "separations_per_100_canals", "separations_per_100_teeth")
    found = told("no results of uses", *shares, "instrument_life")
    unwatched = told("no results of uses and no incidents", *shares)
    assert (found["separations_per_1000_uses"].rows[0]["n"], found["separations_per_1000_uses"].rows[0]["events"]) == (
        36,
        5,
    )
    assert list(reasons(found["instrument_life"])) == [
        "only faults are recorded, or no results at all: which instruments were found whole is not known"
    ]
    for name in shares:
        assert reasons(unwatched[name]) == {
            "neither results of uses nor kinds of incidents are recorded": 24 if name.endswith("teeth") else 36
        }
