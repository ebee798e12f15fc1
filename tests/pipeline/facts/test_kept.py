"""Facts kept beside a store: made once, used while they hold, and never the reason that a question has no answer."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.checks.across import open_judged
from pipeline.errors import UserError
from pipeline.facts import kept, states
from pipeline.facts.renewed import HANGS_ON, PRACTICE
from pipeline.importing.ingest import undo
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import facts_file, open_store

DAY = dt.date(2026, 6, 30)


@pytest.fixture(autouse=True)
def _every_store_is_large(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "LEAST_ROWS", 0)


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """The tables of facts that were made, in order."""
    names: list[str] = []
    keep = kept.keep

    def noted(connection: Any, name: str, key: str, query: str) -> bool:
        names.append(name)
        return keep(connection, name, key, query)

    monkeypatch.setattr(kept, "keep", noted)
    yield names


def ask(store: Path, name: str = "healed_share", settings: dict[str, Any] | None = None, **how: Any) -> Any:
    with open_judged(store) as connection:
        workspace = Workspace(connection, Settings.model_validate(settings or {}), **{"as_of": DAY} | how)
        found = workspace.compute(name, ("sequence",))
        return found.rows, found.left_out


def test_they_are_made_once_and_serve_the_next_command(filled: Path, made: list[str]) -> None:
    first = ask(filled)
    assert "tooth_facts" in made
    before = [*made]
    assert ask(filled) == first and made == before
    assert stat.S_IMODE(facts_file(filled).stat().st_mode) == 0o600


def test_another_day_or_setting_is_another_table_and_the_first_stays(filled: Path, made: list[str]) -> None:
    first = ask(filled)
    made.clear()
    ask(filled, as_of=dt.date(2025, 1, 1))
    assert "tooth_facts" in made and "treatment_base" not in made, "what does not follow from the day is not made again"
    made.clear()
    ask(filled, settings={"sterilisation_cost": 3})
    assert made == [], "the cost is nothing that this measure is made from"
    ask(filled, settings={"reporting": {"healed_after_months": 18}})
    assert made == ["tooth_facts"]
    made.clear()
    assert ask(filled) == first and made == []


def test_what_is_written_to_the_store_ends_them(filled: Path, made: list[str]) -> None:
    ask(filled, "chair_minutes_per_visit")
    with open_store(filled) as connection:
        (batch,) = connection.execute("select batch_id from batches where kind = 'visits'").fetchall()
    undo(filled, batch[0])
    made.clear()
    with pytest.raises(UserError, match="the store has no visits"):
        ask(filled, "chair_minutes_per_visit")
    ask(filled)
    assert "tooth_facts" in made
    with duckdb.connect(str(facts_file(filled)), read_only=True) as facts:
        old = facts.execute("select fact from contents group by fact having count(distinct token) > 1").fetchall()
    assert {name for (name,) in old} <= {n for n, hangs in HANGS_ON.items() if hangs.on == PRACTICE}, "the old are gone"


def test_of_each_the_latest_few_are_kept(filled: Path) -> None:
    for year in range(2015, 2026):
        ask(filled, as_of=dt.date(year, 1, 1))
    with duckdb.connect(str(facts_file(filled)), read_only=True) as facts:
        many = facts.execute("select fact, count(*) from contents group by fact").fetchall()
        there = facts.execute(
            "select count(*) from duckdb_tables() where not list_contains(?, table_name)",
            [["contents", *states.TABLES]],
        ).fetchone()
    assert max(n for _, n in many) == kept.VERSIONS
    assert there == (sum(n for _, n in many),)


def test_an_earlier_state_of_the_store_keeps_nothing(filled: Path, made: list[str]) -> None:
    ask(filled)
    made.clear()
    moment = dt.datetime(2100, 1, 1)
    ask(filled, known=moment)
    assert made == []


def test_a_small_store_keeps_nothing(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "LEAST_ROWS", 1_000_000)
    ask(filled)
    assert not facts_file(filled).exists()


def test_a_file_that_is_no_store_of_facts_is_made_anew(filled: Path) -> None:
    first = ask(filled)
    torn = facts_file(filled).read_bytes()[:5000]
    facts_file(filled).write_bytes(torn)
    assert ask(filled) == first and facts_file(filled).stat().st_size > 5000


def test_what_a_version_before_kept_goes_but_pictures_stay(filled: Path, made: list[str]) -> None:
    first = ask(filled)
    facts_file(filled).unlink()
    with duckdb.connect(str(facts_file(filled))) as facts:
        facts.execute("create table contents (fact varchar, key varchar, token varchar)")
        facts.execute("create table tooth_facts_0123456789abcdef as select 1 as one")
        facts.execute("create table pictures (key varchar, svg varchar, used_on date)")
    made.clear()
    assert ask(filled) == first and "tooth_facts" in made
    with duckdb.connect(str(facts_file(filled)), read_only=True) as facts:
        there = {name for (name,) in facts.execute("select table_name from duckdb_tables()").fetchall()}
    assert "pictures" in there and "tooth_facts_0123456789abcdef" not in there


def test_a_file_that_is_none_of_ours_stays(filled: Path) -> None:
    """Seen before: it was removed, and of a store that was called store.facts the store itself."""
    first = ask(filled)
    facts_file(filled).write_bytes(b"somebody's notes")
    assert ask(filled) == first
    assert facts_file(filled).read_bytes() == b"somebody's notes"
    called_so = Path(shutil.copy(filled, filled.with_suffix(".facts")))
    assert ask(called_so) == first and called_so.stat().st_size == filled.stat().st_size
    assert ask(called_so) == first


def test_of_a_store_that_is_open_for_writing_nothing_is_kept(filled: Path, made: list[str]) -> None:
    """Its records may change between two questions."""
    with open_store(filled, write=True) as connection:
        before = Workspace(connection, Settings(), DAY).compute("visits_per_tooth").rows
        connection.execute("delete from visits")
        after = Workspace(connection, Settings(), DAY)
        assert "no visits" in after.missing("visits_per_tooth") and before
    assert made == []


def test_a_full_disk_is_no_reason_to_have_no_answer(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = ask(filled)
    facts_file(filled).unlink()
    monkeypatch.setattr(kept, "table", lambda place: f"no_such_place.{place}")
    assert ask(filled) == first


def test_where_none_can_be_written_facts_are_made_for_the_question_alone(filled: Path) -> None:
    first = ask(filled)
    facts_file(filled).unlink()
    facts_file(filled).mkdir()
    assert ask(filled) == first


HOLDS = """
import sys, duckdb
with duckdb.connect(sys.argv[1]) as held:
    held.execute("create table if not exists contents (fact varchar, key varchar, token varchar)")
    print("held", flush=True)
    sys.stdin.read()
