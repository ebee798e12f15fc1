"""Rows that hold several records: a column for each canal, several uses of instruments in one cell."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.mapping.canals import SYNONYMS
from pipeline.mapping.draft.assign import Source, Sources
from pipeline.mapping.draft.headers import likenesses, without_unit
from pipeline.mapping.draft.profile import Profile

_WORD = re.compile(r"[^\W_]+")
_NUMBER = r"(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_PIECES = (  # how one use is written, most particular first; the count of equal uses may be missing
    ("{size}/{taper} x{times}", rf"\d{{1,3}}\s*/\s*{_NUMBER}\s*%?(?:\s*[xX×]\s*\d{{1,2}})?"),
    ("{times}x {size}/{taper}", rf"(?:\d{{1,2}}\s*[xX×]\s*)?\d{{1,3}}\s*/\s*{_NUMBER}\s*%?"),
    ("{size}-{taper} x{times}", rf"\d{{1,3}}\s*-\s*{_NUMBER}\s*%?(?:\s*[xX×]\s*\d{{1,2}})?"),
    ("{size} {taper} x{times}", rf"\d{{1,3}}\s+{_NUMBER}\s*%?(?:\s*[xX×]\s*\d{{1,2}})?"),
)
_SEPARATORS = (";", "|", "+", ">", "→", "\n", ",", "&")


@dataclass(frozen=True)
class Each:
    """Columns that repeat for canals: our name of each canal -> the word in the headers, and the headers' pattern."""

    words: dict[str, str]
    left_out: tuple[str, ...]  # headers of the same pattern, but not for all of these canals


@dataclass(frozen=True)
class Split:
    """A cell with several uses: its column (maybe one for each canal), what parts them, how one is written."""

    source: Source
    separator: str
    pattern: str
    share: float
    several: bool  # some cells hold more than one
    percent: bool  # tapers are written as 4 or 6


def find_each(sources: Sources) -> Each | None:
    """Group the columns whose headers differ by the name of a canal only, and make each group one source."""
    header = sources.raw.header[: len(sources.single)]
    patterns: dict[str, dict[str, tuple[str, int]]] = {}  # pattern -> canal -> its word, its place
    for place, text in enumerate(header):
        if sources.headerless or not text or "{" in text or header.count(text) > 1:
            continue
        for canal, word, pattern in _named(text):
            patterns.setdefault(pattern, {}).setdefault(canal, (word, place))
    groups = {p: canals for p, canals in patterns.items() if len(canals) >= 2 and _are_canals(p, canals)}
    if not groups:
        return None
    # The words are declared once: those that most patterns share.
    sets: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for pattern, canals in groups.items():
        sets.setdefault(tuple((canal, word) for canal, (word, _) in canals.items()), []).append(pattern)
    same: dict[frozenset[tuple[str, str]], list[str]] = {}
    for words, found in sets.items():
        same.setdefault(frozenset(words), []).extend(found)
    best = max(same, key=lambda words: (len(same[words]), len(words)))
    used, left = [], []
    for pattern, canals in groups.items():
        if best <= {(canal, word) for canal, (word, _) in canals.items()}:
            used.append(pattern)
        else:
            left += [header[place] for _, place in canals.values()]
    order = {canal: at for pattern in used for canal, (_, at) in groups[pattern].items()}
    words_ = dict(sorted(best, key=lambda item: order[item[0]]))
    grouped: set[int] = set()
    for pattern in used:
        places = [groups[pattern][canal][1] for canal in words_]
        cells = pl.concat([sources.raw.rows[f"c{at}"].rename("v") for at in places])
        text = without_unit(pattern.replace("{canal}", " ")).strip(" _-/.()[]:") or pattern.replace("{canal}", " ")
        compared = tuple(t for t in dict.fromkeys((pattern.replace("{canal}", " ").strip(" _-/.:"), text)) if t.strip())
        profile = Profile(cells, sources.raw.typed_cells)
        sources.groups.append(Source((pattern,), compared, tuple(places), profile, group=True))
        grouped.update(places)
    sources.grouped = frozenset(grouped)
    return Each(words_, tuple(left))


def _named(text: str) -> Iterator[tuple[str, str, str]]:
    """The canals that a header may name: our name, the word for it, and the header with {canal} for it."""
    words = list(_WORD.finditer(text))
    for many in (3, 2, 1):
        for i in range(len(words) - many + 1):
            start, stop = words[i].start(), words[i + many - 1].end()
            word = text[start:stop]
            canal = SYNONYMS.get("".join(c for c in word.lower() if c.isalnum()))
            if canal:
                yield canal, word, text[:start] + "{canal}" + text[stop:]


def _are_canals(pattern: str, canals: dict[str, tuple[str, int]]) -> bool:
    """Letters alone may be anything: they are canals if one of them is a name of two letters, or the rest is known."""
    rest = pattern.replace("{canal}", " ").strip(" _-/.:")
    letters = {word.lower() for word, _ in canals.values()}
    told = any(len(word) > 1 and word not in ("main", "only", "single", "unique") for word in letters)
    if not rest:
        return told and len(canals) >= 2
    known = likenesses([rest])
    best = max(row[0].score for (kind, _), row in known.items() if kind in ("canals", "instrument_uses"))
    return best >= 0.6 or (told and len(canals) >= 3)


def find_split(sources: Sources) -> Split | None:
    """The column whose cells hold uses of instruments as size/taper, if there is one."""
    best: Split | None = None
    for source in sources.all:
        if source.joined or not source.profile.filled or source.profile.moments:
            continue
        found = _split(source)
        if found and (best is None or found.share > best.share):
            best = found
    return best


def _split(source: Source) -> Split | None:
    text = source.profile.sample["v"]
    if source.profile.matching(r"\d\D+\d") < 0.9:
        return None
    for pattern, piece in _PIECES:
        alone = text.str.contains(rf"^{piece}$")
        for separator in _SEPARATORS:
            sign = re.escape(separator)
            whole = text.str.contains(rf"^{piece}(?:\s*{sign}\s*{piece})*\s*{sign}?\s*$")
            share = source.profile.share(whole)
            several = bool((whole & ~alone).any())
            if share >= 0.9 and (several or separator == ";"):
                if not several and source.profile.numbers.share > 0.5:
                    continue
                tapers = text.str.extract_all(rf"/\s*{_NUMBER}|-\s*{_NUMBER}|\s{_NUMBER}").explode()
                tapers = tapers.str.replace_all(r"^[/\s-]+", "").str.replace(",", ".", literal=True)
                values = tapers.cast(pl.Float64, strict=False).drop_nulls()
                percent = bool(len(values)) and bool((values >= 1).all())
                return Split(source, separator, pattern, share, several, percent)
    return None
