"""What the cells of one column look like, whatever the column may be: shares, formats, magnitudes. No cell leaves here.

A column is looked at as its distinct values and how often each stands in it.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files

import polars as pl

from pipeline.mapping.draft.headers import compared_words, unit_name
from pipeline.records import KINDS

LOOKED_AT = 20_000  # distinct values; shares are of these

ISO = "iso"  # how mapping files call 2026-03-31, with or without a time
_DAY = r"\d{1,2}"
_MONTHS = "[A-Za-z]{3,9}"


@dataclass(frozen=True)
class _Shape:
    """A way of writing dates: a regular expression and the formats that it may mean."""

    pattern: str
    formats: tuple[str, ...]


def _shapes() -> tuple[_Shape, ...]:
    shapes = [_Shape(rf"\d{{4}}-{_DAY}-{_DAY}", (ISO,)), _Shape(r"(?:19|20)\d{6}", ("%Y%m%d",))]
    shapes += [_Shape(rf"\d{{4}}{re.escape(s)}{_DAY}{re.escape(s)}{_DAY}", (f"%Y{s}%m{s}%d",)) for s in "/."]
    for s in "./-":
        fields = rf"{_DAY}{re.escape(s)}{_DAY}{re.escape(s)}"
        shapes.append(_Shape(fields + r"\d{4}", (f"%d{s}%m{s}%Y", f"%m{s}%d{s}%Y")))
        shapes.append(_Shape(fields + r"\d{2}", (f"%d{s}%m{s}%y", f"%m{s}%d{s}%y", f"%y{s}%m{s}%d")))
    for s in " -":
        shapes.append(_Shape(rf"{_DAY}{s}[A-Za-z]{{3}}{s}\d{{4}}", (f"%d{s}%b{s}%Y",)))
    shapes.append(_Shape(rf"{_DAY} {_MONTHS} \d{{4}}", ("%d %B %Y",)))
    shapes.append(_Shape(rf"[A-Za-z]{{3}} {_DAY}, \d{{4}}", ("%b %d, %Y",)))
    return tuple(shapes)


SHAPES = _shapes()
TIMES = (
    (r"\d{1,2}:\d{2}", "%H:%M"),
    (r"\d{1,2}:\d{2}:\d{2}", "%H:%M:%S"),
    (r"\d{1,2}:\d{2} [AaPp][Mm]", "%I:%M %p"),
    (r"\d{1,2}:\d{2}:\d{2} [AaPp][Mm]", "%I:%M:%S %p"),
    (r"\d{1,2}\.\d{2}", "%H.%M"),
    (r"\d{1,2}h\d{2}", "%Hh%M"),
)
_OFFSET = r"(?:Z|[+-]\d{2}:?\d{2})"
_PERHAPS_DATE = r"^(?:\d{1,4}[./-]\d{1,2}[./-]\d{1,4}|\d{8}|\d{1,2}[ -][A-Za-z]{3}|[A-Za-z]{3} \d{1,2},)"
_NUMBER = r"^[+-]?(?:\d+[.,]?\d*|[.,]\d+)$"
_WITH_UNIT = r"^[+-]?(?:\d+[.,]?\d*|[.,]\d+)\s*[^\d\s.,+-].{0,5}$"
_CLOCK = r"^\d{1,2}:\d{2}(?::\d{2})?(?: ?[AaPp][Mm])?$|^\d{1,2}h\d{2}$"


@dataclass(frozen=True)
class Moments:
    """How the dates of a column are written.

    `days`: the formats of the day in which (nearly) every value reads, most likely first; one alone is certain.
    `clock`: the format of the time of day after it, with what stands between. `share` of rows that read in the first.
    `timed`: with a time of day. `offsets`: with the distance from UTC. `like`: the column that settled it, if another.
    """

    days: tuple[str, ...]
    clock: str
    share: float
    timed: bool
    offsets: bool = False
    like: str = ""
    recent: float = 1.0  # share of dates since 1995: dates of birth are older

    @property
    def formats(self) -> tuple[str, ...]:
        return tuple(day + self.clock for day in self.days)


@dataclass(frozen=True)
class Numbers:
    """The numbers of a column: distinct ones and how often each stands in it."""

    values: tuple[float, ...]
    counts: tuple[int, ...]
    share: float  # of rows that are numbers
    decimal: str | None  # the sign they have; None where all are whole, or both signs occur
    both_signs: bool
    thousands: bool  # every comma could part thousands: 1,250
    unit: str | None  # written behind each number
    whole: float  # share of the numbers that are whole

    def within(self, low: float, high: float, factor: float = 1.0) -> float:
        """The share of the numbers in a range, after they are multiplied by `factor`."""
        total = sum(self.counts)
        inside = sum(n for v, n in zip(self.values, self.counts, strict=True) if low <= v * factor <= high)
        return inside / total if total else 0.0

    @property
    def median(self) -> float:
        """The median of what is not zero."""
        pairs = sorted((abs(v), n) for v, n in zip(self.values, self.counts, strict=True) if v)
        half, seen = sum(n for _, n in pairs) / 2, 0
        for value, count in pairs:
            seen += count
            if seen >= half:
                return value
        return 0.0


class Profile:
    """One column of an export, or two that are read as one (date and time)."""

    def __init__(self, cells: pl.Series, typed_cells: bool = False) -> None:
        text = cells.str.strip_chars().rename("v")
        filled = text.filter(text != "")
        words = filled.to_frame().group_by("v").len("n").sort("n", "v", descending=[True, False])
        spoken = words.filter(pl.col("v").str.to_lowercase().is_in(list(_nothing())))
        self.typed_cells = typed_cells
        self.decimal_commas = False  # other columns of the file show that its commas are decimal signs
        self.rows = len(cells)
        # Words for "nothing filled in"; a minus is one unless a plus stands beside it.
        self.nothing: tuple[str, ...] = tuple(spoken["v"]) if not words["v"].is_in(["+"]).any() else ()
        self.values = words.filter(~pl.col("v").is_in(list(self.nothing)))
        self.filled = int(self.values["n"].sum())
        self.distinct = self.values.height
        self.sample = self.values.head(LOOKED_AT)
        self.sampled = int(self.sample["n"].sum())

    def share(self, mask: pl.Series) -> float:
        """The share of rows (of those looked at) whose value is in the mask over `sample`."""
        return float(self.sample["n"].filter(mask.fill_null(False)).sum()) / self.sampled if self.sampled else 0.0

    def matching(self, pattern: str) -> float:
        return self.share(self.sample["v"].str.contains(pattern))

    @cached_property
    def lowered(self) -> dict[str, int]:
        """Values in small letters -> rows; only where there are few."""
        if self.distinct > 200:
            return {}
        words: dict[str, int] = {}
        for value, count in self.values.iter_rows():
            words[value.lower()] = words.get(value.lower(), 0) + count
        return words

    @property
    def repeats(self) -> bool:
        """Few words that come again and again, as of a list to choose from."""
        return 0 < self.distinct <= 40 and (self.filled >= 2 * self.distinct or self.distinct <= 3)

    @cached_property
    def numbers(self) -> Numbers:
        text = self.sample["v"]
        share = self.share(text.str.contains(_NUMBER))
        unit = None
        if share < 0.5:
            suffix = text.str.extract(r"^[+-]?[\d.,]+\s*([^\d\s.,+-].{0,5})$")
            units = {unit_name(word) for word in suffix.drop_nulls().unique().head(5)}
            with_unit = self.share(text.str.contains(_WITH_UNIT) & suffix.is_not_null())
            if len(units) == 1 and with_unit >= 0.5 and (unit := units.pop()):
                text, share = text.str.extract(r"^([+-]?[\d.,]+)"), with_unit
        frame = pl.DataFrame({"v": text, "n": self.sample["n"]}).filter(pl.col("v").str.contains(_NUMBER))
        commas = frame["v"].str.contains(",", literal=True)
        points = frame["v"].str.contains(".", literal=True)
        both = bool(commas.any() and points.any())
        frame = frame.with_columns(x=pl.col("v").str.replace(",", ".", literal=True).cast(pl.Float64, strict=False))
        frame = frame.filter(pl.col("x").is_not_null())
        whole = int(frame.filter(pl.col("x") == pl.col("x").round())["n"].sum()) / max(1, int(frame["n"].sum()))
        decimal = None if both else "," if commas.any() else "." if points.any() else None
        with_comma = frame["v"].filter(frame["v"].str.contains(",", literal=True))
        thousands = bool(decimal == "," and with_comma.str.contains(r"^[+-]?[1-9]\d{0,2},\d{3}$").all())
        return Numbers(tuple(frame["x"]), tuple(frame["n"]), share, decimal, both, thousands, unit, whole)

    @cached_property
    def clocks(self) -> float:
        """The share that are times of day, or durations written alike (09:30, 04:35)."""
        return self.matching(_CLOCK)

    @cached_property
    def moments(self) -> Moments | None:
        """How dates, or dates with times, are written; None where the column has none."""
        text = self.sample["v"]
        if self.share(text.str.contains(_PERHAPS_DATE)) < 0.3:
            return None
        best: Moments | None = None
        for shape in SHAPES:
            if not text.str.contains(f"^{shape.pattern}").any():
                continue
            for pattern, clock, timed, offsets in _timed(shape):
                mask = text.str.contains(f"^{pattern}$")
                share = self.share(mask)
                if share > (best.share if best else 0.3):
                    read = self._read(mask, shape.formats, clock, timed, offsets)
                    best = read if read and (best is None or read.share > best.share) else best
        return best

    def _read(self, mask: pl.Series, days: tuple[str, ...], clock: str, timed: bool, offsets: bool) -> Moments | None:
        """Which formats of the day read the values of the mask."""
        values = self.sample.filter(mask)
        shares, kept, recent = [], [], []
        for day in days:
            form = day + clock
            if day == ISO:
                found = values["v"].str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False)
            elif timed:
                found = values["v"].str.to_datetime(form, strict=False).dt.date()
            else:
                found = values["v"].str.to_date(form, strict=False)
            reads = found.dt.year().is_between(1900, 2100).fill_null(False)
            if "%y" in form:
                # What is far to come was not recorded: a year that were a day would be. Only expiry is to come, and a
                # year is rarely written first in two figures.
                ahead = 1 if form.startswith("%y") else 10
                reads &= (found.dt.year() <= dt.date.today().year + ahead).fill_null(False)
            shares.append(float(values["n"].filter(reads).sum()) / self.sampled)
            kept.append(int(reads.sum()))
            since = (reads & (found.dt.year() >= 1995)).fill_null(False)
            recent.append(float(since.sum()) / max(1, kept[-1]))
        ranked = sorted(range(len(days)), key=lambda i: -shares[i])
        first = ranked[0]
        if shares[first] < 0.3:
            return None
        # Another reading is out when values speak against it: two, or every tenth; none (or hardly one in twenty of
        # those) may speak against the first.
        open_ = [first]
        for other in ranked[1:]:
            against = kept[first] - kept[other]
            failed = values.height - kept[first]
            certain = against >= min(2, max(1, values.height // 10)) and against > 20 * failed
            if not certain and kept[other] > 0.2 * values.height:
                open_.append(other)
        return Moments(tuple(days[i] for i in open_), clock, shares[first], timed, offsets, recent=recent[first])


def _timed(shape: _Shape) -> list[tuple[str, str, bool, bool]]:
    """A shape alone and with times: pattern, format of what follows the day, with time?, with offset?"""
    if shape.formats == (ISO,):
        time = r"[ T]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?"
        return [
            (shape.pattern, "", False, False),
            (shape.pattern + time, "", True, False),
            (shape.pattern + time + _OFFSET, "", True, True),
        ]
    found = [(shape.pattern, "", False, False)]
    for pattern, form in TIMES:
        found += [(f"{shape.pattern}{s}{pattern}", s + form, True, False) for s in (" ", "T", ", ")]
    return found


@cache
def words() -> dict[str, dict[str, tuple[str, ...]]]:
    """The words of words.toml: list -> meaning -> words. A column's list that is not there has its own words alone."""
    data = tomllib.loads((files(__package__) / "words.toml").read_text(encoding="utf-8"))
    known = {name: {meaning: tuple(found) for meaning, found in means.items()} for name, means in data.items()}
    for kind in KINDS.values():
        for column, values in kind.lists.items():
            if not {column, f"{kind.name}.{column}"} & set(data):
                known[f"{kind.name}.{column}"] = dict.fromkeys(values, ())
    return known


@cache
def _nothing() -> frozenset[str]:
    return frozenset(word.lower() for word in words()["nothing"]["words"])


@cache
def meanings(name: str) -> dict[tuple[str, ...], str]:
    """The words of a list as they are compared -> our word."""
    found: dict[tuple[str, ...], str] = {}
    for meaning, known in words()[name].items():
        for word in (meaning, *known):
            found.setdefault(key(word), meaning)
    return found


def key(word: str) -> tuple[str, ...]:
    """A word as it is compared; signs alone stay as they are."""
    return compared_words(word) or (word.strip().casefold(),)
