"""Facts renewed: after an import only those of their rows are made anew that it can have changed.

Each table of facts says what a row of it hangs on (HANGS_ON): the records of its treatment, and through which records
those of others. From the records that have changed (states.py) follow the rows to be renewed, and from these the
records that they are made of. Temporary tables of the kinds' names, in front of the store's, hold those alone; the SQL
of all facts is run on them, and of what comes out the rows to be renewed take the place of those that were kept. Where
it is not certain what has changed, facts are made whole.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from string import Template
from typing import TYPE_CHECKING

from pipeline.facts import kept, states
from pipeline.facts.kept import DATABASE, Entry, Key
from pipeline.records import KINDS

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

TREATMENT, INSTRUMENT, VISIT, PRACTICE = "treatment", "instrument", "visit", "practice"


@dataclass(frozen=True)
class Hangs:
    """What a row of a table of facts hangs on.

    `on`: what a row is of. All its records are those of a TREATMENT, or of the treatments that an INSTRUMENT was used
    in, or of the VISITs of a chair (of a patient) on a day. Facts of a PRACTICE, few and short, are made whole, and
    where one has changed, so is what reads it. `by`: what else a row of a treatment hangs on, one of LINKS: the records
    of other treatments that share it. Both are of what the table's SQL reads itself; what follows from the facts that
    it reads need not be said. `days`: of another day up to which follow-up counts only those rows differ for which one
    of TURNS lies between the two.
    """

    on: str
    by: str | None = None
    days: bool = False


_OF_TREATMENT = Hangs(TREATMENT)
HANGS_ON = {
    "adherence_facts": _OF_TREATMENT,
    "canal_base": _OF_TREATMENT,
    "canal_case_mix": _OF_TREATMENT,
    "canal_facts": Hangs(TREATMENT, by="visit"),
    "canal_indication": _OF_TREATMENT,
    "canal_items": _OF_TREATMENT,
    "canal_separations": _OF_TREATMENT,
    "canal_shaping": _OF_TREATMENT,
    "follow_up_facts": Hangs(TREATMENT, days=True),
    "gauging_recorded": Hangs(PRACTICE),
    "incident_facts": _OF_TREATMENT,
    "instrument_canals": Hangs(INSTRUMENT),
    "instrument_facts": Hangs(INSTRUMENT),
    "instrument_service": Hangs(INSTRUMENT),
    "results_recorded": Hangs(PRACTICE),
    "separation_events": _OF_TREATMENT,
    "separations_not_placed": _OF_TREATMENT,
    "tooth_facts": Hangs(TREATMENT, by="tooth", days=True),
    "treatment_base": _OF_TREATMENT,
    "treatment_case_mix": _OF_TREATMENT,
    "treatment_uses_begin": _OF_TREATMENT,
    # Days since each visit are in it: another day is another table.
    "treatment_visits": _OF_TREATMENT,
    "use_base": _OF_TREATMENT,
    "use_facts": _OF_TREATMENT,
    "uses_begin": Hangs(PRACTICE),
    "visit_facts": Hangs(VISIT),
    "visit_times": _OF_TREATMENT,
    "window_outcomes": Hangs(TREATMENT, days=True),
}

# What treatments share with others: the columns that say so, and the kinds that have them.
LINKS = {
    INSTRUMENT: (("instrument_id",), ("instrument_uses", "incidents")),
    "visit": (("visit_id",), ("visits",)),
    "tooth": (("patient_id", "tooth"), ("treatments",)),
}

# The days of a treatment's records that facts hold against the day up to which follow-up counts.
TURNS = {
    "treatments": (
        "started_on",
        "completed_on",
        "completed_on + interval '${healed_after_months}' month",
        "completed_on + interval '${recall_to_months}' month",
        "completed_on + interval '${compare_to_months}' month",
    ),
    "follow_ups": ("seen_on", "lost_on", "surgery_on"),
}

# From this share of all treatments on, to renew them costs more than to make them all anew.
MANY = 0.5


@dataclass(frozen=True)
class Facts:
    """All tables of facts of a connection: their SQL in the order in which they are made, and what it is made with."""

    queries: Mapping[str, str]
    reads: Mapping[str, set[str]]  # the words of each
    keys: Mapping[str, Key]
    values: Mapping[str, str]  # what stands in for the names in the SQL
    as_of: str


def renew(
    connection: Connection, facts: Facts, get_ready: Callable[[Connection], None], made: Callable[[str], None]
) -> None:
    """Make kept facts of earlier states of the store those of this one, as far as is certain; drop the others.

    `get_ready` makes the tables of settings on a connection, `made` a table of facts whole on this one.
    """
    if facts.queries.keys() - HANGS_ON.keys():
        return
    of_state: dict[str, dict[str, Entry]] = {}
    lacking = facts.keys.keys() - kept.held(connection, facts.keys)
    for entry in sorted(kept.earlier(connection), key=lambda e: _apart(e.as_of, facts.as_of)):
        if entry.fact not in lacking or facts.keys[entry.fact].family != entry.family:
            continue
        hangs = HANGS_ON[entry.fact]
        if hangs.on == PRACTICE or not (hangs.days or entry.as_of == facts.keys[entry.fact].as_of):
            continue
        lacking.remove(entry.fact)
        of_state.setdefault(entry.token, {})[entry.fact] = entry
    for then, entries in of_state.items():
        done: set[str] = set()
        with contextlib.closing(connection.cursor()) as side, contextlib.suppress(*_given_up_for()):
            now = kept.note_state(connection)
            get_ready(side)
            if states.changes(side, DATABASE, then, now):
                if not side.execute(
                    f"select 1 from {states.CHANGED} limit 1"
                ).fetchall():  # opened for writing, no more
                    kept.carry_over(side, then, now)
                    done |= kept.held(connection, facts.keys)
                    entries = {name: entry for name, entry in entries.items() if name not in done}
                # Follow-ups come years after the rest of a treatment: what they touch is not renewed in the others.
                for days in (False, True):
                    of_these = {name: entry for name, entry in entries.items() if HANGS_ON[name].days == days}
                    if of_these:
                        _Renewal(side, facts, of_these, then, now, made).run(done)
        kept.forget(connection, [entry.place for name, entry in entries.items() if name not in done])


def _apart(day: str | None, other: str) -> int:
    """How many days lie between two, of which the first may not matter."""
    return abs((dt.date.fromisoformat(day) - dt.date.fromisoformat(other)).days) if day else 0


def _given_up_for() -> tuple[type[Exception], ...]:
    """What may come up in a renewal, a full disk say, and is no reason to have no answer: facts are made whole then."""
    import duckdb

    return (duckdb.Error,)


class _Renewal:
    """One renewal: of the facts `entries` that state `then` of the store had, for its state `now`.

    `side` is a connection of its own to the same store, with CHANGED of these states, whose temporary tables nobody
    else sees.
    """

    def __init__(
        self,
        side: Connection,
        facts: Facts,
        entries: Mapping[str, Entry],
        then: str,
        now: str,
        made: Callable[[str], None],
    ) -> None:
        self._side, self._facts, self._entries = side, facts, entries
        self._then, self._now, self._made = then, now, made
        self._tables: dict[str, str] = {}  # SQL -> the temporary table of its rows
        self._front: list[str] = []  # temporary tables that stand in front of the store's, or are facts

    def run(self, done: set[str]) -> None:
        """Renew them, in the order in which they need each other; `done` gains the names of those that are."""
        self._run(done)
        for name in [*self._front, *self._tables.values()]:
            self._side.execute(f"drop table temp.{name}")

    def _run(self, done: set[str]) -> None:
        wanted: dict[str, str] = {}
        around: list[str] = []
        for name in self._entries:
            rows, records = self._of(name)
            wanted[name] = rows
            around.append(records)
        context = self._rows(" union ".join(f"from {table}" for table in sorted(set(around))))
        if self._number(f"select count(*) from {context}") > MANY * self._number("select count(*) from treatments"):
            return
        self._put_in_front(context)
        uncertain: set[str] = set()  # facts of a practice that have changed, and all that reads them
        for name in self._in_order():
            if self._hangs(name).on == PRACTICE:
                if not self._practices(name):
                    uncertain.add(name)
                continue
            if self._facts.reads[name] & uncertain:
                uncertain.add(name)
                continue
            self._make(name, self._facts.queries[name])
            if name in self._entries:
                self._replace(name, wanted[name])
                done.add(name)

    def _hangs(self, name: str) -> Hangs:
        return HANGS_ON[name]

    def _in_order(self) -> list[str]:
        """The facts to be renewed and those that they are made of."""
        needed = set(self._entries)
        for name in reversed(list(self._facts.queries)):
            if name in needed and self._hangs(name).on != PRACTICE:
                needed |= self._facts.reads[name] & self._facts.queries.keys()
        return [name for name in self._facts.queries if name in needed]

    def _replace(self, name: str, wanted: str) -> None:
        """Put the rows that were made anew in the place of those that were kept."""
        key, entry = self._facts.keys[name], self._entries[name]
        of = {TREATMENT: "treatment_id", INSTRUMENT: "instrument_id", VISIT: "visit_id"}[self._hangs(name).on]
        self._side.begin()
        self._side.execute(
            f"delete from {kept.table(entry.place)} as f using {wanted} as w "
            f"where f.practice = w.practice and f.{of} = w.{of}"
        )
        self._side.execute(
            f"insert into {kept.table(entry.place)} by name "
            f"select * from {name} semi join {wanted} using (practice, {of})"
        )
        self._side.execute(
            f"update {DATABASE}.contents set token = ?, key = ?, as_of = ? where place = ?",
            [self._now, key.whole, key.as_of, entry.place],
        )
        self._side.commit()

    def _practices(self, name: str) -> bool:
        """Have the facts of each practice at hand; says whether those that were there before are as they were."""
        self._made(name)
        then, now = (
            kept.place(self._side, name, self._facts.keys[name].whole, token) for token in (self._then, self._now)
        )
        if then is None or now is None:
            return False
        self._make(name, f"from {kept.table(now)}")
        return not self._number(
            f"select count(*) from (from {kept.table(then)} except from {name}) semi join {name} using (practice)"
        )

    def _make(self, name: str, sql: str) -> None:
        self._side.execute(f"create temp table {name} as {sql}")
        self._front.append(name)

    def _put_in_front(self, treatments: str) -> None:
        """Temporary tables of the kinds that facts read, with the records of these treatments alone."""
        read = KINDS.keys() & set().union(*self._facts.reads.values())
        of_treatments = [name for name in KINDS if name in read and "treatment_id" in KINDS[name].names]
        for kind in of_treatments:
            self._make(kind, f"select * from {kind} semi join {treatments} using (practice, treatment_id)")
        named = " union ".join(f"select practice, instrument_id from {kind}" for kind in LINKS[INSTRUMENT][1])
        self._make("instruments", f"select * from instruments semi join ({named}) using (practice, instrument_id)")

    # Which rows: everything below is asked of the store, before records are put in front of it.

    def _of(self, name: str) -> tuple[str, str]:
        """The keys of the rows of a table that may be others now, and the treatments whose records they are made of."""
        kinds, by = self._reach(name)
        entry, hangs = self._entries[name], self._hangs(name)
        turned = entry.as_of if entry.as_of != self._facts.keys[name].as_of else None
        changed = self._changed(kinds, turned)
        if hangs.on == VISIT:
            visits = self._visits(kinds)
            return visits, self._rows(
                f"select distinct practice, treatment_id from visits semi join {visits} using (practice, visit_id)"
            )
        if hangs.on == INSTRUMENT:
            instruments = self._links(INSTRUMENT, changed, also_changed=True)
            return instruments, self._treatments(INSTRUMENT, instruments)
        parts = [changed, *(self._treatments(x, self._links(x, changed, also_changed=True)) for x in by)]
        rows = self._rows(" union ".join(f"from {table}" for table in parts)) if by else changed
        parts = [rows, *(self._treatments(x, self._links(x, rows)) for x in by)]
        return rows, self._rows(" union ".join(f"from {table}" for table in parts)) if by else rows

    def _reach(self, name: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The kinds that a table of facts is made of in the end, and through what it hangs on other treatments."""
        kinds, by = set(self._facts.reads[name] & KINDS.keys()), {self._hangs(name).by} - {None}
        for other in self._facts.reads[name] & self._facts.queries.keys():
            if self._hangs(other).on == PRACTICE:
                continue
            if self._hangs(other).on == INSTRUMENT and self._hangs(name).on != INSTRUMENT:
                by.add(INSTRUMENT)
            more_kinds, more_by = self._reach(other)
            kinds |= set(more_kinds)
            by |= set(more_by)
        return tuple(sorted(kinds)), tuple(sorted(x for x in by if x))

    def _changed(self, kinds: tuple[str, ...], turned: str | None) -> str:
        """Treatments with a changed record of these kinds, or with an instrument whose record has changed.

        Where facts are of the day `turned`, those too for which a day between it and that of these facts counts.
        """
        named = ", ".join(f"'{kind}'" for kind in kinds)
        parts = [
            f"select practice, treatment_id from {states.CHANGED} where kind in ({named}) and treatment_id is not null"
        ]
        if "instruments" in kinds:
            parts += [
                f"select practice, treatment_id from {kind} semi join "
                f"(select practice, instrument_id from {states.CHANGED} where kind = 'instruments') "
                "using (practice, instrument_id)"
                for kind in LINKS[INSTRUMENT][1]
            ]
        if turned:
            first, last = sorted((turned, self._facts.as_of))
            parts += [
                f"select practice, treatment_id from {kind} where "
                + " or ".join(
                    f"{Template(day).substitute(self._facts.values)} between date '{first}' and date '{last}'"
                    for day in days
                )
                for kind, days in TURNS.items()
            ]
        return self._rows(" union ".join(parts))

    def _links(self, what: str, treatments: str, *, also_changed: bool = False) -> str:
        """What these treatments share with others; with `also_changed` what records shared that have changed."""
        columns, kinds = LINKS[what]
        given = " and ".join(f"{column} is not null" for column in columns)
        chosen = f"select practice, {', '.join(columns)} from"
        parts = [
            f"{chosen} {kind} semi join {treatments} using (practice, treatment_id) where {given}" for kind in kinds
        ]
        if also_changed:
            parts.append(f"{chosen} {states.CHANGED} where {given}")
        return self._rows(" union ".join(parts))

    def _treatments(self, what: str, links: str) -> str:
        """The treatments that share it."""
        columns, kinds = LINKS[what]
        return self._rows(
            " union ".join(
                f"select practice, treatment_id from {kind} semi join {links} using (practice, {', '.join(columns)})"
                for kind in kinds
            )
        )

    def _visits(self, kinds: tuple[str, ...]) -> str:
        """The visits whose sittings may be others now (visit_facts), each with all that may be in its chair meanwhile.

        That is a day of a chair (of a patient, where no chair is recorded); all days of one where any visit goes over
        midnight, is told of two days, or has a time whose moment is in doubt.
        """
        whose = self._rows(
            "select practice, treatment_id, patient_id from treatments "
            f"union select practice, treatment_id, patient_id from {states.CHANGED} where kind = 'treatments'"
        )
        sat = "select practice, visit_id, treatment_id, chair, seated_at, left_at from"
        visits = self._rows(f"{sat} visits union all {sat} {states.CHANGED} where kind = 'visits'")
        chosen = "v.practice, v.visit_id, v.treatment_id, v.seated_at, v.left_at, cast(v.seated_at as date) as day"
        placed = self._rows(
            f"select {chosen}, 'chair ' || v.chair as place from {visits} as v where v.chair is not null "
            f"union all select {chosen}, coalesce('patient ' || w.patient_id, 'visit ' || v.visit_id) as place "
            f"from {visits} as v left join {whose} as w using (practice, treatment_id) where v.chair is null"
        )
        in_doubt = " union ".join(
            f"select p.practice, p.place from {placed} as p join clock as k "
            f"on cast(k.begins as date) = cast(p.{at} as date) "
            f"where k.in_doubt and p.{at} >= k.begins and p.{at} < k.ends"
            for at in ("seated_at", "left_at")
        )
        long = self._rows(
            f"{in_doubt} union select practice, place from {placed} where cast(left_at as date) <> day "
            f"or left_at < seated_at union select practice, place from {placed} semi join (select practice, visit_id "
            f"from {placed} group by practice, visit_id having min(day) < max(day)) using (practice, visit_id)"
        )
        days = self._rows(
            f"select p.* replace (case when l.place is null then p.day else date '1900-01-01' end as day) "
            f"from {placed} as p left join {long} as l using (practice, place)"
        )
        others = tuple(kind for kind in kinds if kind != "visits")
        reached = self._rows(
            f"select practice, visit_id from {states.CHANGED} where kind = 'visits' union select practice, visit_id "
            f"from {days} semi join {self._changed(others, None)} using (practice, treatment_id)"
        )
        while True:
            more = self._rows(
                f"select distinct practice, visit_id from {days} semi join (select practice, place, day from {days} "
                f"semi join {reached} using (practice, visit_id)) using (practice, place, day) union from {reached}"
            )
            if self._number(f"select count(*) from {more}") == self._number(f"select count(*) from {reached}"):
                return reached
            reached = more

    def _rows(self, sql: str) -> str:
        """A temporary table of what this SQL gives, made once."""
        if sql not in self._tables:
            self._tables[sql] = f"renewal_{len(self._tables)}"
            self._side.execute(f"create temp table {self._tables[sql]} as {sql}")
        return self._tables[sql]

    def _number(self, sql: str) -> int:
        found = self._side.execute(sql).fetchone()
        assert found is not None
        return int(found[0])
