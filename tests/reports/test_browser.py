"""Pages in a real browser, opened from disk: nothing runs, nothing is fetched; charts, picks and tables answer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser


def test_pages_open_from_disk_and_ask_nothing_of_a_network(chromium: Any, pages: list[Path]) -> None:
    page = chromium.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    for path in pages:
        page.goto(path.as_uri())
        title = page.title()
        assert title and title != "1337"
    page.close()
    assert said == []
    assert asked and all(url.startswith("file:") for url in asked)


@pytest.mark.parametrize("width", [360, 1280])
def test_a_chart_tells_its_figures_under_the_pointer(
    chromium: Any, pages: list[Path], width: int, crowded: str
) -> None:
    page = chromium.new_page(viewport={"width": width, "height": 900})
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    path = next(p for p in pages if p.stem.startswith("outcomes"))
    page.goto(path.as_uri())
    chart = page.locator("#healed-sequence .chart")
    chart.scroll_into_view_if_needed()
    chart.hover()
    page.wait_for_selector("#healed-sequence .chart.live .view svg")
    mark = page.locator("#healed-sequence .view .mark-symbol path").first
    mark.hover()
    page.wait_for_selector(".tip:not([hidden])")
    told = page.locator(".tip").text_content()
    # The same figure stands in the table, which needs no pointer.
    figures = page.locator("#healed-sequence-table tbody tr").first.locator("th, td").all_text_contents()
    assert told.startswith(f"{figures[0]}: {figures[1]}".replace("\u00a0", " "))
    assert page.evaluate(crowded) == []
    page.keyboard.press("Escape")
    assert not page.locator(".tip").is_visible()
    assert page.title() != "1337"
    page.close()
    assert said == [] and all(url.startswith("file:") for url in asked)


def test_a_pick_steps_the_other_groups_back_in_every_chart_and_marks_its_rows(chromium: Any, pages: list[Path]) -> None:
    page = chromium.new_page(viewport={"width": 1280, "height": 900})
    path = next(p for p in pages if p.stem.startswith("outcomes"))
    page.goto(path.as_uri())
    select = page.locator(".picks select").first
    value = page.evaluate("document.querySelector('.picks select').options[1].value")
    select.select_option(value)
    charts = page.locator(".chart[data-picks~='sequence']")
    assert charts.count() > 1
    page.wait_for_function(
        "[...document.querySelectorAll(\".chart[data-picks~='sequence']\")].every(c => c.matches('.live'))"
    )
    page.wait_for_function(
        """[...document.querySelectorAll('#healed-sequence .view .mark-symbol path')]
           .filter(e => e.getAttribute('opacity') === '0.2').length > 0"""
    )
    seen = page.evaluate(
        """[...document.querySelectorAll('#healed-sequence .view .mark-symbol path')]
           .map(e => e.getAttribute('opacity'))"""
    )
    assert seen.count("1") == 1
    picked = page.evaluate("[...document.querySelectorAll('tr.picked')].map(r => JSON.parse(r.dataset.group).sequence)")
    assert picked and set(picked) == {value}
    select.select_option("")
    page.wait_for_function(
        """[...document.querySelectorAll('#healed-sequence .view .mark-symbol path')]
           .every(e => e.getAttribute('opacity') === '1')"""
    )
    assert page.locator("tr.picked").count() == 0
    page.close()


def test_a_table_sorts_by_keyboard_and_goes_back(chromium: Any, pages: list[Path]) -> None:
    page = chromium.new_page(viewport={"width": 1280, "height": 900})
    page.goto(next(p for p in pages if p.stem == "incidents").as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    column = "[...document.querySelectorAll('#teeth-table tbody tr')].map(r => Number(r.cells[2].textContent) || 0)"
    made = page.evaluate(column)
    button = page.locator("#teeth-table thead button").nth(2)
    button.focus()
    for way, expected in (("ascending", sorted(made)), ("descending", sorted(made, reverse=True)), (None, made)):
        page.keyboard.press("Enter")
        head = page.locator("#teeth-table thead th").nth(2)
        assert head.get_attribute("aria-sort") == way
        numbers = page.evaluate(column)
        assert [n for n in numbers if n] == [n for n in expected if n]
    assert len(set(made)) > 2
    page.close()


def test_without_scripts_a_page_is_whole(chromium: Any, pages: list[Path]) -> None:
    context = chromium.new_context(java_script_enabled=False, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto(pages[1].as_uri())
    assert page.locator(".chart .wide svg").count() > 2
    assert all(svg.is_visible() for svg in page.locator("main > section > figure .chart .wide svg").all())
    assert page.locator(".picks").count() == page.locator("thead button").count() == 0
    context.close()


def test_print_shows_what_is_folded_away_and_no_controls(chromium: Any, pages: list[Path]) -> None:
    page = chromium.new_page(viewport={"width": 680, "height": 900})
    page.emulate_media(media="print")
    for path in pages[1:]:
        page.goto(path.as_uri())
        assert page.evaluate("document.querySelectorAll('details').length") > 0
        hidden = page.evaluate(
            "[...document.querySelectorAll('details table, details dl')].filter(e => !e.offsetHeight).length"
        )
        assert hidden == 0, path.name
        assert not page.evaluate("document.querySelector('nav').offsetHeight")
        assert page.evaluate("[...document.querySelectorAll('.chart .wide')].every(e => e.offsetWidth > 0)")
        assert page.pdf(format="A4").startswith(b"%PDF")
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_can_be_read_in_light_and_dark(chromium: Any, plain_pages: list[Path], scheme: str) -> None:
    """Contrast of at least 4.5 to 1 (WCAG 2.2, 1.4.3) for all text, in charts too; 3 to 1 for lines (1.4.11)."""
    page = chromium.new_page(color_scheme=scheme)
    page.goto(plain_pages[1].as_uri())
    worst = page.evaluate(
        """() => {
        const light = c => c.map(v => v / 255).map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4);
        const lum = c => {
          const [r, g, b] = light(c.match(/[\\d.]+/g).slice(0, 3).map(Number));
          return .2126 * r + .7152 * g + .0722 * b;
        };
        const paper = lum(getComputedStyle(document.body).backgroundColor);
        const ratio = c => { const l = lum(c); return (Math.max(l, paper) + .05) / (Math.min(l, paper) + .05); };
        const seen = e => e.getClientRects().length;
        const words = [...document.querySelectorAll('p, li, h1, h2, h3, td, th, dd, dt, a, caption, summary')]
          .filter(seen).map(e => ratio(getComputedStyle(e).color));
        const labels = [...document.querySelectorAll('.chart text')].filter(seen)
          .map(e => ratio(getComputedStyle(e).fill));
        const lines = [...document.querySelectorAll('.chart .mark-line path, .chart .role-mark line')]
          .filter(seen).map(e => getComputedStyle(e).stroke).filter(c => c !== 'none').map(ratio);
        return [Math.min(...words, ...labels), Math.min(...lines)];
    }"""
    )
    page.close()
    assert worst[0] >= 4.5
    assert worst[1] >= 3
