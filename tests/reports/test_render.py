"""Whole pages from an invented practice: what is written, how safely, and that figures are those of the measures."""

from __future__ import annotations

import base64
import csv
import hashlib
import json
import re
import stat
from collections.abc import Callable
from datetime import date
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.measures.catalogue import catalogue
from pipeline.output.private import folder
from reports.files import stems
from reports.render import render

HOSTILE = '</script><script>alert(1)</script><svg onload=alert(2)>\'"&{{7*7}}{% if %}=HYPERLINK("https://x.example")'
VOID = {"meta", "br", "hr", "img", "input", "link", "wbr"}


class Page(HTMLParser):
    """Elements with their attributes and text, and whether tags are balanced."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.faults: list[str] = []
        self.feed(html)
        self.faults += self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"/{tag}")

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] not in {"style", "script"}:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def made(workspace_type: Any, settings_for: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """All pages of the invented practice, rendered once."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "reports.render.open_workspace", lambda connection, settings, as_of: workspace_type(settings, as_of)
        )
        paths = render(None, settings_for(), tmp_path_factory.mktemp("pages") / "out")
    return {p.stem: p for p in paths}


def read(path: Path) -> Page:
    return Page(path.read_text(encoding="utf-8"))


def test_the_folder_holds_an_index_and_a_page_for_each_reader(made: dict[str, Path]) -> None:
    assert list(made) == ["index", "monthly-2026-10", "incidents", "outcomes-D1", "outcomes-D2", "outcomes-D3"]
    out = made["index"].parent
    workbooks = {f"{stem}.xlsx" for stem in made if stem != "index"}
    assert {p.name for p in out.iterdir()} == {f"{stem}.html" for stem in made} | workbooks | {"figures", "assets"}
    assert len(list((out / "assets").glob("canalwise-*.js"))) == 1
    assert (out / "figures" / "incidents" / "teeth.csv").is_file()


def test_only_the_owner_may_read_what_is_written(made: dict[str, Path]) -> None:
    out = made["index"].parent
    for path in (out, *out.rglob("*")):
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


def test_a_folder_that_was_there_keeps_its_permissions(fake: Any, settings: Any, tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    render(None, settings, tmp_path, which="incidents")
    assert stat.S_IMODE(tmp_path.stat().st_mode) == 0o755
    assert stat.S_IMODE((tmp_path / "incidents.html").stat().st_mode) == 0o600


def test_every_page_is_well_formed_and_needs_nothing_from_elsewhere(made: dict[str, Path]) -> None:
    for path in made.values():
        html = path.read_text(encoding="utf-8")
        page = Page(html)
        assert page.faults == [], path.name
        assert not page.all("link") and not page.all("img") and not page.all("iframe")
        (script,) = page.all("script")  # the one of all pages, beside them
        assert set(script) == {"src"} and (path.parent / script["src"]).is_file()
        targets = [a["href"] for a in page.all("a")]
        ids = [a["id"] for _, a in page.elements if "id" in a]
        assert len(ids) == len(set(ids)), path.name
        for href in targets:
            if href.startswith("#"):
                assert href[1:] in ids, f"{path.name} {href}"
            else:
                assert (path.parent / href).is_file(), f"{path.name} {href}"
        live = {"src", "style", "srcset"}
        found = [(tag, k) for tag, a in page.elements for k in a if k.startswith("on") or k in live]
        assert found == [("script", "src")]


def test_the_content_policy_allows_this_style_sheet_and_nothing_else(made: dict[str, Path]) -> None:
    for path in made.values():
        html = path.read_text(encoding="utf-8")
        style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)
        assert style
        digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
        (policy,) = [a["content"] for a in Page(html).all("meta") if a.get("http-equiv") == "Content-Security-Policy"]
        assert f"style-src 'sha256-{digest}'" in policy
        for rule in ("default-src 'none'", "img-src data:", "base-uri 'none'", "form-action 'none'"):
            assert rule in policy
        assert "script-src 'self';" in policy and "unsafe" not in policy


