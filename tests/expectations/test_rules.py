"""Every rule on one record: values that it accepts and values that it refuses, judged by Great Expectations.

The examples are changes to a plain record of the kind. Boundary values name their source; where none is named, the
limit is the record layout's own or common practice without a source.
"""

from __future__ import annotations

from math import inf

from pipeline.records import KINDS
from pipeline.records.expectations import is_list, is_range

from .conftest import load_rules

PLAIN = {
    "treatments": {
        "treatment_id": "T1",
        "patient_id": "P1",
        "birth_year": 1980,
        "tooth": 36,
        "dentist": "D1",
        "kind": "primary",
        "pulp_diagnosis": "pulp necrosis",
        "apical_diagnosis": "chronic apical abscess",
        "preop_pai": 4,
        "lesion_mm": 3.5,
        "started_on": "2025-03-03",
        "completed_on": "2025-03-17",
        "status": "completed",
        "restoration": "direct",
        "restored_on": "2025-03-17",
    },
    "visits": {
        "visit_id": "V1",
        "treatment_id": "T1",
        "dentist": "D1",
        "chair": "2",
        "seated_at": "2025-03-03 09:00",
        "left_at": "2025-03-03 10:15",
        "booked_minutes": 60,
        "rubber_dam": True,
        "reason": "planned",
    },
    "canals": {
        "treatment_id": "T1",
        "canal": "MB",
        "sequence": "rotation-4",
        "curvature_deg": 20,
        "curve_radius_mm": 8,
        "first_binding_size": 15,
        "working_length_mm": 20.5,
        "glide_path_size": 15,
        "length_confirmed": "both",
        "final_size": 30,
        "final_taper": 0.04,
        "apical_gauge_size": 30,
        "patency": True,
        "started_at": "2025-03-03 09:10",
        "finished_at": "2025-03-03 09:35",
        "filling_extent_mm": -0.5,
        "filling_voids": False,
    },
    "instrument_uses": {
        "use_id": "U1",
        "treatment_id": "T1",
        "canal": "MB",
        "step": 1,
        "instrument_id": "I1",
        "lot": "L1",
        "size": 30,
        "taper": 0.06,
        "motion": "rotation",
        "started_at": "2025-03-03 09:12",
        "seconds": 40,
        "speed_rpm": 300,
        "torque_ncm": 2.5,
        "peak_torque_ncm": 1.9,
        "depth_mm": 18.5,
        "irrigant_ml": 2,
        "result": "intact",
    },
    "instruments": {
        "instrument_id": "I1",
        "lot": "110822",
        "udi": "(01)07300016350759(11)230811(10)110822(21)5643",
        "size": 30,
        "taper": 0.06,
        "length_mm": 25,
        "motion": "rotation",
        "price": 12.5,
        "received_on": "2025-01-10",
        "use_limit": 6,
        "sterilisations": 3,
        "retired_on": "2025-06-01",
        "retired_reason": "use limit",
    },
    "incidents": {
        "incident_id": "X1",
        "treatment_id": "T1",
        "canal": "MB",
        "instrument_id": "I1",
        "kind": "separation",
        "occurred_at": "2025-03-03 09:30",
        "canal_third": "apical",
        "fragment_mm": 2.5,
        "managed": "bypassed",
        "patient_informed": True,
        "note": "seen at once",
    },
    "follow_ups": {
        "follow_up_id": "F1",
        "treatment_id": "T1",
        "seen_on": "2026-03-20",
        "image": "periapical",
        "pai": 2,
        "pain": False,
        "tenderness": False,
        "swelling": False,
        "sinus_tract": False,
        "tooth_present": True,
        "restoration_intact": True,
    },
    "contacts": {
        "contact_id": "C1",
        "treatment_id": "T1",
        "contacted_at": "2025-03-04 12:00",
        "pain_score": 3,
        "analgesic": True,
        "swelling": False,
    },
}

LOST = {"tooth_present": False, "lost_on": "2026-02-01", "lost_reason": "fracture", "pai": None, "image": "none"}


def each(column, *values):
    return [{column: value} for value in values]


