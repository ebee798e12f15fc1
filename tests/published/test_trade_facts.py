"""Facts of the trade, through the program: what no study decides.

Check values of the reference notes that stand elsewhere and are not repeated here: tooth notations (Universal, Palmer,
what a file itself decides) in tests/pipeline/mapping/test_tooth_notations.py; check digits, GS1 strings and dates by
themselves in test_gs1.py there; working lengths of 36 and 205 mm, PAI 0 and 6 in tests/expectations/test_rules.py; a
length of 20.5 mm with an instrument of 21 in tests/expectations/test_across.py; classes of curvature (5, 15, 22 and 30
degrees) in tests/pipeline/facts/test_teeth.py; minutes of a visit over its canals in test_time_studies.py.

Not held by the program, so not tested: colours of sizes, surface strain d / (2R) (which radius a paper means is in
doubt), and a PAI by root (the worst root is what a practice records of a tooth).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import polars as pl
import pytest

from pipeline.mapping.tooth import UnclearNotationError, tell_notation

Study = Any
Near = Callable[[float, int], Any]
ONE = "[reporting]\nsmallest_group = 1\n"

# --- a catalogue that asks for what some guidance does: common practice, no source ------------------------------------

CORONAL, MIDDLE, FULL = 0, 1, 2  # engine-driven uses of a canal, in order
SPEED, IRRIGANT, DEPTH, PATH, BINDS = "speed", "irrigation", "depth of steps", "glide path", "apical gauging"
ALL = {SPEED, IRRIGANT, DEPTH, PATH, BINDS}


@dataclass(frozen=True)
class Case:
    """A canal of 20 mm in which everything is as it should be but for one thing."""

    id: str
    check: str
    kept: bool
    canal: dict[str, object] = field(default_factory=dict)
    use: int | None = None
    changed: dict[str, object] = field(default_factory=dict)


CASES = [
    # common practice, no source: 150 to 300 rpm
    Case("149 rpm", SPEED, False, use=FULL, changed={"speed_rpm": 149}),
    Case("150 rpm", SPEED, True, use=FULL, changed={"speed_rpm": 150}),
    Case("300 rpm", SPEED, True, use=FULL, changed={"speed_rpm": 300}),
    Case("301 rpm", SPEED, False, use=FULL, changed={"speed_rpm": 301}),
    # common practice, no source: at least 1 ml of irrigant after each instrument
    Case("0.9 ml", IRRIGANT, False, use=MIDDLE, changed={"irrigant_ml": 0.9}),
    Case("1 ml", IRRIGANT, True, use=MIDDLE, changed={"irrigant_ml": 1.0}),
    # common practice, no source: by hand to size 20 at working length before engine-driven shaping
    Case("path of 15", PATH, False, canal={"glide_path_size": 15}),
    Case("path of 20", PATH, True, canal={"glide_path_size": 20}),
    # common practice, no source: the coronal step to half of the canal; a depth is read off a stop to half a millimetre
    Case("coronal 0.50", DEPTH, True, use=CORONAL, changed={"depth_mm": 10.0}),
    Case("coronal 0.51", DEPTH, True, use=CORONAL, changed={"depth_mm": 10.2}),
    Case("coronal half and 0.5 mm", DEPTH, True, use=CORONAL, changed={"depth_mm": 10.5}),
    Case("coronal half and 0.6 mm", DEPTH, False, use=CORONAL, changed={"depth_mm": 10.6}),
    # common practice, no source: the middle step to two-thirds (13.3 mm)
    Case("middle two-thirds", DEPTH, True, use=MIDDLE, changed={"depth_mm": 13.3}),
    Case("middle beyond", DEPTH, False, use=MIDDLE, changed={"depth_mm": 13.9}),
    # common practice, no source: the size that binds at the end is recorded
    Case("nothing gauged", BINDS, False, canal={"apical_gauge_size": ""}),
    Case("gauged", BINDS, True, canal={"apical_gauge_size": 30}),
]
# The same sequence as two practices ask for it: the strict one by the figures above, the other less.
_SEQUENCE = """
[[sequence]]
id = "own"
glide_path_size = {path}
irrigant_ml = {irrigant}
apical_gauging = {gauging}
[[sequence.step]]
step = 1
size = 35
taper = 0.06
motion = "rotation"
depth_share = {coronal}
speed_rpm = {speed}
[[sequence.step]]
step = 2
size = 20
taper = 0.04
motion = "rotation"
depth_share = {middle}
speed_rpm = {speed}
[[sequence.step]]
step = 3
size = 25
taper = 0.04
motion = "rotation"
speed_rpm = {speed}
"""
STRICT = _SEQUENCE.format(path=20, irrigant=1.0, gauging="true", coronal=0.5, middle=0.6667, speed=[150, 300])
RELAXED = _SEQUENCE.format(path=15, irrigant=0.5, gauging="false", coronal=0.75, middle=0.75, speed=[100, 400])


@pytest.fixture(scope="module")
def cases(shared: Study) -> Study:
    """A canal a case, of a dentist who is called like the case."""
    engine = [(35, 0.06, 10.0), (20, 0.04, 13.0), (25, 0.04, 20.0)]
    teeth, canals, uses = [], [], []
    for i, case in enumerate(CASES):
        teeth.append(shared.tooth(i, 14, dentist=case.id))
        sound = {"sequence": "own", "working_length_mm": 20, "glide_path_size": 20, "length_confirmed": "both"}
        canals.append(shared.canal(i, "B") | sound | {"apical_gauge_size": 30, "curvature_deg": 5} | case.canal)
        for k, (size, taper, depth) in enumerate(engine):
            use = {
                "use_id": f"U{i}-{k}",
                "treatment_id": f"T{i}",
                "canal": "B",
                "step": k + 1,
                "size": size,
                "taper": taper,
                "motion": "rotation",
                "speed_rpm": 250,
                "depth_mm": depth,
                "irrigant_ml": 2,
                "result": "intact",
            }
            uses.append(use | (case.changed if case.use == k else {}))
    shared.ingest(treatments=teeth, canals=canals, instrument_uses=uses)
    return shared


@pytest.fixture(scope="module")
def judged(cases: Study) -> dict[str, dict[str, bool]]:
    """Case -> check -> kept or not, under the strict catalogue."""
    rows = cases.measure("adherence", "--by", "dentist,check", "--settings", cases.settings(ONE + STRICT))
    rows = [row for row in rows if row["check"] in ALL]
    assert {row["not_recorded"] for row in rows} == {0}
    out: dict[str, dict[str, bool]] = {}
    for row in rows:
        out.setdefault(row["dentist"], {})[row["check"]] = row["events"] == row["n"]
    return out


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.id)
def test_figures_that_a_catalogue_asks_for(judged: dict[str, dict[str, bool]], case: Case) -> None:
    """Common practice, no source. What a case leaves as it should be is kept, whatever it breaks beside it."""
    assert judged[case.id] == dict.fromkeys(ALL, True) | {case.check: case.kept}


def test_the_practices_own_catalogue_is_what_counts(cases: Study) -> None:
    settings = cases.settings(ONE + RELAXED)
    rows = {row["check"]: row for row in cases.measure("adherence", "--by", "check", "--settings", settings)}
    for check in ("speed", "irrigation", "glide path", "depth of steps", "order of steps"):
        assert (rows[check]["n"], rows[check]["events"]) == (len(CASES), len(CASES)), check
    assert "apical gauging" not in rows  # this catalogue does not ask for it


def test_without_a_catalogue_canals_are_counted_as_such_and_what_to_write_is_told(cases: Study) -> None:
    """The entry that is told is read as settings again, and has the practice's own name of the sequence."""
    whole = cases.run("measure", "adherence", "--settings", cases.settings(ONE))
    assert whole["rows"] == []
    assert whole["left_out"] == [{"reason": "the canal's sequence is not in the catalogue", "n": len(CASES)}]
    entry = whole["to_write"][whole["to_write"].index("[[sequence]]") : whole["to_write"].index("(`canalwise init`")]
    rows = cases.measure("adherence", "--by", "check", "--settings", cases.settings(ONE + entry))
    assert {row["check"]: (row["n"], row["events"]) for row in rows}["order of steps"] == (len(CASES), len(CASES))


