"""What is shown never tells the number of a withheld group: exact elimination over random tables."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from pipeline.measures.withhold import withheld

SMALLEST = 5


def follows(known: list[list[int]], wanted: list[int]) -> bool:
    """Is `wanted` a sum of multiples of the known rows? Gauss' elimination in fractions."""
    rows = [[Fraction(v) for v in row] for row in known]
    target = [Fraction(v) for v in wanted]
    for column in range(len(wanted)):
        pivot = next((row for row in rows if row[column]), None)
        if pivot is None:
            continue
        rows.remove(pivot)
        rows = [[a - b * row[column] / pivot[column] for a, b in zip(row, pivot, strict=True)] for row in rows]
        factor = target[column] / pivot[column]
        target = [a - b * factor for a, b in zip(target, pivot, strict=True)]
    return not any(target)


def told(table: dict[tuple[str, ...], int]) -> list[tuple[str, ...]]:
    """Groups too small to report whose number follows from the tables by both groups, by either, and by none."""
    width = len(next(iter(table)))
    cells = sorted(table)
    known: list[list[int]] = []
    secret: list[tuple[tuple[str, ...], list[int]]] = []
    for kept in range(2**width):
        dims = [i for i in range(width) if kept >> i & 1]
        sums: Counter[tuple[str, ...]] = Counter()
        for cell in cells:
            sums[tuple(cell[i] for i in dims)] += table[cell]
        hidden = withheld(dict(sums), [f"group {i}" for i in dims], SMALLEST)
        for group, n in sums.items():
            row = [int(tuple(cell[i] for i in dims) == group) for cell in cells]
            if group not in hidden:
                known.append(row)
            if n < SMALLEST:
                assert group in hidden
                secret.append((group, row))
    return [group for group, row in secret if follows(known, row)]


lines = st.dictionaries(st.tuples(st.sampled_from("abcdef")), st.integers(0, 30), min_size=1)
whole_grids = st.integers(2, 4).flatmap(
    lambda rows: st.lists(st.lists(st.integers(0, 25), min_size=rows, max_size=rows), min_size=2, max_size=4)
)
grids = st.dictionaries(st.tuples(st.sampled_from("abcd"), st.sampled_from("wxyz")), st.integers(1, 25), min_size=2)


@given(lines)
def test_a_line_of_groups(table: dict[tuple[str, ...], int]) -> None:
    assert told(table) == []


@given(whole_grids)
def test_a_grid_with_its_margins(grid: list[list[int]]) -> None:
    assert told({("abcd"[i], "wxyz"[j]): n for i, row in enumerate(grid) for j, n in enumerate(row)}) == []


@given(grids)
def test_a_grid_with_gaps_tells_only_what_nothing_could_hide(table: dict[tuple[str, ...], int]) -> None:
    hidden = withheld(table, ["group 0", "group 1"], SMALLEST)
    for group in told(table):
        for cell in (c for c in table if set(group) <= set(c)):
            assert hidden.issuperset(c for c in table if c[0] == cell[0] or c[1] == cell[1])


@given(st.dictionaries(st.tuples(st.sampled_from("abcd")), st.integers(SMALLEST, 30), min_size=1))
def test_nothing_is_withheld_where_no_group_is_small(table: dict[tuple[str, ...], int]) -> None:
    assert withheld(table, ["sequence"], SMALLEST) == set()


def test_the_smallest_of_the_others_goes_with_it() -> None:
    table = {("hand",): 3, ("rotation",): 40, ("reciprocation",): 12}
    assert withheld(table, ["sequence"], SMALLEST) == {("hand",), ("reciprocation",)}


def test_two_small_groups_that_are_enough_together_need_no_third() -> None:
    assert withheld({("a",): 3, ("b",): 4, ("c",): 9}, ["sequence"], SMALLEST) == {("a",), ("b",)}
    # 1 and 2 are 3 together, as the total less 9 tells: too few units to hide in.
    assert withheld({("a",): 1, ("b",): 2, ("c",): 9}, ["sequence"], SMALLEST) == {("a",), ("b",), ("c",)}


def test_a_month_is_not_told_by_its_year() -> None:
    table = {("2025-11",): 3, ("2025-12",): 9, ("2026-01",): 6, ("2026-02",): 8}
    hidden = withheld(table, ["month"], SMALLEST)
    # January is smaller, but does not stand in the year of November: that year's total would tell.
    assert ("2025-12",) in hidden and ("2025-11",) in hidden
    assert ("2026-02",) not in hidden


def test_a_group_alone_is_withheld_alone() -> None:
    assert withheld({("a",): 3}, ["sequence"], SMALLEST) == {("a",)}
    assert withheld({("a",): 7}, ["sequence"], SMALLEST) == set()


def test_withheld_groups_that_are_enough_together_need_no_other() -> None:
    assert SMALLEST == 5
    assert withheld({("a",): 2, ("b",): 3, ("c",): 10, ("d",): 9}, ["sequence"], SMALLEST) == {("a",), ("b",)}
    assert withheld({("a",): 2, ("b",): 2, ("c",): 10, ("d",): 9}, ["sequence"], SMALLEST) == {("a",), ("b",), ("d",)}


def test_the_smallest_group_that_serves_is_withheld_too() -> None:
    assert withheld({("a",): 3, ("b",): 20, ("c",): 10}, ["sequence"], SMALLEST) == {("a",), ("c",)}


def test_a_month_that_serves_its_quarter_serves_its_year() -> None:
    months = {"2025-01": 10, "2025-02": 40, "2025-03": 40, "2025-04": 3, "2025-05": 20, "2025-06": 30}
    hidden = withheld({(month,): n for month, n in months.items()}, ["month"], SMALLEST)
    assert hidden == {("2025-04",), ("2025-05",)}


def test_a_total_that_its_own_table_withholds_is_not_told_by_this_one() -> None:
    """By sequence alone z (3 teeth) is withheld, and w with it. Were (a, w) shown, z would be all less w and x."""
    table = {("a", "w"): 9, ("a", "x"): 9, ("a", "z"): 2, ("b", "x"): 2, ("b", "z"): 1}
    assert withheld({("w",): 9, ("x",): 11, ("z",): 3}, ["sequence"], SMALLEST) == {("w",), ("z",)}
    assert withheld(table, ["dentist", "sequence"], SMALLEST) == set(table)
    assert told(table) == []
