"""Every planted fault comes back under its name: refused by the rules it breaks, or marked, and nothing else is."""

from __future__ import annotations

import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl

from demo_data import truth
from demo_data.faults import KEYS
from pipeline.checks.suites import all_rules

Demo = Any  # of conftest.py

UNPARSED = "value_does_not_parse"
EMPTIED_BY = {
    "unknown kind": "treatment_kind_unknown",
    "born after treatment": "birth_year_impossible",
    "negative minutes": "booked_minutes_out_of_range",
    "neither yes nor no": UNPARSED,
    "decimal lost": "working_length_out_of_range",
    "finished before started": "canal_finished_before_started",
    "taper in per cent": "use_taper_out_of_range",
    "negative seconds": "use_seconds_out_of_range",
    "unknown result": "use_result_unknown",
    "decimal point": UNPARSED,
    "size beyond the series": "instrument_size_out_of_range",
    "retired before received": "instrument_retired_before_received",
    "unknown third": "canal_third_unknown",
    "PAI 7": "pai_not_1_to_5",
    "pain beyond the scale": "pain_score_not_0_to_10",
}
EMPTY = "no size"  # in the export already: such a use is marked
REFUSED_BY = {
    "no such day": (UNPARSED,),
    "other date order": (UNPARSED,),
    "no such tooth": (UNPARSED,),
    "completed before started": ("treatment_completed_before_started",),
    "no patient": ("treatment_incomplete",),
    "left before seated": ("visit_minutes_out_of_range",),
    "never left": ("visit_incomplete",),
    "too many cells": ("cells_do_not_fit_header",),
    "seated in the future": ("visit_date_impossible",),
    "too few cells": ("cells_do_not_fit_header",),
    "no time": (UNPARSED,),
    "no such day at recall": (UNPARSED,),
    "tooth neither there nor gone": ("follow_up_incomplete",),
    "contact in the future": ("contact_date_impossible",),
}
FLAGGED_BY = {
    "visit without treatment": "visit_without_treatment",
    "canal without treatment": "canal_without_treatment",
    "canal times outside its visits": "canal_times_outside_visits",
    "use after retirement": "use_after_retirement",
    "use without canal": "use_without_canal",
    "follow-up before completion": "follow_up_before_completion",
}
CONTRADICTING = "same canal, other contents"


def planted(demo: Demo, name: str) -> Any:
    return next(p for p in demo.made.planted if p.fault.name == name)


def marked(demo: Demo, kind: str, rule: str) -> list[str]:
    """The keys of the records of a kind that carry this mark."""
    key = " || ' ' || ".join(f't."{column}"' for column in KEYS[kind])
    rows = demo.program.query(
        f"select {key} as k from flags f join {kind} t using (batch_id, source_row) "
        f"where f.kind = '{kind}' and f.rule = '{rule}' order by k"
    )
    return list(rows["k"])


def test_the_tables_above_name_every_fault_that_a_record_or_a_comparison_shows() -> None:
    assert set(REFUSED_BY) == {f.name for f in truth.FAULTS if f.caught == "record"}
    assert {*EMPTIED_BY, EMPTY} == {f.name for f in truth.FAULTS if f.caught == "cell"}
    assert set(FLAGGED_BY) == {f.name for f in truth.FAULTS if f.caught == "across"}


def test_refused_rows_are_the_planted_ones_by_file_and_rule(demo: Demo) -> None:
    expected: Counter[tuple[str, tuple[str, ...]]] = Counter()
    for fault in demo.made.planted:
        file = demo.made.files[fault.fault.kind].name
        if fault.fault.caught == "record":
            expected[file, REFUSED_BY[fault.fault.name]] += fault.rows
        elif fault.fault.name == CONTRADICTING:
            # Which of two rows with one key is right cannot be told: the good one is refused with the other.
            expected[file, ("key_repeated",)] += 2 * fault.rows
    found = demo.program.query(
        "select source_file, list_sort(rules) as rules, count(*) as n from quarantine where what = 'row' group by all"
    )
    assert {(file, tuple(rules)): n for file, rules, n in found.iter_rows()} == dict(expected)
    assert expected.total() == sum(file["quarantined"] for file in demo.imported.values()) > 100


def test_cells_left_empty_are_the_planted_ones_by_record_column_and_rule(demo: Demo) -> None:
    for name, rule in EMPTIED_BY.items():
        fault = planted(demo, name)
        kind, columns = fault.fault.kind, fault.fault.columns
        key = " || ' ' || ".join(f't."{column}"' for column in KEYS[kind])
        found = demo.program.query(
            f"""select {key} as k, unnest(q.columns) as "column", unnest(q.rules) as rule
                from quarantine q join {kind} t using (batch_id, record_no) where q.kind = '{kind}' and what = 'cell'"""
        )
        of_rule = found.filter(pl.col("rule") == rule, pl.col("column").is_in(list(columns)))
        assert sorted(of_rule.select("k", "column").iter_rows()) == sorted((k, c) for k in fault.keys for c in columns)
    cells = sum(p.rows * len(p.fault.columns) for p in demo.made.planted if p.fault.name in EMPTIED_BY)
    assert cells == sum(file["blanked"] for file in demo.imported.values()) > 150
    books = demo.program.query('select sum(blanked) as n, bool_and("read" = stored + blanked + refused) from cells')
    assert books.row(0) == (cells, True)
    assert set(planted(demo, EMPTY).keys) <= set(marked(demo, "instrument_uses", "use_partly_blank"))


