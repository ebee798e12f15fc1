"""Pages of a real store: the small invented practice from exports to HTML."""

from __future__ import annotations

import html
import json
import re
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.importing.ingest import ingest
from pipeline.measures.catalogue import catalogue
from pipeline.measures.process_chart import process_chart
from pipeline.measures.process_cusum import process_cusum
from pipeline.measures.run import Workspace
from pipeline.settings import Settings, load_settings
from pipeline.store.database import open_store
from reports.charts.pictures import Pictures
from reports.render import render

FIGURE = re.compile(r"<(?:tr|td|li|span)((?: data-[a-z-]+=\"[^\"]*\")+)>")
ATTRIBUTE = re.compile(r' data-([a-z-]+)="([^"]*)"')


def same(found: list[float | None], wanted: list[float | None]) -> bool:
    """Equal but for the order in which the engine's threads add up."""
    return all(
        (f is None and w is None) or (f is not None and w is not None and f == pytest.approx(w, rel=1e-9, abs=1e-12))
        for f, w in zip(found, wanted, strict=True)
    )


@pytest.fixture(scope="module")
def practice(small_practice: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    toml, store = small_practice
    settings = load_settings(toml)
    with open_store(store) as connection, pytest.MonkeyPatch.context() as patch:
        patch.setattr("reports.render.Pictures", Pictures)  # the real ones: drawn in processes of their own
        pages = render(connection, settings, tmp_path_factory.mktemp("practice") / "out")
    return {"store": store, "settings": settings, "toml": toml, "pages": {p.stem: p for p in pages}}


def test_every_page_is_made(practice: dict[str, Any]) -> None:
    stems = list(practice["pages"])
    assert stems[0] == "index" and stems[1].startswith("monthly-") and stems[2] == "incidents"
    assert len([s for s in stems if s.startswith("outcomes-")]) >= 2
    for path in practice["pages"].values():
        text = path.read_text(encoding="utf-8")
        assert "cannot be computed" not in text
        assert "Traceback" not in text and ">None<" not in text and "nan" not in re.findall(r">([^<]*)<", text)


QUESTION = ("measure", "by", "as-of", "known-on", "from", "to", "where", "process")
FIGURES = ("time", "n", "events", "exposure", "at_risk", "estimate", "low", "high", "value", "expected", "highest")


def figures_of(practice: dict[str, Any]) -> dict[tuple[tuple[str, str], ...], list[dict[str, str]]]:
    """What pages ask, with the figures that they state of each answer."""
    asked: dict[tuple[tuple[str, str], ...], list[dict[str, str]]] = {}
    for path in practice["pages"].values():
        for attributes in FIGURE.findall(path.read_text(encoding="utf-8")):
            a = {k: html.unescape(v) for k, v in ATTRIBUTE.findall(attributes)}
            if "measure" in a and any(k in a for k in FIGURES):
                asked.setdefault(tuple((k, a[k]) for k in QUESTION if a.get(k)), []).append(a)
    return asked


def states(row: dict[str, Any], stated: dict[str, str]) -> bool:
    """Does a row of an answer have the group and every figure that a page states?"""
    group = json.loads(stated.get("group", "{}"))
    if any((None if row[k] is None else str(row[k])) != v for k, v in group.items()):
        return False
    keys = [k for k in FIGURES if k in stated]
    return all(k in row for k in keys) and same([row[k] for k in keys], [float(stated[k]) for k in keys])


def lines(rows: list[dict[str, Any]], stated: dict[str, str]) -> bool:
    """Is the figure the number of lines of a list, or of its refusals, as sentences tell it?"""
    told = {len(rows), sum(row.get("rows_refused") or 0 for row in rows)}
    return not {*stated} & {*FIGURES} - {"n"} and int(stated["n"]) in told


def test_every_figure_equals_the_measure(practice: dict[str, Any]) -> None:
    """The figures of every page, asked again of the store on their own."""
    asked = figures_of(practice)
    kinds = catalogue()
    with open_store(practice["store"]) as connection:
        for as_of in {dict(question)["as-of"] for question in asked}:
            workspace = Workspace(connection, practice["settings"], as_of=date.fromisoformat(as_of))
            for question, stated in asked.items():
                q = dict(question)
                if q["as-of"] != as_of:
                    continue
                assert "known-on" not in q, "the practice of this test has one day of imports"
                by = tuple(b for b in q.get("by", "").split(",") if b)
                period = tuple(date.fromisoformat(q[k]) if k in q else None for k in ("from", "to"))
                where = json.loads(q.get("where", "{}"))
                if "process" not in q:
                    rows = workspace.compute(q["measure"], by, *period, where).rows
                elif by == ("month",):
                    rows = process_chart(workspace, q["measure"], where, *period).rows
                else:
                    rows = process_cusum(workspace, q["measure"], by, *period).rows
                for figure in stated:
                    is_list = kinds[q["measure"]].kind == "list" and lines(rows, figure)
                    assert is_list or any(states(row, figure) for row in rows), figure
    assert sum(map(len, asked.values())) > 500


def test_the_command_line_prints_what_pages_state(practice: dict[str, Any], canalwise: Callable[..., Any]) -> None:
    """Every twentieth question of the pages, put to `canalwise measure`."""
    asked = [(dict(q), figures) for q, figures in figures_of(practice).items()]
    plain = [(q, figures) for q, figures in asked if catalogue()[q["measure"]].kind != "list"]
    settings = practice["toml"]
    for q, figures in plain[::20]:
        words = [w for k in ("by", "from", "to", "as-of") if k in q for w in (f"--{k}", q[k])]
        words += [w for k, v in json.loads(q.get("where", "{}")).items() for w in ("--where", f"{k}={v}")]
        words += ["--process"] if "process" in q else []
        done = canalwise(
            "measure", q["measure"], *words, "--store", practice["store"], "--settings", settings, "--json"
        )
        for figure in figures:
            assert any(states(row, figure) for row in done.json["rows"]), (words, figure)


def test_the_monthly_page_looks_at_the_data_as_of_its_month(practice: dict[str, Any]) -> None:
    stem = next(s for s in practice["pages"] if s.startswith("monthly-"))
    year, month = map(int, stem.removeprefix("monthly-").split("-"))
    days = set(re.findall(r'data-as-of="([^"]+)"', practice["pages"][stem].read_text(encoding="utf-8")))
    assert len(days) == 1
    day = date.fromisoformat(days.pop())
    assert (day.year, day.month) == (year, month)


def test_no_patient_is_in_any_file(practice: dict[str, Any], text_of: Callable[[Path], str]) -> None:
    with open_store(practice["store"]) as connection:
        patients = [p for (p,) in connection.execute("select distinct patient_id from treatments").fetchall()]
        treatments = [t for (t,) in connection.execute("select treatment_id from treatments").fetchall()]
    out = practice["pages"]["index"].parent
    for path in out.rglob("*"):
        if path.is_file():
            text = text_of(path)
            assert not [p for p in patients if p in text], path
            if "monthly" in str(path.relative_to(out)):
                assert not [t for t in treatments if re.search(rf"\b{re.escape(t)}\b", text)], path


def test_a_dentist_reads_of_no_other(practice: dict[str, Any]) -> None:
    with open_store(practice["store"]) as connection:
        dentists = {d for (d,) in connection.execute("select distinct dentist from treatments").fetchall()}
    out: Path = practice["pages"]["index"].parent
    for own in dentists:
        for path in (out / f"outcomes-{own}.html", *(out / "figures" / f"outcomes-{own}").iterdir()):
            text = path.read_text(encoding="utf-8")
            assert not [d for d in dentists - {own} if re.search(rf"\b{re.escape(d)}\b", text)], path


def test_an_empty_store_says_so(tmp_path: Path) -> None:
    from pipeline.store.database import in_memory

    pages = render(in_memory(), Settings(), tmp_path / "out")
    assert [p.stem for p in pages] == ["index", "incidents"]
    assert "cannot be computed: no " in pages[1].read_text(encoding="utf-8")


def test_a_dentist_whose_teeth_no_measure_counts_yet_has_a_page(tmp_path: Path) -> None:
    """Only treatments, none of them due or with a visit: every basic measure leaves them out."""
    (tmp_path / "treatments.csv").write_text(
        "treatment_id,patient_id,tooth,dentist,kind,started_on,status\n"
        "T1,P1,16,D7,primary,2026-06-01,in progress\nT2,P2,11,d8,primary,2026-06-02,in progress\n",
        encoding="utf-8",
    )
    settings = Settings()
    list(ingest(tmp_path / "store.duckdb", [tmp_path / "treatments.csv"], settings))
    with open_store(tmp_path / "store.duckdb") as connection:
        pages = {p.stem for p in render(connection, settings, tmp_path / "out", which="outcomes")}
        assert {"outcomes-D7", "outcomes-d8"} <= pages
        assert render(connection, settings, tmp_path / "one", which="outcomes", dentist="D7")


@pytest.mark.slow
def test_pages_of_a_large_store_say_the_same(
    practice: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a large store facts are kept beside it, and units have only the columns that a question reads."""
    monkeypatch.setattr("pipeline.facts.kept.LEAST_ROWS", 0)
    monkeypatch.setattr("pipeline.measures.run.MOST_VALUES", 0)
    store = Path(shutil.copy(practice["store"], tmp_path))
    with open_store(store) as connection:
        pages = render(connection, practice["settings"], tmp_path / "out")
    usual, large = figures_of(practice), figures_of({"pages": {p.stem: p for p in pages}})
    assert large.keys() == usual.keys()
    for question, stated in usual.items():
        for one, other in zip(stated, large[question], strict=True):
            assert one.keys() == other.keys()
            figures = [[float(s[k]) for k in FIGURES if k in s] for s in (one, other)]
            assert same(*figures), question
