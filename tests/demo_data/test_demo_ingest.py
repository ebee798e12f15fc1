"""The planted faults against the program's rules: what was planted is refused or flagged, and nothing else."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from demo_data import truth
from demo_data.faults import KEYS
from demo_data.generate import Made, generate
from pipeline.importing.ingest import Imported, ingest
from pipeline.settings import load_settings


@pytest.mark.parametrize("kind", list(KEYS))
def test_every_row_is_counted_and_only_planted_rows_are_refused(
    imported: tuple[Path, dict[str, Imported]], demo_exports: Made, kind: str
) -> None:
    counts = imported[1][kind].counts
    planted = [p for p in demo_exports.planted if p.fault.kind == kind]
    refused = sum(p.rows for p in planted if p.fault.caught == "record")
    # Of two rows with one key and different contents neither can be believed: the good one goes with the other.
    refused += sum(2 * p.rows for p in planted if p.fault.name == "same canal, other contents")
    repeated = sum(p.rows for p in planted if p.fault.name in ("same treatment twice", "same use twice"))
    assert counts.read == demo_exports.rows[kind]
    assert counts.quarantined == refused
    assert counts.blanked == sum(
        p.rows * len(p.fault.columns) for p in planted if p.fault.caught == "cell" and p.fault.name != "no size"
    )
    assert counts.unchanged == repeated
    assert counts.loaded == counts.read - refused - repeated


@pytest.mark.parametrize("fault", [f for f in truth.FAULTS if f.caught in ("across", "doubt")], ids=lambda f: f.name)
def test_what_only_other_records_show_is_flagged(
    imported: tuple[Path, dict[str, Imported]], demo_exports: Made, fault: truth.PlantedFault
) -> None:
    planted = next(p for p in demo_exports.planted if p.fault == fault)
    key = " || ' ' || ".join(KEYS[fault.kind])
    action = "flag" if fault.caught == "across" else "warn"
    with duckdb.connect(str(imported[0]), read_only=True) as store:
        marked = store.execute(
            f"""select {key} from {fault.kind} join flags f using (batch_id, source_row)
                where f.kind = ? and f.action = ?""",
            [fault.kind, action],
        ).fetchall()
    assert set(planted.keys) <= {row[0] for row in marked}


def test_the_canonical_layout_has_only_valid_rows(tmp_path: Path) -> None:
    made = generate(tmp_path / "out", 17, 400, layout="canonical")
    settings = load_settings(made.out / "canalwise.toml")
    for one in ingest(tmp_path / "store.duckdb", list(made.files.values()), settings):
        assert one.counts.loaded == one.counts.read == made.rows[one.kind] > 0