"""


def test_two_readers_at_once_do_not_wait_for_each_other(filled: Path, made: list[str]) -> None:
    other = subprocess.Popen(
        [sys.executable, "-c", HOLDS, str(facts_file(filled))], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert other.stdout is not None and other.stdout.readline() == "held\n"
        rows, _ = ask(filled)
        assert rows and made == []
    finally:
        other.communicate("")


def test_a_table_that_fails_leaves_nothing_half_made(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.facts import prepare

    texts = {**prepare.texts(), "tooth_facts": "select no_such_column from treatment_base"}
    monkeypatch.setattr(prepare, "texts", lambda: texts)
    with pytest.raises(duckdb.Error):
        ask(filled)
    monkeypatch.undo()
    monkeypatch.setattr(kept, "LEAST_ROWS", 0)
    rows, _ = ask(filled)
    assert rows


def test_a_copy_of_the_store_has_its_own(filled: Path, tmp_path: Path, made: list[str]) -> None:
    """Copied with its facts, and changed since: its token is another one."""
    ask(filled)
    copy = tmp_path / "copy.duckdb"
    for of in (filled, facts_file(filled)):
        shutil.copy2(of, copy.with_name(of.name.replace(filled.name, copy.name)))
    made.clear()
    ask(copy)
    assert made == []
    with duckdb.connect(str(copy)) as elsewhere:
        elsewhere.execute("delete from visits where visit_id = (select min(visit_id) from visits)")
    ask(copy)
    assert "tooth_facts" in made, "another program wrote into it"
    made.clear()
    with open_store(copy, write=True) as connection:
        connection.execute("delete from treatments where treatment_id = (select min(treatment_id) from treatments)")
    ask(copy)
    assert "tooth_facts" in made


@pytest.mark.skipif(os.name == "nt", reason="quotes are no part of a name there")
def test_a_quote_in_the_name_of_a_folder_is_a_quote(filled: Path, tmp_path: Path) -> None:
    folder = tmp_path / "Dr. O'Neill; x"
    folder.mkdir()
    store = Path(shutil.copy(filled, folder))
    ask(store)
    assert facts_file(store).exists()


def test_every_table_that_facts_can_read_beside_records_is_part_of_their_key() -> None:
    """A table of settings that facts read and no key has would be stale without a word."""
    from pipeline.facts.prepare import _given, prepare
    from pipeline.store.database import in_memory

    with in_memory() as connection:
        before = set(connection.execute("select table_name from duckdb_tables()").fetchall())
        prepare(connection, Settings(), DAY)
        made = set(connection.execute("select table_name from duckdb_tables()").fetchall()) - before
        views = connection.execute("select view_name from duckdb_views() where temporary and not internal").fetchall()
    # What is made of the store's own tables alone follows from its token.
    assert {name for (name,) in [*made, *views]} == {*_given(Settings()), "record_flags"}


@pytest.mark.parametrize(
    "asked",
    [
        ("measure", "adherence"),
        ("measure", "healed_share", "--process", "--by", "sequence"),
        ("measure", "separations_per_100_canals", "--process"),
        ("explain", "cost_per_canal"),
        ("recall",),
        ("stock",),
        ("trace", "--lot", "LOT"),
    ],
    ids=" ".join,
)
def test_every_command_answers_alike_with_them_and_without(
    asked: tuple[str, ...], filled: Path, canalwise: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen before: what a command read besides its measure's facts was not there where these were kept."""
    with open_store(filled) as connection:
        (lot,) = connection.execute("select min(lot) from instruments").fetchone() or ("",)
    words = [str(lot) if word == "LOT" else word for word in asked]
    kept_twice = [canalwise(*words, "--store", filled) for _ in range(2)]
    monkeypatch.setattr(kept, "LEAST_ROWS", 1_000_000)
    without = canalwise(*words, "--store", filled)
    assert without.code == 0 and [ran.out for ran in kept_twice] == [without.out] * 2, kept_twice[1].err
