"""Imports of random words come to what the suites say, judged row by row, and their books add up.

Beside the import stands a plain run that knows nothing of distinct values, of sets or of books: Great Expectations
judges every record by the rules that blank, the cells are emptied one by one, and it judges every record again by the
other rules.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pytest

from pipeline.checks.suites import Rule, suite
from pipeline.importing.ingest import ingest
from pipeline.mapping.apply import apply
from pipeline.mapping.recognise import recognise
from pipeline.records import KINDS, Column
from pipeline.settings import Settings
from pipeline.sources.read import read
from pipeline.store.batches import today
from pipeline.store.database import open_store
from pipeline.store.schema import columns_sql

ROWS = 120


def words(kind: str, column: Column, dice: np.random.Generator) -> str:
    """What may stand in a cell: a word of the list however written, a number, a date, anything."""
    lists = [r.expectation["kwargs"].get("value_set", []) for r in suite(kind) if r.judged == f'r."{column.name}"']
    known = [str(w) for found in lists for w in found] or ["yes", "no", "1", "5", "25", "0.06", "20.5"]
    word = str(dice.choice(known))
    odd = [word.upper(), f" {word} ", word.title(), word.replace(" ", "  "), word.replace(" ", "\u00a0")]
    odd += ["-1", "7", "250", "9999", "nan", "inf", "2099-01-01", "1925-05-05", "2024-03-04 09:30", "???", "=A1", ""]
    odd += ["2099-01-01 09:00", "2024-03-05", "x" * 60, "é", "a,b", "started_at"]
    return word if dice.random() < 0.5 else str(dice.choice(odd))


def plain(frame: Any, rules: list[Rule], kind: str, day: Any) -> dict[str, dict[int, Any]]:
    """For each rule the records that Great Expectations refuses, judged row by row, with the value it judged."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import great_expectations as gx
        from great_expectations.expectations.expectation_configuration import ExpectationConfiguration

    dated = f"date '{day}'"
    with duckdb.connect() as connection:
        connection.execute(f"create table {kind} ({columns_sql(KINDS[kind])})")
        connection.register("frame", frame)
        connection.execute(f"insert into {kind} by name select * from frame")
        judged = ", ".join(f'{rule.judged.replace("$today", dated)} as "{rule.id}"' for rule in rules)
        values = connection.execute(f"select record_no, {judged} from {kind} as r order by record_no").df()
    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = {"globally": False, "metric_calculations": False}
    whole = gx.ExpectationSuite(name="plain")
    for rule in rules:
        kwargs = {**rule.expectation["kwargs"], "column": rule.id}
        whole.add_expectation_configuration(ExpectationConfiguration(type=rule.expectation["type"], kwargs=kwargs))
    asset = context.data_sources.add_pandas("plain").add_dataframe_asset("records")
    batch = asset.add_batch_definition_whole_dataframe("all").get_batch({"dataframe": values})
    found = {}
    for result in batch.validate(whole, result_format={"result_format": "COMPLETE"}).results:
        rule_id = result.expectation_config.kwargs["column"]
        places = result.result["unexpected_index_list"] or []
        found[rule_id] = {int(values["record_no"][i]): values[rule_id][i] for i in places}
    return found


def as_listed(word: Any, allowed: list[str]) -> Any:
    """The word of the list that is meant, told one by one."""
    plain_word = lambda w: " ".join(str(w).lower().split())  # noqa: E731
    return next((w for w in allowed if plain_word(w) == plain_word(word)), word) if word is not None else None


