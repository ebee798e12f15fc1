"""What Great Expectations said of values, kept in the store: of values that it knows nobody loads that library again.

Loading it takes longer than to import a usual month. No value of a record is kept: of a text a hash; of numbers, which
the rules hold against limits, how far they were accepted and from where on they were refused. All of it counts for the
same expectation and the same release of Great Expectations only.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

BETWEEN = "expect_column_values_to_be_between"
_MANY = 200  # texts at once: notes, of which hardly one is like another, so that to know them helps nobody

Expected = tuple[str, bool]  # what two rules have in common that can be judged as one: see judge._same_expectation


def known(connection: Connection, asked: Mapping[Expected, Iterable[Any]]) -> dict[Expected, dict[Any, bool]]:
    """Of the values asked for, those of which a verdict is kept: whether they were refused."""
    names = {_name(expected): expected for expected in asked}
    kept: dict[str, list[tuple[str | None, float | None, bool]]] = {}
    for name, text, number, refused in connection.execute(
        "select expectation, hash, number, refused from value_verdicts where expectation in (select unnest(?))",
        [list(names)],
    ).fetchall():
        kept.setdefault(name, []).append((text, number, refused))
    found: dict[Expected, dict[Any, bool]] = {}
    for name, expected in names.items():
        if name in kept:
            say = _by_limits(kept[name]) if _has_limits(expected) else _by_hash(name, kept[name])
            verdicts = {value: say(value) for value in asked[expected]}
            found[expected] = {value: refused for value, refused in verdicts.items() if refused is not None}
    return found


def keep(connection: Connection, judged: Mapping[Expected, Mapping[Any, bool]]) -> None:
    """Keep what was judged."""
    rows: list[tuple[str, str | None, float | None, bool]] = []
    for expected, verdicts in judged.items():
        name = _name(expected)
        if _has_limits(expected):
            rows += [(name, None, number, refused) for number, refused in _nearest(verdicts)]
        elif len(verdicts) <= _MANY:
            rows += [(name, _hash(name, value), None, refused) for value, refused in verdicts.items()]
    if rows:
        marks = ", ".join(["(?, ?, ?, ?)"] * len(rows))
        connection.execute(f"insert into value_verdicts values {marks}", [cell for row in rows for cell in row])


def _nearest(verdicts: Mapping[Any, bool]) -> list[tuple[float, bool]]:
    """The least and the greatest number that was accepted, and on either side the nearest that was refused."""
    accepted = [float(n) for n, refused in verdicts.items() if not refused and n == n]
    if not accepted:
        return []  # on which side the limit lies is not to be told
    low, high = min(accepted), max(accepted)
    refused = [float(n) for n, bad in verdicts.items() if bad]
    near = [max((n for n in refused if n < low), default=None), min((n for n in refused if n > high), default=None)]
    return [(n, False) for n in {low, high}] + [(n, True) for n in near if n is not None]


def _by_limits(kept: Sequence[tuple[str | None, float | None, bool]]) -> Callable[[Any], bool | None]:
    """What is between two accepted numbers is accepted; what is beyond a refused one, seen from there, is refused."""
    accepted = [n for _, n, refused in kept if n is not None and not refused]
    refused = [n for _, n, bad in kept if n is not None and bad]
    low, high = min(accepted), max(accepted)
    below = max((n for n in refused if n < low), default=-math.inf)
    above = min((n for n in refused if n > high), default=math.inf)

    def say(number: Any) -> bool | None:
        if low <= number <= high:
            return False
        return True if number <= below or number >= above else None

    return say


def _by_hash(name: str, kept: Sequence[tuple[str | None, float | None, bool]]) -> Callable[[Any], bool | None]:
    verdicts = {text: refused for text, _, refused in kept}
    return lambda value: verdicts.get(_hash(name, value))


def _has_limits(expected: Expected) -> bool:
    return BETWEEN in expected[0] and expected[1]


def _hash(name: str, value: Any) -> str:
    return hashlib.sha256(f"{name} {type(value).__name__} {value!r}".encode()).hexdigest()[:24]


def _name(expected: Expected) -> str:
    return hashlib.sha256(f"{expected} {_release()}".encode()).hexdigest()[:24]


@cache
def _release() -> str:
    from importlib.metadata import version

    return version("great_expectations")
