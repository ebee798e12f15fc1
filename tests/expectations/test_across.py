"""Every rule between kinds: small practices that it leaves alone, and ones in which it flags a record.

The starting point is one treatment with its visits, canal, uses, instrument, incident, follow-up and contact, all in
order. A change is {kind: [records]}: a record is laid over the plain one of that kind with the same key, or added.
"""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import pytest

from pipeline.store.records import KINDS

PLAIN: dict[str, list[dict[str, Any]]] = {
    "treatments": [
        {
            "treatment_id": "T1",
            "patient_id": "P1",
            "tooth": 16,
            "dentist": "D1",
            "kind": "primary",
            "started_on": "2025-03-03",
            "completed_on": "2025-03-17",
            "status": "completed",
        }
    ],
    "visits": [
        {
            "visit_id": "V1",
            "treatment_id": "T1",
            "dentist": "D1",
            "seated_at": "2025-03-03 09:00",
            "left_at": "2025-03-03 10:00",
        },
        {
            "visit_id": "V2",
            "treatment_id": "T1",
            "dentist": "D1",
            "seated_at": "2025-03-17 09:00",
            "left_at": "2025-03-17 10:00",
        },
    ],
    "canals": [
        {
            "treatment_id": "T1",
            "canal": "P",
            "started_at": "2025-03-03 09:00",
            "finished_at": "2025-03-03 09:40",
        }
    ],
    "instruments": [{"instrument_id": "I1", "length_mm": 21, "retired_on": "2025-03-03"}],
    "instrument_uses": [
        {
            "use_id": "U1",
            "treatment_id": "T1",
            "canal": "P",
            "instrument_id": "I1",
            "started_at": "2025-03-03 09:10",
            "depth_mm": 20,
        }
    ],
    "incidents": [
        {
            "incident_id": "X1",
            "treatment_id": "T1",
            "canal": "P",
            "kind": "ledge",
            "occurred_at": "2025-03-03 09:20",
        }
    ],
    "follow_ups": [{"follow_up_id": "F1", "treatment_id": "T1", "seen_on": "2026-03-20", "tooth_present": True}],
    "contacts": [{"contact_id": "C1", "treatment_id": "T1", "contacted_at": "2025-03-04 12:00"}],
}


def practice(change: dict[str, list[dict[str, Any]]]) -> dict[str, list[dict[str, Any]]]:
    """The plain practice with a change laid over it; a kind changed to [] is not exported at all."""
    tables = {}
    for kind, rows in PLAIN.items():
        key = ("practice", *KINDS[kind].key)
        records = {tuple(row.get(k, "demo") for k in key): row for row in rows}
        plain = rows[0]
        for row in change.get(kind, []):
            row = {k: plain[k] for k in KINDS[kind].key} | row
            of = tuple(row.get(k, "demo") for k in key)
            records[of] = records.get(of, plain) | row
        tables[kind] = [] if change.get(kind) == [] else list(records.values())
    return tables


def use(**changes):
    return {"instrument_uses": [changes]}


def lost(**changes):
    return {"follow_up_id": "F0", "seen_on": "2026-01-10", "tooth_present": False, "lost_on": "2025-12-01"} | changes


ELSEWHERE = {"treatment_id": "T9"}
AGAIN = {"treatment_id": "T2", "kind": "retreatment"}

