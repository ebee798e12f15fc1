"""Records as text, in our own layout and in the two layouts of the invented practice."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from demo_data import truth
from demo_data.dice import Dice

COLUMNS: dict[str, tuple[str, ...]] = {
    kind: tuple(columns.split())
    for kind, columns in {
        "treatments": """treatment_id patient_id birth_year tooth dentist kind pulp_diagnosis apical_diagnosis preop_pai
            lesion_mm started_on completed_on status restoration restored_on""",
        "visits": "visit_id treatment_id dentist chair seated_at left_at booked_minutes rubber_dam reason",
        "canals": """treatment_id canal sequence curvature_deg curve_radius_mm first_binding_size working_length_mm
            glide_path_size length_confirmed final_size final_taper apical_gauge_size patency started_at finished_at
            filling_extent_mm filling_voids not_treated""",
        "instrument_uses": """use_id treatment_id canal step instrument_id lot size taper motion started_at seconds
            speed_rpm torque_ncm peak_torque_ncm depth_mm irrigant_ml result""",
        "instruments": """instrument_id lot udi description size taper length_mm motion price received_on use_limit
            sterilisations retired_on retired_reason""",
        "incidents": """incident_id treatment_id canal instrument_id kind occurred_at canal_third fragment_mm managed
            patient_informed note""",
        "follow_ups": """follow_up_id treatment_id seen_on image pai pain tenderness swelling sinus_tract tooth_present
            lost_on lost_reason restoration_intact surgery_on""",
        "contacts": "contact_id treatment_id contacted_at pain_score analgesic swelling",
    }.items()
}
CHAIRSIDE = ("canals", "instrument_uses", "incidents", "contacts")
FRONT_DESK = {"treatments": "faelle.csv", "visits": "termine.csv", "instruments": "bestand.csv"}
WORKBOOK, SHEET = "recalls.xlsx", "Recalls"
WORKBOOK_DATES = ("seen_on", "lost_on", "surgery_on")


@dataclass(frozen=True)
class Style:
    """How a system writes values."""

    date: str = "%Y-%m-%d"
    timestamp: str = "%Y-%m-%d %H:%M:%S"
    decimal: str = "."
    true: str = "true"
    false: str = "false"


OURS = Style()
GERMAN = Style("%d.%m.%Y", "%d.%m.%Y %H:%M", ",", "ja", "nein")
BY_HAND = Style(true="yes", false="no")


def as_text(frame: pl.DataFrame, style: Style = OURS) -> pl.DataFrame:
    """Every value as a person would read it in the file; empty stays empty."""

    def text(name: str, type_: pl.DataType) -> pl.Expr:
        column = pl.col(name)
        if type_ == pl.Date:
            return column.dt.strftime(style.date)
        if isinstance(type_, pl.Datetime):
            return column.dt.strftime(style.timestamp)
        if type_ == pl.Boolean:
            return pl.when(column).then(pl.lit(style.true)).when(~column).then(pl.lit(style.false)).alias(name)
        if type_.is_float():
            return column.cast(pl.String).str.strip_suffix(".0").str.replace(".", style.decimal, literal=True)
        return column.cast(pl.String)

    return frame.select(text(name, type_) for name, type_ in frame.schema.items())


def mapping() -> dict[str, Any]:
    """The shipped mapping, read as the exports' own description: what is mapped in must first have been written out."""
    return tomllib.loads(files("demo_data").joinpath("frontdesk.toml").read_text(encoding="utf-8"))


def words(kind: str, text: pl.DataFrame) -> pl.DataFrame:
    """Our words and tooth numbers -> the other system's, by its mapping turned round; columns keep our names."""
    table = mapping().get(kind)
    if table is None:
        return text
    for name, entry in table["columns"].items():
        if isinstance(entry, dict) and "values" in entry:
            text = text.with_columns(pl.col(name).replace({meaning: word for word, meaning in entry["values"].items()}))
        if isinstance(entry, dict) and entry.get("notation") == "universal":
            text = text.with_columns(pl.Series(name, truth.to_universal(text[name].cast(pl.Int64).to_numpy())))
    return text


EXTRA = {"treatments": ("Name, Vorname", "Telefon"), "visits": ("Bemerkung",)}


