"""One dentist's own outcomes: every block with the measures' figures, the others without names, what needs a look."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from datetime import date
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

import altair as alt
import pytest

from pipeline.checks.suites import all_rules
from pipeline.measures.catalogue import catalogue
from reports.attention import peers as peer_rules
from reports.attention import recall as recall_rules
from reports.attention import standards as standard_rules
from reports.blocks import Figure, Page, Prose, Table
from reports.charts import pictures, theme
from reports.charts.cusum import Part as SumPart
from reports.charts.cusum import Tooth as ToothSum
from reports.charts.cusum import cusum
from reports.charts.learning import Panel, Stage, learning
from reports.charts.shares import Bar, shares
from reports.every_page import Context
from reports.evidence import outcome, peers
from reports.pages import outcomes
from reports.source import Answer, Source
from reports.words import Words

DAY = date(2026, 11, 20)


def answer(name: str, rows: list[dict[str, Any]], by: tuple[str, ...] = ()) -> Answer:
    """An answer with these rows, as the measure would give it."""
    measure = catalogue()[name]
    result = SimpleNamespace(rows=rows, kind=measure.kind, unit=measure.unit, left_out=[])
    return Answer(name, measure, result, by, None, None, {}, DAY)


def funnel_row(dentist: str, n: int, events: int, position: str = "inside", **more: Any) -> dict[str, Any]:
    share = {"estimate": events / n, "low": events / n - 0.05, "high": events / n + 0.05}
    limits = {"limit_low_998": 0.6, "limit_low_95": 0.7, "limit_high_95": 0.9, "limit_high_998": 0.95}
    return {"dentist": dentist, "n": n, "events": events, **share, "target": 0.8, **limits, "position": position} | more


FIVE = [funnel_row(f"D{i}", n, round(n * 0.8)) for i, n in enumerate((231, 197, 124, 154, 90), start=1)]

MADE: dict[int, tuple[Page, Source]] = {}  # pages are the same for every test, and take a second each


@pytest.fixture
def page_of(fake: Any, workspace_type: Any, settings: Any) -> Callable[..., tuple[Page, Source]]:
    """Makes the page of D1 in a practice of so many dentists, none of whom has too few teeth."""

    class Practice(workspace_type):  # type: ignore[misc]
        dentists = 5

        def values(self, by: str, start: date | None, end: date | None) -> list[Any]:
            if by == "dentist":
                return [f"D{i + 1}" for i in range(self.dentists)]
            found: list[Any] = super().values(by, start, end)
            return found

        def rows(self, measure: Any, group: dict[str, Any], rng: Any, few: bool) -> list[dict[str, Any]]:
            if measure.name == "peer_funnel":
                return [FIVE[int(group["dentist"][1:]) - 1]]
            found: list[dict[str, Any]] = super().rows(measure, group, rng, few and "dentist" not in group)
            return found

    def make(dentists: int = 5) -> tuple[Page, Source]:
        if dentists in MADE:
            return MADE[dentists]
        workspace = Practice(settings)
        workspace.dentists = dentists
        context = Context(settings, Words.of(settings), DAY, date(2024, 11, 1), DAY)
        source = Source(workspace, catalogue())
        MADE[dentists] = outcomes.page(context, source, "D1", "outcomes-D1"), source
        return MADE[dentists]

    return make


def part_of(page: Page, id: str) -> Any:
    """The figure or table of this id, None if the page has none."""
    return next((p for b in page.blocks for p in b.parts if getattr(p, "id", None) == id), None)


def rows_in(spec: str) -> list[dict[str, Any]]:
    """All rows of data of a chart's specification."""

    def walk(part: Any) -> Iterator[dict[str, Any]]:
        if isinstance(part, dict):
            for key, value in part.items():
                yield from walk(list(value.values()) if key == "datasets" else value)
                if key == "values" and isinstance(value, list):
                    yield from (v for v in value if isinstance(v, dict))
        elif isinstance(part, list):
            for value in part:
                yield from ([v for v in value if isinstance(v, dict)] if isinstance(value, list) else walk(value))

    return list(walk(json.loads(spec)))


def text_of(page: Page, block: str) -> str:
    found = next(b for b in page.blocks if b.id == block)
    return " ".join(s.text for p in found.parts if isinstance(p, Prose) for s in p.sentences)