def test_the_command_lists_each_refused_row_with_its_reason(demo: Demo) -> None:
    rows = [row for row in demo.program.run("quarantine", may_find=True)["rows"] if row["what"] == "row"]
    assert len(rows) == sum(file["quarantined"] for file in demo.imported.values())
    assert all(row["reason"] and row["row"] > 1 for row in rows)


def test_rows_repeated_to_the_letter_change_nothing(demo: Demo) -> None:
    for kind, file in demo.imported.items():
        repeated = sum(p.rows for p in demo.made.planted if p.fault.kind == kind and p.fault.caught == "repeat")
        if kind == "canals":
            repeated -= planted(demo, CONTRADICTING).rows
        assert file["unchanged"] == repeated, kind
        assert file["read"] == demo.made.rows[kind] == file["loaded"] + file["unchanged"] + file["quarantined"]


def test_flags_are_on_the_planted_records_and_on_no_other(demo: Demo) -> None:
    for name, rule in FLAGGED_BY.items():
        fault = planted(demo, name)
        expected = set(fault.keys)
        if rule == "use_without_canal":
            # The canals that contradict themselves were refused, and their uses have lost them.
            gone = [key.split(" ") for key in planted(demo, CONTRADICTING).keys]
            uses = demo.truth.records["instrument_uses"]
            for treatment, canal in gone:
                lost = uses.filter((pl.col("treatment_id") == treatment) & (pl.col("canal") == canal))
                expected |= set(lost["use_id"])
            assert len(expected) > fault.rows
        assert marked(demo, fault.fault.kind, rule) == sorted(expected), name


def test_a_visit_entered_a_second_time_keeps_its_dentist_busy(demo: Demo) -> None:
    """Visits overlap where the truth lets the last patient be checked out late, and where a copy was planted."""
    copies = planted(demo, "visit without treatment")
    late = int(demo.truth.visits["_late"].sum())
    assert 0 < late <= truth.OVERLAPPING_VISITS
    assert len(marked(demo, "visits", "visits_of_dentist_overlap")) == late + copies.rows


def test_no_other_rule_has_anything_to_say(demo: Demo) -> None:
    found = demo.program.query("select distinct rule from flags where action = 'flag'")["rule"]
    others = set(found) - set(FLAGGED_BY.values()) - {"visits_of_dentist_overlap"}
    # An instrument put in another's place may be shorter than the canal is deep, and its step fits in with no other; a
    # canal entered a second time, under a name that is none, takes its time from the visit again.
    assert others <= {
        "use_deeper_than_instrument",
        "use_step_out_of_order",
        "canal_times_exceed_visit",
        "length_confirmed_without_length",
    }
    # A confirmed length whose decimal point was lost is no length any more.
    assert set(marked(demo, "canals", "length_confirmed_without_length")) <= set(planted(demo, "decimal lost").keys)
    moved = set(planted(demo, "use after retirement").keys)
    for rule in ("use_deeper_than_instrument", "use_step_out_of_order"):
        assert set(marked(demo, "instrument_uses", rule)) <= moved
    twice = {key.partition(" ")[0] for key in planted(demo, "unknown canal").keys}
    assert {key.partition(" ")[0] for key in marked(demo, "canals", "canal_times_exceed_visit")} <= twice


def test_contradictions_inside_a_record_are_not_seen_where_none_was_planted(demo: Demo) -> None:
    silent = {
        "tooth_before_eruption",
        "pulp_contradicts_apex",
        "curve_radius_without_curve",
        "peak_torque_over_limit",
        "fragment_longer_than_working_part",
        "udi_lot_differs",
    }
    found = demo.program.query("select distinct rule from flags where action = 'warn'")["rule"]
    assert silent.isdisjoint(found)
    assert silent <= all_rules().keys()


def test_what_is_only_unusual_is_kept_with_a_mark(demo: Demo) -> None:
    assert marked(demo, "canals", "canal_name_unusual") == sorted(planted(demo, "unknown canal").keys)


def test_check_finds_what_the_import_marked(demo: Demo, tmp_path: Path) -> None:
    for file in (demo.program.store, demo.program.store.with_suffix(".key")):
        shutil.copy(file, tmp_path)  # it writes, and others read the store meanwhile
    program = replace(demo.program, store=tmp_path / demo.program.store.name)
    before = program.query("select kind, rule, count(*) as n from flags group by all order by all")
    outcome = program.run("check", "--quiet", may_find=True)
    after = program.query("select kind, rule, count(*) as n from flags group by all order by all")
    assert before.equals(after)
    assert not outcome["success"]
    counted = {finding["rule"]: finding["rows"] for finding in outcome["findings"]}
    assert counted == {rule: n for _, rule, n in after.iter_rows()}
