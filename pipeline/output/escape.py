"""Text of records made harmless for where it goes: spreadsheets and terminals.

A spreadsheet takes a text that begins like a formula for one (CWE-1236; OWASP ASVS 5, 1.2.10); it gets an apostrophe in
front. A terminal obeys control characters (CWE-150), and direction marks turn what is read around (CVE-2021-42574);
they are shown as signs.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

# What a formula begins with; a line break or a blank may stand before it, and full-width signs count as well.
# Both are read by Python and, in Polars, by Rust, whose \s lacks the four separators.
_FORMULA = r"^[\s\x00\x1c-\x1f]*[=+\-@＝＋－＠]|^[\t\r\n\x00]"
_NUMBER = r"[+\-]?[0-9]+([.,][0-9]+)?"
_begins_formula = re.compile(_FORMULA)
_is_number = re.compile(_NUMBER)

_PICTURES = {c: 0x2400 + c for c in range(0x20)} | {0x7F: 0x2421}  # Unicode has a picture of each control character
_BEYOND = dict.fromkeys([*range(0x80, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F])
_SHOWN: dict[int, int | str] = {**_PICTURES, **{c: f"\\u{c:04x}" for c in _BEYOND}}
_KEEPS_LINES: dict[int, int | str] = {c: shown for c, shown in _SHOWN.items() if c != 0x0A}
_IN_JSON = {c: f"\\u{c:04x}" for c in (0x7F, *_BEYOND)}


def escape_formula(text: str) -> str:
    """`text` with an apostrophe in front where a spreadsheet would run it; a plain number, as -0.5, stays."""
    return f"'{text}" if _begins_formula.search(text) and not _is_number.fullmatch(text) else text


def unescape_formula(text: str) -> str:
    """The text that `escape_formula` was given; what it did not change stays."""
    bare = text[1:]
    return bare if text.startswith("'") and escape_formula(bare) == text else text


def unescape_formulas(texts: pl.Expr) -> pl.Expr:
    """`unescape_formula` of whole columns of text."""
    import polars as pl

    bare = texts.str.slice(1)
    escaped = texts.str.starts_with("'") & bare.str.contains(_FORMULA) & ~bare.str.contains(f"^(?:{_NUMBER})$")
    return pl.when(escaped).then(bare).otherwise(texts)


def escape_terminal(text: str, *, lines: bool = True) -> str:
    """`text` with control characters and direction marks as signs: ESC as ␛. Line breaks stay where `lines` says so."""
    return text.translate(_KEEPS_LINES if lines else _SHOWN)


def escape_json(text: str) -> str:
    """JSON without signs that a terminal obeys: \\u009b says the same; those below 0x20 stand in no JSON anyway."""
    return text.translate(_IN_JSON)
