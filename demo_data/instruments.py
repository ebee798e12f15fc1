"""Instruments: which one is taken into which canal, how it wears, and where it came from."""

from __future__ import annotations

import numpy as np
import polars as pl
import polars.selectors as cs

from demo_data import truth
from demo_data.catalogue import catalogue
from demo_data.dice import DATA_DATE, Dice, place, running, unless


def uses_of(seed: int, canals: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Every instrument taken into every canal, in order, and the physical instruments that this takes."""
    dice = Dice(seed, "uses")
    worked = canals.filter(~pl.col("_untouched"))
    n = worked.height
    worked = worked.with_columns(
        _skips=pl.Series(dice.happens(n, 0.03)), _swaps=pl.Series(dice.happens(n, 0.02)), _row=pl.int_range(pl.len())
    )
    uses = worked.select(
        "_row",
        "_case",
        "treatment_id",
        "canal",
        "_used_sequence",
        "_type",
        "_curvature",
        "_no_glide_path",
        "_length",
        "_from",
        "_minutes",
        "_seat",
        "_visit",
        "_skips",
        "_swaps",
    ).join(catalogue().rename({"sequence": "_used_sequence"}), on="_used_sequence", maintain_order="left_right")
    step = uses["catalogue_step"].to_numpy()
    steps = uses.select(pl.col("catalogue_step").max().over("_row"))["catalogue_step"].to_numpy()
    # One step left out: the last but one. Two steps exchanged: the last two.
    kept = ~(uses["_skips"].to_numpy() & (step == steps - 1))
    place_ = np.where(uses["_swaps"].to_numpy() & (step >= steps - 1), 2 * steps - 1 - step, step)
    uses = uses.with_columns(pl.Series("_place", place_)).filter(pl.Series(kept)).sort("_from", "_row", "_place")
    uses = uses.with_columns(step=pl.int_range(1, pl.len() + 1).over("_row", order_by="_place"))
    n = uses.height
    count = uses.select(pl.len().over("_row"))["len"].to_numpy()
    span = 60 * uses["_minutes"].to_numpy()
    begin = uses["_from"].to_numpy() + span * (
        0.04 + 0.86 * (uses["step"].to_numpy() - 1 + 0.5 * dice.uniform(n)) / count
    )
    engine = uses["motion"].to_numpy() != "hand"
    room = np.maximum(4, 0.86 * span / count * 0.5)
    seconds = np.minimum(room, dice.lognormal(n, np.where(engine, 22.0, 55.0), 0.45))
    depth = uses["depth_share"].to_numpy() * uses["_length"].to_numpy()
    depth = depth - np.abs(dice.normal(n, 0.0, 0.25)) + np.where(dice.happens(n, 0.03), dice.uniform(n, 0.8, 2.0), 0.0)
    length = np.where(depth > uses["length_mm"].to_numpy() - 1, 31, uses["length_mm"].to_numpy())
    uses = uses.with_columns(
        pl.Series("_begin", np.floor(begin).astype(np.int64)),
        pl.Series("_seconds", np.maximum(3, np.round(seconds))),
        pl.Series("_depth", np.round(depth, 1)),
        pl.Series("_engine", engine),
        pl.Series("_length_mm", length.astype(np.int64)),
        _limit=pl.col("use_limit"),
    ).with_columns(_stream=pl.struct("_seat", "size", "taper", "motion", "_length_mm").rank("dense").cast(pl.Int64) - 1)
    uses = _wear(Dice(seed, "wear"), uses.sort("_stream", "_begin", "_row", "step"))
    instruments = _instruments(Dice(seed, "instruments"), uses)
    uses = (
        uses.filter("_done")
        .join(instruments.select("_instrument", "instrument_id", "lot"), on="_instrument", maintain_order="left")
        .sort("_begin", "_seat", "_row", "step")
    )
    return _settings_and_results(Dice(seed, "settings"), uses), instruments.sort("instrument_id")


def _wear(dice: Dice, uses: pl.DataFrame) -> pl.DataFrame:
    """Which physical instrument each use takes, its use number, and whether it separates or deforms.

    Every dentist draws each kind of instrument from a stream of new ones: one is used until its planned end, or until
    it separates or deforms; then the next is taken. A separation may also end the work in its canal, so that later
    steps are never done. Since a use only depends on earlier ones, repeating the whole computation settles after a few
    passes: each pass puts right at least the earliest use that was still wrong.
    """
    n = uses.height
    stream, row, step = (uses[name].to_numpy() for name in ("_stream", "_row", "step"))
    engine, limit = uses["_engine"].to_numpy(), uses["_limit"].to_numpy()
    molar, curvature, no_glide = (
        uses["_type"].to_numpy() == "molar",
        uses["_curvature"].to_numpy(),
        uses["_no_glide_path"].to_numpy(),
    )
    planned = np.where(
        dice.happens(n, truth.OVER_LIMIT),
        limit + dice.whole(n, 1, 3),
        np.where(dice.happens(n, 0.14), dice.whole(n, 1, limit - 1), limit),
    )
    reach = n + 1  # the planned lives of a stream, one after another, on a line of their own
    ends = running(planned, stream) + stream * reach * 20
    chance, stops = dice.uniform(n), dice.happens(n, 0.6)
    separated = deformed = np.zeros(n, dtype=bool)
    for _ in range(200):
        stopped_at = np.full(int(row.max()) + 1, 1_000)
        np.minimum.at(stopped_at, row[separated & stops], step[separated & stops])
        done = step <= stopped_at[row]
        position = running(done.astype(np.int64), stream) - 1  # 0, 1, ... among the uses done of the stream
        life = np.searchsorted(ends, position + stream * reach * 20, side="right")
        broken = running((separated | deformed).astype(np.int64), stream) - (separated | deformed)
        piece = life * 1_000 + broken
        piece = np.where(done, piece, -1)
        number = np.zeros(n, dtype=np.int64)
        number[done] = place(piece[done]) + 1
        hazard = np.where(engine, truth.separation_hazard(number, molar, curvature, no_glide), truth.HAND_SEPARATION)
        bends = truth.deformation_hazard(number, engine)
        now_separated = done & (chance < hazard)
        now_deformed = done & ~now_separated & (chance < hazard + bends)
        settled = (now_separated == separated).all() and (now_deformed == deformed).all()
        separated, deformed = now_separated, now_deformed
        if settled:
            break
    else:
        raise AssertionError("the wear of instruments did not settle")
    instrument = np.full(n, -1)
    instrument[done] = np.cumsum(np.r_[True, piece[done][1:] != piece[done][:-1]]) - 1
    return uses.with_columns(
        pl.Series("_done", done),
        pl.Series("_number", number),
        pl.Series("_hazard", hazard),
        pl.Series("_instrument", instrument),
        pl.Series("_planned_life", planned[np.clip(life, 0, n - 1)]),
        pl.Series("_separated", separated),
        pl.Series("_deformed", deformed),
    )


BOX, SHELF_LIFE = 20, 5 * 365  # instruments of one lot in a delivery; days
DEARER_SINCE = np.datetime64("2025-01-01").astype(np.int64)
PRICE = {"hand": 2.10, "rotation": 11.40, "reciprocation": 16.90}
WHAT = {"hand": "hand instrument", "rotation": "rotation instrument", "reciprocation": "reciprocation instrument"}


def _instruments(dice: Dice, uses: pl.DataFrame) -> pl.DataFrame:
    """The instruments that were used, and some that lie in the drawer, with lots, prices and how they ended."""
    used = _lives(dice, uses)
    kinds = ["size", "taper", "motion", "_length_mm"]
    used = used.with_columns(
        _kind=pl.struct(kinds).rank("dense").cast(pl.Int64) - 1, _box=pl.int_range(pl.len()).over(kinds) // BOX
    )
    # Deliveries: each kind of instrument comes in boxes of one lot, received before its first is needed.
    boxes = used.group_by("_kind", "_box", maintain_order=True).agg(_needed=pl.col("_first").min())
    boxes = boxes.with_columns(
        _delivered=pl.col("_needed") - pl.Series(dice.whole(boxes.height, 12, 70)),
        _lot=pl.Series(dice.whole(boxes.height, 100, 999)),
    )
    everything = (
        pl.concat([used, _drawer(dice, used)], how="diagonal")
        .join(boxes, on=["_kind", "_box"], how="left", maintain_order="left")
        .with_columns(
            pl.col("_first").fill_null(DATA_DATE.astype(np.int64) + 1),
            pl.col("_sessions").fill_null(0),
            pl.col("_separated").fill_null(False),
            pl.col("_lot").fill_null(99),
            _received=pl.coalesce("_received", "_delivered"),
        )
        .sort("_first", "_received", "_kind", maintain_order=True)
    )
    n = everything.height
    price = everything["motion"].replace_strict(PRICE, return_dtype=pl.Float64).to_numpy()
    price = price + np.where(everything["_length_mm"].to_numpy() == 31, 0.4, 0.0)
    price = price * np.where(everything["_received"].to_numpy() > DEARER_SINCE, 1.06, 1.0)
    cycles = everything["_sessions"].to_numpy() + np.where(everything["_separated"].to_numpy(), 0, 1)
    lot = (pl.col("_kind") * 37 + pl.col("_lot")).cast(pl.String)
    everything = everything.with_columns(
        instrument_id=pl.format("I{}", pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(6)),
        lot=pl.format("L{}-{}", pl.from_epoch("_received", "d").dt.strftime("%y%m"), lot),
        length_mm=pl.col("_length_mm").cast(pl.Float64),
        description=pl.format(
            "{} {} / {}", pl.col("motion").replace_strict(WHAT), "size", pl.col("taper").cast(pl.String)
        ),
        price=unless(dice.happens(n, 0.02), np.round(price, 2)),
        received_on=pl.from_epoch("_received", "d"),
        use_limit=unless(dice.happens(n, 0.02), everything["_limit"].to_numpy()),
        sterilisations=unless(dice.happens(n, 0.02), cycles),
        retired_on=pl.from_epoch("_retired", "d"),
    )
    return everything.with_columns(udi=unless(dice.happens(n, 0.10), _udi(everything)))


def _lives(dice: Dice, uses: pl.DataFrame) -> pl.DataFrame:
    """One row for each instrument used, in the order of first use: how long it served and why it was retired."""
    used = (
        uses.filter("_done")
        .group_by("_instrument", maintain_order=True)
        .agg(
            pl.col("_stream", "size", "taper", "motion", "_length_mm", "_limit", "_planned_life").first(),
            _first=pl.col("_begin").first() // 86_400,
            _last=pl.col("_begin").last() // 86_400,
            _uses=pl.len(),
            _sessions=pl.struct("_case", "_visit").n_unique(),
            _separated=pl.col("_separated").any(),
            _deformed=pl.col("_deformed").any(),
        )
        .with_columns(_newest=pl.col("_instrument") == pl.col("_instrument").max().over("_stream"))
    )
    n = used.height
    # In service: the newest of its stream, unless it reached its planned end or broke. The rest of a planned life that
    # a breakage cut short is served by a successor, which then goes early ("other").
    separated, deformed, newest = (used[name].to_numpy() for name in ("_separated", "_deformed", "_newest"))
    worn = (used["_uses"] >= used["_limit"]).to_numpy()
    retired = separated | deformed | worn | ~newest | (used["_uses"] >= used["_planned_life"]).to_numpy()
    early = dice.word(n, ("other", "lost"), (0.9, 0.1)).astype(str)
    reason = np.select([separated, deformed, worn], ["separated", "deformed", "use limit"], early)
    noticed = used["_last"].to_numpy() + np.where(separated | deformed, 0, dice.whole(n, 0, 2))
    on = np.minimum(noticed, DATA_DATE.astype(np.int64))
    return used.with_columns(retired_reason=unless(~retired, reason), _retired=unless(~retired, on)).sort(
        "_first", "_instrument"
    )


def _drawer(dice: Dice, used: pl.DataFrame) -> pl.DataFrame:
    """Instruments never used: the rest of each kind's newest box, and old stock that expired or was lost."""
    kinds = used.group_by("_kind", maintain_order=True).agg(
        pl.col("size", "taper", "motion", "_length_mm", "_limit").first(), pl.col("_box").max(), _held=pl.len()
    )
    rest = kinds.select(pl.all().repeat_by(3 + (BOX - 1 - (pl.col("_held") - 1) % BOX) // 2)).explode(cs.all())
    old = kinds.filter(pl.Series(dice.happens(kinds.height, 0.6))).with_columns(_box=pl.lit(-1, pl.Int64))
    n = old.height
    expired_on = DATA_DATE.astype(np.int64) - dice.whole(n, 20, 900)
    old = old.with_columns(
        _received=pl.Series(expired_on - SHELF_LIFE),
        retired_reason=pl.Series(dice.word(n, ("expired", "lost"), (0.75, 0.25)).astype(str)),
        _retired=pl.Series(expired_on + dice.whole(n, 0, 15)),
    )
    return pl.concat([rest, old], how="diagonal").drop("_held")


def _udi(instruments: pl.DataFrame) -> np.ndarray:
    """GS1 strings: item number, expiry, lot, serial. The item numbers begin with 2, which GS1 leaves to local use."""
    number = 290_000_000_000 + 17 * instruments["_kind"].to_numpy()
    parts = (number[:, None] // 10 ** np.arange(12)) % 10  # from the right
    check = (10 - (parts * np.where(np.arange(12) % 2 == 0, 3, 1)).sum(axis=1) % 10) % 10
    frame = instruments.with_columns(pl.Series("_item", number * 10 + check))
    return (
        frame.select(
            pl.format(
                "(01)0{}(17){}(10){}(21){}",
                "_item",
                pl.from_epoch(pl.col("_received") + SHELF_LIFE, "d").dt.strftime("%y%m%d"),
                "lot",
                pl.col("instrument_id"),
            )
        )
        .to_series()
        .to_numpy()
    )


def _settings_and_results(dice: Dice, uses: pl.DataFrame) -> pl.DataFrame:
    """What the motor was set to, and how the use ended, as written down."""
    n = uses.height
    engine = uses["_engine"].to_numpy()
    slow, fast = uses["slowest"].fill_null(0).to_numpy(), uses["fastest"].fill_null(0).to_numpy()
    speed = 10 * np.round((slow + (fast - slow) * dice.uniform(n)) / 10)
    speed = np.where(
        dice.happens(n, 0.05), fast + 10 * dice.whole(n, 1, 8), np.where(dice.happens(n, 0.01), slow - 20, speed)
    )
    torque = uses["torque_ncm"].fill_null(0).to_numpy()
    torque = np.round(np.where(dice.happens(n, 0.04), torque * 1.3, torque), 1)
    peak = np.round(torque * np.minimum(1.0, 0.35 + 0.5 * dice.uniform(n) + 0.3 * uses["_separated"].to_numpy()), 2)
    asked = uses["irrigant_asked"].to_numpy()
    irrigant = np.round(2 * np.where(dice.happens(n, 0.04), 0.0, asked + np.abs(dice.normal(n, 0.0, 0.6)))) / 2
    separated, deformed = uses["_separated"].to_numpy(), uses["_deformed"].to_numpy()
    told = dice.pick(n, (truth.SEPARATION_IN_BOTH, truth.SEPARATION_ONLY_USE, truth.SEPARATION_ONLY_INCIDENT))
    last = (uses["_number"] == uses.select(pl.col("_number").max().over("_instrument"))["_number"]).to_numpy() & (
        uses["_number"] >= uses["_limit"]
    ).to_numpy()
    result = np.where(last & dice.happens(n, 0.6), "discarded", "intact")
    result = np.where(deformed, "deformed", np.where(separated, np.where(told == 2, "discarded", "separated"), result))
    untracked = dice.happens(n, truth.UNTRACKED)
    untimed = dice.happens(int(uses["_row"].to_numpy().max()) + 1, 0.04)[uses["_row"].to_numpy()]
    return uses.with_columns(
        pl.Series("_told", told),
        use_id=pl.format("U{}", pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(7)),
        instrument_id=unless(untracked, uses["instrument_id"].to_numpy()),
        lot=unless(untracked | dice.happens(n, 0.02), uses["lot"].to_numpy()),
        _untimed=pl.Series(untimed),
        seconds=unless(dice.happens(n, 0.03), uses["_seconds"].to_numpy()),
        speed_rpm=unless(~engine | dice.happens(n, 0.03), speed),
        torque_ncm=unless(~engine | dice.happens(n, 0.03), torque),
        peak_torque_ncm=unless(~engine | dice.happens(n, 0.45), peak),
        depth_mm=unless(dice.happens(n, 0.08), uses["_depth"].to_numpy()),
        irrigant_ml=unless(dice.happens(n, 0.05), irrigant),
        result=pl.Series(result),
    )
