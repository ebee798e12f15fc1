"""The guide is there offline, README leads to each of its pages, and what it says of commands is so."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer

from pipeline import cli
from pipeline.guide import page, topics

ROOT = Path(__file__).resolve().parents[3]


def test_readme_leads_to_every_page_and_is_short() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"pipeline/guide/(\w+)\.md", readme)) == set(topics())
    assert len(readme) < 7000
    for path in re.findall(r"\]\(([\w/.]+)\)", readme):
        assert (ROOT / path).exists(), path


def test_the_table_of_commands_has_every_command_and_every_option_of_its_own() -> None:
    commands = typer.main.get_command(cli.app).commands  # type: ignore[attr-defined]
    (table,) = [held for kind, held in page("commands") if kind == "table"]
    told = " ".join(f"{row['command']} {row['does']}" for row in table if isinstance(row, dict))
    shared = {"--store", "--settings", "--json", "--quiet", "--wide", "--help"}
    for name, command in commands.items():
        assert re.search(rf"\b{name}\b", told), name
        options = {flag for p in command.params for flag in p.opts if flag.startswith("--")} - shared
        assert options <= set(re.findall(r"--[a-z-]+", told)), name


def test_a_page_is_blocks() -> None:
    kinds = [kind for kind, _ in page("mapping")]
    assert kinds[0] == "heading" and {"text", "code"} <= set(kinds)
    (code,) = [held for kind, held in page("mapping") if kind == "code" and "[treatments.columns]" in held]
    assert "\x00" not in code and "\n\n" in code  # its empty lines are there
    with pytest.raises(KeyError):
        list(page("nothing"))


@pytest.mark.parametrize("topic", sorted(topics()))
def test_every_page_is_printed(topic: str, canalwise: Callable[..., Any]) -> None:
    done = canalwise("guide", topic)
    assert done.code == 0 and done.out.startswith(topics()[topic]) and "](" not in done.out
    assert canalwise("guide", topic, "--json").json["topic"] == topic


def test_another_topic_is_one_line(canalwise: Callable[..., Any]) -> None:
    done = canalwise("guide", "weather")
    assert done.code == 2 and "no page on weather" in done.err and "privacy" in done.err
