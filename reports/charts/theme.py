"""One look for all charts, and the only place where a chart becomes a picture.

Charts are static SVG. Their colours are those of Okabe and Ito ("Color Universal Design", 2008), never the only
carrier of a meaning; the page's style sheet exchanges them for lighter ones on a dark page by their values here.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from markupsafe import Markup

from reports.words import plain

INK = "#22262b"  # text
SOFT = "#5a6067"  # axis text
LINE = "#8c9299"  # axes, reference lines
FAINT = "#dfe2e5"  # grid

BLUE = "#0072b2"
VERMILION = "#d55e00"
ORANGE = "#e69f00"
SKY = "#56b4e9"
PURPLE = "#cc79a7"
GREEN = "#009e73"

# Series differ in colour, in dash and in shape.
SERIES_COLOURS = (BLUE, VERMILION, PURPLE, GREEN, ORANGE, SKY)
SERIES_DASHES = ([1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [4, 2], [1, 3])
SERIES_SHAPES = ("circle", "diamond", "square", "triangle-up", "cross", "triangle-down")

FONT = "Helvetica, Arial, Liberation Sans, sans-serif"
SIZE = 12  # pixels, of every text in a chart
LETTER = 6.4  # pixels, a generous mean width of a letter of that size

WIDE = 640  # pixels; a page column and A4
NARROW = 310  # pixels; a phone


def letters(pixels: float) -> int:
    """How many letters fit."""
    return max(8, int(pixels / LETTER))


def base() -> Any:
    """An Altair configuration with the theme; charts add layers to it."""
    return {
        "background": "transparent",
        "aria": False,  # the text alternative stands on the figure; marks would only repeat it
        "font": FONT,
        "view": {"stroke": None},
        "mark": {"color": BLUE},
        "axis": {
            "labelFontSize": SIZE,
            "titleFontSize": SIZE,
            "titleFontWeight": "normal",
            "labelColor": SOFT,
            "titleColor": INK,
            "domainColor": LINE,
            "tickColor": LINE,
            "gridColor": FAINT,
            "tickSize": 4,
            "labelLimit": 0,
            "titleLimit": 0,
            "titlePadding": 8,
            "labelOverlap": True,
        },
        "text": {"fontSize": SIZE, "color": INK, "lineBreak": "\n", "limit": 0},
        "title": {"color": INK, "fontSize": SIZE, "fontWeight": "normal", "limit": 0},
        "padding": 4,
    }


def draw(chart: Any) -> Markup:
    """An Altair chart as inline SVG without script, links or network.

    Control characters would stop the drawing library outright, so every text is made plain first; a specification
    with a link channel is a fault of the program.
    """
    spec = plain_spec(chart.to_dict(validate=False))
    spec["config"] = base()
    spec.setdefault("autosize", {"type": "pad", "contains": "padding"})
    return _picture(json.dumps(spec))


@lru_cache(maxsize=128)  # the practice's own charts stand on every dentist's page
def _picture(spec: str) -> Markup:
    import vl_convert

    svg = vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
    if "<a " in svg or "xlink:href" in svg or "<script" in svg:  # the data itself is escaped in the SVG
        raise AssertionError("a chart may hold neither links nor scripts")
    return Markup(_tidy(svg))  # made here, its text escaped by the drawing library


def both(chart: Callable[[int], Any]) -> tuple[Markup, Markup]:
    """The chart for a wide and for a narrow page; `chart` takes a width in pixels.

    Altair checks every piece against the Vega-Lite schema, which takes ten times as long as drawing. The tests draw
    all charts with the check on; here it is off.
    """
    from altair.utils.schemapi import debug_mode

    with debug_mode(False):
        return draw(chart(WIDE)), draw(chart(NARROW))


def plain_spec(part: Any) -> Any:
    """A specification with all its texts made plain; links and addresses are refused."""
    if isinstance(part, dict):
        if "href" in part or "url" in part:
            raise AssertionError("a chart may hold neither links nor addresses")
        return {key: plain_spec(value) for key, value in part.items()}
    if isinstance(part, list):
        return [plain_spec(value) for value in part]
    if isinstance(part, str):
        return "\n".join(plain(line) for line in part.split("\n")) if not part.isprintable() else part
    return part


_NOISE = re.compile(
    r' (?:aria-hidden="true"|aria-roledescription="[^"]*"|role="graphics-[a-z]+"|pointer-events="none")'
)
_EMPTY = re.compile(r'<path class="(?:background|foreground)" d="[^"]*"(?: display="none")?/>')


def _tidy(svg: str) -> str:
    """The SVG without what only scripts and viewers of single elements need: about a third smaller."""
    svg = svg.replace(' xmlns:xlink="http://www.w3.org/1999/xlink"', "", 1)
    svg = _EMPTY.sub("", _NOISE.sub("", svg))
    return svg.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)
