"""Which groups are withheld so that those too small to report cannot be made out from totals.

A group of 3 that is not shown is told by its table's total less the groups that are shown. So a second group is
withheld with it, the smallest that serves, until no withheld number follows from what is shown: the other groups, the
totals by fewer groups, and the totals by quarter and year. (Secondary cell suppression: Willenborg L, de Waal T,
Elements of Statistical Disclosure Control, Springer 2001, from memory.)

Two things are not looked at: what questions over different days or units tell together, and a group that stands alone
in a total, which no other group can hide.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import product

import numpy as np
import numpy.typing as npt

Group = tuple[str, ...]
Matrix = npt.NDArray[np.float64]
Level = tuple[str, Callable[[str], str]]  # a group's name, and how its value follows from that of a finer group


def withheld(sizes: Mapping[Group, int], by: Sequence[str], smallest: int) -> set[Group]:
    """The groups not to be shown: those of fewer than `smallest` units, and what else would tell their number.

    `sizes` are the units of each group of a table by `by`, whose groups share no unit.
    """
    hidden = {group for group, n in sizes.items() if n < smallest}
    if not hidden:
        return hidden
    shown_totals, hidden_totals = _totals(sizes, by, smallest)
    while True:
        more = _to_add(sizes, hidden, shown_totals, hidden_totals, smallest)
        if not more:
            return hidden
        hidden |= more


def _to_add(
    sizes: Mapping[Group, int],
    hidden: set[Group],
    shown_totals: Sequence[frozenset[Group]],
    hidden_totals: Sequence[frozenset[Group]],
    smallest: int,
) -> set[Group]:
    """Groups to withhold too: of each total that tells too much the smallest one that is still shown."""
    unknown = sorted(hidden)
    place = {group: i for i, group in enumerate(unknown)}

    def indicator(total: frozenset[Group]) -> Matrix:
        row = np.zeros(len(unknown))
        row[[place[g] for g in total if g in hidden]] = 1
        return row

    known = [total for total in shown_totals if not hidden.isdisjoint(total)]
    space = _row_space(np.array([indicator(total) for total in known]).reshape(len(known), len(unknown)))
    derivable = {unknown[i] for i in np.flatnonzero((space**2).sum(axis=0) > 1 - 1e-9)}
    # Together the withheld groups of a total are enough units, else all of them are told to be small.
    loose = [t for t in known if not derivable.isdisjoint(t) or sum(sizes[g] for g in t & hidden) < smallest]
    for total in hidden_totals:
        row = indicator(total)
        if float(np.linalg.norm(row - space.T @ (space @ row))) < 1e-6:
            loose.append(total)
    # The narrowest total first: what is withheld for a quarter often serves its year too.
    shown = sorted(([g for g in total if g not in hidden and sizes[g] > 0] for total in loose), key=len)
    added: set[Group] = set()
    for groups in shown:
        if groups and added.isdisjoint(groups):
            added.add(min(groups, key=lambda g: (sizes[g], g)))
    return added


def _row_space(a: Matrix) -> Matrix:
    """An orthonormal basis of what the rows of `a` span, one a row."""
    if not a.size:
        return np.zeros((0, a.shape[1]))
    _, singular, basis = np.linalg.svd(a, full_matrices=False)
    return np.asarray(basis[singular > 1e-9 * singular.max()])


def _totals(
    sizes: Mapping[Group, int], by: Sequence[str], smallest: int
) -> tuple[list[frozenset[Group]], list[frozenset[Group]]]:
    """Totals of the table that another question shows, and those that it withholds, as the groups that make them up."""
    shown: list[frozenset[Group]] = []
    hidden: list[frozenset[Group]] = []
    for levels in list(product(*(_levels(name) for name in by)))[1:]:  # the first is the table itself
        parts: dict[Group, list[Group]] = {}
        for group in sizes:
            total = tuple(of(value) for (name, of), value in zip(levels, group, strict=True) if name)
            parts.setdefault(total, []).append(group)
        names = [name for name, _ in levels if name]
        small = withheld({t: sum(sizes[g] for g in groups) for t, groups in parts.items()}, names, smallest)
        for total, groups in parts.items():
            (hidden if total in small else shown).append(frozenset(groups))
    return shown, hidden


def _levels(name: str) -> list[Level]:
    """How finely a group can be told, the finest first; the last, without a name, not at all."""
    levels: list[Level] = [(name, str)]
    if name == "month":
        levels.append(
            ("quarter", lambda month: f"{month[:4]}-Q{(int(month[5:7]) + 2) // 3}" if "-" in month else month)
        )
    if name in ("month", "quarter"):
        levels.append(("year", lambda day: day[:4]))
    return [*levels, ("", lambda _: "")]