def with_identities(seed: int, kind: str, text: pl.DataFrame) -> pl.DataFrame:
    """Add what such exports carry and nobody needs here: names, telephone numbers, remarks. All plainly invented."""
    if kind == "treatments":
        number = pl.col("patient_id").str.slice(-4)
        given = ("Anna", "Bernd", "Çelik", "Dörte", "Émile", "Frauke", "Götz")
        name = (number.cast(pl.Int64) % len(given)).replace_strict(dict(enumerate(given)), return_dtype=pl.String)
        return text.with_columns(
            pl.format("Muster, {} {}", name, number).alias("Name, Vorname"),
            pl.format("0000 / {}", number).alias("Telefon"),
        )
    if kind == "visits":
        remarks = (
            None,
            "bitte anrufen",
            "kommt später",
            'wünscht "ruhige" Uhrzeit',
            "Überweisung liegt vor; Bild folgt",
        )
        drawn = Dice(seed, "remarks").word(text.height, remarks, (0.9, 0.04, 0.03, 0.01, 0.02))
        return text.with_columns(pl.Series("Bemerkung", drawn.tolist(), dtype=pl.String))
    return text


def headers(kind: str, text: pl.DataFrame) -> pl.DataFrame:
    """Our column names -> the other system's, in our order, with what it carries besides."""
    columns = mapping()[kind]["columns"]
    source = {name: entry if isinstance(entry, str) else entry["from"] for name, entry in columns.items()}
    return text.select(*(pl.col(name).alias(source[name]) for name in COLUMNS[kind]), *EXTRA.get(kind, ()))


def write_text(
    path: Path,
    rows: pl.DataFrame,
    ragged: pl.Series,
    *,
    separator: str = ",",
    encoding: str = "utf-8",
    newline: str = "\n",
) -> None:
    """A delimited file; a `ragged` row breaks off in the middle ("short") or has a cell too many ("long")."""
    lines = rows.write_csv(separator=separator, quote_style="necessary").splitlines()
    for place in np.flatnonzero(ragged.is_not_null().to_numpy()):  # a handful of rows
        line = lines[place + 1]
        if ragged[int(place)] == "short":
            lines[place + 1] = separator.join(line.split(separator)[: rows.width // 2])
        else:
            lines[place + 1] = line + separator + "bitte prüfen"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes((newline.join(lines) + newline).encode(encoding))


def write_workbook(path: Path, rows: pl.DataFrame) -> None:
    """The recall list as a person keeps it: real dates, numbers, check boxes as TRUE and FALSE, words for yes and no.

    `rows` are text under the sheet's headers. A date that is none stays as the text that somebody typed.
    """
    import xlsxwriter

    table = mapping()["follow_ups"]["columns"]
    header = {name: entry if isinstance(entry, str) else entry["from"] for name, entry in table.items()}
    path.parent.mkdir(parents=True, exist_ok=True)
    with xlsxwriter.Workbook(str(path)) as book:
        book.set_properties(
            {"title": "Recall list of an invented practice", "created": datetime(2026, 6, 30, tzinfo=UTC)}
        )
        sheet = book.add_worksheet(SHEET)
        bold, day = book.add_format({"bold": True}), book.add_format({"num_format": "dd.mm.yyyy"})
        sheet.freeze_panes(1, 0)
        sheet.set_column(0, rows.width - 1, 14)
        sheet.write_row(0, 0, rows.columns, bold)
        for place, name in enumerate(rows.columns):
            column = rows[name]
            if name in [header[date] for date in WORKBOOK_DATES]:
                serial = column.str.to_date("%Y-%m-%d", strict=False).cast(pl.Int64) + 25_569  # days since 30.12.1899
                cells = np.where(
                    serial.is_not_null().to_numpy(), serial.fill_null(0).to_numpy().astype(object), column.to_numpy()
                )
                sheet.write_column(1, place, cells.tolist(), day)
            elif name == header["pai"]:
                sheet.write_column(1, place, column.cast(pl.Int64).to_list())
            elif name == header["tooth_present"]:
                sheet.write_column(
                    1,
                    place,
                    column.replace_strict({"yes": True, "no": False}, default=None, return_dtype=pl.Boolean).to_list(),
                )
            else:
                sheet.write_column(1, place, column.to_list())
