"""Tables fit the terminal: nothing breaks inside a word or a number, and what cannot fit is records below another."""

from __future__ import annotations

import pytest

from pipeline.output.terminal import paragraph, say, table

ROWS = [
    {"sequence": "reciprocation-two", "n": 1234, "value": 0.8612, "low": 0.82, "high": 0.9, "empty": None, "note": "x"},
    {"sequence": "hand-six", "n": 7, "value": None, "low": None, "high": None, "empty": None, "note": "two words"},
]


def shown(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: int, **more: object
) -> list[str]:
    monkeypatch.setattr("pipeline.output.terminal.width", lambda: columns)
    table(ROWS, **more)  # type: ignore[arg-type]
    return capsys.readouterr().out.splitlines()


@pytest.mark.parametrize("columns", [30, 40, 60, 80, 120, 250])
def test_nothing_is_broken_and_nothing_is_wider(
    columns: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = shown(capsys, monkeypatch, columns)
    words = {word for line in lines for word in line.split()}
    assert {"reciprocation-two", "1234", "0.8612", "hand-six"} <= words
    assert all(len(line.rstrip()) <= columns for line in lines)


def test_an_interval_is_one_column_and_an_empty_one_none(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = shown(capsys, monkeypatch, 100)
    assert lines[0].split() == ["sequence", "n", "value", "interval", "note"]
    assert "0.82 to 0.9" in lines[2] and "empty" not in "".join(lines)
    assert "86.1 %" in "".join(shown(capsys, monkeypatch, 100, percent=("value",)))
    assert "82.0 to 90.0 %" in "".join(shown(capsys, monkeypatch, 100, percent=("low", "high")))
    assert "share" in "".join(shown(capsys, monkeypatch, 100, heads={"value": "share"}))


def test_what_does_not_fit_is_one_record_below_another(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = shown(capsys, monkeypatch, 32)
    assert lines[:2] == ["sequence  reciprocation-two", "n         1234"]
    assert "" in lines  # between records
    assert len(shown(capsys, monkeypatch, 32, wide=True)[2]) > 32


def test_records_cannot_speak_to_the_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.output.terminal.width", lambda: 40)
    table([{"note": "\x1b[31mred\x1b[0m\nmore"}])
    say("\x1b]0;title\x07")
    paragraph("one two three four five six seven eight nine ten eleven")
    out = capsys.readouterr().out
    assert "\x1b" not in out and "\x07" not in out and "␛[31mred" in out
    assert "one two three four five six seven eight\nnine ten eleven" in out


def test_nothing_is_said_to_be_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    table([], empty="Nobody is due.")
    assert capsys.readouterr().out == "Nobody is due.\n"
