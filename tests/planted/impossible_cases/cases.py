"""Sixty and more things that no tooth, patient or instrument can have done, each beside one sound treatment.

A case is the sound treatment in a practice of its own with a few records changed: {kind: [records]}, where a record is
laid over the sound one of the same key, or added (made from the first sound one of its kind). None empties a cell.
What must happen stands beside it: `refused` (the row), `blanked` (the cell; the row stays), `warned`, `flagged`, or
`silent` with the reason why no record can tell.
"""

from __future__ import annotations

from dataclasses import dataclass

Record = dict[str, str | None]


@dataclass(frozen=True)
class Outcome:
    """What happens to a record of a kind, by which rule; of a blanked cell also its column."""

    does: str
    kind: str = ""
    rule: str = ""
    column: str = ""
    why: str = ""


@dataclass(frozen=True)
class Case:
    words: str
    change: dict[str, list[Record]]
    outcome: Outcome


def refused(kind: str, rule: str) -> Outcome:
    return Outcome("refused", kind, rule)


def blanked(kind: str, column: str, rule: str) -> Outcome:
    return Outcome("blanked", kind, rule, column)


def warned(kind: str, rule: str) -> Outcome:
    return Outcome("warned", kind, rule)


def flagged(kind: str, rule: str) -> Outcome:
    return Outcome("flagged", kind, rule)


def silent(why: str) -> Outcome:
    return Outcome("silent", why=why)


def _canal(name: str, mm: str, start: str, end: str) -> Record:
    return {
        "treatment_id": "T1",
        "canal": name,
        "sequence": "rotation-4",
        "curvature_deg": "25",
        "curve_radius_mm": "9",
        "first_binding_size": "15",
        "working_length_mm": mm,
        "glide_path_size": "15",
        "length_confirmed": "both",
        "final_size": "30",
        "final_taper": "0.04",
        "apical_gauge_size": "30",
        "started_at": f"2024-03-04 {start}",
        "finished_at": f"2024-03-04 {end}",
        "filling_extent_mm": "-0.5",
        "not_treated": None,
    }


def _use(use_id: str, canal: str, at: str, mm: str) -> Record:
    return {
        "use_id": use_id,
        "treatment_id": "T1",
        "canal": canal,
        "step": "1",
        "instrument_id": "I1",
        "size": "30",
        "taper": "0.04",
        "motion": "rotation",
        "started_at": f"2024-03-04 {at}",
        "seconds": "40",
        "speed_rpm": "300",
        "torque_ncm": "2",
        "peak_torque_ncm": "1.4",
        "depth_mm": mm,
        "irrigant_ml": "2",
        "result": "intact",
    }


SOUND: dict[str, list[Record]] = {
    "treatments": [
        {
            "treatment_id": "T1",
            "patient_id": "P1",
            "birth_year": "1980",
            "tooth": "36",
            "dentist": "D1",
            "kind": "primary",
            "pulp_diagnosis": "pulp necrosis",
            "apical_diagnosis": "asymptomatic apical periodontitis",
            "preop_pai": "4",
            "lesion_mm": "4",
            "started_on": "2024-03-04",
            "completed_on": "2024-03-11",
            "status": "completed",
            "restoration": "crown",
            "restored_on": "2024-04-02",
        }
    ],
    "visits": [
        {
            "visit_id": visit_id,
            "treatment_id": "T1",
            "dentist": "D1",
            "chair": "1",
            "seated_at": f"{day} 09:00",
            "left_at": f"{day} {left}",
            "booked_minutes": "60",
            "rubber_dam": "yes",
            "reason": "planned",
        }
        for visit_id, day, left in (("V1", "2024-03-04", "10:05"), ("V2", "2024-03-11", "09:50"))
    ],
    "canals": [
        _canal("MB", "20.5", "09:10", "09:25"),
        _canal("ML", "20", "09:26", "09:38"),
        _canal("D", "21", "09:40", "10:01"),
    ],
    "instrument_uses": [
        _use("U1", "MB", "09:15", "20.5"),
        _use("U2", "ML", "09:30", "20"),
        _use("U3", "D", "09:45", "20.5"),
    ],
    "instruments": [
        {
            "instrument_id": "I1",
            "lot": "L77",
            "udi": "(01)07300016350759(10)L77",
            "expires_on": "2027-01-31",
            "size": "30",
            "taper": "0.04",
            "length_mm": "25",
            "motion": "rotation",
            "price": "9.50",
            "received_on": "2024-01-10",
            "retired_on": "2024-03-05",
            "retired_reason": "use limit",
        }
    ],
    "incidents": [
        {
            "incident_id": "N1",
            "treatment_id": "T1",
            "canal": "MB",
            "instrument_id": None,
            "kind": "ledge",
            "occurred_at": "2024-03-04 09:20",
            "canal_third": "apical",
            "fragment_mm": None,
            "managed": "bypassed",
        }
    ],
    "follow_ups": [
        {
            "follow_up_id": "F1",
            "treatment_id": "T1",
            "seen_on": "2025-03-20",
            "image": "periapical",
            "pai": "2",
            "pain": "no",
            "tenderness": "no",
            "swelling": "no",
            "sinus_tract": "no",
            "tooth_present": "yes",
            "lost_on": None,
            "lost_reason": None,
            "surgery_on": None,
        }
    ],
    "contacts": [
        {"contact_id": "C1", "treatment_id": "T1", "contacted_at": "2024-03-05 12:00", "pain_score": "2"},
    ],
}


