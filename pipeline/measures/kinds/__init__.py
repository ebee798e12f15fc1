"""Kinds of measures: from counted units to rows with an estimate and an interval, one module a kind.

Each module gives `rows(connection, units, measure, by, confidence)`: the rows of a measure over `units`, which
SQL can select from, grouped by the columns `by`. Sums are made in SQL, one pass a measure; estimators come from
pipeline.stats and are given whole columns of groups. A module beside these is a new kind; its name is what a measure's
TOML says.
"""
