"""How well the cells of a column fit a column of ours, and what a mapping must say to read them.

The fit is the share of the filled cells that would be read, made smaller where the magnitudes or the repetition are not
those of such a column. `telling` says how far the cells alone give the column away: a device identifier is nothing
else, a date may be any date.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cache, reduce
from operator import or_

import polars as pl

from pipeline.mapping import units
from pipeline.mapping.canals import SYNONYMS
from pipeline.mapping.draft.headers import unit
from pipeline.mapping.draft.profile import Moments, Profile, key, meanings, words
from pipeline.mapping.tooth import NOTATIONS, to_fdi
from pipeline.records import KINDS, Column

# Ranges outside which a value is none of the column (in our unit); trade.md's and the rules', the rest common practice.
_RANGE = {
    "birth_year": (1900, 2100),
    "preop_pai": (1, 5),
    "pai": (1, 5),
    "lesion_mm": (0, 30),
    "booked_minutes": (1, 1440),
    "curvature_deg": (0, 120),
    "curve_radius_mm": (0.5, 50),
    "working_length_mm": (8, 40),
    "final_taper": (0, 0.2),
    "taper": (0, 0.2),
    "filling_extent_mm": (-8, 8),
    "step": (1, 60),
    "seconds": (0, 1800),
    "speed_rpm": (50, 50_000),
    "torque_ncm": (0.1, 15),
    "peak_torque_ncm": (0, 30),
    "depth_mm": (0, 42),
    "irrigant_ml": (0, 100),
    "length_mm": (10, 40),
    "price": (0, 100_000),
    "use_limit": (0, 1000),
    "sterilisations": (0, 1000),
    "fragment_mm": (0, 40),
    "pain_score": (0, 10),
}
_SIZES = ("first_binding_size", "glide_path_size", "final_size", "apical_gauge_size", "size")
_SERIES = frozenset((6, 8, 10, *range(15, 65, 5), *range(70, 150, 10)))  # ISO 3630-1, from memory
# Where the median (without zeros) of such a column lies in our unit; common practice. Narrow enough that another unit
# shows. A column that is not here is taken to be in our unit unless its header says otherwise.
_USUAL = {
    "working_length_mm": (14, 30),
    "length_mm": (17, 33),
    "depth_mm": (8, 26),
    "torque_ncm": (0.6, 5.5),
    "peak_torque_ncm": (0.3, 6),
    "taper": (0.015, 0.12),
    "final_taper": (0.015, 0.12),
    "seconds": (4, 900),
    "booked_minutes": (10, 240),
    "speed_rpm": (100, 2000),
    "lesion_mm": (1.2, 15),
    "curve_radius_mm": (1.5, 40),
    "pain_score": (0.9, 10),
}
# Units that somebody might use for them (a curve radius in inches is nobody's).
_LIKELY = {
    "lesion_mm": ("mm", "cm"),
    "curve_radius_mm": ("mm", "cm"),
    "depth_mm": ("mm", "cm", "0.1 mm"),
    "seconds": ("seconds", "minutes"),
}
_IDS = (
    "treatment_id",
    "visit_id",
    "use_id",
    "instrument_id",
    "incident_id",
    "follow_up_id",
    "contact_id",
    "patient_id",
)
_FEW = ("dentist", "chair", "sequence", "practice")  # names that come again and again
_SHOWN_FROM = 3  # rows: a word that stands in fewer may be a name that slipped into the wrong column, and is not shown
_GS1 = r"^(?:\][A-Za-z]\d)?(?:\(01\)\d{14}|01\d{14}(?:1[0167]|21)|\d{14}$)"


# Ways of answering a question: entries of the mapping, and what they would mean.
Answers = tuple[tuple[dict[str, object], str], ...]


@dataclass(frozen=True)
class Fit:
    """How a column of the export would be read as one of ours.

    `fit` and `telling` in 0..1; `says` is the evidence as words. `settings` are entries of the mapping (unit, notation,
    values, synonyms, decimal, format); `question` is what must be asked before the column can be read, with the ways of
    answering it (`answers`: further settings, each with what it would mean).
    """

    fit: float
    telling: float = 0.0
    says: str = ""
    settings: dict[str, object] = field(default_factory=dict)
    question: str = ""
    answers: Answers = ()
    unknown: tuple[str, ...] = ()  # words of a list that mean nothing here, those that may be shown
    unknown_count: int = 0
    unknown_share: float = 0.0  # of the filled rows
    booleans: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())
    repeated: bool = False  # a key that is not unique
    offsets: bool = False


def fit(kind: str, column: str, header: str, profile: Profile) -> Fit:
    """How the cells fit `column` of `kind`; `header` is asked for units and notations only."""
    if not profile.filled:
        return Fit(0.9, says="empty")
    of = next((c for c in KINDS[kind].columns if c.name == column), Column("practice"))
    found = _fit(kind, of, header, profile)
    if profile.nothing and of.type != "text":
        values = dict.fromkeys(profile.nothing, "") | dict(found.settings.get("values") or {})  # type: ignore[call-overload]
        found = replace(found, settings={**found.settings, "values": values})
    return found


def word_list(kind: str, column: str) -> str | None:
    """The list of words that a column's cells are taken from; None where it is free."""
    return next((name for name in (f"{kind}.{column}", column) if name in words()), None)


