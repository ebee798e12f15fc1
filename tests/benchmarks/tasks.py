"""What results.py measures, each in a process of its own: prints what it took as JSON.

    python -m tests.benchmarks.tasks facts|measures|figures|pandas|ratios PATH

Libraries are imported before the clock starts, but for `pandas`, whose script is timed whole. `facts`, `measures` and
`figures` are asked of a store, `pandas` and `ratios` of a
folder of exports.
"""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

BY = ("sequence", "tooth_type")
ROUNDS = 3
LONGEST = 90  # seconds; a measure that takes longer is given up

# Hand-written SQL over our facts for five figures by sequence and tooth type: what the measure counts, plainly.
FIGURES = {
    "shaping_minutes_per_canal": """
        select sequence, tooth_type, count(*), median(shaping_minutes), quantile_cont(shaping_minutes, [0.25, 0.75])
        from canal_facts where uses is not null and ends_untimed = 0 and (uses > 1 or uses_with_seconds > 0)
        group by all order by all""",
    "instruments_per_canal": """
        select sequence, tooth_type, count(distinct (f.practice, f.treatment_id, f.canal)) as n, count(u.item) / n
        from canal_facts as f join canal_items as u using (practice, treatment_id, canal)
        where u.item is not null and f.unnamed_uses = 0 group by all order by all""",
    "cost_per_canal": """
        select sequence, tooth_type, count(*), avg(cost), stddev_samp(cost), count(distinct patient_id)
        from canal_facts where untracked_uses = 0 and coalesce(without_price, 0) = 0 group by all order by all""",
    "separations_per_100_canals": """
        select sequence, tooth_type, sum(exposure), 100 * sum(separations) / sum(exposure), count(distinct patient_id)
        from canal_separations where coalesce(not_placed, not_watched) is null group by all order by all""",
    "healed_share": """
        select sequence, tooth_type, count(*), avg((outcome_class = 'healed')::int), count(distinct patient_id)
        from tooth_facts where outcome_class in ('healed', 'healing', 'uncertain', 'not healed') and other_care is null
        group by all order by all""",
}


def clocked(work: Callable[[], Any]) -> tuple[dict[str, float], Any]:
    seconds, cpu = time.perf_counter(), time.process_time()
    found = work()
    return {"cpu": time.process_time() - cpu, "seconds": time.perf_counter() - seconds}, found


def facts(store: Path) -> dict[str, Any]:
    """All facts, made once and kept."""
    import duckdb  # noqa: F401

    from pipeline.checks.across import open_judged
    from pipeline.facts.prepare import make, texts
    from pipeline.measures.run import Workspace
    from pipeline.store.kept_settings import used

    def work() -> None:
        with open_judged(store) as connection:
            Workspace(connection, used(connection, None).settings)
            make(connection, texts())

    took, _ = clocked(work)
    return took | {"bytes": sum(path.stat().st_size for path in store.parent.glob(f"{store.name}*"))}


def measures(store: Path) -> dict[str, Any]:
    """Each measure by sequence and tooth type, or alone where it has no such groups, with a workspace of its own."""
    import scipy.stats  # noqa: F401

    from pipeline.checks.across import open_judged
    from pipeline.errors import UserError
    from pipeline.measures.catalogue import catalogue
    from pipeline.measures.run import Workspace
    from pipeline.store.kept_settings import used

    def ask(name: str) -> str:
        with open_judged(store) as connection:
            workspace = Workspace(connection, used(connection, None).settings)
            for by in (BY, BY[:1], ()):
                try:
                    workspace.compute(name, by)
                except UserError:
                    continue
                return ",".join(by)
        return "-"

    def give_up(*_: object) -> None:
        raise TimeoutError

    signal.signal(signal.SIGALRM, give_up)

    def at_most(name: str) -> str:
        signal.alarm(LONGEST)
        try:
            return ask(name)
        except TimeoutError:
            return "given up"
        finally:
            signal.alarm(0)

    took = {}
    for name in catalogue():
        if name not in ("standards", "adherence"):  # they ask the others
            found, by = clocked(lambda name=name: at_most(name))  # type: ignore[misc]
            took[name] = found | {"by": by}
    return {
        "cpu": sum(t["cpu"] for t in took.values()),
        "seconds": sum(t["seconds"] for t in took.values()),
        "each": took,
    }


def figures(store: Path) -> dict[str, Any]:
    """Five measures, and hand-written SQL over the same facts for the same figures, in turn; the best of a few."""
    import scipy.stats  # noqa: F401

    from pipeline.checks.across import open_judged
    from pipeline.facts.prepare import make
    from pipeline.measures.run import Workspace
    from pipeline.store.kept_settings import used

    ours: dict[str, float] = {}
    by_hand: dict[str, float] = {}
    with open_judged(store) as connection:
        settings = used(connection, None).settings
        Workspace(connection, settings)
        make(connection, ("canal_facts", "tooth_facts", "canal_separations", "canal_items", "canal_case_mix"))
        for _ in range(ROUNDS):
            for name, sql in FIGURES.items():
                workspace = Workspace(connection, settings)
                took, _ = clocked(lambda w=workspace, name=name: w.compute(name, BY))  # type: ignore[misc]
                ours[name] = min(took["cpu"], ours.get(name, 1e9))
                took, _ = clocked(lambda sql=sql: connection.execute(sql).fetchall())  # type: ignore[misc]
                by_hand[name] = min(took["cpu"], by_hand.get(name, 1e9))
    both = {name: (ours[name], by_hand[name]) for name in ours}
    return {"cpu": sum(ours.values()), "by_hand": sum(by_hand.values()), "each": both}