# rule: (accepted, refused), each a list of changes to the plain record. Today is 30 June 2026.
CASES = {
    # -- treatments
    "treatment_incomplete": (
        [
            {"birth_year": None, "completed_on": None, "restoration": None},
            {"dentist": None, "kind": None, "status": None},
        ],
        [
            *each("treatment_id", None, "", ""),
            *({c: None} for c in ("patient_id", "tooth", "started_on")),
        ],
    ),
    "treatment_partly_blank": (
        [{"birth_year": None, "preop_pai": None, "restoration": None}],
        [*({c: None} for c in ("dentist", "kind", "status")), {"dentist": ""}],
    ),
    # ISO 3950: first and last code of each quadrant; 10, 19, 20, 29, 49 and 56 are no teeth.
    "tooth_not_fdi": (
        each("tooth", 11, 18, 21, 28, 31, 38, 41, 48, 51, 55, 61, 65, 71, 75, 81, 85),
        each("tooth", 0, 3, 10, 19, 20, 29, 30, 40, 49, 50, 56, 66, 76, 86, 91, -11),
    ),
    "treatment_kind_unknown": (
        each(
            "kind",
            None,
            "primary",
            "retreatment",
            "regenerative",
            "apexification",
            "pulpotomy",
            "apical surgery",
            "other",
        ),
        each("kind", "surgery", "first time"),
    ),
    "treatment_status_unknown": (
        each("status", None, "in progress", "completed", "abandoned", "referred", "other"),
        each("status", "done", "open"),
    ),
    "pulp_diagnosis_unknown": (
        # Older terms: AAE glossary, an earlier edition; "irreversible pulpitis" alone does not say whether it hurt.
        each("pulp_diagnosis", None, "normal pulp", "pulp necrosis", "irreversible pulpitis", "gangrene", "other"),
        each("pulp_diagnosis", "necrotic", "pulp"),
    ),
    "apical_diagnosis_unknown": (
        each("apical_diagnosis", None, "condensing osteitis", "acute apical periodontitis", "phoenix abscess", "other"),
        each("apical_diagnosis", "granuloma?", "see note"),
    ),
    "restoration_unknown": (
        each(
            "restoration", None, "none", "temporary", "direct", "crown", "endocrown", "post and core", "bridge", "other"
        ),
        each("restoration", "filling", "veneer"),
    ),
    # Ørstavik 1986: the index has five grades; 0 and 6 do not exist.
    "preop_pai_not_1_to_5": (each("preop_pai", None, 1, 2, 3, 4, 5), each("preop_pai", 0, 6, -1, 45)),
    "lesion_out_of_range": (
        each("lesion_mm", None, 0, 0.5, 30, 100),
        each("lesion_mm", -0.1, 100.5, 305, float("inf")),
    ),
    "lesion_very_large": (each("lesion_mm", None, 0, 30), each("lesion_mm", 30.5, 35)),
    "treatment_completed_before_started": (
        [{"completed_on": None}, {"completed_on": "2025-03-03"}, {"completed_on": "2026-03-03"}],
        [{"completed_on": "2025-03-02"}, {"completed_on": "2024-03-17"}],
    ),
    "treatment_date_impossible": (
        each("started_on", "2025-03-03", "1950-01-01", "2026-06-30"),
        each("started_on", "1949-12-31", "1970-01-01", "2026-07-01", "0025-03-17"),
    ),
    "treatment_later_date_impossible": (
        [{}, {"completed_on": "2026-06-30"}, {"completed_on": None}, {"restored_on": None}],
        [{"completed_on": "1949-12-31"}, {"completed_on": "2026-07-01"}, {"restored_on": "0025-03-17"}],
    ),
    "treatment_before_1990": (each("started_on", "1990-01-01"), each("started_on", "1985-05-06")),
    "birth_year_impossible": (
        each("birth_year", None, 1905, 1980, 2025),
        each("birth_year", 1904, 2026, 80, 0),
    ),
    "treatment_dates_doubtful": (
        [
            {},
            {"status": "in progress", "completed_on": None},
            {"status": "abandoned"},
            {"restored_on": "2025-03-03"},
            {"restoration": "none", "restored_on": None},
            {"completed_on": None, "status": "referred"},
        ],
        [
            {"completed_on": None},
            {"status": "in progress"},
            {"completed_on": "2028-03-03"},
            {"restored_on": "2025-03-02"},
            {"restoration": "none"},
        ],
    ),
    "diagnosis_doubtful": (
        [
            {},
            {"preop_pai": None, "lesion_mm": None, "pulp_diagnosis": None, "apical_diagnosis": None},
            {"lesion_mm": 0, "preop_pai": 3},
            {"lesion_mm": 4.9, "preop_pai": 1},
            {"kind": "retreatment", "pulp_diagnosis": "previously treated"},
            {"apical_diagnosis": "normal apical tissues", "preop_pai": 2},
        ],
        [
            {"pulp_diagnosis": "previously treated"},
            {"kind": "retreatment", "pulp_diagnosis": "reversible pulpitis"},
            {"lesion_mm": 0, "preop_pai": 5},
            {"lesion_mm": 5, "preop_pai": 1},
            {"apical_diagnosis": "normal apical tissues", "preop_pai": 4},
        ],
    ),
    "tooth_unlikely_at_age": (
        [{}, {"birth_year": None}, {"tooth": 75, "birth_year": 2017}, {"tooth": 36, "birth_year": 2018}],
        [{"tooth": 75}, {"tooth": 36, "birth_year": 2021}, {"birth_year": 1901}],
    ),
    "treatment_text_damaged": (
        each("dentist", "D1", "Müller", "JOÃO", "Žák"),
        each("dentist", "MÃ¼ller", "M\ufffdller", "Å½Ã¡k"),
    ),
    "treatment_of_a_test": (
        [{}, {"dentist": "Testa"}, {"dentist": "Demokritou"}, {"treatment_id": "T-2024-117"}],
        [
            {"patient_id": "pt-test-0123"},
            {"treatment_id": "TEST-1"},
            {"treatment_id": "x dummy"},
            {"dentist": "Test 2"},
            {"dentist": "DEMO"},
        ],
    ),
    # -- visits
    "visit_incomplete": (
        [{"chair": None, "booked_minutes": None, "rubber_dam": None, "reason": None, "dentist": None}],
        [{c: None} for c in ("visit_id", "treatment_id", "seated_at", "left_at")],
    ),
    "visit_partly_blank": ([{"chair": None, "booked_minutes": None}], each("dentist", None, "")),
    "visit_minutes_out_of_range": (
        [{}, {"left_at": "2025-03-03 09:00:01"}, {"left_at": "2025-03-03 17:00"}],
        [
            {"left_at": "2025-03-03 09:00"},
            {"left_at": "2025-03-03 08:59"},
            {"left_at": "2025-03-03 17:00:01"},
            {"left_at": "2025-03-04 10:15"},
        ],
    ),
    "visit_date_impossible": (
        [{}, {"seated_at": "2026-06-30 08:00", "left_at": "2026-06-30 23:59"}],
        [{"seated_at": "1970-01-01 00:00"}, {"left_at": "2026-07-01 00:00"}, {"left_at": "infinity"}],
    ),
    "booked_minutes_out_of_range": (
        each("booked_minutes", None, 0, 30, 1440),
        each("booked_minutes", -5, 1441, float("inf")),
    ),
    "visit_reason_unknown": (
        each("reason", None, "planned", "pain or swelling", "other unplanned", "other"),
        each("reason", "emergency", "pain", "cancelled", "no show"),
    ),
    "visit_time_unusual": (
        [
            {},
            {"booked_minutes": 240},
            {"left_at": "2025-03-03 09:03"},
            {"left_at": "2025-03-03 13:00"},
            {"seated_at": "2025-03-03 05:00", "left_at": "2025-03-03 06:00"},
        ],
        [
            {"booked_minutes": 241},
            {"left_at": "2025-03-03 09:02:59"},
            {"left_at": "2025-03-03 13:01"},
            {"seated_at": "2025-03-03 00:00", "left_at": "2025-03-03 01:00"},
        ],
    ),
    "visit_text_damaged": (
        each("dentist", "Müller"),
        [{"dentist": "MÃ¼ller"}, {"chair": "Stuhl \ufffd"}],
    ),
    # -- canals
    "canal_incomplete": (
        [{"sequence": None, "working_length_mm": None, "final_size": None}],
        [{"treatment_id": None}, {"canal": None}, {"canal": ""}],
    ),
    "canal_name_unusual": (
        each("canal", "B", "L", "P", "D", "M", "MB", "MB2", "DB", "ML", "DL", "MM", "S")
        # Third mesiobuccal, second distobuccal and palatal, middle distal, both radices, C-shaped: Martins 2022, von
        # Zuben 2017, Cleghorn 2006.
        + each("canal", "MB3", "DB2", "P2", "MD", "RE", "RP", "C"),
        each("canal", "MB1", "DP", "mesial", "M3"),
    ),
    "curvature_out_of_range": (each("curvature_deg", None, 0, 120), each("curvature_deg", -1, 120.5, 360)),
    "curve_radius_out_of_range": (
        # 6 degrees over 8 mm of canal: 8 / (6 pi / 180) = 76.4 mm.
        each("curve_radius_mm", None, 0.5, 76.4, 2300),
        each("curve_radius_mm", 0, 0.4, 2300.1),
    ),
    "curve_longer_than_canal": (
        # 20.5 mm at 20 degrees allow 58.7 mm, and a tenth more; without an angle nothing is told.
        [
            *each("curve_radius_mm", None, 58, 64),
            {"curve_radius_mm": 76.4, "curvature_deg": 6},
            {"curve_radius_mm": 500, "curvature_deg": None},
            {"curve_radius_mm": 90, "curvature_deg": 20, "working_length_mm": None},
        ],
        [
            {"curve_radius_mm": 65},
            {"curve_radius_mm": 20, "curvature_deg": 90},
            {"curve_radius_mm": 200, "curvature_deg": 20, "working_length_mm": None},
        ],
    ),
    "canal_size_out_of_range": (
        [
            {"final_size": 6},
            {"final_size": 200},
            {"glide_path_size": None, "first_binding_size": None},
            {"final_size": 33},
        ],
        [{"first_binding_size": 5}, {"glide_path_size": 0}, {"final_size": 201}, {"apical_gauge_size": 300}],
    ),
    # Published upper canines span 20.0 to 38.4 mm; 205 has lost its decimal point (common practice).
    "working_length_out_of_range": (
        each("working_length_mm", None, 3, 8, 20.5, 36, 38.4, 45),
        each("working_length_mm", 2.05, 45.1, 205, 0, -20),
    ),
    # A working length of 36 mm in an upper canine is possible, so it warns only.
    "working_length_unusual": (
        each("working_length_mm", None, 8, 20.5, 35),
        each("working_length_mm", 7.9, 35.5, 38),
    ),
    "length_confirmation_unknown": (
        each("length_confirmed", None, "none", "apex locator", "radiograph", "both", "other"),
        each("length_confirmed", "yes", "x-ray"),
    ),
    # ISO 3630 series: mm per mm. 6, 0.6 (for .06) and 25 are faults of unit.
    "final_taper_out_of_range": (each("final_taper", None, 0, 0.02, 0.2), each("final_taper", 0.21, 0.6, 4, 6, -0.02)),
    "canal_finished_before_started": (
        # A time that cannot be is one cell; it contradicts nothing.
        [
            *({}, {"finished_at": "2025-03-03 09:10"}, {"finished_at": None}, {"started_at": None}),
            *({"started_at": "2031-03-03 09:10"}, {"finished_at": "1925-03-03 09:35"}),
        ],
        [{"finished_at": "2025-03-03 09:09:59"}, {"finished_at": "2025-03-02 09:35"}],
    ),
    "canal_minutes_unusual": (
        [{}, {"finished_at": "2025-03-03 09:10:01"}, {"finished_at": "2025-03-03 13:10"}, {"finished_at": None}],
        [
            {"finished_at": "2025-03-03 09:10"},
            {"finished_at": "2025-03-03 13:10:01"},
            {"finished_at": "2025-03-17 10:00"},
        ],
    ),
    "canal_date_impossible": (
        [{}, {"started_at": None, "finished_at": "2026-06-30 10:00"}],
        [{"started_at": "1949-12-31 23:59"}, {"finished_at": "2026-07-01 00:00"}],
    ),
    "canal_record_doubtful": (
        [
            {},
            {"apical_gauge_size": 35},
            {"final_size": None, "apical_gauge_size": None},
            {"final_size": 140, "apical_gauge_size": 140},
            {"not_treated": "calcified", "final_size": None, "filling_extent_mm": None},
            {"not_treated": " "},
        ],
        [
            {"apical_gauge_size": 25},
            {"first_binding_size": 35},
            {"glide_path_size": 35},
            {"apical_gauge_size": 160},
            {"not_treated": "calcified"},
        ],
    ),
    "filling_extent_unusual": (each("filling_extent_mm", None, -5, 0, 5), each("filling_extent_mm", -5.1, 5.5, 20)),
    # -- instrument uses
    "use_incomplete": (
        [
            {"instrument_id": None, "lot": None, "seconds": None, "speed_rpm": None, "started_at": None},
            {"size": None, "taper": None, "motion": None, "result": None},
        ],
        [{c: None} for c in ("use_id", "treatment_id", "canal", "step")],
    ),
    "use_step_impossible": (each("step", 1, 40), each("step", 0, -1)),
    # An instrument of variable taper has no single one, and not every practice inspects.
    "use_partly_blank": ([{"taper": None}, {"result": None}], [{c: None} for c in ("size", "motion")]),
    "use_number_impossible": (
        [{}, {"speed_rpm": 0, "torque_ncm": 0, "peak_torque_ncm": None, "irrigant_ml": 0}],
        [
            {"speed_rpm": -300},
            {"torque_ncm": float("nan")},
            {"peak_torque_ncm": -0.1},
            {"irrigant_ml": float("inf")},
        ],
    ),
    "use_size_out_of_range": (each("size", 6, 25, 33, 140, 200), each("size", 0, 5, 201, 250)),
    # ISO 3630-1 (series from memory): 21 hand sizes; engine-driven tips often lie off the series.
    "use_size_off_series": (
        [
            *({"motion": "hand", "size": size} for size in (6, 8, 10, 15, 55, 60, 70, 140)),
            {"motion": "rotation", "size": 13},
            {"motion": "reciprocation", "size": 27},
            {"motion": "rotation", "size": 150},
        ],
        [{"motion": "hand", "size": 21}, {"motion": "hand", "size": 65}, {"motion": "rotation", "size": 190}],
    ),
    "use_taper_out_of_range": (each("taper", 0, 0.02, 0.065, 0.2), each("taper", 0.25, 4, 6, -0.04)),
    "use_motion_unknown": (
        each("motion", None, "hand", "rotation", "reciprocation", "mixed", "ultrasonic", "other"),
        each("motion", "rotary", "engine"),
    ),
    "use_result_unknown": (
        each("result", None, "intact", "deformed", "separated", "discarded", "not inspected", "other"),
        each("result", "ok", "broken"),
    ),
    "use_seconds_out_of_range": (each("seconds", None, 0, 12.5, 1800), each("seconds", -1, 1800.5, 40000)),
    "use_depth_out_of_range": (each("depth_mm", None, 0, 20.5, 47), each("depth_mm", -1, 47.5, 205)),
    "use_date_impossible": (
        [{}, {"started_at": None}, {"started_at": "2026-06-30 23:00"}],
        [{"started_at": "2026-07-01 08:00"}, {"started_at": "1925-03-03 09:12"}],
    ),
    "use_setting_unusual": (
        [
            {},
            {"speed_rpm": 50, "torque_ncm": 0.1},
            {"speed_rpm": 1000, "torque_ncm": 5},
            {"speed_rpm": None, "torque_ncm": None},
            {"motion": "hand", "speed_rpm": 0, "torque_ncm": 0},
        ],
        [{"speed_rpm": 5}, {"speed_rpm": 1001}, {"torque_ncm": 250}, {"torque_ncm": 0.02, "motion": "reciprocation"}],
    ),
    "use_amount_unusual": (
        [{}, {"seconds": 600, "irrigant_ml": 50}, {"seconds": None}, {"motion": "hand", "seconds": 0}],
        [{"seconds": 0}, {"seconds": 601}, {"seconds": 900, "motion": "hand"}, {"irrigant_ml": 50.5}],
    ),
    "use_motion_doubtful": (
        [
            {},
            {"motion": "hand", "speed_rpm": None, "torque_ncm": None},
            {"motion": "hand", "speed_rpm": 0, "torque_ncm": 0},
        ],
        [{"motion": "hand", "torque_ncm": None}, {"motion": "hand", "speed_rpm": None}],
    ),
    # -- instruments
    "instrument_incomplete": (
        [
            {"lot": None, "udi": None, "price": None, "received_on": None, "use_limit": None},
            {"size": None, "taper": None, "motion": None},
        ],
        [{"instrument_id": None}],
    ),
    "instrument_partly_blank": ([{"taper": None}], [{c: None} for c in ("size", "motion")]),
    "instrument_number_impossible": (
        [{}, {"price": 0, "sterilisations": 0, "use_limit": 1}, {"price": None, "length_mm": None}, {"price": 48000}],
        [
            {"price": -0.01},
            {"price": float("nan")},
            {"sterilisations": -1},
            {"use_limit": 0},
            {"length_mm": 0},
            {"length_mm": 250},
        ],
    ),
    "instrument_size_out_of_range": (each("size", 6, 140, 160), each("size", 5, 201, 0)),
    "instrument_size_off_series": (
        [{"motion": "hand", "size": 45}, {"motion": "rotation", "size": 22}],
        [{"motion": "hand", "size": 31}, {"motion": "reciprocation", "size": 185}],
    ),
    "instrument_taper_out_of_range": (each("taper", 0, 0.08, 0.2), each("taper", 0.201, 8)),
    "instrument_motion_unknown": (each("motion", "hand", "mixed", "ultrasonic", "other"), each("motion", "manual")),
    "retirement_reason_unknown": (
        each(
            "retired_reason",
            None,
            "use limit",
            "deformed",
            "separated",
            "expired",
            "recalled",
            "opened unused",
            "other",
        ),
        each("retired_reason", "worn", "broken"),
    ),
    "instrument_retired_before_received": (
        [
            *({}, {"received_on": None}, {"retired_on": None}, {"retired_on": "2025-01-10"}),
            *({"received_on": "2031-01-10"}, {"retired_on": "1925-01-10"}),
        ],
        [{"retired_on": "2025-01-09"}],
    ),
    "instrument_date_impossible": (
        [{}, {"received_on": None, "retired_on": None}, {"retired_on": "2026-06-30"}, {"expires_on": "2031-01-01"}],
        [
            {"received_on": "1900-01-01"},
            {"retired_on": "2027-01-01"},
            {"expires_on": "1927-01-01"},
            {"expires_on": "2127-01-01"},
        ],
    ),
    # ISO 3630 series: 21, 25 and 31 mm, 28 mm is sold too.
    "instrument_length_unusual": (each("length_mm", None, 15, 21, 25, 28, 31, 35), each("length_mm", 14, 36, 60)),
    "retirement_doubtful": (
        [{}, {"retired_on": None, "retired_reason": None}, {"retired_on": None, "retired_reason": ""}],
        [{"retired_on": None}, {"retired_reason": None}],
    ),
    # GS1 General Specifications; 6291041500213 and 07300016350759 are from GS1's own pages (Hong Kong, Sweden).
    # A swap of neighbours that differ by 5 cannot be seen: 6291041050213 passes though it is wrong (computed).
    "udi_unreadable": (
        each(
            "udi",
            None,
            "07300016350759",
            "6291041500213",
            "6291041050213",
            "96385074",
            "(01)07300016350759(21)5643E12",
            "(17)270200(01)07300016350759",
            "]d20107300016350759172702001012",
            "(10)L1(17)270200",
            "+A123BJC5D6E71",
            "=/A9999XYZ100T0944",
        ),
        each(
            "udi",
            "7.30002E+12",
            "7,3E+12",
            "7E12",
            "7300016350759.0",
            "6291041500231",
            "730001635075",
            "73000163507",
            "(01)7300016350759(10)L1",
            "(01)07300016350758(10)L1",
            "(01)073000163507590(10)L1",
            "]d20107300016350758172702001012",
            "LOT-5566",
            "A7E3",
        ),
    ),
    # GS1 General Specifications: elements 10 and 21 end with FNC1 (character 29) unless they are the last.
    "udi_separator_lost": (
        [
            {"udi": None},
            {"udi": "01095212345432131010AB12\x1d17260228", "lot": "AB12"},
            {"udi": "010952123454321310AB12", "lot": "AB12"},
            {"udi": "(01)09521234543213(10)AB1217260228", "lot": "AB1217260228"},  # brackets tell
            {"udi": "010952123454321317260228", "lot": "AB1217260228"},  # the lot is not from there
            {"udi": "010952123454321310AB1217261328", "lot": "AB1217261328"},  # no month 13
            {"udi": "010952123454321310AB12", "lot": None},
        ],
        [
            {"udi": "010952123454321310AB1217260228", "lot": "AB1217260228"},
            {"udi": "]d2010952123454321310AB1217260200", "lot": "AB1217260200"},
            {"udi": "010952123454321321S000117260228", "instrument_id": "S000117260228", "lot": None},
        ],
    ),
    "instrument_text_damaged": (
        each("description", None, "shaping file 25 / 0.06", "Feile für Wurzelkanäle", "Å", "5 µm"),
        each("description", "Feile fÃ¼r", "lime \ufffd", "lâ€˜instrument", "Â°C"),
    ),
    # -- incidents
    "incident_incomplete": (
        [{"canal": None, "instrument_id": None, "managed": None, "note": None, "kind": None}],
        [{c: None} for c in ("incident_id", "treatment_id", "occurred_at")],
    ),
    "incident_partly_blank": ([{"managed": None}], each("kind", None, "")),
    "incident_kind_unknown": (
        each(
            "kind",
            None,
            "separation",
            "filling extrusion",
            "root fracture",
            "nerve injury",
            "swallowed or inhaled item",
        ),
        each("kind", "broken file", "overinstrumentation"),
    ),
    "canal_third_unknown": (
        each("canal_third", None, "coronal", "apical", "furcation", "other"),
        each("canal_third", "upper"),
    ),
    "incident_management_unknown": (
        each("managed", None, "retrieved", "left in place", "repaired", "observed", "surgery", "none", "other"),
        each("managed", "removed"),
    ),
    "fragment_out_of_range": (each("fragment_mm", None, 0, 2.5, 40), each("fragment_mm", -1, 40.5)),
    "incident_date_impossible": (
        [{}, {"occurred_at": "2026-06-30 18:00"}],
        [{"occurred_at": "2052-03-03 09:30"}, {"occurred_at": "1925-03-03 09:30"}],
    ),
    "incident_doubtful": (
        [
            {},
            {"kind": "other", "managed": "retrieved"},
            {"kind": "perforation", "canal": None, "fragment_mm": None},
            {"kind": "ledge", "fragment_mm": 0},
        ],
        [{"kind": "ledge"}, {"kind": "blockage", "fragment_mm": None, "managed": "retrieved"}, {"canal": None}],
    ),
    "incident_text_damaged": (each("note", None, "gelöst"), each("note", "gelÃ¶st")),
    # -- follow-ups
    "follow_up_incomplete": (
        [{"image": None, "pai": None, "pain": None, "restoration_intact": None}],
        [{c: None} for c in ("follow_up_id", "treatment_id", "seen_on", "tooth_present")],
    ),
    "image_unknown": (each("image", None, "none", "periapical", "panoramic", "cbct", "other"), each("image", "film")),
    "loss_reason_unknown": (
        each(
            "lost_reason", None, "endodontic", "fracture", "periodontal", "caries", "prosthetic", "exfoliated", "other"
        ),
        each("lost_reason", "unknown", "crack"),
    ),
    # Ørstavik 1986: five grades.
    "pai_not_1_to_5": (each("pai", None, 1, 5), each("pai", 0, 6)),
    "follow_up_date_impossible": (
        each("seen_on", "2026-03-20", "2026-06-30"),
        each("seen_on", "2026-07-01", "1918-01-01"),
    ),
    "follow_up_event_date_impossible": (
        [{}, {"surgery_on": None}, {"lost_on": "2026-06-30"}],
        [{"lost_on": "1918-01-01"}, {"surgery_on": "2026-12-01"}],
    ),
    "follow_up_tooth_contradiction": (
        [{}, LOST, {**LOST, "lost_on": None}, {"lost_on": "2026-04-01"}],
        [
            {"lost_on": "2026-02-01"},
            {"lost_on": "2026-03-20"},
            {"lost_reason": "fracture"},
            {**LOST, "lost_on": "2026-03-21"},
        ],
    ),
    "follow_up_loss_incomplete": ([{}, LOST], [{**LOST, "lost_on": None}, {**LOST, "lost_reason": None}]),
    "pai_doubtful": (
        [{}, {"image": "cbct"}, {"pai": None, "image": "none"}, LOST],
        [{"image": "none"}, {"image": None}, {**LOST, "pai": 5, "image": "periapical"}],
    ),
    "follow_up_event_after_examination": (
        [{}, LOST, {"surgery_on": "2026-03-20"}, {"surgery_on": "2025-10-01"}],
        [{"lost_on": "2026-04-01"}, {"surgery_on": "2026-03-21"}],
    ),
    # -- contacts
    "contact_incomplete": (
        [{"pain_score": None, "analgesic": None, "swelling": None}],
        [{c: None} for c in ("contact_id", "treatment_id", "contacted_at")],
    ),
    "pain_score_not_0_to_10": (each("pain_score", None, 0, 4.5, 10), each("pain_score", -1, 10.5, 45)),
    "contact_date_impossible": (
        [{}, {"contacted_at": "2026-06-30 23:59"}],
        [{"contacted_at": "2026-07-01 00:00"}, {"contacted_at": "1970-01-01 00:00"}],
    ),
    # -- contradictions inside one record
    # Earliest eruption by tooth (Hong Kong health department 2012; Lunt and Law 1974) less two years, treated in 2025:
    # who was born in 2017 may be 8 then, who was born in 2018 may not.
    "tooth_before_eruption": (
        [
            {"birth_year": None},
            {"tooth": 37, "birth_year": 2017},
            {"tooth": 13, "birth_year": 2019},
            {"tooth": 48, "birth_year": 2010},
            {"tooth": 11, "birth_year": 2020},
            {"tooth": 75, "birth_year": 2024},
            {"tooth": 74, "birth_year": 2025},
        ],
        [
            {"tooth": 37, "birth_year": 2018},
            {"tooth": 13, "birth_year": 2020},
            {"tooth": 34, "birth_year": 2020},
            {"tooth": 25, "birth_year": 2020},
            {"tooth": 48, "birth_year": 2011},
            {"tooth": 75, "birth_year": 2025},
        ],
    ),
    # AAE terms: asymptomatic periodontitis and abscesses are of pulpal origin; a high filling hurts a vital tooth.
    "pulp_contradicts_apex": (
        [
            {},
            {"pulp_diagnosis": None, "apical_diagnosis": None},
            {
                "pulp_diagnosis": "normal pulp",
                "apical_diagnosis": "symptomatic apical periodontitis",
                "preop_pai": 2,
                "lesion_mm": 0,
            },
            {"pulp_diagnosis": "reversible pulpitis", "apical_diagnosis": "condensing osteitis", "preop_pai": 3},
            {"pulp_diagnosis": "symptomatic irreversible pulpitis", "apical_diagnosis": "chronic apical abscess"},
            {"pulp_diagnosis": "pulp necrosis", "apical_diagnosis": "normal apical tissues", "lesion_mm": 1},
            {"apical_diagnosis": "asymptomatic apical periodontitis", "preop_pai": 1, "lesion_mm": None},  # by CBCT
        ],
        [
            {"pulp_diagnosis": "normal pulp"},
            {"pulp_diagnosis": "reversible pulpitis", "apical_diagnosis": "asymptomatic apical periodontitis"},
            {"pulp_diagnosis": "reversible pulpitis", "apical_diagnosis": None},  # with PAI 4
            {"pulp_diagnosis": "hyperaemia", "apical_diagnosis": "phoenix abscess", "preop_pai": 2},
            {"pulp_diagnosis": "hyperaemia", "apical_diagnosis": "periapical granuloma", "preop_pai": None},
            {"apical_diagnosis": "normal apical tissues", "preop_pai": 2, "lesion_mm": 5},
            {"apical_diagnosis": "asymptomatic apical periodontitis", "preop_pai": 1, "lesion_mm": 0},
        ],
    ),
    "curve_radius_without_curve": (
        [{}, {"curve_radius_mm": None, "curvature_deg": 0}, {"curvature_deg": None}, {"curvature_deg": 1}],
        [{"curvature_deg": 0}],
    ),
    "peak_torque_over_limit": (
        [
            {},
            {"peak_torque_ncm": 3.7},
            {"peak_torque_ncm": None},
            {"torque_ncm": 0.5, "peak_torque_ncm": 1},  # twice, but within the error of a motor
            {"torque_ncm": 0, "peak_torque_ncm": 9},  # no limit was set
            {"torque_ncm": None, "peak_torque_ncm": 9},
        ],
        [{"peak_torque_ncm": 4}, {"peak_torque_ncm": 190}, {"torque_ncm": 0.5, "peak_torque_ncm": 1.1}],
    ),
    # ISO 3630-1: working part of 16 mm.
    "fragment_longer_than_working_part": (each("fragment_mm", None, 0.5, 16), each("fragment_mm", 16.5, 25)),
    # GS1 General Specifications: 10 is the lot, in brackets or behind GTIN, dates and a serial that FNC1 ends.
    "udi_lot_differs": (
        [
            {},
            {"lot": None},
            {"udi": None, "lot": "L1"},
            {"lot": "Lot 110822"},
            {"udi": "(01)07300016350759(10)ab-12", "lot": "AB12"},
            {"udi": "07300016350759", "lot": "L1"},  # no lot in it
            {"udi": "010952123454321310AB1217260228", "lot": "AB12"},  # separator lost
            {"udi": "]d201095212345432131726022810AB12", "lot": "AB12"},
            {"udi": "+A123BJC5D6E71", "lot": "L1"},
        ],
        [
            {"lot": "L1"},
            {"udi": "]d201095212345432131726022810AB12", "lot": "AB13"},
            {"udi": "010952123454321321S1\x1d10AB12", "lot": "XY"},
            {"udi": "010952123454321310AB12\x1d17260228", "lot": "17260228"},
        ],
    ),
}


