"""The incident audit: every block with the figures of its measures, and rules that speak and are silent."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Workspace
from pipeline.settings import load_settings
from pipeline.store.database import open_store
from reports import attention, every_page
from reports.blocks import Figure, Items, Page, Prose, Table
from reports.every_page import Context
from reports.evidence import factors, funnel
from reports.pages import incidents
from reports.source import Answer, Source
from reports.words import Words

AS_OF = date(2026, 6, 30)
WORDS = Words("EUR", 0.95)


@pytest.fixture(scope="module")
def audit(small_practice: tuple[Path, Path]) -> Any:
    """The page of a small invented practice, and its workspace to ask again."""
    toml, store = small_practice
    settings = load_settings(toml)
    with open_store(store) as connection:
        workspace = Workspace(connection, settings)
        source = Source(workspace, catalogue())
        context = Context(settings, Words.of(settings), workspace.as_of, date(2023, 7, 1), workspace.as_of)
        yield SimpleNamespace(page=incidents.page(context, source), ask=workspace.compute)


@pytest.fixture
def made(workspace_type: Any, settings: Any) -> Any:
    """Makes the page of the practice that answers in fixed figures."""

    def make(**how: Any) -> Page:
        workspace = workspace_type(settings, AS_OF, **how)
        context = Context(settings, Words.of(settings), AS_OF, date(2024, 11, 1), AS_OF)
        return incidents.page(context, Source(workspace, catalogue()))

    return make


def parts(page: Page, block: str) -> dict[str, Any]:
    (found,) = [b for b in page.blocks if b.id == block]
    return {getattr(part, "id", f"prose-{i}"): part for i, part in enumerate(found.parts)}


def words_of(page: Page, block: str) -> str:
    said: list[str] = []
    for part in parts(page, block).values():
        if isinstance(part, (Prose, Items)):
            said += [s.whole for s in part.sentences]
    return " ".join(said).replace("\u00a0", " ")


def test_the_blocks_follow_the_order_of_the_design(audit: Any) -> None:
    assert [block.id for block in audit.page.blocks] == [
        "attention",
        "rates",
        "sequences",
        "gaps",
        "where",
        "life",
        "factors",
        "lots",
        "list",
        "adherence",
        "standards",
        "quality",
        "methods",
        "cautions",
    ]


@pytest.mark.parametrize(
    ("block", "table", "measure", "by"),
    [
        ("rates", "rate-kind-table", "incidents_per_100_canals", ("incident",)),
        ("gaps", "gap-table", "separation_gaps", ()),
        ("where", "site-table", "incident_sites", ()),
        ("life", "life-hazard-table", "instrument_hazard", ()),
        ("factors", "factor-table", "contributing_factors", ()),
        ("lots", "lot-table", "separations_by_lot", ()),
        ("list", "managed-table", "incident_management", ()),
        ("adherence", "check-table", "adherence", ("check",)),
        ("standards", "standards-table", "standards", ()),
    ],
)
def test_each_table_holds_every_row_of_its_measure(
    audit: Any, block: str, table: str, measure: str, by: tuple[str, ...]
) -> None:
    part = parts(audit.page, block)[table]
    assert isinstance(part, Table)
    rows = [r for r in audit.ask(measure, by=by).rows if not (measure == "separations_by_lot" and r.get("too_few"))]
    names = ("n", "events", "estimate", "low", "high")
    wanted = [[repr(row[k]) if row.get(k) is not None else None for k in names] for row in rows]
    said = [[line.data.get(k) for k in names] for line in part.lines]
    assert sorted(said, key=str) == sorted(wanted, key=str)
    assert {line.data["measure"] for line in part.lines} == {measure}
    assert part.file is not None and len(part.file.rows) >= len(rows)


def test_the_list_names_no_instrument_where_none_is_recorded(audit: Any) -> None:
    listed = [t for name, t in parts(audit.page, "list").items() if name.startswith("incident-list")]
    told = [line.cells[3] for table in listed for line in table.lines]
    fields = ("size", "motion", "use_number", "instrument_id")
    bare = [all(row[f] is None for f in fields) for row in audit.ask("incident_list").rows]
    assert [cell == "None named" for cell in told] == bare and True in bare and False in bare


def test_definitions_have_the_practices_own_months_and_no_marks_of_a_manual(made: Any, settings: Any) -> None:
    def said() -> str:
        (terms,) = [p for p in parts(made(), "methods").values() if isinstance(p, Items)]
        return " ".join(text for _, texts in terms.terms for text in texts)

    usual = said()
    assert "`" not in usual and "\u201cpartly_recorded\u201d" in usual
    context = SimpleNamespace(settings=settings)
    settings.reporting.healed_after_months, settings.reporting.recall_window_months = 24, (18, 30)
    recall = catalogue()["recall_share"].definition
    assert "follow-up 18 to 30 months after" in every_page._told(recall, context)  # type: ignore[arg-type]


def test_the_list_tells_what_was_outside_the_own_sequence(audit: Any) -> None:
    lines = [
        line for name, t in parts(audit.page, "list").items() if name.startswith("incident-list") for line in t.lines
    ]
    rows = audit.ask("incident_list").rows
    told = {"nothing": "Nothing known", None: "Cannot be told"}
    expected = [told.get(row["outside"]) or str(row["outside"]).capitalize() for row in rows]
    assert [line.cells[4] for line in lines] == expected
    assert len({*expected}) > 2


def test_patients_informed_are_told_as_the_measure_has_them(audit: Any) -> None:
    (row,) = audit.ask("patient_informed").rows
    assert f"{row['events']} of {row['n']}" in words_of(audit.page, "list")


def test_standards_read_as_met_not_met_or_not_told_yet(audit: Any) -> None:
    part = parts(audit.page, "standards")["standards-table"]
    rows = audit.ask("standards").rows
    assert [line.cells[3].lower() for line in part.lines] == [row["verdict"] for row in rows]
    assert [line.cells[5] for line in part.lines] == [row["note"] for row in rows]
    assert "at least 80%" in part.lines[0].cells[0]  # the target 0.8 of the settings


def figure(page: Page, id: str) -> tuple[Figure, dict[str, Any]]:
    (found,) = [f for f in page.figures if f.id == id]
    return found, json.loads(found.wide)


def values(spec: dict[str, Any]) -> list[dict[str, Any]]:
    """All rows of data in a specification."""
    return [row for rows in spec["datasets"].values() for row in rows]


def test_charts_carry_the_values_of_their_rows(made: Any) -> None:
    page = made()
    _, gaps = figure(page, "gap-canals")
    assert [r["value"] for r in values(gaps) if "kind" in r][:10] == [5.0 * i for i in range(10)]
    assert {r["kind"] for r in values(gaps) if "kind" in r} == {"usual", "open", "signal"}
    found, hazard = figure(page, "life-hazard")
    assert [(r["number"], r["low"]) for r in values(hazard) if "low" in r][3] == (4, 4 / 180)
    assert "dashed: own limit 2.0%" in " ".join(hazard["title"]["text"])
    assert [r["limit"] for r in values(hazard) if "limit" in r] == [0.02]
    assert "use 4" in found.title
    _, lots = figure(page, "lot")
    assert [r["value"] for r in values(lots) if r.get("kind") == "outside"] == [200.0]
    _, ratios = figure(page, "factor")
    assert {r["value"] for r in values(ratios) if "low" in r} == {2.0}
    assert '"type":"log"' in figure(page, "factor")[0].wide
    _, checks = figure(page, "check")
    widths = {r["part"]: r["x2"] - r["x"] for r in values(checks) if "Irrigation" in str(r.get("tip"))}
    assert set(widths) == {"met", "not met", "not recorded"} and sum(widths.values()) == pytest.approx(1)


def test_every_chart_has_its_table_and_an_alternative_in_words(made: Any) -> None:
    for block in made().blocks:
        charts = [part for part in block.parts if isinstance(part, Figure)]
        tables = {part.id for part in block.parts if isinstance(part, Table)}
        for chart in charts:
            stem = chart.id.removesuffix("-canals").removesuffix("-days")
            stem = "site" if stem.startswith("site-") else "managed" if stem.startswith("managed-") else stem
            assert f"{stem}-table" in tables, chart.id
            assert len(chart.alt) > len(chart.title), chart.id


def test_a_practice_that_stands_out_is_told_and_a_calm_one_is_not(made: Any) -> None:
    loud = " ".join(s.whole for s in made().attention).replace("\u00a0", " ")
    for words in (
        "Separations came closer together",
        "above the 99.8% limit of a lot of its size",
        "seen more often with any incident",
        "Recall share, standard at least 70%: 50% (40 to 60%), n 80; not met.",
        "irrigation: met in 50%",
        "at use 4 even the lower bound passes the practice's own limit of 2.0%",
        "Recorded in too few canals to say much of it",
    ):
        assert words in loud, words
    calm = " ".join(s.whole for s in made(calm=True).attention)
    for words in ("closer together", "limit of a lot", "seen more often", "standard", "met in", "own limit", "too few"):
        assert words not in calm, words


def test_sentences_of_attention_lead_to_blocks_of_the_page(made: Any) -> None:
    page = made()
    ids = {block.id for block in page.blocks} | {getattr(part, "id", "") for b in page.blocks for part in b.parts}
    assert {s.href for s in page.attention if s.href} <= ids


def answer(rows: Any, by: tuple[str, ...] = (), **more: Any) -> Answer:
    measure = SimpleNamespace(title="Separations", numerator="separations", denominator="uses", caption="")
    result = SimpleNamespace(kind="rate", unit="separations per 1,000 uses", rows=list(rows), left_out=[], **more)
    return Answer("name", measure, result, by, None, None, {}, AS_OF)


def lot(position: str) -> dict[str, Any]:
    return {"lot": "L", "n": 90, "events": 3, "estimate": 33.0, "low": 7.0, "high": 95.0, "position": position}


def test_of_many_lots_paper_has_those_outside_and_the_first_others() -> None:
    limits = {f"limit_{side}_{level}": 10.0 for side in ("low", "high") for level in ("95", "998")} | {"target": 4.5}
    rows = [lot("inside") | limits | {"lot": f"L{i:03}"} for i in range(70)] + [
        lot("above the 95 % limit") | limits | {"lot": "L999"}
    ]
    for said, some in (("Paper has the first 60 of 71; the workbook has all.", rows), ("", rows[11:])):
        table = next(part for part in funnel.lots(WORDS, "lot", answer(some)) if isinstance(part, Table))
        assert table.lines[0].cells[0] == "L999" and len(table.lines) == len(some)
        assert (table.printed, table.unprinted) == (60, said)


def test_lots_beyond_95_per_cent_are_told_when_they_are_more_than_one_in_twenty() -> None:
    """One lot in twenty lies outside by design (Spiegelhalter 2005, Stat Med 24:1185)."""
    near, inside = lot("above the 95 % limit"), lot("inside")
    assert attention.incidents.lots_outside(WORDS, answer([near] + [inside] * 19), "lots") == []
    (said,) = attention.incidents.lots_outside(WORDS, answer([near] * 2 + [inside] * 18), "lots")
    assert "2 lots of 20 lie above the 95% limits" in said.whole
    assert attention.incidents.lots_outside(WORDS, answer([lot("below the 99.8 % limit")] * 3), "lots") == []


def test_old_signals_and_longer_gaps_are_silent() -> None:
    def gap(days_ago: int, signal: str) -> dict[str, Any]:
        end = AS_OF - timedelta(days=days_ago)
        return {"from": end - timedelta(days=9), "to": end, "canals": 3, "days": 9, "signal": signal, "gap": "between"}

    def said(*rows: dict[str, Any]) -> Any:
        return attention.incidents.closer_together(answer(rows), "gaps", "separation", "canal")

    assert said(gap(500, "fewer canals than usual")) is None
    assert said(gap(20, "more canals than usual")) is None
    assert "of 3 canals and 9 days" in said(gap(20, "fewer canals than usual")).whole


def test_months_are_told_when_they_lie_high_and_lately() -> None:
    rows = [{"month": m, "value": v} for m, v in (("2024-01", 9.0), ("2026-03", 9.0), ("2026-04", 0.5))]
    signals = [
        {"rule": "above the upper limit", "first": "2024-01", "last": "2024-01"},
        {"rule": "above the upper limit", "first": "2026-03", "last": "2026-03"},
        {"rule": "below the lower limit", "first": "2026-04", "last": "2026-04"},
    ]
    chart = answer(rows, ("month",), signals=signals, centre=3.0)
    (said,) = attention.incidents.months_above(chart, answer([]), "month")
    assert said.whole == "Separations, Mar 2026: above the upper limit of its month."


def test_a_sum_beyond_its_limit_is_told_until_it_is_answered() -> None:
    row = {"sequence": "a", "n": 50, "events": 9, "expected": 4.2, "signal_on": date(2026, 5, 2)}
    row["signal"] = "more than expected"

    def said(row: dict[str, Any], by: str = "sequence") -> list[Any]:
        return attention.incidents.cusum_signals(WORDS, answer([row], (by,)), answer([]), "sums")

    (one,) = said(row)
    text = one.whole.replace("\u00a0", " ")
    assert "on 2 May 2026" in text and "its limit, more than expected" in text and "9 of 50" in text
    assert "4.2 expected" in text and "asks for a look" in text
    assert len(said({**row, "signal_on": date(2024, 5, 2)})) == 1
    assert said({**row, "signal_on": None, "answered_signal_on": date(2024, 5, 2)}) == []
    assert "D1" in said({**row, "dentist": "D1"}, "dentist")[0].whole


def test_sums_with_more_than_expected_are_told_before_those_with_fewer() -> None:
    rows = [
        {"sequence": name, "n": 50, "events": 9, "expected": 4.2, "signal_on": date(2026, 5, 2), "signal": signal}
        for name, signal in (("a", "fewer than expected"), ("b", "more than expected"))
    ]
    told = attention.incidents.cusum_signals(WORDS, answer(rows, ("sequence",)), answer([]), "sums")
    assert ["more than" in one.whole for one in told] == [True, False]


def test_factors_seldom_recorded_are_named_once() -> None:
    rows = [{"factor": "no glide path", "incident": i, "recorded_share": 0.4} for i in ("any", "separation")]
    said = attention.incidents.factors_seldom_recorded(answer(rows), "factors", factors.recorded_text)
    assert said is not None and said.whole.endswith("of it: no glide path (40%).")
    full = [{**row, "recorded_share": 0.8} for row in rows]
    assert attention.incidents.factors_seldom_recorded(answer(full), "factors", factors.recorded_text) is None


def test_a_practice_without_instruments_is_told_what_is_missing(made: Any) -> None:
    page = made(lacks=("separations_by_lot", "instrument_hazard", "separation_gaps", "adherence", "standards"))
    for block in ("lots", "life", "gaps", "adherence", "standards"):
        assert "cannot be computed: no instruments with price" in words_of(page, block), block


def test_small_groups_are_withheld(made: Any) -> None:
    page = made(few=True)
    assert "too few" in " ".join(
        str(line.cells) for t in parts(page, "rates").values() if isinstance(t, Table) for line in t.lines
    )
