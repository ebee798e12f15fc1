"""Random draws that stay the same from one numpy release to the next: everything is made of uniform numbers."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import TypeVar

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from demo_data import truth

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Number = TypeVar("Number", np.int64, np.float64)

FIRST_DAY = np.datetime64(truth.FIRST_DAY)
DATA_DATE = np.datetime64(truth.DATA_DATE)
CLOSED = np.array(
    [
        day
        for year in range(2022, 2032)
        for a, b in truth.CLOSED_FROM_TO
        for day in np.arange(f"{year}-{a}", np.datetime64(f"{year}-{b}") + 1, dtype="datetime64[D]")
    ]
)


class Dice:
    """Draws for one part of the practice. The same seed and name give the same draws, whatever the other parts do."""

    def __init__(self, seed: int, name: str) -> None:
        self._rng = np.random.Generator(np.random.PCG64([seed, zlib.crc32(name.encode())]))

    def uniform(self, n: int, low: float = 0.0, high: float = 1.0) -> Floats:
        drawn: Floats = low + (high - low) * self._rng.random(n)
        return drawn

    def happens(self, n: int, probability: ArrayLike) -> NDArray[np.bool_]:
        return self._rng.random(n) < np.asarray(probability)

    def whole(self, n: int, low: ArrayLike, high: ArrayLike) -> Ints:
        """Whole numbers from low to high, both included."""
        low, high = np.asarray(low), np.asarray(high)
        drawn: Ints = (low + np.floor(self._rng.random(n) * (high - low + 1))).astype(np.int64)
        return drawn

    def pick(self, n: int, weights: ArrayLike) -> Ints:
        """Positions 0, 1, ... with these weights: one row of weights for all draws, or one row a draw."""
        table = np.atleast_2d(np.asarray(weights, dtype=float))
        edges = np.cumsum(table, axis=1)
        drawn: Ints = (self._rng.random(n)[:, None] * edges[:, -1:] >= edges[:, :-1]).sum(axis=1)
        return drawn

    def word(self, n: int, words: Sequence[str | None], weights: Sequence[float]) -> NDArray[np.object_]:
        return np.array(words, dtype=object)[self.pick(n, weights)]

    def normal(self, n: int, mean: ArrayLike = 0.0, sd: ArrayLike = 1.0) -> Floats:
        """Box and Muller 1958 (Ann Math Stat 29:610)."""
        radius = np.sqrt(-2 * np.log(1 - self._rng.random(n)))
        drawn: Floats = np.asarray(mean) + np.asarray(sd) * radius * np.cos(2 * np.pi * self._rng.random(n))
        return drawn

    def lognormal(self, n: int, median: ArrayLike, log_sd: ArrayLike) -> Floats:
        return np.asarray(median) * np.exp(self.normal(n, 0.0, log_sd))

    def wait(self, n: int, per_unit: ArrayLike) -> Floats:
        """Exponential waiting times at these hazards; no hazard, no end."""
        with np.errstate(divide="ignore"):
            drawn: Floats = -np.log(1 - self._rng.random(n)) / np.asarray(per_unit, dtype=float)
        return drawn


def place(group: NDArray[np.generic]) -> Ints:
    """0, 1, 2 ... within each run of equal values; `group` is sorted so that equal values are neighbours."""
    if not len(group):
        return np.zeros(0, dtype=np.int64)
    first = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
    return np.arange(len(group)) - np.repeat(first, np.diff(np.r_[first, len(group)]))


def running(values: NDArray[Number], group: NDArray[np.generic]) -> NDArray[Number]:
    """Sum of the values so far within each run of equal groups, this one included; exact for whole numbers."""
    if not len(group):
        return values
    total = np.cumsum(values)
    first = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
    before = np.r_[0, total[first[1:] - 1]] if len(first) > 1 else np.zeros(1, dtype=total.dtype)
    sums: NDArray[Number] = total - np.repeat(before, np.diff(np.r_[first, len(group)]))
    return sums


def unless(missing: np.ndarray, values: np.ndarray) -> pl.Series:
    """The values as a column, empty where missing."""
    column = pl.Series(values.tolist() if values.dtype == object else values)
    return pl.DataFrame({"v": column, "missing": missing}).select(pl.when(~pl.col("missing")).then("v"))["v"]
