"""Every measure, alone and by group, of two practices and of the demo, is what the answer book says."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.store.database import facts_file

from .book import answers, differences, kept, path_of, write
from .practices import PRACTICES, Made


def test_no_figure_of_the_small_set_has_changed(small: Path, _filled: Path) -> None:
    _hold("small", Made(_filled, small / "canalwise.toml"))


def test_no_figure_of_the_second_practice_has_changed(tmp_path: Path) -> None:
    _hold("second", PRACTICES["second"](tmp_path))


def test_a_large_store_answers_as_a_small_one(
    small: Path, _filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a large store facts are kept beside it, and units have only the columns that a question reads."""
    monkeypatch.setattr("pipeline.facts.kept.LEAST_ROWS", 0)
    monkeypatch.setattr("pipeline.measures.run.MOST_VALUES", 0)
    store = Path(shutil.copy(_filled, tmp_path))
    _hold("small", Made(store, small / "canalwise.toml"))
    assert facts_file(store).exists()


@pytest.mark.slow
def test_no_figure_of_the_demo_has_changed(tmp_path: Path) -> None:
    _hold("demo", PRACTICES["demo"](tmp_path))


def _hold(practice: str, made: Made) -> None:
    # A measure that is new moves no figure: it is held from the next writing of the book on.
    book, now = kept(practice), answers(made)
    now = {question: answer for question, answer in now.items() if question in book}
    for answer in (now["completeness"], book["completeness"]):
        answer["rows"] = [row for row in answer["rows"] if row["measure"] in book]
    unlike = differences(book, now)
    assert not unlike, "\n".join(unlike[:40])


def test_what_differs_is_told_and_what_is_as_close_as_sums_get_is_not() -> None:
    old = {"a": {"rows": [{"n": 3, "value": 0.5}]}, "b": {"error": "nothing"}, "gone": {"rows": []}}
    new = {"a": {"rows": [{"n": 4, "value": 0.5 + 1e-9}]}, "b": {"rows": []}, "new": {"rows": []}}
    assert differences(old, new) == [
        "gone: not asked any more",
        "new: not in the book",
        "a rows 0 n: 3 -> 4",
        "b error: 'nothing' -> None",
        "b rows: None -> []",
    ]
    assert differences(old, old) == []


def test_the_same_book_gives_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.answers.book.HERE", tmp_path)
    book = {"b": {"rows": [{"x": 1.0}]}, "a": {"error": "ä"}}
    write("p", book)
    first = path_of("p").read_bytes()
    write("p", dict(reversed(book.items())))
    assert path_of("p").read_bytes() == first and kept("p") == book
