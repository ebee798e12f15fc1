"""Renders the pages: a folder that opens from disk, one for each reader and an index.

    out/index.html, monthly-YYYY-MM.html, incidents.html, outcomes-<dentist>.html (reports/pages/)
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

from pipeline.output import private
from reports import every_page, files, index, paper
from reports.blocks import PICKS, Block, Page
from reports.charts import drawn, theme
from reports.charts.pictures import Pictures
from reports.every_page import Context
from reports.kept_answers import KeptAnswers
from reports.pages import check
from reports.reader import Asked, readers
from reports.source import Source
from reports.words import Words, capital, day, group_title
from reports.workbook import workbook


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
    settings_from: str = "",
) -> list[Path]:
    """Render pages from an open store into the folder `out`; the paths of the pages written, the index first.

    `which` is a page of reports/pages/ by name, or all. `month` is YYYY-MM, by default the last complete month with
    visits. `dentist` limits the outcome pages to one dentist, by default every dentist gets one. `progress` is told in
    a few words what is being done, `part` how many steps of how many are through (a page computed, or drawn). `pdf` is
    a paper, a4 or letter: each page but the index is also made as PDF, and the paths of the PDFs come after the pages'.
    `settings_from` says in words where the settings are from. UserError for a month without data, a dentist who has
    none, or a missing library.
    """
    check(which)
    if pdf is not None:
        paper.check(pdf)
    tell = progress or (lambda text: None)
    out = Path(out)

    with Pictures(theme.base(), drawn.drawn(connection)) as pictures, theme.heard(pictures.want):
        tell("Reading the records")
        answers = KeptAnswers(connection, settings)
        Thread(target=_load_ahead, args=(*(() if answers.there else ("scipy.special",)), *_LIBRARIES)).start()
        workspace, catalogue = open_workspace(connection, settings, None), _catalogue()
        source = Source(workspace, catalogue, kept=answers)
        for line in _unheard(workspace) if getattr(settings, "answers", ()) else []:
            tell(line)
        months = frozenset(m for m in source.groups("month") if re.fullmatch(r"\d{4}-\d{2}", m))
        today = datetime.now(ZoneInfo(settings.time_zone)).date()
        first = date.fromisoformat(f"{min(months)}-01") if months else None
        context = Context(settings, Words.of(settings), today, first, source.as_of, settings_from)
        asked = Asked(connection, context, source, months, month, dentist, alone=which != "all")
        planned = [p for name, reader in readers().items() if which in {"all", name} for p in reader.plan(asked)]

        private.folder(out)
        script = _script(pictures, out)
        steps = len(planned) + (len(planned) + 1) + (len(planned) if pdf is not None else 0)
        made: dict[str, Page] = {}
        as_of = source.as_of
        quality: Block | None = None
        # A new workspace on a connection takes the place of the one before: pages of an earlier day come last.
        for one in sorted(planned, key=lambda p: p.as_of not in (None, as_of)):
            part(len(made), steps)
            tell(one.words)
            if one.as_of not in (None, source.as_of):
                quality = quality or every_page.quality(context, source.other_page())
                source = Source(open_workspace(connection, settings, one.as_of), catalogue, kept=answers)
            made[one.stem] = one.make(source.other_page())
        quality = quality or every_page.quality(context, source.other_page())
        answers.write()
        reports = [made[one.stem] for one in planned]
        start, *reports = index.linked([index.page(context, as_of, quality, reports, out), *reports], out)
        pages = [*reports, start]

        tell("Drawing the charts")
        picks = _picks(context.words)
        if not (out / script).exists():
            private.write(private.folder(out / "assets") / Path(script).name, pictures.script())
        for page in reports:
            private.write(out / f"{page.stem}.xlsx", workbook(page, today))
            (out / f"{page.stem}.pdf").unlink(missing_ok=True)  # of an earlier rendering, with other figures
        for number, page in enumerate(pages):
            part(len(planned) + number, steps)
            files.write_files(page, out)
            private.write(out / f"{page.stem}.html", html(page, pictures, script, picks, pdf=pdf is not None))
        drawn.keep(connection, pictures.made, pictures.used)
        printed = [out / f"{page.stem}.pdf" for page in reports if pdf is not None]
        if pdf is not None:
            part(len(planned) + len(pages), steps)
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


_LIBRARIES = ("altair", "jinja2", "xlsxwriter")


def _load_ahead(*names: str) -> None:
    """Load what pages are computed, drawn and written with, while DuckDB makes the first facts outside Python."""
    for name in names:
        with suppress(Exception):  # said where it is used
            import_module(name)


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
