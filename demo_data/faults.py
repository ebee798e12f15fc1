"""Planting the faults that truth.FAULTS lists: damaged copies under new keys, so that the good rows all stay; and
faults in a cell or two of a good row, of which nobody can know the truth any more (`without`).

Everything here works on text in the writing system of the export (German dates for the front desk, and so on), still
under our column names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from demo_data import layouts, truth
from demo_data.dice import Dice

RAGGED = "_ragged"  # "short": the row breaks off; "long": one cell too many; null: as it should be


@dataclass(frozen=True)
class Planted:
    """A fault as planted: how many rows, and the key of each (columns of the key joined by a blank)."""

    fault: truth.PlantedFault
    rows: int
    keys: tuple[str, ...]


@dataclass(frozen=True)
class Exports:
    """Each kind's rows as text, faulty ones among them; the column RAGGED says which rows lose or gain cells."""

    text: dict[str, pl.DataFrame]
    planted: tuple[Planted, ...]


KEYS = {
    "treatments": ("treatment_id",),
    "visits": ("visit_id",),
    "canals": ("treatment_id", "canal"),
    "instrument_uses": ("use_id",),
    "instruments": ("instrument_id",),
    "incidents": ("incident_id",),
    "follow_ups": ("follow_up_id",),
    "contacts": ("contact_id",),
}
PREFIX = {
    "treatments": "T9",
    "visits": "V9",
    "instrument_uses": "U9",
    "instruments": "I9",
    "incidents": "N9",
    "follow_ups": "F9",
    "contacts": "C9",
}
STYLE = {
    "treatments": layouts.GERMAN,
    "visits": layouts.GERMAN,
    "instruments": layouts.GERMAN,
    "follow_ups": layouts.BY_HAND,
}


def plant(seed: int, records: dict[str, pl.DataFrame], faults: Sequence[truth.PlantedFault] = truth.FAULTS) -> Exports:
    """The records as text with these faults: in cells of good rows, and rows added at random places among them."""
    text: dict[str, pl.DataFrame] = {}
    planted: list[Planted] = []
    for kind, frame in records.items():
        style = STYLE.get(kind, layouts.OURS)
        good = layouts.with_identities(seed, kind, layouts.words(kind, layouts.as_text(frame, style))).with_columns(
            pl.lit(None, pl.String).alias(RAGGED)
        )
        added, damaged = [], good.with_row_index("_at")
        taken = np.zeros(frame.height, dtype=bool)
        of_kind = list(enumerate(f for f in faults if f.kind == kind))
        # A row is the pattern of a copy, or has a fault in a cell: never both.
        for number, fault in sorted(of_kind, key=lambda one: one[1].caught == "cell"):
            dice = Dice(seed, f"fault {fault.name}")
            possible = _eligible(fault.name, records).fill_null(False).to_numpy()
            possible = np.flatnonzero(possible & ~taken if fault.caught == "cell" else possible)
            n = min(len(possible), max(1, round(fault.per_mille * frame.height / 1000)))
            chosen = possible[np.argsort(dice.uniform(len(possible)))[:n]]
            taken[chosen] = True
            rows = _damage(fault.name, dice, good[chosen], frame[chosen], records, style)
            if fault.caught not in ("repeat", "cell"):
                rows = _new_keys(kind, rows, number)
            keys = tuple(rows.select(pl.concat_str(KEYS[kind], separator=" ", ignore_nulls=True)).to_series().to_list())
            planted.append(Planted(fault, rows.height, keys))
            if fault.caught == "cell":
                damaged = damaged.update(
                    rows.with_columns(_at=pl.Series(chosen, dtype=pl.UInt32)), on="_at", include_nulls=True
                )
            else:
                added.append(rows)
        text[kind] = _scatter(Dice(seed, f"places of faults in {kind}"), damaged.drop("_at"), added)
    return Exports(text, tuple(sorted(planted, key=lambda one: faults.index(one.fault))))


def without(records: dict[str, pl.DataFrame], planted: Sequence[Planted]) -> dict[str, pl.DataFrame]:
    """The true records but for the cells that were spoilt: what anybody can know of them."""
    known = dict(records)
    for one in planted:
        if one.fault.caught == "cell":
            key = pl.concat_str(KEYS[one.fault.kind], separator=" ", ignore_nulls=True)
            spoilt = key.is_in(list(one.keys))
            known[one.fault.kind] = known[one.fault.kind].with_columns(
                pl.when(~spoilt).then(column).alias(column) for column in one.fault.columns
            )
    return known