def test_factors_seen_with_incidents_go_by_the_same_limits(cases: Study) -> None:
    """Canals in which a factor is present: those that break what the catalogue asks for."""
    rows = cases.measure("contributing_factors", "--settings", cases.settings(ONE + STRICT))
    present = {row["factor"]: row["n"] for row in rows if row["incident"] == "any"}
    assert present["speed outside the range"] == 2
    assert present["no glide path"] == 1
    assert present["step deeper than its limit"] == 2
    relaxed = cases.measure("contributing_factors", "--settings", cases.settings(ONE + RELAXED))
    # No canal has one of them: fewer than the smallest group of one that is reported.
    none = {row["factor"] for row in relaxed if row["incident"] == "any" and row.get("too_few")}
    assert none >= {"speed outside the range", "no glide path", "step deeper than its limit"}


# --- instruments -----------------------------------------------------------------------------------------------------

# ISO 3630-1 (from memory): 06, 08, 10; 15 to 60 by 5; 70 to 140 by 10.
SERIES = [6, 8, 10, *range(15, 61, 5), *range(70, 141, 10)]


def test_sizes_of_the_standard_series(study: Study) -> None:
    """ISO 3630-1, series from memory: 21 sizes. A hand instrument of any other size is marked, and kept."""
    assert len(SERIES) == 21
    study.ingest(
        instruments=[
            {"instrument_id": f"I{size}", "size": size, "taper": 0.02, "motion": "hand"} for size in range(6, 141)
        ]
    )
    marked = study.query(
        """select i.size from instruments i inner join flags f on f.kind = 'instruments' and f.batch_id = i.batch_id
            and f.record_no = i.record_no where f.rule = 'instrument_size_off_series'"""
    )
    assert set(range(6, 141)) - {size for (size,) in marked} == set(SERIES)


