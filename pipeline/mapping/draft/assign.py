"""Which column of an export is which of ours: the best one-to-one assignment, and how sure each pair of it is.

Confidence of a pair: fit x (likeness + (1 - likeness) x 0.7 x telling), all in 0..1. It grows with each of them: cells
that do not fit cannot be outweighed by a header, and an unknown header can be made up for, in part, by cells that are
telling. A pair is sure when its confidence reaches SURE and nothing else comes within MARGIN of it. Both were set with
the generated exports of tests/pipeline/mapping/draft, so that what is called sure is right.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import polars as pl

from pipeline.mapping.draft.fit import Fit, fit, word_list
from pipeline.mapping.draft.headers import OTHER, Likeness, compared_words, likenesses
from pipeline.mapping.draft.profile import Profile
from pipeline.records import KINDS
from pipeline.sources.table import RawTable

SURE = 0.8
MARGIN = 0.12
UNSURE = 0.5  # below it a pair is no pair; nor where something else is likelier by MARGIN
UNSURE_BY_CELLS = 0.2  # the same where there is no header, and everything is a question
_TELLING = 0.7
_FAINT = 0.3  # headers less like than this are asked about only where cells may be telling
_TELLING_COLUMNS = ("tooth", "canal", "udi", "birth_year")
_DATE_WORDS = frozenset(("date", "datum", "data", "fecha", "jour", "tag", "dzien", "giorno", "dia", "day"))
LARGEST = 300  # columns that are looked at


@dataclass(frozen=True)
class Source:
    """A column of the export, or two that are read as one, or one for each canal.

    `names` as a mapping names them; `headers` as they are compared with our vocabulary; `at` the places in the header.
    `joined`: a date and a time of day. `group`: one for each canal. `doubt`: what must be asked if it is used.
    """

    names: tuple[str, ...]
    headers: tuple[str, ...]
    at: tuple[int, ...]
    profile: Profile
    joined: bool = False
    group: bool = False
    doubt: str = ""


@dataclass(frozen=True)
class Pair:
    """A column of ours and the source that it would be read from."""

    column: str
    source: Source
    confidence: float
    likeness: Likeness
    fit: Fit
    margin: float = 1.0
    rivals: tuple[str, ...] = ()  # what else it might be, as words

    @property
    def sure(self) -> bool:
        return self.confidence >= SURE and self.margin >= MARGIN and not self.source.doubt


def confidence(likeness: float, fit_: float, telling: float) -> float:
    """See the module: monotone in each argument, 0..1."""
    return fit_ * (likeness + (1 - likeness) * _TELLING * telling)


class Sources:
    """The columns of an export, and how like each is to each of ours."""

    def __init__(self, raw: RawTable, headerless: bool = False) -> None:
        self.raw, self.headerless = raw, headerless
        header = raw.header[:LARGEST]
        self.single = [
            Source((name_of(raw.header, i),), () if headerless or not text else (text,), (i,), profile)
            for i, text in enumerate(header)
            for profile in (Profile(raw.rows[f"c{i}"], raw.typed_cells),)
        ]
        self.groups: list[Source] = []
        self.grouped: frozenset[int] = frozenset()  # places of columns that belong to one canal
        self._fits: dict[tuple[str, str, int], Fit] = {}

    @cached_property
    def joined(self) -> list[Source]:
        """Each column of times of day with the column of dates it belongs to."""
        dates = [s for s in self.single if s.profile.moments and not s.profile.moments.timed]
        found = []
        for time in self.single:
            if time.profile.clocks < 0.9 or time.profile.moments or not dates:
                continue
            named = [s for s in dates if s.headers and _DATE_WORDS.intersection(compared_words(s.headers[0]))]
            before = [s for s in dates if s.at < time.at]
            date = named[0] if len(named) == 1 else before[-1] if before else dates[0]
            doubt = ""
            if len(dates) > 1 and len(named) != 1:
                others = ", ".join(f'"{s.names[0]}"' for s in dates if s is not date)
                doubt = f'the day of "{time.names[0]}" may stand in "{date.names[0]}" or in {others}'
            day = self._text(date, r"^(\d{4}-\d\d-\d\d)[ T]00:00:00$")
            clock = self._text(time, r"^1899-12-3[01] (.*)$")
            cells = self.raw.rows.select(pl.concat_str([day, clock], separator=" ").alias("v"))["v"]
            headers = tuple(
                dict.fromkeys((*time.headers, *date.headers, *(f"{d} {t}" for d in date.headers for t in time.headers)))
            )
            found.append(
                Source(
                    (date.names[0], time.names[0]),
                    headers,
                    (*date.at, *time.at),
                    Profile(cells, self.raw.typed_cells),
                    joined=True,
                    doubt=doubt,
                )
            )
        return found

    def _text(self, source: Source, only: str) -> pl.Expr:
        cell = pl.col(f"c{source.at[0]}").str.strip_chars()
        return cell.str.replace(only, "$1").alias("v")

    @cached_property
    def all(self) -> list[Source]:
        single = [source for source in self.single if not self.grouped.intersection(source.at)]
        return [*single, *self.joined, *self.groups]

    @cached_property
    def likenesses(self) -> dict[tuple[str, str], list[Likeness]]:
        """(kind, column) -> how like each of `all` is to it."""
        texts = [text for source in self.all for text in source.headers]
        of_text = likenesses(texts) if texts else {}
        nothing = Likeness(0.0, "")
        found = {}
        ours = [(kind.name, column) for kind in KINDS.values() for column in (*kind.names, "practice")]
        for column in (*ours, OTHER):
            scores, at, row = of_text.get(column, []), 0, []
            for source in self.all:
                mine = scores[at : at + len(source.headers)]
                at += len(source.headers)
                row.append(max(mine, key=lambda likeness: likeness.score, default=nothing))
            found[column] = row
        return found

    def fit(self, kind: str, column: str, at: int) -> Fit:
        key = (kind, column, at)
        if key not in self._fits:
            source = self.all[at]
            self._fits[key] = fit(kind, column, source.headers[0] if source.headers else "", source.profile)
        return self._fits[key]


def name_of(header: tuple[str, ...], at: int) -> str:
    """How a mapping names a column: its header, or its place where that is empty or stands twice."""
    text = header[at]
    plain_name = bool(text) and header.count(text) == 1 and not any(c in text for c in "\r\n")
    return text if plain_name else f"#{at + 1}"


def assign(sources: Sources, kind: str, allowed: frozenset[int] | None = None) -> list[Pair]:
    """The best assignment of columns to those of `kind`, surest first. `allowed`: the sources that may be used."""
    import numpy as np
    from scipy.optimize import linear_sum_assignment

    columns = (*KINDS[kind].names, "practice")
    offered = [i for i in range(len(sources.all)) if allowed is None or i in allowed]
    scores = np.zeros((len(columns), len(offered)))
    for row, column in enumerate(columns):
        may_tell = column in _TELLING_COLUMNS or word_list(kind, column) is not None
        for place, i in enumerate(offered):
            likeness = sources.likenesses[kind, column][i].score
            source = sources.all[i]
            if likeness < _FAINT and not (may_tell and not source.joined):
                continue
            if source.group and kind not in ("canals", "instrument_uses"):
                continue
            found = sources.fit(kind, column, i)
            scores[row, place] = confidence(likeness, found.fit, found.telling)
    pairs = []
    rows, places = linear_sum_assignment(scores, maximize=True)
    least = UNSURE_BY_CELLS if sources.headerless else UNSURE
    taken = {int(p): float(scores[r, p]) for r, p in zip(rows, places, strict=True) if scores[r, p] >= least}
    given = {int(r): float(scores[r, p]) for r, p in zip(rows, places, strict=True) if scores[r, p] >= least}
    for row, place in zip(map(int, rows), map(int, places), strict=True):
        score = float(scores[row, place])
        if score < least:
            continue
        # A rival is a pair that this one keeps from being: its other half is free, or would be better off.
        rivals = [
            (float(scores[row, p]), f'"{sources.all[offered[p]].names[-1]}"')
            for p in range(len(offered))
            if p != place and scores[row, p] > taken.get(p, 0.0)
        ]
        rivals += [
            (float(scores[r, place]), columns[r])
            for r in range(len(columns))
            if r != row and scores[r, place] > given.get(r, 0.0)
        ]
        i = offered[place]
        other = sources.likenesses[OTHER][i]
        if other.score > sources.likenesses[kind, columns[row]][i].score - MARGIN and not sources.all[i].joined:
            rivals.append((other.score, f'a column that is not used here, like "{other.term}"'))
        near = [(s, name) for s, name in rivals if s > score - MARGIN]
        best = max((s for s, _ in rivals), default=0.0)
        pairs.append(
            Pair(
                columns[row],
                sources.all[i],
                score,
                sources.likenesses[kind, columns[row]][i],
                sources.fit(kind, columns[row], i),
                score - best,
                tuple(name for _, name in sorted(near, reverse=True)[:3]),
            )
        )
    pairs = _one_use_of_a_time([pair for pair in pairs if pair.margin > -MARGIN])
    return sorted(pairs, key=lambda pair: -pair.confidence)


def _one_use_of_a_time(pairs: list[Pair]) -> list[Pair]:
    """A column of times that is read with its date is not also read alone."""
    within = {at for pair in pairs if pair.source.joined for at in pair.source.at[1:]}
    return [pair for pair in pairs if pair.source.joined or not within.intersection(pair.source.at)]


def settle_dates(sources: Sources) -> None:
    """Let a column whose dates are certain settle those that are written alike: one system wrote the file."""
    settled: dict[frozenset[str], set[str]] = {}
    named: dict[str, str] = {}
    everyone = [*sources.single, *sources.joined, *sources.groups]
    for source in everyone:
        moments = source.profile.moments
        if moments and len(moments.days) == 1:
            settled.setdefault(_family(moments.days[0]), set()).add(moments.days[0])
            named.setdefault(moments.days[0], source.names[0])
    for source in everyone:
        moments = source.profile.moments
        if moments and len(moments.days) > 1:
            certain = settled.get(_family(moments.days[0]), set())
            if len(certain) == 1 and (day := next(iter(certain))) in moments.days:
                source.profile.moments = replace(moments, days=(day,), like=f'"{named[day]}"')


def settle_decimals(sources: Sources) -> None:
    """Let numbers such as 0,035 settle that the commas of 2,150 are decimal signs: one system wrote the file."""
    everyone = [*sources.single, *sources.groups]
    commas = any(s.profile.numbers.decimal == "," and not s.profile.numbers.thousands for s in everyone)
    points = any(s.profile.numbers.decimal == "." for s in everyone)
    for source in everyone:
        source.profile.decimal_commas = commas and not points


def _family(day: str) -> frozenset[str]:
    """What formats share that differ in order only: their parts and the sign between."""
    return frozenset((*day.split("%"), day[2:3]))
