"""What a file holds: which kinds of records, which of its columns is which of ours, and what must be asked."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import PurePath

import polars as pl

from pipeline.mapping.draft.assign import Pair, Sources, assign, settle_dates, settle_decimals
from pipeline.mapping.draft.fit import word_list
from pipeline.mapping.draft.headers import compared_words
from pipeline.mapping.draft.profile import words
from pipeline.mapping.draft.spread import Each, Split, find_each, find_split
from pipeline.mapping.draft.text import toml
from pipeline.mapping.draft.written import Written
from pipeline.records import KINDS
from pipeline.sources.table import RawTable

# Two kinds whose scores are nearer than this cannot be told apart; a file with less is of no kind of ours.
KIND_MARGIN = 0.06
NO_KIND = 0.4
NO_KIND_BY_CELLS = 0.15  # without a header there are the cells only, and everything is asked
_SHARED = frozenset(("treatment_id", "canal", "instrument_id", "patient_id", "dentist", "practice"))
# What a key can be made of where the export has none: what happens to one treatment at one time is one thing.
_MADE_OF = {
    ("visits", "visit_id"): ("treatment_id", "seated_at"),
    ("instrument_uses", "use_id"): ("treatment_id", "canal", "step"),
    ("incidents", "incident_id"): ("treatment_id", "occurred_at"),
    ("follow_ups", "follow_up_id"): ("treatment_id", "seen_on"),
    ("contacts", "contact_id"): ("treatment_id", "contacted_at"),
}

# What stands for a case number: nobody begins to treat one tooth of one patient twice in a day.
COMPOSITE = ("patient_id", "tooth", "started_on")


@dataclass(frozen=True)
class Examined:
    """One or several exports of the same header, read and looked at."""

    names: tuple[str, ...]  # of the files
    sheet: str | None
    written: Written
    raw: RawTable
    sources: Sources
    each: Each | None
    split: Split | None


@dataclass(frozen=True)
class Question:
    """What is not sure, and the lines of the mapping that would answer it."""

    column: str
    text: str
    answers: tuple[str, ...] = ()
    constant: bool = False  # the answers belong to the table of constants


@dataclass
class Table:
    """A table of the draft: what one kind of records is made of."""

    of: Examined
    kind: str
    score: float
    pairs: list[Pair]
    templates: dict[str, str] = field(default_factory=dict)
    each: Each | None = None
    split: Split | None = None
    lacking: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)  # those that concern no pair
    notes: list[str] = field(default_factory=list)
    files: str | None = None

    @property
    def reads_groups(self) -> bool:
        """Whether a column that stands for each canal is read for certain."""
        sure = any(pair.source.group and pair.sure and not pair.fit.question for pair in self.pairs)
        return sure or (self.split is not None and self.split.source.group)

    @property
    def certain(self) -> set[str]:
        """The columns that the draft fills as it is."""
        found = {pair.column for pair in self.pairs if pair.sure and not pair.fit.question}
        return (
            found
            | ({"canal"} if self.each and self.reads_groups else set())
            | ({"size", "taper", "step"} if self.split else set())
        )

    @property
    def used(self) -> set[int]:
        places = {at for pair in self.pairs for at in pair.source.at}
        return places | (set(self.split.source.at) if self.split else set())


def examine(names: tuple[str, ...], sheet: str | None, written: Written, raw: RawTable) -> Examined:
    """Look at a table; nothing is decided yet."""
    sources = Sources(raw, written.headerless)
    each = find_each(sources)
    settle_dates(sources)
    settle_decimals(sources)
    return Examined(names, sheet, written, raw, sources, each, find_split(sources))


def decide(of: Examined) -> list[Table]:
    """The tables of a file: the kind it is nearest to, and others that it holds beside. Empty when it is of no kind."""
    candidates = [_table(of, kind) for kind in KINDS]
    most = max(_weight(table) for table in candidates)
    for table in candidates:
        table.score = _score(table, most)
    candidates.sort(key=lambda table: -table.score)
    best, other = candidates[:2]
    least = NO_KIND if not of.written.headerless else NO_KIND_BY_CELLS
    if best.score < least or _weight(best) < (1.5 if not of.written.headerless else 0.5):
        return []
    tables = [best, *_beside(of, best)]
    near = best.score - other.score < KIND_MARGIN and not _named_for(of, best.kind)
    if of.written.headerless or (near and all(table.kind != other.kind for table in tables)):
        text = f"are these {best.kind}? The cells are" if of.written.headerless else "the columns are"
        text += f" those of {best.kind}" + (f", and of {other.kind} as well" if near else "")
        best.questions.append(Question("", text if of.written.headerless else f"{text}. Are these {best.kind}?"))
    for table in tables:
        _complete(table)
    return tables


def _table(of: Examined, kind: str, allowed: frozenset[int] | None = None) -> Table:
    each = of.each if kind in ("canals", "instrument_uses") and of.each else None
    split = of.split if kind == "instrument_uses" else None
    if kind == "instrument_uses" and each and not (split and split.source.group):
        each = None
    pairs = [pair for pair in assign(of.sources, kind, allowed) if not (pair.source.group and each is None)]
    if each:
        pairs = [pair for pair in pairs if pair.column != "canal"]
    if split:
        pairs = [pair for pair in pairs if pair.column not in ("size", "taper", "step")]
    if of.split:  # cells that hold uses of instruments hold nothing else
        pairs = [pair for pair in pairs if pair.source != of.split.source]
    return Table(of, kind, 0.0, pairs, each=each, split=split)


def _filled(table: Table) -> dict[str, float]:
    """Column -> confidence, for all that the table fills."""
    found = {pair.column: pair.confidence for pair in table.pairs}
    if table.each:
        found["canal"] = 1.0
    if table.split:
        found |= {"size": 1.0, "taper": 1.0, "step": 1.0}
    return found


def _weight(table: Table) -> float:
    return sum(_filled(table).values()) + (2.0 * len(table.pairs) if table.split else 0.0)


def _score(table: Table, most: float) -> float:
    found = _filled(table)
    usual = KINDS[table.kind].usual
    share = sum(found.get(column, 0.0) for column in usual) / len(usual)
    return 0.5 * share + 0.5 * (_weight(table) / most if most else 0.0) + 0.08 * _named_for(table.of, table.kind)


def _named_for(of: Examined, kind: str) -> bool:
    """Whether a file or its sheet is called after a kind."""
    titles = {compared_words(title) for title in words()["kinds"][kind]}
    called = [PurePath(name).stem for name in of.names] + ([of.sheet] if of.sheet else [])
    return any(
        any(title == heard[i : i + len(title)] for i in range(len(heard)))
        for name in called
        for heard in (tuple(word for word in compared_words(name) if not word.isdigit()),)
        for title in titles
    )


def _beside(of: Examined, best: Table) -> list[Table]:
    """Other kinds that the same rows hold: what their columns explain and the best kind's do not."""
    found = [best]
    while True:
        used = set().union(*(table.used for table in found))
        shared = {at for table in found for pair in table.pairs if pair.column in _SHARED for at in pair.source.at}
        free = frozenset(
            i for i, s in enumerate(of.sources.all) if not (set(s.at) & used) or (set(s.at) & used) <= shared
        )
        more = []
        for kind in KINDS:
            if any(table.kind == kind for table in found):
                continue
            table = _table(of, kind, free)
            new = [p for p in table.pairs if p.sure and not (set(p.source.at) & used) and p.column != "practice"]
            filled = _filled(table)
            usual = KINDS[kind].usual
            there = sum(column in filled for column in usual) / len(usual)
            # What is not sure and stands in another table already is that table's.
            table.pairs = [p for p in table.pairs if p.sure or not set(p.source.at) & used]
            certain = (kind == "canals" and table.each and any(p.source.group for p in new)) or table.split
            few = 1 if kind == "canals" else 2  # both columns that make a canal's key are shared with other kinds
            if certain or (len(new) >= few and there == 1) or (len(new) >= 3 and there >= 0.6):
                table.score = there
                more.append((bool(certain), len(new), table))
        if not more:
            return found[1:]
        found.append(max(more, key=lambda one: one[:2])[2])


