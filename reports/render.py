"""Renders the pages: a folder that opens from disk, for three readers and an index.

    out/index.html, monthly-YYYY-MM.html, incidents.html, outcomes-<dentist>.html
    out/<page>.xlsx                   the figures of a page in one workbook
    out/<page>.pdf                    a page for paper, where asked for
    out/figures/<page>/<block>.csv    the figures of each chart and table
    out/assets/canalwise-<version>.js  the one script of all pages, which are whole without it

Nothing is computed here: measures answer, pages lay out.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import date, datetime
from functools import cache
from importlib import import_module, metadata, resources
from pathlib import Path
from threading import Thread
from typing import Any
from zoneinfo import ZoneInfo

from markupsafe import Markup

from pipeline.errors import UserError
from pipeline.output import private
from pipeline.output.text import plain
from reports import files, paper
from reports.blocks import PICKS, Page
from reports.charts import theme
from reports.charts.pictures import Pictures
from reports.pages import common, incidents, index, monthly, outcomes
from reports.pages.common import Context
from reports.pages.monthly import Month
from reports.source import Source
from reports.words import Words, capital, day, group_title, series
from reports.words import month as month_words
from reports.workbook import workbook

WHICH = ("all", "monthly", "incidents", "outcomes")


def render(
    connection: Any,
    settings: Any,
    out: Path,
    which: str = "all",
    month: str | None = None,
    dentist: str | None = None,
    progress: Callable[[str], None] | None = None,
    pdf: str | None = None,
    part: Callable[[float, float], None] = lambda done, whole: None,
) -> list[Path]:
    """Render pages from an open store into the folder `out`; the paths of the pages written, the index first.

    `which` is all, monthly, incidents or outcomes. `month` is YYYY-MM, by default the last complete month with visits.
    `dentist` limits the outcome pages to one dentist, by default every dentist gets one. `progress` is told in a few
    words what is being done, `part` how many steps of how many are through (a page computed, or drawn). `pdf` is a
    paper, a4 or letter: each page but the index is also made as PDF, and the paths of the PDFs come after the pages'.
    UserError for a month without data, a dentist who has none, or a missing library.
    """
    if which not in WHICH:
        raise UserError(f"no report is called {plain(which)}", do=f"Choose {series(WHICH, 'or')}")
    wanted = None if month is None else _month(month)
    if pdf is not None:
        paper.check(pdf)
    tell = progress or (lambda text: None)
    out = Path(out)

    with Pictures(theme.base()) as pictures, theme.heard(pictures.want):
        tell("Reading the records")
        Thread(target=_load_ahead).start()
        workspace, catalogue = open_workspace(connection, settings, None), _catalogue()
        source = Source(workspace, catalogue)
        for line in _unheard(workspace) if getattr(settings, "answers", ()) else []:
            tell(line)
        months = _months_with_data(source)
        today = datetime.now(ZoneInfo(settings.time_zone)).date()
        first = date.fromisoformat(f"{min(months)}-01") if months else None
        context = Context(settings, Words.of(settings), today, first, source.as_of)

        chosen = _choose(wanted, months, source.as_of) if which in {"all", "monthly"} else None
        if which == "monthly" and chosen is None:
            raise UserError("the store holds no month to report on", do="Import visits or treatments first")
        known = _dentists(source, connection) if which in {"all", "outcomes"} else set()
        if which == "outcomes" and not known:
            raise UserError("the store knows no dentist to report on", do="Import treatments first")
        if dentist is not None and which in {"all", "outcomes"} and dentist not in known:
            raise UserError(f"no records of dentist {plain(dentist)}", do=_known_dentists(known))

        private.folder(out)
        script = _script(pictures, out)
        pages: list[Page] = []
        stems = {name: stem for name, stem in files.stems(known).items() if dentist in {None, name}}
        many = len(stems) + (which in {"all", "incidents"}) + bool(chosen)
        steps = many + (many + 1) + (many if pdf is not None else 0)
        if which in {"all", "incidents"}:
            tell("Incident audit")
            pages.append(incidents.page(context, source.other_page()))
        for name, stem in stems.items():
            part(len(pages), steps)
            tell(f"Own outcomes, dentist {plain(name)}")
            pages.append(outcomes.page(context, source.other_page(), name, stem))
        as_of, quality = source.as_of, common.quality(context, source.other_page())
        if chosen:
            part(len(pages), steps)
            # The last to be made: a new workspace on a connection takes the place of the one before.
            tell(f"Monthly review, {chosen.words}")
            at = min(chosen.last, as_of)
            if at != as_of:
                source = Source(open_workspace(connection, settings, at), catalogue)
            pages.insert(0, monthly.page(context, source.other_page(), chosen))
        start = index.page(context, as_of, quality, pages, out)
        pages = index.linked([*pages, start], out)

        tell("Drawing the charts")
        picks = _picks(context.words)
        if not (out / script).exists():
            private.write(private.folder(out / "assets") / Path(script).name, pictures.script())
        reports = [page for page in pages if page is not start]
        for page in reports:
            private.write(out / f"{page.stem}.xlsx", workbook(page, today))
            (out / f"{page.stem}.pdf").unlink(missing_ok=True)  # of an earlier rendering, with other figures
        for number, page in enumerate(pages):
            part(many + number, steps)
            files.write_files(page, out)
            private.write(out / f"{page.stem}.html", html(page, pictures, script, picks, pdf=pdf is not None))
        printed = [out / f"{page.stem}.pdf" for page in reports if pdf is not None]
        if pdf is not None:
            part(2 * many + 1, steps)
            tell("Making PDFs")
            on_paper = [html_for_paper(page, pictures) for page in reports]
            for path, content in zip(printed, paper.pdfs(on_paper, pdf), strict=True):
                private.write(path, content)
    return [*(out / f"{page.stem}.html" for page in (start, *reports)), *printed]


def html(page: Page, pictures: Pictures, script: str, picks: Mapping[str, Any], *, pdf: bool = False) -> str:
    """A page as one file of HTML; `script` is the address of the pages' script, `picks` what a reader can pick.

    `pdf` says whether there is a PDF to link to.
    """
    return _laid_out(page, picture=pictures.of, script=script, picks=picks, pdf=pdf, paper=False)


def html_for_paper(page: Page, pictures: Pictures) -> str:
    """A page as HTML for reports.paper: pictures with their message in words, no scripts, no links out of it."""
    return _laid_out(page, picture=pictures.of, script="", picks={}, pdf=False, paper=True)


def _laid_out(page: Page, **more: Any) -> str:
    style = _asset("page.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return str(_template().render(page=page, style=style, style_digest=digest, chart_config=theme.base(), **more))


def _script(pictures: Pictures, out: Path) -> str:
    """The address of the pages' script beside them; it is made if a folder does not have this version yet."""
    page = _asset("page.js")
    version = hashlib.sha256(f"{metadata.version('vl-convert-python')}\n{page}".encode()).hexdigest()[:12]
    address = f"assets/canalwise-{version}.js"
    if not (out / address).exists():
        pictures.want_script(page)
    return address


