"""Running measures: facts made once, units counted in SQL, then divided, bounded and masked in one place."""

from __future__ import annotations

import datetime as dt
import hashlib
import sys
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from string import Template
from typing import TYPE_CHECKING, Any

from pipeline.checks import across
from pipeline.checks.suites import all_rules
from pipeline.errors import UserError
from pipeline.facts.prepare import data_date, make, prepare
from pipeline.measures.catalogue import Measure, find
from pipeline.measures.groups import FROM_DATE, GROUPS
from pipeline.measures.kinds import UNIT_COLUMNS
from pipeline.measures.kinds._common import Answer
from pipeline.measures.withhold import withheld
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.store.known import known_now, known_on, last_day

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

Row = dict[str, Any]


# A measure's table of units with more values than these (8 MB) is made anew for each question.
MOST_VALUES = 1_000_000

PAIRS = ("comparison", "rate_comparison")  # kinds that compare each pair of groups


@dataclass(frozen=True)
class Result:
    """A computed measure. `rows` hold group columns, then n, the estimate and its interval (see README)."""

    measure: str
    title: str
    unit: str
    kind: str
    by: tuple[str, ...]
    rows: list[Row]
    left_out: list[Row]
    suppressed: int

    def as_json(self) -> Row:
        return {**vars(self), "by": list(self.by)}