def _complete(table: Table) -> None:
    """What is lacking, what it can be made of, and whether its key is one."""
    kind = KINDS[table.kind]
    filled = _filled(table)
    parts = _MADE_OF["instrument_uses", "use_id"]
    if table.split and "use_id" not in filled and table.certain.issuperset(parts):
        table.templates["use_id"] = "/".join(f"{{{part}}}" for part in parts)
    for column in kind.usual:
        if column in filled or column in table.templates:
            continue
        if not (kind.column(column).required or table.of.sources.headerless or _nearest(table, column)):
            table.notes.append(_left_empty(table.kind, column))
            continue
        if column == "instrument_id" and table.kind == "instruments" and _serial_in_udi(table):
            table.notes.append("instrument_id is the serial number in the device identifier (udi)")
            continue
        table.lacking.append(column)
        table.questions.append(_asked(table, column, filled))
    _check_key(table)


def _serial_in_udi(table: Table) -> bool:
    udi = next((pair for pair in table.pairs if pair.column == "udi" and pair.sure), None)
    return udi is not None and udi.source.profile.matching(r"\(21\)|\x1d21|^01\d{14}21|^01\d{14}1[17]\d{6}21") > 0.95


def _left_empty(kind: str, column: str) -> str:
    """What is said of a column that should be there and that the export has nothing like: it may stay empty."""
    listed = word_list(kind, column)
    one = f" (one of {', '.join(words()[listed])})" if listed else ""
    return f"{column} stays empty: no column found. If it is the same for all records{one}: [{kind}.constants]"


