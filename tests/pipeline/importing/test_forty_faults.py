"""The forty faults of practice data: each planted in a small export, and answered by a rule or a refusal.

Beside every faulty export stands its sound twin, which is imported in full and hears nothing of that rule. Numbers and
words of the faults are those of the project's own list of what practice data suffer from.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.importing.ingest import ingest
from pipeline.importing.quarantine import by_reason
from pipeline.measures.run import Workspace
from pipeline.settings import Reporting, Settings
from pipeline.store.database import open_store

Row = dict[str, str | None]
Sound = Callable[..., Row]
Files = dict[str, Any]  # name of a file -> its rows, or its text, or its bytes; imported in this order


@dataclass(frozen=True)
class Answer:
    """A faulty export and what answers it: rules, or the words of a refusal. `right` is its sound twin."""

    wrong: Files
    rules: tuple[str, ...] = ()
    refusal: str = ""
    right: Files = field(default_factory=dict)
    mapping: str = ""  # of both
    mend: str = ""  # the mapping of the sound twin, where it is the mapping that was at fault


Fault = Callable[[Sound], list[Answer]]
FAULTS: dict[int, tuple[str, Fault]] = {}


def fault(number: int, words: str) -> Callable[[Fault], Fault]:
    def keep(made: Fault) -> Fault:
        FAULTS[number] = (words, made)
        return made

    return keep


def identity(kind: str, row: Row, head: str = "", **columns: str) -> str:
    """A mapping of our own headers; `head` is its [file], `columns` say more of some of them, as TOML."""
    lines = [f"{name} = {columns.get(name, chr(34) + name + chr(34))}" for name in row]
    return f"[file]\n{head}\n[{kind}.columns]\n" + "\n".join(lines) + "\n"


def many(sound: Sound, kind: str, key: str, values: list[Row]) -> list[Row]:
    """Sound rows of a kind with keys of their own, one for each of `values`."""
    return [sound(kind, **{key: f"{key[0].upper()}{n}"}, **row) for n, row in enumerate(values)]


@fault(1, "day/month order: any field > 12 fixes it; else declare; future dates")
def day_and_month(sound: Sound) -> list[Answer]:
    def dated(*days: str) -> Files:
        return {
            "t.csv": many(sound, "treatments", "treatment_id", [{"started_on": d, "completed_on": None} for d in days])
        }

    undeclared = identity("treatments", sound("treatments"))
    declared = identity("treatments", sound("treatments"), 'date = "%d/%m/%Y"')
    return [
        Answer(
            dated("03/04/2024", "05/06/2024"),
            refusal="does not say how it is written; most of it reads as %d/%m/%Y and as %m/%d/%Y",
            right=dated("03/04/2024", "05/06/2024"),
            mapping=undeclared,
            mend=declared,
        ),
        Answer(dated("13/04/2024"), ("value_does_not_parse",), right=dated("2024-04-13")),
        Answer(
            dated("03/04/2024", "04/13/2024"),
            ("value_does_not_parse",),
            right=dated("03/04/2024", "13/04/2024"),
            mapping=declared,
        ),
        Answer(dated("2099-04-03"), ("treatment_date_impossible",), right=dated("2024-04-03")),
    ]


@fault(2, "two-digit years: pivot, plausible range")
def two_digit_years(sound: Sound) -> list[Answer]:
    def dated(*days: str) -> Files:
        return {
            "t.csv": many(sound, "treatments", "treatment_id", [{"started_on": d, "completed_on": None} for d in days])
        }

    declared = identity("treatments", sound("treatments"), 'date = "%d.%m.%y"')
    return [
        Answer(dated("24-04-03"), ("value_does_not_parse",), right=dated("2024-04-03")),
        Answer(dated("0024-04-03"), ("value_does_not_parse",), right=dated("2024-04-03")),
        # What is meant by 68 lies in the future by the usual pivot.
        Answer(dated("03.04.68"), ("treatment_date_impossible",), right=dated("03.04.24"), mapping=declared),
    ]


@fault(3, "decimal comma: locale pattern; 20,5")
def decimal_comma(sound: Sound) -> list[Answer]:
    row = sound("canals", working_length_mm="20,5")
    return [
        Answer(
            {"c.csv": [row]},
            ("value_does_not_parse",),
            right={"c.csv": [row]},
            mend=identity("canals", row, 'decimal = ","'),
        )
    ]


@fault(4, "lost decimal: working length 100-400")
def lost_decimal(sound: Sound) -> list[Answer]:
    return [
        Answer(
            {"c.csv": [sound("canals", working_length_mm="205")]},
            ("working_length_out_of_range",),
            right={"c.csv": [sound("canals", working_length_mm="20.5")]},
        )
    ]


@fault(5, "inches or 0.1 mm: outlying whole column")
def units_of_lengths(sound: Sound) -> list[Answer]:
    def lengths(text: str) -> Files:
        return {"c.csv": many(sound, "canals", "treatment_id", [{"working_length_mm": text}] * 25)}

    def depths(text: str) -> Files:
        uses = [{"depth_mm": text, "step": str(n + 1), "started_at": None} for n in range(25)]
        return {"u.csv": many(sound, "instrument_uses", "use_id", uses)}

    row = sound("canals")
    out = ("working_length_out_of_range",)
    return [
        Answer(
            lengths(written),
            out,
            right=lengths(written),
            mend=identity("canals", row, working_length_mm=f'{{ from = "working_length_mm", unit = "{unit}" }}'),
        )
        for written, unit in (("205", "0.1 mm"), ("0.81", "inch"), ("2.05", "cm"))
    ] + [Answer(depths("0.8"), ("use_unit_doubtful",), right=depths("20.5"))]


@fault(6, "mixed notation: exclusive-number test per source")
def mixed_notation(sound: Sound) -> list[Answer]:
    def teeth(*numbers: int) -> Files:
        return {"t.csv": many(sound, "treatments", "treatment_id", [{"tooth": str(n)} for n in numbers])}

    mapping = identity("treatments", sound("treatments"))
    return [
        Answer(teeth(16, 26, 11), refusal="notation", right=teeth(16, 26, 36), mapping=mapping),
        Answer(teeth(16, 30, 36), refusal="notation", right=teeth(16, 30), mapping=mapping),
        Answer(teeth(16, 30), ("tooth_not_fdi",), right=teeth(16, 46)),
    ]


@fault(7, "Palmer brackets mangled: unmapped glyphs")
def mangled_brackets(sound: Sound) -> list[Answer]:
    def tooth(text: str) -> Files:
        return {"t.csv": [sound("treatments", tooth=text)]}

    mapping = identity("treatments", sound("treatments"), tooth='{ from = "tooth", notation = "palmer" }')
    return [
        Answer(tooth(text), ("value_does_not_parse",), right=tooth("6┘"), mapping=mapping) for text in ("6?", "6Ù", "6")
    ]


@fault(8, "left/right swapped: same visit, the other side")
def sides_swapped(sound: Sound) -> list[Answer]:
    def teeth(*numbers: str) -> Files:
        return {"t.csv": many(sound, "treatments", "treatment_id", [{"tooth": n} for n in numbers])}

    return [Answer(teeth("16", "26"), ("tooth_side_doubtful",), right=teeth("16", "36"))]


@fault(9, "primary code with adult age, or reverse: age rule")
def ages(sound: Sound) -> list[Answer]:
    def aged(tooth: str, born: str) -> Files:
        return {"t.csv": [sound("treatments", tooth=tooth, birth_year=born)]}

    rule = ("tooth_unlikely_at_age",)
    return [
        Answer(aged("75", "1980"), rule, right=aged("75", "2016")),
        Answer(aged("36", "2021"), rule, right=aged("36", "2012")),
    ]


@fault(10, "impossible canal for tooth: allowed set")
def impossible_canals(sound: Sound) -> list[Answer]:
    def canal(tooth: str, name: str) -> Files:
        return {"t.csv": [sound("treatments", tooth=tooth)], "c.csv": [sound("canals", canal=name)]}

    rule = ("canal_impossible_for_tooth",)
    return [
        Answer(canal("36", "P"), rule, right=canal("26", "P")),
        Answer(canal("11", "MB"), rule, right=canal("11", "S")),
    ]


@fault(11, "synonyms (MB/MB1, P/L, mesial): alias table, list unknowns")
def synonyms(sound: Sound) -> list[Answer]:
    row = sound("canals", canal="MB1")
    mend = identity("canals", row, canal='{ from = "canal", synonyms = true }')
    return [
        Answer({"c.csv": [sound("canals", canal=name)]}, ("canal_name_unusual",), right={"c.csv": [row]}, mend=mend)
        for name in ("MB1", "mesiobuccal", "number 3")
    ]


@fault(13, "near duplicates: same patient, tooth, date; differing keys")
def near_duplicates(sound: Sound) -> list[Answer]:
    def twice(**second: str) -> Files:
        return {"t.csv": [sound("treatments"), sound("treatments", treatment_id="T2", **second)]}

    return [Answer(twice(), ("treatment_near_duplicate",), right=twice(tooth="35"))]


def canals_by_dentist(sound: Sound, **finished: list[str | None]) -> Files:
    """Canals of treatments of their own, each begun at nine; None has no times."""
    treatments, canals = [], []
    for dentist, ends in finished.items():
        for n, end in enumerate(ends):
            key = f"{dentist}-{n}"
            treatments.append(sound("treatments", treatment_id=key, dentist=dentist, patient_id=f"P{key}"))
            started = None if end is None else "2024-03-04 09:00"
            canals.append(sound("canals", treatment_id=key, started_at=started, finished_at=end))
    return {"t.csv": treatments, "c.csv": canals}


def minutes(*lengths: int) -> list[str | None]:
    return [f"2024-03-04 {9 + m // 60:02}:{m % 60:02}" for m in lengths]


MIXED = [20, 25, 31, 36, 44]


@fault(14, "canal missing time: null share by operator")
def missing_times(sound: Sound) -> list[Answer]:
    others = minutes(*MIXED * 6)
    return [
        Answer(
            canals_by_dentist(sound, D1=[*[None] * 15, *minutes(*MIXED)], D2=others),
            ("canal_times_missing_by_dentist",),
            right=canals_by_dentist(sound, D1=[*[None] * 4, *minutes(*MIXED * 4)], D2=others),
        )
    ]


@fault(15, "zero, negative or > 240 min: range")
def minutes_out_of_range(sound: Sound) -> list[Answer]:
    def canal(end: str) -> Files:
        return {"c.csv": [sound("canals", finished_at=f"2024-03-04 {end}")]}

    def visit(end: str) -> Files:
        return {"v.csv": [sound("visits", left_at=f"2024-03-04 {end}")]}

    return [
        Answer(canal("09:10"), ("canal_minutes_unusual",), right=canal("09:11")),
        Answer(canal("13:11"), ("canal_minutes_unusual",), right=canal("13:10")),
        Answer(canal("09:09"), ("canal_finished_before_started",), right=canal("09:50")),
        Answer(visit("09:00"), ("visit_minutes_out_of_range",), right=visit("10:00")),
        Answer(visit("08:30"), ("visit_minutes_out_of_range",), right=visit("10:00")),
        Answer(visit("13:01"), ("visit_time_unusual",), right=visit("13:00")),
    ]


@fault(16, "end before start; midnight crossing: order")
def midnight(sound: Sound) -> list[Answer]:
    def visit(end: str) -> Files:
        return {"v.csv": [sound("visits", seated_at="2024-03-04 23:30", left_at=end)]}

    def canal(end: str) -> Files:
        return {"c.csv": [sound("canals", started_at="2024-03-04 23:40", finished_at=end)]}

    return [
        Answer(visit("2024-03-04 00:15"), ("visit_minutes_out_of_range",), right=visit("2024-03-05 00:15")),
        Answer(canal("2024-03-04 00:10"), ("canal_finished_before_started",), right=canal("2024-03-05 00:10")),
    ]


@fault(17, "overlapping visits, same operator or chair: interval join")
def overlapping_visits(sound: Sound) -> list[Answer]:
    def two(start: str, **second: str) -> Files:
        later = {
            "visit_id": "V2",
            "treatment_id": "T2",
            "seated_at": f"2024-03-04 {start}",
            "left_at": "2024-03-04 11:00",
        }
        return {"v.csv": [sound("visits", chair="1"), sound("visits", **later | second)]}

    return [
        Answer(two("09:45", chair="2"), ("visits_of_dentist_overlap",), right=two("10:00", chair="2")),
        Answer(
            two("09:45", dentist="D2", chair="1"),
            ("visits_of_chair_overlap",),
            right=two("10:00", dentist="D2", chair="1"),
        ),
    ]


@fault(18, "canal times exceed visit: sum")
def canals_longer_than_visit(sound: Sound) -> list[Answer]:
    def canals(second: str) -> Files:
        both = [
            sound("canals"),
            sound("canals", canal="ML", started_at=f"2024-03-04 {second}", finished_at="2024-03-04 09:58"),
        ]
        return {"t.csv": [sound("treatments")], "v.csv": [sound("visits")], "c.csv": both}

    return [Answer(canals("09:20"), ("canal_times_exceed_visit",), right=canals("09:50"))]


@fault(19, "default durations (all 60): spike test")
def default_durations(sound: Sound) -> list[Answer]:
    def visits(*lengths: int) -> Files:
        rows = [
            {
                "seated_at": f"2024-03-{n % 28 + 1:02} {8 + 2 * (n // 28):02}:00",
                "left_at": f"2024-03-{n % 28 + 1:02} {8 + 2 * (n // 28) + m // 60:02}:{m % 60:02}",
            }
            for n, m in enumerate(lengths)
        ]
        return {"v.csv": many(sound, "visits", "visit_id", rows)}

    return [
        Answer(visits(*[60] * 30), ("visit_times_by_default",), right=visits(*[40, 45, 60, 75, 50] * 6)),
        Answer(
            canals_by_dentist(sound, D1=minutes(*[30] * 25, *MIXED)),
            ("canal_times_by_default",),
            right=canals_by_dentist(sound, D1=minutes(*MIXED * 6)),
        ),
    ]


@fault(20, "instrument without lot/serial: null share; trace impossible")
def no_trace(sound: Sound) -> list[Answer]:
    def uses(unknown: int) -> Files:
        rows = [
            {"step": str(n + 1), "started_at": None, "instrument_id": None if n < unknown else "I1", "lot": None}
            for n in range(30)
        ]
        return {"u.csv": many(sound, "instrument_uses", "use_id", rows)}

    return [Answer(uses(30), ("uses_not_traceable",), right=uses(3))]


@fault(21, "bad GTIN: check digit; spreadsheet mangling (leading zero, 7.3E+12): length")
def bad_gtin(sound: Sound) -> list[Answer]:
    def udi(text: str) -> Files:
        return {"i.csv": [sound("instruments", udi=text)]}

    # 07300016350759: GS1 Sweden's own example of a device identifier.
    sound_ones = {
        "07300016350758": "07300016350759",
        "(01)07300016350758(10)A1": "(01)07300016350759(10)A1",
        "7.30002E+12": "7300016350759",
        "730001635075": "7300016350759",
    }
    return [Answer(udi(wrong), ("udi_unreadable",), right=udi(right)) for wrong, right in sound_ones.items()]


@fault(22, "expired at use: AI 17 before visit")
def expired(sound: Sound) -> list[Answer]:
    def used(**instrument: str) -> Files:
        return {
            "t.csv": [sound("treatments")],
            "i.csv": [sound("instruments", **instrument)],
            "u.csv": [sound("instrument_uses")],
        }

    rule = ("use_after_expiry",)
    return [
        Answer(used(expires_on="2024-03-03"), rule, right=used(expires_on="2024-03-04")),
        # Day 00 is the last of the month.
        Answer(used(udi="(01)07300016350759(17)240200"), rule, right=used(udi="(01)07300016350759(17)240300")),
    ]


def used_in(sound: Sound, *patients: str, **instrument: str) -> Files:
    """One instrument in a canal of each of these patients."""
    own = [{"patient_id": patient} for patient in patients]
    uses = [{"treatment_id": f"T{n}"} for n, _ in enumerate(patients)]
    return {
        "t.csv": many(sound, "treatments", "treatment_id", own),
        "u.csv": many(sound, "instrument_uses", "use_id", uses),
        "i.csv": [sound("instruments", **instrument)],
    }


@fault(23, "one serial in two patients after single use: count distinct")
def single_use(sound: Sound) -> list[Answer]:
    return [
        Answer(
            used_in(sound, "P1", "P2", use_limit="1"),
            ("instrument_between_patients",),
            right=used_in(sound, "P1", use_limit="1"),
        )
    ]


@fault(24, "use counter falling or jumping: sequence")
def counters(sound: Sound) -> list[Answer]:
    def counted(*sterilisations: str) -> Files:
        return {f"i{n}.csv": [sound("instruments", sterilisations=s)] for n, s in enumerate(sterilisations)}

    return [
        Answer(counted("4", "3"), ("sterilisations_falling",), right=counted("3", "4")),
        Answer(
            used_in(sound, "P1", "P2", sterilisations="40"),
            ("instrument_between_patients",),
            right=used_in(sound, "P1", "P2", sterilisations="3"),
        ),
    ]


@fault(25, "same serial used without sterilisation between patients: event order")
def not_sterilised(sound: Sound) -> list[Answer]:
    return [
        Answer(
            used_in(sound, "P1", "P2", "P3", sterilisations="1"),
            ("instrument_between_patients",),
            right=used_in(sound, "P1", "P2", "P3", sterilisations="2"),
        )
    ]


@fault(26, "sequence step missing or reversed: protocol join")
def steps(sound: Sound) -> list[Answer]:
    def taken(*steps_and_times: tuple[int, str]) -> Files:
        rows = [{"step": str(step), "started_at": f"2024-03-04 {at}"} for step, at in steps_and_times]
        return {"u.csv": many(sound, "instrument_uses", "use_id", rows)}

    rule, right = ("use_step_out_of_order",), taken((1, "09:20"), (2, "09:22"), (3, "09:24"))
    return [
        Answer(taken((1, "09:20"), (3, "09:24")), rule, right=right),
        Answer(taken((1, "09:20"), (2, "09:24"), (3, "09:22")), rule, right=right),
        Answer(taken((1, "09:20"), (2, "09:22"), (2, "09:24")), rule, right=right),
    ]


@fault(27, "taper 6 / .06 / 6 %: normalise; > 0.2 suspicious")
def tapers(sound: Sound) -> list[Answer]:
    def taper(text: str) -> Files:
        return {"u.csv": [sound("instrument_uses", taper=text)]}

    rule = ("use_taper_out_of_range",)
    return [
        Answer(taper("6"), rule, right=taper(".06")),
        Answer(taper("0.25"), rule, right=taper("6 %")),
        Answer(
            taper("6"),
            rule,
            right=taper("6"),
            mend=identity("instrument_uses", sound("instrument_uses"), taper='{ from = "taper", unit = "percent" }'),
        ),
    ]


@fault(28, "torque units (g cm, N cm, N mm): magnitude")
def torques(sound: Sound) -> list[Answer]:
    def torque(text: str, uses: int = 1) -> Files:
        rows = [{"torque_ncm": text, "step": str(n + 1), "started_at": None} for n in range(uses)]
        return {"u.csv": many(sound, "instrument_uses", "use_id", rows)}

    row = next(iter(torque("2")["u.csv"]))
    return [
        Answer(
            torque(text, 25),
            ("use_setting_unusual", "use_unit_doubtful"),
            right=torque(text, 25),
            mend=identity("instrument_uses", row, torque_ncm=f'{{ from = "torque_ncm", unit = "{unit}" }}'),
        )
        for text, unit in (("200", "gcm"), ("20", "Nmm"))
    ] + [Answer(torque("250"), ("use_setting_unusual",), right=torque("2.5"))]


@fault(29, "follow-up before treatment, or extraction before it: dates")
def too_early(sound: Sound) -> list[Answer]:
    def seen(**follow_up: str) -> Files:
        return {"t.csv": [sound("treatments")], "f.csv": [sound("follow_ups", **follow_up)]}

    rule, right = ("follow_up_before_completion",), seen()
    lost = {"tooth_present": "no", "lost_reason": "fracture", "pai": ""}
    return [
        Answer(seen(seen_on="2024-03-01"), rule, right=right),
        Answer(seen(lost_on="2024-03-01", **lost), rule, right=seen(lost_on="2025-03-01", **lost)),
    ]


@fault(30, "follow-up after extraction: order")
def after_extraction(sound: Sound) -> list[Answer]:
    def lost(day: str) -> Files:
        gone = {"tooth_present": "no", "lost_on": day, "lost_reason": "fracture", "pai": None, "follow_up_id": "F0"}
        return {
            "t.csv": [sound("treatments")],
            "f.csv": [sound("follow_ups", **gone | {"seen_on": day}), sound("follow_ups")],
        }

    return [Answer(lost("2024-12-01"), ("tooth_present_after_loss",), right=lost("2025-04-01"))]


@fault(31, "two treatments, one outcome: retreatment episode key")
def one_outcome(sound: Sound) -> list[Answer]:
    def again(start: str, end: str, kind: str = "retreatment") -> Files:
        second = {"treatment_id": "T2", "kind": kind, "started_on": start, "completed_on": end}
        return {"t.csv": [sound("treatments"), sound("treatments") | second], "f.csv": [sound("follow_ups")]}

    return [
        Answer(again("2024-03-08", "2024-04-01"), ("treatments_overlap",), right=again("2025-06-01", "2025-06-08")),
        # A retreatment is the outcome of the first treatment; a second first treatment leaves it open which was seen.
        Answer(
            again("2024-09-01", "2024-09-08", "primary"),
            ("follow_up_after_retreatment",),
            right=again("2024-09-01", "2024-09-08"),
        ),
    ]


@fault(32, "PAI outside 1-5, or lacking modality/root: domain")
def pai(sound: Sound) -> list[Answer]:
    def seen(**follow_up: str | None) -> Files:
        return {"f.csv": [sound("follow_ups", **follow_up)]}

    return [
        *(Answer(seen(pai=grade), ("pai_not_1_to_5",), right=seen(pai="5")) for grade in ("0", "6")),
        Answer(
            {"t.csv": [sound("treatments", preop_pai="6")]},
            ("preop_pai_not_1_to_5",),
            right={"t.csv": [sound("treatments", preop_pai="4")]},
        ),
        Answer(seen(image=None), ("pai_doubtful",), right=seen()),
    ]


@fault(34, "incident only in free text: keyword list for human review")
def told_in_words(sound: Sound) -> list[Answer]:
    def note(text: str) -> Files:
        return {"n.csv": [sound("incidents", note=text)]}

    canals = [{"c.csv": [sound("canals", not_treated=text)]} for text in ("separated instrument inside", "calcified")]
    return [
        Answer(note("then the file broke"), ("incident_told_in_note",), right=note("no file broke")),
        Answer(canals[0], ("incident_told_in_canal",), right=canals[1]),
    ]


@fault(35, "incident referring to absent canal/visit: orphan key")
def orphans(sound: Sound) -> list[Answer]:
    def incident(**changes: str) -> Files:
        kinds = {"t.csv": "treatments", "v.csv": "visits", "c.csv": "canals"}
        return {file: [sound(kind)] for file, kind in kinds.items()} | {"n.csv": [sound("incidents", **changes)]}

    return [
        Answer(incident(canal="DB"), ("incident_unattached",), right=incident()),
        Answer(incident(treatment_id="T9"), ("incident_unattached",), right=incident()),
        Answer(incident(occurred_at="2024-03-06 09:30"), ("incident_without_visit",), right=incident()),
    ]


@fault(36, "operator initials reused or changed: roster dates")
def initials(sound: Sound) -> list[Answer]:
    def by(*dentists: str) -> Files:
        rows = [{"dentist": d, "patient_id": f"P{n}"} for n, d in enumerate(dentists)]
        return {"t.csv": many(sound, "treatments", "treatment_id", rows)}

    def working(pause: int) -> Files:
        first = dt.date(2020, 1, 6)
        days = [first + dt.timedelta(days=n if n < 40 else n + pause) for n in range(60)]
        rows = [{"started_on": f"{d}", "completed_on": f"{d}", "patient_id": f"P{n}"} for n, d in enumerate(days)]
        return {"t.csv": many(sound, "treatments", "treatment_id", rows)}

    return [
        Answer(by("A.B.", "A.B.", "ab"), ("dentist_written_in_two_ways",), right=by("A.B.", "A.B.", "AC")),
        Answer(working(400), ("dentist_back_after_a_year",), right=working(100)),
    ]


@fault(37, "test patients: name/identifier patterns")
def trial_patients(sound: Sound) -> list[Answer]:
    def treated(**changes: str) -> Files:
        return {"t.csv": [sound("treatments", **changes)]}

    rule = ("treatment_of_a_test",)
    return [
        *(
            Answer(treated(patient_id=name), rule, right=treated(patient_id="Attest 17"))
            for name in ("TEST", "Test-Patient 3", "Mustermann", "12 dummy")
        ),
        Answer(treated(treatment_id="TEST-1"), rule, right=treated(treatment_id="T-1")),
        Answer(treated(dentist="Test 2"), rule, right=treated(dentist="Testa")),
    ]


@fault(38, "encoding damage, stray separators, header drift: schema check")
def damage(sound: Sound) -> list[Answer]:
    header = "contact_id,treatment_id,contacted_at"
    row = "C1,T1,2024-03-05 12:00"
    text = f"{header}\n{row}\n"
    said = {"t.csv": [sound("treatments", dentist="Müller")]}
    return [
        Answer(
            {"c.csv": f"{header},note\n{row},Müller\n".encode("windows-1252")},
            refusal="is not UTF-8 text",
            right={"c.csv": text},
        ),
        Answer({"t.csv": [sound("treatments", dentist="MÃ¼ller")]}, ("treatment_text_damaged",), right=said),
        Answer({"c.csv": f"{header}\n{row},,\n"}, ("cells_do_not_fit_header",), right={"c.csv": text}),
        Answer({"c.csv": f"{header}\nC1,T1\n"}, ("cells_do_not_fit_header",), right={"c.csv": text}),
        Answer(
            {"c.csv": text.replace("contacted_at", "contacted at")},
            refusal="also needs contacted_at",
            right={"c.csv": text},
        ),
    ]


@fault(39, "cancelled visits counted: status")
def cancelled(sound: Sound) -> list[Answer]:
    def visit(**changes: str) -> Files:
        return {"v.csv": [sound("visits", **changes)]}

    return [
        *(
            Answer(visit(reason=word), ("visit_reason_unknown",), right=visit(reason="planned"))
            for word in ("cancelled", "no show")
        ),
        # A booking that nobody came to has no length.
        Answer(visit(left_at="2024-03-04 09:00"), ("visit_minutes_out_of_range",), right=visit()),
    ]


@fault(40, "follow-ups only for complaints: recall by reason")
def only_complaints(sound: Sound) -> list[Answer]:
    def seen(complaints: int) -> Files:
        rows = [{"pain": "yes" if n < complaints else "no"} for n in range(25)]
        return {"f.csv": many(sound, "follow_ups", "follow_up_id", rows)}

    return [Answer(seen(20), ("follow_ups_only_for_complaints",), right=seen(4))]


# --- running them ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Heard:
    """What the program said of files."""

    refused: set[str]
    marked: set[str]
    error: str


class Practice:
    """Imports files into stores of their own."""

    def __init__(self, folder: Path, export: Callable[..., Path]) -> None:
        self.folder, self.export, self.stores = folder, export, 0

    def hears(self, files: Files, mapping: str) -> Heard:
        self.stores += 1
        store = self.folder / f"store{self.stores}" / "canalwise.duckdb"
        store.parent.mkdir()
        error = ""
        for name, content in files.items():
            path = self.export(name, content if isinstance(content, list) else [{"a": "b"}])
            if not isinstance(content, list):
                path.write_bytes(content.encode() if isinstance(content, str) else content)
            mapping_file = self.folder / "mapping.toml" if mapping else None
            if mapping_file:
                mapping_file.write_text(mapping, encoding="utf-8")
            try:
                list(ingest(store, [path], Settings(practice="here"), mapping_file=mapping_file))
            except UserError as e:
                error = str(e)
        if not store.exists():
            return Heard(set(), set(), error)
        with open_store(store) as connection:
            refused = connection.execute("select distinct unnest(rules) from quarantine").fetchall()
            marked = connection.execute("select distinct rule from flags").fetchall()
        return Heard({rule for (rule,) in refused}, {rule for (rule,) in marked}, error)

    @property
    def last(self) -> Path:
        return self.folder / f"store{self.stores}" / "canalwise.duckdb"


@pytest.fixture
def practice(tmp_path: Path, export: Callable[..., Path]) -> Practice:
    return Practice(tmp_path, export)


OTHERWISE = {12, 33}  # answered by no rule: tests of their own below


def test_there_are_forty() -> None:
    assert sorted([*FAULTS, *OTHERWISE]) == list(range(1, 41))


@pytest.mark.parametrize("number", sorted(FAULTS), ids=lambda n: f"{n:02} {FAULTS[n][0]}")
def test_fault_is_answered_and_its_sound_twin_passes(number: int, practice: Practice, sound: Sound) -> None:
    for answer in FAULTS[number][1](sound):
        heard = practice.hears(answer.wrong, answer.mapping)
        assert set(answer.rules) <= heard.refused | heard.marked, answer.wrong
        assert answer.refusal in heard.error
        assert bool(answer.refusal) == bool(heard.error), heard.error
        twin = practice.hears(answer.right, answer.mend or answer.mapping)
        assert (twin.refused, twin.error) == (set(), ""), answer.right
        assert not set(answer.rules) & twin.marked, answer.right


def test_12_exact_duplicate_rows(practice: Practice, sound: Sound, store: Path, export: Any) -> None:
    """Fault 12, exact duplicate rows: row hash. The second says nothing new, and is counted as unchanged."""
    (done,) = ingest(store, [export("v.csv", [sound("visits"), sound("visits")])], Settings())
    assert (done.counts.loaded, done.counts.unchanged, done.counts.quarantined) == (1, 1, 0)
    with open_store(store) as connection:
        assert connection.execute("select count(*) from visits").fetchall() == [(1,)]


@pytest.mark.parametrize(("grade", "healed"), [("1", 1), ("2", 1), ("3", 0), ("5", 0)])
def test_33_healed_with_pai_3_or_more(store: Path, sound: Sound, export: Any, grade: str, healed: int) -> None:
    """Fault 33, "healed" with PAI >= 3: cross-field. An export's own verdict is not read: the index decides."""
    seen = sound("follow_ups", pai=grade, pain="no", seen_on="2025-06-20") | {"outcome": "healed"}
    treated = sound("treatments", preop_pai="2")
    list(ingest(store, [export("t.csv", [treated]), export("f.csv", [seen])], Settings()))
    with open_store(store) as connection:
        (row,) = Workspace(connection, Settings(reporting=Reporting(smallest_group=1))).compute("healed_share").rows
    assert (row["n"], row["events"]) == (1, healed)


