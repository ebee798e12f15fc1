"""How figures, dates and groups are written, in one place: what a reader sees is decided here and nowhere else.

Figures arrive as numbers in the measure's own unit (shares 0..1) and leave as text. Nothing is computed but rounding.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from pipeline.measures import sentence
from pipeline.measures.groups import GROUPS
from pipeline.output.text import plain

MINUS = "\u2212"
TOO_FEW = "too few"
NOT_RECORDED = "not recorded"

# ISO 4217 currencies without a minor unit; all others are written with two decimals.
_NO_MINOR_UNIT = frozenset(
    [
        "BIF",
        "CLP",
        "DJF",
        "GNF",
        "ISK",
        "JPY",
        "KMF",
        "KRW",
        "PYG",
        "RWF",
        "UGX",
        "UYI",
        "VND",
        "VUV",
        "XAF",
        "XOF",
        "XPF",
    ]
)

_GROUP_TITLES = GROUPS | {  # where a page says it more shortly or more plainly than the command line
    "arch": "jaw",
    "tooth": "tooth",
    "curvature_class": "curvature",
    "size": "instrument size",
    "basis": "how the time was found",
}

_VALUE_TITLES: dict[str, dict[str, str]] = {
    "tooth_type": {"incisor": "Incisors", "canine": "Canines", "premolar": "Premolars", "molar": "Molars"},
    "tooth_group": {"anterior": "Front teeth", "premolar": "Premolars", "molar": "Molars"},
    "arch": {"upper": "Upper jaw", "lower": "Lower jaw"},
    "lesion": {"yes": "With a lesion before", "no": "No lesion before"},
    "image": {
        "periapical": "Periapical film",
        "panoramic": "Panoramic film",
        "cbct": "CBCT",
        "other": "Another image",
        "none": "No image",
    },
    "kind": {"primary": "First treatment", "retreatment": "Retreatment", "other": "Another treatment"},
    "motion": {
        "hand": "By hand",
        "rotation": "Rotation",
        "reciprocation": "Reciprocation",
        "mixed": "Rotation and reciprocation",
        "other": "Another motion",
    },
    "sequence": {"mixed": "More than one sequence"},
    # Schneider's classes leave gaps between them: see pipeline/facts/canal_base.sql.
    "curvature_class": {
        "straight": "Straight (up to 5\u00b0)",
        "moderate": "Moderate (10 to 20\u00b0)",
        "severe": "Severe (25 to 70\u00b0)",
        "unclassed": "In none of the classes",
    },
    "basis": {"measured": "Measured", "estimated": "Estimated from the visit"},
}


# ---- text from records ------------------------------------------------------------------------------------------


def wrap(text: str, width: int, most: int = 4) -> list[str]:
    """`text` in lines of at most `width` characters; after `most` lines it ends in an ellipsis."""
    lines: list[str] = []
    line = ""
    for word in text.split(" "):  # a no-break space holds words together
        while len(word) > width:  # a word longer than a line is cut where the line ends
            room = width - len(line) - bool(line)
            if room < 4:
                lines.append(line)
                line, room = "", width
            line = f"{line} {word[:room]}".strip()
            word = word[room:]
            lines.append(line)
            line = ""
        if len(line) + bool(line) + len(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    if line or not lines:
        lines.append(line)
    if len(lines) > most:
        lines = [*lines[: most - 1], lines[most - 1][: width - 1].rstrip() + "\u2026"]
    return lines


def capital(text: str) -> str:
    """The text with its first letter large; the rest as it is."""
    return text[:1].upper() + text[1:]


def series(words: Sequence[str], last: str = "and") -> str:
    """`a, b and c`."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


# ---- numbers ----------------------------------------------------------------------------------------------------


def number(value: float, decimals: int = 0) -> str:
    """A number with thousands separated by commas and a true minus sign; never a minus before a zero."""
    text = f"{value:,.{decimals}f}"
    if text.startswith("-"):
        text = text[1:] if not text.strip("-0.,") else MINUS + text[1:]
    return text


def count(value: float) -> str:
    """A count of things; of a thousand and more no part of one is told."""
    return number(value, 0 if float(value).is_integer() or abs(value) >= 1000 else 1)


def counted(value: int, one: str, many: str | None = None) -> str:
    """`1 canal`, `12 canals`."""
    return f"{count(value)} {one if value == 1 else many or one + 's'}"


def points(value: float) -> str:
    """A difference of two shares (-1..1) in percentage points with its sign, as the command line says it."""
    return sentence.points(value).replace("-", MINUS)


def percent(share: float, decimals: int = 0) -> str:
    """A share (0..1) that no result describes: `42%`."""
    return f"{number(share * 100, decimals)}%"


