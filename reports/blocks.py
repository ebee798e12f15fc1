"""What a page is made of: blocks of paragraphs, figures, tables and lists. Plain data; templates only lay it out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

PICKS = ("sequence", "tooth_type")  # what a reader can pick for all charts of a page


@dataclass(frozen=True)
class Sentence:
    """One sentence; `href` is the id of the block that shows more, `data` says which figure it states.

    `lead` is what the sentence is about, set off before it.
    """

    text: str
    href: str = ""
    data: Mapping[str, str] = field(default_factory=dict)
    lead: str = ""

    @property
    def whole(self) -> str:
        return f"{self.lead}: {self.text}" if self.lead else self.text


@dataclass(frozen=True)
class Prose:
    """A paragraph of sentences; `note` ones are small print."""

    sentences: tuple[Sentence, ...]
    note: bool = False


@dataclass(frozen=True)
class Line:
    """One row of a table: its cells as text, and the figure it shows as data attributes.

    Where the cells show figures of different measures, each is a sentence with attributes of its own.
    """

    cells: tuple[str | Sentence, ...]
    data: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Table:
    """A table with a caption; `numeric` says which columns align right. `records` are stacked on a phone."""

    id: str
    caption: str
    heads: tuple[str, ...]
    lines: tuple[Line, ...]
    numeric: frozenset[int] = frozenset()
    data: Mapping[str, str] = field(default_factory=dict)
    records: bool = False
    folded: bool = False
    summary: str = ""  # what a folded table is called
    note: str = ""
    in_sight: str = ""  # what a screen says of lines that fold away below
    file: File | None = None
    printed: int | None = None  # how many of its lines paper has: the first ones, or all
    unprinted: str = ""  # what paper says of the others


@dataclass(frozen=True)
class File:
    """The figures of a chart or table as they are, for files beside the page: one of CSV, a sheet of the workbook."""

    name: str
    columns: tuple[str, ...]
    rows: Sequence[Mapping[str, Any]]


@dataclass(frozen=True)
class Figure:
    """A chart for a wide and for a narrow page, as Vega-Lite specifications (reports.charts.theme.both).

    `alt` states its message with its figures.
    """

    id: str
    title: str
    alt: str
    wide: str
    narrow: str
    caption: str = ""
    data: Mapping[str, str] = field(default_factory=dict)

    @property
    def picks(self) -> tuple[str, ...]:
        """What a reader can pick in it: the names of the fields."""
        return tuple(field for field in PICKS if f'"pick_{field}"' in self.wide)


@dataclass(frozen=True)
class Items:
    """A list of sentences, or of terms with what they mean."""

    sentences: tuple[Sentence, ...] = ()
    terms: tuple[tuple[str, tuple[str, ...]], ...] = ()
    ordered: bool = False
    heading: str = ""
    folded: str = ""  # a summary: the list opens on demand


Part = Prose | Table | Figure | Items


@dataclass(frozen=True)
class Block:
    """A section of a page."""

    id: str
    heading: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Page:
    """A whole page, ready to be laid out."""

    stem: str  # file name without .html
    title: str
    lead: str
    facts: tuple[tuple[str, str], ...]  # practice, report date, data date, period
    blocks: tuple[Block, ...]
    attention: tuple[Sentence, ...] = ()
    links: tuple[Sentence, ...] = ()  # to other pages, beside the one to the index

    @property
    def figures(self) -> list[Figure]:
        """The charts of the page."""
        return [part for block in self.blocks for part in block.parts if isinstance(part, Figure)]

    @property
    def filed(self) -> list[tuple[Table, File]]:
        """The tables whose figures belong in files beside the page, with those files."""
        parts = (part for block in self.blocks for part in block.parts)
        return [(part, part.file) for part in parts if isinstance(part, Table) and part.file]


def prose(*texts: str | Sentence, note: bool = False) -> Prose:
    """A paragraph of texts or sentences; empty ones fall away."""
    kept = (Sentence(t) if isinstance(t, str) else t for t in texts if t)
    return Prose(tuple(kept), note)
