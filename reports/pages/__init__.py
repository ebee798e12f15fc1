"""The pages: one module a reader, named as its pages; its `READER` (reports.reader) says the rest. No registry."""

from __future__ import annotations

from importlib.resources import files

from pipeline.errors import UserError


def names() -> tuple[str, ...]:
    """The pages that there are, by name; tells them without loading any."""
    found = (path.name for path in files(__name__).iterdir())
    return tuple(sorted(name[:-3] for name in found if name.endswith(".py") and not name.startswith("_")))


def check(which: str) -> None:
    """A UserError unless `which` is a page, or all."""
    if which not in (*names(), "all"):
        raise UserError(f"there is no report {which}", do=f"Choose {', '.join(names())} or all")