def test_33_findings_before_treatment_that_contradict_the_index(practice: Practice, sound: Sound) -> None:
    def treated(**findings: str) -> Files:
        return {"t.csv": [sound("treatments", preop_pai="4", **findings)]}

    for wrong, right in (
        ({"apical_diagnosis": "normal apical tissues"}, {"apical_diagnosis": "chronic apical abscess"}),
        ({"lesion_mm": "0"}, {"lesion_mm": "4"}),
    ):
        assert "diagnosis_doubtful" in practice.hears(treated(**wrong), "").marked
        assert practice.hears(treated(**right), "").marked == set()


def test_05_a_whole_column_in_another_unit_is_told_as_one(practice: Practice, sound: Sound) -> None:
    """Fault 5 once more: twenty-five cells left empty have one cause, and the summary says so."""
    practice.hears(units_of_lengths(sound)[0].wrong, "")
    with open_store(practice.last) as connection:
        (line,) = by_reason(connection)
    assert (line["rule"], line["cells"]) == ("working_length_out_of_range", 25)
    assert "nearly every cell of a column" in line["hint"]


def test_11_synonyms_are_stored_under_one_name(store: Path, sound: Sound, export: Any, tmp_path: Path) -> None:
    """Fault 11 once more: what the table of synonyms makes of three words for two canals of two systems."""
    rows = [
        sound("canals", treatment_id=f"T{n}", canal=word) for n, word in enumerate(("MB1", "mesiobuccal", "palatal"))
    ]
    mapping = tmp_path / "m.toml"
    mapping.write_text(identity("canals", rows[0], canal='{ from = "canal", synonyms = true }'))
    list(ingest(store, [export("c.csv", rows)], Settings(), mapping_file=mapping))
    with open_store(store) as connection:
        found = connection.execute("select canal from canals order by treatment_id").fetchall()
    assert found == [("MB",), ("MB",), ("P",)]


@pytest.mark.parametrize("text", ["6 %", ".06", "0.06", "6%"])
def test_27_one_taper_in_four_writings(store: Path, sound: Sound, export: Any, text: str) -> None:
    list(ingest(store, [export("u.csv", [sound("instrument_uses", taper=text)])], Settings()))
    with open_store(store) as connection:
        assert connection.execute("select taper from instrument_uses").fetchall() == [(0.06,)]
