"""Exports with damaged bytes, in every format: refused in one line, or every record accounted for. Never a crash.

The damage is drawn by Hypothesis: bytes changed, cut out, doubled, inserted, the file cut short.
"""

from __future__ import annotations

import gzip
import io
import json
import shutil
import tempfile
import zipfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.importing.ingest import ingest
from pipeline.settings import Settings
from pipeline.store.database import open_store

HEADER = ("visit_id", "treatment_id", "dentist", "seated_at", "left_at", "booked_minutes", "reason")
ROWS = [
    (
        f"V{i}",
        f"T{i % 4}",
        'Dr "A", B',
        f"2024-03-0{1 + i % 9} 09:00:00",
        f"2024-03-0{1 + i % 9} 10:00:00",
        "60",
        "planned",
    )
    for i in range(30)
]


def _csv() -> bytes:
    return pl.DataFrame(ROWS, schema=list(HEADER), orient="row").write_csv().encode()


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("visits.csv", _csv())
    return out.getvalue()


def _xlsx() -> bytes:
    out = io.BytesIO()
    pl.DataFrame(ROWS, schema=list(HEADER), orient="row").write_excel(out)
    return out.getvalue()


def _parquet() -> bytes:
    out = io.BytesIO()
    pl.DataFrame(ROWS, schema=list(HEADER), orient="row").write_parquet(out)
    return out.getvalue()


def _ndjson() -> bytes:
    return "\n".join(json.dumps(dict(zip(HEADER, row, strict=True))) for row in ROWS).encode()


SOUND = {
    "visits.csv": _csv(),
    "visits.tsv": _csv().replace(b",", b"\t"),
    "utf16.csv": _csv().decode().encode("utf-16"),
    "visits.csv.gz": gzip.compress(_csv()),
    "visits.zip": _zip(),
    "visits.xlsx": _xlsx(),
    "visits.parquet": _parquet(),
    "visits.ndjson": _ndjson(),
    "visits.json": b"[" + _ndjson().replace(b"\n", b",\n") + b"]",
}


@st.composite
def damage(draw: st.DrawFn, sound: bytes) -> bytes:
    """The bytes after one to five accidents."""
    data = bytearray(sound)
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        length = draw(st.sampled_from([1, 2, 7, 100]))
        match draw(st.sampled_from(["change", "cut", "double", "insert", "end", "sign"])):
            case "change":
                data[at : at + 1] = bytes([draw(st.integers(0, 255))])
            case "cut":
                del data[at : at + length]
            case "double":
                data[at:at] = data[at : at + length]
            case "insert":
                data[at:at] = draw(st.binary(min_size=1, max_size=8))
            case "sign":
                data[at : at + 1] = draw(st.sampled_from([b'"', b",", b"\n", b"\r", b"\0", b"'", b"\xff"]))
            case "end":
                del data[at:]
    return bytes(data)


@pytest.mark.parametrize("name", list(SOUND))
@given(data=st.data())
@settings(deadline=None, max_examples=10, suppress_health_check=[HealthCheck.too_slow])
def test_damage_is_refused_in_one_line_or_every_record_is_accounted_for(name: str, data: st.DataObject) -> None:
    damaged = data.draw(damage(SOUND[name]))
    folder = Path(tempfile.mkdtemp())
    try:
        path, store = folder / name, folder / "canalwise.duckdb"
        path.write_bytes(damaged)
        try:
            (imported,) = ingest(store, [path], Settings(practice="here"))
        except UserError as refusal:
            assert "\n" not in str(refusal)
            assert not store.exists()
            return
        counts = imported.counts
        assert counts.read == counts.loaded + counts.unchanged + counts.superseded + counts.quarantined
        with open_store(store) as connection:
            refused = connection.execute("select count(*) from quarantine where what = 'row'").fetchone()
            loaded = connection.execute("select count(*) from visits").fetchone()
        assert (loaded, refused) == ((counts.loaded,), (counts.quarantined,))
    finally:
        shutil.rmtree(folder)


@pytest.mark.parametrize("name", list(SOUND))
def test_undamaged_every_record_is_loaded(name: str, tmp_path: Path, store: Path) -> None:
    (tmp_path / name).write_bytes(SOUND[name])
    (imported,) = ingest(store, [tmp_path / name], Settings(practice="here"))
    assert (imported.counts.read, imported.counts.loaded) == (30, 30)
