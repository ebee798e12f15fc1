"""How a text stands in TOML."""

from __future__ import annotations


def toml(value: object) -> str:
    """A text as TOML writes it."""
    escapes = {'"': '\\"', "\\": "\\\\", "\t": "\\t", "\n": "\\n"}
    text = "".join(escapes.get(c) or (f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else c) for c in str(value))
    return f'"{text}"'