def _fit(kind: str, of: Column, header: str, profile: Profile) -> Fit:
    if of.name == "tooth":
        return _tooth(header, profile)
    if of.name == "canal":
        return _canal(profile)
    if of.name == "udi":
        share = profile.matching(_GS1)
        return Fit(max(share, 0.2), 0.95 * share, f"{_percent(share)} are GS1 codes")
    if name := word_list(kind, of.name):
        return _listed(name, profile)
    if of.type == "bool":
        return _yes_no(profile)
    if of.type == "date":
        return _date(profile)
    if of.type == "timestamp":
        return _timestamp(profile)
    if of.type in ("int", "decimal"):
        return _number(of, header, profile)
    return _text(kind, of, profile)


def _percent(share: float) -> str:
    """A share as words that never round up to all or down to none."""
    percent = share * 100
    if 0 < percent < 1:
        return "under 1 %"
    return f"{int(percent)} %" if share < 1 else "100 %"


def _tooth(header: str, profile: Profile) -> Fit:
    text = profile.sample["v"]
    frame = text.to_frame("v")
    reads = {
        name: frame.select(to_fdi(pl.col("v"), name).is_not_null().alias("v"))["v"]
        for name in ("fdi", *(name for name in NOTATIONS if name != "quadrant"))
    }
    shares = {name: profile.share(mask) for name, mask in reads.items()}
    best = max(shares, key=lambda name: shares[name])
    if shares[best] < 0.5:
        return Fit(shares[best] * 0.5, says=f"{_percent(shares[best])} are tooth numbers")
    only = {
        name: profile.share(mask & ~_any(other for n, other in reads.items() if n != name))
        for name, mask in reads.items()
    }
    words_ = header.casefold()
    said = next((n for n in NOTATIONS if n in words_), "fdi" if "fdi" in words_ or "3950" in words_ else None)
    if "1-32" in words_.replace("–", "-"):
        said = "universal"
    # Half of all numbers of two figures are FDI codes, a third Universal ones: many different ones are no accident.
    telling = 0.9 if profile.distinct >= (16 if best == "universal" else 8) and shares[best] > 0.97 else 0.4
    telling = 0.1 if profile.distinct < 4 else telling
    names = {"fdi": "FDI numbers", "universal": "Universal numbers", "palmer": "Palmer's", "iso names": "tooth names"}
    decided = [name for name, share in only.items() if share > 0.02 or (share and shares[name] == 1)]
    says = f"{_percent(shares[best])} are {names[best]}"
    if said in shares and shares[said] >= 0.9 and decided in ([], [said]):
        return Fit(
            shares[said], telling, f"{_percent(shares[said])} are {names[said]}, as the header says", _notation(said)
        )
    if len(decided) == 1 and shares[decided[0]] >= 0.5:
        name = decided[0]
        return Fit(
            shares[name],
            telling,
            f"{_percent(shares[name])} are {names[name]}, some of them nothing else",
            _notation(name),
        )
    ways = tuple((_notation(n), f"they are {names[n]}") for n in ("fdi", "universal") if shares[n] >= 0.3)
    if decided:
        return Fit(
            shares[best], telling, says, question="its teeth are written in more than one notation", answers=ways
        )
    return Fit(
        shares[best],
        telling,
        "100 % are FDI numbers and Universal ones as well",
        question="all its tooth numbers stand both in FDI and in Universal notation, for other teeth",
        answers=ways,
    )


def _any(masks: Iterable[pl.Series]) -> pl.Series:
    return reduce(or_, masks)


def _notation(name: str) -> dict[str, object]:
    return {"notation": name}


