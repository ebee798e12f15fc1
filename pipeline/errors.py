"""The one kind of error that is the user's to mend; everything else is a fault of the program."""

from __future__ import annotations


class UserError(Exception):
    """Something the user can mend: one line that says what, where, and what to do. Exit status 2.

    The text never holds patient data: values of records stay in the store.
    """

    exit_code = 2

    def __init__(self, what: str, *, where: str | None = None, do: str | None = None) -> None:
        self.what, self.do = what, do
        parts = [f"{where}: {what}" if where else what]
        if do:
            parts.append(do)
        ended = (part.strip().rstrip(".") for part in parts)
        text = " ".join(part if part.endswith(("?", "!")) else f"{part}." for part in ended)
        super().__init__(" ".join(text.split()))