def _treatment(**cells: str | None) -> dict[str, list[Record]]:
    return {"treatments": [cells]}


def _visit(**cells: str | None) -> dict[str, list[Record]]:
    return {"visits": [{"visit_id": "V2"} | cells]}


def _mb(**cells: str | None) -> dict[str, list[Record]]:
    return {"canals": [{"canal": "MB"} | cells]}


def _first_use(**cells: str | None) -> dict[str, list[Record]]:
    return {"instrument_uses": [{"use_id": "U1"} | cells]}


def _instrument(**cells: str | None) -> dict[str, list[Record]]:
    return {"instruments": [cells]}


def _incident(**cells: str | None) -> dict[str, list[Record]]:
    return {"incidents": [cells]}


def _follow_up(**cells: str | None) -> dict[str, list[Record]]:
    return {"follow_ups": [cells]}


LOST: Record = {
    "follow_up_id": "F2",
    "seen_on": "2025-06-02",
    "image": "none",
    "pai": None,
    "tooth_present": "no",
    "lost_on": "2025-05-20",
    "lost_reason": "fracture",
}
SECOND: Record = {
    "treatment_id": "T2",
    "kind": "retreatment",
    "pulp_diagnosis": "previously treated",
    "started_on": "2025-07-01",
    "completed_on": "2025-07-08",
    "restored_on": "2025-07-20",
}
# An upper molar with a second mesiobuccal canal in the place of the mesiolingual one.
UPPER: list[Record] = [{"tooth": "16"}]