class Workspace:
    """A store with its facts made, ready to compute any number of measures.

    `as_of` is the date up to which follow-up counts; the latest date in the data unless given. `known` is the moment up
    to which imports count (see store.known); all of them unless given. Facts are temporary tables of the connection,
    each made when it is first needed: the latest workspace made on a connection is the one that counts; one on
    `connection.cursor()` stands beside it. Records that come into the store later need a new workspace.
    """

    def __init__(
        self,
        connection: Connection,
        settings: Settings,
        as_of: dt.date | None = None,
        known: dt.datetime | None = None,
        settings_from: str = "",
    ) -> None:
        self.connection = connection
        self.settings = settings
        self.settings_from = settings_from  # in words, for whoever reads the figures
        if known is None:
            known_now(connection)
        else:
            known_on(connection, known)
            across.refresh(connection, last_day(connection))  # whatever is doubtful now may not have been so then
        self.as_of = as_of or data_date(connection) or dt.date.today()
        self._begin()
        prepare(connection, settings, self.as_of)

    def _begin(self) -> None:
        self.kept = ""  # the units that counted in the latest answer, as SQL to select from
        self._holds: dict[tuple[str, str | None], bool] = {}  # is there a record of this kind, with this column
        self._made: set[str] = set()  # facts that are there
        self._rows_of: dict[str, int] = {}  # and how many rows they have
        self._unit_tables: set[str] = set()  # tables of units that are there

    def missing(self, name: str) -> list[str]:
        """What the store lacks to compute a measure, in words; empty when nothing is lacking."""
        measure = find(name)
        lacking = []
        for kind, columns in measure.needs.items():
            if not self._filled(kind, None):
                lacking.append(f"no {_words(kind)}")
            else:
                lacking += [f"no {_words(kind)} with {_words(c)}" for c in columns if not self._filled(kind, c)]
        if measure.needs_one_of and not any(self._filled(kind, None) for kind in measure.needs_one_of):
            lacking.append("neither " + " nor ".join(map(_words, measure.needs_one_of)))
        return lacking

    def compute(
        self,
        name: str,
        by: Sequence[str] = (),
        start: dt.date | None = None,
        end: dt.date | None = None,
        where: Mapping[str, str] | None = None,
        also: Collection[str] = (),
    ) -> Result:
        """Compute a measure, grouped by `by`, over units that happened from `start` to `end` (both included).

        `where` keeps units with these values of groups. `also` are columns of the units that the caller wants of
        `kept`. UserError for an unknown measure or group, or when the store lacks what the measure needs.
        """
        measure = find(name)
        lacking = self.missing(name)
        if lacking:
            raise UserError(
                f"{name} cannot be computed: the store has {', '.join(lacking)}", do="Import what is missing"
            )
        self._make_facts(measure)
        by = tuple(by)
        if measure.kind in PAIRS:
            by = by or (measure.compare,)
        if measure.kind == "list" and by:
            raise UserError(f"{name} is a list and has no groups", do="Leave --by out")
        if len(by) > 1 and measure.kind in PAIRS:
            raise UserError(f"{name} compares one thing at a time", do=f"Give --by one group, e.g. {measure.compare}")
        if (start or end) and "happened_on" not in measure.columns:
            raise UserError(f"{name} has no dates to choose from", do="Leave out the dates")
        self._check_groups(measure, (*by, *(where or {})))
        asked = {*by, *(where or {}), *also}
        kept, left_out = self._counted(measure, by, asked, start, end, where or {}) if measure.sql else ("", [])
        rows = self._rows(measure, kept, by)
        self.kept = kept  # not those of measures that were asked for it
        if measure.kind == "list":
            return Result(name, measure.title, self.unit(measure), measure.kind, by, _explained(rows), left_out, 0)
        # Each lot or dentist of a funnel is a group of its own, though nobody asked for groups.
        of = (*by, measure.compare) if measure.kind in _FUNNELS and measure.compare not in by else by
        rows, suppressed = _mask(rows, of, measure.kind, self.settings.reporting.smallest_group)
        return Result(name, measure.title, self.unit(measure), measure.kind, by, rows, left_out, suppressed)

    def _rows(self, measure: Measure, kept: str, by: tuple[str, ...]) -> list[Row]:
        """The rows of a measure, by the function that its kind has (see kinds)."""
        kind = import_module(f"pipeline.measures.kinds.{measure.kind}")
        rows: list[Row]
        if hasattr(kind, "rows_of_records"):
            rows = kind.rows_of_records(self.connection, self.settings.reporting.confidence)
        elif hasattr(kind, "rows_of_answers"):
            rows = kind.rows_of_answers(self.connection, kept, self._ask)
        else:
            rows = kind.rows(self.connection, kept, measure, by, self.settings.reporting.confidence)
        return rows

    def _ask(self, name: str, start: dt.date | None = None, end: dt.date | None = None) -> Answer:
        """What a measure says, for a kind that is made of the answers of others."""
        lacking = self.missing(name)
        rows = [] if lacking else self.compute(name, start=start, end=end).rows
        return Answer(self.unit(find(name)), rows, tuple(lacking))

    def _make_facts(self, measure: Measure) -> None:
        if not self._made.issuperset(measure.facts):
            make(self.connection, measure.facts)
            self._made.update(measure.facts)
        measure.read_columns(self.connection)

    def unit(self, measure: Measure) -> str:
        """The measure's unit; of money, the practice's currency."""
        return self.settings.currency if measure.unit == "currency" else measure.unit

    def _filled(self, kind: str, column: str | None) -> bool:
        if (kind, column) not in self._holds:  # every question asks this
            where = f' where "{column}" is not null' if column else ""
            found = self.connection.execute(f"select 1 from {kind}{where} limit 1").fetchone()
            self._holds[kind, column] = found is not None
        return self._holds[kind, column]

    @staticmethod
    def _check_groups(measure: Measure, wanted: Sequence[str]) -> None:
        can = measure.columns if measure.kind == "list" else measure.groups
        unknown = [g for g in wanted if g not in can]
        if unknown:
            raise UserError(
                f"{measure.name} cannot be grouped by {unknown[0]}",
                do=f"It can be grouped by {', '.join(can) or 'nothing'}",
            )
        if measure.kind in PAIRS and wanted[0] in measure.strata:
            raise UserError(
                f"{measure.name} cannot compare {wanted[0]}: it is one of its strata",
                do="Compare e.g. sequence or dentist",
            )

    def _counted(
        self,
        measure: Measure,
        by: Sequence[str],
        asked: Collection[str],
        start: dt.date | None,
        end: dt.date | None,
        where: Mapping[str, str],
    ) -> tuple[str, list[Row]]:
        """The units that count, as SQL to select from, and how many units were left out, by reason."""
        conditions = ["true"]
        if start:
            conditions.append(f"happened_on >= date '{start.isoformat()}'")
        if end:
            conditions.append(f"happened_on <= date '{end.isoformat()}'")
        for group, value in where.items():
            conditions.append(f"cast({FROM_DATE.get(group, _quoted(group))} as varchar) = {_literal(value)}")
        wanted = " and ".join(conditions)
        if measure.kind == "list":
            order = f"order by {', '.join(measure.order)}" if measure.order else ""
            self.connection.execute(
                f"create or replace temp table kept_list as select * from {self._units(measure)} where {wanted} {order}"
            )
            return "kept_list", []
        table = self._units_table(measure, by, asked)
        made = "".join(f", {sql} as {_quoted(g)}" for g, sql in FROM_DATE.items() if g in by)
        kept = f"(select rowid, *{made} from {table} where left_out is null and {wanted}) as kept"
        # What has no outcome is left out too, but only from the answer: a comparison counts it on its side.
        reason = "coalesce(left_out, unseen)" if "unseen" in measure.columns else "left_out"
        many = "count(distinct unit)" if "unit" in measure.columns else "count(*)"  # a unit may stand in several rows
        left_out = self.connection.execute(
            f"select {reason}, {many} as n from {table} where {reason} is not null and {wanted} "
            "group by 1 order by n desc, 1"
        ).fetchall()
        return kept, [{"reason": reason, "n": n} for reason, n in left_out]

    def _units(self, measure: Measure) -> str:
        return f"(\n{Template(measure.sql).substitute(as_of=self.as_of.isoformat())}\n) as units"

    def _units_table(self, measure: Measure, by: Sequence[str], asked: Collection[str]) -> str:
        """The table of a measure's units, each with why it does not count, for questions by these groups.

        To write its many columns takes longer than to count in them: one of few rows stays for the next question, as
        the facts do that it is made from. One of many rows has only the columns that this question reads: those of its
        kind, those that the measure names and those `asked` for.
        """
        columns = measure.columns
        if self._rows_at_most(measure) * len(columns) > MOST_VALUES:
            columns = tuple(c for c in columns if c in UNIT_COLUMNS or c in measure.named or c in asked)
        reason = f"{self._left_out(measure, by)} as left_out"
        chosen = ", ".join([*(_quoted(c) for c in columns if c != "left_out"), reason])
        # The name is the content's: another workspace on these facts would make the same table.
        table = f"units_{measure.name}_{hashlib.sha256(chosen.encode()).hexdigest()[:12]}"
        if table not in self._unit_tables:
            made = self.connection.execute(
                f"create or replace temp table {table} as select {chosen} from {self._units(measure)}"
            ).fetchone()
            assert made is not None  # DuckDB answers with the number of rows
            if made[0] * len(columns) <= MOST_VALUES:
                self._unit_tables.add(table)
        return table

    def _rows_at_most(self, measure: Measure) -> int:
        """About how many units a measure has: as many as the largest table that it is made from has rows."""
        for name in measure.facts:
            if name not in self._rows_of:
                found = self.connection.execute(f"select count(*) from {name}").fetchone()
                assert found is not None
                self._rows_of[name] = int(found[0])
        return max((self._rows_of[name] for name in measure.facts), default=0)

    @staticmethod
    def _left_out(measure: Measure, by: Sequence[str]) -> str:
        """Why a unit does not count, as SQL: the measure's own reasons, its default, then flags that affect it."""
        whens = ["when left_out is not null then left_out"]
        if measure.default and measure.default.group not in by:
            d = measure.default
            whens.append(f"when {_quoted(d.group)} is distinct from {_literal(d.value)} then {_literal(d.reason)}")
        if measure.kind in PAIRS:
            compared = FROM_DATE.get(by[0], _quoted(by[0]))
            whens.append(f"when {compared} is null then {_literal(GROUPS[by[0]] + ' not recorded')}")
            whens.append(f"when cast({compared} as varchar) = 'mixed' then {_literal('mixed ' + GROUPS[by[0]])}")
        if "flags" in measure.columns:
            affected_by = {measure.name, *measure.facts}
            for rule in all_rules().values():
                if affected_by.intersection(rule.affects):
                    whens.append(
                        f"when flags like {_literal(f'% {rule.id} %')} then {_literal('doubtful: ' + rule.reason)}"
                    )
        return "case " + " ".join(whens) + " end"