def following(rule):
    """Examples of a rule that follows from a column's list, range or days (pipeline/records/); None of any other."""
    columns = [c for c in KINDS[rule.kind].columns if c.name in rule.meta["columns"]]
    ranges = {c.name: c.usual_range if rule.meta["action"] == "warn" else c.range for c in columns}
    if is_list(rule.expectation):
        values = rule.expectation["kwargs"]["value_set"]
        none = ("no such word", "") if isinstance(values[0], str) else (max(values) + 1,)
        return each(rule.column, *values), each(rule.column, *none)
    if rule.meta["rule"].endswith("_date_impossible"):
        return [dict.fromkeys(ranges, "2025-03-03 09:00")], [{name: "0025-03-17"} for name in ranges]
    if is_range(rule.expectation) or (
        all(ranges.values()) and {r.rule for r in ranges.values()} == {rule.meta["rule"]}
    ):
        ends = [
            (name, end, way) for name, r in ranges.items() for end, way in ((r.low, -1), (r.high, 1)) if abs(end) < inf
        ]
        return [{name: end} for name, end, _ in ends], [{name: end + way} for name, end, way in ends]
    return None


# Such a rule needs no examples of its own.
CASES |= {
    name: examples
    for name, rule in load_rules().items()
    if name not in CASES and rule.suite != "across" and (examples := following(rule))
}


