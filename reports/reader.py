"""What a page says of itself, so that rendering, the index and `canalwise report NAME` know it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib import import_module
from typing import Any

from reports.blocks import Page, Sentence
from reports.every_page import Context
from reports.pages import names
from reports.source import Source


@dataclass(frozen=True)
class Asked:
    """What a rendering was asked for, and what there is to make pages from.

    `connection` is the open store, None where `source` has none of its own. `months` are those with records, as
    2026-03. `month` and `dentist` are as the user named them. `alone`: only this reader's pages are asked for, so that
    nothing to show is a UserError.
    """

    connection: Any
    context: Context
    source: Source
    months: frozenset[str]
    month: str | None
    dentist: str | None
    alone: bool


@dataclass(frozen=True)
class Planned:
    """A page that can be made: its file name without .html, what it is called meanwhile, and how it is made.

    `as_of` is the last day that it looks at, by default that of the newest record; `make` gets a source of that day.
    """

    stem: str
    words: str
    make: Callable[[Source], Page]
    as_of: date | None = None


@dataclass(frozen=True)
class Standing:
    """A page of the folder: whose it is (None: no reader's), its file name without .html, title and first sentence.

    `points` is how many sentences need attention; None for a page of an earlier rendering, which is not counted again.
    """

    reader: str | None
    stem: str
    title: str
    first: Sentence
    points: int | None = None

    @property
    def link(self) -> Sentence:
        return Sentence(self.title, f"{self.stem}.html")


def _as_it_is(page: Page, standing: Sequence[Standing]) -> Page:
    return page


@dataclass(frozen=True)
class Reader:
    """Who a page is for. Its pages' file names are the module's name, or begin with it and a hyphen.

    `place` orders the readers, `title` and `lead` head their pages on the index, the last by name first where
    `newest_first`. `linked` gives a page its links to others, of which only those that stand in the folder.
    `own`: a page is about one person; the index, which all read, says how much there is to see to and not what.
    """

    place: int
    title: str
    lead: str
    plan: Callable[[Asked], Sequence[Planned]]
    linked: Callable[[Page, Sequence[Standing]], Page] = _as_it_is
    newest_first: bool = False
    own: bool = False


@cache
def readers() -> Mapping[str, Reader]:
    """Every reader by name, in the order of their places."""
    found = {name: import_module(f"reports.pages.{name}").READER for name in names()}
    return dict(sorted(found.items(), key=lambda item: (item[1].place, item[0])))


def reader_of(stem: str) -> str | None:
    """The reader whose page has this file name; the longest name, where one begins with another."""
    mine = [name for name in readers() if stem == name or stem.startswith(f"{name}-")]
    return max(mine, key=len, default=None)
