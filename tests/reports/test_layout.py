"""Pages at the widths of a phone, a tablet and a desk, and on paper: nothing overlaps, is cut off or too wide."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from reports.charts import theme
from reports.charts.funnel import Limits as FunnelLimits
from reports.charts.funnel import Unit, funnel
from reports.charts.individuals import Limits, Point, individuals
from reports.charts.pictures import picture
from reports.charts.quarantine import Reason, bars
from reports.charts.survival import Curve, Step, survival

pytestmark = pytest.mark.browser

SHEET = 680  # pixels: A4 less its margins, 180 mm

# What reaches out of the page, by the name of what it is in; what scrolls by itself may.
WIDE = """width => [...document.querySelectorAll('body *')]
  .filter(e => !e.closest('.unseen, .skip, svg, .scroll table'))
  .filter(e => { const box = e.getBoundingClientRect(); return box.width && (box.right > width + 1 || box.left < -1); })
  .map(e => `${e.closest('[id]')?.id}: ${e.tagName} to ${Math.round(e.getBoundingClientRect().right)} px`)"""

# Tables that would have to be scrolled sideways.
SCROLLED = """() => [...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth + 1)
  .map(e => `${e.querySelector('table').id}: ${e.scrollWidth} in ${e.clientWidth} px`)"""

# Texts that are cut off: by an ellipsis of the drawing library, or by a box that hides what does not fit.
CUT = """() => [...document.querySelectorAll('.chart text')].filter(t => t.textContent.endsWith('\\u2026'))
  .map(t => `${t.closest('figure').id}: ${t.textContent}`)
  .concat([...document.querySelectorAll('main *')].filter(e => !e.closest('svg, .unseen, .scroll')
    && getComputedStyle(e).overflowX !== 'visible' && e.scrollWidth > e.clientWidth + 1)
    .map(e => `${e.closest('[id]')?.id}: ${e.tagName} hides`))"""

# Labels that a line of the figures goes through: points of the line, a pixel apart, in the middle of a text's box.
CROSSED = """() => [...document.querySelectorAll('.chart svg')]
  .filter(s => s.getBoundingClientRect().width).flatMap(svg => {
  const boxes = [...svg.querySelectorAll('.mark-text text')].map(t => [t.textContent, t.getBoundingClientRect()]);
  return [...svg.querySelectorAll('.mark-line path')].flatMap(path => {
    const to = path.getScreenCTM();
    const points = Array.from({length: Math.ceil(path.getTotalLength())}, (_, i) =>
      path.getPointAtLength(i).matrixTransform(to));
    return boxes.filter(([, box]) => points.some(p => p.x > box.left + 1 && p.x < box.right - 1
      && p.y > box.top + 3 && p.y < box.bottom - 3)).map(([words]) => `${svg.closest('figure').id}: ${words}`);
  });
})"""


def open_page(chromium: Any, path: Path, width: int, media: str = "screen") -> Any:
    page = chromium.new_page(viewport={"width": width, "height": 900})
    page.emulate_media(media=media)
    page.goto(path.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    return page


WIDTHS = [(360, "screen"), (768, "screen"), (1280, "screen"), (SHEET, "print")]


@pytest.mark.parametrize(("width", "media"), WIDTHS)
def test_nothing_overlaps_is_cut_off_or_too_wide(
    chromium: Any, plain_pages: list[Path], crowded: str, width: int, media: str
) -> None:
    hold(chromium, plain_pages, crowded, width, media)


# On a phone such words do most harm; elsewhere they wait for the lane slow.
@pytest.mark.parametrize(
    ("width", "media"), [look if look[0] == 360 else pytest.param(*look, marks=pytest.mark.slow) for look in WIDTHS]
)
def test_words_that_mean_harm_break_no_layout(
    chromium: Any, hostile_pages: list[Path], crowded: str, width: int, media: str
) -> None:
    hold(chromium, hostile_pages, crowded, width, media)


def hold(chromium: Any, pages: list[Path], crowded: str, width: int, media: str) -> None:
    for path in pages:
        page = open_page(chromium, path, width, media)
        found = page.evaluate(WIDE, width) + page.evaluate(crowded) + page.evaluate(CROSSED)
        if "a-word-without-a-break" not in page.content():  # charts end a name of 160 letters in an ellipsis
            found += page.evaluate(CUT)
        if width > 360:
            found += page.evaluate(SCROLLED)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path.name
        shown = "narrow" if width == 360 else "wide"
        assert page.evaluate(f"[...document.querySelectorAll('.chart .{shown}')].every(e => e.offsetWidth > 0)")
        page.close()
        assert found == [], f"{path.name} at {width} px"


def test_the_scripts_find_what_they_are_for(chromium: Any, crowded: str, tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<!doctype html><body style='margin:0'><main id=m><p style='width:900px'>wide</p>"
        "<div id=h style='overflow:hidden;width:20px;white-space:nowrap'>hidden words</div>"
        "<div class=scroll style='overflow:auto;width:50px'><table id=t><tr><td>abcdefghijklmnopqrs</table></div>"
        "<figure id=f><div class=chart><svg width=200 height=100><g class=mark-text><text x=10 y=50>one</text>"
        "<text x=14 y=52>two</text><text x=10 y=90>three\u2026</text><text x=190 y=20>outside</text></g>"
        "<g class=mark-line><path d='M0,46L100,46' fill=none stroke=red /></g></svg></div></figure></main>"
    )
    page = open_page(chromium, bad, 360)
    assert "m: P to 900 px" in page.evaluate(WIDE, 360)
    assert page.evaluate(SCROLLED)[0].startswith("t: ")
    assert page.evaluate(CUT) == ["f: three\u2026", "h: DIV hides"]
    assert page.evaluate(CROSSED) == ["f: one", "f: two"]
    assert set(page.evaluate(crowded)) == {"f: one | two", "f: outside: outside"}
    page.close()


# How near the numbers of a chart come to texts above or below them, and texts to bars, in pixels.
NEAREST = """() => {
  const texts = [...document.querySelectorAll('.mark-text text')];
  const numbers = texts.filter(t => /^[\\d,]+$/.test(t.textContent)), words = texts.filter(t => !numbers.includes(t));
  const bars = [...document.querySelectorAll('.mark-rect path')];
  const nearest = (some, others) => Math.min(...some.map(t => t.getBoundingClientRect()).flatMap(a => others
    .map(t => t.getBoundingClientRect()).filter(b => a.left < b.right && b.left < a.right)
    .map(b => Math.max(a.top - b.bottom, b.top - a.bottom))));
  return {number: nearest(numbers, words), bar: nearest(texts, bars)};
}"""


def show(chromium: Any, chart: Any, tmp_path: Path) -> Any:
    path = tmp_path / "chart.html"
    drawn = picture(theme.spec(chart), theme.base())
    path.write_text(f"<!doctype html><meta charset=utf-8><figure id=f><div class=chart>{drawn}</div></figure>")
    return open_page(chromium, path, 800)


@pytest.mark.parametrize("width", [theme.NARROW, theme.WIDE])
def test_reasons_are_clear_of_the_bars(chromium: Any, tmp_path: Path, width: int) -> None:
    long = "Instrument uses: the instrument was retired before the day on which it was used in this canal: 120, 37%"
    page = show(chromium, bars([Reason(long, 0.4, 0.4), Reason(long, 0.3, 0.7)], width, axis="Share"), tmp_path)
    assert page.evaluate(NEAREST)["bar"] >= 2
    page.close()


@pytest.mark.parametrize("width", [theme.NARROW, theme.WIDE])
def test_numbers_at_risk_are_clear_of_their_heads(chromium: Any, tmp_path: Path, width: int) -> None:
    steps = (Step(0, 100, 1.0, None, None), Step(10, 60, 0.9, 0.8, 0.95))
    curves = [Curve(name, "90%", steps, 24, at_risk=((0, 100), (10, 60))) for name in ("Rotation", "Reciprocation")]
    page = show(chromium, survival(curves, width, axis="Months", share="In place", lowest=0.7), tmp_path)
    said = page.evaluate(NEAREST)["number"]
    page.close()
    assert said >= 4


@pytest.mark.parametrize("width", [theme.NARROW, theme.WIDE])
@pytest.mark.parametrize(("size", "share"), [(231, 0.91), (231, 0.95), (124, 0.80), (180, 0.88)])
def test_the_own_label_is_clear_of_all_limits(
    chromium: Any, tmp_path: Path, crowded: str, size: int, share: float, width: int
) -> None:
    units = [Unit(n, s, "other") for n, s in ((124, 0.81), (154, 0.93), (197, 0.86)) if n != size]
    units.append(Unit(size, share, "own", "Own teeth", own=True))
    limits = [
        FunnelLimits(124, 0.79, 0.82, 0.94, 0.96),
        FunnelLimits(197, 0.81, 0.84, 0.93, 0.95),
        FunnelLimits(231, 0.81, 0.84, 0.92, 0.94),
    ]
    chart = funnel(units, limits, (0.88, "All: 88%"), width, axis="Healed", size_axis="Teeth", percent=True)
    page = show(chromium, chart, tmp_path)
    assert page.locator("svg text", has_text="Own teeth").count() == 1
    assert page.evaluate(CROSSED) == page.evaluate(crowded) == []
    page.close()


# The month before, the month itself, the month after; the others are as those beside them.
SIGNALS = {
    "peak": (1, 9, 1),
    "dip": (9, 1, 9),
    "up": (1, 5, 9),
    "down": (9, 5, 1),
    "down to a plain": (9, 5, 5),
    "first, high": (None, 9, 1),
    "first, low": (None, 1, 9),
    "last, high": (1, 9, None),
    "last, low": (9, 1, None),
}


@pytest.mark.parametrize("width", [310, 640])
@pytest.mark.parametrize("shape", SIGNALS)
def test_a_signals_name_is_clear_of_the_line(
    chromium: Any, tmp_path: Path, crowded: str, shape: str, width: int
) -> None:
    before, here, after = SIGNALS[shape]
    values = [v for v, many in ((before, 9), (here, 1), (after, 9)) for _ in range(many) if v is not None]
    at = 0 if before is None else 9
    points = [Point(i, "May 2026", float(v), signal=i == at) for i, v in enumerate(values)]
    limits = Limits((5.0, "Mean 5"), (0.0, "Lower limit 0"), (10.0, "Upper limit 10"))
    page = show(chromium, individuals(points, limits, width, axis="Minutes"), tmp_path)
    assert page.locator("svg text", has_text="May 2026").count() > 0
    assert page.evaluate(CROSSED) == page.evaluate(crowded) == []
    page.close()
