"""Pages of a real store: the small invented practice from exports to HTML."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.ingest import ingest
from pipeline.measures.run import Workspace
from pipeline.settings import Settings, load_settings
from pipeline.store.database import open_store
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
def practice(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    from demo_data.generate import SMALL_SEED, generate

    folder = tmp_path_factory.mktemp("practice")
    generate(folder / "exports", seed=SMALL_SEED, treatments=160, layout="canonical")
    settings = load_settings(folder / "exports" / "canalwise.toml")
    list(ingest(folder / "store.duckdb", [folder / "exports"], settings))
    with open_store(folder / "store.duckdb") as connection:
        pages = render(connection, settings, folder / "out")
    return {"store": folder / "store.duckdb", "settings": settings, "pages": {p.stem: p for p in pages}}


def test_every_page_is_made(practice: dict[str, Any]) -> None:
    stems = list(practice["pages"])
    assert stems[0] == "index" and stems[1].startswith("monthly-") and stems[2] == "incidents"
    assert len([s for s in stems if s.startswith("outcomes-")]) >= 2
    for path in practice["pages"].values():
        text = path.read_text(encoding="utf-8")
        assert "cannot be computed" not in text
        assert "Traceback" not in text and ">None<" not in text and "nan" not in re.findall(r">([^<]*)<", text)


def test_every_figure_equals_the_measure(practice: dict[str, Any]) -> None:
    """The figures of every page, computed again from the store on their own."""
    import html

    asked: dict[str, list[dict[str, str]]] = {}
    for path in practice["pages"].values():
        for attributes in FIGURE.findall(path.read_text(encoding="utf-8")):
            a = {k: html.unescape(v) for k, v in ATTRIBUTE.findall(attributes)}
            if "estimate" in a and not (a["measure"] == "instrument_life" and a["by"] == ""):
                asked.setdefault(a["as-of"], []).append(a)
    checked = 0
    with open_store(practice["store"]) as connection:
        for as_of, figures in asked.items():
            workspace = Workspace(connection, practice["settings"], as_of=date.fromisoformat(as_of))
            for a in figures:
                result = workspace.compute(
                    a["measure"],
                    by=tuple(b for b in a["by"].split(",") if b),
                    start=date.fromisoformat(a["from"]) if "from" in a else None,
                    end=date.fromisoformat(a["to"]) if "to" in a else None,
                    where=json.loads(a.get("where", "null")),
                )
                group = json.loads(a.get("group", "{}"))
                rows = [
                    r for r in result.rows if all((None if r[k] is None else str(r[k])) == v for k, v in group.items())
                ]
                wanted = [float(a[k]) if k in a else None for k in ("estimate", "low", "high")]
                assert any(same([r["estimate"], r["low"], r["high"]], wanted) for r in rows), a
                checked += 1
    assert checked > 100


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
