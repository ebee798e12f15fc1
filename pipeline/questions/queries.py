"""The SQL of questions: NAME.sql beside this file. What changes from run to run is a parameter, `$name`."""

from __future__ import annotations

from functools import cache
from importlib.resources import files


@cache
def query(name: str) -> str:
    """The text of NAME.sql."""
    return (files("pipeline.questions") / f"{name}.sql").read_text(encoding="utf-8")
