"""The records themselves: keys, value lists, ranges, and times that fit into each other."""

from __future__ import annotations

import polars as pl
import pytest

from demo_data import truth
from demo_data.generate import Practice
from pipeline.records import KINDS

WORDS = {  # design of the records: these words and no others
    ("treatments", "kind"): {"primary", "retreatment"},
    ("treatments", "status"): {"in progress", "completed", "abandoned", "referred"},
    ("treatments", "restoration"): {"none", "temporary", "direct", "crown", "onlay"},
    ("treatments", "pulp_diagnosis"): {
        "normal pulp",
        "reversible pulpitis",
        "symptomatic irreversible pulpitis",
        "asymptomatic irreversible pulpitis",
        "pulp necrosis",
        "previously treated",
        "previously initiated therapy",
    },
    ("treatments", "apical_diagnosis"): {
        "normal apical tissues",
        "symptomatic apical periodontitis",
        "asymptomatic apical periodontitis",
        "acute apical abscess",
        "chronic apical abscess",
        "condensing osteitis",
    },
    ("visits", "reason"): {"planned", "pain or swelling", "other unplanned"},
    ("canals", "canal"): {"B", "L", "P", "D", "M", "MB", "MB2", "DB", "ML", "DL", "MM", "S"},
    ("canals", "length_confirmed"): {"none", "apex locator", "radiograph", "both"},
    ("canals", "sequence"): set(truth.SEQUENCES),
    ("instrument_uses", "motion"): {"hand", "rotation", "reciprocation"},
    ("instrument_uses", "result"): {"intact", "deformed", "separated", "discarded"},
    ("instruments", "motion"): {"hand", "rotation", "reciprocation"},
    ("instruments", "retired_reason"): {"use limit", "deformed", "separated", "expired", "lost", "other"},
    ("incidents", "kind"): {
        "separation",
        "perforation",
        "ledge",
        "transportation",
        "blockage",
        "over-instrumentation",
        "irrigant extrusion",
        "missed canal",
        "wrong tooth",
        "other",
    },
    ("incidents", "canal_third"): {"coronal", "middle", "apical"},
    ("incidents", "managed"): {"retrieved", "bypassed", "left in place", "referred", "surgery", "extraction"},
    ("follow_ups", "image"): {"none", "periapical", "cbct"},
    ("follow_ups", "lost_reason"): {"endodontic", "fracture", "periodontal", "caries", "prosthetic", "other"},
}
RANGES = {
    ("treatments", "birth_year"): (1900, 2026),
    ("treatments", "preop_pai"): (1, 5),
    ("treatments", "lesion_mm"): (0, 30),
    ("canals", "curvature_deg"): (0, 120),
    ("canals", "curve_radius_mm"): (0.5, 50),
    ("canals", "working_length_mm"): (8, 35),
    ("instrument_uses", "seconds"): (0, 1800),
    ("follow_ups", "pai"): (1, 5),
    ("contacts", "pain_score"): (0, 10),
}


@pytest.mark.parametrize("kind", list(KINDS))
def test_the_columns_are_the_record_kinds_own_and_keys_are_unique(demo_practice: Practice, kind: str) -> None:
    frame = demo_practice.records[kind]
    # Not all that a record may have: when an instrument expires stands in its device identifier alone, for one.
    assert tuple(frame.columns) == tuple(name for name in KINDS[kind].names if name in frame.columns)
    assert set(KINDS[kind].usual) <= set(frame.columns)
    assert frame.height > 100
    assert frame.select(pl.struct(KINDS[kind].key).n_unique()).item() == frame.height
    assert frame.select(pl.col(KINDS[kind].required).null_count()).row(0) == (0,) * len(KINDS[kind].required)


@pytest.mark.parametrize(("kind", "column"), list(WORDS))
def test_words_are_those_of_the_value_lists_and_all_of_them_occur(
    large_practice: Practice, kind: str, column: str
) -> None:
    found = set(large_practice.records[kind][column].drop_nulls().unique())
    assert found == WORDS[kind, column]


@pytest.mark.parametrize(("kind", "column"), list(RANGES))
def test_values_lie_in_their_ranges(large_practice: Practice, kind: str, column: str) -> None:
    low, high = RANGES[kind, column]
    values = large_practice.records[kind][column].drop_nulls()
    assert len(values)
    assert values.is_between(low, high).all()


def test_every_tooth_has_a_code_of_iso_3950(large_practice: Practice) -> None:
    permanent = [10 * q + p for q in (1, 2, 3, 4) for p in range(1, 9)]
    primary = [10 * q + p for q in (5, 6, 7, 8) for p in range(1, 6)]
    teeth = set(large_practice.records["treatments"]["tooth"])
    assert set(permanent) <= teeth
    assert teeth <= {*permanent, *primary}
    assert teeth & set(primary)


def test_nothing_is_later_than_the_data_date(demo_practice: Practice) -> None:
    last = pl.lit(truth.DATA_DATE).str.to_date()
    for kind, frame in demo_practice.records.items():
        dated = frame.select(pl.col(pl.Date, pl.Datetime).cast(pl.Date) <= last)
        assert dated.width, kind
        assert dated.select(pl.all_horizontal(pl.all().all())).item(), kind


def test_references_lead_somewhere(demo_practice: Practice) -> None:
    records = demo_practice.records
    for kind in ("visits", "canals", "instrument_uses", "incidents", "follow_ups", "contacts"):
        assert records[kind].join(records["treatments"], on="treatment_id", how="anti").is_empty(), kind
    canal = ["treatment_id", "canal"]
    assert records["instrument_uses"].join(records["canals"], on=canal, how="anti").is_empty()
    assert records["incidents"].drop_nulls("canal").join(records["canals"], on=canal, how="anti").is_empty()
    for kind in ("instrument_uses", "incidents"):
        named = records[kind].drop_nulls("instrument_id")
        assert named.height and named.join(records["instruments"], on="instrument_id", how="anti").is_empty()


