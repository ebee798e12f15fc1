"""The index: one page that leads to the others, with what needs attention on each."""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from reports.attention import NOTHING
from reports.blocks import Block, Items, Page, Sentence, prose
from reports.pages import common
from reports.pages.common import Context
from reports.words import counted, day, plain

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


def page(context: Context, as_of: date, quality: Block, made: Sequence[Page], out: Path) -> Page:
    """The index of the pages made now and of those that stand in the folder from before."""
    now = {p.stem: p for p in made}
    earlier = {path.stem: path for path in out.glob("*.html") if path.stem not in now and path.stem != "index"}
    blocks = []
    for kind, heading, lead in _KINDS:
        items = [_made(p) for stem, p in now.items() if stem.startswith(kind)]
        items += [
            Sentence(f"{_title(path)} (made earlier)", f"{path.name}")
            for stem, path in sorted(earlier.items(), reverse=True)
            if stem.startswith(kind)
        ]
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


def _made(page: Page) -> Sentence:
    points = 0 if page.attention == (NOTHING,) else len(page.attention)
    told = (
        f"{counted(points, 'point')} {'needs' if points == 1 else 'need'} attention"
        if points
        else "nothing needs attention"
    )
    return Sentence(f"{page.title}: {told}", f"{page.stem}.html")


def _title(path: Path) -> str:
    """The title of a page rendered before."""
    with path.open(encoding="utf-8", errors="replace") as f:
        found = re.search(r"<title>(.*?)</title>", f.read(4000), re.DOTALL)
    return plain(html.unescape(found[1])) if found else path.stem
