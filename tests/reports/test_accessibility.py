"""Pages for readers who use a keyboard or a screen reader: axe-core finds nothing, every control answers to keys.

axe-core (bundled by axe-playwright-python) judges what of WCAG 2.2, levels A and AA, a machine can tell.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
OPTIONS = {"runOnly": {"type": "tag", "values": TAGS}, "resultTypes": ["violations"]}


def faults(page: Any) -> list[str]:
    """Every violation of any impact: rule, and the elements."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    found = axe.run(page, options=OPTIONS).response["violations"]
    return [f"{v['impact']} {v['id']}: {[n['html'][:200] for n in v['nodes'][:3]]}" for v in found]


LOOKS = [("light", 1280), ("dark", 360), ("dark", 1280), ("light", 360)]


def test_axe_finds_nothing(chromium: Any, plain_pages: list[Path]) -> None:
    """Each page in one look, each colour scheme and width on some page."""
    hold(chromium, [(path, LOOKS[i % 2]) for i, path in enumerate(plain_pages)])


@pytest.mark.slow
def test_axe_finds_nothing_in_any_look(chromium: Any, pages: list[Path]) -> None:
    hold(chromium, [(path, look) for look in LOOKS for path in pages])


def hold(chromium: Any, looked_at: list[tuple[Path, tuple[str, int]]]) -> None:
    for path, (scheme, width) in looked_at:
        page = chromium.new_page(color_scheme=scheme, viewport={"width": width, "height": 900})
        page.goto(path.as_uri())
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert faults(page) == [], f"{path.name}, {scheme}, {width} px"
        page.close()


def test_axe_would_find_something(chromium: Any, tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text("<html><title>t</title><p style='color:#bbb;background:#fff'>pale</p><button></button></html>")
    page = chromium.new_page()
    page.goto(bad.as_uri())
    found = {fault.split()[1].rstrip(":") for fault in faults(page)}
    page.close()
    assert {"html-has-lang", "color-contrast", "button-name"} <= found


def test_a_page_has_landmarks_and_its_charts_are_images_with_words(chromium: Any, pages: list[Path]) -> None:
    page = chromium.new_page(viewport={"width": 1280, "height": 900})
    for path in pages:
        page.goto(path.as_uri())
        for role in ("banner", "main", "contentinfo"):
            assert page.get_by_role(role).count() == 1, (path.name, role)
        assert page.get_by_role("navigation", name="On this page").count() == 1
        # A section is a region named by its heading.
        blocks = page.locator("main > section")
        assert page.locator("main").get_by_role("region").count() == blocks.count() > 0
        charts = page.get_by_role("figure")
        for i in range(charts.count()):
            assert charts.nth(i).get_by_role("img").count() == 1
            assert len(charts.nth(i).get_by_role("img").get_attribute("aria-label")) > 20
    page.close()


def test_the_first_key_leads_past_the_head(chromium: Any, plain_pages: list[Path]) -> None:
    page = chromium.new_page(viewport={"width": 1280, "height": 900})
    page.goto(plain_pages[1].as_uri())
    page.keyboard.press("Tab")
    link = page.locator(":focus")
    assert link.text_content() == "Skip to the figures" and link.bounding_box()["x"] >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    page.close()


def test_every_stop_of_the_keyboard_can_be_seen(chromium: Any, plain_pages: list[Path]) -> None:
    """WCAG 2.2, 2.4.7 and 2.4.11: what has the focus shows it, and lies within the window."""
    page = chromium.new_page(viewport={"width": 1280, "height": 900})
    page.goto(next(path for path in plain_pages if path.stem.startswith("outcomes")).as_uri())
    seen = []
    for _ in range(45):
        page.keyboard.press("Tab")
        stop = page.evaluate(
            """() => { const e = document.activeElement, s = getComputedStyle(e), b = e.getBoundingClientRect();
              return [e.tagName, s.outlineStyle, parseFloat(s.outlineWidth), b.bottom > 0 && b.top < innerHeight]; }"""
        )
        assert stop[1] != "none" and stop[2] >= 2 and stop[3], stop
        seen.append(stop[0])
    assert {"A", "SELECT", "DIV", "BUTTON"} <= set(seen)  # links, picks, tables that scroll, heads that sort
    page.close()


@pytest.mark.parametrize("key", ["Enter", "Space"])
def test_heads_that_sort_are_reached_and_pressed_by_keys(chromium: Any, plain_pages: list[Path], key: str) -> None:
    page = chromium.new_page(viewport={"width": 1280, "height": 900})
    page.goto(next(path for path in plain_pages if path.stem.startswith("outcomes")).as_uri())
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches('thead button')"):
            break
    head = page.locator("th:has(> button:focus)")
    assert head.get_attribute("aria-sort") is None
    page.keyboard.press(key)
    assert head.get_attribute("aria-sort") == "ascending"
    page.keyboard.press(key)
    assert head.get_attribute("aria-sort") == "descending"
    page.close()