def test_every_page_says_whose_and_when_and_how_to_read_it(made: dict[str, Path]) -> None:
    for path in made.values():
        page = read(path)
        for words in (
            "Practice Ostrobrück",
            "Period",
            "Data up to",
            "Report made on",
            "For quality review only",
            "not causes",
        ):
            assert words in page.text, (path.name, words)
        for words in (
            "instructions for use",
            "No events seen is not no risk",
            "Outcomes are known only for those who came back",
        ):
            assert words in page.text, (path.name, words)
        tags = [tag for tag, _ in page.elements]
        assert (
            tags.count("h1") == 1
            and tags.count("main") == 1
            and "nav" in tags
            and "header" in tags
            and "footer" in tags
        )
        levels = [int(tag[1]) for tag in tags if re.fullmatch("h[1-6]", tag)]
        assert all(b - a <= 1 for a, b in pairwise(levels)), path.name
        assert page.all("html")[0]["lang"] == "en-GB"
        assert page.all("a")[0]["href"] == "#content"


def test_charts_have_words_and_tables_have_captions(made: dict[str, Path]) -> None:
    for stem, path in made.items():
        page = read(path)
        charts = [a for a in page.all("div") if a.get("role") == "img"]
        assert len(charts) == len(page.all("figure"))
        assert all(len(a["aria-label"]) > 20 for a in charts)
        assert len(page.all("caption")) == len(page.all("table"))
        assert all("scope" in a for a in page.all("th"))
        tables = {a["id"] for a in page.all("table")}
        for figure in page.all("figure"):
            words = figure["id"].split("-")  # several charts may share a table: gap-canals and gap-days
            assert tables & {"-".join([*words[:i], "table"]) for i in range(1, len(words) + 1)}, (stem, figure["id"])


def test_every_figure_is_the_measures_own(settings: Any, workspace: Any, made: dict[str, Path]) -> None:
    """Each element that states a figure says which question was asked; asked again, the answer is the same."""
    checked = 0
    for path in made.values():
        for _, a in read(path).elements:
            if "data-estimate" not in a or a["data-measure"] == "instrument_life":  # its hazard rows are tested below
                continue
            group = json.loads(a.get("data-group", "{}"))
            result = workspace(settings, date.fromisoformat(a["data-as-of"])).compute(
                a["data-measure"],
                by=tuple(b for b in a["data-by"].split(",") if b),
                start=date.fromisoformat(a["data-from"]) if "data-from" in a else None,
                end=date.fromisoformat(a["data-to"]) if "data-to" in a else None,
                where=json.loads(a.get("data-where", "{}")) or None,
            )
            rows = [r for r in result.rows if all((None if r[k] is None else str(r[k])) == v for k, v in group.items())]
            if "data-time" in a:
                rows = [r for r in rows if repr(r["time"]) == a["data-time"]]
            found = [r for r in rows if repr(r["estimate"]) == a["data-estimate"]]
            assert found, (path.name, a)
            assert repr(found[0]["low"]) == a.get("data-low", "None") and repr(found[0]["high"]) == a.get(
                "data-high", "None"
            )
            checked += 1
    assert checked > 200


def test_hazard_by_use_is_events_of_those_that_came_to_the_use(
    settings: Any, workspace: Any, made: dict[str, Path]
) -> None:
    rows = {r["time"]: r for r in workspace(settings).compute("instrument_hazard").rows}
    with (made["index"].parent / "figures" / "incidents" / "life-hazard.csv").open(encoding="utf-8", newline="") as f:
        hazards = list(csv.DictReader(f))
    assert len(hazards) == len(rows)
    for h in hazards:
        row = rows[int(h["time"])]
        assert float(h["estimate"]) == row["estimate"] == row["events"] / 200
        assert (float(h["low"]), float(h["high"]), int(h["at_risk"])) == (row["low"], row["high"], row["at_risk"])


