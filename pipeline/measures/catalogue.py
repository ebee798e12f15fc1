"""The catalogue: every measure is a pair of files in definitions/, NAME.sql and NAME.toml, found by name.

NAME.sql gives one row a unit (visit, canal, use, instrument, tooth) from the tables of facts, with every column that
the unit can be grouped by, `left_out` (why a unit does not count, else NULL), and by kind of measure:
share: numerator, denominator (and cluster) - rate: numerator, exposure - time and amount: value (and cluster) -
survival: time, event - comparison: numerator, denominator - list: the lines as they are shown. Where a unit stands in
several rows, `unit` tells which.
NAME.toml says what a person must know of it. Division, intervals and masking are the runner's. A measure whose kind
counts records themselves (completeness) has no units: no SQL.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from functools import cache, cached_property
from importlib.resources import files
from string import Template
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, field_validator

from pipeline.errors import UserError
from pipeline.facts.prepare import make, prepare, reads, texts
from pipeline.measures.groups import FROM_DATE, GROUPS
from pipeline.settings import Settings
from pipeline.store.database import in_memory


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Example(_Strict):
    """A worked example as small tables: given these records, and asked so, expect these rows.

    `by`, `where`, `from`, `to` (both days included) and `as_of` are what `canalwise measure` takes under these names.
    """

    model_config = ConfigDict(validate_by_name=True)

    says: str
    given: dict[str, str]
    expect: str
    by: tuple[str, ...] = ()
    where: dict[str, str] = {}
    start: dt.date | None = Field(default=None, alias="from")
    end: dt.date | None = Field(default=None, alias="to")
    as_of: dt.date | None = None
    settings: dict[str, Any] = {}


class Published(_Strict):
    """A figure from the literature, shown as context: never a target or a grade."""

    value: float
    low: float | None = None
    high: float | None = None
    n: int | None = None
    population: str
    source: str
    differs: str


class Default(_Strict):
    """Units that a figure is made of unless it is grouped by `group`; the others are left out, with the reason."""

    group: str
    value: str
    reason: str


class Measure(_Strict):
    """One measure: what it is, what it needs, how it is shown, and worked examples."""

    name: str
    sql: str  # empty where the kind counts records, not units
    title: str
    unit: str
    kind: str  # a module of pipeline.measures.kinds
    definition: str
    caption: str
    source: str
    numerator: str = ""
    denominator: str = ""
    scale: float = 1.0
    time_unit: str = ""
    horizons: tuple[float, ...] = ()
    compare: str = ""
    rate: bool = False  # of a funnel after case mix: a unit may have several events
    strata: tuple[str, ...] = ()
    adjust: tuple[str, ...] = ()  # of a comparison: columns that the headline allows for, beside the strata's table
    adjust_numbers: tuple[str, ...] = ()  # the same, as numbers (linear)
    not_adjusted: dict[str, str] = {}  # recorded, if "kind.column" is filled, and not allowed for: what it is in words
    not_recorded: str = ""  # what no record tells, in words
    order: tuple[str, ...] = ()
    needs: dict[str, tuple[str, ...]] = {}
    needs_one_of: tuple[str, ...] = ()
    default: Default | None = None
    extras: dict[str, str] = {}
    shares: dict[str, str] = {}  # of a time: a condition counted beside the figure, with its share of n and interval
    published: tuple[Published, ...] = ()
    example: tuple[Example, ...] = Field(min_length=0, default=())

    @field_validator("kind")
    @classmethod
    def _known_kind(cls, value: str) -> str:
        if value not in _names("pipeline.measures.kinds", ".py") or value.startswith("_"):
            raise ValueError(f"there is no kind {value}")
        return value

    @cached_property
    def named(self) -> frozenset[str]:
        """Words of what the measure says of its units' columns: strata, what is adjusted for, extras and the like."""
        said = (*self.strata, *self.adjust, *self.adjust_numbers, *self.extras.values(), *self.shares.values())
        return frozenset(re.findall(r"\w+", " ".join((self.compare, *said))))

    @property
    def facts(self) -> tuple[str, ...]:
        """The tables of facts that the measure reads."""
        return tuple(sorted(reads(self.sql) & texts().keys()))

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of the measure's units."""
        if self.sql and self.sql not in _columns:
            make(_empty_store(), self.facts, empty=True)
            self.read_columns(_empty_store())
        return _columns[self.sql] if self.sql else ()

    def read_columns(self, connection: Any) -> None:
        """Read `columns` off a store where the measure's facts are made: sooner done than to make an empty one."""
        if self.sql and self.sql not in _columns:
            found = connection.execute("describe " + Template(self.sql).substitute(as_of="2000-01-01")).fetchall()
            _columns[self.sql] = tuple(name for name, *_ in found)

    @property
    def groups(self) -> tuple[str, ...]:
        """What the measure can be grouped by: every group that its unit has."""
        if self.kind == "list":
            return ()
        dated = "happened_on" in self.columns
        return tuple(g for g in GROUPS if g in self.columns or (dated and g in FROM_DATE))


@cache
def _empty_store() -> Any:
    connection = in_memory()
    prepare(connection, Settings(), dt.date(2000, 1, 1))
    return connection


_columns: dict[str, tuple[str, ...]] = {}  # of the units of a measure, by its SQL; every store has the same


@cache
def catalogue() -> dict[str, Measure]:
    """Every measure by its name, in order of name."""
    return {name: _measure(name) for name in _names(_DEFINITIONS, ".toml")}


_DEFINITIONS = "pipeline.measures.definitions"


@cache
def _names(package: str, end: str) -> tuple[str, ...]:
    return tuple(sorted(p.name.removesuffix(end) for p in files(package).iterdir() if p.name.endswith(end)))


@cache
def _measure(name: str) -> Measure:
    """One measure, without the time that all take to read."""
    toml, sql = (files(_DEFINITIONS) / f"{name}{end}" for end in (".toml", ".sql"))
    data = tomllib.loads(toml.read_text(encoding="utf-8"))
    text = sql.read_text(encoding="utf-8") if sql.is_file() else ""
    return Measure.model_validate({"name": name, "sql": text, **data})


def find(name: str) -> Measure:
    """The measure of that name; a UserError names the nearest when there is none."""
    measures = _names(_DEFINITIONS, ".toml")
    if name in measures:
        return _measure(name)
    import difflib

    near = difflib.get_close_matches(name, measures, n=1)
    raise UserError(
        f"there is no measure {name}" + (f"; did you mean {near[0]}?" if near else ""),
        do="`canalwise measures` lists them",
    )
