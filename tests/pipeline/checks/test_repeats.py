"""Rules that look for repeats and overlaps cost what there are records, not the square of how often a patient repeats.

As many treatments of one tooth, 65 or 500 a patient: the same file exported again and again under other numbers.
"""

from __future__ import annotations

import datetime as dt
import os
import random
from typing import Any

import duckdb
import pytest

from pipeline.checks import judge
from pipeline.checks.suites import ACROSS, Rule, suite
from pipeline.store.database import in_memory

TREATMENTS = 32_500
FEW, MANY = 65, 500  # treatments a patient
ROUNDS = 3
RULES = [rule for rule in suite(ACROSS) if rule.scope in ("patient", "chair") or rule.id.endswith("_after_loss")]


def practice(copies: int) -> duckdb.DuckDBPyConnection:
    """TREATMENTS treatments, `copies` of them of one patient's tooth, most begun on one day, the rest within a week.

    Each is open for three days, with a visit in one chair by one of two dentists; now and then a tooth is lost.
    """
    connection = in_memory()
    begun = "date '2025-03-03' + if(n % 10 = 0, n % 7, 0)::integer"
    at = f"({begun})::timestamp + to_minutes((540 + n % 50)::bigint)"
    id_ = "'T' || n"
    for kind, columns in {
        "treatments": f"{id_} as treatment_id, 'P' || (n // {copies}) as patient_id, 16 as tooth, 'D1' as dentist, "
        f"if(n % 20 = 0, 'retreatment', 'primary') as kind, {begun} as started_on, {begun} + 3 as completed_on",
        "visits": f"{id_} as treatment_id, 'V' || n as visit_id, 'D' || (n % 2) as dentist, "
        f"'chair ' || (n // {copies}) as chair, {at} as seated_at, {at} + interval 1 hour as left_at",
        "follow_ups": f"{id_} as treatment_id, 'F' || n as follow_up_id, n % 10 > 0 as tooth_present, "
        f"{begun} + 2 as seen_on",
    }.items():
        connection.execute(
            f"insert into {kind} by name select {columns}, 'here' as practice, 1 as source_row, 1 as batch_id, "
            f"n as record_no from range({TREATMENTS}) as t(n)"
        )
    connection.execute("set memory_limit = '400MB'")
    connection.execute("set temp_directory = ''")
    return connection


def seconds(connection: duckdb.DuckDBPyConnection, rule: Rule) -> float:
    """Processor time of asking one rule of all records."""
    taken = []
    for _ in range(ROUNDS):
        before = os.times()
        judge._values(connection, rule.kind, TREATMENTS, [rule], dt.date(2026, 6, 30))
        after = os.times()
        taken.append(after.user + after.system - before.user - before.system)
    return min(taken)


@pytest.fixture(scope="module")
def few() -> duckdb.DuckDBPyConnection:
    return practice(FEW)


@pytest.fixture(scope="module")
def many() -> duckdb.DuckDBPyConnection:
    return practice(MANY)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_more_repeats_of_as_many_records_cost_no_more(
    rule: Rule, few: duckdb.DuckDBPyConnection, many: duckdb.DuckDBPyConnection
) -> None:
    """7.7 times as many repeats would cost 7.7 times as much if each were held against each; in 400 MB, too."""
    assert seconds(many, rule) < 2.5 * seconds(few, rule) + 0.1