def _scatter(dice: Dice, good: pl.DataFrame, added: list[pl.DataFrame]) -> pl.DataFrame:
    """The damaged rows in between the good ones, which keep their order."""
    if not added:
        return good
    bad = pl.concat(added)
    at = dice.uniform(bad.height, 0, good.height)
    order = np.argsort(np.r_[np.arange(good.height), at], kind="stable")
    return pl.concat([good, bad])[order]


def _new_keys(kind: str, rows: pl.DataFrame, number: int) -> pl.DataFrame:
    if kind == "canals":  # a canal that no tooth of this practice has left over: see _eligible
        return rows
    key = KEYS[kind][0]
    return rows.with_columns(
        pl.format(
            "{}{}{}",
            pl.lit(PREFIX[kind]),
            pl.lit(str(number).zfill(2)),
            pl.int_range(pl.len()).cast(pl.String).str.zfill(3),
        ).alias(key)
    )


def _eligible(name: str, records: dict[str, pl.DataFrame]) -> pl.Series:
    """Which good rows may serve as the pattern of this fault."""
    treatments, canals = records["treatments"], records["canals"]
    lower_molar = pl.col("tooth").is_in([36, 37, 46, 47])
    has_mm = canals.filter(pl.col("canal") == "MM")["treatment_id"]
    room = treatments.filter(lower_molar & ~pl.col("treatment_id").is_in(has_mm.implode()))["treatment_id"]
    timed = pl.col("started_at").is_not_null() & pl.col("finished_at").is_not_null()
    free = pl.col("treatment_id").is_in(room.implode()) & (pl.col("canal") == "D")
    last_year = pl.col("treatment_id").is_in(
        treatments.filter(pl.col("started_on") > pl.date(2025, 9, 1))["treatment_id"].implode()
    )
    match name:
        case "completed before started":
            return treatments.select(pl.col("completed_on").is_not_null()).to_series()
        case "other date order":
            return treatments.select(pl.col("started_on").dt.day() > 12).to_series()
        case (
            "too many cells"
            | "left before seated"
            | "never left"
            | "negative minutes"
            | "neither yes nor no"
            | "seated in the future"
            | "visit without treatment"
        ):
            return records["visits"].select(pl.col("booked_minutes").is_not_null()).to_series()
        case "decimal lost":
            return canals.select(free & (pl.col("working_length_mm") % 1 == 0.5)).to_series()
        case "canal times outside its visits" | "finished before started":
            return canals.select(free & timed).to_series()
        case "unknown result":  # what is known to have separated stays known
            return records["instrument_uses"].select(pl.col("result") == "intact").to_series()
        case "same canal, other contents":
            return canals.select(pl.col("curvature_deg").is_not_null()).to_series()
        case "canal without treatment":
            return canals.select(timed).to_series()
        case "unknown canal" | "too few cells":
            return canals.select(free).to_series()
        case "use without canal":
            return records["instrument_uses"].select(free).to_series()
        case "use after retirement":
            return (
                records["instrument_uses"]
                .select(
                    last_year
                    & (pl.col("motion") == "rotation")
                    & (pl.col("result") == "intact")
                    & pl.col("started_at").is_not_null()
                )
                .to_series()
            )
        case "retired before received" | "decimal point":
            return (
                records["instruments"]
                .select(pl.col("retired_on").is_not_null() & pl.col("price").is_not_null())
                .to_series()
            )
        case "PAI 7" | "follow-up before completion" | "no such day at recall" | "tooth neither there nor gone":
            return records["follow_ups"].select(pl.col("tooth_present") & pl.col("pai").is_not_null()).to_series()
        case _:
            kind = next(f.kind for f in truth.FAULTS if f.name == name)
            return pl.Series(np.ones(records[kind].height, dtype=bool))


