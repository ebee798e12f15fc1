"""The funnel of dentists: exact limits from the binomial distribution, their size, and over-dispersion from ten on."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.measures.catalogue import find
from pipeline.measures.kinds import funnel
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

Row = dict[str, Any]


def of(teeth: dict[str, tuple[int, int]]) -> dict[str, Row]:
    """Rows for {dentist: (healed, judged)}."""
    units = pl.DataFrame(
        [{"dentist": d, "numerator": int(i < x), "cluster": None} for d, (x, n) in teeth.items() for i in range(n)],
        schema={"dentist": pl.String, "numerator": pl.Int64, "cluster": pl.String},
    )
    connection = in_memory()
    connection.register("given", units)
    connection.execute("create temp table kept as select * from given")
    return {row["dentist"]: row for row in funnel.rows(connection, "kept", find("peer_funnel"), (), 0.95)}


@pytest.mark.parametrize("n", [5, 20, 61, 200])
def test_limits_are_exact_binomial_ones(n: int) -> None:
    """Oracle: SciPy's binomial distribution, beyond a limit by chance at most 2.5 (0.1) in 100 each side."""
    rows = of({"D1": (n - n // 5, n), "D2": (160, 200), "D3": (120, 150)})
    row, target = rows["D1"], rows["D1"]["target"]
    assert target == pytest.approx((n - n // 5 + 280) / (n + 350))
    for side, level in (("95", 0.025), ("998", 0.001)):
        low, high = (round(row[f"limit_{end}_{side}"] * n) for end in ("low", "high"))
        assert stats.binom.cdf(low - 1, n, target) < level <= stats.binom.cdf(low, n, target)
        assert stats.binom.sf(high, n, target) <= level < stats.binom.sf(high - 1, n, target)
    assert 0 <= row["low"] <= row["estimate"] <= row["high"] <= 1


def test_the_same_share_lies_outside_with_many_teeth_and_inside_with_few() -> None:
    rows = of({"many": (105, 150), "few": (7, 10), "peers": (540, 600)})
    assert rows["many"]["position"] == "below the 99.8 % limit"
    assert rows["few"]["position"] == "inside"


def test_one_dentist_in_twenty_at_most_lies_outside_by_chance() -> None:
    """2,000 dentists of 60 teeth, all alike: at most 5 in 100 outside 95 %, 0.2 in 100 outside 99.8 %."""
    rng = np.random.default_rng(4)
    rows = of({f"D{i}": (int(x), 60) for i, x in enumerate(rng.binomial(60, 0.85, 2000))})
    places = [row["position"] for row in rows.values()]
    outside = np.mean([p != "inside" for p in places])
    far = np.mean(["99.8" in p for p in places])
    assert 0.01 < outside < 0.06
    assert far < 0.006


def test_dentists_who_vary_beyond_chance_widen_the_limits_from_ten_on() -> None:
    varied = [30, 58, 40, 55, 33, 57, 45, 59, 36, 50]
    nine = of({f"D{i}": (x, 60) for i, x in enumerate(varied[:9])})
    ten = of({f"D{i}": (x, 60) for i, x in enumerate(varied)})
    assert not any(row["overdispersion_allowed_for"] for row in nine.values())
    assert all(row["overdispersion_allowed_for"] for row in ten.values())
    assert {row["position"] for row in nine.values()} > {"inside"}
    assert {row["position"] for row in ten.values()} == {"inside"}
    assert ten["D0"]["limit_low_95"] < nine["D0"]["limit_low_95"]


def test_all_healed_and_one_dentist_alone() -> None:
    rows = of({"D1": (8, 8), "D2": (5, 5)})
    assert [(r["estimate"], r["position"]) for r in rows.values()] == [(1, "inside")] * 2
    (alone,) = of({"D1": (7, 9)}).values()
    assert (alone["target"], alone["position"], alone["units"]) == (pytest.approx(7 / 9), "no other to compare with", 1)


# ---- after case mix


def teeth_of(dentists: dict[str, tuple[int, int, int]]) -> Workspace:
    """{dentist: (healed, judged, of them with a lesion)}, each tooth of a patient of its own."""
    connection = in_memory()
    rows = [
        {"id": f"{d}-{i:03}", "dentist": d, "preop": 4 if i % n < lesions else 1, "pai": 1 if i < healed else 5}
        for d, (healed, n, lesions) in dentists.items()
        for i in range(n)
    ]
    connection.register("given", pl.DataFrame(rows))
    books = "'x', 'x.csv', 1, 1, row_number() over ()"
    connection.execute(
        "insert into treatments (treatment_id, patient_id, tooth, kind, dentist, preop_pai, started_on, completed_on, "
        "status, practice, source_file, source_row, batch_id, record_no) select id, id, 16, 'primary', dentist, preop, "
        f"date '2020-01-01', date '2020-01-01', 'completed', {books} from given"
    )
    connection.execute(
        "insert into follow_ups (follow_up_id, treatment_id, seen_on, image, pai, pain, tooth_present, practice, "
        "source_file, source_row, batch_id, record_no) "
        f"select id, id, date '2021-06-01', 'periapical', pai, pai = 5, true, {books} from given"
    )
    return Workspace(connection, Settings(), dt.date(2026, 6, 30))


def adjusted(dentists: dict[str, tuple[int, int, int]], by: tuple[str, ...] = ()) -> dict[str, Row]:
    return {row["dentist"]: row for row in teeth_of(dentists).compute("adjusted_peer_funnel", by).rows}


ALIKE = {"D1": (70, 100, 90), "D2": (90, 100, 10), "D3": (80, 100, 50), "D4": (81, 100, 50), "D5": (79, 100, 50)}


def test_nobody_is_the_own_yardstick() -> None:
    """What is expected of D1 does not move with the outcomes of D1."""
    rows, worse = adjusted(ALIKE), adjusted(ALIKE | {"D1": (20, 100, 90)})
    assert rows["D1"]["expected"] == pytest.approx(worse["D1"]["expected"], abs=1e-9)
    assert worse["D1"]["position"] == "below the 99.8 % limit"
    assert rows["D2"]["expected"] != pytest.approx(worse["D2"]["expected"], abs=0.5)
    assert worse["D1"]["estimate"] < worse["D1"]["shrunken"] < 1


def test_teeth_of_unlike_difficulty_are_told_apart() -> None:
    """Of 100 teeth D1 has 90 with a lesion, D2 10, and those heal less: crude, 18 points lie between the two."""
    lesions = {"D1": 90, "D2": 10, "D3": 50, "D4": 50, "D5": 50}
    mixed = {d: (round(0.7 * n + 0.92 * (100 - n)), 100, n) for d, n in lesions.items()}
    work = teeth_of(mixed)
    # Healed teeth come first in `teeth_of`: give each kind its own share instead.
    work.connection.execute(
        "update follow_ups set pai = 5, pain = true; update follow_ups set pai = 1, pain = false where treatment_id in "
        "(select treatment_id from (select treatment_id, preop_pai, row_number() over (partition by dentist, preop_pai "
        "order by treatment_id) as r, count(*) over (partition by dentist, preop_pai) as n from treatments) "
        "where r <= round(n * case when preop_pai = 4 then 0.7 else 0.92 end))"
    )
    work = Workspace(work.connection, Settings(), dt.date(2026, 6, 30))
    crude = {row["dentist"]: row for row in work.compute("peer_funnel").rows}
    found = {row["dentist"]: row for row in work.compute("adjusted_peer_funnel").rows}
    assert crude["D1"]["position"] != "inside" and crude["D2"]["position"] != "inside"
    assert {row["position"] for row in found.values()} == {"inside"}
    assert found["D1"]["estimate"] == pytest.approx(1, abs=0.03)
    assert all(row["low"] < 1 < row["high"] for row in found.values())
    assert [row["shrunken"] for row in found.values()] == pytest.approx([1] * 5, abs=0.01)


def test_few_dentists_and_few_others_are_told() -> None:
    four = adjusted({d: ALIKE[d] for d in ("D1", "D2", "D3", "D4")})
    assert [row["shrunken"] for row in four.values()] == [None] * 4 and four["D1"]["estimate"] is not None
    (alone,) = adjusted({"D1": ALIKE["D1"]}).values()
    assert (alone["position"], alone["estimate"], alone["units"]) == ("no other to compare with", None, 1)
    two = adjusted({"D1": ALIKE["D1"], "D2": (20, 29, 10)})
    assert two["D1"]["position"] == "cannot be told: too few units of others" and two["D1"]["expected"] is None
    assert two["D2"]["estimate"] is not None


def test_a_dentist_who_is_withheld_stays_so_after_case_mix() -> None:
    """D6 has 3 teeth: it and, since the total would tell it, another have a name and nothing else."""
    for by in ((), ("dentist",)):
        rows = adjusted(ALIKE | {"D5": (30, 40, 20), "D6": (2, 3, 1)}, by)
        assert {d for d, row in rows.items() if row.get("too_few")} == {"D5", "D6"}
        for name in ("D5", "D6"):
            told = {k: v for k, v in rows[name].items() if v is not None}
            assert told == {"dentist": name, "too_few": True}


def test_groups_have_funnels_of_their_own() -> None:
    rows = teeth_of(ALIKE).compute("adjusted_peer_funnel", ("lesion",)).rows
    assert {(row["lesion"], row["dentist"]) for row in rows} == {(le, d) for le in ("yes", "no") for d in ALIKE}
    assert sum(row["n"] for row in rows) == 500


def test_the_order_of_records_decides_nothing() -> None:
    def turned() -> dict[str, Row]:
        return adjusted(dict(reversed(ALIKE.items())))

    assert turned() == adjusted(ALIKE)