def test_every_block_has_its_figures(page_of: Callable[..., Any]) -> None:
    page, source = page_of()
    assert [b.id for b in page.blocks] == [
        *("attention", "outcome", "survival", "comparison", "work", "peers", "review", "quality", "methods"),
        "cautions",
    ]
    for id in ("healed-sequence", "healed-tooth-type", "survival-own", "event-free", "compare-own", "own-learning"):
        assert isinstance(part_of(page, id), Figure), id
        assert isinstance(part_of(page, f"{id}-table"), Table), id
    for id in ("healed-image-table", "healed-sequence-beside", "recall-bias", "losses", "healing-table", "own-work"):
        assert isinstance(part_of(page, id), Table), id
    ids = [p.id for b in page.blocks for p in b.parts if isinstance(p, Figure | Table)]
    assert len(ids) == len(set(ids))
    (row,) = source.ask("healed_bounds", where={"dentist": "D1"}).rows
    words = f"{row['not_known']} were not: had none of those healed, the healed share would be {row['lowest']:.0%}"
    assert words in text_of(page, "outcome") and "Left out: " in text_of(page, "outcome")
    for name in outcomes.WORK:
        (row,) = source.ask(name, where={"dentist": "D1"}).rows
        (line,) = [x for x in part_of(page, "own-work").lines if x.data["measure"] == name]
        assert line.data["estimate"] == repr(row["estimate"])


def test_nothing_is_told_of_healing_before_the_first_visit(page_of: Callable[..., Any]) -> None:
    page, source = page_of()
    rows = source.ask("time_to_healing", where={"dentist": "D1"}).rows
    first, *later = part_of(page, "healing-table").lines
    assert first.cells[:2] == ("6", "Cannot be told before the first visit at 8.5 months")
    assert all("no curve" not in line.cells[1] and "%" in line.cells[1] for line in later)
    assert (
        "At 24 months, or the visits next to it, the estimate without a shape lies farther"
        in part_of(page, "healing-table").note
    )
    figure = part_of(page, "healing")
    for spec in (figure.wide, figure.narrow):
        drawn = [r for r in rows_in(spec) if "at_most" in r]
        assert {r["time"] for r in drawn} == {row["time"] for row in rows if row["low"] is not None}
        assert min(r["time"] for r in drawn) == 12
        assert {(r["low"], r["high"]) for r in drawn} == {(row["low"], row["high"]) for row in rows[1:]}
    assert "Before the first visit nothing can be told" in figure.caption
    assert "if healing follows a smooth curve" in figure.caption


def test_shares_are_drawn_as_the_measure_has_them(page_of: Callable[..., Any]) -> None:
    page, source = page_of()
    rows = source.ask("outcome_classes", ("tooth_type",), where={"dentist": "D1"}).shown
    for spec in (part_of(page, "healed-tooth-type").wide, part_of(page, "healed-tooth-type").narrow):
        bars = [r for r in rows_in(spec) if "class" in r and "value" in r]
        for kind in {r["tooth_type"] for r in rows}:
            wanted = [r["estimate"] for c in outcome.CORE for r in rows if (r["tooth_type"], r["class"]) == (kind, c)]
            assert [b["value"] for b in bars if b["tooth_type"] == kind] == wanted
            own = [r for r in rows_in(spec) if r.get("tooth_type") == kind and "low" in r]
            healed = next(r for r in rows if (r["tooth_type"], r["class"]) == (kind, "healed"))
            assert {(r["value"], r["low"], r["high"]) for r in own} == {
                (healed["estimate"], healed["low"], healed["high"])
            }
    # One group is too few to show: it stands in words, and no bar of it is drawn.
    few = [x for x in part_of(page, "healed-tooth-type-table").lines if x.cells[1] == "too few"]
    assert len(few) == 1 and len({r["tooth_type"] for r in rows}) == 3


def test_learning_is_drawn_as_the_measure_has_it(page_of: Callable[..., Any]) -> None:
    page, source = page_of()
    wanted = [r["estimate"] for r in source.ask("learning", where={"dentist": "D1"}).shown]
    drawn = [r for r in rows_in(part_of(page, "own-learning").narrow) if "cases" in r]
    assert [r["value"] for r in drawn] == wanted and len(wanted) == 4
    assert {r["later"] for r in drawn} == {1.0}


def test_a_pai_not_recorded_is_told_in_words() -> None:
    assert [outcomes._pai(value) for value in (1, 5, None)] == ["1", "5", "not recorded"]