def ratios(folder: Path) -> dict[str, Any]:
    """The ratios of test_ratios.py: each of the best of a few runs, in turn."""
    from tests.benchmarks.load_once import bare, canalwise

    best: dict[str, float] = {}
    for number in range(2):
        new = folder.parent / f"bare-{number}.duckdb"
        store = folder.parent / f"practice-{number}.duckdb"
        works = {"bare": bare(folder, new), "first load": canalwise(folder, store)}
        for name, work in works.items():
            took, _ = clocked(work)
            best[name] = min(took["cpu"], best.get(name, 1e9))
    best["facts"] = facts(store)["cpu"]
    five = figures(store)
    return {
        "first load / bare load": best["first load"] / best["bare"],
        "all facts / bare load": best["facts"] / best["bare"],
        "five measures / SQL by hand": five["cpu"] / five["by_hand"],
    }


def pandas(folder: Path) -> dict[str, Any]:
    """What a colleague would write: load the exports, validate nothing, compute five figures by sequence and type."""
    import pandas as pd

    dates = {
        "treatments": ["started_on", "completed_on", "restored_on"],
        "visits": ["seated_at", "left_at"],
        "canals": ["started_at", "finished_at"],
        "instrument_uses": ["started_at"],
        "instruments": ["received_on", "retired_on"],
        "incidents": ["occurred_at"],
        "follow_ups": ["seen_on", "lost_on", "surgery_on"],
        "contacts": ["contacted_at"],
    }

    def load() -> dict[str, pd.DataFrame]:
        return {
            kind: pd.read_csv(folder / f"{kind}.csv", parse_dates=columns, low_memory=False)
            for kind, columns in dates.items()
        }

    def compute(tables: dict[str, pd.DataFrame]) -> list[pd.DataFrame]:
        teeth = tables["treatments"]
        place = teeth.tooth % 10
        teeth["tooth_type"] = "molar"
        teeth.loc[place.isin([4, 5]) & (teeth.tooth < 50), "tooth_type"] = "premolar"
        teeth.loc[place == 3, "tooth_type"] = "canine"
        teeth.loc[place <= 2, "tooth_type"] = "incisor"
        key, by = ["treatment_id", "canal"], ["sequence", "tooth_type"]
        canals = tables["canals"].merge(teeth[["treatment_id", "tooth_type", "patient_id"]], on="treatment_id")
        uses = tables["instrument_uses"].merge(canals[[*key, *by]], on=key)

        timed = uses.dropna(subset=["started_at"])
        timed = timed.assign(ends=timed.started_at + pd.to_timedelta(timed.seconds.fillna(0), unit="s"))
        timed = timed.sort_values([*key, "started_at"])
        gap = (timed.started_at - timed.groupby(key).ends.shift()).dt.total_seconds() / 60
        timed["gap"] = gap.where(gap > 20, 0)
        spans = timed.groupby([*key, *by]).agg(a=("started_at", "min"), b=("ends", "max"), gaps=("gap", "sum"))
        spans["minutes"] = (spans.b - spans.a).dt.total_seconds() / 60 - spans.gaps
        shaping = spans.groupby(by).minutes.describe()

        items = uses.groupby([*key, *by]).instrument_id.nunique()
        instruments = items.groupby(by).mean()

        priced = tables["instruments"].assign(
            lived=uses.groupby("instrument_id").size().reindex(tables["instruments"].instrument_id).to_numpy()
        )
        retired = priced.retired_on.notna()
        priced["a_use"] = priced.price / priced.lived.where(retired, priced.use_limit)
        costs = uses.merge(priced[["instrument_id", "a_use"]], on="instrument_id")
        cost = costs.groupby([*key, *by]).a_use.sum().groupby(by).agg(["mean", "std", "count"])

        broken = tables["incidents"][tables["incidents"].kind == "separation"].groupby(key).size().rename("broken")
        worked = canals[canals.not_treated.isna()].merge(broken.reset_index(), on=key, how="left")
        separations = worked.broken.fillna(0).groupby([worked.sequence, worked.tooth_type]).mean() * 100

        seen = tables["follow_ups"].merge(
            teeth[["treatment_id", "completed_on", "tooth_type"]].dropna(subset=["completed_on"]), on="treatment_id"
        )
        seen = seen[seen.seen_on >= seen.completed_on + pd.DateOffset(months=12)]
        last = seen.sort_values("seen_on").groupby("treatment_id").tail(1)
        signs = last[["pain", "tenderness", "swelling", "sinus_tract"]].fillna(value=False).astype(bool).any(axis=1)
        sequence = canals.drop_duplicates("treatment_id").set_index("treatment_id").sequence
        healed = ((last.pai <= 2) & ~signs).groupby([last.treatment_id.map(sequence), last.tooth_type])
        return [shaping, instruments, cost, separations, healed.mean()]

    loaded, tables = clocked(load)
    computed, _ = clocked(lambda: compute(tables))
    return {
        "cpu": loaded["cpu"] + computed["cpu"],
        "seconds": loaded["seconds"] + computed["seconds"],
        "figures_cpu": computed["cpu"],
    }


def main() -> None:
    tasks = {"facts": facts, "measures": measures, "figures": figures, "pandas": pandas, "ratios": ratios}
    print(json.dumps(tasks[sys.argv[1]](Path(sys.argv[2]))))


if __name__ == "__main__":
    main()
