"""Options that several commands have, and how their texts are read."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import UserError

StoreOption = Annotated[
    Path,
    typer.Option(
        "--store", metavar="FILE", envvar="CANALWISE_STORE", help="The store, a DuckDB file.", show_default=True
    ),
]
SettingsOption = Annotated[
    Path | None,
    typer.Option("--settings", metavar="FILE", help="The practice's settings. Default: ./canalwise.toml if it exists."),
]
STORE = Path("canalwise.duckdb")


def names(text: str | None) -> tuple[str, ...]:
    """a, b -> ("a", "b")"""
    return tuple(name.strip() for name in (text or "").split(",") if name.strip())


def only(wanted: list[str] | None) -> dict[str, str]:
    """--where GROUP=VALUE, as often as it was given."""
    found: dict[str, str] = {}
    for text in wanted or []:
        group, equals, value = text.partition("=")
        if not (group and equals and value):
            raise UserError(f"--where {text} is not GROUP=VALUE", do="Write it as dentist=D1")
        if group in found:
            raise UserError(f"--where names {group} twice", do="Give each group one value")
        found[group] = value
    return found


def day(text: str | None, option: str) -> dt.date | None:
    """The date that an option holds."""
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise UserError(f"{option} {text} is not a date", do="Write it as 2026-03-31") from None
