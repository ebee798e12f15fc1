"""PDFs of pages, read back by another library (pypdf)."""

from __future__ import annotations

import importlib.abc
import json
import os
import re
import socket
import stat
import sys
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pypdf
import pytest

from pipeline.errors import UserError
from reports import paper, render
from reports.blocks import Block, Figure, Items, Line, Page, Sentence, Table, prose
from reports.charts import theme
from reports.charts.pictures import picture
from reports.evidence.records import listed

try:
    paper.check("a4")
except UserError as e:  # pango is the system's to install; CI does (.ci/run)
    pytest.skip(str(e), allow_module_level=True)

HOSTILE = '</script><script>alert(1)</script><img src="http://x.example/a.png">{{7*7}}<a href="https://x.example">'
DATES = "Practice: Ostrobrück. Data up to: 30 June 2026. Report made on: 28 November 2026"
POINTS = 72 / 25.4  # in a millimetre


def spec(words: str) -> str:
    """A chart of one word, as Vega-Lite."""
    return json.dumps(
        {"data": {"values": [{"w": words}]}, "mark": "text", "encoding": {"text": {"field": "w", "type": "nominal"}}}
    )


def page(words: str = "plain", title: str = "Monthly review, June 2026") -> Page:
    """A page with all that a page can have; `words` stands wherever a record's text can."""
    lines = tuple(Line((f"row{i}", f"begin{i} " + "of many words " * 12 + f"end{i}")) for i in range(90))
    parts = (
        prose(words, Sentence("A sentence.")),
        Figure("chart", f"A chart: {words}", f"What it says: {words}", spec("drawn"), spec("narrow"), caption=words),
        Table("long", f"A long table {words}", ("Which", "What it is"), lines),
        Table("shut", "A folded table", ("a", "b"), (Line((words, "inside")),), folded=True, records=True, note=words),
        Items((Sentence("in a folded list"),), folded="What is left out"),
        Items(terms=(("A term", (words,)),), heading="Terms"),
    )
    attention = Items((Sentence(words, href="figures", lead="Lead"), Sentence("Elsewhere", href="incidents.html")))
    facts = (
        ("Practice", "Ostrobrück"),
        ("Period", "June 2026"),
        ("Data up to", "30 June 2026"),
        ("Report made on", "28 November 2026"),
    )
    blocks = (
        Block("attention", "What needs attention", (attention,)),
        Block("figures", "Figures", parts),
        Block("cautions", "Cautions", (prose("Not causes."),)),
    )
    return Page("monthly-2026-06", title, words, facts, blocks)


def read(page: Page, size: str = "a4") -> pypdf.PdfReader:
    html = render.html_for_paper(page, SimpleNamespace(of=lambda spec: render.Markup(picture(spec, theme.base()))))
    return pypdf.PdfReader(BytesIO(paper.pdf(html, size)))


@pytest.fixture(scope="module")
def plain() -> pypdf.PdfReader:
    return read(page())


@pytest.fixture(scope="module")
def hostile() -> pypdf.PdfReader:
    return read(page(HOSTILE, title=f"Own outcomes, dentist {HOSTILE * 3}"))


def squeezed(reader: pypdf.PdfReader) -> str:
    """All text without spaces: where lines break is no matter."""
    return re.sub(r"\s+", "", "".join(sheet.extract_text() for sheet in reader.pages))


# ISO 216 and ANSI/ASME Y14.1 (8.5 by 11 inches).
@pytest.mark.parametrize(("size", "wide", "tall"), [("a4", 210 * POINTS, 297 * POINTS), ("letter", 612, 792)])
def test_the_paper_has_its_size(size: str, wide: float, tall: float) -> None:
    for sheet in read(page(), size).pages:
        assert float(sheet.mediabox.width) == pytest.approx(wide, abs=0.1)
        assert float(sheet.mediabox.height) == pytest.approx(tall, abs=0.1)


def test_every_sheet_has_its_number_the_dates_and_something_to_read(
    plain: pypdf.PdfReader, hostile: pypdf.PdfReader
) -> None:
    for reader in (plain, hostile):
        many = len(reader.pages)
        assert many > 3
        for number, sheet in enumerate(reader.pages, 1):
            text = " ".join(sheet.extract_text().split())
            assert f"Page {number} of {many}" in text and DATES in text
            assert len(text) > len(DATES) + 250, "nearly blank"
    for sheet in list(plain.pages)[1:]:
        assert "Monthly review, June 2026" in sheet.extract_text()