def days(value: float | None, low: float | None = None, high: float | None = None) -> str:
    """How long something lasts: `31 days (13 to 59)`; `not known` where nothing tells."""
    if value is None:
        return "not known"
    said = f"{number(value)}\u00a0{'day' if number(value) == '1' else 'days'}"
    if low is None:
        return said
    return (
        f"{said} ({number(low)}\u00a0to\u00a0{number(high)})"
        if high is not None
        else f"{said} (at least {number(low)})"
    )


def level(confidence: float) -> str:
    """0.95 -> `95%`."""
    return f"{confidence * 100:.6g}%"


# ---- dates ------------------------------------------------------------------------------------------------------


def day(value: date) -> str:
    """`31 October 2026`."""
    return f"{value.day} {calendar.month_name[value.month]} {value.year}"


def short_day(value: date) -> str:
    """`31 Oct 2026`, never broken over two lines."""
    return f"{value.day}\u00a0{calendar.month_abbr[value.month]}\u00a0{value.year}"


def month(value: str) -> str:
    """`2026-10` -> `October 2026`; anything else as it is."""
    found = re.fullmatch(r"(\d{4})-(\d{2})", value)
    if not found or not 1 <= int(found[2]) <= 12:
        return value
    return f"{calendar.month_name[int(found[2])]} {found[1]}"


def short_month(value: str) -> str:
    """`2026-10` -> `Oct 2026`."""
    words = month(value).split()
    return f"{words[0][:3]} {words[1]}" if len(words) == 2 else value


# ---- groups -----------------------------------------------------------------------------------------------------


def group_title(by: str) -> str:
    """What a group is called: `tooth_type` -> `tooth type`."""
    return _GROUP_TITLES.get(by, by.replace("_", " "))


def groups_title(by: Iterable[str]) -> str:
    """`by tooth type and sequence`, or nothing."""
    named = series([group_title(b) for b in by])
    return f"by {named}" if named else ""


_BRACKETS = re.compile(r"\s*\([^)]*\)")


def is_percent(result: Any) -> bool:
    """Is a figure of this result a share of one, shown in per cent? Its unit tells: `share`, `share of incidents`."""
    return str(result.unit).split(" ")[0] == "share"


def is_points(result: Any) -> bool:
    """Is a figure of this result a difference of two shares, shown in percentage points?"""
    return str(result.unit) == "difference of shares"


def counts_events(result: Any) -> bool:
    """Is a figure of this result made of so many events among so many, both of which its rows hold?"""
    return result.kind in _OF_WHICH


def one_of(things: str) -> str:
    """`instrumented teeth` -> `instrumented tooth`, `separations of instruments` -> `separation of instruments`."""
    head, of, rest = things.partition(" of ")
    head = f"{head.removesuffix('teeth')}tooth" if head.endswith("teeth") else head.removesuffix("s")
    return f"{head}{of}{rest}"


# kinds with so many of so many
_OF_WHICH = frozenset(
    {"rate", "share", "incidence", "checks", "bounds", "classes", "funnel", "breakdown", "completeness", "gaps"}
)
_AFTER = {"minutes": "min", "s": "s", "days": "days"}  # units written behind a figure; the others stand in headings