def test_visits_lie_in_opening_hours_on_working_days(large_practice: Practice) -> None:
    visits = large_practice.records["visits"].with_columns(
        begin=pl.col("seated_at").dt.hour().cast(pl.Int32) * 60 + pl.col("seated_at").dt.minute(),
        minutes=(pl.col("left_at") - pl.col("seated_at")).dt.total_minutes(),
    )
    late = large_practice.visits["_late"]
    sound = visits.filter(~late)
    assert visits.select((pl.col("seated_at").dt.weekday() <= 5).all()).item()
    assert visits.select((pl.col("begin") >= truth.OPENS).all()).item()
    assert sound.select((pl.col("begin") + pl.col("minutes") <= truth.CLOSES).all()).item()
    assert visits.select(pl.col("minutes").is_between(5, 8 * 60).all()).item()


def test_no_dentist_treats_two_patients_at_once_but_in_the_planted_visits(demo_practice: Practice) -> None:
    following = pl.col("seated_at").shift(-1).over("dentist", order_by="seated_at")
    visits = demo_practice.records["visits"].with_columns(overlaps=(pl.col("left_at") > following).fill_null(False))
    assert visits["overlaps"].sum() == truth.OVERLAPPING_VISITS
    assert visits.filter("overlaps")["visit_id"].to_list() == demo_practice.visits.filter("_late")["visit_id"].to_list()


def test_canal_times_lie_inside_a_visit_and_uses_inside_their_canal(demo_practice: Practice) -> None:
    records = demo_practice.records
    canals = records["canals"].drop_nulls("started_at")
    inside = canals.join(records["visits"], on="treatment_id").filter(
        (pl.col("seated_at") <= pl.col("started_at")) & (pl.col("finished_at") <= pl.col("left_at"))
    )
    assert canals.height > 4000
    assert canals.join(inside, on=["treatment_id", "canal"], how="anti").is_empty()
    uses = (
        records["instrument_uses"].drop_nulls("started_at").join(canals, on=["treatment_id", "canal"], suffix="_canal")
    )
    assert uses.height > 15_000
    assert uses.select(pl.col("started_at").is_between("started_at_canal", "finished_at").all()).item()


def test_instruments_serve_between_receipt_and_retirement(demo_practice: Practice) -> None:
    instruments = demo_practice.records["instruments"]
    uses = demo_practice.uses.join(instruments, on="instrument_id", suffix="_of").with_columns(
        day=pl.from_epoch("_begin", "s").cast(pl.Date)
    )
    assert uses.height > 20_000
    assert uses.select((pl.col("day") > pl.col("received_on")).all()).item()
    assert uses.select((pl.col("day") <= pl.col("retired_on")).all()).item()
    same = [pl.col(name) == pl.col(f"{name}_of") for name in ("size", "taper", "motion")]
    assert uses.select(pl.all_horizontal(same).all()).item()
    # No instrument reaches deeper than its length less the stop (a 21 mm instrument reaches 20 mm).
    assert uses.select((pl.col("depth_mm") <= pl.col("length_mm_of") - 1).all()).item()


def test_item_numbers_carry_the_check_digit_of_gs1_and_no_companys_prefix(demo_practice: Practice) -> None:
    """Weights 3, 1, 3 ... from the right (GS1 General Specifications, check digit calculation)."""
    numbers = (
        demo_practice.records["instruments"]["udi"]
        .drop_nulls()
        .str.extract(r"^\(01\)(\d{14})\(17\)\d{6}\(10\)\S+\(21\)\S+$")
    )
    assert numbers.null_count() == 0
    digits = pl.DataFrame([numbers.str.slice(i, 1).cast(pl.Int64).alias(str(i)) for i in range(14)])
    weighed = digits.select(pl.sum_horizontal(pl.col(str(i)) * (1 if i % 2 else 3) for i in range(14)))
    assert (weighed.to_series() % 10 == 0).all()
    assert numbers.str.starts_with("029").all()  # 020-029 and 200-299 are left to local use


def test_treatments_done_again_begin_after_the_first_was_completed(demo_practice: Practice) -> None:
    treatments = demo_practice.records["treatments"].sort("started_on")
    pairs = treatments.with_columns(
        before=pl.col("completed_on").shift(1).over("patient_id", "tooth", order_by="started_on"),
        nth=pl.int_range(pl.len()).over("patient_id", "tooth", order_by="started_on"),
    ).filter(pl.col("nth") > 0)
    assert 10 <= pairs.height <= 60
    assert pairs.select((pl.col("started_on") > pl.col("before")).all()).item()
    assert set(pairs["kind"]) == {"retreatment"}


def test_separations_stand_in_both_tables_mostly_and_in_each_alone_sometimes(large_practice: Practice) -> None:
    records, uses = large_practice.records, large_practice.uses
    key = ["treatment_id", "canal"]
    true = uses.filter("_separated").select(key)
    by_use = records["instrument_uses"].filter(pl.col("result") == "separated").select(key)
    by_incident = records["incidents"].filter(pl.col("kind") == "separation").select(key)
    both = by_use.join(by_incident, on=key, how="semi")
    assert true.height == by_use.height + by_incident.join(by_use, on=key, how="anti").height
    assert both.height > 0.7 * true.height
    assert by_use.height > both.height and by_incident.height > both.height
