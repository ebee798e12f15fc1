"""Which record kinds a file holds, told from its header and, where a mapping asks for it, from its name."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatch

from pipeline.errors import UserError
from pipeline.mapping.model import FileOptions, KindMapping, Mapping, canonical, place
from pipeline.records import KINDS, Kind


@dataclass(frozen=True)
class Recognised:
    """One kind of records in a file, and how to read them."""

    kind: str
    mapping: KindMapping
    options: FileOptions


def recognise(
    header: tuple[str, ...], where: str, *, name: str = "", as_kind: str | None, mapping: Mapping | None
) -> list[Recognised]:
    """What a file with this header holds: one kind, or every table of a mapping that finds all of its columns.

    `name` is the file's, for the mapping's `files`. A UserError says which columns were seen and which kind came
    nearest, or what is not to be told apart.
    """
    if mapping is None:
        found = [_by_canonical_header(header, where, as_kind)]
    else:
        found = _by_mapping(header, where, name, as_kind, mapping)
    for one in found:
        repeated = sorted({c for c in one.mapping.sources if header.count(c) > 1})
        if repeated:
            what = f"the column {repeated[0]} stands in the header twice"
            do = "Export it again or rename one of them"
            if mapping:
                second = [i for i, cell in enumerate(header, start=1) if cell == repeated[0]][1]
                do = f'Name it by its place, e.g. "#{second}"'
            raise UserError(what, where=where, do=do)
    return found


def knows(header: tuple[str, ...], as_kind: str | None, mapping: Mapping | None) -> bool:
    """Whether this is the header of a file that could be read: all columns that a kind requires, or a table names."""
    if mapping is None:
        seen = set(header)
        kinds = [kind for kind in KINDS.values() if as_kind in (None, kind.name)]
        # Two names at least: some kinds require a single column, whose name may stand alone in a title.
        return any(seen.issuperset(kind.required) and len(seen.intersection(kind.names)) > 1 for kind in kinds)
    return any(table.sources and _fits(table, header) for _, table in _tables(mapping, as_kind))


def _by_canonical_header(header: tuple[str, ...], where: str, as_kind: str | None) -> Recognised:
    seen = set(header)
    candidates = [KINDS[as_kind]] if as_kind else list(KINDS.values())
    # What a canal or an instrument must have stands in other kinds too: the kind that explains most of the header is
    # meant, also where that one lacks something.
    best = max(
        candidates,
        key=lambda kind: (len(seen.intersection(kind.names)), seen.issuperset(kind.required), -len(kind.names)),
    )
    if seen.issuperset(best.required):
        return Recognised(best.name, canonical(header, best.name), FileOptions())
    lacking = [c for c in best.required if c not in seen]
    matched = len(seen.intersection(best.names))
    if not matched and len(header) == 1:
        what = "its only column has no name of ours: is the delimiter another than ,?"
    elif not matched:
        what = f"none of its {len(header)} columns has a name of ours"
        # A first row with figures in it may be a patient and no header: it is not shown.
        if not any(character.isdigit() for cell in header for character in cell):
            what += f"; nearest is {_nearest(header, candidates)}. Columns seen: {_short(header)}"
    elif as_kind:
        what = f"lacks the columns {', '.join(lacking)} of {as_kind}. Columns seen: {_short(header)}"
    else:
        what = f"fits no record kind; nearest is {best.name}, which also needs {', '.join(lacking)}. "
        what += f"Columns seen: {_short(header)}"
    raise UserError(what, where=where, do="Rename the columns, or say with --mapping FILE what they are")


def _tables(mapping: Mapping, as_kind: str | None) -> Iterator[tuple[str, KindMapping]]:
    for kind, tables in mapping.kinds.items():
        if as_kind in (None, kind):
            for table in tables:
                yield kind, table


def _by_mapping(
    header: tuple[str, ...], where: str, name: str, as_kind: str | None, mapping: Mapping
) -> list[Recognised]:
    if as_kind and as_kind not in mapping.kinds:
        what = f"the mapping says nothing of {as_kind}; it covers {', '.join(mapping.kinds)}"
        raise UserError(what, where=where, do="Choose one of these")
    tables = list(_tables(mapping, as_kind))
    meant = [
        (kind, table) for kind, table in tables if table.files is None or fnmatch(name.lower(), table.files.lower())
    ]
    if not meant:
        what = f"no table of the mapping is for files of this name ({', '.join(str(t.files) for _, t in tables)})"
        raise UserError(what, where=where, do="Mend the mapping, or rename the file")
    # A table that needs no column of the file would fit any: its files must be named.
    complete = [(k, table) for k, table in meant if (table.sources or table.files) and _fits(table, header)]
    if complete:
        return [Recognised(k, table, mapping.file) for k, table in _distinct(complete, header, where)]
    kind, best = max(meant, key=lambda at: _overlap(at[1], header))
    if _overlap(best, header):
        lacking = [source for source in best.sources if place(header, source) is None]
        what = f"fits no record kind of the mapping; nearest is {kind}, which also needs {', '.join(lacking)}. "
        what += f"Columns seen: {_short(header)}"
    else:
        what = f"none of its {len(header)} columns stands in the mapping: is it another export, or another delimiter?"
    raise UserError(what, where=where, do="Mend the mapping")


def _distinct(
    complete: list[tuple[str, KindMapping]], header: tuple[str, ...], where: str
) -> list[tuple[str, KindMapping]]:
    """Without the tables that a larger one explains: the file is that other export, unless `files` says otherwise."""
    places = [{place(header, source) for source in table.sources} for _, table in complete]
    kept = []
    for i, (kind, table) in enumerate(complete):
        if table.files is None:
            if any(places[i] < other for other in places):
                continue
            twins = [k for k, (other, _) in enumerate(complete) if k != i and places[k] == places[i]]
            if twins:
                what = f"its columns fit {kind} and {complete[twins[0]][0]} of the mapping alike"
                raise UserError(what, where=where, do='Say for each which files it is for: files = "..."')
        kept.append((kind, table))
    return kept


def _fits(table: KindMapping, header: tuple[str, ...]) -> bool:
    return all(place(header, source) is not None for source in table.sources)


def _overlap(table: KindMapping, header: tuple[str, ...]) -> int:
    return sum(place(header, source) is not None for source in table.sources)


def _nearest(header: tuple[str, ...], candidates: list[Kind]) -> str:
    """The kind whose column names look most like these."""
    from difflib import SequenceMatcher

    def likeness(kind: Kind) -> float:
        return sum(
            max(SequenceMatcher(None, cell.lower(), name).ratio() for name in kind.names) for cell in header[:50]
        )

    return max(candidates, key=likeness).name


def _short(header: tuple[str, ...]) -> str:
    shown = ", ".join(header[:12])
    return shown + (f" and {len(header) - 12} more" if len(header) > 12 else "")