def test_files_hold_the_figures_at_full_precision(settings: Any, workspace: Any, made: dict[str, Path]) -> None:
    expected = workspace(settings).compute("separations_per_1000_uses", by=("motion",)).rows
    with (made["index"].parent / "figures" / "incidents" / "rate-motion.csv").open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f))
    assert [r["motion"] for r in rows] == ["hand", "rotation", "reciprocation"]
    for row, true in zip(rows, expected, strict=True):
        assert (float(row["estimate"]) if row["estimate"] else None) == true["estimate"]
    assert rows[1]["too_few"] == "true" and rows[1]["events"] == ""


def test_no_patient_and_no_other_dentist_is_named(
    made: dict[str, Path], pseudonym: str, text_of: Callable[[Path], str]
) -> None:
    out = made["index"].parent
    for path in out.rglob("*"):
        if path.is_file():
            assert pseudonym not in text_of(path), path

    def all_of(stem: str) -> list[Path]:
        return [made[stem], made[stem].with_suffix(".xlsx"), *(out / "figures" / stem).iterdir()]

    for owner in all_of("monthly-2026-10"):
        assert not re.search(r"\bT[0-9]{3}\b", text_of(owner)), owner
    for own, other in (("D1", "D2"), ("D2", "D1"), ("D3", "D2")):
        for path in all_of(f"outcomes-{own}"):
            # Not r="D2", the place of a cell in a sheet.
            assert not re.search(rf"\b{other}\b", re.sub(r' r="[A-Z]+\d+"', "", text_of(path))), path
    assert re.search(r"\bT001\b", made["incidents"].read_text(encoding="utf-8"))
    assert re.search(r"\bT100\b", made["outcomes-D2"].read_text(encoding="utf-8"))


def test_a_group_too_small_shows_no_figure(made: dict[str, Path]) -> None:
    page = read(made["incidents"])
    assert "too few" in page.text
    assert not [
        a
        for _, a in page.elements
        if "data-estimate" in a and '"rotation"' in a.get("data-group", "") and "motion" in a["data-by"]
    ]


def test_hostile_text_stays_text(fake: Any, settings_for: Any, tmp_path: Path) -> None:
    fake(hostile=HOSTILE)
    for path in render(None, settings_for(HOSTILE), tmp_path / "out"):
        html = path.read_text(encoding="utf-8")
        page = Page(html)
        assert page.faults == [], path.name
        assert [set(a) for a in page.all("script")] == [{"src"}], path.name  # the one of all pages
        assert not [a for _, a in page.elements if any(k.startswith("on") for k in a)]
        assert "alert(1)" in page.text and "{{7*7}}" in page.text, path.name
        assert all("x.example" not in a.get("href", "") for a in page.all("a"))
        assert path.parent == tmp_path / "out" and re.fullmatch(r"[A-Za-z0-9_.-]+", path.name)
    for path in (tmp_path / "out" / "figures").rglob("*.csv"):
        with path.open(encoding="utf-8", newline="") as f:
            for row in csv.reader(f):
                assert not [c for c in row if re.match(r"[=+@\t\r]|-(?![\d.])", c)], path


def test_file_names_of_dentists_are_safe_and_differ() -> None:
    ids = ["D1", "d1", "../../etc/passwd", "Müller", "M ller", "", "a" * 100, "a" * 99]
    made = stems("outcomes", ids)
    assert len({s.casefold() for s in made.values()}) == len(ids)
    assert all(re.fullmatch(r"outcomes-[A-Za-z0-9_-]{1,52}", s) for s in made.values())
    assert stems("outcomes", ["D2"]) == {"D2": "outcomes-D2"}


def test_a_measure_that_cannot_be_computed_is_named_with_what_is_missing(
    fake: Any, settings: Any, tmp_path: Path
) -> None:
    fake(lacks=("cost_per_canal", "instrument_life", "sequence_comparison", "incident_list"))
    pages = {p.stem: read(p).text for p in render(None, settings, tmp_path)}
    assert "Instrument cost per canal cannot be computed: no instruments with price." in pages["monthly-2026-10"]
    assert "Instrument life cannot be computed: no instruments with price." in pages["incidents"]
    assert "Incidents cannot be computed: no instruments with price." in pages["incidents"]
    assert "Healed share compared between sequences cannot be computed" in pages["outcomes-D1"]


