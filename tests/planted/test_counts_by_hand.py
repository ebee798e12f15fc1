"""Another practice, in our own layout: the program's figures against plain counts on the CSV files themselves.

The counts are written here on purpose in another way than the program's facts: DuckDB reads the files with no more than
their headers, and each figure is one short query.
"""

from __future__ import annotations

from typing import Any

import duckdb
import pytest

from demo_data.generate import Made, generate

SEED, TREATMENTS = 90_210, 800  # a practice that no other test looks at
Program = Any  # of conftest.py


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return generate(tmp_path_factory.mktemp("another") / "exports", SEED, TREATMENTS, layout="canonical")


@pytest.fixture(scope="module")
def program(exports: Made, program_of: Any) -> Program:
    settings = exports.out / "canalwise.toml"
    # Every group is shown here, however small.
    settings.write_text(settings.read_text(encoding="utf-8").replace("smallest_group = 5", "smallest_group = 1"))
    program = program_of(exports.out.parent / "another.duckdb", settings)
    for file in program.ingest(exports.out):
        assert file["loaded"] == file["read"] == exports.rows[file["kind"]] > 0
        assert file["unchanged"] == file["superseded"] == file["quarantined"] == 0
    return program


@pytest.fixture(scope="module")
def csv(exports: Made) -> duckdb.DuckDBPyConnection:
    """The files as views under the names of their kinds."""
    connection = duckdb.connect()
    for kind, path in exports.files.items():
        connection.execute(f"create view {kind} as select * from read_csv('{path}', header = true, sample_size = -1)")
    return connection


def counted(csv: duckdb.DuckDBPyConnection, sql: str) -> dict[Any, Any]:
    return {key: values for key, *values in csv.execute(sql).fetchall()}


def by(rows: list[dict[str, Any]], group: str, *figures: str) -> dict[Any, list[Any]]:
    return {row[group]: [row[f] for f in figures] for row in rows}


def test_every_row_is_there(program: Program, exports: Made) -> None:
    kinds = program.run("status")["kinds"]
    assert {kind: of["records"] for kind, of in kinds.items()} == exports.rows
    assert not any(of["quarantined"] for of in kinds.values())


SEPARATED = """
    select distinct treatment_id, canal from (
        select treatment_id, canal from instrument_uses where result = 'separated'
        union all select treatment_id, canal from incidents where kind = 'separation')
"""


def test_no_canal_has_two_separations(csv: duckdb.DuckDBPyConnection) -> None:
    """So that a canal in which there was one can be counted below instead of the separations."""
    twice = csv.execute(
        """select count(*) from (
             select treatment_id from instrument_uses where result = 'separated'
             group by treatment_id, canal having count(*) > 1
             union all select treatment_id from incidents where kind = 'separation'
             group by treatment_id, canal having count(*) > 1 or any_value(canal) is null)"""
    ).fetchone()
    assert twice == (0,)


def test_separations_per_100_canals_by_sequence(program: Program, csv: duckdb.DuckDBPyConnection) -> None:
    expected = counted(
        csv,
        f"""select c.sequence, count(*), count(s.canal)
            from canals c left join ({SEPARATED}) s using (treatment_id, canal)
            where c.not_treated is null group by c.sequence""",
    )
    rows = program.measure("separations_per_100_canals", "sequence")
    assert by(rows, "sequence", "n", "events") == expected
    assert sum(events for _, events in expected.values()) > 10


def test_separations_per_100_teeth_by_kind(program: Program, csv: duckdb.DuckDBPyConnection) -> None:
    expected = counted(
        csv,
        f"""select kind, count(*), sum((select count(*) from ({SEPARATED}) s where s.treatment_id = t.treatment_id))
            from treatments t where treatment_id in (select treatment_id from canals where not_treated is null)
            or treatment_id in (select treatment_id from instrument_uses) group by kind""",
    )
    assert by(program.measure("separations_per_100_teeth", "kind"), "kind", "n", "events") == expected


def test_separations_per_1000_uses_by_size(program: Program, csv: duckdb.DuckDBPyConnection) -> None:
    expected = counted(csv, "select size, count(*) from instrument_uses group by size")
    rows = program.measure("separations_per_1000_uses", "size")
    assert {size: [n] for size, (n,) in by(rows, "size", "n").items()} == expected
    (events,) = csv.execute(f"select count(*) from ({SEPARATED})").fetchone() or (None,)
    assert sum(row["events"] for row in rows) == events


