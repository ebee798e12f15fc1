"""A page as a PDF, for paper and for the practice's own files.

It is laid out by WeasyPrint from the page's own HTML, as rendered for paper (no scripts, charts as pictures), and its
style sheet's rules for print. Nothing is fetched, from a network or from disk.
"""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from itertools import repeat
from multiprocessing import get_context
from typing import Any

from pipeline.errors import UserError

PAPERS = {"a4": "A4", "letter": "letter"}  # as users name them, and as CSS does
MOST_PROCESSES = 4  # each holds about 250 MB
_LIBRARIES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"  # as Debian names the packages


def check(paper: str) -> None:
    """UserError if the paper is none that we know, or if what makes PDFs is missing."""
    if paper not in PAPERS:
        raise UserError(f"there is no paper {paper}", do="Choose a4 or letter")
    _library()


def pdfs(pages: Sequence[str], paper: str) -> Iterator[bytes]:
    """The PDFs of several pages' HTML, in their order, made beside one another."""
    if len(pages) < 2:
        yield from (pdf(html, paper) for html in pages)
        return
    # A new interpreter each (spawn): a fork would carry DuckDB's threads half over.
    with ProcessPoolExecutor(min(MOST_PROCESSES, os.cpu_count() or 1, len(pages)), get_context("spawn")) as pool:
        try:
            yield from pool.map(pdf, pages, repeat(paper))
        except BrokenProcessPool:
            raise UserError("a process that makes PDFs was ended", do="Is memory short? Try again") from None


def pdf(html: str, paper: str) -> bytes:
    """The PDF of a page's HTML, tagged so that it can be read aloud. Takes about 0.3 s a sheet of paper."""
    weasyprint = _library()
    size = weasyprint.CSS(string=f"@page {{ size: {PAPERS[paper]} }}")
    # Allowed are no protocols at all: a page has all it needs, and what a record's text asks for is not looked up.
    nothing = weasyprint.urls.URLFetcher(allowed_protocols=())
    document = weasyprint.HTML(string=html, url_fetcher=nothing)
    made: bytes = document.write_pdf(stylesheets=[size], pdf_tags=True)
    return made


def _library() -> Any:
    try:
        with contextlib.redirect_stdout(io.StringIO()):  # it prints what is missing, where results belong
            import weasyprint
    except ModuleNotFoundError as e:
        if e.name != "weasyprint":
            raise
        raise UserError("PDFs need the package weasyprint", do="Run: pip install 'canalwise[pdf]'") from None
    except OSError as e:
        # It loads them by name, the first that is missing stops it; which one, its message begins with.
        missing = str(e).partition(":")[0].removeprefix("cannot load library ").strip("' ")
        raise UserError(
            f"PDFs need the system library {missing}, which is not installed",
            do=f"On Debian and Ubuntu: apt-get install {_LIBRARIES}",
        ) from None
    return weasyprint