def test_others_are_shown_without_names(page_of: Callable[..., Any]) -> None:
    page, source = page_of()
    figure, table = part_of(page, "peers-funnel"), part_of(page, "peers-funnel-table")
    drawn = [r for r in rows_in(figure.wide) if "kind" in r]
    asked = source.ask("peer_funnel", ("dentist",)).rows
    assert sorted((r["size"], r["value"]) for r in drawn) == sorted((r["n"], r["estimate"]) for r in asked)
    (own,) = [r for r in drawn if r["kind"] == "own"]
    assert own["value"] == next(r["estimate"] for r in asked if r["dentist"] == "D1")
    # Neither a name nor the order of names: lines stand by size.
    sizes = [r["n"] for r in table.file.rows]
    assert sizes == sorted(sizes) and [line.cells[0] for line in table.lines].count("Own teeth") == 1
    everything = repr(([b for b in page.blocks if b.id in ("peers", "comparison", "outcome")], page.attention))
    assert "Another dentist" in everything and not re.search(r"\bD[2-5]\b", everything)


@pytest.mark.parametrize(("dentists", "practice", "funnel"), [(2, False, False), (3, True, False), (4, True, True)])
def test_nobody_is_told_from_a_total(page_of: Callable[..., Any], dentists: int, practice: bool, funnel: bool) -> None:
    page, _ = page_of(dentists)
    assert (part_of(page, "compare-practice") is not None) == practice
    assert (part_of(page, "peers-sum") is not None) == practice
    assert (part_of(page, "peers-funnel") is not None) == funnel
    assert (peers.NO_PRACTICE in text_of(page, "peers")) == (not practice)
    if practice and not funnel:
        assert "Fewer than 3 other dentists would be shown" in text_of(page, "peers")
    if not practice:
        # Whatever the page states is of D1 alone.
        assert all(
            '"dentist": "D1"' in line.data.get("where", "")
            for b in page.blocks
            for p in b.parts
            if isinstance(p, Table) and p.data.get("measure") == "sequence_comparison"
            for line in p.lines
        )


def test_one_hidden_dentist_would_follow_from_the_others() -> None:
    hidden = {"dentist": "D6", "n": None, "estimate": None, "too_few": True}
    rows = answer("peer_funnel", [*FIVE, hidden], ("dentist",))
    (said,) = peers.among_peers(Words(), "peers", rows, "D1")
    assert isinstance(said, Prose) and "One other has too few" in said.sentences[0].text
    shown = peers.among_peers(Words(), "peers", answer("peer_funnel", FIVE, ("dentist",)), "D1")
    assert isinstance(shown[0], Figure)


def test_the_sum_is_drawn_with_its_signal(page_of: Callable[..., Any]) -> None:
    page, source = page_of()
    found = source.process("healed_share", "dentist")
    series = [p for p in found.result.series if p["dentist"] == "D1"]
    drawn = [r for r in rows_in(part_of(page, "peers-sum").wide) if "number" in r and "tip" in r and "text" not in r]
    assert [r["sum"] for r in drawn[: len(series)]] == [p["sum"] for p in series]
    (signal,) = {(r["number"], r["text"]) for r in rows_in(part_of(page, "peers-sum").wide) if "text" in r}
    assert signal == (3, "3 Sep 2024")
    (said,) = [s for s in page.attention if s.href == "peers" and "sum of those not healed" in s.text]
    assert "passed its limit on 3 September 2024" in said.text and said.data["expected"] == "6.5"


def test_a_sum_below_its_limit_is_silent() -> None:
    row = {"dentist": "D1", "n": 60, "events": 5, "expected": 6.5, "highest": 1.0, "limit": 3.5, "signal_on": None}
    row |= {"signal": "fewer than expected"}
    assert peer_rules.sum_signal(answer("healed_share", [row], ("dentist",)), "D1", "peers") is None
    later = answer("healed_share", [row | {"signal_on": DAY}], ("dentist",))
    assert peer_rules.sum_signal(later, "D1", "peers") is not None
    assert peer_rules.sum_signal(later, "D2", "peers") is None


@pytest.mark.parametrize("side", ["above", "below"])
def test_only_the_outer_limits_are_told(side: str) -> None:
    def told(position: str) -> Any:
        rows = [funnel_row("D1", 100, 80, position), *FIVE[1:]]
        return peer_rules.outside_limits(Words(), answer("peer_funnel", rows, ("dentist",)), "D1", "peers")

    assert told("inside") is None and told(f"{side} the 95 % limit") is None
    said = told(f"{side} the 99.8 % limit")
    assert f"80% (80 of 100), outside the limits ({side})" in said.text and said.data["estimate"] == "0.8"
    assert not re.search(r"worse|better|worst|best\b", said.text)