# Each rule as it is plainly said, every record held against every other.
PLAINLY = {
    "treatment_near_duplicate": """
        case when exists (select 1 from treatments t where t.practice = r.practice and t.patient_id = r.patient_id
        and t.tooth = r.tooth and t.kind = r.kind and t.started_on = r.started_on and t.treatment_id <
        r.treatment_id) then 'near duplicate' else '' end
    """,
    "treatments_overlap": """
        case when exists (select 1 from treatments t where t.practice = r.practice and t.patient_id = r.patient_id
        and t.tooth = r.tooth and t.treatment_id <> r.treatment_id and t.started_on < r.started_on and
        t.completed_on > r.started_on) then 'overlap' else '' end
    """,
    "tooth_present_after_loss": """
        case when r.tooth_present and exists (select 1 from follow_ups f where f.practice = r.practice and
        f.treatment_id = r.treatment_id and (not f.tooth_present or f.lost_on is not null) and coalesce(f.lost_on,
        f.seen_on) < r.seen_on) then 'present after loss' else '' end
    """,
    "treatment_after_loss": """
        case when exists (select 1 from ( select n.batch_id, n.record_no from follow_ups f inner join treatments t
        on t.practice = f.practice and t.treatment_id = f.treatment_id inner join treatments n on n.practice =
        t.practice and n.patient_id = t.patient_id and n.tooth = t.tooth where (not f.tooth_present or f.lost_on is
        not null) and coalesce(f.lost_on, f.seen_on) < n.started_on) l where l.batch_id = r.batch_id and l.record_no
        = r.record_no) then 'lost before' else '' end
    """,
    "visit_after_loss": """
        case when exists (select 1 from ( select v.batch_id, v.record_no from follow_ups f inner join visits v on
        v.practice = f.practice and v.treatment_id = f.treatment_id where (not f.tooth_present or f.lost_on is not
        null) and date_diff('day', coalesce(f.lost_on, f.seen_on), cast(v.seated_at as date)) > case when
        coalesce(v.reason, 'planned') = 'planned' then 0 else 30 end) l where l.batch_id = r.batch_id and
        l.record_no = r.record_no) then 'lost before' else '' end
    """,
    "follow_up_after_retreatment": """
        case when exists (select 1 from treatments t inner join treatments n on n.practice = t.practice and
        n.patient_id = t.patient_id and n.tooth = t.tooth and n.started_on > t.started_on where t.practice =
        r.practice and t.treatment_id = r.treatment_id and n.started_on <= r.seen_on) and not exists (select 1 from
        treatments t inner join treatments n on n.practice = t.practice and n.patient_id = t.patient_id and n.tooth
        = t.tooth and n.kind = 'retreatment' and n.started_on >= t.completed_on and n.started_on > t.started_on
        where t.practice = r.practice and t.treatment_id = r.treatment_id and n.started_on <= r.seen_on) then
        'treated again before' else '' end
    """,
    "visits_of_chair_overlap": """
        case when exists (select 1 from visits v where v.practice = r.practice and v.chair = r.chair and
        cast(v.seated_at as date) = cast(r.seated_at as date) and v.dentist <> r.dentist and v.visit_id <>
        r.visit_id and (v.seated_at < r.seated_at or (v.seated_at = r.seated_at and v.visit_id < r.visit_id)) and
        v.left_at > r.seated_at) then 'overlap' else '' end
    """,
    "patient_in_two_chairs": """
        case when exists ( with p as (select v.practice, t.patient_id, v.visit_id, coalesce(v.chair, 'of ' ||
        v.dentist) as chair, v.seated_at, v.left_at, cast(v.seated_at as date) as day, v.batch_id, v.record_no from
        visits v inner join treatments t on t.practice = v.practice and t.treatment_id = v.treatment_id) select 1
        from (select b.batch_id, b.record_no from p a inner join p b on b.practice = a.practice and b.patient_id =
        a.patient_id and b.day = a.day where a.visit_id <> b.visit_id and a.chair <> b.chair and (a.seated_at <
        b.seated_at or (a.seated_at = b.seated_at and a.visit_id < b.visit_id)) and date_diff('second', b.seated_at,
        a.left_at) > 1800) o where o.batch_id = r.batch_id and o.record_no = r.record_no) then 'in another chair'
        else '' end
    """,
    "use_after_separation": """
        case when r.instrument_id is not null and exists (select 1 from ( select u.batch_id, u.record_no from (
        select b.practice, b.instrument_id, b.treatment_id, b.started_at as at from instrument_uses b where b.result
        = 'separated' and b.instrument_id is not null union all select x.practice, x.instrument_id, x.treatment_id,
        x.occurred_at from incidents x where x.kind = 'separation' and x.instrument_id is not null) s inner join
        instrument_uses u on u.practice = s.practice and u.instrument_id = s.instrument_id where u.treatment_id <>
        s.treatment_id and u.started_at > s.at) a where a.batch_id = r.batch_id and a.record_no = r.record_no) then
        'separated before' else '' end
    """,
    "separation_of_instrument_missing": """
        case when r.retired_reason = 'separated' and exists (select 1 from ( select i.batch_id, i.record_no from
        instruments i inner join instrument_uses u on u.practice = i.practice and u.instrument_id = i.instrument_id
        where i.retired_reason = 'separated' group by i.batch_id, i.record_no having max(case when u.result =
        'separated' then 1 else 0 end) = 0) n where n.batch_id = r.batch_id and n.record_no = r.record_no) and not
        exists (select 1 from incidents x where x.practice = r.practice and x.instrument_id = r.instrument_id and
        x.kind = 'separation') and not exists (select 1 from ( select i.practice, i.instrument_id from instruments i
        inner join ( select x.practice, cast(x.occurred_at as date) as day from incidents x where x.kind =
        'separation' and x.instrument_id is null union select b.practice, cast(b.started_at as date) from
        instrument_uses b where b.result = 'separated' and b.instrument_id is null) s on s.practice = i.practice
        where i.retired_reason = 'separated' and coalesce(abs(date_diff('day', s.day, i.retired_on)), 0) <= 60) m
        where m.practice = r.practice and m.instrument_id = r.instrument_id) then 'none recorded' else '' end
    """,
}