CASES = [
    # -- one record: values that there are not
    Case("PAI 7", _follow_up(pai="7"), blanked("follow_ups", "pai", "pai_not_1_to_5")),
    Case(
        "PAI 0 before treatment", _treatment(preop_pai="0"), blanked("treatments", "preop_pai", "preop_pai_not_1_to_5")
    ),
    Case("tooth 19 in FDI", _treatment(tooth="19"), refused("treatments", "tooth_not_fdi")),
    Case("tooth 56 in FDI", _treatment(tooth="56"), refused("treatments", "tooth_not_fdi")),
    Case("torque limit of 900 N cm", _first_use(torque_ncm="900"), warned("instrument_uses", "use_setting_unusual")),
    Case(
        "torque below zero",
        _first_use(torque_ncm="-2"),
        blanked("instrument_uses", "torque_ncm", "use_number_impossible"),
    ),
    Case(
        "speed below zero",
        _first_use(speed_rpm="-300"),
        blanked("instrument_uses", "speed_rpm", "use_number_impossible"),
    ),
    Case("taper 0.9", _first_use(taper="0.9"), blanked("instrument_uses", "taper", "use_taper_out_of_range")),
    Case("taper 4 left behind", _mb(final_taper="4"), blanked("canals", "final_taper", "final_taper_out_of_range")),
    Case("instrument of size 400", _first_use(size="400"), blanked("instrument_uses", "size", "use_size_out_of_range")),
    Case("apex shaped to size 0", _mb(final_size="0"), blanked("canals", "final_size", "canal_size_out_of_range")),
    Case(
        "pain 14 of 10",
        {"contacts": [{"pain_score": "14"}]},
        blanked("contacts", "pain_score", "pain_score_not_0_to_10"),
    ),
    Case(
        "canal of 205 mm",
        _mb(working_length_mm="205"),
        blanked("canals", "working_length_mm", "working_length_out_of_range"),
    ),
    Case(
        "curvature of 400 degrees",
        _mb(curvature_deg="400"),
        blanked("canals", "curvature_deg", "curvature_out_of_range"),
    ),
    Case("lesion of -3 mm", _treatment(lesion_mm="-3"), blanked("treatments", "lesion_mm", "lesion_out_of_range")),
    Case(
        "eleven hours in one canal",
        _first_use(seconds="40000"),
        blanked("instrument_uses", "seconds", "use_seconds_out_of_range"),
    ),
    Case(
        "an instrument 205 mm deep",
        _first_use(depth_mm="205"),
        blanked("instrument_uses", "depth_mm", "use_depth_out_of_range"),
    ),
    Case(
        "a fragment of 250 mm",
        _incident(kind="separation", fragment_mm="250"),
        blanked("incidents", "fragment_mm", "fragment_out_of_range"),
    ),
    Case("step 0", _first_use(step="0"), refused("instrument_uses", "use_step_impossible")),
    Case(
        "a patient born in 1850",
        _treatment(birth_year="1850"),
        blanked("treatments", "birth_year", "birth_year_impossible"),
    ),
    Case(
        "a patient not born yet",
        _treatment(birth_year="2025"),
        blanked("treatments", "birth_year", "birth_year_impossible"),
    ),
    Case(
        "a device identifier with a wrong check digit",
        _instrument(udi="(01)07300016350758(10)L77"),
        warned("instruments", "udi_unreadable"),
    ),
    Case("a filling 12 mm beyond the apex", _mb(filling_extent_mm="12"), warned("canals", "filling_extent_unusual")),
    # -- one record: days and hours that cannot be
    Case("30 February", _treatment(started_on="2024-02-30"), refused("treatments", "value_does_not_parse")),
    Case(
        "begun in the year 2090",
        _treatment(started_on="2090-03-04"),
        refused("treatments", "treatment_date_impossible"),
    ),
    Case("seen in the year 2090", _follow_up(seen_on="2090-03-20"), refused("follow_ups", "follow_up_date_impossible")),
    Case(
        "lost in the year 2090",
        {"follow_ups": [LOST | {"lost_on": "2090-05-20"}]},
        blanked("follow_ups", "lost_on", "follow_up_event_date_impossible"),
    ),
    Case(
        "completed before it was begun",
        _treatment(completed_on="2024-03-01"),
        refused("treatments", "treatment_completed_before_started"),
    ),
    Case("left before seated", _visit(left_at="2024-03-11 08:40"), refused("visits", "visit_minutes_out_of_range")),
    Case(
        "twenty hours in the chair", _visit(left_at="2024-03-12 05:00"), refused("visits", "visit_minutes_out_of_range")
    ),
    Case(
        "a canal finished before it was started",
        _mb(finished_at="2024-03-04 09:05"),
        blanked("canals", "finished_at", "canal_finished_before_started"),
    ),
    Case(
        "retired before it was received",
        _instrument(retired_on="2023-12-01"),
        blanked("instruments", "retired_on", "instrument_retired_before_received"),
    ),
    Case(
        "restored before treatment",
        _treatment(restored_on="2024-02-01"),
        warned("treatments", "treatment_dates_doubtful"),
    ),
    # -- one record: findings that exclude each other
    Case(
        "present, and lost a month ago",
        _follow_up(lost_on="2025-02-20"),
        refused("follow_ups", "follow_up_tooth_contradiction"),
    ),
    Case("a PAI without an image", _follow_up(image="none"), warned("follow_ups", "pai_doubtful")),
    Case("a gauge smaller than the last file", _mb(apical_gauge_size="20"), warned("canals", "canal_record_doubtful")),
    Case("a fragment without a separation", _incident(fragment_mm="3"), warned("incidents", "incident_doubtful")),
    Case("a hand file at 300 rpm", _first_use(motion="hand"), warned("instrument_uses", "use_motion_doubtful")),
    Case("a primary molar at 44 years", _treatment(tooth="75"), warned("treatments", "tooth_unlikely_at_age")),
    Case(
        "a premolar at 5 years",
        _treatment(tooth="34", birth_year="2019"),
        warned("treatments", "tooth_before_eruption"),
    ),
    Case(
        "a third molar at 10 years",
        _treatment(tooth="38", birth_year="2014"),
        warned("treatments", "tooth_before_eruption"),
    ),
    Case(
        "a normal pulp over a chronic abscess",
        _treatment(pulp_diagnosis="normal pulp", apical_diagnosis="chronic apical abscess", preop_pai="3"),
        warned("treatments", "pulp_contradicts_apex"),
    ),
    Case(
        "reversible pulpitis with PAI 5",
        _treatment(pulp_diagnosis="reversible pulpitis", apical_diagnosis=None, preop_pai="5"),
        warned("treatments", "pulp_contradicts_apex"),
    ),
    Case(
        "normal apical tissues with PAI 5",
        _treatment(apical_diagnosis="normal apical tissues", preop_pai="5"),
        warned("treatments", "diagnosis_doubtful"),
    ),
    Case(
        "first treatment of a filled root",
        _treatment(pulp_diagnosis="previously treated"),
        warned("treatments", "diagnosis_doubtful"),
    ),
    Case("a radius of a straight canal", _mb(curvature_deg="0"), warned("canals", "curve_radius_without_curve")),
    Case(
        "a curve longer than its canal",
        _mb(curvature_deg="90", curve_radius_mm="40"),
        warned("canals", "curve_longer_than_canal"),
    ),
    Case(
        "a torque of 9 at a limit of 2",
        _first_use(peak_torque_ncm="9"),
        warned("instrument_uses", "peak_torque_over_limit"),
    ),
    Case(
        "a fragment longer than a cutting part",
        _incident(kind="separation", fragment_mm="21"),
        warned("incidents", "fragment_longer_than_working_part"),
    ),
    Case("a lot that its label does not name", _instrument(lot="K12"), warned("instruments", "udi_lot_differs")),
    # -- records of one tooth
    Case(
        "MB2 in a lower incisor",
        {"treatments": [{"tooth": "31"}], "canals": [{"canal": "MB2"}]},
        flagged("canals", "canal_impossible_for_tooth"),
    ),
    Case(
        "a palatal canal in a lower molar",
        {"canals": [{"canal": "P"}]},
        flagged("canals", "canal_impossible_for_tooth"),
    ),
    Case("one only canal among four", {"canals": [{"canal": "S"}]}, flagged("canals", "single_canal_beside_others")),
    Case("a molar of 31 mm", _mb(working_length_mm="31"), flagged("canals", "working_length_beyond_tooth")),
    Case(
        "MB2 ten millimetres longer than MB",
        {
            "treatments": UPPER,
            "canals": [{"canal": "MB", "working_length_mm": "16"}, {"canal": "MB2", "working_length_mm": "26"}],
        },
        flagged("canals", "second_mesiobuccal_length_differs"),
    ),
    Case(
        "a length confirmed that nobody has",
        {"canals": [{"canal": "MM", "working_length_mm": None}]},
        flagged("canals", "length_confirmed_without_length"),
    ),
    Case(
        "four millimetres past the apex",
        _first_use(depth_mm="24"),
        flagged("instrument_uses", "use_beyond_working_length"),
    ),
    Case(
        "a file in a canal that was never entered",
        {"canals": [{"canal": "MB", "not_treated": "calcified", "final_size": None, "filling_extent_mm": None}]},
        flagged("instrument_uses", "use_in_untreated_canal"),
    ),
    Case("a canal that was never recorded", _first_use(canal="MM"), flagged("instrument_uses", "use_without_canal")),
    Case(
        "given up, and every canal filled",
        _treatment(status="abandoned", completed_on=None),
        flagged("treatments", "filled_though_abandoned"),
    ),
    Case(
        "more work than the visit has minutes",
        {"canals": [_canal(name, "20", "09:05", "10:00") for name in ("MB", "ML", "D")]},
        flagged("canals", "canal_times_exceed_visit"),
    ),
    Case(
        "a canal shaped at night",
        _mb(started_at="2024-03-05 02:00", finished_at="2024-03-05 02:20"),
        flagged("canals", "canal_times_outside_visits"),
    ),
    # -- records of one patient, over time
    Case(
        "treated after it was taken out",
        {"follow_ups": [LOST], "treatments": [SECOND]},
        flagged("treatments", "treatment_after_loss"),
    ),
    Case(
        "a visit for a tooth that is gone",
        {
            "follow_ups": [LOST],
            "visits": [{"visit_id": "V3", "seated_at": "2025-06-03 09:00", "left_at": "2025-06-03 09:40"}],
        },
        flagged("visits", "visit_after_loss"),
    ),
    Case(
        "lost, and there again",
        {"follow_ups": [LOST, {"follow_up_id": "F3", "seen_on": "2025-09-02"}]},
        flagged("follow_ups", "tooth_present_after_loss"),
    ),
    Case(
        "in two chairs at once",
        {
            "visits": [
                {
                    "visit_id": "V3",
                    "dentist": "D2",
                    "chair": "2",
                    "seated_at": "2024-03-04 09:10",
                    "left_at": "2024-03-04 10:30",
                }
            ]
        },
        flagged("visits", "patient_in_two_chairs"),
    ),
    Case(
        "PAI 1 and 5 on one day",
        {"follow_ups": [{"pai": "1"}, {"follow_up_id": "F2", "pai": "5"}]},
        flagged("follow_ups", "pai_undecided_on_a_day"),
    ),
    Case(
        "PAI 3 and 5 on one day",
        {"follow_ups": [{"pai": "3"}, {"follow_up_id": "F2", "pai": "5"}]},
        flagged("follow_ups", "pai_twice_on_a_day"),
    ),
    Case(
        "a large lesion healed in a month",
        {"follow_ups": [{"pai": "1"}, {"follow_up_id": "F2", "seen_on": "2025-02-20", "pai": "5"}]},
        flagged("follow_ups", "pai_healed_too_fast"),
    ),
    Case(
        "followed up before it was completed",
        _follow_up(seen_on="2024-03-08"),
        flagged("follow_ups", "follow_up_before_completion"),
    ),
    Case(
        "an incident before the treatment",
        _incident(occurred_at="2024-02-01 09:20"),
        flagged("incidents", "incident_outside_treatment"),
    ),
    # -- records of one instrument
    Case(
        "broken, and in use again elsewhere",
        {
            "treatments": [SECOND],
            "instruments": [{"retired_on": None, "retired_reason": None}],
            "instrument_uses": [
                {"use_id": "U3", "result": "separated"},
                {"use_id": "U4", "treatment_id": "T2", "started_at": "2025-07-01 09:15"},
            ],
        },
        flagged("instrument_uses", "use_after_separation"),
    ),
    Case(
        "in two mouths in one minute",
        {
            "treatments": [SECOND | {"patient_id": "P2", "tooth": "46", "started_on": "2024-03-04"}],
            "instrument_uses": [{"use_id": "U4", "treatment_id": "T2", "started_at": "2024-03-04 09:15:30"}],
        },
        flagged("instrument_uses", "use_in_two_patients_at_once"),
    ),
    Case("another size than on its label", _first_use(size="45"), flagged("instrument_uses", "use_unlike_register")),
    Case(
        "reciprocating, though made to rotate",
        _first_use(motion="reciprocation"),
        flagged("instrument_uses", "use_unlike_register"),
    ),
    Case(
        "used before it was bought",
        _instrument(received_on="2024-03-05"),
        flagged("instrument_uses", "use_unlike_register"),
    ),
    Case(
        "used after it was thrown away",
        _instrument(retired_on="2024-03-01"),
        flagged("instrument_uses", "use_after_retirement"),
    ),
    Case(
        "used after its last day", _instrument(expires_on="2024-01-31"), flagged("instrument_uses", "use_after_expiry")
    ),
    Case(
        "deeper than it is long", _instrument(length_mm="19"), flagged("instrument_uses", "use_deeper_than_instrument")
    ),
    Case(
        "thrown away as broken, and never broken",
        _instrument(retired_reason="separated"),
        flagged("instruments", "separation_of_instrument_missing"),
    ),
    Case(
        "broken in a tooth that it was never in",
        _incident(kind="separation", instrument_id="I9"),
        flagged("incidents", "incident_instrument_not_used"),
    ),
    # -- what no record can tell
    Case(
        "36 treated, 46 written everywhere",
        _treatment(tooth="46"),
        silent("every record of the treatment names the same tooth, and such a treatment is an ordinary one"),
    ),
    Case(
        "another patient's film read",
        _follow_up(pai="5"),
        silent("any grade from 1 to 5 can follow, and whose film was read stands in no record"),
    ),
    Case(
        "a dam that was never placed",
        _visit(rubber_dam="yes"),
        silent("yes is an ordinary entry, and nothing else in the records depends on the dam"),
    ),
]
