"""Terms of a case mix: a column of zeros and ones for each level of each stratum, over all units at once.

So every model of a part of the units knows the levels of all: one that the part does not have is judged as usual.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.stats._common import Floats

if TYPE_CHECKING:
    import polars as pl


def terms(units: pl.DataFrame, strata: Sequence[str]) -> Floats:
    """Shape (units, levels), levels in the order of strata and names; a stratum's columns hold no missing value."""
    cases = [units[f"case {s}"] for s in strata]
    found = [(case == level).to_numpy() for case in cases for level in sorted(case.unique().to_list())]
    return np.column_stack(found).astype(float) if found else np.empty((units.height, 0))


def first_seen(patients: pl.Series) -> pl.Series:
    """Numbers of the patients in the order in which they first come, so that no pseudonym decides anything."""
    import polars as pl

    order = patients.unique(maintain_order=True)
    return patients.replace_strict(order, pl.arange(0, order.len(), eager=True), return_dtype=pl.Int64)


def columns(strata: Sequence[str]) -> str:
    """The strata as SQL to select, each as "case NAME"; what is not recorded is a level of its own."""
    return ", ".join(f'coalesce(cast("{s}" as varchar), \'not recorded\') as "case {s}"' for s in strata)


# A patient that is not recorded is nobody else's.
PATIENT = "coalesce(cast(cluster as varchar), 'unit ' || cast(rowid as varchar))"