def test_the_file_says_what_it_is(plain: pypdf.PdfReader) -> None:
    assert plain.metadata and plain.metadata.title == "Monthly review, June 2026"
    root = plain.trailer["/Root"]
    assert root["/Lang"] == "en-GB" and root["/MarkInfo"]["/Marked"]

    def titles(outline: Any, depth: int = 1) -> Iterator[tuple[int, str]]:
        for entry in outline:
            yield from titles(entry, depth + 1) if isinstance(entry, list) else [(depth, entry.title)]

    assert list(titles(plain.outline)) == [
        (1, "Monthly review, June 2026"),
        (2, "What needs attention"),
        (2, "Figures"),
        (3, "A chart: plain"),
        (3, "Terms"),
        (2, "Cautions"),
    ]


def alternatives(element: Any) -> Iterator[str]:
    element = element.get_object()
    if isinstance(element, list):
        for each in element:
            yield from alternatives(each)
    elif isinstance(element, dict):
        if "/Alt" in element:
            yield element["/Alt"]
        if "/K" in element:
            yield from alternatives(element["/K"])


def test_a_chart_says_its_message_to_who_cannot_see_it(plain: pypdf.PdfReader, hostile: pypdf.PdfReader) -> None:
    assert list(alternatives(plain.trailer["/Root"]["/StructTreeRoot"])) == ["What it says: plain"]
    assert list(alternatives(hostile.trailer["/Root"]["/StructTreeRoot"])) == [f"What it says: {HOSTILE}"]
    assert "drawn" in squeezed(plain) and "narrow" not in squeezed(plain)


def test_what_is_folded_on_a_screen_is_open(plain: pypdf.PdfReader) -> None:
    text = squeezed(plain)
    for words in ("Afoldedtable", "inside", "Whatisleftout", "inafoldedlist"):
        assert words in text


def test_fonts_are_in_the_file(plain: pypdf.PdfReader) -> None:
    found = 0
    for sheet in plain.pages:
        for font in sheet["/Resources"]["/Font"].values():
            for part in font.get_object().get("/DescendantFonts", [font]):
                descriptor = part.get_object()["/FontDescriptor"]
                assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor), descriptor["/FontName"]
                found += 1
    assert found > 3


def test_links_stay_inside_and_nothing_acts(plain: pypdf.PdfReader, hostile: pypdf.PdfReader) -> None:
    for reader in (plain, hostile):
        root = reader.trailer["/Root"]
        assert not {"/OpenAction", "/AA", "/AcroForm"} & set(root)
        assert not {"/JavaScript", "/EmbeddedFiles"} & set(root.get("/Names", {}))
        targets = []
        for sheet in reader.pages:
            assert "/AA" not in sheet
            for each in sheet.get("/Annots", []):
                annotation = each.get_object()
                assert annotation["/Subtype"] == "/Link" and "/A" not in annotation
                targets.append(annotation["/Dest"])
        # The list of blocks, one sentence that leads to its figures, the footer: every one leads somewhere.
        assert set(targets) == {"attention", "figures", "cautions"} == set(targets) & set(reader.named_destinations)


def test_a_sentence_says_on_which_sheet_its_figures_are(plain: pypdf.PdfReader) -> None:
    at = plain.get_destination_page_number(plain.named_destinations["figures"]) + 1
    assert f"Lead: plain Page {at}" in " ".join(plain.pages[0].extract_text().split())


def test_text_of_records_stays_text(hostile: pypdf.PdfReader) -> None:
    # Lead, prose, chart's title and caption, long table, folded table's cell and note, term, attention.
    assert squeezed(hostile).count(re.sub(r"\s+", "", HOSTILE)) >= 9


def test_a_table_repeats_its_head_and_cuts_no_row(plain: pypdf.PdfReader) -> None:
    sheets = [re.sub(r"\s+", " ", sheet.extract_text()) for sheet in plain.pages]
    rows = [set(re.findall(r"begin(\d+) ", sheet)) for sheet in sheets]
    assert [set(re.findall(r"end(\d+)", sheet)) for sheet in sheets] == rows
    assert sum(map(len, rows)) == 90 and sum(map(bool, rows)) > 2
    for sheet, there in zip(sheets, rows, strict=True):
        assert ("Which What it is" in sheet) == bool(there)
        assert len(there) != 1, "one row alone"


