"""The parts of the guide's pages that follow from the program: python -m pipeline.guide.generated writes them anew.

A page says between which lines such a part stands and what makes it, `<!-- MAKER OF -->` and `<!-- end -->`; all else
of a page is written by hand. A test holds each page to what its makers make. Only contributors run this module: what it
tells of (the command line, mappings) is imported where it is needed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from importlib.resources import as_file, files
from textwrap import fill
from typing import Any

from pipeline.guide import tables, topics

_PART = re.compile(r"^<!-- (\w+)(?: (\S+))? -->\n.*?^<!-- end -->$", re.M | re.S)


def filled(text: str) -> str:
    """A page with all its generated parts made anew. KeyError for a maker that there is not."""
    return _PART.sub(lambda part: f"<!-- {_head(part)} -->\n\n{_made(part)}\n\n<!-- end -->", text)


def _head(part: re.Match[str]) -> str:
    return " ".join(filter(None, part.groups()))


def _made(part: re.Match[str]) -> str:
    maker, of = part.groups()
    return MAKERS[maker](*filter(None, (of,))).strip("\n")


def _markdown(columns: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    return tables.markdown(tables.Table("", "", "", "", list(columns), [list(row) for row in rows]))


def table(name: str) -> str:
    """A table of validation, with its title, and of what it was made on which day; `practices` where they differ."""
    found = tables.read(name)
    if "practices" in found.columns:
        place = found.columns.index("practices")
        if {f"{row[place]} practices" for row in found.rows} == {found.drawn.partition(" a ")[0]}:
            found = replace(
                found, columns=_without(found.columns, place), rows=[_without(r, place) for r in found.rows]
            )
    return f"**{found.title}**\n\n{tables.markdown(found)}\n\nMade on {found.made_on} of {found.drawn} ({found.seeds})."


def _without(cells: list[str], place: int) -> list[str]:
    return cells[:place] + cells[place + 1 :]


def outside() -> str:
    """Which figures hold the truth less often than they should, and which more often."""
    every = [one for name in tables.names() for one in tables.covered(name)]
    wanted = [one for one in every if one.should_be == tables.WANTED]
    least = [one for one in every if one.should_be == tables.AT_LEAST]
    short = sorted((one for one in wanted + least if one.per_cent < tables.LEAST), key=lambda one: one.per_cent)
    above = [one for one in wanted if one.per_cent > tables.MOST]
    below = sum(one.per_cent < tables.LEAST for one in wanted)
    said = (
        f"Of {len(wanted)} lines below that should lie between 93 and 97 %, {len(wanted) - len(above) - below} do, "
        f"{len(above)} lie above and {below} below; of {len(least)} that should hold 93 % or more, "
        f"{sum(one.per_cent >= tables.LEAST for one in least)} do."
    )
    cautious = []
    for title in dict.fromkeys(one.table for one in above):
        held = [one.per_cent for one in above if one.table == title]
        of = sum(one.table == title for one in wanted)
        cautious.append((title, f"{len(held)} of {of}", f"{max(held):.1f} %"))
    return "\n\n".join(
        [
            fill(said, 120),
            "**Short of 93 %**",
            _markdown(("covered", "figure", "in the table"), ((one.told, one.figure, one.table) for one in short)),
            "**Above 97 %, though nothing in their making asks for it**",
            _markdown(("in the table", "lines", "up to"), cautious),
        ]
    )


SHARED = ("--store", "--settings", "--json", "--quiet", "--wide", "--help")


def _commands() -> Iterator[tuple[str, Any]]:
    """Every command with its full name, those below another after it, in the order of --help."""
    import typer

    from pipeline.cli import app

    def below(command: Any, name: str) -> Iterator[tuple[str, Any]]:
        if name:
            yield name, command
        for own, sub in getattr(command, "commands", {}).items():
            yield from below(sub, f"{name} {own}".strip())

    return below(typer.main.get_command(app), "")


def commands() -> str:
    """A list of the commands, then each with what it takes."""
    every = list(_commands())
    parts = [_markdown(("command", "does"), ((f"`{name}`", _first(command)) for name, command in every))]
    for name, command in every:
        takes = [
            (f"`{_as_typed(p)}`", _sentence(p))
            for p in command.params
            if p.param_type_name == "argument" or p.opts[0] not in SHARED
        ]
        parts.append(f"## canalwise {name}\n\n{_whole(command)}")
        if takes:
            parts.append(_markdown(("takes", "which is"), takes))
        also = [p.opts[0] for p in command.params if p.param_type_name == "option" and p.opts[0] in SHARED[:5]]
        parts.append(f"Also {', '.join(f'`{flag}`' for flag in also)}.")
    return "\n\n".join(parts)


def options() -> str:
    """The options that several commands share."""
    found = {p.opts[0]: p for _, command in _commands() for p in command.params if p.opts[0] in SHARED}
    return _markdown(
        ("option", "does"), ((f"`{_as_typed(found[f])}`", _sentence(found[f])) for f in SHARED if f in found)
    )


def _whole(command: Any) -> str:
    return "\n\n".join(fill(part, 120, break_on_hyphens=False) for part in (command.help or "").split("\n\n"))


def _first(command: Any) -> str:
    return str(command.help or "").partition("\n\n")[0]


def _as_typed(parameter: Any) -> str:
    metavar = parameter.metavar or parameter.name.upper()
    if parameter.param_type_name == "argument":
        typed = f"{metavar}..." if parameter.nargs == -1 else str(metavar)
        return typed if parameter.required else f"[{typed}]"
    names = ", ".join(parameter.opts)
    return names if parameter.is_flag else f"{names} {metavar}"


def _sentence(parameter: Any) -> str:
    default = "" if parameter.default in (None, False, ()) or callable(parameter.default) else parameter.default
    environment = f" Else ${parameter.envvar}." if getattr(parameter, "envvar", None) else ""
    return f"{parameter.help or ''}{environment}{f' Default: {default}.' if default else ''}".strip()


def units() -> str:
    """The units that a mapping file may name, by what they measure."""
    from pipeline.mapping.units import FACTORS, units

    return _markdown(("columns in", "units"), ((of, ", ".join(units(of))) for of in FACTORS))


def settings() -> str:
    """The file that `canalwise init` writes."""
    text = (files("pipeline") / "canalwise.toml").read_text(encoding="utf-8")
    return f"```toml\n{text.strip()}\n```"


MAKERS: dict[str, Callable[..., str]] = {
    maker.__name__: maker for maker in (table, outside, commands, options, units, settings)
}


def main() -> None:
    """Write every page of the guide anew."""
    for topic in topics():
        with as_file(files("pipeline.guide") / f"{topic}.md") as path:
            path.write_text(filled(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