# rule: (left alone, flagged); each flagged practice has exactly one flagged record.
CASES: dict[str, tuple[list[dict[str, Any]], list[dict[str, Any]]]] = {
    "visit_without_treatment": ([{}], [{"visits": [{"visit_id": "V3", **ELSEWHERE}]}]),
    "canal_without_treatment": ([{}], [{"canals": [ELSEWHERE]}, {"canals": [{"practice": "other"}]}]),
    "use_without_treatment": ([{}, use(canal="DB")], [use(use_id="U2", **ELSEWHERE)]),
    "use_without_canal": (
        [{}, {"canals": [], **use(canal="DB")}, {"canals": [{"canal": "DB"}], **use(canal="DB")}],
        [use(canal="DB"), use(use_id="U2", **ELSEWHERE)],
    ),
    "use_of_unknown_instrument": (
        [{}, use(instrument_id=None), {"instruments": [], **use(instrument_id="I9")}],
        [use(instrument_id="I9")],
    ),
    "incident_unattached": (
        [{}, {"incidents": [{"canal": None}]}, {"incidents": [{"canal": "DB"}], "canals": []}],
        [{"incidents": [{"canal": "DB"}]}, {"incidents": [{"canal": None, **ELSEWHERE}]}],
    ),
    "follow_up_without_treatment": ([{}], [{"follow_ups": [{"follow_up_id": "F2", **ELSEWHERE}]}]),
    "contact_without_treatment": ([{}], [{"contacts": [{"contact_id": "C2", **ELSEWHERE}]}]),
    "follow_up_before_completion": (
        [
            {},
            {"follow_ups": [{"seen_on": "2025-03-17"}]},
            {"follow_ups": [{"seen_on": "2020-01-01"}], "treatments": [{"completed_on": None}]},
            {"follow_ups": [{"lost_on": "2025-04-01", "surgery_on": "2025-03-20"}]},
        ],
        [
            {"follow_ups": [{"seen_on": "2025-03-16"}]},
            {"follow_ups": [{"lost_on": "2025-03-01"}]},
            {"follow_ups": [{"surgery_on": "2024-03-20"}]},
        ],
    ),
    "tooth_present_after_loss": (
        [
            {},
            {"follow_ups": [lost(seen_on="2026-03-25", lost_on="2026-03-22")]},
            {"follow_ups": [lost(), {"tooth_present": False}]},
            {"follow_ups": [lost(**ELSEWHERE)]},
        ],
        [{"follow_ups": [lost()]}, {"follow_ups": [lost(lost_on=None)]}],
    ),
    "canal_times_outside_visits": (
        [
            {},
            {"canals": [{"started_at": None, "finished_at": None}]},
            {"visits": [], "canals": [{"started_at": "2025-03-05 09:00"}]},
            {"canals": [{"finished_at": "2025-03-03 10:00"}]},
            {"canals": [{"started_at": "2025-03-17 09:00", "finished_at": None}]},
        ],
        [
            {"canals": [{"started_at": "2025-03-03 08:59"}]},
            {"canals": [{"finished_at": "2025-03-03 10:01"}]},
            {"canals": [{"finished_at": "2025-03-17 09:30"}]},
            {"canals": [{"started_at": None, "finished_at": "2025-03-05 09:30"}]},
        ],
    ),
    "use_after_retirement": (
        [
            {},
            use(started_at=None),
            {"instruments": [{"retired_on": None}]},
            use(instrument_id=None, started_at="2026-01-01 09:00"),
        ],
        [use(started_at="2025-03-04 00:00"), {"instruments": [{"retired_on": "2025-03-02"}], **use(started_at=None)}],
    ),
    "use_outside_canal_times": (
        [
            {},
            use(started_at="2025-03-03 08:00"),
            use(started_at="2025-03-03 10:40"),
            {"canals": [{"started_at": None, "finished_at": None}], **use(started_at="2025-03-05 09:00")},
            use(started_at=None),
        ],
        [use(started_at="2025-03-03 07:59"), use(started_at="2025-03-03 10:41"), use(started_at="2025-03-17 09:10")],
    ),
    # A 21 mm instrument reaches 20 mm (survey of a Korean clinic, 670 patients); 20.5 mm contradicts it.
    "use_deeper_than_instrument": (
        [{}, use(depth_mm=None), {"instruments": [{"length_mm": 25}], **use(depth_mm=20.5)}, use(instrument_id=None)],
        [use(depth_mm=20.5)],
    ),
    "treatment_near_duplicate": (
        [
            {},
            {"treatments": [AGAIN]},
            {"treatments": [{"treatment_id": "T2", "tooth": 17}]},
            {"treatments": [{"treatment_id": "T2", "patient_id": "P2"}]},
            {"treatments": [{"treatment_id": "T2", "practice": "other"}]},
        ],
        [{"treatments": [{"treatment_id": "T2", "dentist": "D2"}]}],
    ),
    "treatments_overlap": (
        [
            {},
            {"treatments": [AGAIN | {"started_on": "2025-03-17", "completed_on": "2025-03-30"}]},
            {"treatments": [{"completed_on": None}, AGAIN | {"started_on": "2025-09-01", "completed_on": None}]},
            {"treatments": [AGAIN | {"started_on": "2025-03-10", "patient_id": "P2"}]},
        ],
        [{"treatments": [AGAIN | {"started_on": "2025-03-10"}]}],
    ),
    "visit_outside_treatment": (
        [
            {},
            {"visits": [{"seated_at": "2025-03-20 09:00", "reason": "pain or swelling"}]},
            {"visits": [{"seated_at": "2025-03-20 09:00"}], "treatments": [{"completed_on": None}]},
            {"visits": [{"seated_at": "2025-03-17 17:00"}]},
        ],
        [
            {"visits": [{"seated_at": "2025-03-02 09:00", "reason": "pain or swelling"}]},
            {"visits": [{"seated_at": "2025-03-18 09:00"}]},
        ],
    ),
    "incident_outside_treatment": (
        [
            {},
            {"incidents": [{"occurred_at": "2025-03-17 23:00"}]},
            {"incidents": [{"occurred_at": "2026-03-17 09:00", "kind": "missed canal"}]},
        ],
        [{"incidents": [{"occurred_at": "2025-03-02 09:20"}]}, {"incidents": [{"occurred_at": "2025-03-18 09:20"}]}],
    ),
    "visits_of_dentist_overlap": (
        [
            {},
            {"visits": [{"visit_id": "V3", "seated_at": "2025-03-03 10:00", "left_at": "2025-03-03 11:00"}]},
            {"visits": [{"visit_id": "V3", "dentist": "D2"}]},
            {"visits": [{"visit_id": "V1", **ELSEWHERE}]},
            {"visits": [{"visit_id": "V3", "practice": "other"}]},
        ],
        [
            {"visits": [{"visit_id": "V3", "seated_at": "2025-03-03 09:59", "left_at": "2025-03-03 11:00"}]},
            # a long visit covers a short one, and then another
            {
                "visits": [
                    {"visit_id": "V1", "left_at": "2025-03-03 12:00"},
                    {"visit_id": "V3", "seated_at": "2025-03-03 11:00", "left_at": "2025-03-03 11:30"},
                ]
            },
        ],
    ),
}

