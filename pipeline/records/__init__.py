"""The record kinds: what a practice exports, in the layout that the store holds.

One kind is one table, and one TOML beside this file: treatments.toml, visits.toml and so on. They are the only place
where columns are written down; the store's tables, the mapping, the words that drafts know, the rules on what must be
filled in and on lists of words (expectations.py writes those) and the reference of columns (reference.py) follow.

A file has `title`, `place` (among the kinds), `dated_by` (the column that says when it happened) and a table
`[columns.NAME]` a column, in the order in which they are stored:

- `type`: text, int, decimal, date, timestamp or bool; `unit`, as a person reads it;
- `key = true`: part of what names a record inside one practice; `required = true`: a record without it is refused (a
  key always is); `expected = true`: a record without it is kept and listed. Any other column may be empty;
- `values`: the words or numbers that it takes, what is none of them leaves the cell empty (or refuses the record where
  it is required); `usual_values`: another one is kept, with a warning;
- `range.limits`: [lowest, highest] of a number (`inf` where there is no end), with `range.reason` (a sentence for the
  practice) and `range.source`; what lies beyond leaves the cell empty, or refuses the record where it is required.
  In place of the two, `range.rule` names a rule that several columns share, and which has the reason. `usual_range`,
  alike: what lies beyond is kept, with a warning;
- `not_before`, `not_after`: where a date or time lies, 1950-01-01 to today unless the column says other days; what
  lies beyond leaves the cell empty, or refuses the record where it is required;
- `about`: what it means, a line for users;
- `group`: what it is called where figures are grouped by it (`anaesthetic`, `kind of image`): measures whose facts
  carry the column can be, and pages title it so. Only for columns of few values, never for one that names a patient;
- `words.LANGUAGE`: how practices head it in the trade's usual words, from common practice, no source. Capitals,
  diacritics, underscores and what stands in brackets do not count when headers are compared, and number words (no.,
  Nr., n°, núm., ID, code) are all alike. Our own name is known without being listed. `words_of = "KIND"`: as the column
  of this name in that kind.
"""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any, Literal, get_args

Type = Literal["text", "int", "decimal", "date", "timestamp", "bool"]

SQL_TYPE: dict[Type, str] = {
    "text": "VARCHAR",
    "int": "INTEGER",
    "decimal": "DOUBLE",
    "date": "DATE",
    "timestamp": "TIMESTAMP",
    "bool": "BOOLEAN",
}
LANGUAGES = ("en", "de", "fr", "es", "it", "pl")

# A patient treated before 1950 is hardly in a practice's records of today: common practice, no source.
EARLIEST = dt.date(1950, 1, 1)

# Provenance, in every table: practice, the file and row of the export, when it was loaded, and the batch.
PROVENANCE = ("practice", "source_file", "source_row", "loaded_at", "batch_id", "record_no")


@dataclass(frozen=True)
class Range:
    """What a number lies between, both ends with it, in its column's unit; infinite where there is no end.

    `reason` says so in a sentence for the practice, `source` who says so; or both stand with the `rule` of the suite
    that several columns share.
    """

    low: int | float
    high: int | float
    reason: str = ""
    source: str = ""
    rule: str = ""


@dataclass(frozen=True)
class Column:
    """One column of a record kind.

    Without `required` ones a record is refused, `key` ones identify it. `expected` ones should be there: an empty one
    is kept and listed, and what needs it says so. `values` are the words (or numbers) of its list, `usual_values` those
    of a list that others may join. `range`: what a number must lie in, `usual_range`: does as a rule. `not_before` and
    `not_after` (None: today) are the days between which a date lies. `group`: its title where figures are grouped by
    it. `words`: language -> how practices head it.
    """

    name: str
    type: Type = "text"
    required: bool = False
    key: bool = False
    expected: bool = False
    unit: str = ""
    about: str = ""
    values: tuple[str | int, ...] = ()
    usual_values: tuple[str | int, ...] = ()
    range: Range | None = None
    usual_range: Range | None = None
    not_before: dt.date = EARLIEST
    not_after: dt.date | None = None
    group: str = ""
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict, compare=False, repr=False)


