"""Every rule between kinds: small practices that it leaves alone, and ones in which it flags a record.

The starting point is one treatment with its visits, canal, uses, instrument, incident, follow-up and contact, all in
order. A change is {kind: [records]}: a record is laid over the plain one of that kind with the same key, or added.
"""

from __future__ import annotations

import datetime as dt
from importlib.resources import files
from typing import Any

import pytest

from pipeline.records import KINDS

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
    for kind in change.keys() - PLAIN.keys():  # what an import has superseded
        tables[kind] = [PLAIN[kind.removesuffix("_history")][0] | row for row in change[kind]]
    return tables


def use(**changes):
    return {"instrument_uses": [changes]}


def lost(**changes):
    return {"follow_up_id": "F0", "seen_on": "2026-01-10", "tooth_present": False, "lost_on": "2025-12-01"} | changes


def at_chair(chair, **changes):
    """The first visit in chair 2, and another dentist's in `chair`."""
    other = {"visit_id": "V3", "treatment_id": "T9", "dentist": "D2", "chair": chair}
    return {"visits": [{"visit_id": "V1", "chair": "2"}, other | changes]}


def timed(canal, start, end, day="2025-03-03"):
    return {
        "canal": canal,
        "started_at": start and f"{day} {start}",
        "finished_at": end and f"{day} {end}",
    }


def used_in(*patients, **instrument):
    """The instrument I1 in one treatment of each of these patients."""
    plain = PLAIN["treatments"][0]
    return {
        "treatments": [plain | {"treatment_id": f"T{n}", "patient_id": p} for n, p in enumerate(patients, start=1)],
        "instrument_uses": [
            {"use_id": f"U{n}", "treatment_id": f"T{n}", "instrument_id": "I1", "started_at": "2025-03-03 09:10"}
            for n, _ in enumerate(patients, start=1)
        ],
        "instruments": [{"motion": "rotation"} | instrument],
    }


def several(*dentists):
    return {"treatments": [{"treatment_id": f"T{n}", "dentist": d, "tooth": 11 + n} for n, d in enumerate(dentists)]}


def visit_of(seated_at, until, treatment_id="T1", visit_id="V3", **more):
    """Another visit on the day of `seated_at`."""
    left_at = f"{seated_at[:10]} {until}"
    return {"visit_id": visit_id, "treatment_id": treatment_id, "seated_at": seated_at, "left_at": left_at} | more


def visit(seated_at, **more):
    return {"visits": [visit_of(seated_at, "23:00", **more)]}


def graded(day, pai):
    """PAI 1 on 20 March 2026, and another grade on this day."""
    return {"follow_ups": [{"pai": 1}, {"follow_up_id": "F2", "seen_on": day, "pai": pai}]}


def long(tooth, mm):
    return {"treatments": [{"tooth": tooth}], "canals": [{"working_length_mm": mm}]}


def mesial(first, second, other="MB2"):
    return {"canals": [{"canal": "MB", "working_length_mm": first}, {"canal": other, "working_length_mm": second}]}


def confirmed(by, **more):
    """The palatal canal has a length, this one has none."""
    plain = {"canal": "DB", "working_length_mm": None, "length_confirmed": by}
    return {"canals": [{"working_length_mm": 20}, plain | more]}


def broken(**later):
    """The instrument separates in the plain use; what is given of another use, elsewhere an hour later by default."""
    used = {"use_id": "U2", "treatment_id": "T9", "result": "intact", "started_at": "2025-03-03 10:10"}
    return {"instrument_uses": [{"result": "separated"}] + ([used | later] if later else [])}


def registered(**more):
    return {"instruments": [{"size": 25, "motion": "rotation"} | more], **use(size=25, motion="rotation")}


def retired(reason="separated"):
    return {"instruments": [{"retired_reason": reason}], **use(result="intact")}