def test_measured_minutes_by_sequence(program: Program, csv: duckdb.DuckDBPyConnection) -> None:
    expected = counted(
        csv,
        """select sequence, count(*), median(epoch(finished_at - started_at)) / 60 from canals
           where started_at is not null and finished_at is not null and not_treated is null group by sequence""",
    )
    found = by(program.measure("chair_minutes_per_canal", "sequence"), "sequence", "n", "estimate")
    assert found.keys() == expected.keys()
    for sequence, (n, median) in expected.items():
        assert found[sequence] == [n, pytest.approx(median)]


def test_visits_of_completed_teeth(program: Program, csv: duckdb.DuckDBPyConnection) -> None:
    expected = counted(
        csv,
        """select kind, count(distinct treatment_id), count(*) from visits join treatments using (treatment_id)
           where status = 'completed' group by kind""",
    )
    found = by(program.measure("visits_per_tooth", "kind"), "kind", "n", "total")
    assert found == expected


HEALED = """
    with late as (
        select t.treatment_id, t.preop_pai, f.*
        from treatments t join follow_ups f using (treatment_id)
        where t.status = 'completed' and f.seen_on >= t.completed_on + interval 1 year
          and t.completed_on + interval 1 year <= (select max(seen_on) from follow_ups)),
    latest as (select * from late qualify row_number() over (partition by treatment_id order by seen_on desc) = 1),
    lost as (
        select treatment_id, arg_min(lost_reason, seen_on) as reason
        from follow_ups join treatments t using (treatment_id)
        where not tooth_present and t.status = 'completed'
          and t.completed_on + interval 1 year <= (select max(seen_on) from follow_ups)
        group by treatment_id),
    intervened as (
        select t.treatment_id from treatments t join treatments r
            on r.patient_id = t.patient_id and r.tooth = t.tooth and r.treatment_id <> t.treatment_id
            and r.kind = 'retreatment' and r.started_on >= t.completed_on
        where t.status = 'completed' and t.completed_on + interval 1 year <= (select max(seen_on) from follow_ups)
        union
        select treatment_id from follow_ups join treatments t using (treatment_id)
        where cast(surgery_on as date) >= t.completed_on and t.status = 'completed'
          and t.completed_on + interval 1 year <= (select max(seen_on) from follow_ups)
        union
        select treatment_id from lost where reason = 'endodontic'),
    judged as (
        select treatment_id, false as healed from intervened
        union all
        select treatment_id, not signs and pai <= 2 from (
            select *, greatest(pain, tenderness, swelling, sinus_tract) as signs from latest
            where treatment_id not in (select treatment_id from lost union select treatment_id from intervened))
        where signs or (signs is not null and image = 'periapical'
                        and (pai <= 2 or (pai > 2 and preop_pai is not null)))),
    of_tooth as (
        select treatment_id, case when min(sequence) = max(sequence) then min(sequence)
                                  when min(sequence) < max(sequence) then 'mixed' end as sequence
        from canals where not_treated is null group by treatment_id)
    select sequence, count(*), sum(healed::int) from judged left join of_tooth using (treatment_id)
    where treatment_id not in (
        select treatment_id from latest where image = 'cbct'
        and treatment_id not in (select treatment_id from lost union select treatment_id from intervened))
    group by sequence
"""


def test_healed_teeth_by_sequence(program: Program, csv: duckdb.DuckDBPyConnection) -> None:
    expected = counted(csv, HEALED)
    found = by(program.measure("healed_share", "sequence"), "sequence", "n", "events")
    assert found == expected
    assert sum(n for n, _ in expected.values()) > 150


def test_uses_of_instruments_that_were_retired(program: Program, csv: duckdb.DuckDBPyConnection) -> None:
    """The canals that each was taken into; going back to one is no further use. None that is older than the records."""
    expected = csv.execute(
        """with used as (
             select u.instrument_id, u.treatment_id, u.treatment_id || ' ' || u.canal as canal,
                 coalesce(cast(u.started_at as date), t.started_on) as used_on
             from instrument_uses as u left join treatments as t using (treatment_id)),
           begun as (select min(used_on) as first_day from used)
           select count(*), avg(canals) from (
             select instrument_id, count(distinct canal) as canals,
                 count(distinct treatment_id) >= max(sterilisations) or max(received_on) >= max(first_day)
                     or min(used_on) >= max(first_day) + 90 as all_recorded
             from used join instruments using (instrument_id), begun
             where retired_on is not null group by instrument_id)
           where all_recorded"""
    ).fetchone()
    assert expected is not None
    (row,) = program.measure("uses_per_instrument")
    assert (row["n"], row["estimate"]) == (expected[0], pytest.approx(expected[1]))