# The string and its parts: GS1 Sweden; day 00 as the last of the month: from memory of the General Specifications;
# check digits: GS1 Hong Kong's calculator. (01)6291041050213 is wrong by a swap of digits five apart, which the check
# digit does not see (computed); 6291041500231 is wrong by its check digit.
UDIS = {
    "(01)07300016350759(11)230811(10)110822(21)5643": ("110822", "", None),
    "(01)06291041500213(17)270200(10)A": ("A", "2027-02-28", None),
    "6291041500213": ("", "", None),
    "6291041050213": ("", "", None),
    "6291041500231": ("", "", "udi_unreadable"),
}


def test_device_identifiers(study: Study) -> None:
    study.ingest(
        instruments=[
            # Of the first the serial is all that names it.
            {"instrument_id": f"I{k}" if k else "", "udi": udi, "size": 25, "taper": 0.04, "motion": "rotation"}
            for k, udi in enumerate(UDIS)
        ]
    )
    found = study.query(
        """select i.udi, coalesce(i.lot, ''), coalesce(cast(i.expires_on as varchar), ''), f.rule, i.instrument_id
            from instruments i left join flags f on f.kind = 'instruments' and f.batch_id = i.batch_id
            and f.record_no = i.record_no"""
    )
    assert {udi: said for udi, *said, _ in found} == {udi: [*said] for udi, said in UDIS.items()}
    assert {udi: instrument for udi, *_, instrument in found}[next(iter(UDIS))] == "5643"


def test_widths_where_instruments_broke(study: Study, near: Near) -> None:
    """ISO 3630-1: D(L) = D0 + taper x L. 0.57 mm is printed (a Korean survey), the others computed."""
    widths = {(25, 0.02, 16): 0.57, (25, 0.06, 3): 0.43, (25, 0.08, 16): 1.53, (10, 0.02, 16): 0.42, (30, 0.04, 5): 0.5}
    study.ingest(
        treatments=[study.tooth(1)],
        canals=[study.canal(1)],
        instruments=[
            {"instrument_id": f"I{k}", "size": size, "taper": taper, "motion": "rotation"}
            for k, (size, taper, _) in enumerate(widths)
        ],
        incidents=[
            study.incident(k, 1, "separation", instrument_id=f"I{k}", fragment_mm=length)
            for k, (_, _, length) in enumerate(widths)
        ],
    )
    found = {row["incident_id"]: row["width_at_break_mm"] for row in study.measure("incident_list")}
    assert found == {f"X{k}": near(width, 2) for k, width in enumerate(widths.values())}


def test_turns(study: Study) -> None:
    """Speed times time: 300 rpm in 60 s are 300 turns, 250 in 48 s 200, 350 in 12 s 70 (computed)."""
    worked = {25: (300, 60), 30: (250, 48), 35: (350, 12)}
    study.ingest(
        treatments=[study.tooth(1)],
        canals=[study.canal(1)],
        instruments=[
            {
                "instrument_id": f"I{size}",
                "size": size,
                "taper": 0.04,
                "motion": "rotation",
                "received_on": "2020-01-07",
                "retired_on": "2020-02-01",
                "retired_reason": "use limit",
            }
            for size in worked
        ],
        instrument_uses=[
            {
                "use_id": f"U{size}",
                "treatment_id": "T1",
                "canal": "MB",
                "step": step,
                "instrument_id": f"I{size}",
                "size": size,
                "taper": 0.04,
                "motion": "rotation",
                "started_at": f"2020-01-07 09:0{step}",
                "speed_rpm": speed,
                "seconds": seconds,
                "result": "intact",
            }
            for step, (size, (speed, seconds)) in enumerate(worked.items(), start=1)
        ],
    )
    rows = study.measure("turning_exposure", "--by", "size", "--settings", study.settings(ONE))
    assert {int(row["size"]): row["estimate"] for row in rows} == {25: 300, 30: 200, 35: 70}