def _asked(table: Table, column: str, filled: dict[str, float]) -> Question:
    """The question for a required column that was not found."""
    nearest = _nearest(table, column)
    text = f"{column}: no column of the export was found for it"
    if nearest:
        text += f' (the header "{nearest}" is like it, but its cells do not fit)'
    parts = _MADE_OF.get((table.kind, column), ())
    if parts and (table.split or all(part in filled or part in table.templates for part in parts)):
        made = "/".join(f"{{{part}}}" for part in parts)
        text += f". Name it, or make it from {', '.join(parts)} if that is never the same twice"
        return Question(column, text, (f'{column} = {{ template = "{made}" }}',))
    if column == "treatment_id" and (key := composite_key(table)):
        text += ". Name it, or make it of the patient, the tooth and the first date if no two treatments share these"
        return Question(column, f"{text} (a patient's number is kept as a pseudonym)", (key,))
    listed = word_list(table.kind, column)
    if listed:
        meant = list(words()[listed])
        text += f". Name it in [{table.kind}.columns], or write here what all records are: {', '.join(meant)}"
        return Question(column, text, (f'{column} = "{meant[0]}"',), constant=True)
    if column == "dentist":
        text += f". Name it in [{table.kind}.columns], or write here whose treatments these all are"
        return Question(column, text, ('dentist = "D1"',), constant=True)
    if kind_type(table.kind, column) == "bool":
        text += f". Name it in [{table.kind}.columns], or write here what holds for all records"
        return Question(column, text, (f'{column} = "yes"',), constant=True)
    return Question(column, text + ". Which is it?", _fitting(table, column) or (f'{column} = "HEADER"',))


def composite_key(table: Table) -> str | None:
    """The line that makes a treatment's key where an export has no case number; a table of another kind can only take
    over the one of its treatments (see draft.py)."""
    sources = {pair.column: pair.source for pair in table.pairs}
    if table.kind != "treatments" or any(column not in sources for column in COMPOSITE):
        return None
    names = dict.fromkeys(name for column in COMPOSITE for name in sources[column].names)
    return f'treatment_id = {{ from = [{", ".join(map(toml, names))}], join = "/" }}'


