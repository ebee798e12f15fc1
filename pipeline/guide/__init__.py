"""The guide: pages on one topic each, Markdown that the program prints, so that they are there offline.

A page is headings, paragraphs, lists, tables of plain cells and blocks of code; nothing else is understood here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.resources import files
from typing import Literal

Block = tuple[Literal["heading", "text", "code"], str] | tuple[Literal["table"], list[dict[str, str]]]

# Columns without which a table of a page still says what it is for.
SPARE = ("practices", "told", "truth", "largest difference", "bias ± error")

_LINK = re.compile(r"\[([^\]]*)\]\([^)]*\)")
_CELLS = re.compile(r"(?<!\\)\|")


def topics() -> dict[str, str]:
    """The topics with the heading of each page, in alphabetical order."""
    names = sorted(f.name.removesuffix(".md") for f in files(__name__).iterdir() if f.name.endswith(".md"))
    return {name: _text(name).partition("\n")[0].removeprefix("# ") for name in names}


def page(topic: str) -> Iterator[Block]:
    """The blocks of a page in order. KeyError for a topic that there is not."""
    if topic not in topics():
        raise KeyError(topic)
    for block in re.split(r"\n\n(?=[^\n])", _whole_code(_text(topic))):
        lines = block.strip("\n").split("\n")
        if lines[0].startswith("```"):
            yield "code", "\n".join(lines[1:-1]).replace(_BLANK, "")
        elif lines[0].startswith("|"):
            head, _, *rows = (_row(line) for line in lines)
            yield "table", [dict(zip(head, row, strict=True)) for row in rows]
        elif lines[0].startswith("#"):
            yield "heading", lines[0].lstrip("# ")
        elif lines[0].startswith("- "):
            for item in re.split(r"\n(?=- )", "\n".join(lines)):
                yield "text", _plain(" ".join(item.split()))
        else:
            yield "text", _plain(" ".join(line.strip() for line in lines))


_BLANK = "\x00"  # keeps the empty lines of code from ending its block


def _whole_code(text: str) -> str:
    return re.sub(r"^```.*?^```$", lambda code: code[0].replace("\n\n", f"\n{_BLANK}\n"), text, flags=re.M | re.S)


def _row(line: str) -> list[str]:
    return [_plain(cell.replace("\\|", "|").strip()) for cell in _CELLS.split(line.strip().strip("|"))]


def _plain(text: str) -> str:
    """Without the marks of Markdown."""
    return _LINK.sub(r"\1", text).replace("`", "").replace("*", "").replace("\\", "")


def _text(topic: str) -> str:
    """A page without the marks of its generated parts (generated.py)."""
    text = (files(__name__) / f"{topic}.md").read_text(encoding="utf-8")
    return re.sub(r"^<!-- .* -->\n+", "", text, flags=re.M)
