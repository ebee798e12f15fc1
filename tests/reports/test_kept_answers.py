"""Answers are kept beside the store, hold for one state of all that they follow from, and are never needed."""

from __future__ import annotations

import datetime as dt
import stat
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.measures.catalogue import catalogue
from pipeline.measures.process_chart import process_chart
from pipeline.measures.process_cusum import process_cusum
from pipeline.measures.run import Result, Workspace
from pipeline.settings import Settings
from pipeline.store.database import facts_file, open_store
from reports import kept_answers
from reports.kept_answers import KeptAnswers
from reports.source import Source

ASKED: list[tuple[str, dict[str, Any]]] = [
    ("healed_share", {"by": ("sequence",)}),
    ("sequence_comparison", {}),
    ("incident_list", {}),
    ("instrument_life", {"by": ("dentist",), "start": dt.date(2025, 1, 1)}),
    ("chair_minutes_per_visit", {"where": {"dentist": "D1"}}),
    ("healed_share", {"by": ("no such group",)}),
]
SETTINGS = Settings()


def told(store: Path, settings: Settings = SETTINGS) -> tuple[list[Any], KeptAnswers]:
    """What a rendering is told, and what was kept before it."""
    with open_store(store) as connection:
        kept = KeptAnswers(connection, settings)
        source = Source(Workspace(connection, settings), catalogue(), kept=kept)
        found = [(a.result, a.missing) for name, question in ASKED for a in [source.ask(name, **question)]]
        found += [(a.result, a.missing) for by in ("month", "dentist") for a in [source.process("healed_share", by)]]
        kept.write()
        kept._connection = None
    return found, kept


def test_a_second_rendering_is_told_the_same_and_computes_nothing(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, before = told(filled)
    assert before._found == {} and len(before._new) == len(ASKED) + 2
    for name in ("compute", "missing"):
        monkeypatch.setattr(Workspace, name, lambda *_, **__: pytest.fail("computed"))
    again, kept = told(filled)
    assert again == first and kept._new == {}
    assert [type(result) for result, _ in again] == [type(result) for result, _ in first]
    assert stat.S_IMODE(facts_file(filled).stat().st_mode) == 0o600


def test_another_state_has_none_of_them(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told(filled)
    assert len(told(filled)[1]._found) == len(ASKED) + 2
    other = Settings.model_validate({"reporting": {"smallest_group": 1}})
    assert told(filled, other)[1]._found == {}
    assert told(filled)[1]._found == {}, "of other settings they went"
    with open_store(filled, write=True):
        pass
    assert told(filled)[1]._found == {}, "the store was open for writing"
    monkeypatch.setattr(kept_answers, "_program", lambda: "changed")
    assert told(filled)[1]._found == {}, "the program changed"

    assert len(told(filled)[1]._found) == len(ASKED) + 2
    tomorrow = SimpleNamespace(today=lambda: dt.date.today() + dt.timedelta(days=1))
    monkeypatch.setattr(kept_answers, "dt", SimpleNamespace(date=tomorrow))
    with open_store(filled) as connection:
        assert KeptAnswers(connection, SETTINGS)._found == {}, "a day has passed"


def test_every_text_of_the_program_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[Path] = []
    whole = Path.read_bytes

    def heard(path: Path) -> bytes:
        read.append(path)
        return whole(path)

    monkeypatch.setattr(Path, "read_bytes", heard)
    kept_answers._program.cache_clear()
    kept_answers._program()
    names = {f"{path.parent.name}/{path.name}" for path in read}
    assert {"stats/cusum.py", "definitions/healed_share.sql", "facts/tooth_facts.sql", "expectations/across.json"} <= {
        *names
    }
    assert {"definitions/healed_share.toml", "reports/source.py", "reports/kept_answers.py"} <= names


def test_what_cannot_be_written_and_read_the_same_is_not_kept(filled: Path) -> None:
    def result(value: Any) -> Result:
        return Result("m", "M", "u", "share", (), [{"n": value}], [], 0)

    with open_store(filled) as connection:
        kept = KeptAnswers(connection, SETTINGS)
        sound: list[Any] = [1.5, dt.date(2026, 1, 2), None, "é\x00", [1, None]]
        for number, value in enumerate(sound):
            kept.add((number,), result(value), ())
        assert len(kept._new) == 5
        other: list[Any] = [float("nan"), (1, 2), dt.datetime(2026, 1, 2), {1}, object()]
        for number, value in enumerate(other, start=9):
            kept.add((number,), result(value), ())
        assert len(kept._new) == 5


def test_without_a_place_nothing_is_kept_and_nothing_is_missed(filled: Path) -> None:
    with open_store(filled, write=True) as connection:
        kept = KeptAnswers(connection, SETTINGS)
        source = Source(Workspace(connection, SETTINGS), catalogue(), kept=kept)
        assert source.ask("healed_share").result.rows
        kept.write()
    assert not facts_file(filled).exists() and kept._new == {}
    KeptAnswers(None, SETTINGS).write()


def test_charts_and_sums_are_read_as_they_were(filled: Path) -> None:
    with open_store(filled) as connection:
        workspace = Workspace(connection, SETTINGS)
        for found in (
            process_chart(workspace, "healed_share"),
            process_cusum(workspace, "healed_share", ("dentist",)),
        ):
            assert kept_answers._read(kept_answers._written(found, ())) == (found, ())