def _canal(profile: Profile) -> Fit:
    text = profile.sample["v"]
    short = {*SYNONYMS.values()}
    plain = text.str.to_lowercase().str.replace_all(r"[^\p{L}\p{N}]+", "")
    share = profile.share(plain.is_in(list(SYNONYMS)))
    exact = text.is_in(list(short)).all()
    settings: dict[str, object] = {} if exact or not share else {"synonyms": True}
    telling = 0.85 * share if profile.distinct >= 2 else 0.3 * share
    return Fit(0.15 + 0.85 * share, telling, f"{_percent(share)} are names of canals", settings)


def _listed(name: str, profile: Profile) -> Fit:
    known = meanings(name)
    if profile.distinct > 200 or profile.numbers.decimal or (profile.moments and profile.moments.share > 0.5):
        return Fit(0.1, says=f"{profile.distinct} different values, which is no list of words")
    values: dict[str, str] = {}
    unknown, rows = [], 0
    for value, count in profile.values.iter_rows():
        meaning = known.get(key(value))
        if meaning is None:
            unknown.append(value)
        else:
            rows += count
            if value != meaning:
                values[value] = meaning
    share = rows / profile.filled
    found = len(profile.values) - len(unknown)
    settings: dict[str, object] = {"values": values} if values else {}
    says = f"{_percent(share)} are words that are known here"
    if not found:
        # Nothing is known of it: its words may be anything, even names, and are not shown. Codes may be.
        codes = _showable(profile, unknown) if all(len(word) <= 2 for word in unknown) else ()
        level = 0.55 if profile.repeats else 0.25
        return Fit(level, 0, says, unknown=codes, unknown_count=len(unknown), unknown_share=1.0)
    telling = 0.9 * share if found >= 2 else 0.4 * share
    shown = _showable(profile, unknown) if share >= 0.5 else ()
    # Words to choose from come again; what is unlike in every row is free text that happens to hold one.
    level = 0.75 + 0.25 * share if profile.repeats or share > 0.9 else 0.6 * share
    return Fit(level, telling, says, settings, unknown=shown, unknown_count=len(unknown), unknown_share=1 - share)


def _showable(profile: Profile, unknown: Iterable[str]) -> tuple[str, ...]:
    """The unknown words of a list that may stand in a draft: those that come again and again."""
    if not profile.repeats:
        return ()
    often = set(profile.values.filter(pl.col("n") >= _SHOWN_FROM)["v"])
    return tuple(word for word in unknown if word in often and len(word) <= 60)


@cache
def _yes_and_no() -> tuple[frozenset[str], frozenset[str]]:
    return tuple(frozenset(w.lower() for w in words()["yes_no"][b]) for b in ("true", "false"))  # type: ignore[return-value]


def _yes_no(profile: Profile) -> Fit:
    yes, no = _yes_and_no()
    yes, no = yes | {"1"}, no | {"0"}
    seen = profile.lowered
    known = sum(count for word, count in seen.items() if word in yes or word in no)
    if not seen or not known:
        return Fit(0.05, says="no words for yes and no")
    share = known / profile.filled
    unknown = tuple(value for value in profile.values["v"] if value.lower() not in yes | no)
    booleans = (
        tuple(word for word in seen if word in yes and word not in ("true", "yes", "1")),
        tuple(word for word in seen if word in no and word not in ("false", "no", "0")),
    )
    shown = _showable(profile, unknown) if share >= 0.5 else ()
    level = share if share > 0.5 else 0.5 * share
    says = f"{_percent(share)} are words for yes and no"
    found = Fit(
        level, 0.15, says, booleans=booleans, unknown=shown, unknown_count=len(unknown), unknown_share=1 - share
    )
    # Beside words for yes alone a sign such as - may be the opposite, or nothing.
    dashes = [word for word in profile.nothing if word in no]
    if dashes and not any(word in no and word not in dashes for word in seen):
        answers: Answers = (
            ({"values": dict.fromkeys(dashes, "false")}, "it means no"),
            ({"values": dict.fromkeys(dashes, "")}, "it means that nothing was recorded"),
        )
        return replace(found, question=f"what {' and '.join(dashes)} means is not to be told", answers=answers)
    return found


def _date(profile: Profile) -> Fit:
    moments = profile.moments
    if moments is None:
        return Fit(0.05, says="no dates")
    if moments.timed and not _midnight(profile):
        return Fit(0.45 * moments.share, says="times, not only dates")
    return _dated(moments, 0.1)


