"""Why rows were refused: most frequent first, each with its share and the share together with those before it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.ingest import ingest
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import open_store


def test_shares_add_up_to_one_from_the_most_frequent_reason_on(
    sound: Callable[..., dict[str, str | None]], export: Callable[..., Path], store: Path
) -> None:
    rows = [sound("treatments", treatment_id=f"T{i}", tooth="99") for i in range(3)]
    rows += [sound("treatments", treatment_id="T8") | {"kind": "unheard of"}, sound("treatments", treatment_id="T9")]
    list(ingest(store, [export("treatments.csv", rows)], Settings(time_zone="Europe/Vienna")))
    with open_store(store) as connection:
        found = Workspace(connection, Settings()).compute("quarantine_by_reason").rows
    # By hand: four refusals, three of them for the tooth.
    assert [row["rows_refused"] for row in found] == [3, 1]
    assert [row["share"] for row in found] == pytest.approx([0.75, 0.25])
    assert [row["cumulated_share"] for row in found] == pytest.approx([0.75, 1.0])