def test_a_store_that_can_answer_nothing_still_makes_pages(fake: Any, settings: Any, tmp_path: Path) -> None:
    fake(lacks=tuple(catalogue()))
    pages = render(None, settings, tmp_path)
    assert [p.stem for p in pages] == ["index", "incidents"]
    assert "cannot be computed" in read(pages[1]).text
    for which in ("monthly", "outcomes"):
        with pytest.raises(UserError, match="to report on"):
            render(None, settings, tmp_path, which=which)


def test_everything_too_few_still_makes_pages(fake: Any, settings: Any, tmp_path: Path) -> None:
    fake(few=True)
    for path in render(None, settings, tmp_path):
        page = read(path)
        assert page.faults == []
        whole = {"sequence_comparison", "completeness"}  # the fake's comparisons; shares of all records, not of a group
        assert not [a for _, a in page.elements if "data-estimate" in a and a["data-measure"] not in whole]


def test_nothing_needs_attention_when_so(
    fake: Any, settings: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, workspace: Any
) -> None:
    fake(calm=True)
    monkeypatch.setattr(workspace, "records", lambda self, name: [])
    from reports.attention import data

    monkeypatch.setattr(data, "STALE_DAYS", 10**6)
    page = read(render(None, settings, tmp_path, which="monthly")[1])
    assert "Nothing needs attention: no figure of this page stands out" in page.text


def test_the_month_may_be_chosen(fake: Any, settings: Any, tmp_path: Path) -> None:
    index, page = render(None, settings, tmp_path, which="monthly", month="2026-03")
    assert page.name == "monthly-2026-03.html"
    assert "Data up to 31 March 2026" in read(page).text
    assert "March 2026" in read(index).text


def test_the_first_month_of_all_has_nothing_to_be_compared_with(fake: Any, settings: Any, tmp_path: Path) -> None:
    page = read(render(None, settings, tmp_path, which="monthly", month="2024-11")[1])
    assert page.faults == []
    assert "fewer than 6 earlier months, too few for limits" in page.text
    assert "This page looks at them as they were known on 30 November 2024." in page.text


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        ({"month": "2019-01"}, "no records of January 2019. The records reach from November 2024 to November 2026."),
        ({"month": "2026-13"}, "2026-13 is no month. Write it as 2026-10."),
        ({"month": "last"}, "last is no month"),
        ({"dentist": "D9"}, "no records of dentist D9. The records know D1, D2, D3."),
        ({"which": "yearly"}, "there is no report yearly. Choose incidents, monthly, outcomes or all."),
    ],
)
def test_what_is_not_there_is_said_in_one_line(
    fake: Any, settings: Any, tmp_path: Path, choice: dict[str, str], words: str
) -> None:
    with pytest.raises(UserError) as raised:
        render(None, settings, tmp_path / "out", **choice)
    assert words in str(raised.value) and "\n" not in str(raised.value)
    assert not (tmp_path / "out").exists()


def test_one_dentist_alone(fake: Any, settings: Any, tmp_path: Path) -> None:
    told: list[str] = []
    paths = render(None, settings, tmp_path, which="outcomes", dentist="D2", progress=told.append)
    assert [p.name for p in paths] == ["index.html", "outcomes-D2.html"]
    assert told == ["Reading the records", "Own outcomes, dentist D2", "Drawing the charts"]


def test_the_index_also_leads_to_pages_made_earlier_and_old_figures_go(
    fake: Any, settings: Any, tmp_path: Path
) -> None:
    render(None, settings, tmp_path, which="monthly", month="2026-09")
    stray = tmp_path / "figures" / "incidents" / "stray.csv"
    folder(stray.parent)
    stray.write_text("old")
    index = render(None, settings, tmp_path, which="incidents")[0]
    page = read(index)
    assert "Monthly review, September 2026 : made earlier; first: " in page.text  # the colon follows the link
    assert {"monthly-2026-09.html", "incidents.html"} <= {a["href"] for a in page.all("a")}
    assert not stray.exists()
