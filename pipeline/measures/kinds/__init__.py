"""Kinds of measures: what a measure's rows are made of, an estimate and an interval each, one module a kind.

Each module has one function, by what its rows are made of:

- `rows(connection, units, measure, by, confidence)`: the counted units, which SQL can select from, grouped by the
  columns `by`. Sums are made in SQL, one pass a measure; estimators come from pipeline.stats and are given whole
  columns of groups.
- `rows_of_answers(connection, units, ask)`: what `ask` (see _common.Ask) says of other measures, a row a unit.
- `rows_of_records(connection, confidence)`: the store's records. A measure of this kind has no units: no SQL.

A module beside these is a new kind; its name is what a measure's TOML says.
"""

# Columns of units that mean something to a kind, beside those that a measure names in its TOML. Of a large store units
# are written with these and the groups asked for alone.
UNIT_COLUMNS = frozenset(
    {
        "after", "any_incident", "by_then", "canal", "canals", "cases", "cause", "class_of", "cluster", "core",
        "denominator", "dentist", "event", "exposure", "first_case", "first_look", "happened_at", "happened_on",
        "hazard_limit", "incident", "item", "last_look", "met", "months", "numerator", "period", "period_days",
        "periods", "practice", "seen", "separation", "sequence", "time", "treatment_id", "unit", "unseen", "value",
        "watched_for",
    }
)  # fmt: skip
