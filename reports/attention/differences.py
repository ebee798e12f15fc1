"""What a comparison of two sequences allows one to say."""

from __future__ import annotations

import re
from typing import Any

from pipeline.measures.sentence import statement, verdict, words_of
from reports.blocks import Sentence
from reports.evidence.comparison import pair
from reports.source import Answer
from reports.words import MINUS, Words


def conclusion(
    words: Words, answer: Answer, row: dict[str, Any], whose: str = "", href: str = "", *, whole: bool = True
) -> Sentence:
    """The sentence that a comparison of two sequences allows, as the command line says it, set for a page.

    Not `whole`: without what was allowed for by name, where the page says that beside the sentences.
    """
    lead = f"{pair(words, row)}, {whose}" if whose else pair(words, row)
    said = statement(row, words_of(answer.measure, "sequence"), words.confidence, whole=whole)
    return Sentence(_set(said), href, answer.data(row), lead)


def is_shown(words: Words, row: dict[str, Any]) -> bool:
    """Does a comparison show a difference? Only then does it belong among what needs attention."""
    return verdict(row, words.confidence) == "difference shown"


def _set(text: str) -> str:
    """Text of the command line in a page's type: a true minus, `95%`, and no line broken between p and its value."""
    text = re.sub(r"(?<![\w])-(?=\d)", MINUS, text)
    return re.sub(r"\bp (?=\d|below)", "p\u00a0", text.replace(" % ", "% "))
