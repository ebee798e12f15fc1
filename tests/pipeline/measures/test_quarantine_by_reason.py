"""Why rows were refused: most frequent first, each with its share and the share together with those before it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.importing.ingest import ingest
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import open_store


def test_shares_add_up_to_one_from_the_most_frequent_reason_on(
    sound: Callable[..., dict[str, str | None]], export: Callable[..., Path], store: Path
) -> None:
    rows = [sound("treatments", treatment_id=f"T{i}", tooth="99") for i in range(3)]
    late = "2099-01-01"
    rows += [
        sound("treatments", treatment_id="T8", started_on=late, completed_on=None),
        sound("treatments", treatment_id="T9"),
    ]
    list(ingest(store, [export("treatments.csv", rows)], Settings(time_zone="Europe/Vienna")))
    with open_store(store) as connection:
        found = Workspace(connection, Settings()).compute("quarantine_by_reason").rows
    # By hand: four refusals, three of them for the tooth.
    assert [row["rows_refused"] for row in found] == [3, 1]
    assert [row["share"] for row in found] == pytest.approx([0.75, 0.25])
    assert [row["cumulated_share"] for row in found] == pytest.approx([0.75, 1.0])


def test_cells_left_empty_are_counted_beside_the_rows(
    sound: Callable[..., dict[str, str | None]], export: Callable[..., Path], store: Path
) -> None:
    rows = [sound("treatments", treatment_id=f"T{i}", preop_pai="9", lesion_mm="-1") for i in range(2)]
    rows += [sound("treatments", treatment_id="T8", tooth="99", preop_pai="9"), sound("treatments", treatment_id="T9")]
    path = export("treatments.csv", rows)
    only_cells = store.with_name("cells.duckdb")
    list(ingest(store, [path], Settings()))
    list(ingest(only_cells, [export("t.csv", [*rows[:2], rows[3]])], Settings()))
    with open_store(store) as connection:
        found = Workspace(connection, Settings()).compute("quarantine_by_reason").rows
    assert {row["rule"]: (row["rows_refused"], row["cells_left_empty"]) for row in found} == {
        "tooth_not_fdi": (1, 0),
        "preop_pai_not_1_to_5": (1, 2),  # of the refused row it is one of two faults
        "lesion_out_of_range": (0, 2),
    }
    with open_store(only_cells) as connection:
        found = Workspace(connection, Settings()).compute("quarantine_by_reason").rows
        complete = Workspace(connection, Settings()).compute("completeness").rows
    assert [(row["share"], row["cumulated_share"]) for row in found] == [(None, None)] * 2
    (recorded,) = [
        row for row in complete if (row["measure"], row["record_kind"]) == ("preop_pai_recorded", "treatments")
    ]
    assert (recorded["records"], recorded["complete"], recorded["left_empty"]) == (3, 0, 2)
