"""All permanent teeth as a dentist writes them: two rows of sixteen, upper above lower, the patient's right at left.

On a phone the rows break at the midline. Codes are FDI (ISO 3950).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reports.charts import theme

UPPER = (*range(18, 10, -1), *range(21, 29))
LOWER = (*range(48, 40, -1), *range(31, 39))


@dataclass(frozen=True)
class Tooth:
    """What one field shows: one short line and how deep it is shaded (0..1; None: no figure)."""

    text: str
    shade: float | None


def fdi_grid(teeth: Mapping[int, Tooth], width: int, *, key: str) -> Any:
    """The grid; `key` says what the line in a field means."""
    import altair as alt

    narrow = width < 500
    rows = [UPPER[:8], UPPER[8:], LOWER[:8], LOWER[8:]] if narrow else [UPPER, LOWER]
    names = (
        ["Upper right", "Upper left", "Lower right", "Lower left"]
        if narrow
        else ["Upper jaw, patient's right at the left", "Lower jaw"]
    )
    across = len(rows[0])
    side = (width - 8) / across
    tall, y = 38, 0.0
    fields, texts = [], [{"x": 0.0, "y": y + 8, "text": key, "kind": "name"}]
    y += 24
    for name, row in zip(names, rows, strict=True):
        texts.append({"x": 0.0, "y": y + 8, "text": name, "kind": "name"})
        y += 20
        for i, code in enumerate(row):
            tooth = teeth.get(code, Tooth("", None))
            gap = 4 if not narrow and i >= 8 else 0  # the midline
            x = i * side + gap
            tip = f"Tooth {code}: {tooth.text}" if tooth.text else f"Tooth {code}: none treated"
            fields.append({"x": x + 1, "x2": x + side - 1, "y": y, "y2": y + tall, "shade": tooth.shade, "tip": tip})
            texts.append({"x": x + side / 2, "y": y + 11, "text": str(code), "kind": "code"})
            texts.append({"x": x + side / 2, "y": y + 27, "text": tooth.text, "kind": "figure"})
        y += tall + 12
    height = y
    x_scale = alt.Scale(domain=[0, width], range=[0, width], nice=False)
    y_scale = alt.Scale(domain=[0, height], range=[0, height], nice=False)
    box = alt.Chart(theme.rows(fields))
    places = {
        "x": alt.X("x:Q", scale=x_scale, axis=None),
        "x2": alt.X2("x2:Q"),
        "y": alt.Y("y:Q", scale=y_scale, axis=None),
        "y2": alt.Y2("y2:Q"),
    }
    layers = [
        box.mark_rect(fill=theme.BLUE, stroke=None).encode(
            **places,
            fillOpacity=alt.FillOpacity("shade:Q", scale=alt.Scale(domain=[0, 1], range=[0, 0.45]), legend=None),
        ),
        box.mark_rect(fillOpacity=0, stroke=theme.LINE, strokeWidth=1).encode(**places, tooltip=alt.Tooltip(theme.TIP)),
    ]
    looks: tuple[tuple[str, theme.Align, theme.Weight, str], ...] = (
        ("name", "left", "normal", theme.SOFT),
        ("code", "center", "bold", theme.INK),
        ("figure", "center", "normal", theme.INK),
    )
    for kind, align, weight, colour in looks:
        said = alt.Chart(theme.rows([t for t in texts if t["kind"] == kind]))
        layers.append(
            said.mark_text(
                align=align,
                baseline="middle",
                fontWeight=weight,
                color=colour,
                fontSize=theme.SIZE if kind == "name" else 11,
            ).encode(
                x=alt.X("x:Q", scale=x_scale, axis=None),
                y=alt.Y("y:Q", scale=y_scale, axis=None),
                text=alt.Text("text:N"),
            )
        )
    return theme.layered(layers, width, height)
