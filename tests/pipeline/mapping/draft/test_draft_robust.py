"""Whatever the file, a draft is a mapping file that can be loaded, or one clear refusal."""

from __future__ import annotations

import csv
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.mapping.draft.draft import draft
from pipeline.mapping.model import load_mapping

CORPORA = Path(__file__).resolve().parents[5] / "shared" / "corpora"
FILES = (
    sorted(p for p in CORPORA.rglob("*") if p.is_file() and p.stat().st_size < 2_000_000) if CORPORA.exists() else []
)

TRADE = ["Fall", "Zahn", "Patient", "Behandler", "Art", "Beginn", "Status", "AL MB", "AL DB", "Kanal", "Charge", "UDI"]
CELLS = ["", "36", "11", "01.02.2024", "31.12.2023 09:00", "20,5", "4 %", "ja", "Revision", "25/.06 x2; 30/.04", "MB"]

slow = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def drafted(data: bytes, name: str = "export.csv") -> None:
    """A draft of this file can be loaded; or there is a UserError."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        try:
            text = draft([path]).text
        except UserError as e:
            assert "\n" not in str(e)
            return
        mapping = Path(folder) / "draft.toml"
        mapping.write_text(text, encoding="utf-8")
        assert load_mapping(mapping).kinds


@slow
@given(st.binary(max_size=400))
def test_bytes(data: bytes) -> None:
    drafted(data)


@slow
@given(st.text(max_size=400))
def test_text(text: str) -> None:
    drafted(text.encode("utf-8", "surrogatepass"))


@slow
@given(st.data())
def test_tables_with_any_headers_and_cells(data: st.DataObject) -> None:
    header = data.draw(st.lists(st.one_of(st.sampled_from(TRADE), st.text(max_size=12)), min_size=1, max_size=12))
    cell = st.one_of(st.sampled_from(CELLS), st.text(max_size=12))
    rows = data.draw(st.lists(st.lists(cell, min_size=len(header), max_size=len(header)), max_size=12))
    with tempfile.TemporaryFile("w+", encoding="utf-8", errors="surrogatepass", newline="") as file:
        csv.writer(file, delimiter=data.draw(st.sampled_from(";,\t|"))).writerows([header, *rows])
        file.seek(0)
        drafted(file.read().encode("utf-8", "surrogatepass"))


@pytest.mark.skipif(not FILES, reason="the corpora are not here")
def test_corpora() -> None:
    for path in FILES:
        drafted(path.read_bytes(), path.name)
