"""The record kinds: what a practice exports, in the layout the store holds.

One kind is one table. This module is the only place where columns, their types and keys are written down; the
schema, the mapping, the drafts and the documentation all read it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Type = Literal["text", "int", "decimal", "date", "timestamp", "bool"]

SQL_TYPE: dict[Type, str] = {
    "text": "VARCHAR",
    "int": "INTEGER",
    "decimal": "DOUBLE",
    "date": "DATE",
    "timestamp": "TIMESTAMP",
    "bool": "BOOLEAN",
}


@dataclass(frozen=True)
class Column:
    """One column of a record kind.

    Without `required` ones a record is refused, `key` ones identify it. `expected` ones should be there: an empty one
    is kept and listed, and what needs it says so.
    """

    name: str
    type: Type = "text"
    required: bool = False
    key: bool = False
    expected: bool = False


@dataclass(frozen=True)
class Kind:
    """A record kind: its name (also its table's), columns, and the date that says when it happened."""

    name: str
    title: str
    columns: tuple[Column, ...]
    dated_by: str | None

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
    def usual(self) -> tuple[str, ...]:
        """What an export of the kind usually has: required and expected columns."""
        return tuple(c.name for c in self.columns if c.required or c.expected)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns)

    def column(self, name: str) -> Column:
        return next(c for c in self.columns if c.name == name)


def _kind(name: str, title: str, dated_by: str | None, layout: str) -> Kind:
    """Read a layout: `name*` is key, `name~` is expected, `name?` may be empty, `name:type` where it is not text."""
    columns = []
    for word in layout.split():
        name_and_marks, _, type_ = word.partition(":")
        bare = name_and_marks.rstrip("*~?")
        columns.append(
            Column(
                bare,
                type_ or "text",  # type: ignore[arg-type]  # checked by tests/pipeline/store/test_records.py
                required=not name_and_marks.endswith(("?", "~")),
                key="*" in name_and_marks,
                expected="~" in name_and_marks,
            )
        )
    return Kind(name, title, tuple(columns), dated_by)


_ALL = (
    _kind(
        "treatments",
        "one course of root canal treatment on one tooth",
        "started_on",
        """treatment_id* patient_id birth_year?:int tooth:int dentist~ kind~ pulp_diagnosis? apical_diagnosis?
        preop_pai?:int lesion_mm?:decimal started_on:date completed_on?:date status~ restoration? restored_on?:date""",
    ),
    _kind(
        "visits",
        "the patient in the chair; one row for each treatment worked on in the visit",
        "seated_at",
        """visit_id* treatment_id* dentist~ chair? seated_at:timestamp left_at:timestamp booked_minutes?:decimal
        rubber_dam?:bool reason?""",
    ),
    _kind(
        "canals",
        "one root canal of one treatment",
        "started_at",
        """treatment_id* canal* sequence? curvature_deg?:decimal curve_radius_mm?:decimal first_binding_size?:int
        working_length_mm?:decimal glide_path_size?:int length_confirmed? final_size?:int final_taper?:decimal
        apical_gauge_size?:int patency?:bool started_at?:timestamp finished_at?:timestamp
        filling_extent_mm?:decimal filling_voids?:bool not_treated?""",
    ),
    _kind(
        "instrument_uses",
        "one instrument taken into one canal, in order",
        "started_at",
        """use_id* treatment_id canal step:int instrument_id? lot? size~:int taper?:decimal motion~
        started_at?:timestamp seconds?:decimal speed_rpm?:decimal torque_ncm?:decimal peak_torque_ncm?:decimal
        depth_mm?:decimal irrigant_ml?:decimal result?""",
    ),
    _kind(
        "instruments",
        "one physical instrument",
        "received_on",
        """instrument_id* lot? udi? expires_on?:date description? size~:int taper?:decimal length_mm?:decimal motion~
        price?:decimal received_on?:date use_limit?:int sterilisations?:int retired_on?:date retired_reason?""",
    ),
    _kind(
        "incidents",
        "something went wrong in a canal or tooth",
        "occurred_at",
        """incident_id* treatment_id canal? instrument_id? kind~ occurred_at:timestamp canal_third? fragment_mm?:decimal
        managed? patient_informed?:bool note?""",
    ),
    _kind(
        "follow_ups",
        "one recall examination of one treatment",
        "seen_on",
        """follow_up_id* treatment_id seen_on:date image? pai?:int pain?:bool tenderness?:bool swelling?:bool
        sinus_tract?:bool tooth_present:bool lost_on?:date lost_reason? restoration_intact?:bool surgery_on?:date""",
    ),
    _kind(
        "contacts",
        "what the patient said afterwards, by phone, form or at the desk",
        "contacted_at",
        """contact_id* treatment_id contacted_at:timestamp pain_score?:decimal analgesic?:bool swelling?:bool""",
    ),
)

KINDS: dict[str, Kind] = {kind.name: kind for kind in _ALL}

# Provenance, in every table: practice, the file and row of the export, when it was loaded, and the batch.
PROVENANCE = ("practice", "source_file", "source_row", "loaded_at", "batch_id", "record_no")
