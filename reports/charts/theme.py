"""One look for all charts, and the only place where a chart becomes a specification.

Colours are those of Okabe and Ito ("Color Universal Design", 2008), never the only carrier of a meaning; the page's
style sheet exchanges them for lighter ones on a dark page by their values here. `pictures.py` draws the static
pictures; in a browser with scripts the same specifications answer to the pointer and to what a reader picks.

What every chart does so that this works: a mark that carries a figure has a text `tip` in its data and
`tooltip=theme.TIP`; a mark of a group has the group's values in fields named as in PICKS, `opacity=theme.picked(...)`
and the chart `theme.params(...)`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, Literal

from pipeline.output.text import plain
from reports.blocks import PICKS
from reports.words import wrap

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

Align = Literal["left", "center", "right"]
Weight = Literal["normal", "bold"]


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


def rows(values: Iterable[dict[str, Any]]) -> Any:
    """The data of a chart or of one of its layers, as a tuple: lists Altair copies, again and again."""
    import altair as alt

    return alt.InlineData(values=tuple(values))


def pixel(channel: Literal["x", "x2", "y", "y2"], place: float) -> Any:
    """A channel at a place in pixels, whatever the data say."""
    import altair as alt

    # Altair leaves the class of such a channel without types.
    channels: dict[str, Any] = {"x": alt.XValue, "x2": alt.X2Value, "y": alt.YValue, "y2": alt.Y2Value}
    return channels[channel](place)


TIP = "tip:N"  # the field whose text a mark shows under the pointer


def params(fields: Collection[str]) -> list[Any]:
    """The parameters of a chart whose marks have these fields: the value picked, empty for all."""
    import altair as alt

    return [alt.param(name=f"pick_{field}", value="") for field in PICKS if field in fields]


def picked(fields: Collection[str], full: float = 1.0) -> Any:
    """Opacity of marks with these fields: those that a reader did not pick step back."""
    import altair as alt

    # A channel, not what `alt.value` and `alt.condition` give: of those Altair tries every class that could fit.
    tests = [f"(pick_{field} == '' || datum.{field} == pick_{field})" for field in PICKS if field in fields]
    if not tests:
        return alt.OpacityValue(full)
    return alt.OpacityValue(full / 5, condition={"test": " && ".join(tests), "value": full})


def layered(layers: Sequence[Any], width: float, height: float, fields: Collection[str] = (), title: Any = None) -> Any:
    """One chart of Altair charts that share their plane, as a specification; `fields` are those that marks have.

    Altair's own `layer` copies every layer several times, which took longer than to draw them, and so does what it
    does for a chart that stands alone.
    """
    import altair as alt

    datasets: dict[str, Any] = {}
    parts = [_part(layer, datasets) for layer in layers]
    found = {"$schema": alt.SCHEMA_URL, "layer": parts, "datasets": datasets, "width": width, "height": height}
    if title is not None:
        found["title"] = title.to_dict(validate=False)
    if asked := params(fields):
        found["params"] = [{"name": one.name, "value": ""} for one in asked]
    return found


def panels(chart: dict[str, Any], facet: Any, columns: int, spacing: dict[str, int]) -> dict[str, Any]:
    """A `layered` chart whose layers have the same rows, once for each value of an Altair `facet`."""
    (name,) = chart["datasets"]
    each = {"layer": [{k: v for k, v in part.items() if k != "data"} for part in chart["layer"]]}
    each |= {size: chart[size] for size in ("width", "height")}
    whole = {key: value for key, value in chart.items() if key not in ("layer", "width", "height")}
    shown = {"facet": facet.to_dict(validate=False, context={"data": None}), "columns": columns, "spacing": spacing}
    return {**whole, "data": {"name": name}, "spec": each, **shown}


def _part(layer: Any, datasets: dict[str, Any]) -> dict[str, Any]:
    """A layer as a specification, its rows put by their name into `datasets`.

    Of data that a chart holds itself Altair asks again and again of which library they are.
    """
    import altair as alt

    values = layer.data.values
    name = "data-" + hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()[:32]
    datasets[name] = values
    bare = layer.copy(deep=False)
    bare.data = alt.Undefined
    return {"data": {"name": name}, **bare.to_dict(validate=False, context={"top_level": False, "data": None})}


def heading(text: str, width: float, frame: Any = "bounds") -> Any:
    """What a chart shows, above it at the left of its `frame`, broken to the width."""
    import altair as alt

    said = wrap(text, letters(width))
    return alt.TitleParams(said, anchor="start", fontSize=SIZE, fontWeight="normal", frame=frame, offset=10)


def beside_lines(lines: Iterable[tuple[float, str]], x: float, room: float) -> Any | None:
    """Names at the right end of horizontal lines, from (pixels from the top, name), top first, none over another."""
    import altair as alt

    texts, place = [], -20.0
    for height, name in lines:
        said = wrap(name, letters(room - 8), most=3)
        place = max(height, place)
        texts += [{"y": place + 14 * i, "text": line} for i, line in enumerate(said)]
        place += 14 * len(said) + 4
    if not texts:
        return None
    chart = alt.Chart(rows(texts)).mark_text(align="left", baseline="middle", color=SOFT, dx=8)
    return chart.encode(x=pixel("x", x), y=alt.Y("y:Q", scale=None, axis=None), text=alt.Text("text:N"))


def spec(chart: Any) -> str:
    """A chart, Altair's or a `layered` one, as the text of its Vega-Lite specification, without configuration.

    `base` is the configuration of all. Control characters would stop the drawing library outright, so every text is
    made plain first; a specification with a link channel or an address is a fault of the program.
    """
    found = plain_spec(chart if isinstance(chart, dict) else chart.to_dict(validate=False))
    found.pop("config", None)
    found.setdefault("autosize", {"type": "pad", "contains": "padding"})
    return json.dumps(found, ensure_ascii=False, separators=(",", ":"))


_hear: ContextVar[Callable[[Iterable[str]], None] | None] = ContextVar("hear", default=None)


@contextmanager
def heard(by: Callable[[Iterable[str]], None]) -> Iterator[None]:
    """Within it `by` hears of the specifications of every chart as it is made, so that drawing need not wait."""
    before = _hear.set(by)
    try:
        yield
    finally:
        _hear.reset(before)


def both(chart: Callable[[int], Any]) -> tuple[str, str]:
    """The specifications for a wide and for a narrow page; `chart` takes a width in pixels.

    Altair checks every piece against the Vega-Lite schema, which takes ten times as long as drawing. The tests draw
    all charts with the check on; here it is off.
    """
    from altair.utils.schemapi import debug_mode

    with debug_mode(False):
        made = spec(chart(WIDE)), spec(chart(NARROW))
    if hear := _hear.get():
        hear(made)
    return made


def plain_spec(part: Any) -> Any:
    """A specification with all its texts made plain; links and addresses are refused."""
    if isinstance(part, dict):
        if "href" in part or "url" in part:
            raise AssertionError("a chart may hold neither links nor addresses")
        return {key: plain_spec(value) for key, value in part.items()}
    if isinstance(part, (list, tuple)):
        return [plain_spec(value) for value in part]
    if isinstance(part, str):
        return "\n".join(plain(line) for line in part.split("\n")) if not part.isprintable() else part
    return part
