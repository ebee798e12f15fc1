"""Charts: valid specifications, drawn without script or network, whole at both widths."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from pipeline.errors import UserError
from reports.charts import theme
from reports.charts.adherence import Check, adherence
from reports.charts.compare import Difference, compare
from reports.charts.dots import Group, Mark, dots
from reports.charts.fdi_grid import LOWER, UPPER, Tooth, fdi_grid
from reports.charts.funnel import Limits as FunnelLimits
from reports.charts.funnel import Unit, funnel
from reports.charts.gaps import Gap, gaps
from reports.charts.hazard import Use, hazard
from reports.charts.healing import By, healing
from reports.charts.individuals import Limits, Point, individuals
from reports.charts.pictures import Pictures, picture
from reports.charts.process import Month, process
from reports.charts.quarantine import Reason, bars
from reports.charts.survival import Curve, Step, survival
from reports.charts.trends import Trend, trends

LONG = "A sequence title that is longer than anybody would read aloud without drawing breath, 25/.04 then 35/.04"
HOSTILE = '</text><script>alert(1)</script><svg onload=alert(2)> "quoted" & more \x1b[31m \x00 \ud800 \u202e'
STEPS = (Step(0, 200, 1, None, None), Step(3.5, 180, 0.97, 0.93, 0.99), Step(20, 60, 0.91, 0.85, 0.95))


def group(label: str) -> Group:
    return Group(label, (Mark(31, 28, 34, "31 min (28 to 34), n 40"), Mark(None, None, None, "too few", 1)))


def curve(label: str) -> Curve:
    return Curve(label, "91% (85 to 95%) at 24 months, n 200", STEPS, 26.0, STEPS[-1], ((0, 200), (20, 60)))


CHARTS: dict[str, Callable[[int], Any]] = {
    "dots": lambda w: dots(
        [group("Incisors"), group(LONG), group(HOSTILE)], w, axis="Chair time, minutes", series=("Now", "Before")
    ),
    "dots-one": lambda w: dots(
        [Group("Canines", (Mark(0.4, 0.2, 0.6, "40%"),))], w, axis="Share", bounds=(0, 1), percent=True
    ),
    "compare": lambda w: compare(
        [Difference(LONG, (3, -2, 8), "+3.0 points", (1, -5, 7), "+1.0 points")], w, axis="Points"
    ),
    "individuals": lambda w: individuals(
        [Point(i, f"Jan {2000 + i}", None if i == 3 else 40 + i % 5 + 20 * (i == 17), i == 17) for i in range(18)],
        Limits((42, "Mean 42 min"), (35, "Lower limit 35 min"), (49, "Upper limit 49 min")),
        w,
        axis="Chair time per visit, minutes",
    ),
    "individuals-few": lambda w: individuals(
        [Point(0, "Jan 2026", 40.0), Point(1, "Feb 2026", 40.0)],
        Limits((40, "Mean"), None, (40, "Upper")),
        w,
        axis="Minutes",
    ),
    "survival": lambda w: survival([curve("All")], w, axis="Months", share="Teeth in place", lowest=0.8),
    "survival-three": lambda w: survival(
        [curve("a"), curve(LONG), curve(HOSTILE)], w, axis="Months", share="Teeth", lowest=0.8
    ),
    "hazard": lambda w: hazard(
        [Use(i, 2000, 0.01, 0.002, 0.04, smooth=0.01) for i in range(1, 19)],
        w,
        axis="Use",
        share="Share",
        limit=(0.05, "Own limit 5.0%"),
    ),
    "healing": lambda w: healing(
        [
            By(12, 0.5, 0.4, 0.6, 0.2, 0.8, "50% (40 to 60%) after 12 months"),
            By(24, None, 0.1, 0.9, 0.3, 0.7, HOSTILE),
        ],
        w,
        axis="Months since completion",
        share="Teeth healed by then, of 200",
        end=26,
        first=(11.2, "first visit at 11.2 months"),
    ),
    "hazard-one": lambda w: hazard([Use(1, 20, 0.0, 0.0, 0.2)], w, axis="Use", share="Share"),
    "gaps": lambda w: gaps(
        [Gap(i * 7 % 50, "Jan 2026", HOSTILE, i in {0, 19}, i == 4, "Feb 2026" if i == 4 else "") for i in range(20)],
        Limits((30, "Centre 30"), None, (120, "Upper limit 120")),
        w,
        axis="Canals between separations",
        order="Separations in their order",
    ),
    "gaps-one": lambda w: gaps([Gap(0, "Jan 2026", "none")], None, w, axis="Canals", order="Separations"),
    "adherence": lambda w: adherence(
        [Check(LONG, 80, 10, 10, 0.8, 0.93, "89% of 90"), Check(HOSTILE, 0, 0, 7, None, None, "nothing recorded")],
        w,
        axis="Canals",
    ),
    "process": lambda w: process(
        [Month(f"Jan {2000 + i}", None if i == 3 else i / 9, None, 3 - i / 20, "n 40", i == 30) for i in range(36)],
        (1.9, "Centre 1.9"),
        w,
        axis="Separations per 100 canals, by month",
    ),
    "dots-log": lambda w: dots(
        [Group(LONG, (Mark(2.1, 0.8, 5.2, "2.1"), Mark(0.0, 0.0, 0.4, "0", 1))), group("Torque")],
        w,
        axis="Times as often",
        series=("Any", "Separations"),
        reference=1.0,
        log=True,
    ),
    "fdi": lambda w: fdi_grid({c: Tooth("11/140", 0.5) for c in (*UPPER, *LOWER)}, w, key="Separations / teeth"),
    "fdi-empty": lambda w: fdi_grid({}, w, key="Separations / teeth"),
    "funnel": lambda w: funnel(
        [Unit(n, 4.0 + n % 7, f"Lot {n}", LONG[:20] if n > 90 else "", n > 90, n == 50) for n in range(40, 110, 10)]
        + [Unit(60, 9, "one", "Own teeth", own=True), Unit(64, 9, HOSTILE, "Lot 64", True)],
        [FunnelLimits(n, 0, 0, 900 / n, 1400 / n) for n in (5, 40, 70, 110)],
        (6.2, "All lots 6.2"),
        w,
        axis="Separations per 1,000 uses",
        size_axis="Uses of the lot",
    ),
    "funnel-one": lambda w: funnel(
        [Unit(40, 1.0, "one")], [], (1.0, "All 100%"), w, axis="Healed", size_axis="Teeth", percent=True
    ),
    "bars": lambda w: bars([Reason(LONG, 0.94, 0.94), Reason(HOSTILE, 0.06, 1.0)], w, axis="Share of all refusals"),
    "trends": lambda w: trends(
        [
            Trend(LONG, (1.0, None, 3.0), ("a", HOSTILE, "c"), 1.5, None, 2.5, frozenset({2}), HOSTILE),
            Trend(HOSTILE, (2.0, 2.0, 2.0), ("a", "b", "c"), None, None, None, frozenset(), "2"),
        ],
        ("Apr 2026", "May 2026", "Jun 2026"),
        w,
    ),
}


def drawn(chart: Any) -> str:
    return picture(theme.spec(chart), theme.base())


def texts(svg: str) -> str:
    return " ".join("".join(e.itertext()) for e in ElementTree.fromstring(svg).iter() if e.tag.endswith("text"))


@pytest.mark.parametrize("name", CHARTS)
def test_the_specification_is_valid_vega_lite_with_the_theme(name: str) -> None:
    import altair as alt

    spec = json.loads(theme.spec(CHARTS[name](theme.WIDE)))  # every channel is checked as it is made
    alt.Chart.from_dict({**spec, "config": theme.base()}, validate=True)


@pytest.mark.parametrize("name", CHARTS)
@pytest.mark.parametrize("width", [theme.WIDE, theme.NARROW])
def test_the_picture_fits_its_width_and_runs_nothing(name: str, width: int) -> None:
    svg = drawn(CHARTS[name](width))
    root = ElementTree.fromstring(svg)
    _, _, across, _ = map(float, root.attrib["viewBox"].split())
    assert across <= width + 12
    tags = {e.tag.rpartition("}")[2] for e in root.iter()}
    assert tags <= {"svg", "g", "path", "line", "rect", "text", "tspan", "defs", "clipPath"}
    attributes = {a.lower() for e in root.iter() for a in e.attrib}
    assert not [a for a in attributes if a.startswith("on") or "href" in a or a == "style"]
    assert root.attrib["aria-hidden"] == "true"


def test_every_chart_is_heard_of_as_it_is_made_and_nothing_after() -> None:
    heard: list[str] = []
    with theme.heard(heard.extend):
        first = theme.both(CHARTS["dots"])
        assert heard == [*first]
        second = theme.both(CHARTS["survival"])
    theme.both(CHARTS["individuals"])
    assert heard == [*first, *second]


def test_a_picture_is_drawn_once_in_a_process_of_its_own_as_here() -> None:
    wide, narrow = theme.both(CHARTS["dots-one"])
    with Pictures(theme.base()) as pictures:
        pictures.want([wide, narrow, wide])
        assert pictures.of(wide) == picture(wide, theme.base())
        assert len(pictures._asked) == 2


def test_a_drawing_process_that_is_ended_is_said_in_one_line() -> None:
    # As the system ends one when memory is short: without a word.
    with pytest.raises(UserError, match="a process that draws charts was ended"), Pictures({}) as pictures:
        pictures._pool.submit(os._exit, 1)
        pictures.of(theme.both(CHARTS["dots-one"])[0])


def test_hostile_text_is_text() -> None:
    svg = drawn(CHARTS["bars"](theme.WIDE))
    assert "<script" not in svg and "onload=alert" not in re.sub(r"&lt;.*?&gt;", "", svg)
    assert "<script>alert(1)</script>" in texts(svg).replace(" ", "")


def test_words_in_a_chart_are_whole() -> None:
    said = texts(drawn(CHARTS["dots"](theme.NARROW)))
    assert LONG.replace(" ", "") in said.replace(" ", "")
    assert "31 min (28 to 34)" in said and "too few" in said


def test_signals_are_marked_and_named() -> None:
    svg = drawn(CHARTS["individuals"](theme.WIDE))
    assert "Jan 2017" in texts(svg)
    assert theme.VERMILION in svg
    assert "Upper limit 49 min" in texts(svg)


def test_a_funnel_names_what_lies_outside_and_its_lines() -> None:
    for width, limit in ((theme.WIDE, "99.8% limit"), (theme.NARROW, "99.8%")):
        said = texts(drawn(CHARTS["funnel"](width)))
        assert "Lot 64" in said and "Own teeth" in said and "Lot 40" not in said
        assert "All lots" in said and limit in said
    # Limits at the end of the possible (nothing below none) have no name.
    assert said.split().count("99.8%") == 1


def test_labels_of_a_funnel_do_not_lie_on_each_other() -> None:
    from reports.charts.funnel import _placed

    placed = _placed([(50.0 + 3 * i, 100.0 + i, f"L2508-110{i}", i % 2 == 1) for i in range(8)], 200.0, 300.0, [])
    assert len(placed) == 8
    for i, a in enumerate(placed):
        assert a.x >= 0 and a.x + a.long <= 200
        assert not [b for b in placed[i + 1 :] if abs(a.y - b.y) < 14 and a.x < b.x + b.long and b.x < a.x + a.long]


def test_a_funnels_label_stands_off_its_lines_and_inside() -> None:
    from reports.charts.funnel import _placed

    # One mark close below a limit, as near the chart's right and upper edges as it gets.
    lines = [[(0.0, 20.0), (150.0, 30.0), (300.0, 40.0)], [(0.0, 120.0), (300.0, 120.0)]]
    (name,) = _placed([(290.0, 52.0, "Own teeth", False)], 300.0, 150.0, lines)
    assert name.y - 7 >= 0 and name.y + 7 <= 150 and name.x >= 0 and name.x + name.long <= 300
    for line in lines:
        xs, ys = zip(*line, strict=True)
        for x in range(int(name.x), int(name.x + name.long) + 1):
            assert abs(np.interp(x, xs, ys) - name.y) > 7
    # With room beside the mark it is at once above it.
    (name,) = _placed([(150.0, 80.0, "Own teeth", False)], 300.0, 150.0, lines)
    assert (name.y, name.x + name.long / 2, name.far) == (65.0, 150.0, False)


def test_all_thirty_two_teeth_stand_in_the_grid() -> None:
    for width in (theme.WIDE, theme.NARROW):
        said = texts(drawn(CHARTS["fdi-empty"](width))).split()
        assert {str(c) for c in (*UPPER, *LOWER)} <= set(said)
    assert len({*UPPER, *LOWER}) == 32 and UPPER[0] == 18 and UPPER[7:9] == (11, 21) and LOWER[-1] == 38


def test_numbers_at_risk_stand_below_the_curve() -> None:
    said = texts(drawn(CHARTS["survival"](theme.WIDE)))
    assert "Number at risk" in said and "200" in said and "60" in said


def test_links_are_refused() -> None:
    import altair as alt

    chart = (
        alt.Chart(alt.InlineData(values=[{"a": 1, "u": "https://example.org"}]))
        .mark_point()
        .encode(x="a:Q", href="u:N")
    )
    with pytest.raises(AssertionError, match="links"):
        drawn(chart)
    with pytest.raises(AssertionError, match="links"):
        drawn(alt.Chart("https://example.org/data.json").mark_point().encode(x="a:Q"))


def test_every_colour_has_its_dark_counterpart_in_the_style_sheet() -> None:
    from importlib import resources

    css = resources.files("reports").joinpath("assets", "page.css").read_text(encoding="utf-8")
    used = {
        c for name in CHARTS for c in re.findall(r'(?:fill|stroke)="(#[0-9a-f]{3,6})"', drawn(CHARTS[name](theme.WIDE)))
    }
    missing = {c for c in used if f'"{c}"' not in css}
    assert not missing
    # Two colours that differ on a light page differ on a dark one too: healed and healing stand side by side.
    for what in ("fill", "stroke"):
        dark = [re.findall(rf'\[{what}="{c}"\] {{ {what}: (#[0-9a-f]{{6}});', css) for c in theme.SERIES_COLOURS]
        assert all(len(found) == 1 for found in dark)
        assert len({found[0] for found in dark}) == len(theme.SERIES_COLOURS)