def test_too_many_teeth_without_a_pai_are_told() -> None:
    def told(events: int) -> Any:
        row = {"n": 100, "events": events, "estimate": events / 100, "low": 0.5, "high": 0.95}
        return recall_rules.pai_missing(Words(), answer("follow_up_pai_recorded", [row]), "outcome", "So what.")

    assert told(90) is None
    said = told(89)
    assert "89%" in said.text and "89 of 100" in said.text and "Said below 90%" in said.text


def test_complete_records_are_no_reason_for_a_radiograph_and_that_is_said_once() -> None:
    """EC Radiation Protection 136 (2004): every exposure is justified by the patient's own need."""
    row = {"n": 100, "events": 50, "estimate": 0.5, "low": 0.4, "high": 0.6}
    said = [
        recall_rules.pai_missing(Words(), answer(name, [row]), "outcome", "So what.")
        for name in ("preop_pai_recorded", "follow_up_pai_recorded")
    ]
    told = [sentence.text for sentence in recall_rules.with_own_reason([*said, None])]
    assert ["clinical justification of its own" in text for text in told] == [False, True]
    assert recall_rules.with_own_reason([None, None]) == []
    standard = {"measure": "preop_pai_recorded", "title": "PAI", "verdict": "not met", "direction": "at least"}
    standard |= {"unit": "share"}
    rows = [standard | row | {"target": 0.9}, standard | row | {"target": 0.9, "measure": "rubber_dam_share"}]
    found = standard_rules.not_met(Words(), answer("standards", rows), catalogue(), "standards")
    assert ["Radiation Protection 136" in sentence.text for sentence in found] == [True, False]


def test_own_figures_that_miss_a_standard_are_told() -> None:
    """A standard of at least 95 %: missed where the whole interval lies below it, else not told."""

    def told(low: float, high: float, direction: str = "at least") -> Any:
        row = {"n": 300, "events": 250, "estimate": (low + high) / 2, "low": low, "high": high}
        standard = SimpleNamespace(measure="rubber_dam_share", target=0.95, direction=direction)
        return standard_rules.own_not_met(Words(), standard, answer("rubber_dam_share", [row]), "work")

    assert told(0.90, 0.97) is None and told(0.96, 0.99) is None
    assert "standard is at least 95%" in told(0.80, 0.94).text
    assert told(0.80, 0.94, "at most") is None and told(0.96, 0.99, "at most") is not None


def test_how_those_seen_differ_is_said_beyond_a_slight_difference() -> None:
    def said(standardised: float) -> str:
        row = {"characteristic": "tooth_type", "level": "molar", "n": 90, "events": 45, "share_seen": 0.5}
        row |= {"n_reference": 80, "events_reference": 28, "share_not_seen": 0.35, "estimate": 0.15}
        row |= {"low": 0.0, "high": 0.29, "standardised_difference": standardised}
        first = outcome.seen_and_not(Words(), "recall-bias", answer("recall_bias", [row]))[0]
        assert isinstance(first, Prose)
        return first.sentences[0].text

    assert "tooth type \u201cMolars\u201d (50% of those seen, 35% of the others)" in said(0.31)
    assert "differ in nothing recorded" in said(0.09)


def test_teeth_that_are_doubtful_are_left_out_of_the_funnel_as_of_the_healed_share() -> None:
    for rule in all_rules().values():
        assert ("healed_share" in rule.affects) == ("peer_funnel" in rule.affects), rule.id


def test_no_two_pictures_of_a_page_share_an_id(page_of: Callable[..., Any]) -> None:
    page, _ = page_of()
    figure = part_of(page, "peers-funnel")
    drawn = [pictures.picture(spec, theme.base()) for spec in (figure.wide, figure.narrow)]
    ids = [set(re.findall(r'id="([^"]+)"', svg)) for svg in drawn]
    assert ids[0] and ids[1] and not ids[0] & ids[1]
    assert [set(re.findall(r"url\(#([^)]+)\)", svg)) for svg in drawn] == ids