_FUNNELS = frozenset({"funnel", "adjusted_funnel"})

# Kinds whose groups share no unit, so that a group's n follows from the total less the others.
_PARTS = frozenset(
    (
        *("share", "rate", "time", "amount", "classes", "bounds", "weighted", *_FUNNELS),
        *("survival", "hazard", "competing", "incidence", "interval_censored"),
    )
)


def _mask(rows: list[Row], by: Sequence[str], kind: str, smallest: int) -> tuple[list[Row], int]:
    """Withhold groups too small to report, and those that would tell their n; give the rows to show, how many withheld.

    Of such a group only its name is left, once. Its n is withheld with its figures, and so is all from which n could be
    made again: what is not recorded (with the share recorded), the other side of a comparison, and the times and values
    that its few units have.
    """
    names = {*GROUPS, "reference"} - {"level"}
    if kind == "forecast":  # its times are those that were asked for, not those of units
        names.add("time")

    def is_small(row: Row) -> bool:
        return any(row.get(k) is not None and int(row[k]) < smallest for k in ("n", "n_reference"))

    def group(row: Row) -> tuple[str, ...]:
        return tuple(str(row.get(k)) for k in (*by, "reference") if k in row)

    small = {group(row) for row in rows if is_small(row)}
    # A month of the whole practice is nobody's own: months alone are not hidden behind one another.
    if kind in _PARTS and not FROM_DATE.keys() >= {*by}:
        sizes: dict[tuple[str, ...], int] = {}
        for row in rows:  # the smallest of a group's own numbers
            sizes[group(row)] = min(int(row.get("n") or 0), sizes.get(group(row), sys.maxsize))
        small |= withheld(sizes, by, smallest)
    shown: list[Row] = []
    blanked: set[tuple[Any, ...]] = set()
    for row in rows:
        # Rows of one group share a denominator: none of them is shown where it is small.
        if not (is_small(row) or (kind in _PARTS and group(row) in small)):
            shown.append(row)
            continue
        blank = {key: value if key in names else None for key, value in row.items()}
        if tuple(blank.values()) not in blanked:
            blanked.add(tuple(blank.values()))
            shown.append(blank | {"too_few": True})
    return shown, len(small)


def _explained(rows: list[Row]) -> list[Row]:
    """Lines that name a rule get its reason in plain words."""
    rules = all_rules()
    reasons = {
        "value_does_not_parse": "A value is not written as its column should be.",
        "cells_do_not_fit_header": "The row has more or fewer cells than the header.",
        "quote_not_closed": "A quotation mark is opened and not closed.",
        "line_too_long": "The line is longer than a million characters.",
        "key_repeated": "Rows of one file share a key but say different things.",
    }
    for row in rows:
        if "rule" in row:
            rule = rules.get(row["rule"])
            row["reason"] = rule.reason if rule else reasons.get(row["rule"], row["rule"].replace("_", " "))
    return rows


def _words(name: str) -> str:
    return KINDS[name].words if name in KINDS else name.replace("_", " ")


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