@dataclass(frozen=True)
class Kind:
    """A record kind: its name (also its table's), columns, and the date that says when it happened."""

    name: str
    title: str
    columns: tuple[Column, ...]
    dated_by: str

    @property
    def words(self) -> str:
        """What its records are called in a sentence: `instrument uses`, `follow-ups`."""
        return self.name.replace("follow_", "follow-").replace("_", " ")

    @property
    def key(self) -> tuple[str, ...]:
        """The natural key inside one practice."""
        return tuple(c.name for c in self.columns if c.key)

    @property
    def required(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns if c.required)

    @property
    def expected(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns if c.expected)

    @property
    def usual(self) -> tuple[str, ...]:
        """What an export of the kind usually has: required and expected columns."""
        return tuple(c.name for c in self.columns if c.required or c.expected)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns)

    @property
    def lists(self) -> dict[str, tuple[str, ...]]:
        """The words of each text column that takes no others."""
        return {c.name: tuple(map(str, c.values)) for c in self.columns if c.type == "text" and c.values}

    def column(self, name: str) -> Column:
        return next(c for c in self.columns if c.name == name)


def read(folder: Traversable) -> dict[str, Kind]:
    """The kinds of the TOML files in a folder, by name, in the order of their `place`.

    A ValueError names the file and column that cannot be read so.
    """
    found = {
        file.name.removesuffix(".toml"): tomllib.loads(file.read_text(encoding="utf-8"))
        for file in folder.iterdir()
        if file.name.endswith(".toml")
    }
    in_order = sorted(found.items(), key=lambda item: item[1]["place"])
    return {name: _kind(name, data, found) for name, data in in_order}


def _kind(name: str, data: dict[str, Any], all_: dict[str, dict[str, Any]]) -> Kind:
    _only(data, {"title", "place", "dated_by", "columns"}, name)
    columns = tuple(_column(f"{name}.{column}", column, of, all_) for column, of in data["columns"].items())
    if data["dated_by"] not in data["columns"]:
        raise ValueError(f"{name}: dated_by is none of its columns")
    return Kind(name, data["title"], columns, data["dated_by"])


_KEYS = {
    *("type", "unit", "key", "required", "expected", "about", "values", "usual_values"),
    *("range", "usual_range", "not_before", "not_after", "group", "words", "words_of"),
}
NUMBERS: tuple[Type, ...] = ("int", "decimal")
DATES: tuple[Type, ...] = ("date", "timestamp")
_ONLY_OF = {"range": NUMBERS, "usual_range": NUMBERS, "not_before": DATES, "not_after": DATES}


def _column(where: str, name: str, data: dict[str, Any], all_: dict[str, dict[str, Any]]) -> Column:
    _only(data, _KEYS, where)
    if data.get("type") not in get_args(Type):
        raise ValueError(f"{where}: its type is none of {', '.join(get_args(Type))}")
    marks = [mark for mark in ("key", "required", "expected") if data.get(mark)]
    if len(marks) > 1 or {"values", "usual_values"} <= set(data) or {"words", "words_of"} <= set(data):
        raise ValueError(f"{where}: says one thing twice; a key is always required")
    for key, types in _ONLY_OF.items():
        if key in data and data["type"] not in types:
            raise ValueError(f"{where}: {key} is nothing for {data['type']}")
    words = data.get("words", {})
    if "words_of" in data:
        words = all_.get(data["words_of"], {}).get("columns", {}).get(name, {}).get("words")
        if words is None:
            raise ValueError(f"{where}: {data['words_of']}.toml has no words for it")
    _only(words, set(LANGUAGES), f"{where}, words")
    return Column(
        name,
        data["type"],
        required=marks in (["key"], ["required"]),
        key=marks == ["key"],
        expected=marks == ["expected"],
        unit=data.get("unit", ""),
        about=data.get("about", ""),
        values=tuple(data.get("values", ())),
        usual_values=tuple(data.get("usual_values", ())),
        range=_range(f"{where}, range", data.get("range")),
        usual_range=_range(f"{where}, usual_range", data.get("usual_range")),
        not_before=data.get("not_before", EARLIEST),
        not_after=data.get("not_after"),
        group=data.get("group", ""),
        words={language: tuple(of) for language, of in words.items()},
    )


def _range(where: str, data: dict[str, Any] | None) -> Range | None:
    if data is None:
        return None
    _only(data, {"limits", "reason", "source", "rule"}, where)
    if set(data) not in ({"limits", "reason", "source"}, {"limits", "rule"}):
        raise ValueError(f"{where}: has limits, and either a reason and its source or the rule that has them")
    low, high = data["limits"]
    if not low < high or (math.isinf(low) and math.isinf(high)):
        raise ValueError(f"{where}: from {low} to {high} is none")
    return Range(low, high, data.get("reason", ""), data.get("source", ""), data.get("rule", ""))


def _only(data: dict[str, Any], known: set[str], where: str) -> None:
    if more := sorted(set(data) - known):
        raise ValueError(f"{where}: nobody reads {', '.join(more)}")


KINDS: dict[str, Kind] = read(files(__package__))
