"""The monthly review and the index: every block with the measures' figures, rules that speak and are silent."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.importing.ingest import ingest
from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Workspace
from pipeline.settings import load_settings
from pipeline.store.database import open_store
from pipeline.store.known import end_of
from reports import attention, index
from reports.blocks import Block, Figure, Items, Line, Page, Prose, Sentence, Table
from reports.every_page import Context
from reports.evidence.corrections import NONE, Change
from reports.pages.monthly import KEY_FIGURES, Month, page
from reports.series import month_names, monthly
from reports.source import Answer, Source
from reports.words import Words, days

FIRST, AGAIN = "2026-07-10 08:00:00", "2026-08-03 08:00:00"
MONTH = Month(date(2026, 5, 1))
LONGER = 25  # minutes that the second export adds to visits of the month


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """An invented practice, and the page of a month before and after visits of that month were corrected."""
    from demo_data.generate import SMALL_SEED, generate

    folder = tmp_path_factory.mktemp("practice")
    exports, store = folder / "exports", folder / "store.duckdb"
    generate(exports, seed=SMALL_SEED, treatments=180, layout="canonical")
    settings = load_settings(exports / "canalwise.toml")
    few = settings.reporting.model_copy(update={"smallest_group": 2})  # it treats few teeth a month
    settings = settings.model_copy(update={"reporting": few})
    list(ingest(store, [exports], settings))
    _loaded(store, FIRST)
    with open_store(store) as connection:
        before = made(connection, settings)
    with (exports / "visits.csv").open(encoding="utf-8", newline="") as f:
        rows = [row for row in csv.DictReader(f) if row["seated_at"].startswith(MONTH.name)]
    for row in rows:
        row["left_at"] = str(datetime.fromisoformat(row["left_at"]) + timedelta(minutes=LONGER))
    with (folder / "visits-again.csv").open("w", encoding="utf-8", newline="") as f:
        writer = csv.DictWriter(f, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    list(ingest(store, [folder / "visits-again.csv"], settings))
    _loaded(store, AGAIN)
    with open_store(store) as connection:
        after = made(connection, settings)
    return {"store": store, "settings": settings, "before": before, "after": after, "corrected": len(rows)}


def _loaded(store: Path, at: str) -> None:
    """The last import as one of an earlier day."""
    with open_store(store, write=True) as connection:
        connection.execute("update batches set loaded_at = ? where loaded_at > timestamp '2026-09-01'", [at])


def made(connection: Any, settings: Any) -> Page:
    workspace = Workspace(connection, settings, as_of=MONTH.last)
    context = Context(settings, Words.of(settings), date(2026, 7, 10), date(2023, 7, 1), date(2026, 6, 30))
    return page(context, Source(workspace, catalogue()), MONTH)


def block(page: Page, id: str) -> Block:
    return next(b for b in page.blocks if b.id == id)


def table(page: Page, id: str) -> Table:
    return next(p for b in page.blocks for p in b.parts if isinstance(p, Table) and p.id == id)


def texts(block: Block) -> str:
    return " ".join(s.text for p in block.parts if isinstance(p, (Prose, Items)) for s in p.sentences)


def said(page: Page) -> str:
    return " ".join(s.whole for s in page.attention)


def test_the_owners_questions_are_answered_in_their_order(practice: dict[str, Any]) -> None:
    ids = [b.id for b in practice["before"].blocks]
    assert ids == [
        "attention",
        "key",
        "time",
        "open",
        "instruments",
        "recall",
        "incidents",
        "import",
        "quality",
        "methods",
        "cautions",
    ]
    parts = {p.id for b in practice["before"].blocks for p in b.parts if isinstance(p, (Table, Figure))}
    assert {"time-visit", "time-canal", "time-tooth-whole-table", "open-age-table", "bookings", "cost-months"} <= parts
    assert {"instruments-use", "stock-table", "recall-year-table"} <= parts
    none = "Other incidents, by kind: none on record in May 2026 and 2026 so far."
    assert ("incidents-kind" in parts) != (none in texts(block(practice["before"], "incidents")))
    assert "cannot be computed" not in " ".join(texts(b) for b in practice["before"].blocks)


def figures(page: Page) -> Iterator[dict[str, str]]:
    """The attributes of every figure that a table or a sentence of the page states."""
    for b in page.blocks:
        for part in b.parts:
            if isinstance(part, Table):
                for line in part.lines:
                    yield dict(line.data)
                    yield from (dict(cell.data) for cell in line.cells if isinstance(cell, Sentence))
            elif isinstance(part, (Prose, Items)):
                yield from (dict(s.data) for s in part.sentences)


def test_every_figure_is_the_measures_own_also_as_known_before(practice: dict[str, Any]) -> None:
    asked: dict[str, list[dict[str, str]]] = {}
    for data in figures(practice["after"]):
        if "estimate" in data:
            asked.setdefault(data.get("known-on", ""), []).append(data)
    assert len(asked) == 2 and len(asked["2026-08-02"]) >= 1
    checked: set[str] = set()
    with open_store(practice["store"]) as connection:
        for known, found in asked.items():
            moment = end_of(date.fromisoformat(known), practice["settings"].time_zone) if known else None
            workspace = Workspace(connection, practice["settings"], as_of=MONTH.last, known=moment)
            answers: dict[tuple[str, ...], list[dict[str, Any]]] = {}
            for data in found:
                question = tuple(data.get(k, "") for k in ("measure", "by", "from", "to"))
                if question not in answers:
                    name, by, start, end = question
                    result = workspace.compute(
                        name,
                        by=tuple(b for b in by.split(",") if b),
                        start=date.fromisoformat(start) if start else None,
                        end=date.fromisoformat(end) if end else None,
                    )
                    answers[question] = result.rows
                group = json.loads(data.get("group", "{}"))
                rows = [
                    r
                    for r in answers[question]
                    if all((r[k] if r[k] is None else str(r[k])) == v for k, v in group.items())
                ]
                assert any(r["estimate"] == pytest.approx(float(data["estimate"])) for r in rows), data
                checked.add(data["measure"])
    assert {*KEY_FIGURES, "retired_early", "unfinished_share", "days_open", "completeness"} <= checked


def test_a_key_figure_is_held_against_mean_and_limits_of_the_months_before(practice: dict[str, Any]) -> None:
    lines = table(practice["before"], "key-figures-table").lines
    file = table(practice["before"], "key-figures-table").file
    assert file is not None and [row["measure"] for row in file.rows] == list(KEY_FIGURES)
    assert len(lines) == len(KEY_FIGURES)
    with open_store(practice["store"]) as connection:
        workspace = Workspace(
            connection, practice["settings"], as_of=MONTH.last, known=datetime.fromisoformat("2026-07-20")
        )
        rows = workspace.compute(
            "chair_minutes_per_visit", ("month",), start=MONTH.plus(-18).first, end=MONTH.first - timedelta(days=1)
        ).rows
    known = [row["estimate"] for row in sorted(rows, key=lambda row: row["month"]) if not row.get("too_few")]
    mean = sum(known) / len(known)
    moved = sum(abs(b - a) for a, b in pairwise(known)) / (len(known) - 1)
    # Individuals chart by hand: mean and 2.66 (3 / 1.128) mean moving ranges (NIST/SEMATECH e-Handbook 6.3.2.2).
    first = file.rows[0]
    assert first["mean_before"] == pytest.approx(mean)
    assert first["high_limit"] == pytest.approx(mean + 3 / (2 / math.sqrt(math.pi)) * moved)


def test_the_picture_of_key_figures_holds_their_months(practice: dict[str, Any]) -> None:
    (figure,) = (p for p in block(practice["before"], "key").parts if isinstance(p, Figure))
    for spec in (figure.wide, figure.narrow):
        tips = [
            v["tip"]
            for layer in json.loads(spec)["layer"]
            for v in layer.get("data", {}).get("values", [])
            if "tip" in v
        ]
        tips += [v["tip"] for rows in json.loads(spec).get("datasets", {}).values() for v in rows if "tip" in v]
        assert any(tip.startswith("Chair time per visit, May 2026: ") for tip in tips)
        assert any(tip.startswith("Instrument cost per canal, May 2026: EUR") for tip in tips)
    assert figure.alt.count("; ") >= len(KEY_FIGURES) - 1


def test_an_import_that_corrected_nothing_is_passed_over_in_one_sentence(practice: dict[str, Any]) -> None:
    assert texts(block(practice["before"], "import")) == NONE
    assert not [p for p in block(practice["before"], "import").parts if isinstance(p, Table)]
    assert "Since the last import" not in said(practice["before"])
    assert NONE not in texts(block(practice["before"], "quality"))  # once is enough


def test_corrected_records_and_the_figures_they_changed_are_told(practice: dict[str, Any]) -> None:
    n = practice["corrected"]
    text = texts(block(practice["after"], "import"))
    assert f"The last import, of 3 August 2026, corrected {n} earlier records: visits {n}." in text
    (line,) = table(practice["after"], "import-table").lines
    assert line.cells == ("Visits", "visits-again.csv", "left at", str(n), str(n))
    lines = {line.cells[1]: line.cells for line in table(practice["after"], "import-figures").lines}
    assert {cells[0] for cells in lines.values()} == {"May 2026"}  # no other month's visits were corrected
    _, _, was, now = lines["Chair time per visit"]
    assert isinstance(was, Sentence) and isinstance(now, Sentence)
    assert float(now.data["estimate"]) > float(was.data["estimate"])
    assert was.data["known-on"] == "2026-08-02" and "known-on" not in now.data
    # Every booking of the month was overrun by so much more; the median moves by just as much (visits do not overlap).
    _, _, was, now = lines["Minutes in the chair beyond the booking"]
    assert float(now.data["estimate"]) - float(was.data["estimate"]) == pytest.approx(LONGER)
    assert "Instrument cost per canal" not in lines
    assert "Since the last import" in said(practice["after"]) and "in May 2026" in said(practice["after"])


def test_a_month_that_was_not_over_before_the_import_is_not_called_corrected() -> None:
    from reports.evidence.corrections import changes

    pair = (_answer("time", "minutes", [_month(40)]), _answer("time", "minutes", [_month(30)]))
    assert changes(Words(), [pair], date(2026, 5, 30)) == []
    (found,) = changes(Words(), [pair], date(2026, 5, 31))
    assert (found.was.text, found.now.text) == (
        "30 min (29\u00a0to\u00a031), n\u00a020",
        "40 min (39\u00a0to\u00a041), n\u00a020",
    )
    assert changes(Words(), [(pair[0], pair[0])], date(2026, 6, 30)) == []


def _month(minutes: float) -> dict[str, Any]:
    return {"month": "2026-05", "n": 20, "estimate": minutes, "low": minutes - 1, "high": minutes + 1}


def _answer(
    kind: str, unit: str, rows: Any = (), by: tuple[str, ...] = ("month",), left_out: Any = (), scale: float = 1
) -> Answer:
    measure = SimpleNamespace(title="The figure", kind=kind, numerator="events", denominator="units", scale=scale)
    result = SimpleNamespace(kind=kind, unit=unit, rows=list(rows), left_out=list(left_out))
    return Answer("name", measure, result, by, None, date(2025, 5, 31), {}, date(2026, 5, 31))


# ---- limits -----------------------------------------------------------------------------------------------------


def test_shares_are_judged_by_chance_limits_of_the_last_months_n() -> None:
    names = month_names(date(2025, 11, 1), date(2026, 5, 1))
    counts = [(5, 100), (4, 100), (6, 100), (5, 100), (4, 100), (6, 100), (18, 100)]
    rows = [{"month": m, "n": n, "events": e, "estimate": e / n} for m, (e, n) in zip(names, counts, strict=True)]
    found = monthly(_answer("share", "share", rows), names)
    assert found is not None and found.centre == pytest.approx(0.05)
    # p chart by hand: 0.05 + 3 sqrt(0.05 x 0.95 / 100) = 0.1154; below there is no limit.
    assert found.high == pytest.approx(0.05 + 3 * math.sqrt(0.05 * 0.95 / 100)) and found.low is None
    assert found.now == "above the upper limit"
    assert "three standard deviations of chance" in found.note


def test_minutes_beyond_a_booking_may_lie_below_zero_and_so_may_their_limit() -> None:
    names = month_names(date(2025, 11, 1), date(2026, 5, 1))
    rows = [
        {"month": m, "n": 50, "estimate": v} for m, v in zip(names, (-2.0, 1.0, -1.0, 2.0, 0.0, 1.0, 0.0), strict=True)
    ]
    found = monthly(_answer("time", "minutes", rows), names)
    assert found is not None and found.low is not None and found.low < 0


def test_runs_are_told_only_of_figures_that_are_drawn() -> None:
    names = month_names(date(2024, 11, 1), date(2026, 5, 1))
    values = [30.0 + 0.1 * (i % 2) for i in range(6)] + [32.0 + 0.1 * (i % 2) for i in range(13)]
    rows = [{"month": m, "n": 50, "estimate": v, "low": v, "high": v} for m, v in zip(names, values, strict=True)]
    answer = _answer("time", "minutes", rows)
    found = monthly(answer, names)
    assert found is not None and found.signals
    series = replace(found, at={})
    assert attention.signals.month_signal(Words(), answer, series, "x") is not None
    assert attention.signals.month_signal(Words(), answer, series, "x", runs=False) is None


# ---- rules ------------------------------------------------------------------------------------------------------


def test_a_stock_that_runs_out_within_a_month_is_told() -> None:
    def stock(*left: float | None) -> Answer:
        rows = [
            {"size": 15 + 5 * i, "n": 30, "time": t, "estimate": 9.0, "in_stock": 8, "days_left": d}
            for i, d in enumerate(left)
            for t in (30, 60, 90)
        ]
        return _answer("forecast", "instruments", rows, ("size",))

    assert attention.instruments.stock_short(Words(), stock(30.0, 90.0, None), "x") is None
    found = attention.instruments.stock_short(Words(), stock(29.4, 12.0, 31.0), "x")
    assert found is not None
    assert found.text.replace("\u00a0", " ") == (
        "2 instrument sizes will run out within 30 days if taken as in the months before: size 20 (8 left, 12 days) "
        "and size 15 (8 left, 29 days)."
    )


def test_treatments_long_open_are_told() -> None:
    def opened(events: int) -> Answer:
        return _answer("share", "share", [{"n": 90, "events": events, "estimate": events / 90}], ())

    assert attention.treatments.unfinished(opened(0), "open") is None
    found = attention.treatments.unfinished(opened(1), "open")
    assert found is not None and found.text.startswith(
        "1 treatment begun by 31 May 2025 is recorded as still in progress"
    )


def test_a_month_mostly_unrecorded_is_told() -> None:
    def counted(n: int, left: int) -> Answer:
        rows = [{"n": n, "estimate": 12.0, "low": 11.0, "high": 13.0}] if n else []
        return _answer("time", "minutes", rows, (), [{"reason": "no times", "n": left}])

    assert attention.data.unrecorded(counted(50, 50), "time", "May 2026") is None
    found = attention.data.unrecorded(counted(50, 51), "time", "May 2026")
    assert found is not None
    assert found.text == "The figure, May 2026: more are left out (51) than counted (50). No times (51)."
    assert attention.data.unrecorded(counted(0, 3), "time", "May 2026") is not None
    few = _answer(
        "time", "minutes", [{"n": None, "too_few": True, "estimate": None}], (), [{"reason": "no times", "n": 9}]
    )
    told = attention.data.unrecorded(few, "time", "May 2026")
    assert told is not None and "than counted (too few)" in told.text


def test_figures_changed_by_an_import_are_told_the_newest_first() -> None:
    assert attention.corrections.changed([], "import") is None
    changes = [
        Change(m, Sentence("41 min"), Sentence("43 min", data={"n": "9"}), "Chair time") for m in ("2026-05", "2026-04")
    ]
    found = attention.corrections.changed(changes, "import")
    assert found is not None and found.data == {"n": "9"}
    assert found.text == (
        "Since the last import 2 figures of earlier months read otherwise. The newest: Chair time in May 2026 was "
        "41 min; now it is 43 min."
    )


@pytest.mark.parametrize(
    ("figures", "text"),
    [
        ((31.2, 13.0, 59.0), "31 days (13 to 59)"),
        ((1.0, None, None), "1 day"),
        ((40.0, 20.0, None), "40 days (at least 20)"),
        ((None, None, None), "not known"),
    ],
)
def test_how_long_something_lasts(figures: tuple[float | None, ...], text: str) -> None:
    assert days(*figures).replace("\u00a0", " ") == text


# ---- index and links --------------------------------------------------------------------------------------------


def _page(stem: str, first: str = "", title: str = "") -> Page:
    told = (Sentence(first, data={"n": "7"}),) if first else (attention.NOTHING,)
    return Page(stem, title or stem, "", (), (Block("incidents", "Incidents", ()),), told)


def test_links_lead_only_to_pages_that_stand_there(tmp_path: Path) -> None:
    (tmp_path / "monthly-2026-03.html").write_text("<title>March</title>", encoding="utf-8")
    pages = [_page("monthly-2026-05"), _page("incidents"), _page("outcomes-D1"), _page("outcomes-D2"), _page("index")]
    stems = {p.stem for p in pages} | {"monthly-2026-03"}
    linked = {p.stem: p for p in index.linked(pages, tmp_path)}
    assert [s.href for s in linked["monthly-2026-05"].links] == ["monthly-2026-03.html", "incidents.html"]
    assert [s.href for s in linked["incidents"].links] == [
        "monthly-2026-05.html",
        "outcomes-D1.html",
        "outcomes-D2.html",
    ]
    assert [s.href for s in linked["outcomes-D1"].links] == ["incidents.html"]  # and to no other dentist's
    assert {s.href.removesuffix(".html") for p in linked.values() for s in p.links} <= stems
    (more,) = block(linked["monthly-2026-05"], "incidents").parts
    assert isinstance(more, Items) and more.sentences[0].href == "incidents.html"
    (alone,) = index.linked([_page("outcomes-D1")], tmp_path)
    assert alone.links == ()
    (month,) = index.linked([_page("monthly-2026-04")], tmp_path)
    assert [s.href for s in month.links] == ["monthly-2026-03.html"]
    assert block(month, "incidents").parts == ()  # no audit, no link to it


def test_the_index_tells_what_each_page_says_first(tmp_path: Path) -> None:
    head = '<meta name="description" content="Chair time &gt; usual."><title>Monthly review, March 2026</title>'
    (tmp_path / "monthly-2026-03.html").write_text(head, encoding="utf-8")
    pages = [
        _page("monthly-2026-05", "Cost rose.", "Monthly review, May 2026"),
        _page("incidents", title="Incident audit"),
        _page("outcomes-D1", "Four did not heal.", "Own outcomes, dentist D1"),
    ]
    context = SimpleNamespace(practice="P", first=date(2023, 7, 1), today=date(2026, 7, 1), settings_from="")
    start = index.page(context, date(2026, 6, 30), Block("quality", "Data quality", ()), pages, tmp_path)  # type: ignore[arg-type]
    lines = {
        b.id: [(s.lead, s.text, s.href) for p in b.parts if isinstance(p, Items) for s in p.sentences]
        for b in start.blocks
    }
    assert lines["monthly"] == [
        ("Monthly review, May 2026", "1 point needs attention; first: Cost rose.", "monthly-2026-05.html"),
        ("Monthly review, March 2026", "made earlier; first: Chair time > usual.", "monthly-2026-03.html"),
    ]
    assert lines["incidents"] == [("Incident audit", "nothing needs attention.", "incidents.html")]
    # What a dentist's page says stays there.
    assert lines["outcomes"] == [("Own outcomes, dentist D1", "1 point needs attention.", "outcomes-D1.html")]


def test_lines_are_kept_whole_in_files(practice: dict[str, Any]) -> None:
    file = table(practice["before"], "stock-table").file
    assert file is not None and {row["time"] for row in file.rows if not row.get("too_few")} == {30, 60, 90}
    shown: tuple[Line, ...] = table(practice["before"], "stock-table").lines
    assert len(shown) == len({row["size"] for row in file.rows})