def test_of_a_long_list_paper_has_the_first_and_says_where_the_others_are() -> None:
    rows = [{"id": f"X{i}", "n": i} for i in range(276)]
    answer = SimpleNamespace(missing=(), rows=rows, data=dict)
    parts = listed("all", answer, [("Id", lambda r: r["id"])], caption="c", empty="e", open_rows=30, most_printed=60)  # type: ignore[arg-type]
    made = Page("incidents", "Incident audit", "", (), (Block("list", "Each", tuple(parts)),))
    text = "".join(sheet.extract_text() + "\n" for sheet in read(made).pages)
    assert re.findall(r"X\d+", text) == [f"X{i}" for i in range(60)]
    assert "Paper has the first 60 of 276; the workbook has all." in " ".join(text.split())
    screen = render.html(made, SimpleNamespace(of=str), "", {})  # type: ignore[arg-type]
    assert len(set(re.findall(r"X\d+", screen))) == 276 and "Paper has" not in screen
    assert "The first 30 of 276." in screen and "The first 30" not in text  # paper shows what folds away on a screen
    assert [len(file.rows) for _, file in made.filed] == [276]


def test_nothing_is_fetched(tmp_path: Path) -> None:
    secret = tmp_path / "secret.svg"
    secret.write_text('<svg xmlns="http://www.w3.org/2000/svg"><text y="20">secret</text></svg>')
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)
        address = f"http://127.0.0.1:{server.getsockname()[1]}"
        html = (
            f'<html lang="en"><title>t</title><style>@import "{address}/a.css"; p {{ background: url({address}/b) }}'
            f"</style><link rel=stylesheet href='{address}/c.css'><link rel=attachment href='{secret.as_uri()}'>"
            f"<p>here<img alt=x src='{address}/d.png'><img alt=y src='{secret.as_uri()}'>"
            f"<svg><image href='{secret.as_uri()}' width='9' height='9'/></svg>"
        )
        made = pypdf.PdfReader(BytesIO(paper.pdf(html, "a4")))
        with pytest.raises(BlockingIOError):
            server.accept()
    assert "here" in squeezed(made) and "secret" not in squeezed(made)
    assert not made.attachments


class _Gone(importlib.abc.MetaPathFinder):
    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        if name == "weasyprint":
            print("-----\nWeasyPrint could not import some external libraries.")  # as it does
            raise OSError("cannot load library 'libpango-1.0-0': libpango-1.0-0: cannot open shared object file")


def test_what_is_missing_is_one_line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(UserError, match=r"no paper a5\. Choose a4 or letter"):
        paper.check("a5")
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(UserError) as raised:
        paper.check("a4")
    assert str(raised.value) == "PDFs need the package weasyprint. Run: pip install 'canalwise[pdf]'."
    monkeypatch.delitem(sys.modules, "weasyprint")
    monkeypatch.setattr(sys, "meta_path", [_Gone(), *sys.meta_path])
    with pytest.raises(UserError) as raised:
        paper.check("a4")
    assert str(raised.value).startswith(
        "PDFs need the system library libpango-1.0-0, which is not installed. On Debian"
    )
    assert "\n" not in str(raised.value) and capsys.readouterr().out == ""


class Ends:
    """What ends the process that reads it, without a word, as the system does when memory is short."""

    def __reduce__(self) -> tuple[Any, ...]:
        return os._exit, (1,)


def test_a_process_that_is_ended_is_said_in_one_line() -> None:
    pages: list[Any] = [Ends(), Ends()]
    with pytest.raises(UserError, match="a process that makes PDFs was ended"):
        list(paper.pdfs(pages, "a4"))


def test_the_command_says_what_is_wrong(canalwise: Any, filled: Path) -> None:
    for arguments, words in (
        (("--pdf", "--paper", "a5"), "there is no paper a5. Choose a4 or letter."),
        (("--paper", "letter"), "--paper letter is the paper of PDFs, and none are asked for. Add --pdf."),
    ):
        ran = canalwise("report", *arguments, "--store", filled)
        assert ran.code == 2 and words in ran.err


def test_pdfs_lie_beside_their_pages_and_go_when_these_are_made_anew(
    fake: Any, settings: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paper, "pdf", lambda html, size: f"{size}: {'<body class=' in html}".encode())
    paths = render.render(None, settings, tmp_path, which="outcomes", dentist="D2", pdf="letter")
    assert [path.name for path in paths] == ["index.html", "outcomes-D2.html", "outcomes-D2.pdf"]
    assert paths[2].read_bytes() == b"letter: True" and stat.S_IMODE(paths[2].stat().st_mode) == 0o600
    assert '<a href="outcomes-D2.pdf">PDF</a>' in paths[1].read_text(encoding="utf-8")
    again = render.render(None, settings, tmp_path, which="outcomes", dentist="D2")
    assert not paths[2].exists() and "outcomes-D2.pdf" not in again[1].read_text(encoding="utf-8")
