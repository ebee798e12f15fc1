"""The settings that a store was given, with the day: they belong to it, wherever a command is called from."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.settings import Settings

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

MOST_TOLD = 3  # entries of which a line says that they differ


@dataclass(frozen=True)
class Used:
    """The settings of one answer: `origin` says where they are from, `remark` what a user should know of that.

    `remark` is empty where there is nothing to say.
    """

    settings: Settings
    origin: str
    remark: str = ""


def keep(connection: Connection, settings: Settings) -> None:
    """Keep settings as the ones that the store was last given; those before stay, with their time."""
    last = _kept(connection)
    if last is None or last[0] != settings:
        now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
        connection.execute("insert into settings_given values (?, ?)", [now, settings.model_dump_json()])


def used(
    connection: Connection, given: Settings | None, file: str = "", known_until: dt.datetime | None = None
) -> Used:
    """The settings to answer with: those `given` (from the file), else the store's own, else the defaults.

    `known_until` (UTC) asks for those that the store had by then, the first where it had none.
    """
    kept = _kept(connection, known_until)
    if given is not None:
        origin = file or "settings given"
        whose = f"Settings of {file}" if file else "The settings given"
        differs = _differences(given, kept[0]) if kept else []
        if not differs or kept is None:
            return Used(given, origin)
        named = ", ".join(differs[:MOST_TOLD]) + (f" and {len(differs) - MOST_TOLD} more" * (len(differs) > MOST_TOLD))
        return Used(given, origin, f"{whose} differ from what the store was given on {_day(*kept)}: {named}.")
    if kept is not None:
        return Used(kept[0], f"the store's own, given on {_day(*kept)}")
    return Used(
        Settings(),
        "defaults",
        "The store was given no settings, so defaults are used (`canalwise init` writes a file to begin with).",
    )


def _kept(connection: Connection, until: dt.datetime | None = None) -> tuple[Settings, dt.datetime] | None:
    """The settings that the store was last given by a moment and when; of those after it the first, if none before."""
    given = connection.execute("select settings, given_at from settings_given order by given_at").fetchall()
    if until and until.tzinfo:
        until = until.astimezone(dt.UTC).replace(tzinfo=None)
    by_then = [one for one in given if until is None or one[1] <= until]
    if not given:
        return None
    text, at = by_then[-1] if by_then else given[0]
    return Settings.model_validate_json(text), at


def _day(settings: Settings, given_at: dt.datetime) -> dt.date:
    from zoneinfo import ZoneInfo

    return given_at.replace(tzinfo=dt.UTC).astimezone(ZoneInfo(settings.time_zone)).date()


def _differences(given: Settings, kept: Settings) -> list[str]:
    """The entries in which settings differ: `sterilisation_cost (4.2, the store: 0.0)`; of tables only their names."""
    one, other = _entries(given.model_dump(mode="json")), _entries(kept.model_dump(mode="json"))
    return [
        name if isinstance(one[name], list) else f"{name} ({one[name]}, the store: {other[name]})"
        for name in one
        if one[name] != other[name]
    ]


def _entries(settings: dict[str, Any], before: str = "") -> dict[str, Any]:
    entries: dict[str, Any] = {}
    for name, value in settings.items():
        entries |= _entries(value, f"{before}{name}.") if isinstance(value, dict) else {before + name: value}
    return entries
