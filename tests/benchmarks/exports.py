"""Exports of any number of treatments, in our headers, without faults: copies of a smaller invented practice.

    python -m tests.benchmarks.exports OUT --treatments N [--earlier N]

A copy has its own dentists, chairs, patients, instruments and lots, so there are as many repeats a patient, uses an
instrument and visits a chair and day as in the practice that is copied (demo_data). All lie in the same three years,
and `earlier` treatments more in the three years before. Of the last month only OUT/month has records, OUT/before those
of all months before it, both with canalwise.toml.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import polars as pl

from demo_data.generate import _settings, practice
from demo_data.layouts import as_text

EACH = 5_000  # treatments of a copy: four dentists
SEED = 4711
MONTH = pl.date(2026, 6, 1)
PERIOD = 156 * 7  # days, whole weeks: what is done on a Monday was done on one
DATES = {
    "treatments": "started_on",
    "visits": "seated_at",
    "canals": "started_at",
    "instrument_uses": "started_at",
    "instruments": "received_on",
    "incidents": "occurred_at",
    "follow_ups": "seen_on",
    "contacts": "contacted_at",
}
KEYS = ("treatment_id", "patient_id", "visit_id", "use_id", "instrument_id", "incident_id", "follow_up_id")
KEYS += ("contact_id", "lot")


def in_last_month(kind: str, records: pl.DataFrame, treatments: pl.DataFrame) -> pl.Series:
    """Which records are of the last month: by their own day, or that on which their treatment was begun."""
    at = pl.col(DATES[kind]).cast(pl.Date)
    if kind != "treatments" and "treatment_id" in records.columns:
        begun = treatments.select("treatment_id", _begun="started_on")
        records = records.join(begun, on="treatment_id", how="left", maintain_order="left")
        at = pl.coalesce(at, "_begun")
    return records.select((at >= MONTH).fill_null(value=False)).to_series()


def earlier_by(records: pl.DataFrame, days: int) -> pl.DataFrame:
    """The same records so many days before."""
    if not days:
        return records
    shifted = records.with_columns(pl.col(pl.Date, pl.Datetime) - pl.duration(days=days))
    if "birth_year" in shifted.columns:
        shifted = shifted.with_columns(pl.col("birth_year") - round(days / 365.25))
    return shifted


def copy_of(text: pl.DataFrame, number: int) -> pl.DataFrame:
    """The cells of one copy: names of its own for all that has one."""
    if not number:
        return text
    own = [
        pl.format("{}{}{}", pl.col(key).str.head(1), pl.lit(f"{number:04}"), pl.col(key).str.slice(1)).alias(key)
        for key in KEYS
        if key in text.columns
    ]
    for column, before in (("dentist", "D"), ("chair", "chair ")):
        if column in text.columns:
            nth = pl.col(column).str.strip_prefix(before).cast(pl.Int64) + 4 * number
            own.append(pl.format("{}{}", pl.lit(before), nth).alias(column))
    text = text.with_columns(own)
    if "udi" in text.columns:  # it holds the lot and the instrument
        text = text.with_columns(
            pl.format("{}(10){}(21){}", pl.col("udi").str.head(28), "lot", "instrument_id").alias("udi")
        )
    return text


def write(out: Path, treatments: int, earlier: int = 0) -> dict[str, int]:
    """Write OUT/before and OUT/month; gives the rows of each and the bytes."""
    made = practice(SEED, min(treatments, EACH)).records
    numbers = [(n, 0) for n in range(max(1, round(treatments / EACH)))]
    numbers += [(len(numbers) + n, PERIOD) for n in range(round(earlier / min(treatments, EACH)))]
    counts = {"rows_before": 0, "rows_month": 0, "treatments_before": 0}
    for folder in ("before", "month"):
        (out / folder).mkdir(parents=True, exist_ok=True)
        _settings(out / folder, "canalwise.toml")
    for kind, records in made.items():
        late = in_last_month(kind, records, made["treatments"])
        for folder, chosen in (("before", records.filter(~late)), ("month", records.filter(late))):
            cells = {days: as_text(earlier_by(chosen, days)) for days in {days for _, days in numbers}}
            with (out / folder / f"{kind}.csv").open("wb") as file:
                for number, days in numbers:
                    if folder == "month" and days:
                        continue  # three years before it was the last month of nobody
                    copy_of(cells[days], number).write_csv(file, include_header=not number, quote_style="necessary")
                    counts[f"rows_{folder}"] += chosen.height
                    counts["treatments_before"] += chosen.height if (kind, folder) == ("treatments", "before") else 0
    counts["bytes_before"] = sum(path.stat().st_size for path in (out / "before").glob("*.csv"))
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description="Write exports of any number of treatments.")
    parser.add_argument("out", type=Path)
    parser.add_argument("--treatments", type=int, required=True)
    parser.add_argument("--earlier", type=int, default=0)
    given = parser.parse_args()
    print(json.dumps(write(given.out, given.treatments, given.earlier)))


if __name__ == "__main__":
    main()