def _midnight(profile: Profile) -> bool:
    """Whether every time of day is 00:00, as workbooks and databases write a date."""
    return profile.matching(r"[ T]00:00(?::00(?:\.0+)?)?$") > 0.98


def _timestamp(profile: Profile) -> Fit:
    moments = profile.moments
    if moments is None:
        return Fit(0.4 * profile.clocks, says="times without a date" if profile.clocks > 0.5 else "no times")
    if not moments.timed or _midnight(profile):
        return Fit(0.45 * moments.share, says="dates without a time of day")
    return _dated(moments, 0.2)


def _dated(moments: Moments, telling: float) -> Fit:
    formats = moments.formats
    shown = ", ".join(format_words(form) for form in formats)
    says = f"{_percent(moments.share)} read as {shown}" + (f", as in {moments.like}" if moments.like else "")
    level = moments.share
    if moments.recent < 0.9:
        level *= moments.recent
        says += ", many before 1995"
    if len(formats) == 1:
        return Fit(level, telling, says, {"format": formats[0]}, offsets=moments.offsets)
    answers: Answers = tuple(({"format": form}, f"they are {format_words(form)}") for form in formats)
    return Fit(level, telling, says, question="its dates read in more than one way", answers=answers)


def format_words(form: str) -> str:
    """A format as people write it: dd.mm.yyyy."""
    if form == "iso":
        return "yyyy-mm-dd"
    named = {"%d": "dd", "%m": "mm", "%Y": "yyyy", "%y": "yy", "%H": "hh", "%M": "mm", "%S": "ss", "%I": "hh"}
    named |= {"%p": "am/pm", "%b": "mon", "%B": "month"}
    for sign, word in named.items():
        form = form.replace(sign, word)
    return form


def _number(of: Column, header: str, profile: Profile) -> Fit:
    if profile.moments is not None and profile.moments.share > 0.5:
        return Fit(0.03, says="dates")
    numbers = profile.numbers
    declared = numbers.unit or unit(header)
    allowed = units.units(of.name)
    if profile.clocks > 0.5 and units.quantity(of.name) in ("seconds", "minutes"):
        return _duration(of, declared, profile)
    if numbers.share < 0.5:
        return Fit(0.2 * numbers.share, says=f"{_percent(numbers.share)} are numbers")
    settings: dict[str, object] = {}
    if not profile.typed_cells and numbers.decimal:
        settings["decimal"] = numbers.decimal
    if of.type == "int" and numbers.whole < 0.98:
        return Fit(0.2 * numbers.whole, says="numbers with decimals")
    if of.name in _SIZES:
        inside = numbers.within(6, 200)
        series = sum(n for v, n in zip(numbers.values, numbers.counts, strict=True) if v in _SERIES)
        series_share = series / sum(numbers.counts)
        level = numbers.share * inside * (0.6 + 0.4 * series_share)
        return Fit(level, 0.3 * series_share, f"{_percent(series_share)} are sizes of the ISO series", settings)
    low, high = _RANGE.get(of.name, (float("-inf"), float("inf")))
    if declared is not None and declared not in allowed:
        declared, level = None, 0.5 if allowed and units.quantity(of.name) else 0.9
    else:
        level = 1.0
    likely = _likely_units(of.name, numbers.median) if allowed else ()
    chosen = declared or (likely[0] if len(likely) == 1 else None)
    question = ""
    answers: Answers = ()
    ours = allowed[0] if allowed else None
    if declared and likely and declared not in likely and not _same(of.name, declared, likely):
        question = f"the header says {declared}, but its numbers are those of {' or '.join(likely)}"
        answers = _unit_answers((declared, *likely))
    elif not declared and len(likely) > 1 and of.name in _USUAL:
        question = f"no unit is named, and its numbers fit {' and '.join(likely)}"
        answers = _unit_answers(likely)
    factor = 1.0
    if chosen and not question:
        if chosen != ours or numbers.unit:
            settings["unit"] = chosen
        factor = _factor(of.name, chosen)
    elif question:
        factor = _factor(of.name, likely[0])
    inside = numbers.within(low, high, factor)
    if of.name in _USUAL and not likely and not declared and numbers.median:
        level *= 0.85  # its magnitude is none that such a column has in any unit
    if (numbers.thousands and not profile.decimal_commas) or numbers.both_signs:
        question = question or "its commas may be decimal signs or part thousands"
        answers = answers or (
            ({"decimal": ","}, "decimal signs"),
            ({"decimal": "."}, "they part thousands: export again"),
        )
    says = f"{_percent(inside * numbers.share)} are plausible"
    if chosen and not question:
        says += f" in {chosen}" + ("" if declared else ", and in no other unit")
    telling = 0.5 if of.name == "birth_year" else 0.1 if of.name in ("pai", "preop_pai") else 0.05
    if of.name == "birth_year" and profile.distinct < 3:
        telling = 0.1
    return Fit(level * numbers.share * inside, telling * inside, says, settings, question, answers)


