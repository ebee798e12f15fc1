"""What a comparison of separation rates allows one to say."""

from __future__ import annotations

import re
from typing import Any

from pipeline.measures.rate_sentence import statement, verdict
from reports.blocks import Sentence
from reports.evidence.comparison import pair
from reports.source import Answer
from reports.words import Words


def conclusion(words: Words, answer: Answer, row: dict[str, Any], href: str = "") -> Sentence:
    """The sentence that two sequences' separations allow, as the command line says it, set for a page."""
    said = re.sub(r"\bp (?=\d|below)", "p\u00a0", statement(row, words.confidence).replace(" % ", "% "))
    return Sentence(said, href, answer.data(row), f"{pair(words, row)}, separations")


def shown(words: Words, answer: Answer, href: str) -> list[Sentence]:
    """The pairs whose separations differ: only they belong among what needs attention."""
    return [
        conclusion(words, answer, row, href)
        for row in answer.rows
        if verdict(row, words.confidence) == "difference shown"
    ]
