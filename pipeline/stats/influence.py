"""What units of one cluster (teeth of one patient) add to a variance: products of their influences on the estimate.

A unit's influence is by how much it moves the estimate. The variance is the sum over clusters of the squared sum of
their units' influences; of independent units it is the sum of all squares. The difference, which this computes, is made
by clusters of several units alone. Source: the infinitesimal jackknife, Lin DY, Wei LJ, J Am Stat Assoc
1989;84:1074-1078, as R's survfit has it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from ._common import Floats, Ints

_AT_ONCE = 2_000_000  # influences held in memory


def shared(cluster: Ints) -> tuple[Ints, Ints]:
    """Units that share their cluster with another, sorted by cluster, and where among them each cluster begins.

    `cluster` holds a number from 0 a unit.
    """
    together = np.flatnonzero(np.bincount(cluster, minlength=1)[cluster] > 1)
    together = together[np.argsort(cluster[together], kind="stable")]
    return together, np.flatnonzero(np.diff(cluster[together], prepend=-1))


def products(begins: Ints, units: int, columns: int, influence: Callable[[slice], npt.ArrayLike]) -> Floats:
    """Sum over clusters of (sum of influences)**2 - sum of influences**2, a figure a column (a time).

    `influence` gives the influences of the `units` sorted by cluster, shape (units, columns of the slice).
    """
    out = np.zeros(columns)
    if not units:
        return out
    step = max(1, _AT_ONCE // units)
    for start in range(0, columns, step):
        block = slice(start, min(start + step, columns))
        moves = np.asarray(influence(block), dtype=float)
        out[block] = (np.add.reduceat(moves, begins, axis=0) ** 2).sum(axis=0) - (moves**2).sum(axis=0)
    return out
