"""Entries of check-values-2.json, and how an answer is held against one: used by test_values_*.py, one a subject."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

Entry = dict[str, Any]

HERE = Path(__file__).parent
ENTRIES: list[Entry] = json.loads((HERE / "check-values-2.json").read_text(encoding="utf-8"))


def entry(name: str) -> Entry:
    """The entry of this id."""
    return next(e for e in ENTRIES if e["id"] == name)


def data(name: str) -> pl.DataFrame:
    """The open data that an entry is computed from: data/NAME.csv, whose README names package and licence."""
    return pl.read_csv(HERE / "data" / f"{name}.csv", infer_schema_length=None)


def hold(of: Entry, found: dict[str, Any]) -> None:
    """Assert that every figure in `found` is the entry's own, within the entry's tolerance."""
    assert found, f"{of['id']} is held against nothing"
    for field, value in found.items():
        tolerance = of["tolerance"][field] if isinstance(of["tolerance"], dict) else of["tolerance"]
        got, wanted = np.asarray(value, dtype=float), np.asarray(of["expected"][field], dtype=float)
        told = f"{of['id']}, {field}: {got} but {wanted} (within {tolerance}) in {of['source']}"
        assert got.shape == wanted.shape, told
        assert np.all(np.abs(got - wanted) <= tolerance + 1e-15), told
