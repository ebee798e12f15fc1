"""What a drafted mapping leaves open: lines that begin with `#? `, which belong to the table they stand in."""

from __future__ import annotations

import re

from pydantic import BaseModel, ConfigDict

_TABLE = re.compile(r"^\s*(\[\[?)\s*([\w-]+)(\s*\.[^\]]*)?\s*\]\]?\s*(?:#.*)?$")
_QUESTION = re.compile(r"^\s*#\?\s*(.*?)\s*$")


class Question(BaseModel):
    """An open question: its line in the mapping file (from 1) and its text."""

    model_config = ConfigDict(frozen=True)

    line: int
    text: str


def questions(toml: str, kind: str, number: int = 0) -> tuple[Question, ...]:
    """The questions of the table of a kind (the so manieth of them, from 0) in the text of a mapping file.

    Those of `[file]`, or above the first table, are open for every table.
    """
    found = []
    here, count = "file", -1
    for line, text in enumerate(toml.splitlines(), start=1):
        table = _TABLE.match(text)
        if table:
            here = table[2]
            # [canals.columns] belongs to the [canals] or [[canals]] before it.
            if here == kind and ((table[1] == "[[" and not table[3]) or count < 0):
                count += 1
        question = _QUESTION.match(text)
        if question and (here == "file" or (here == kind and count == number)):
            found.append(Question(line=line, text=question[1]))
    return tuple(found)
