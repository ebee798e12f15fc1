"""What happened afterwards: incidents, recalls with the true outcome, and what patients said."""

from __future__ import annotations

import numpy as np
import polars as pl

from demo_data import truth
from demo_data.dice import DATA_DATE, Dice, unless
from demo_data.work import Work

SIGNS = ("pain", "tenderness", "swelling", "sinus_tract")


def incidents(seed: int, work: Work) -> pl.DataFrame:
    """Separations (most of them also written down as the result of a use) and everything else that went wrong."""
    dice = Dice(seed, "incidents")
    broken = work.uses.filter(pl.col("_separated") & (pl.col("_told") != 1))
    broken = broken.select(
        "treatment_id",
        "canal",
        "instrument_id",
        "_type",
        kind=pl.lit("separation"),
        _at=pl.col("_begin") + pl.col("_seconds").cast(pl.Int64),
    )
    canals = work.canals.filter(~pl.col("_untouched"))
    n = canals.height
    curved = canals["_curvature"].to_numpy() >= truth.CURVED_FROM_DEG
    shares = np.array(list(truth.INCIDENT_RATE.values()))
    which = dice.pick(n, np.r_[shares, 1 - shares.sum()])
    # Ledges and blockages come more often in curved canals: those drawn in straight ones are partly forgiven.
    forgiven = (which <= 1) & ~curved & dice.happens(n, 0.4)
    happened = (which < len(shares)) & ~forgiven
    names = np.array([*truth.INCIDENT_RATE, ""])[which]
    others = (
        canals.with_columns(
            kind=pl.Series(names),
            _at=pl.col("_from") + (60 * pl.col("_minutes") * pl.Series(dice.uniform(n, 0.2, 0.95))).cast(pl.Int64),
        )
        .filter(pl.Series(happened))
        .select(
            "treatment_id",
            pl.when(pl.col("kind") != "missed canal").then("canal").alias("canal"),
            pl.lit(None, pl.String).alias("instrument_id"),
            "_type",
            "kind",
            "_at",
        )
    )
    wrong = work.visits.filter("_planned").slice(
        int(dice.whole(1, 0, work.visits.height // 2)[0]), round(work.visits.height / 4000)
    )
    wrong = wrong.select(
        "treatment_id",
        pl.lit(None, pl.String).alias("canal"),
        pl.lit(None, pl.String).alias("instrument_id"),
        pl.lit("front").alias("_type"),
        pl.lit("wrong tooth").alias("kind"),
        _at=pl.col("_seated") + 600,
    )
    rows = pl.concat([broken, others, wrong]).sort("_at", "treatment_id", "canal", "kind")
    n = rows.height
    kind = rows["kind"].to_numpy()
    separation = kind == "separation"
    third = np.where(
        np.isin(kind, ("separation", "ledge", "blockage", "transportation")),
        dice.word(n, ("apical", "middle", "coronal"), (0.78, 0.18, 0.04)),
        dice.word(n, ("apical", "middle", "coronal"), (0.45, 0.25, 0.30)),
    )
    nowhere = np.isin(kind, ("missed canal", "wrong tooth", "other", "irrigant extrusion"))
    after = dice.word(
        n,
        ("left in place", "bypassed", "retrieved", "referred", "surgery", "extraction"),
        (0.42, 0.27, 0.19, 0.08, 0.025, 0.015),
    )
    none = np.array(None, dtype=object)
    managed = np.where(
        separation,
        after,
        np.where(np.isin(kind, ("ledge", "blockage")), "bypassed", np.where(kind == "perforation", "referred", none)),
    )
    blank = dice.happens(n, np.where(separation, 0.05, np.where(kind == "perforation", 0.6, 0.4)))
    note = dice.word(
        n,
        (
            None,
            "narrow canal",
            "second attempt at length",
            "patient anxious, short mouth opening",
            "shown to the patient on the screen",
        ),
        (0.72, 0.1, 0.07, 0.05, 0.06),
    )
    return rows.with_columns(
        incident_id=pl.format("N{}", pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(4)),
        occurred_at=_clock("_at"),
        canal_third=unless(nowhere | dice.happens(n, 0.06), third),
        fragment_mm=unless(
            ~separation | dice.happens(n, 0.15), np.clip(np.round(dice.lognormal(n, 2.8, 0.4), 1), 0.5, 9)
        ),
        managed=unless(blank | np.array([m is None for m in managed], dtype=bool), managed),
        patient_informed=unless(
            dice.happens(n, np.where(separation, 0.07, 0.3)), dice.happens(n, truth.PATIENT_INFORMED)
        ),
        note=pl.Series(note.tolist(), dtype=pl.String),
    )


def _clock(column: str) -> pl.Expr:
    return pl.from_epoch(column, "s").cast(pl.Datetime("us"))


def _months_later(days: np.ndarray, months: int) -> np.ndarray:
    """Calendar months later; the last day of a shorter month where there is no such day."""
    return pl.DataFrame({"d": days}).select(pl.col("d").cast(pl.Date).dt.offset_by(f"{months}mo"))["d"].to_numpy()


def follow_ups(seed: int, work: Work) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Recall examinations, and what became of every completed tooth (the latent truth, one row a treatment)."""
    dice = Dice(seed, "follow-ups")
    cases = work.treatments.filter("_done")
    n = cases.height
    done = cases["completed_on"].to_numpy()
    outcome = cases["_outcome"].to_numpy()
    failed = outcome == "not healed"
    other = dice.wait(n, truth.OTHER_LOSS_PER_YEAR)
    endodontic = dice.wait(n, np.where(failed, truth.ENDODONTIC_LOSS_PER_YEAR, 0.0))
    lost_after = np.ceil(np.minimum(np.minimum(other, endodontic) * 365.25, 40_000)).astype(np.int64)
    lost_on = done + lost_after
    why = np.where(
        endodontic < other, "endodontic", dice.word(n, list(truth.LOSS_REASONS), list(truth.LOSS_REASONS.values()))
    )
    again = cases["_treated_again_by"].to_numpy()
    starts = work.treatments.select("_case", "started_on")
    again_on = (
        pl.DataFrame({"_case": again})
        .join(starts, on="_case", how="left", maintain_order="left")["started_on"]
        .to_numpy()
    )
    treated_again = ~np.isnat(again_on)
    again_on = np.where(treated_again, again_on, np.datetime64("2099-01-01"))
    latent = cases.select(
        "treatment_id",
        "_case",
        "_type",
        "_lesion",
        "kind",
        "_sequence",
        "_outcome",
        "_dentist",
        "completed_on",
    ).with_columns(
        # A tooth that was treated again was not lost before.
        _lost_on=pl.Series(np.where(treated_again & (lost_on < again_on), done + 40_000, lost_on)),
        _lost_reason=pl.Series(why.astype(str)),
        _again_on=pl.Series(again_on),
    )

    # Looks at half a year, one, two and three years; who came at one year comes more readily later.
    came = dice.happens(n, truth.recall_probability(failed, cases["_dentist"].to_numpy()))
    about = _months_later(done, 12) + np.where(dice.happens(n, 0.08), -dice.whole(n, 5, 70), dice.whole(n, 3, 110))
    looks = [(dice.happens(n, truth.EARLY_RECALL), done + dice.whole(n, 120, 230)), (came, about)]
    for months, (if_seen, if_not) in truth.LATER_RECALL.items():
        came = dice.happens(n, np.where(came, if_seen, if_not))
        looks.append((came, _months_later(done, months) + dice.whole(n, -25, 100)))
    case = np.tile(np.arange(n), len(looks))
    seen = np.concatenate([np.busday_offset(day, 0, roll="forward") for _, day in looks])
    attends = np.concatenate([yes for yes, _ in looks])
    keep = attends & (seen <= DATA_DATE) & (seen < lost_on[case]) & (seen < again_on[case])
    # Losses that the practice hears of, within weeks.
    heard = dice.happens(n, truth.LOSS_RECORDED) & (lost_on < again_on)
    heard_on = lost_on + dice.whole(n, 0, 45)
    gone = np.flatnonzero(heard & (heard_on <= DATA_DATE))
    rows = pl.DataFrame(
        {
            "_row": np.r_[case[keep], gone],
            "_seen": np.r_[seen[keep], heard_on[gone]],
            "_gone": np.r_[np.zeros(keep.sum(), dtype=bool), np.ones(len(gone), dtype=bool)],
        }
    )
    rows = rows.sort("_seen", "_row")
    found = _examine(Dice(seed, "examinations"), rows, cases, lost_on, why)
    again_before = pl.Series(treated_again[rows["_row"].to_numpy()])
    return found.filter(~(pl.col("_gone") & again_before)), latent


def _examine(dice: Dice, rows: pl.DataFrame, cases: pl.DataFrame, lost_on: np.ndarray, why: np.ndarray) -> pl.DataFrame:
    """What each examination found, from the class of the tooth."""
    n = rows.height
    row, seen, gone = rows["_row"].to_numpy(), rows["_seen"].to_numpy(), rows["_gone"].to_numpy()
    outcome, before, lesion = (cases[name].to_numpy()[row] for name in ("_outcome", "_pai", "_lesion"))
    mature = seen >= _months_later(cases["completed_on"].to_numpy(), 12)[row]
    not_healed, healing = outcome == "not healed", outcome == "healing"
    # Half of the teeth that fail show signs, at every look the same teeth: the draw belongs to the tooth.
    loud = dice.happens(cases.height, truth.SIGNS_IN_NOT_HEALED)[row] & not_healed
    good = 1 + dice.pick(n, (0.72, 0.28))
    unripe = lesion & ~mature & dice.happens(n, 0.55)
    pai = np.where(unripe, 3, good)
    pai = np.where(healing, before - 1, pai)
    worse = np.maximum(before, 3) + dice.happens(n, 0.15)
    pai = np.where(not_healed, np.minimum(worse, 5), pai)
    first_sign = dice.pick(n, (0.4, 0.35, 0.1, 0.15))
    signs = {name: loud & ((first_sign == i) | dice.happens(n, 0.2)) for i, name in enumerate(SIGNS)}
    silent = dice.happens(n, 0.02) & ~loud  # nobody wrote the signs down
    image = dice.word(n, ("periapical", "cbct", "none"), (0.86, 0.055, 0.085)).astype(str)
    image = np.where(gone, "none", image)
    surgery = not_healed & ~gone & mature & dice.happens(n, 0.06) & (seen > cases["completed_on"].to_numpy()[row] + 420)
    return rows.with_columns(
        follow_up_id=pl.format("F{}", pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(5)),
        treatment_id=cases["treatment_id"][row],
        seen_on=pl.col("_seen"),
        image=unless(dice.happens(n, 0.01) & ~gone, image),
        pai=unless(gone | (image == "none") | dice.happens(n, 0.02), pai),
        **{name: unless(gone | silent, found) for name, found in signs.items()},
        tooth_present=~pl.col("_gone"),
        lost_on=unless(~gone | dice.happens(n, 0.04), lost_on[row]),
        lost_reason=unless(~gone | dice.happens(n, 0.04), why[row].astype(str)),
        restoration_intact=unless(gone | dice.happens(n, 0.06), dice.happens(n, 0.93)),
        surgery_on=unless(~surgery, seen - dice.whole(n, 30, 150)),
    ).with_columns(pl.Series("_mature", mature))


def contacts(seed: int, work: Work) -> pl.DataFrame:
    """Calls and forms one, three and seven days after a visit: the worst pain since then."""
    dice = Dice(seed, "contacts")
    asked = work.visits.filter("_planned").with_columns(
        _ask=pl.Series(dice.happens(work.visits.filter("_planned").height, 0.42))
    )
    asked = asked.filter("_ask").select("treatment_id", "_case", "_day", "_left")
    n = asked.height
    strong = np.clip(dice.normal(n, 3.6, 2.4), 0, 10)
    days = np.tile([1, 3, 7], n)
    row = np.repeat(np.arange(n), 3)
    answers = dice.happens(3 * n, np.tile([0.8, 0.45, 0.45], n))
    fade = np.tile([1.0, 0.62, 0.38], n)
    score = np.clip(np.round(strong[row] * fade + dice.normal(3 * n, 0.0, 0.8)), 0, 10)
    at = (asked["_day"].to_numpy()[row] + days).astype("datetime64[s]").astype(np.int64) + 60 * dice.whole(
        3 * n, 8 * 60 + 30, 19 * 60 + 30
    )
    rows = pl.DataFrame({"_row": row, "_at": at, "pain": score}).filter(
        pl.Series(answers) & (pl.col("_at") < DATA_DATE.astype("datetime64[s]").astype(np.int64) + 86_400)
    )
    rows = rows.sort("_at", "_row")
    n = rows.height
    pain = rows["pain"].to_numpy()
    return rows.with_columns(
        contact_id=pl.format("C{}", pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(6)),
        treatment_id=asked["treatment_id"][rows["_row"].to_numpy()],
        contacted_at=_clock("_at"),
        pain_score=unless(dice.happens(n, 0.03), pain),
        analgesic=unless(dice.happens(n, 0.08), dice.happens(n, np.clip(0.06 + 0.09 * pain, 0, 0.95))),
        swelling=unless(dice.happens(n, 0.08), dice.happens(n, np.where(pain >= 7, 0.12, 0.02))),
    )