ELSEWHERE = {"treatment_id": "T9"}
AGAIN = {"treatment_id": "T2", "kind": "retreatment"}
FIRST_AGAIN = {"treatment_id": "T3", "kind": "primary"}

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
            {"follow_ups": [{"seen_on": "2025-03-04"}], "treatments": [{"completed_on": None}]},
            {"follow_ups": [{"lost_on": "2025-04-01", "surgery_on": "2025-03-20"}]},
        ],
        [
            {"follow_ups": [{"seen_on": "2025-03-16"}]},
            {"follow_ups": [{"lost_on": "2025-03-01"}]},
            {"follow_ups": [{"surgery_on": "2024-03-20"}]},
            {"follow_ups": [{"seen_on": "2025-03-02"}], "treatments": [{"completed_on": None}]},
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
    # GS1 General Specifications: (17) is the last day of use.
    "use_after_expiry": (
        [
            {},
            {"instruments": [{"expires_on": "2025-03-03"}]},
            {"instruments": [{"expires_on": "2025-03-03"}], **use(started_at=None)},
            {"instruments": [{"expires_on": "2025-03-02"}], **use(instrument_id=None)},
        ],
        [
            {"instruments": [{"expires_on": "2025-03-02"}]},
            {"instruments": [{"expires_on": "2025-03-02"}], **use(started_at=None)},
        ],
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
    "visits_of_chair_overlap": (
        [
            {},
            at_chair("2", seated_at="2025-03-03 10:00", left_at="2025-03-03 11:00"),
            at_chair("3", seated_at="2025-03-03 09:30"),
            at_chair("2", seated_at="2025-03-03 09:30", dentist="D1"),
            at_chair("2", seated_at="2025-03-04 09:30", left_at="2025-03-04 10:00"),
            {"visits": [{"visit_id": "V3", "dentist": "D2"}]},  # chairs are not told
        ],
        [
            at_chair("2", seated_at="2025-03-03 09:59", left_at="2025-03-03 11:00"),
            at_chair("2", seated_at="2025-03-03 09:00", left_at="2025-03-03 09:20"),
        ],
    ),
    "canal_times_exceed_visit": (
        [
            {},
            {"canals": [{"finished_at": "2025-03-03 10:00"}]},
            # 40 and 25 minutes in 60: rounded times
            {"canals": [{"canal": "DB", "started_at": None, "finished_at": None}, timed("MB", "09:20", "09:45")]},
            {"canals": [timed("MB", "09:40", "10:10", day="2025-03-17")]},
        ],
        [],
    ),
    "incident_told_in_note": (
        [
            {"incidents": [{"note": note}]}
            for note in (
                None,
                "file placed deep, no separation, not broken",
                "ledge at 18 mm",
                "root fracture suspected",
                "ohne Perforation",
                "canal broken open with ultrasound",
            )
        ]
        + [{"incidents": [{"kind": "separation", "note": "file broke 3 mm from the apex"}]}]
        + [{"incidents": [{"kind": "swallowed or inhaled item", "note": "patient swallowed a clamp"}]}]
        # it is recorded, as an incident of its own
        + [{"incidents": [{"note": "file broke"}, {"incident_id": "X2", "kind": "separation"}]}],
        [
            {"incidents": [{"note": note}]}
            for note in (
                "File broke 3 mm from the apex",
                "broken hand file left",
                "Feile im apikalen Drittel abgebrochen",
                "Instrumentenfraktur",
                "and then perforated",
                "hypochlorite beyond the apex",
                "started on the wrong tooth",
                "missed canal found",
                "patient swallowed a clamp",
            )
        ]
        + [{"incidents": [{"kind": "other", "note": "perforation"}]}],
    ),
    "incident_told_in_canal": (
        [
            {},
            {"canals": [{"not_treated": "calcified"}]},
            {"canals": [{"not_treated": "blocked by old filling"}]},
            {"canals": [{"not_treated": "perforation"}], "incidents": [{"kind": "perforation"}]},
        ],
        [{"canals": [{"not_treated": "separated instrument"}]}, {"canals": [{"not_treated": "Perforation"}]}],
    ),
    "use_step_out_of_order": (
        [
            {},
            {"instrument_uses": [{"step": 1}, {"use_id": "U2", "step": 2, "started_at": "2025-03-03 09:10"}]},
            {"instrument_uses": [{"step": 1}, {"use_id": "U2", "step": 2, "started_at": None}]},
            {"instrument_uses": [{"step": 1}, {"use_id": "U2", "step": 1, "canal": "DB"}]},
            {"instrument_uses": [{"step": 1}, {"use_id": "U2", "step": 1, **ELSEWHERE}]},
            {"instrument_uses": [{"step": 1}, {"use_id": "U2", "step": 1, "practice": "other"}]},
            {"instrument_uses": [{"step": 3}]},  # where the export's own steps begin is not judged
        ],
        [
            {"instrument_uses": [{"step": 1}, {"use_id": "U2", "step": 1}]},
            {"instrument_uses": [{"step": 1}, {"use_id": "U2", "step": 3}]},
            {"instrument_uses": [{"step": 1}, {"use_id": "U2", "step": 2, "started_at": "2025-03-03 09:09"}]},
        ],
    ),
    "instrument_between_patients": (
        [
            {},
            used_in("P1", "P2", sterilisations=1),
            used_in("P1", "P2", sterilisations=None),
            used_in("P1", "P1", use_limit=1, sterilisations=0),
            used_in("P1", "P2", use_limit=2),
            used_in("P1", sterilisations=12),
            used_in("P1", sterilisations=30, motion="hand"),
            used_in("P1", "P2", sterilisations=0, retired_on="2025-03-02"),
        ],
        [
            used_in("P1", "P2", sterilisations=0),
            used_in("P1", "P2", "P3", sterilisations=1),
            used_in("P1", "P2", use_limit=1, sterilisations=1),
            used_in("P1", sterilisations=13),
        ],
    ),
    "sterilisations_falling": (
        [{}, {"instruments": [{"sterilisations": 3}], "instruments_history": [{"sterilisations": 3}]}],
        [{"instruments": [{"sterilisations": 3}], "instruments_history": [{"sterilisations": 4}]}],
    ),
    "incident_without_visit": (
        [
            {},
            {"visits": []},
            {"incidents": [{"occurred_at": "2025-03-10 09:00", "kind": "missed canal"}]},
            {"incidents": [{"occurred_at": "2025-03-17 23:00"}]},
        ],
        [{"incidents": [{"occurred_at": "2025-03-10 09:00"}]}],
    ),
    "follow_up_after_retreatment": (
        [
            {},
            {"treatments": [AGAIN | {"started_on": "2026-03-21"}]},
            {"treatments": [AGAIN | {"started_on": "2026-01-10", "patient_id": "P2"}]},
            {"treatments": [AGAIN | {"started_on": "2026-01-10", "tooth": 17}]},
            {"treatments": [AGAIN | {"started_on": "2025-01-10"}]},
            {"treatments": [AGAIN | {"started_on": "2026-01-10"}]},  # retreated: that is its outcome
            {"treatments": [AGAIN | {"started_on": "2025-03-17"}]},
            {"treatments": [AGAIN | {"started_on": "2026-01-10"}, FIRST_AGAIN | {"started_on": "2026-02-10"}]},
        ],
        [
            {"treatments": [FIRST_AGAIN | {"started_on": "2026-01-10"}]},
            {"treatments": [AGAIN | {"started_on": "2025-03-16"}]},
            {"treatments": [{"completed_on": None}, AGAIN | {"started_on": "2026-01-10"}]},
            {"treatments": [FIRST_AGAIN | {"started_on": "2026-01-10"}, AGAIN | {"started_on": "2026-03-21"}]},
        ],
    ),
    "dentist_written_in_two_ways": (
        [{}, {"treatments": [{"treatment_id": "T2", "dentist": "D2"}]}, several("D1", "D1", "d 2")],
        [several("D1", "D1", "d.1"), several("D-1", "D1", "D1", "E")],
    ),
    "treatment_after_loss": (
        [
            {},
            {"follow_ups": [lost()]},
            {"follow_ups": [lost()], "treatments": [AGAIN | {"started_on": "2025-11-20"}]},
            {"follow_ups": [lost()], "treatments": [AGAIN | {"started_on": "2026-02-01", "tooth": 17}]},
            {"follow_ups": [lost()], "treatments": [AGAIN | {"started_on": "2026-02-01", "patient_id": "P2"}]},
            {"treatments": [AGAIN | {"started_on": "2026-02-01"}]},
        ],
        [
            {"follow_ups": [lost()], "treatments": [AGAIN | {"started_on": "2025-12-02"}]},
            {"follow_ups": [lost(lost_on=None)], "treatments": [FIRST_AGAIN | {"started_on": "2026-02-01"}]},
        ],
    ),
    "visit_after_loss": (
        [
            {},
            {"follow_ups": [lost()]},
            {"follow_ups": [lost()], **visit("2025-12-01 09:00")},
            {"follow_ups": [lost()], **visit("2025-12-20 09:00", reason="pain or swelling")},
            {"follow_ups": [lost(**ELSEWHERE)], **visit("2025-12-20 09:00")},
        ],
        [
            {"follow_ups": [lost()], **visit("2025-12-02 09:00")},
            {"follow_ups": [lost()], **visit("2026-01-05 09:00", reason="pain or swelling")},
        ],
    ),
    "patient_in_two_chairs": (
        [
            visit("2025-03-03 09:00", chair="3", dentist="D1", visit_id="V1"),
            {"visits": [{"visit_id": "V1", "chair": "2"}, visit_of("2025-03-03 09:15", "10:30", chair="2")]},
            {
                "visits": [{"visit_id": "V1", "chair": "2"}, visit_of("2025-03-03 09:30", "10:30", chair="3")]
            },  # late out
            {"visits": [{"visit_id": "V1"}, visit_of("2025-03-03 09:15", "10:30")]},  # two entries of one dentist
            # one visit for two teeth, and another patient's
            {"visits": [{"visit_id": "V1", "treatment_id": "T2", "chair": "2"}], "treatments": [AGAIN]},
            {
                "visits": [{"visit_id": "V1", "chair": "2"}, visit_of("2025-03-03 09:15", "10:30", "T2", chair="3")],
                "treatments": [AGAIN | {"patient_id": "P2"}],
            },
        ],
        [
            {"visits": [{"visit_id": "V1", "chair": "2"}, visit_of("2025-03-03 09:29", "10:30", chair="3")]},
            {"visits": [visit_of("2025-03-03 09:10", "10:00", dentist="D2")]},
            {
                "visits": [{"visit_id": "V1", "chair": "2"}, visit_of("2025-03-03 09:00", "10:00", "T2", chair="3")],
                "treatments": [AGAIN | {"tooth": 36}],
            },
        ],
    ),
    "pai_healed_too_fast": (
        [
            {"follow_ups": [{"pai": 1}]},
            graded("2026-01-18", 5),  # 61 days before
            graded("2026-02-18", 4),
            graded("2026-03-20", 5),
            {"follow_ups": [{"pai": 1}, {"follow_up_id": "F2", "seen_on": "2026-02-18", "pai": 5, **ELSEWHERE}]},
            {"follow_ups": [{"pai": 1}], "treatments": [{"preop_pai": 5}]},  # a year later
        ],
        [
            graded("2026-01-19", 5),
            graded("2026-03-19", 5),
            {"follow_ups": [{"pai": 1, "seen_on": "2025-04-30"}], "treatments": [{"preop_pai": 5}]},
        ],
    ),
    "single_canal_beside_others": (
        [{}, {"canals": [{"canal": "DB"}]}, {"canals": [{"canal": "S", **ELSEWHERE}]}],
        [{"canals": [{"canal": "S"}]}, {"canals": [{"canal": "S"}, {"canal": "MB"}]}],
    ),
    # Longest published teeth: upper central incisor 32.6, upper canine 38.4, premolars 26.3 mm.
    "working_length_beyond_tooth": (
        [
            {},
            *(long(tooth, mm) for tooth, mm in ((11, 33), (43, 38.4), (14, 29), (26, 29), (36, 22), (75, 23))),
            {"canals": [{"working_length_mm": 39, **ELSEWHERE}]},
        ],
        [long(tooth, mm) for tooth, mm in ((11, 33.5), (43, 39), (14, 29.5), (26, 31), (75, 23.5), (53, 28))],
    ),
    "second_mesiobuccal_length_differs": (
        [mesial(20, 20), mesial(20, 26), mesial(20, 12), mesial(20, None), mesial(None, 30), mesial(20, 30, "DB")],
        [mesial(18, 24.5), mesial(22, 13.5)],
    ),
    "length_confirmed_without_length": (
        [
            {"canals": [{"length_confirmed": "both", "working_length_mm": 20}]},
            confirmed("none"),
            confirmed("both", not_treated="calcified"),
            {**confirmed("both"), **use(canal="DB", depth_mm=19)},
            {"canals": [{"canal": "DB", "length_confirmed": "both"}]},  # no length of any canal
        ],
        [confirmed("apex locator"), confirmed("both"), {**confirmed("radiograph"), **use(canal="DB", depth_mm=None)}],
    ),
    "use_in_untreated_canal": (
        [
            use(motion="rotation"),
            {"canals": [{"not_treated": "calcified"}], **use(motion="hand")},
            {"canals": [{"not_treated": "calcified"}], **use(motion="ultrasonic")},
            {"canals": [{"canal": "DB", "not_treated": "calcified"}], **use(motion="rotation")},
        ],
        [{"canals": [{"not_treated": "calcified"}], **use(motion="reciprocation")}],
    ),
    "use_beyond_working_length": (
        [
            {},
            {"canals": [{"working_length_mm": 18}]},
            {"canals": [{"working_length_mm": 18}], **use(depth_mm=None)},
            {"canals": [{"canal": "DB", "working_length_mm": 12}]},
        ],
        [{"canals": [{"working_length_mm": 17.9}]}, {"canals": [{"working_length_mm": 20}], **use(depth_mm=22.1)}],
    ),
    "use_after_separation": (
        [
            broken(),
            broken(treatment_id="T1", canal="DB"),  # left in the same treatment: its other canal
            broken(started_at="2025-03-03 09:05"),  # before
            broken(instrument_id="I2"),
            broken(started_at=None),
            {**use(result="separated"), "incidents": [{"kind": "separation", "instrument_id": "I1"}]},
        ],
        [
            broken(started_at="2025-03-04 09:00"),
            {
                "incidents": [{"kind": "separation", "instrument_id": "I1"}],
                **use(use_id="U2", started_at="2025-03-03 09:21", **ELSEWHERE),
            },
        ],
    ),
    "use_unlike_register": (
        [
            registered(),
            {**registered(), **use(size=25, motion="hand")},
            {**registered(motion="hand"), **use(size=25, motion="hand")},
            {**registered(motion="mixed"), **use(size=25, motion="rotation")},
            {**registered(), **use(size=25, motion="mixed")},
            {**registered(), **use(size=None, motion=None)},
            {**registered(received_on="2025-03-03"), **use(size=25, motion="rotation")},
            {**registered(), **use(size=30, motion="rotation", instrument_id="I9")},
            {**registered(received_on="2026-01-01"), **use(size=25, motion="rotation", started_at=None)},
        ],
        [
            {**registered(), **use(size=30, motion="rotation")},
            {**registered(), **use(size=25, motion="reciprocation")},
            {**registered(motion="hand"), **use(size=25, motion="rotation")},
            {**registered(received_on="2025-03-04"), **use(size=25, motion="rotation")},
        ],
    ),
    "separation_of_instrument_missing": (
        [
            retired(reason="use limit"),
            {**retired(), **use(result="separated")},
            {**retired(), "incidents": [{"kind": "separation", "instrument_id": "I1"}]},
            {**retired(), "incidents": [{"kind": "separation", "instrument_id": "I1", **ELSEWHERE}]},
            {**retired(), "incidents": [{"kind": "separation"}]},  # it may be this one
            {**retired(), **use(use_id="U2", result="separated", instrument_id=None)},
            {**retired(), **use(instrument_id="I9")},  # no use of it is recorded
        ],
        [
            retired(),
            {**retired(), "incidents": [{"kind": "separation", "instrument_id": "I9"}]},
            {**retired(), "incidents": [{"kind": "separation", "occurred_at": "2025-06-03 09:20"}]},
        ],
    ),
    "incident_instrument_not_used": (
        [
            {"incidents": [{"instrument_id": "I1"}]},
            {"incidents": [{"instrument_id": "I9"}], **use(use_id="U2", instrument_id=None)},
            {"incidents": [{"instrument_id": "I9"}], "instrument_uses": []},
        ],
        [{"incidents": [{"instrument_id": "I9"}]}, {"incidents": [{"instrument_id": "I9", "kind": "separation"}]}],
    ),
    "filled_though_abandoned": (
        [
            {"canals": [{"filling_extent_mm": -0.5}]},
            {"treatments": [{"status": "abandoned"}]},
            {"treatments": [{"status": "abandoned"}], "canals": [{"filling_extent_mm": -1}, {"canal": "DB"}]},
            {"treatments": [{"status": "referred"}], "canals": [{"filling_extent_mm": -1}]},
        ],
        [
            {"treatments": [{"status": "abandoned"}], "canals": [{"filling_extent_mm": -0.5}]},
            {
                "treatments": [{"status": "abandoned"}],
                "canals": [{"filling_extent_mm": 0}, {"canal": "DB", "not_treated": "calcified"}],
            },
        ],
    ),
}


def visits_of(minutes, dentist="D1", **more):
    """One visit a day, each of so many minutes."""
    return [
        {
            "visit_id": f"V{dentist}{n}",
            "treatment_id": f"T{n}",
            "dentist": dentist,
            "seated_at": f"2025-01-{n % 28 + 1:02} 09:00",
            "left_at": f"2025-01-{n % 28 + 1:02} {9 + m // 60:02}:{m % 60:02}",
        }
        | more
        for n, m in enumerate(minutes)
    ]


def canals_of(minutes, dentist="D1", **more):
    """A treatment of one canal for each; None is a canal without times."""
    treatments = [{"treatment_id": f"T{dentist}{n}", "dentist": dentist} for n, _ in enumerate(minutes)]
    canals = [
        {
            "treatment_id": f"T{dentist}{n}",
            "canal": "S",
            "started_at": None if m is None else "2025-01-01 09:00",
            "finished_at": None if m is None else f"2025-01-01 {9 + m // 60:02}:{m % 60:02}",
        }
        | more
        for n, m in enumerate(minutes)
    ]
    return {"treatments": treatments, "canals": canals}


def both(*practices):
    tables = {}
    for one in practices:
        for kind, rows in one.items():
            tables[kind] = tables.get(kind, []) + rows
    return tables


def uses_of(values, column, **more):
    return {
        "instrument_uses": [{"use_id": f"U{n}", "motion": "rotation", column: v} | more for n, v in enumerate(values)]
    }


def seen(complaints, others):
    rows = [{"pain": True}] * complaints + [{"pain": False, "tenderness": False}] * others
    return {"follow_ups": [{"follow_up_id": f"F{n}"} | row for n, row in enumerate(rows)]}


def treated(days, dentist="D1"):
    """A treatment on each of these days, counted from 1 January 2020."""
    first = dt.date(2020, 1, 1)
    return {
        "treatments": [
            {"treatment_id": f"T{n}", "dentist": dentist, "started_on": first + dt.timedelta(days=day)}
            for n, day in enumerate(days)
        ]
    }


def on_both_sides(*teeth, **more):
    """Treatments of one patient on one day."""
    plain = PLAIN["treatments"][0]
    return {"treatments": [plain | {"treatment_id": f"T{n}", "tooth": t} | more for n, t in enumerate(teeth)]}


def on_one_day(*grades):
    return [
        {"follow_up_id": f"F{n}", "treatment_id": "T1", "seen_on": "2026-03-20", "tooth_present": True}
        | {"pai": pai, "image": image}
        for n, (pai, image) in enumerate(grades)
    ]


def minute(*uses, of=("P1", "P2")):
    """Uses of one instrument in treatments of these patients, on one day."""
    return {
        "treatments": [{"treatment_id": f"T{n}", "patient_id": patient} for n, patient in enumerate(of, start=1)],
        "instrument_uses": [
            {"use_id": f"U{n}", "treatment_id": t, "instrument_id": "I1", "started_at": f"2025-03-03 {at}"}
            for n, (t, at) in enumerate(uses)
        ],
    }


EVEN = [20, 30, 40, 50]

# rule: (practices that it leaves alone, practices and how many of their records it flags). These rules are about many
# records, or about two of which either may be wrong.
MANY: dict[str, tuple[list[dict[str, Any]], list[tuple[dict[str, Any], int]]]] = {
    "tooth_side_doubtful": (
        [on_both_sides(16, 17), on_both_sides(16, 36), on_both_sides(11, 21), on_both_sides(16, 46)],
        [(on_both_sides(16, 26), 2), (on_both_sides(85, 75), 2), (on_both_sides(34, 44, 45), 2)],
    ),
    "dentist_back_after_a_year": (
        [
            treated([*range(40), *range(500, 509)]),  # too few to say
            treated([*range(60), *range(400, 460)]),
            both(treated(range(60)), treated(range(500, 560), dentist="D2")),
        ],
        [(treated([*range(60), *range(450, 460)]), 1)],
    ),
    "visit_times_by_default": (
        [
            {"visits": visits_of([60] * 19)},
            {"visits": visits_of([60] * 10 + [20] * 10)},
            {"visits": visits_of(EVEN * 5) + visits_of([60] * 6, dentist="D2")},
        ],
        [({"visits": visits_of([60] * 11 + EVEN[:3] * 3)}, 11), ({"visits": visits_of([60] * 20)}, 20)],
    ),
    "booking_unit_doubtful": (
        [
            {"visits": visits_of([60] * 19, booked_minutes=0.5)},
            {"visits": visits_of([60] * 20, booked_minutes=5)},
            {"visits": visits_of([60] * 10, booked_minutes=0.5) + visits_of([60] * 20, "D2", booked_minutes=30)},
        ],
        [({"visits": visits_of([60] * 20, booked_minutes=0.75)}, 20)],
    ),
    "canal_times_missing_by_dentist": (
        [
            canals_of([None] * 40),  # nobody writes times
            both(canals_of([None] * 10 + [30] * 10), canals_of([30] * 40, dentist="D2")),
            both(canals_of([None] * 19), canals_of([30] * 40, dentist="D2")),
            both(canals_of([None] * 30), canals_of([None, 30] * 20, dentist="D2")),
            both(canals_of([None] * 30, not_treated="calcified"), canals_of([30] * 40, dentist="D2")),
        ],
        [(both(canals_of([None] * 21 + [30] * 9), canals_of([30] * 35 + [None] * 5, dentist="D2")), 21)],
    ),
    "canal_times_exceed_visit": (
        [],
        [
            # 40 and 26 minutes in a visit of 60: more than 5 minutes too many
            (practice({"canals": [timed("MB", "09:20", "09:46")]}), 2),
            (practice({"canals": [timed("MB", "09:00", "10:00"), timed("DB", None, None)]}), 2),
        ],
    ),
    "canal_times_by_default": (
        [canals_of([30] * 19), canals_of(EVEN * 10), canals_of([30] * 20 + [20, 40] * 10)],
        [(canals_of([30] * 20 + EVEN), 21)],
    ),
    "uses_not_traceable": (
        [
            uses_of([None] * 19, "lot"),
            uses_of([None] * 40, "lot", instrument_id="I1"),
            uses_of([None] * 40, "lot", motion="hand"),
            uses_of([None] * 20 + ["L1"] * 20, "lot"),
        ],
        [(uses_of([None] * 21 + ["L1"] * 20, "lot"), 21)],
    ),
    "use_unit_doubtful": (
        [
            uses_of([0.8] * 19, "depth_mm"),
            uses_of([2.0] * 10 + [19.5] * 10, "depth_mm"),
            uses_of([0] * 30, "seconds"),
            uses_of([3, 30] * 10, "seconds"),
            uses_of([0.1, 5] * 10, "torque_ncm"),
            both(uses_of([0.8] * 10, "depth_mm", batch_id=1), uses_of([0.8] * 10, "depth_mm", batch_id=2)),
        ],
        [
            (uses_of([0.8] * 20, "depth_mm"), 20),  # inches
            (uses_of([0.5] * 20 + [3] * 5, "seconds"), 20),  # minutes
            (uses_of([200] * 20, "torque_ncm"), 20),  # g cm
            (uses_of([0.02] * 20, "torque_ncm"), 20),  # N m
            # the other file of the practice is in order
            (both(uses_of([2] * 20, "depth_mm"), uses_of([19.5] * 40 + [2], "depth_mm", batch_id=2)), 20),
        ],
    ),
    "follow_ups_only_for_complaints": (
        [seen(19, 0), seen(10, 10), seen(5, 60)],
        [(seen(11, 9), 11), (seen(20, 0), 20)],
    ),
    "pai_twice_on_a_day": (
        [
            {"follow_ups": on_one_day((1, "periapical"), (1, "periapical"))},
            {"follow_ups": on_one_day((1, "periapical"), (2, "cbct"))},
            {"follow_ups": on_one_day((2, "periapical"), (3, "periapical"))},  # the next rule's
            {"follow_ups": on_one_day((1, "periapical"), (None, "periapical"))},
        ],
        [
            ({"follow_ups": on_one_day((1, "periapical"), (2, "periapical"))}, 2),
            ({"follow_ups": on_one_day((3, None), (5, None), (5, "cbct"))}, 2),
        ],
    ),
    "pai_undecided_on_a_day": (
        [
            {"follow_ups": on_one_day((1, "periapical"), (2, "periapical"))},
            {"follow_ups": on_one_day((1, "periapical"), (5, "cbct"))},
            {
                "follow_ups": [
                    row | {"seen_on": f"2026-03-{n + 1:02}"} for n, row in enumerate(on_one_day((1, ""), (5, "")))
                ]
            },
        ],
        [({"follow_ups": on_one_day((1, "periapical"), (5, "periapical"))}, 2)],
    ),
    "use_in_two_patients_at_once": (
        [
            minute(("T1", "09:10:05"), ("T1", "09:10:40")),
            minute(("T1", "09:10:05"), ("T2", "09:11:00")),
            minute(("T1", "00:00:00"), ("T2", "00:00:00")),  # days without a time
            minute(("T1", "09:10:05"), ("T2", "09:10:40"), of=("P1", "P1")),
        ],
        [
            (minute(("T1", "09:10:05"), ("T2", "09:10:40")), 2),
            (minute(("T1", "09:10:00"), ("T1", "09:10:01"), ("T2", "09:10:59")), 3),
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
    assert {*CASES, *MANY, "canal_impossible_for_tooth"} == across


def test_the_plain_practice_is_never_flagged(across_rule, judge):
    assert all(judge(across_rule, PLAIN))


@pytest.mark.parametrize("name", CASES)
def test_leaves_alone_and_flags(name, rules, judge):
    alone, flagged = CASES[name]
    assert flagged or name in MANY, "a rule that never flags is dead"
    for change in alone:
        assert all(judge(rules[name], practice(change))), f"flagged: {change}"
    for change in flagged:
        assert judge(rules[name], practice(change)).count(False) == 1, f"not one flag: {change}"


@pytest.mark.parametrize("name", MANY)
def test_leaves_alone_and_flags_among_many(name, rules, judge):
    alone, flagged = MANY[name]
    for tables in alone:
        assert all(judge(rules[name], tables)), f"flagged: {tables}"
    assert [judge(rules[name], tables).count(False) for tables, _ in flagged] == [count for _, count in flagged]


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


def test_what_a_flag_affects_is_a_fact_table_or_a_measure(across_rule):
    facts = {"visit_facts", "canal_facts", "canal_separations", "use_facts", "tooth_facts", "instrument_facts"}
    measures = {
        f.name.removesuffix(".toml")
        for f in files("pipeline.measures.definitions").iterdir()
        if f.name.endswith(".toml")
    }
    if not measures:
        pytest.skip("no measures yet")
    assert set(across_rule.meta["affects"]) <= facts | measures
    # The same canals, once with their separations.
    assert ("canal_facts" in across_rule.meta["affects"]) == ("canal_separations" in across_rule.meta["affects"])