@pytest.mark.parametrize("kind", KINDS)
def test_random_exports_come_to_what_a_run_row_by_row_says(
    kind: str, store: Path, sound: Callable[..., Any], export: Callable[..., Path]
) -> None:
    dice = np.random.default_rng(sum(map(ord, kind)))
    columns = list(KINDS[kind].columns)
    rows = []
    for n in range(ROWS):
        row = {c.name: sound(kind).get(c.name) or "" for c in columns}
        row |= {KINDS[kind].key[-1]: f"K{n}"}
        for column in columns:
            if not column.key and dice.random() < (0.06 if column.required else 0.4):
                row[column.name] = words(kind, column, dice)
        rows.append(row)
    path = export(f"{kind}.csv", rows)
    (done,) = ingest(store, [path], Settings(practice="here"))
    counts = done.counts
    assert counts.read == ROWS == counts.loaded + counts.unchanged + counts.superseded + counts.quarantined

    # The same, row by row.
    how = recognise(tuple(c.name for c in columns), str(path), name=path.name, as_kind=kind, mapping=None)
    raw = read(path, how[0].options.dialect, None, lambda header: True)
    typed = apply(raw, kind, how[0].mapping, how[0].options, "here", where=path.name)
    with open_store(store) as connection:
        day = today(connection)
    records = {r["record_no"]: r for r in typed.records.to_dicts()}
    for rule in suite(kind):
        if rule.judged == f'r."{rule.columns[0]}"' and rule.action in ("blank", "quarantine"):
            allowed = [w for w in rule.expectation["kwargs"].get("value_set", []) if isinstance(w, str)]
            for record in records.values():
                record[rule.columns[0]] = (
                    as_listed(record[rule.columns[0]], allowed) if allowed else record[rule.columns[0]]
                )
    unparsed = {(f["record_no"], f["column"]) for f in typed.faults.to_dicts()}
    required = set(KINDS[kind].required)
    refused = {number for number, column in unparsed if column in required}
    blanked = {(number, column) for number, column in unparsed if column not in required}

    import polars as pl

    schema = typed.records.schema
    first = pl.DataFrame(list(records.values()), schema=schema).to_arrow()
    for rule_id, found in plain(first, [r for r in suite(kind) if r.action == "blank"], kind, day).items():
        rule = next(r for r in suite(kind) if r.id == rule_id)
        for number, value in found.items():
            named = [c for c in rule.blanks if re.search(rf"(^|, ){c}\b", str(value))]
            blanked |= {(number, column) for column in named or rule.blanks}
    for number, column in blanked:
        records[number][column] = None
    second = pl.DataFrame(list(records.values()), schema=schema).to_arrow()
    rest = plain(second, [r for r in suite(kind) if r.action != "blank"], kind, day)
    actions = {r.id: r.action for r in suite(kind)}
    for rule_id, found in rest.items():
        if actions[rule_id] == "quarantine":
            refused |= set(found)
    accepted = {number: r for number, r in records.items() if number not in refused}

    with open_store(store) as connection:

        def asked(sql: str) -> set[Any]:
            return set(connection.execute(sql).fetchall())

        assert asked("select record_no from quarantine where what = 'row'") == {(n,) for n in refused}
        cells = asked("select record_no, unnest(columns) from quarantine where what = 'cell'")
        assert cells == {cell for cell in blanked if cell[0] not in refused}
        assert asked("select record_no, rule from flags where action = 'warn'") == {
            (n, rule) for rule, found in rest.items() if actions[rule] == "warn" for n in found if n not in refused
        }
        names = [c.name for c in columns if c.name != "patient_id"]
        stored = connection.execute(f"select record_no, {', '.join(names)} from {kind}").fetchall()
        assert {number: values for number, *values in stored} == {
            number: [r[name] for name in names] for number, r in accepted.items()
        }
        # The books of cells, counted once more from the text of the export.
        books = {c: n for c, *n in connection.execute("select * exclude (batch_id) from cells").fetchall()}
        for name in (c.name for c in columns):
            of_rows = [n for n, row in enumerate(rows, start=1) if row[name].strip()]
            gone = sum(1 for n, column in blanked if column == name and n not in refused)
            numbers = {r["record_no"] for r in typed.records.to_dicts()}
            assert len(numbers) == ROWS
            if kind == "instruments" and name in ("lot", "expires_on", "instrument_id"):
                continue  # a device identifier may have filled it
            by_row = dict(zip(sorted(numbers), range(1, ROWS + 1), strict=True))
            in_refused = sum(1 for number in refused if by_row[number] in of_rows)
            expected = [len(of_rows), len(of_rows) - gone - in_refused, gone, in_refused]
            assert books.get(name, [0, 0, 0, 0]) == expected, name
        assert counts.blanked == len(cells)
        assert len(cells) > 5, "random words blank some"
