"""What measures can be grouped by: one vocabulary for the command line, the tables and the axes of charts."""

from __future__ import annotations

from pipeline.records import KINDS

GROUPS: dict[str, str] = {
    "month": "month",
    "quarter": "quarter",
    "year": "year",
    "dentist": "dentist",
    "sequence": "sequence",
    "tooth_type": "tooth type",
    "tooth_group": "tooth group",
    "arch": "arch",
    "tooth": "tooth (FDI)",
    "canal": "canal",
    "kind": "kind of treatment",
    "lesion": "lesion before treatment",
    "curvature_class": "curvature (Schneider)",
    "size": "instrument size (ISO)",
    "motion": "motion",
    "image": "kind of image",
    "basis": "measured or estimated",
    "day": "day after the visit",
    "incident": "kind of incident",
    "canal_third": "third of the canal",
    "use_number": "use number",
    "lot": "lot",
    "check": "check",
    "indication": "indication of the sequence",
    "cases": "cases with the sequence, from the first",
    # What rows of some kinds of measures are about; no unit has these columns.
    "factor": "factor",
    "class": "class of outcome",
    "cause": "cause of loss",
    "characteristic": "characteristic",
    "level": "value",
    # Columns of the records that say of themselves what they are called as a group.
    **{column.name: column.group for kind in KINDS.values() for column in kind.columns if column.group},
}

# Groups made from the date on which a unit happened; every other group is a column of the facts.
FROM_DATE: dict[str, str] = {
    "month": "left(cast(happened_on as varchar), 7)",
    "quarter": "left(cast(happened_on as varchar), 4) || '-Q' || cast(quarter(happened_on) as varchar)",
    "year": "left(cast(happened_on as varchar), 4)",
}
