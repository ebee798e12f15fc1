"""`canalwise mapping`: files in, the text of a drafted mapping out, with its evidence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UserError
from pipeline.mapping.draft.compose import Options, as_json, compose
from pipeline.mapping.draft.decide import COMPOSITE, Examined, Table, composite_key, decide, examine, name_pattern
from pipeline.mapping.draft.written import Written, written
from pipeline.mapping.model import place
from pipeline.records import KINDS
from pipeline.sources import read as sources
from pipeline.sources.pool import Pool
from pipeline.sources.text import ENCODINGS
from pipeline.sources.unread import nothing_read

if TYPE_CHECKING:
    from pipeline.sources.source import Source
    from pipeline.sources.table import RawTable


# A table of a file: the file's name, the sheet, how it is written, its rows.
Read = tuple[str, str | None, Written, "RawTable"]


@dataclass(frozen=True)
class Draft:
    """A drafted mapping: its text, what it asks (table and question), and the evidence of each table."""

    text: str
    questions: tuple[tuple[str, str], ...]
    evidence: tuple[dict[str, Any], ...]

    def write(self, out: Path) -> None:
        """Write the text to a new file; a UserError where there is one, or it cannot be written."""
        try:
            with out.open("x", encoding="utf-8") as file:
                file.write(self.text)
        except FileExistsError:
            what = "exists already"
            raise UserError(what, where=str(out), do="Give --out another name, or remove it first") from None
        except OSError as e:
            raise UserError(f"cannot be written ({e.strerror})", where=str(out)) from None

    def as_json(self) -> dict[str, Any]:
        return {
            "tables": list(self.evidence),
            "questions": [{"table": table, "question": question} for table, question in self.questions],
            "mapping": self.text,
        }


def draft(paths: list[Path], progress: Callable[[str], None] = lambda _: None, *, to: Path | None = None) -> Draft:
    """Draft one mapping for all exports in `paths`; `to` is where it will be, for its own instructions.

    UserError when none of the files can be read, or none is of a kind of ours.
    """
    read, unreadable = _read(paths, progress)
    groups = _grouped(read)
    tables: list[Table] = []
    no_kind: list[tuple[str, list[str]]] = []
    kept: list[Written] = []
    for names, sheet, how, raw in groups:
        progress(f"Looking at {names[0]}" + (f", sheet {sheet}" if sheet else ""))
        found = decide(examine(names, sheet, how, raw)) if raw.rows.height else []
        if found:
            tables += found
            kept.append(how)
        else:
            # Of a file without a header nothing is shown: its first row may be a patient.
            header = [text for text in raw.header if text] if not how.headerless else []
            no_kind.append((f"{names[0]}, sheet {sheet}" if sheet else names[0], header))
    if not tables:
        where = ", ".join(name for name, _ in no_kind[:3])
        known = ", ".join(KINDS)
        raise UserError(
            f"its columns are like those of no kind of record ({known})", where=where, do="Is it the right file?"
        )
    order = list(KINDS)
    tables.sort(key=lambda table: order.index(table.kind))
    _name_files(tables, _distinct(tables))
    _offer_composite_keys(tables)
    shown = " ".join(_shell(path) for path in paths)
    conflicts = _conflicts(kept, tables)
    mapping = _shell(to) if to else "THIS_FILE"
    writer = compose(
        tables, kept, paths=shown, mapping=mapping, no_kind=no_kind, unreadable=unreadable, conflicts=conflicts
    )
    options = Options(tables, kept)
    asked = [*writer.asked, *(("file", f"not read: {problem}") for problem in unreadable)]
    return Draft(writer.text(), tuple(asked), tuple(as_json(table, options) for table in tables))


def _shell(path: Path) -> str:
    import shlex

    return shlex.quote(str(path))


def _read(paths: list[Path], progress: Callable[[str], None]) -> tuple[list[Read], list[str]]:
    """Every table of every file; and what could not be read, unless that is all there is."""
    found: list[Read] = []
    problems: list[UserError] = []
    files: list[Source] = []
    with Pool() as pool:
        there = sources.find(paths, pool)
        for one in there.left:
            progress(f"Left out: {one.error}")
        for file in there.files:
            progress(f"Reading {file.name}")
            source = sources.open_source(file, pool)
            try:
                tables = _tables(source)
            except UserError as e:
                problems.append(e)
            else:
                found += tables
                files += [source] * len(tables)
        if not found and problems:
            raise problems[0]
        if not found:
            raise nothing_read(there.left)
        return _one_encoding(found, files), [str(problem) for problem in problems]


def _one_encoding(found: list[Read], files: list[Source]) -> list[Read]:
    """Let files whose encoding is certain settle it for those that could be in several: one system wrote them."""
    several = [how for _, _, how, _ in found if how.encodings]
    if len(several) < 2:
        return found
    certain = [set(how.encodings) for how in several if not how.questions]
    common = set.intersection(*(certain or [set(how.encodings) for how in several]))
    every = common.intersection(*(how.encodings for how in several))
    chosen = next((name for name in ENCODINGS if name in (every or common)), None)
    if chosen is None or not certain:
        return found
    settled = []
    for (name, sheet, how, raw), file in zip(found, files, strict=True):
        if chosen in how.encodings and (how.dialect.encoding != chosen or how.questions):
            how, raw = written(file, sheet, encoding=chosen)
        settled.append((name, sheet, how, raw))
    return settled


def _tables(file: Source) -> list[Read]:
    found: list[Read] = []
    empty: UserError | None = None
    if len(file.sheets) < 2:
        return [(file.name, None, *written(file))]
    for sheet in file.sheets:
        try:
            found.append((file.name, sheet, *written(file, sheet)))
        except UserError as e:  # an empty sheet among others is nothing to speak of
            empty = e
    if not found and empty:
        raise empty
    return found


Group = tuple[tuple[str, ...], str | None, Written, "RawTable"]


def _grouped(read: list[Read]) -> list[Group]:
    """Files of the same header and way of writing as one: months of the same export."""
    groups: dict[object, list[Read]] = {}
    for one in read:
        _, sheet, how, raw = one
        dialect = replace(how.dialect, header_row=0 if how.headerless else 1, trailer=())
        groups.setdefault((raw.header, sheet, raw.typed_cells, dialect), []).append(one)
    merged: list[Group] = []
    for same in groups.values():
        names = tuple(dict.fromkeys(name for name, _, _, _ in same))
        _, sheet, how, raw = same[0]
        if len(same) > 1:
            trailer = tuple(dict.fromkeys(p for _, _, h, _ in same for p in h.dialect.trailer))
            how = replace(how, dialect=replace(how.dialect, trailer=trailer))
            raw = replace(raw, rows=pl.concat([table.rows for _, _, _, table in same]))
        merged.append((names, sheet, how, raw))
    return merged


def _distinct(tables: list[Table]) -> list[Examined]:
    found: list[Examined] = []
    for table in tables:
        if not any(table.of is other for other in found):
            found.append(table.of)
    return found


def _name_files(tables: list[Table], examined: list[Examined]) -> None:
    """Say for which files a table is, where another file could be taken for its own or another table for it."""
    for table in tables:
        names = _sources(table)
        open_ = bool(table.questions) or any(not pair.sure or pair.fit.question for pair in table.pairs)
        confused = open_ and len(tables) > 1
        for of in examined:
            if of is table.of or (of.sheet and table.of.sheet and of.sheet != table.of.sheet):
                continue
            confused |= all(place(of.raw.header, name) is not None for name in names)
        confused |= any(other is not table and other.of is table.of and names <= _sources(other) for other in tables)
        if confused:
            others = tuple(name for of in examined if of is not table.of for name in of.names)
            table.files = name_pattern(table.of.names, tuple(n for n in others if n not in table.of.names))


def _offer_composite_keys(tables: list[Table]) -> None:
    """Where treatments have no number but one made of patient, tooth and first date, others of the same columns too."""
    for made in tables:
        line = composite_key(made) if "treatment_id" in made.lacking else None
        names = {name for pair in made.pairs if pair.column in COMPOSITE for name in pair.source.names}
        for table in tables if line else []:
            has_all = all(place(table.of.raw.header, name) is not None for name in names)
            if has_all and table.kind != "treatments" and "treatment_id" in table.lacking:
                table.questions = [
                    replace(asked, answers=(str(line),)) if asked.column == "treatment_id" else asked
                    for asked in table.questions
                ]


def _sources(table: Table) -> set[str]:
    names = {
        name
        for source in (
            *(pair.source for pair in table.pairs if pair.sure),
            *((table.split.source,) if table.split else ()),
        )
        for name in source.names
    }
    if table.each:
        return {name.replace("{canal}", word) for name in names for word in table.each.words.values()}
    return names


def _conflicts(files: list[Written], tables: list[Table]) -> list[tuple[str, tuple[str, ...]]]:
    """What `[file]` can say only once and the files have differently."""
    found = []
    encodings = {how.dialect.encoding for how in files if how.dialect.encoding}
    plain = any(how.dialect.encoding is None and "encoding" in how.says and not how.says["encoding"] for how in files)
    if len(encodings) > 1:
        ways = tuple(f'encoding = "{encoding}"' for encoding in sorted(encodings))
        found.append(("encoding: the files are not all in the same one. Draft a mapping for each of them apart", ways))
    elif encodings and plain and not all(_ascii(table) for table in tables if _in_utf8(table)):
        ways = tuple(f'encoding = "{encoding}"' for encoding in sorted(encodings))
        found.append(("encoding: some files are UTF-8, others are not. Draft a mapping for each of them apart", ways))
    heads = {(how.headerless, how.dialect.header_rows) for how in files}
    if len(heads) > 1:
        found.append(("header_row: the files' headers differ in kind. Draft a mapping for each of them apart", ()))
    quotes = {how.dialect.quote for how in files}
    if len(quotes) > 1:
        found.append(("quote: the files have different quotation marks. Draft a mapping for each of them apart", ()))
    return found


def _in_utf8(table: Table) -> bool:
    return table.of.written.dialect.encoding is None and table.of.written.says.get("encoding") == ""


def _ascii(table: Table) -> bool:
    cells = table.of.raw.rows.select(pl.col(pl.String))
    outside = cells.select(pl.any_horizontal(pl.all().str.contains(r"[^\x00-\x7f]").any())) if cells.width else None
    return all(text.isascii() for text in table.of.raw.header) and not (outside is not None and outside.item())