def _picks(words: Words) -> dict[str, Any]:
    """What a reader can pick for all charts of a page: the groups with their titles."""
    return {by: {"title": capital(group_title(by)), "values": words.titles(by)} for by in PICKS}


def _load_ahead() -> None:
    """Load what pages are computed, drawn and written with, while DuckDB makes the first facts outside Python."""
    for name in ("scipy.special", "altair", "jinja2", "xlsxwriter"):
        with suppress(Exception):  # said where it is used
            import_module(name)


# ---- what there is to report on ---------------------------------------------------------------------------------


def _unheard(workspace: Any) -> list[str]:
    unheard: list[str] = import_module("pipeline.measures.answers").unheard(workspace)
    return unheard


def open_workspace(connection: Any, settings: Any, as_of: date | None) -> Any:
    """The measures' view of the store as of a day."""
    from pipeline.measures.run import Workspace

    return Workspace(connection, settings, as_of=as_of)


def _catalogue() -> Mapping[str, Any]:
    from pipeline.measures.catalogue import catalogue

    return catalogue()


_EVERYWHERE = ("chair_minutes_per_visit", "visits_per_tooth", "separations_per_100_canals", "recall_share")


def _groups(source: Source, by: str) -> set[str]:
    """All values of a group that some basic measure has rows for."""
    found: set[str] = set()
    for name in _EVERYWHERE:
        found |= {row[by] for row in source.ask(name, by=(by,)).rows if row.get(by) is not None}
    return found


def _months_with_data(source: Source) -> set[str]:
    return {m for m in _groups(source, "month") if re.fullmatch(r"\d{4}-\d{2}", m)}


def _dentists(source: Source, connection: Any) -> set[str]:
    """Every dentist on record: no measure knows them all, as each leaves out what it cannot count yet."""
    if connection is None:  # a workspace without a store of its own
        return _groups(source, "dentist")
    found = connection.execute("select dentist from treatments union select dentist from visits").fetchall()
    return {dentist for (dentist,) in found if dentist is not None}


def _month(text: str) -> Month:
    found = re.fullmatch(r"(\d{4})-(\d{2})", text.strip())
    if not found or not 1 <= int(found[2]) <= 12 or int(found[1]) < 1:
        raise UserError(f"{plain(text)} is no month", do="Write it as 2026-10")
    return Month(date(int(found[1]), int(found[2]), 1))


def _choose(wanted: Month | None, months: set[str], as_of: date) -> Month | None:
    """The month asked for, else the last complete one with data, else the last one with data."""
    if wanted is not None:
        if wanted.name not in months:
            reach = (
                f"The records reach from {month_words(min(months))} to {month_words(max(months))}"
                if months
                else "Import records first"
            )
            raise UserError(f"no records of {wanted.words}", do=reach)
        return wanted
    named = [_month(m) for m in sorted(months)]
    complete = [m for m in named if m.last <= as_of] or named
    return complete[-1] if complete else None


def _known_dentists(known: set[str]) -> str:
    if not known:
        return "Import records first"
    listed = [plain(k) for k in sorted(known)]
    more = f" and {len(listed) - 20} more" if len(listed) > 20 else ""
    return f"The records know {', '.join(listed[:20])}{more}"


# ---- templates --------------------------------------------------------------------------------------------------


@cache
def _template() -> Any:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: _asset(name, "templates")),
        autoescape=True,  # always: select_autoescape would miss names that end in .j2
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["day"] = day
    environment.filters["as_data"] = _as_data
    environment.filters["titled"] = _titled
    environment.tests["unbroken"] = lambda text: any(len(word) > 30 for word in text.split())
    return environment.get_template("page.html.j2")


def _as_data(data: Any) -> Markup:
    """JSON that stands in a page as text: no sign in it can begin or end an element."""
    text = data if isinstance(data, str) else json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def _titled(picture: Markup, title: str) -> Markup:
    """A picture that says itself what it shows, for a PDF's reader; in a browser the title would pop up."""
    begin, sign, rest = picture.partition(">")
    return begin + sign + Markup("<title>{}</title>").format(title) + rest


@cache
def _asset(name: str, kind: str = "assets") -> str:
    return resources.files("reports").joinpath(kind, name).read_text(encoding="utf-8")