# tooth and canal; usual canals by tooth: common practice, no source. "ML" of an upper molar is another word for MB2
# (a published synonym), and three-rooted premolars have MB and DB.
POSSIBLE = [(16, "MB2"), (26, "ML"), (16, "P"), (14, "P"), (24, "MB"), (11, "S"), (22, "P"), (54, "P")]
POSSIBLE += [(31, "L"), (36, "MM"), (46, "DL"), (44, "B"), (85, "DB"), (36, "other")]
IMPOSSIBLE = [(36, "P"), (45, "P"), (31, "P"), (85, "P"), (11, "DB"), (33, "MB2"), (63, "ML"), (15, "MB2"), (34, "MM")]
IMPOSSIBLE += [(46, "MB2"), (16, "MM")]


def test_every_rule_between_kinds_has_examples(rules):
    across = {name for name, rule in rules.items() if rule.suite == "across"}
    assert {*CASES, "canal_impossible_for_tooth"} == across


def test_the_plain_practice_is_never_flagged(across_rule, judge):
    assert all(judge(across_rule, PLAIN))


@pytest.mark.parametrize("name", CASES)
def test_leaves_alone_and_flags(name, rules, judge):
    alone, flagged = CASES[name]
    assert flagged, "a rule that never flags is dead"
    for change in alone:
        assert all(judge(rules[name], practice(change))), f"flagged: {change}"
    for change in flagged:
        assert judge(rules[name], practice(change)).count(False) == 1, f"not one flag: {change}"


@pytest.mark.parametrize(("pairs", "accepted"), [(POSSIBLE, True), (IMPOSSIBLE, False)])
def test_canals_that_a_tooth_cannot_have(pairs, accepted, rules, judge):
    tables = {
        "treatments": [{"treatment_id": f"T{n}", "tooth": tooth} for n, (tooth, _) in enumerate(pairs)],
        "canals": [{"treatment_id": f"T{n}", "canal": canal} for n, (_, canal) in enumerate(pairs)],
    }
    verdicts = judge(rules["canal_impossible_for_tooth"], tables)
    assert [pair for pair, verdict in zip(pairs, verdicts, strict=True) if verdict != accepted] == []


def test_records_of_another_practice_do_not_count(across_rule, judge):
    """The same keys in two practices are two records: nothing of the other one repairs or spoils this one."""
    rule = across_rule
    other = {kind: [row | {"practice": "other"} for row in rows] for kind, rows in PLAIN.items()}
    both = {kind: PLAIN[kind] + other[kind] for kind in PLAIN}
    assert all(judge(rule, both))
    alone = {kind: other[kind] for kind in PLAIN} | {rule.kind: PLAIN[rule.kind]}
    orphan = "without_treatment" in rule.meta["rule"] or rule.meta["rule"] == "incident_unattached"
    assert all(judge(rule, alone)) is not orphan


def test_a_treatment_under_two_ids_flags_only_the_later_one(rules, judge):
    twice = practice({"treatments": [{"treatment_id": "T2"}]})
    assert judge(rules["treatment_near_duplicate"], twice) == [True, False]


def test_what_a_flag_spoils_is_a_fact_table_or_a_measure(across_rule):
    facts = {"visit_facts", "canal_facts", "use_facts", "tooth_facts", "instrument_facts"}
    measures = {f.name.removesuffix(".toml") for f in files("pipeline.measures").iterdir() if f.name.endswith(".toml")}
    if not measures:
        pytest.skip("no measures yet")
    assert set(across_rule.meta["spoils"]) <= facts | measures