def at_random(rng: random.Random) -> duckdb.DuckDBPyConnection:
    """A store of a few records that have everything in common with each other: teeth, days, chairs, instruments."""
    connection = in_memory()
    many = rng.randrange(2, 40)

    def day() -> dt.date:
        return dt.date(2025, 3, 1) + dt.timedelta(days=rng.randrange(8))

    def moment() -> dt.datetime:
        return dt.datetime(2025, 3, rng.randrange(1, 4), 9) + dt.timedelta(
            minutes=15 * rng.randrange(12), seconds=rng.choice([0, 0, 1])
        )

    def maybe(value: Any, empty: float = 0.15) -> Any:
        return None if rng.random() < empty else value

    def treatment() -> str:
        return f"T{rng.randrange(many)}"

    def instrument() -> str | None:
        return maybe(f"I{rng.randrange(3)}")

    tables: dict[str, list[dict[str, Any]]] = {
        "treatments": [
            {
                "treatment_id": f"T{n}",
                "patient_id": rng.choice(["P1", "P2"]),
                "tooth": maybe(rng.choice([16, 26, 11]), 0.05),
                "kind": maybe(rng.choice(["primary", "retreatment"])),
                "dentist": rng.choice("AB"),
                "started_on": maybe(day(), 0.05),
                "completed_on": maybe(day()),
            }
            for n in range(many)
        ],
        "visits": [
            {
                "visit_id": f"V{rng.randrange(max(2, many // 2))}",
                "treatment_id": f"T{n}",
                "dentist": rng.choice("ABC"),
                "chair": maybe(rng.choice("12")),
                "seated_at": (at := moment()),
                "left_at": at + dt.timedelta(minutes=15 * rng.randrange(1, 9)),
                "reason": maybe(rng.choice(["planned", "pain or swelling"])),
            }
            for n in range(many)
        ],
        "follow_ups": [
            {
                "follow_up_id": f"F{n}",
                "treatment_id": treatment(),
                "seen_on": day(),
                "tooth_present": rng.random() < 0.7,
                "lost_on": maybe(day(), 0.7),
            }
            for n in range(many // 2)
        ],
        "instruments": [
            {
                "instrument_id": f"I{n}",
                "retired_reason": maybe(rng.choice(["separated", "use limit"])),
                "retired_on": maybe(day() + dt.timedelta(days=rng.choice([0, 57, 60, 63, -60]))),
            }
            for n in range(3)
        ],
        "instrument_uses": [
            {
                "use_id": f"U{n}",
                "treatment_id": treatment(),
                "instrument_id": instrument(),
                "started_at": maybe(moment()),
                "result": maybe(rng.choice(["separated", *["intact"] * 4])),
            }
            for n in range(many // 2)
        ],
        "incidents": [
            {
                "incident_id": f"X{n}",
                "treatment_id": treatment(),
                "instrument_id": instrument(),
                "kind": rng.choice(["separation", "ledge", "ledge"]),
                "occurred_at": maybe(moment()),
            }
            for n in range(many // 8)
        ],
    }
    for kind, rows in tables.items():
        for n, row in enumerate(rows):
            named = row | {"practice": rng.choice(["here", "here", "other"]), "batch_id": 1, "record_no": n}
            connection.execute(
                f"insert into {kind} ({', '.join(named)}) values ({', '.join('?' * len(named))})", list(named.values())
            )
    return connection


def test_verdicts_are_those_of_holding_each_record_against_each() -> None:
    rng, spoken = random.Random(17), set()
    rules = {rule.id: rule for rule in suite(ACROSS)}
    for _ in range(16):
        connection = at_random(rng)
        for name, plainly in PLAINLY.items():
            kind = rules[name].kind
            now, before = (
                connection.execute(f"select record_no, {sql} from {kind} as r order by 1").fetchall()
                for sql in (rules[name].judged, plainly)
            )
            assert now == before, name
            spoken |= {name} if any(found for _, found in now) else set()
    assert spoken == PLAINLY.keys()