def test_examples_that_follow_hold_for_the_rules_there_are(rules, judge):
    found = {name: following(rule) for name, rule in rules.items() if rule.suite != "across"}
    assert sum(examples is not None for examples in found.values()) >= 50
    for name, (accepted, refused) in ((name, examples) for name, examples in found.items() if examples):
        plain, kind = PLAIN[rules[name].kind], rules[name].kind
        for changes, expected in ((accepted, True), (refused, False)):
            verdicts = judge(rules[name], {kind: [plain | change for change in changes]})
            assert verdicts == [expected] * len(changes), name


def test_every_rule_on_one_record_has_examples(rules):
    assert set(CASES) == {name for name, rule in rules.items() if rule.suite != "across"}


def bare(kind):
    """A record with nothing but what it must hold."""
    fitting = {"treatments": {"status": "in progress"}, "incidents": {"kind": "other"}}
    return {name: PLAIN[kind][name] for name in KINDS[kind].usual} | fitting.get(kind, {})


def test_accepts_and_refuses(record_rule, judge):
    accepted, refused = CASES[record_rule.meta["rule"]]
    plain = PLAIN[record_rule.kind]
    assert accepted, "a rule that nothing passes refuses valid records"
    assert refused, "a rule that nothing fails is dead"
    good = [plain, bare(record_rule.kind), *(plain | change for change in accepted)]
    bad = [plain | change for change in refused]
    verdicts = judge(record_rule, {record_rule.kind: good + bad})
    assert [row for row, verdict in zip(good + bad, verdicts, strict=True) if verdict != (row in good)] == []


def test_the_refused_value_is_told_in_words(rules, judged_values):
    told = judged_values(rules["visit_incomplete"], {"visits": [PLAIN["visits"] | {"visit_id": None, "left_at": None}]})
    assert told == ["visit_id, left_at"]