def _damage(
    name: str,
    dice: Dice,
    rows: pl.DataFrame,
    typed: pl.DataFrame,
    records: dict[str, pl.DataFrame],
    style: layouts.Style,
) -> pl.DataFrame:
    """Copies of good rows (text) with this fault; `typed` are the same rows as values."""
    n = rows.height

    def set_(**columns: pl.Expr | pl.Series | str | None) -> pl.DataFrame:
        return rows.with_columns(
            **{k: v if isinstance(v, pl.Expr | pl.Series) else pl.lit(v, pl.String) for k, v in columns.items()}
        )

    def clock(column: str, minutes: int) -> pl.Series:
        return typed.select(pl.col(column) + pl.duration(minutes=minutes))[column].dt.strftime(style.timestamp)

    def day(values: pl.Series, days: int) -> pl.Series:
        return pl.DataFrame({"d": values}).select(pl.col("d") + pl.duration(days=days))["d"].dt.strftime(style.date)

    match name:
        case "no such day":
            return set_(started_on=typed["started_on"].dt.strftime("31.02.%Y"))
        case "other date order":
            return set_(started_on=typed["started_on"].dt.strftime("%m/%d/%Y"))
        case "no such tooth":
            return set_(tooth=pl.Series(dice.word(n, ("33", "52", "U", "0"), (3, 2, 1, 1)).astype(str)))
        case "unknown kind":
            return set_(kind="Wiederholung?")
        case "completed before started":
            return set_(completed_on=day(typed["started_on"], -21))
        case "no patient":
            return set_(patient_id=None)
        case "born after treatment":
            return set_(birth_year=(typed["started_on"].dt.year() + 1).cast(pl.String))
        case "left before seated":
            return set_(left_at=clock("seated_at", -20))
        case "negative minutes":
            return set_(booked_minutes=pl.lit("-") + pl.col("booked_minutes"))
        case "never left":
            return set_(left_at=None)
        case "too many cells":
            return set_(**{RAGGED: "long"})
        case "visit without treatment":
            return set_(treatment_id=pl.format("T8{}", pl.int_range(pl.len()).cast(pl.String).str.zfill(4)))
        case "seated in the future":
            return set_(
                seated_at=typed["seated_at"].dt.strftime(style.timestamp.replace("%Y", "2031")),
                left_at=typed["left_at"].dt.strftime(style.timestamp.replace("%Y", "2031")),
            )
        case "neither yes nor no":
            return set_(rubber_dam="vielleicht")
        case "decimal lost":
            return set_(working_length_mm=pl.col("working_length_mm").str.replace(".", "", literal=True))
        case "canal without treatment":
            return set_(treatment_id=pl.format("T8{}", (5000 + pl.int_range(pl.len())).cast(pl.String)))
        case "canal times outside its visits":
            return set_(canal="MM", started_at=clock("started_at", 60 * 11), finished_at=clock("finished_at", 60 * 11))
        case "same canal, other contents":
            return set_(curvature_deg=(typed["curvature_deg"] + 10).cast(pl.String).str.strip_suffix(".0"))
        case "finished before started":
            return set_(started_at=pl.col("finished_at"), finished_at=pl.col("started_at"))
        case "unknown canal":
            return set_(canal="X9")
        case "too few cells":
            return set_(**{"canal": "MM", RAGGED: "short"})
        case "no size":
            return set_(size=None)
        case "taper in per cent":
            return set_(taper=(100 * typed["taper"]).round(1).cast(pl.String).str.strip_suffix(".0"))
        case "negative seconds":
            return set_(seconds="-12")
        case "unknown result":
            return set_(result="bent?")
        case "use after retirement":
            return set_(**_retired_before(dice, typed, records))
        case "use without canal":
            return set_(canal="MM")
        case "decimal point":
            return set_(price=pl.col("price").str.replace(",", ".", literal=True))
        case "size beyond the series":
            return set_(size="400")
        case "retired before received":
            return set_(retired_on=day(typed["received_on"], -365))
        case "unknown third":
            return set_(canal_third="upper half")
        case "no time":
            return set_(occurred_at="in the morning")
        case "PAI 7":
            return set_(pai="7")
        case "follow-up before completion":
            done = typed.join(
                records["treatments"].select("treatment_id", "completed_on"),
                on="treatment_id",
                how="left",
                maintain_order="left",
            )
            return set_(seen_on=day(done["completed_on"], -30))
        case "no such day at recall":
            return set_(seen_on=typed["seen_on"].dt.strftime("31.02.%Y"))
        case "tooth neither there nor gone":
            return set_(tooth_present=None)
        case "pain beyond the scale":
            return set_(pain_score="11")
        case "contact in the future":
            return set_(contacted_at=typed["contacted_at"].dt.strftime(style.timestamp.replace("%Y", "2031")))
        case "same treatment twice" | "same use twice":
            return rows
    raise KeyError(name)


def _retired_before(dice: Dice, typed: pl.DataFrame, records: dict[str, pl.DataFrame]) -> dict[str, pl.Series]:
    """For each use the serial of an instrument that had been retired half a year before the last twelve months."""
    instruments = records["instruments"].filter(
        (pl.col("motion") == "rotation") & (pl.col("retired_on") < pl.date(2025, 3, 1))
    )
    other = instruments[dice.whole(typed.height, 0, instruments.height - 1)]
    return {
        "instrument_id": other["instrument_id"],
        "lot": other["lot"],
        "size": other["size"].cast(pl.String),
        "taper": other["taper"].cast(pl.String),
        "step": (typed["step"] + 6).cast(pl.String),
    }