class Words:
    """The words of one practice: its currency, its level of confidence and the titles of its sequences."""

    def __init__(self, currency: str = "EUR", confidence: float = 0.95, sequences: Mapping[str, str] | None = None):
        self.currency = currency
        self.confidence = confidence
        self.sequences = list(sequences or {})  # in the order of the catalogue
        self._sequences = {key: plain(title) for key, title in (sequences or {}).items() if title and plain(title)}

    @classmethod
    def of(cls, settings: Any) -> Words:
        """The words for these settings."""
        titles = {s.id: s.title for s in settings.sequences}
        return cls(settings.currency, settings.reporting.confidence, titles)

    def titles(self, by: str) -> dict[str, str]:
        """The values of a group that have names of their own, in order: `{"molar": "Molars"}`."""
        own = {s: self.value(by, s) for s in self.sequences} if by == "sequence" else {}
        return own | _VALUE_TITLES.get(by, {})

    @property
    def interval(self) -> str:
        """`95% interval`."""
        return f"{level(self.confidence)} interval"

    def value(self, by: str, value: object) -> str:
        """One group's name as a reader knows it."""
        if value is None:
            return capital(NOT_RECORDED)
        text = plain(value)
        if by == "sequence" and text in self._sequences:
            return self._sequences[text]
        if by == "month":
            return month(text)
        if by == "dentist":
            return f"Dentist {text}"
        return _VALUE_TITLES.get(by, {}).get(text) or (
            capital(text) if by not in {"sequence", "tooth", "canal"} else text
        )

    def group(self, row: Mapping[str, Any], by: Sequence[str]) -> str:
        """All groups of a row in one label; `All` where nothing is grouped."""
        return ", ".join(self.value(b, row.get(b)) for b in by) or "All"

    # ---- figures of a measure

    def decimals(self, result: Any) -> int:
        """Decimals for all figures of a result, so that a column reads evenly: enough to tell its rows apart."""
        sizes = [abs(row["estimate"]) for row in result.rows if row.get("estimate")]
        if not sizes:  # all zero or none: the upper bounds say how fine the figures are
            sizes = [abs(row["high"]) for row in result.rows if row.get("high")]
        largest = max(sizes, default=0.0)
        if is_percent(result):
            fine = bool(sizes) and (min(sizes) > 0.95 or largest < 0.05)
            return 1 if fine else 0
        if is_points(result):
            return 1
        if self.is_money(result):
            return 0 if self.currency.upper() in _NO_MINOR_UNIT else 2
        if counts_events(result):
            return 2 if largest < 1 else 1 if largest < 100 else 0
        if result.kind == "time":
            return 1 if largest < 20 else 0
        return 2 if largest < 3 else 1

    def is_money(self, result: Any) -> bool:
        """Is the measure's unit the practice's currency?"""
        return str(result.unit).lower() in {"currency", "money", self.currency.lower()}

    def figure(self, result: Any, value: float | None, decimals: int | None = None) -> str:
        """One figure with its unit: `86%`, `+3.0 points`, `38 min`, `EUR 4.20`, `1.9`."""
        if value is None:
            return "\u2013"
        places = self.decimals(result) if decimals is None else decimals
        if is_percent(result):
            return f"{number(value * 100, places)}%"
        if is_points(result):
            return f"{points(value)} points"
        if value == 0 and counts_events(result):
            return "0"
        if self.is_money(result):
            return f"{plain(self.currency)} {number(value, places)}"
        text, unit = number(value, places), self.unit_after(result)
        return f"{text}{' day' if text == '1' and unit == ' days' else unit}"

    @staticmethod
    def unit_after(result: Any) -> str:
        """The unit as written straight after a figure; rates and counts are named in the heading instead."""
        after = _AFTER.get(str(result.unit))
        return f" {after}" if after else ""

    def bounds(self, result: Any, row: Mapping[str, Any], decimals: int | None = None) -> str:
        """`35 to 41`: the interval of a row, in the same digits as its figure; empty where there is none."""
        low, high = row.get("low"), row.get("high")
        places = self.decimals(result) if decimals is None else decimals
        scale, per = (100, "%") if is_percent(result) else (1, "")

        def limit(value: float) -> str:
            return points(value) if is_points(result) else number(value * scale, places)

        if low is None:
            return "" if high is None else f"at most {limit(high)}{per}"
        if high is None:
            return f"at least {limit(low)}{per}"
        return f"{limit(low)}\u00a0to\u00a0{limit(high)}{per}"

    def with_interval(self, result: Any, row: Mapping[str, Any], decimals: int | None = None) -> str:
        """`38 min (35 to 41)`; `too few` for a group that is not shown."""
        if row.get("too_few"):
            return TOO_FEW
        if row.get("estimate") is None:
            return "no figure"
        text = self.figure(result, row["estimate"], decimals)
        bounds = self.bounds(result, row, decimals)
        return f"{text} ({bounds})" if bounds else text

    def with_n(self, result: Any, row: Mapping[str, Any], decimals: int | None = None) -> str:
        """`38 min (35 to 41), n 120`; a group not shown keeps its n to itself."""
        text = self.with_interval(result, row, decimals)
        if row.get("too_few") or row.get("n") is None:
            return text
        return f"{text}, n\u00a0{count(row['n'])}"

    def full(self, result: Any, row: Mapping[str, Any], measure: Any = None) -> str:
        """For a sentence: `38 min (95% interval 35 to 41; n 120)`, `0.56 (...; 1 separation in 180 canals)`.

        The measure's own words for what is counted stand beside events, where it is given.
        """
        if row.get("too_few"):
            return TOO_FEW
        bounds = self.bounds(result, row)
        inside = [f"{self.interval} {bounds}"] if bounds else []
        of = row.get("exposure") or row.get("n")
        if row.get("events") is not None and of is not None and counts_events(result):
            events, n = count(row["events"]), count(of)
            if is_percent(result) or not (measure and measure.numerator and measure.denominator):
                inside.append(f"{events} of {n}")
            else:
                what, among = plain(measure.numerator), _BRACKETS.sub("", plain(measure.denominator))
                what, among = one_of(what) if row["events"] == 1 else what, one_of(among) if of == 1 else among
                inside.append(f"{events} {what} in {n} {among}")
        elif row.get("n") is not None:
            inside.append(f"n {count(row['n'])}")
        return self.figure(result, row.get("estimate")) + (f" ({'; '.join(inside)})" if inside else "")

    # ---- cells of record lists

    def cell(self, value: object) -> str:
        """A value of a record as text for a table."""
        if value is None:
            return NOT_RECORDED
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, datetime):
            return f"{short_day(value.date())} {value:%H:%M}"
        if isinstance(value, date):
            return short_day(value)
        if isinstance(value, int):
            return str(value)
        if isinstance(value, float):
            return number(value, 0 if value.is_integer() else 2)
        return plain(value)
