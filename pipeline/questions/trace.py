"""Tracing: every canal and patient (by pseudonym) that an instrument, or a lot of them, touched, and what became of it.

In doubt more is shown than less: a use belongs to a lot if either the use or the list of instruments says so, and a
canal in which only an incident names the instrument is listed as well. What no trace can see is counted.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from pipeline.errors import UserError
from pipeline.facts.prepare import make, reads, texts
from pipeline.questions.queries import query
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

Row = dict[str, Any]


@dataclass(frozen=True)
class Trace:
    """`instruments` known of, and `canals` touched, one row an instrument and canal in order of date.

    `untracked_uses` in the store name no instrument (and, for a lot, no lot either): they may belong here unseen.
    `quarantined` uses and incidents were refused, so they are not in the store.
    """

    instruments: list[Row]
    canals: list[Row]
    untracked_uses: int
    quarantined: int

    @property
    def patients(self) -> int:
        """How many patients the canals are of; a canal whose treatment is not in the store names none."""
        return len({(row["practice"], row["patient"]) for row in self.canals if row["patient"] is not None})

    def as_json(self) -> Row:
        return {**asdict(self), "patients": self.patients}


def trace(connection: Connection, instrument: str | None = None, lot: str | None = None) -> Trace:
    """Follow one instrument or one lot through a store that a Workspace is open on.

    UserError unless exactly one of both is given, or where the store knows nothing of it.
    """
    if (instrument is None) == (lot is None):
        raise UserError("give either --instrument ID or --lot LOT", do="`canalwise trace --help` says more")
    wanted = {"instrument": instrument and instrument.strip(), "lot": lot and lot.strip()}
    meant, touched = query("trace_instruments_meant"), query("trace_canals")
    make(connection, reads(meant + touched) & texts().keys())
    connection.execute(meant, wanted)
    instruments = frame(connection, query("trace_instruments")).to_dicts()
    cursor = connection.execute(touched, {"lot": wanted["lot"]})
    names = [column[0] for column in cursor.description or ()]
    canals = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    if not instruments and not canals:
        what = f"instrument {wanted['instrument']}" if instrument is not None else f"lot {wanted['lot']}"
        raise UserError(
            f"the store knows of no {what}", do="Look for another spelling: it is compared letter by letter"
        )
    unseen = connection.execute(query("trace_unseen"), {"lot": wanted["lot"]}).fetchone()
    assert unseen is not None
    return Trace(instruments, canals, *unseen)