def test_a_group_withheld_stands_once_in_each_table() -> None:
    """The measure has a row a class also for a group of which nothing may be told."""
    share = {"n": 50, "events": 25, "estimate": 0.5, "low": 0.4, "high": 0.6}
    names = (*outcome.CORE, outcome.BESIDE)
    rows = [{"tooth_type": "molar", "class": name, **share} for name in names]
    rows += [{"tooth_type": "canine", "class": None, "n": None, "too_few": True, "estimate": None}] * 3
    one = [{"tooth_type": "molar", **share}]
    left_open = [{"tooth_type": "molar", **share, "not_known": 40, "lowest": 0.3, "highest": 0.7}]
    classes = answer("outcome_classes", rows, ("tooth_type",))
    first, table = outcome.divided(Words(), "healed", classes)
    beside = outcome.beside_healed(
        Words(),
        "beside",
        classes,
        answer("healed_share_decided", one, ("tooth_type",)),
        answer("functional_share", one, ("tooth_type",)),
        answer("healed_bounds", left_open, ("tooth_type",)),
    )[0]
    assert isinstance(first, Figure) and isinstance(table, Table) and isinstance(beside, Table)
    for found in (table, beside):
        assert [line.cells[0] for line in found.lines] == ["Canines", "Molars"]
    told = [c if isinstance(c, str) else c.text for c in beside.lines[1].cells]
    assert told == ["Molars", *["50% (40\u00a0to\u00a060%)"] * 3, "40", "30%", "70%"]


LONG = "A sequence title that is longer than anybody would read aloud without drawing breath, 25/.04 then 35/.04"
HOSTILE = '</text><script>alert(1)</script> "quoted" & more \x1b[31m \x00 \u202e'
STAGES = tuple(Stage(f"{i}1 to {i + 1}0", 0.7 + i / 5, 0.4 + i / 5, 1.5 + i / 5, HOSTILE) for i in range(5))
SUMS = [
    ToothSum(i, i % 7 + i / 20, HOSTILE, "1 December 2023" if i == 80 else "", down=i % 5, answered=i == 40)
    for i in range(1, 90)
]
PARTS = [SumPart(20, 2.5, 1.5), SumPart(50, 3.5, 2.5, "answered"), SumPart(89, 3.0, 2.0, "answered 3 March 2023")]
CHARTS: dict[str, Callable[[int], Any]] = {
    "shares": lambda w: shares(
        [
            Bar(LONG, (0.7, 0.1, 0.05, 0.15), 0.6, 0.8, f"Healed 70%; {LONG}", "tip", {"sequence": "a"}),
            Bar(HOSTILE, (), None, None, "too few", "tip"),
            Bar("One", (1.0, 0.0, 0.0, 0.0), None, None, "Healed 100%", "tip"),
        ],
        ("Healed", "Healing", "Uncertain", "Not healed"),
        w,
        axis="Teeth judged",
    ),
    "shares-none": lambda w: shares([Bar("One", (), None, None, "too few", "")], ("Healed", "Not"), w, axis="Teeth"),
    "learning": lambda w: learning(
        [
            Panel(LONG, "later cases 12 min", STAGES, {"sequence": "a"}),
            Panel(HOSTILE, "n", STAGES),
            Panel("c", "", STAGES),
        ],
        w,
        axis="Own cases",
        ratio="Ratio of times",
    ),
    "learning-one": lambda w: learning([Panel("a", "b", STAGES[:1])], w, axis="Own cases", ratio="Ratio"),
    "cusum": lambda w: cusum(SUMS, PARTS, w, axis="Own teeth", share="Sum"),
    "cusum-one": lambda w: cusum([ToothSum(1, 0.0, "t")], [SumPart(1, 3.5, 2.5)], w, axis="Own teeth", share="Sum"),
}


@pytest.mark.parametrize("name", CHARTS)
@pytest.mark.parametrize("width", [theme.WIDE, theme.NARROW])
def test_a_chart_is_valid_and_fits_its_width(name: str, width: int) -> None:
    spec = json.loads(theme.spec(CHARTS[name](width)))  # every channel is checked as it is made
    alt.Chart.from_dict({**spec, "config": theme.base()}, validate=True)
    svg = pictures.picture(theme.spec(CHARTS[name](width)), theme.base())
    root = ElementTree.fromstring(svg)
    assert float(root.attrib["viewBox"].split()[2]) <= width + 12
    said = "".join("".join(e.itertext()) for e in root.iter() if e.tag.endswith("text")).replace(" ", "")
    if name in {"shares", "learning"}:
        assert LONG.replace(" ", "") in said and "<script>alert(1)</script>" in said
    if name == "cusum":
        assert "1December2023" in said and "answered3March2023" in said and "dashed:limits" in said


def test_a_signal_links_to_its_figures_or_to_nothing(page_of: Callable[..., Any]) -> None:
    """Sums of separations by sequence stand on the page of incidents: no comparison of healed teeth shows them."""
    page, _ = page_of()
    sums = [s for s in page.attention if "the risk-adjusted sum passed" in s.text and "sequence" in s.text]
    assert sums
    assert {s.href for s in sums if "eparation" in s.text} <= {""}
    assert {s.href for s in sums if "eparation" not in s.text} <= {"comparison"}
