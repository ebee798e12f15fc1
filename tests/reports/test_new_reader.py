"""A page for a new reader is one file in reports/pages/: rendered, on the index, linked, in the command's help."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import reports.pages
from pipeline.errors import UserError
from reports.pages import names
from reports.reader import reader_of, readers
from reports.render import render

HYGIENIST = '''
"""For the person who runs the recalls."""

from reports import every_page
from reports.blocks import Page
from reports.evidence import figures
from reports.every_page import section
from reports.reader import Planned, Reader


def page(context, source):
    figure = [(source.ask("recall_share"),)]
    return Page(
        "recalls", "Recalls", "Who came back?", every_page.facts(context, source, "All records"),
        (section("share", "How many", figures.overview(context.words, "all", "Recalls", ("All records",), figure)),
         every_page.methods(context, source), every_page.cautions()),
    )


READER = Reader(
    place=4, title="Recalls", lead="For whoever calls patients in.",
    plan=lambda asked: [Planned("recalls", "Recalls", lambda source: page(asked.context, source))],
)
'''


@pytest.fixture
def hygienist(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The folder of pages with one file more."""
    folder = tmp_path / "pages"
    folder.mkdir()
    (folder / "recalls.py").write_text(HYGIENIST, encoding="utf-8")
    for page in Path(reports.pages.__file__).parent.glob("[a-z]*.py"):
        (folder / page.name).symlink_to(page)
    monkeypatch.setattr(reports.pages, "__path__", [str(folder)])
    monkeypatch.setattr("reports.pages.files", lambda _: folder)
    readers.cache_clear()
    yield
    sys.modules.pop("reports.pages.recalls", None)
    readers.cache_clear()


def test_one_file_makes_a_page(hygienist: None, workspace_type: Any, settings_for: Any, tmp_path: Path) -> None:
    assert "recalls" in names()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "reports.render.open_workspace", lambda connection, settings, as_of: workspace_type(settings, as_of)
        )
        paths = render(None, settings_for(), tmp_path / "out", dentist="D2")
        alone = render(None, settings_for(), tmp_path / "alone", which="recalls")
    assert [p.stem for p in paths] == ["index", "monthly-2026-10", "incidents", "outcomes-D2", "recalls"]
    assert [p.stem for p in alone] == ["index", "recalls"]
    start = paths[0].read_text(encoding="utf-8")
    assert "For whoever calls patients in." in start and '<a href="recalls.html"' in start
    assert (tmp_path / "out" / "recalls.xlsx").exists()


def test_a_page_belongs_to_the_reader_whose_name_it_begins_with(hygienist: None) -> None:
    stems = ("monthly-2026-10", "incidents", "outcomes-D2", "recalls", "recalls-old", "recallsold", "index")
    assert [reader_of(stem) for stem in stems] == ["monthly", "incidents", "outcomes", "recalls", "recalls", None, None]


def test_there_are_no_other_pages(tmp_path: Path) -> None:
    assert list(readers()) == ["monthly", "incidents", "outcomes"]
    with pytest.raises(UserError, match="there is no report recalls") as e:
        render(None, None, tmp_path, which="recalls")
    assert "Choose incidents, monthly, outcomes or all" in str(e.value)