def _fitting(table: Table, column: str) -> tuple[str, ...]:
    """Lines for the columns that are not used and whose cells would fit; of a file with a header, not for free text."""
    sources, taken = table.of.sources, table.used
    if kind_type(table.kind, column) == "text" and not sources.headerless:
        return ()
    free = [i for i, s in enumerate(sources.all) if not taken.intersection(s.at) and s.profile.filled and not s.joined]
    fits = sorted(((sources.fit(table.kind, column, i).fit, -i) for i in free), reverse=True)
    return tuple(f"{column} = {toml(sources.all[-i].names[0])}" for fit, i in fits[:4] if fit > 0.9)


def kind_type(kind: str, column: str) -> str:
    return "text" if column == "practice" else KINDS[kind].column(column).type


def _nearest(table: Table, column: str) -> str | None:
    sources, taken = table.of.sources, table.used
    scores = sources.likenesses[table.kind, column]
    free = [(scores[i].score, s) for i, s in enumerate(sources.all) if not taken.intersection(s.at) and s.headers]
    score, source = max(free, key=lambda one: one[0], default=(0.0, None))
    return source.names[-1] if source is not None and score >= 0.8 else None


def _check_key(table: Table) -> None:
    """Ask when rows that share the key say different things in the columns that are mapped."""
    if table.each or table.split:
        return
    key = [pair for pair in table.pairs if pair.column in KINDS[table.kind].key]
    if len(key) < len(KINDS[table.kind].key):
        return
    rows = table.of.raw.rows
    at = sorted({f"c{i}" for pair in table.pairs if pair.sure for i in pair.source.at} | _cells(key))
    whole = rows.select(at).filter(pl.all_horizontal(pl.col(sorted(_cells(key))).str.strip_chars() != "")).unique()
    contradicting = whole.height - whole.select(sorted(_cells(key))).unique().height
    if contradicting:
        named = " and ".join(f'"{pair.source.names[-1]}"' for pair in key)
        text = f"{key[0].column}: {contradicting} rows have the same {named} as another and say something else. "
        text += f"Are they to be refused? Else name a column whose values differ in all {table.kind}"
        table.questions.append(Question(key[0].column, text))


def _cells(pairs: list[Pair]) -> set[str]:
    return {f"c{i}" for pair in pairs for i in pair.source.at}


def unused(tables: list[Table]) -> list[str]:
    """The headers that no table reads, as a mapping would name them."""
    of = tables[0].of
    used = set().union(*(table.used for table in tables))
    return [source.names[0] for source in of.sources.single if not used.intersection(source.at)]


def name_pattern(names: tuple[str, ...], others: tuple[str, ...]) -> str | None:
    """A glob for the names of some files that fits none of the others; None where there is none."""
    from fnmatch import fnmatch

    globs = {_glob(name) for name in names}
    found = globs.pop() if len(globs) == 1 else None
    if found is None:
        start = _common(names)
        end = _common(tuple(name[::-1] for name in names))[::-1]
        found = f"{start}*{end}" if len(start) + len(end) >= 3 else None
    for candidate in (found, _escaped(names[0]) if len(names) == 1 else None):
        if candidate and not any(fnmatch(other.lower(), candidate.lower()) for other in others):
            return candidate
    return None


def _glob(name: str) -> str:
    """A file's name with what changes from month to month as *."""
    stem, dot, suffix = name.rpartition(".")
    return re.sub(r"\d[\d._ -]*(?<=\d)|\d", "*", _escaped(stem)) + dot + _escaped(suffix) if dot else _escaped(name)


def _escaped(name: str) -> str:
    return re.sub(r"([\[*?])", r"[\1]", name)


def _common(names: tuple[str, ...]) -> str:
    first, last = min(names), max(names)
    same = next((i for i, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), min(len(first), len(last)))
    return _escaped(first[:same])