def test_twelve_over_four_uses_and_fifty_cents_a_cycle(study: Study) -> None:
    """A price of 12.00 over 4 uses and 0.50 for sterilisation make 3.50 a use (common practice, no source)."""
    instruments = [
        {"instrument_id": f"I{k}", "size": 25, "taper": 0.06, "motion": "rotation", "price": "12.00", "use_limit": 4}
        | {"received_on": "2020-01-07"}
        for k in range(5)
    ]
    uses = [
        {
            "use_id": f"U{i}",
            "treatment_id": f"T{i}",
            "canal": "MB",
            "step": 1,
            "instrument_id": f"I{i // 4}",
            "size": 25,
            "taper": 0.06,
            "motion": "rotation",
            "started_at": "2020-01-07 08:10",
            "result": "intact",
        }
        for i in range(20)
    ]
    study.ingest(
        treatments=[study.tooth(i) for i in range(20)],
        canals=[study.canal(i) for i in range(20)],
        instruments=instruments,
        instrument_uses=uses,
    )
    settings = study.settings('currency = "EUR"\nsterilisation_cost = 0.5\n')
    whole = study.run("measure", "cost_per_canal", "--settings", settings)
    (row,) = whole["rows"]
    assert (row["n"], row["estimate"], row["total"]) == (20, pytest.approx(3.5), pytest.approx(70))
    assert whole["unit"] == "EUR"


# --- teeth and images ------------------------------------------------------------------------------------------------


def test_the_52_teeth(study: Study) -> None:
    """ISO 3950: 11-18 to 41-48 and 51-55 to 81-85. Of all numbers of two digits the others are refused."""
    study.write(treatments=[study.tooth(number, number) for number in range(10, 100)])
    (file,) = study.run("ingest", study.folder / "exports", "--quiet", status=1)["files"]
    assert (file["read"], file["loaded"], file["quarantined"]) == (90, 52, 38)
    permanent = {10 * quadrant + place for quadrant in (1, 2, 3, 4) for place in range(1, 9)}
    primary = {10 * quadrant + place for quadrant in (5, 6, 7, 8) for place in range(1, 6)}
    assert {tooth for (tooth,) in study.query("select tooth from treatments")} == permanent | primary
    refused = {row["row"] for row in study.run("quarantine", status=1)["rows"]}
    assert refused == {number - 10 + 2 for number in range(10, 100) if number not in permanent | primary}


def test_numbers_that_name_a_tooth_in_one_notation_or_in_two() -> None:
    """By counting along the arches: 18 numbers name a tooth in both, 14 of permanent teeth in either one alone."""
    told: dict[str, set[int]] = {"fdi": set(), "universal": set(), "both": set()}
    for number in range(1, 49):
        try:
            notation = tell_notation(pl.Series([str(number)]))
        except UnclearNotationError:
            notation = "both"
        told[notation].add(number)
    assert told["both"] == {*range(11, 19), *range(21, 29), 31, 32}
    assert told["universal"] == {*range(1, 11), 19, 20, 29, 30}
    # A number that no notation has (33 to 38 and 41 to 48 are FDI codes; 39 and 40 are none) decides nothing: FDI, and
    # refused by the rule on teeth.
    assert told["fdi"] == {*range(33, 39), *range(41, 49)} | {39, 40}
    assert [len(told["both"]), len(told["universal"]), len(told["fdi"] - {39, 40})] == [18, 14, 14]


def test_pai_2_is_healed_and_3_is_not(study: Study) -> None:
    """Periapical Index, Orstavik 1986: 1 and 2 without, 3 to 5 with a lesion (dichotomy: secondary copy)."""
    pai = {i: i % 5 + 1 for i in range(25)}
    study.ingest(
        treatments=[study.tooth(i, preop_pai=grade) for i, grade in pai.items()],
        # Not lower than before, so neither healing.
        follow_ups=[study.seen(i, "2021-02-01", grade) for i, grade in pai.items()],
    )
    rows = {row["lesion"]: (row["n"], row["events"]) for row in study.measure("healed_share", "--by", "lesion")}
    assert rows == {"no": (10, 10), "yes": (15, 0)}