def _likely_units(column: str, median: float) -> tuple[str, ...]:
    """The units in which a median is usual for a column, one of those that are the same; ours first."""
    if column not in _USUAL or not median:
        return ()
    low, high = _USUAL[column]
    fitting: dict[float, str] = {}
    for name in _LIKELY.get(column, tuple(units.FACTORS[units.quantity(column) or ""])):
        factor = _factor(column, name)
        if low <= median * factor <= high:
            fitting.setdefault(factor, name)
    return tuple(fitting.values())


def _factor(column: str, name: str) -> float:
    many, of = units.FACTORS[units.quantity(column) or ""].get(name, (1, 1))
    return many / of


def _same(column: str, name: str, others: tuple[str, ...]) -> bool:
    return any(_factor(column, name) == _factor(column, other) for other in others)


def _unit_answers(names: tuple[str, ...]) -> Answers:
    return tuple(({"unit": name}, f"they are {name}") for name in dict.fromkeys(names))


def _duration(of: Column, declared: str | None, profile: Profile) -> Fit:
    """Durations written with colons: 04:35 may be minutes and seconds, or hours and minutes."""
    if profile.matching(r"^\d{1,2}:\d{2}:\d{2}$") > 0.5:
        return Fit(profile.clocks, 0.1, "durations written hh:mm:ss", {"unit": "hh:mm:ss"})
    if declared in units.CLOCKS:
        return Fit(profile.clocks, 0.1, f"durations written {declared}, as the header says", {"unit": declared})
    if of.name == "seconds":  # an instrument turns for minutes, never for hours
        return Fit(profile.clocks, 0.1, "durations written mm:ss", {"unit": "mm:ss"})
    answers = _unit_answers(("hh:mm", "mm:ss"))
    return Fit(profile.clocks, 0.1, "durations", question="its durations may be hh:mm or mm:ss", answers=answers)


def _different(profile: Profile) -> str:
    return f"{profile.distinct} different values" if profile.distinct > 1 else "one value throughout"


def _text(kind: str, of: Column, profile: Profile) -> Fit:
    moments = profile.moments
    if moments is not None and moments.share > 0.5:
        return Fit(0.05, says="dates")
    decimal = profile.numbers.share if profile.numbers.decimal or profile.numbers.both_signs else 0.0
    if decimal > 0.5:
        return Fit(0.1, says="numbers with decimals")
    share = profile.distinct / profile.filled
    if of.name in _IDS:
        if profile.matching(r"^(?:\+|0)[\d ()/-]{6,}$") > 0.8 and profile.matching(r"[ ()/-]") > 0.3:
            return Fit(0.4, says="telephone numbers, as it seems")
        level = 1.0 if profile.matching(r"^\S(?:.{0,38}\S)?$") > 0.95 else 0.6
        if profile.matching(r"^\S+(?:\s\S+)?$") < 0.8:
            level = min(level, 0.5)  # several words in a row are no number of anything
        if KINDS[kind].key == (of.name,):
            unique = _percent(share)
            says = "all values differ" if share == 1 else f"{unique} of the values differ"
            # A few records may have been exported twice; a column of which every second value is a repeat is no key.
            return Fit(level if share > 0.97 else 0.9 * level, 0.02, says, repeated=share < 1)
        return Fit(level, 0.02, _different(profile))
    if of.name in _FEW:
        few = profile.distinct <= 60 and (share <= 0.5 or profile.filled < 20)
        if _yes_no(profile).fit > 0.9 and profile.distinct == 2:
            return Fit(0.3, says="words for yes and no")
        return Fit(1.0 if few else 0.5, 0.02, _different(profile))
    if of.name == "lot":
        return Fit(1.0 if profile.matching(r"\d") > 0.5 else 0.5, 0.02, _different(profile))
    if profile.numbers.share > 0.9:
        return Fit(0.4, says="numbers")
    return Fit(1.0, 0.0, "text")
