"""The index: one page that leads to the others, reader by reader, with what each tells first."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

from pipeline.output.text import plain
from reports import every_page
from reports.attention import NOTHING
from reports.blocks import Block, Items, Page, Sentence, prose
from reports.every_page import Context
from reports.reader import Standing, reader_of, readers
from reports.words import counted, day

STEM = "index"


def page(context: Context, as_of: date, quality: Block, made: Sequence[Page], out: Path) -> Page:
    """The index of the pages made now and of those that stand in the folder from before."""
    blocks = []
    standing = _standing(made, out)
    for name, reader in readers().items():
        items = [_told(s, own=reader.own) for s in standing if s.reader == name]
        if items:
            blocks.append(Block(name, reader.title, (prose(reader.lead), Items(tuple(items)))))
    return Page(
        stem=STEM,
        title="Root canal treatment: quality review",
        lead="A page for each reader, made from the practice's own records.",
        facts=(
            ("Practice", context.practice),
            ("Period", every_page.reach_words(context.first, as_of)),
            ("Data up to", day(as_of)),
            ("Report made on", day(context.today)),
            *every_page.settings_fact(context),
        ),
        blocks=(*blocks, quality, every_page.cautions()),
    )


def linked(made: Sequence[Page], out: Path) -> list[Page]:
    """The pages with links to others, as their readers have it: only to pages made now or standing in the folder."""
    standing = _standing(made, out)
    mine = ((each, reader_of(each.stem)) for each in made)
    return [readers()[name].linked(each, standing) if name and each.stem != STEM else each for each, name in mine]


def _standing(made: Sequence[Page], out: Path) -> list[Standing]:
    """All pages but the index, by reader and name."""
    now = {p.stem for p in made}
    found = [
        Standing(reader_of(p.stem), p.stem, p.title, p.attention[0] if p.attention else Sentence(""), _points(p))
        for p in made
        if p.stem != STEM
    ]
    found += [_before(path) for path in out.glob("*.html") if path.stem not in now and path.stem != STEM]
    by_name = sorted(found, key=lambda s: s.stem)
    latest = [s for s in reversed(by_name) if s.reader and readers()[s.reader].newest_first]
    return [*latest, *(s for s in by_name if s not in latest)]


def _points(page: Page) -> int:
    return 0 if page.attention == (NOTHING,) else len(page.attention)


def _told(standing: Standing, *, own: bool) -> Sentence:
    """A line of the index: the page, how much needs attention there, and the first of it.

    What one person's own page says is left to that page: the index is read by all, and would set people side by side.
    """
    if standing.points is None:
        said = "made earlier"
    elif standing.points == 0:
        said = "nothing needs attention"
    else:
        said = f"{counted(standing.points, 'point')} {'needs' if standing.points == 1 else 'need'} attention"
    data: Mapping[str, str] = {}
    if standing.points != 0 and standing.first.text and not own:
        said += f"; first: {standing.first.whole}"
        data = standing.first.data
    return Sentence(f"{said.rstrip('.')}.", f"{standing.stem}.html", data, standing.title)


def _before(path: Path) -> Standing:
    """A page rendered before: its title and its first sentence, from its head."""
    with path.open(encoding="utf-8", errors="replace") as f:
        head = f.read(8000)
    title = re.search(r"<title>(.*?)</title>", head, re.DOTALL)
    first = re.search(r'<meta name="description" content="(.*?)">', head, re.DOTALL)
    said = plain(html.unescape(first[1])) if first else ""
    named = plain(html.unescape(title[1])) if title else path.stem
    return Standing(reader_of(path.stem), path.stem, named, Sentence(said))
