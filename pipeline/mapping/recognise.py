"""Which record kind a file is, told from its header alone."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import UserError
from pipeline.mapping.model import FileOptions, KindMapping, Mapping, canonical
from pipeline.store.records import KINDS, Kind


@dataclass(frozen=True)
class Recognised:
    """A file's kind and how to read it."""

    kind: str
    mapping: KindMapping
    options: FileOptions


def recognise(header: tuple[str, ...], where: str, *, as_kind: str | None, mapping: Mapping | None) -> Recognised:
    """The kind of a file with this header; a UserError says which columns were seen and which kind came nearest."""
    found = _by_mapping(header, where, as_kind, mapping) if mapping else _by_canonical_header(header, where, as_kind)
    repeated = sorted({c for c in found.mapping.sources if header.count(c) > 1})
    if repeated:
        what = f"the column {repeated[0]} stands in the header twice"
        raise UserError(what, where=where, do="Export it again or rename one of them")
    return found


def _by_canonical_header(header: tuple[str, ...], where: str, as_kind: str | None) -> Recognised:
    seen = set(header)
    candidates = [KINDS[as_kind]] if as_kind else list(KINDS.values())
    # Canals' columns are also columns of a use: the kind that explains most of the header is meant.
    best = max(candidates, key=lambda kind: (len(seen.intersection(kind.names)), -len(kind.names)))
    complete = [kind for kind in candidates if seen.issuperset(kind.required)]
    if complete:
        best = max(complete, key=lambda kind: len(seen.intersection(kind.names)))
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


def _by_mapping(header: tuple[str, ...], where: str, as_kind: str | None, mapping: Mapping) -> Recognised:
    seen = set(header)
    kinds = mapping.kinds
    if as_kind:
        if as_kind not in kinds:
            what = f"the mapping says nothing of {as_kind}; it covers {', '.join(kinds)}"
            raise UserError(what, where=where, do="Choose one of these")
        kinds = {as_kind: kinds[as_kind]}
    complete = [name for name, kind in kinds.items() if seen.issuperset(kind.sources)]
    if complete:
        best = max(complete, key=lambda name: len(kinds[name].sources))
        return Recognised(best, kinds[best], mapping.file)
    best = max(kinds, key=lambda name: len(seen.intersection(kinds[name].sources)))
    lacking = [c for c in kinds[best].sources if c not in seen]
    if seen.intersection(kinds[best].sources):
        what = f"fits no record kind of the mapping; nearest is {best}, which also needs {', '.join(lacking)}. "
        what += f"Columns seen: {_short(header)}"
    else:
        what = f"none of its {len(header)} columns stands in the mapping: is it another export, or another delimiter?"
    raise UserError(what, where=where, do="Mend the mapping")


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
