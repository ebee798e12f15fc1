"""The index: one page that leads to the others, month by month and dentist by dentist, with what each tells first."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from pipeline.output.text import plain
from reports.attention import NOTHING
from reports.blocks import Block, Items, Page, Sentence, prose
from reports.pages import common
from reports.pages.common import Context
from reports.words import counted, day, month

_KINDS = (
    (
        "monthly",
        "Monthly review",
        "For the practice owner: is the month like the others, where does the time go, what does it cost?",
    ),
    (
        "incidents",
        "Incident audit",
        "For the clinical lead: what went wrong, how often, where, and what was different there?",
    ),
    ("outcomes", "Own outcomes", "For one dentist, about own cases: how do they do, and does the sequence matter?"),
)


@dataclass(frozen=True)
class Standing:
    """A page that stands in the folder: its file name without .html, its title, and the first it has to say.

    `points` is how many sentences need attention; None for a page of an earlier rendering, which is not counted again.
    """

    stem: str
    title: str
    first: Sentence
    points: int | None = None


def page(context: Context, as_of: date, quality: Block, made: Sequence[Page], out: Path) -> Page:
    """The index of the pages made now and of those that stand in the folder from before."""
    blocks = []
    standing = _standing(made, out)
    for kind, heading, lead in _KINDS:
        items = [_told(s) for s in standing if s.stem.startswith(kind)]
        if items:
            blocks.append(Block(kind, heading, (prose(lead), Items(tuple(items)))))
    return Page(
        stem="index",
        title="Root canal treatment: quality review",
        lead="Pages for three readers, made from the practice's own records.",
        facts=(
            ("Practice", context.practice),
            ("Period", common.reach_words(context.first, as_of)),
            ("Data up to", day(as_of)),
            ("Report made on", day(context.today)),
        ),
        blocks=(*blocks, quality, common.cautions()),
    )


def linked(made: Sequence[Page], out: Path) -> list[Page]:
    """The pages with links to their neighbours: only to pages made now or standing in the folder.

    A month leads to the months before and after it and to the audit, the audit to the newest month and to the dentists'
    pages. A dentist's page leads to no other dentist's.
    """
    stems = [s.stem for s in _standing(made, out)]
    months = sorted(s for s in stems if s.startswith("monthly"))
    audit = [Sentence("Incident audit", "incidents.html")] if "incidents" in stems else []
    out_pages = []
    for each in made:
        if each.stem == "index":
            out_pages.append(each)
            continue
        links: list[Sentence] = []
        if each.stem in months:
            each = _with(each, "incidents", audit)
            at = months.index(each.stem)
            beside = months[max(0, at - 1) : at] + months[at + 1 : at + 2]
            links = [*(_to_month(stem) for stem in beside), *audit]
        elif each.stem == "incidents":
            outcomes = [s for s in _standing(made, out) if s.stem.startswith("outcomes")]
            links = [
                *(_to_month(stem) for stem in months[-1:]),
                *(Sentence(s.title, f"{s.stem}.html") for s in outcomes),
            ]
        elif each.stem.startswith("outcomes"):
            links = audit
        out_pages.append(replace(each, links=tuple(links)))
    return out_pages


def _with(page: Page, block: str, links: Sequence[Sentence]) -> Page:
    """The page with links at the end of one of its blocks."""
    if not links:
        return page
    more = (Items(tuple(links)),)
    blocks = (replace(b, parts=(*b.parts, *more)) if b.id == block else b for b in page.blocks)
    return replace(page, blocks=tuple(blocks))


def _to_month(stem: str) -> Sentence:
    return Sentence(f"Monthly review, {month(stem.removeprefix('monthly-'))}", f"{stem}.html")


def _standing(made: Sequence[Page], out: Path) -> list[Standing]:
    """All pages but the index: months newest first, then the others by name."""
    now = {p.stem for p in made}
    found = [
        Standing(p.stem, p.title, p.attention[0] if p.attention else Sentence(""), _points(p))
        for p in made
        if p.stem != "index"
    ]
    found += [_before(path) for path in out.glob("*.html") if path.stem not in now and path.stem != "index"]
    by_name = sorted(found, key=lambda s: s.stem)
    return [*(s for s in reversed(by_name) if s.stem.startswith("monthly")), *(s for s in by_name if not _monthly(s))]


def _monthly(standing: Standing) -> bool:
    return standing.stem.startswith("monthly")


def _points(page: Page) -> int:
    return 0 if page.attention == (NOTHING,) else len(page.attention)


def _told(standing: Standing) -> Sentence:
    """A line of the index: the page, how much needs attention there, and the first of it.

    What a dentist's own page says is left to that page: the index is read by all, and would set people side by side.
    """
    if standing.points is None:
        said = "made earlier"
    elif standing.points == 0:
        said = "nothing needs attention"
    else:
        said = f"{counted(standing.points, 'point')} {'needs' if standing.points == 1 else 'need'} attention"
    data: Mapping[str, str] = {}
    if standing.points != 0 and standing.first.text and not standing.stem.startswith("outcomes"):
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
    return Standing(path.stem, plain(html.unescape(title[1])) if title else path.stem, Sentence(said))
