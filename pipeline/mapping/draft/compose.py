"""The text of a draft: a mapping file that says of every line why it is there, and asks what is not sure.

No cell of the export stands in it but words of lists (kind, status, yes and no); no name, number or date of a patient.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from pipeline.mapping.draft.assign import Pair
from pipeline.mapping.draft.decide import Table, kind_type, unused
from pipeline.mapping.draft.fit import word_list
from pipeline.mapping.draft.profile import ISO, words
from pipeline.mapping.draft.spread import Each
from pipeline.mapping.draft.text import toml as quoted
from pipeline.mapping.draft.written import Written
from pipeline.records import KINDS

RARE = 0.01  # words unknown in a smaller share of the rows are no question
_WIDE = 100  # from here on the evidence stands above its line


class Options:
    """What `[file]` says for all tables; a column that differs says so itself."""

    def __init__(self, tables: list[Table], files: list[Written]) -> None:
        pairs = [pair for table in tables for pair in table.pairs]
        self.date = _usual(_format(p) for t in tables for p in t.pairs if kind_type(t.kind, p.column) == "date")
        self.timestamp = _usual(
            _format(p) for t in tables for p in t.pairs if kind_type(t.kind, p.column) == "timestamp"
        )
        signs = [s for p in pairs if (s := p.fit.settings.get("decimal"))]
        signs += [s for table in tables if (s := _split_sign(table))]
        self.decimal = str(_usual(signs) or ".")
        self.true = _distinct(word for pair in pairs if pair.sure for word in pair.fit.booleans[0])
        self.false = _distinct(word for pair in pairs if pair.sure for word in pair.fit.booleans[1])
        self.offsets = any(pair.fit.offsets for pair in pairs)
        self.files = files


def _format(pair: Pair) -> object:
    return pair.fit.settings.get("format")


def _usual(found: Iterable[object]) -> object:
    return next(iter(Counter(one for one in found if one).most_common(1)), (None, 0))[0]


def _distinct(found: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(found))


def _split_sign(table: Table) -> str | None:
    if not table.split:
        return None
    return "," if table.split.source.profile.matching(r"/\s*\d*,\d") > 0.5 else None


class Writer:
    """Puts a draft together line by line, and counts what is asked."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.asked: list[tuple[str, str]] = []  # table, question

    def text(self) -> str:
        return "\n".join(self.lines) + "\n"

    def line(self, text: str = "", says: str = "") -> None:
        if says and len(text) + len(says) > _WIDE:
            self.lines.append(f"# {_one_line(says)}")
            says = ""
        self.lines.append(f"{text}  # {_one_line(says)}" if says else text)

    def note(self, text: str) -> None:
        self.lines.append(f"# {_one_line(text)}" if text else "#")

    def ask(self, table: str, question: str, answers: Iterable[str]) -> None:
        self.asked.append((table, _one_line(question)))
        self.lines.append(f"#? {_one_line(question)}")
        self.lines += [f"# {_one_line(answer)}" for answer in answers]


def _one_line(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def compose(
    tables: list[Table],
    files: list[Written],
    *,
    paths: str,
    mapping: str,
    no_kind: list[tuple[str, list[str]]],
    unreadable: list[str],
    conflicts: list[tuple[str, tuple[str, ...]]],
) -> Writer:
    """The draft of all tables. `no_kind`: files that are of no kind of ours, with their headers."""
    writer, options = Writer(), Options(tables, files)
    body = Writer()
    _file(body, options, conflicts)
    arrays = {kind for kind, many in Counter(table.kind for table in tables).items() if many > 1}
    done: list[object] = []
    for table in tables:
        body.line()
        if table.of not in done:
            done.append(table.of)
            _introduce(body, [t for t in tables if t.of is table.of])
        _table(body, table, options, table.kind in arrays)
    for name, header in no_kind:
        body.line()
        body.note(f"{name}: fits no kind of record here. Its columns: {', '.join(header[:20])}")
    for problem in unreadable:
        body.line()
        body.note(f"Not read: {problem}")
    _head(writer, paths, mapping, tables, len(body.asked))
    writer.lines += body.lines
    writer.asked = body.asked
    return writer


def _head(writer: Writer, paths: str, mapping: str, tables: list[Table], asked: int) -> None:
    kinds = ", ".join(dict.fromkeys(table.kind for table in tables))
    writer.note(f"A draft of a mapping for {paths}, made by `canalwise mapping`. It reads {kinds}.")
    writer.note("It says which column of the export is which of canalwise's, and how its cells are written.")
    writer.note("Behind each line stands why: how like the header is to a known word, and what the cells look like.")
    writer.note("")
    if asked:
        many = "One thing is" if asked == 1 else f"{asked} things are"
        writer.note(f'{many} not sure. Each is a line that begins with "#?"; under it, commented out, stand the lines')
        writer.note("that may be meant. Take the # from the right one (or correct it), and delete the others and the")
        writer.note("question: a table is not imported while a question stands in it. Then:")
    else:
        writer.note("Everything was found. Please read it through all the same; then:")
    writer.note(f"    canalwise ingest {paths} --mapping {mapping}")
    writer.line()


def _file(writer: Writer, options: Options, conflicts: list[tuple[str, tuple[str, ...]]]) -> None:
    writer.line("[file]")
    dialects = [how.dialect for how in options.files]
    says: dict[str, str] = {}
    for how in options.files:
        for entry, reason in how.says.items():
            if reason:
                says.setdefault(entry, reason)
    notes = _distinct(note for how in options.files for note in how.notes)
    questions = list(dict.fromkeys(question for how in options.files for question in how.questions))
    asked_for = {text.partition(":")[0] for text, _ in (*questions, *conflicts)}
    for entry in ("encoding", "delimiter", "quote", "header_row", "header_rows", "trailer"):
        values = list(dict.fromkeys(getattr(how.dialect, entry) for how in options.files if _has(how, entry)))
        if entry in asked_for or not dialects:
            continue
        if entry == "trailer":
            every = _distinct(pattern for dialect in dialects for pattern in dialect.trailer)
            if every:
                writer.line(f"trailer = [{', '.join(map(quoted, every))}]", says.get("trailer", ""))
        elif entry == "header_row":
            if values == [0]:
                writer.line("header_row = 0", says.get("header_row", ""))
        elif len(values) == 1 and values[0] not in (
            None,
            '"' if entry == "quote" else 1 if entry == "header_rows" else None,
        ):
            shown = values[0] if isinstance(values[0], int) else quoted(values[0])
            writer.line(f"{entry} = {shown}", says.get(entry, ""))
    if options.decimal == ",":
        writer.line('decimal = ","', "as the numbers of the columns below have it")
    if options.date not in (None, ISO):
        writer.line(f"date = {quoted(options.date)}", "see the columns below")
    if options.timestamp not in (None, ISO):
        writer.line(f"timestamp = {quoted(options.timestamp)}", "see the columns below")
    if options.offsets:
        writer.line('time_zone = "UTC"', "times carry their distance from UTC; change it if others in the files do not")
    for name, found in (("true", options.true), ("false", options.false)):
        if found:
            writer.line(f"{name} = [{', '.join(map(quoted, found))}]")
    for note in notes:
        writer.note(note)
    for text, answers in (*conflicts, *questions):
        writer.ask("file", text, answers)


def _has(how: Written, entry: str) -> bool:
    """Whether an entry of `[file]` matters to a file: workbooks have no delimiter, and UTF-8 needs no declaration."""
    if entry == "encoding":
        return how.dialect.encoding is not None
    return entry not in ("delimiter", "quote") or "delimiter" in how.says


def _introduce(writer: Writer, tables: list[Table]) -> None:
    of = tables[0].of
    names = ", ".join(of.names[:4]) + (f" and {len(of.names) - 4} more" if len(of.names) > 4 else "")
    where = f"{names}, sheet {of.sheet}" if of.sheet else names
    kinds = " and ".join(table.kind for table in tables)
    writer.note(f"{where}: {of.raw.rows.height} rows of {kinds}")
    left = unused(tables)
    if left:
        writer.note(f"Not used, and so not stored: {', '.join(left[:40])}" + (" ..." if len(left) > 40 else ""))
    if len(of.raw.header) > len(of.sources.single):
        writer.note(f"Only the first {len(of.sources.single)} of its {len(of.raw.header)} columns were looked at.")


def _table(writer: Writer, table: Table, options: Options, array: bool) -> None:
    kind = table.kind
    if array or table.files or table.of.sheet or (table.each and not table.reads_groups):
        writer.line(f"[[{kind}]]" if array else f"[{kind}]")
        if table.files:
            writer.line(f"files = {quoted(table.files)}")
        if table.of.sheet:
            writer.line(f"sheet = {quoted(table.of.sheet)}")
    if table.each:
        _each(writer, kind, table.each, table.reads_groups)
    if table.split:
        _split(writer, table)
    writer.line(f"[{kind}.columns]")
    for note in table.notes:
        writer.note(note)
    for question in table.questions:
        if not question.constant:
            writer.ask(kind, question.text, question.answers)
    for column, template in table.templates.items():
        writer.line(f"{column} = {{ template = {quoted(template)} }}", "the export has no such column")
    if table.split and table.split.percent:
        writer.line('taper = { unit = "percent" }', "tapers are written as 4 or 6, which only per cent can be")
    later = []
    for pair in _in_order(table):
        if not pair.sure:
            _unsure(writer, kind, pair, options)
        elif pair.fit.question:
            _with_question(writer, kind, pair, options)
        elif pair.fit.unknown_count or pair.fit.settings.get("values"):
            later.append(pair)
        else:
            writer.line(f"{pair.column} = {entry(kind, pair, options)}", evidence(pair))
    for pair in later:
        _listed(writer, kind, pair, options)
    constants = [question for question in table.questions if question.constant]
    if constants:
        writer.line()
        writer.line(f"[{kind}.constants]")
        for question in constants:
            writer.ask(kind, question.text, question.answers)


def _each(writer: Writer, kind: str, each: Each, certain: bool) -> None:
    words_ = each.words
    if all(canal == word for canal, word in words_.items()):
        listed = f"[{', '.join(map(quoted, words_))}]"
    else:
        listed = "{ " + ", ".join(f"{key(canal)} = {quoted(word)}" for canal, word in words_.items()) + " }"
    lines = [f"[{kind}.each]", f"canal = {listed}"]
    if certain:
        writer.line(lines[0])
        writer.line(lines[1], "columns that differ by the canal only")
    else:
        writer.ask(kind, "is there a column for each canal? See the columns below with {canal} in their names", lines)
    if each.left_out:
        left = ", ".join(f'"{name}"' for name in each.left_out)
        writer.ask(kind, f"{left}: there is no such column for every canal. May they be left out?", ())


def _in_order(table: Table) -> list[Pair]:
    names = (*KINDS[table.kind].names, "practice")
    return sorted(table.pairs, key=lambda pair: names.index(pair.column))


def _split(writer: Writer, table: Table) -> None:
    split = table.split
    assert split is not None
    writer.line(f"[{table.kind}.split]")
    writer.line(
        f"from = {quoted(split.source.names[0])}", f"{int(split.share * 100)} % of its cells are sizes and tapers"
    )
    writer.line(f"separator = {quoted(split.separator)}")
    writer.line(f"pattern = {quoted(split.pattern)}")


def _with_question(writer: Writer, kind: str, pair: Pair, options: Options) -> None:
    text = f"{pair.column}: {pair.fit.question}. Which is it?"
    answers = [
        f"{pair.column} = {entry(kind, pair, options, settings, explicit=True)}  # {meant}"
        for settings, meant in pair.fit.answers
    ]
    writer.ask(kind, text, answers or [f"{pair.column} = {entry(kind, pair, options)}"])


def _unsure(writer: Writer, kind: str, pair: Pair, options: Options) -> None:
    named = " and ".join(f'"{name}"' for name in pair.source.names)
    text = f"{pair.column}: is it {named}? {evidence(pair)}"
    if pair.rivals:
        text += f". It may as well be {' or '.join(pair.rivals)}"
    if pair.source.doubt:
        text += f"; {pair.source.doubt}"
    if pair.fit.question and pair.fit.answers:
        text += f"; {pair.fit.question}"
        answers = [
            f"{pair.column} = {entry(kind, pair, options, settings, explicit=True)}  # {meant}"
            for settings, meant in pair.fit.answers
        ]
    else:
        answers = [f"{pair.column} = {entry(kind, pair, options, explicit=True)}"]
    writer.ask(kind, text, answers)
    if pair.fit.unknown_count:
        listed = word_list(kind, pair.column)
        what = f"{_count(pair.fit.unknown_count, 'word')} not known here"
        if listed:
            what += f'; say what each means by values = {{ "WORD" = "..." }}, one of {", ".join(words()[listed])}'
        writer.note(what)


def _listed(writer: Writer, kind: str, pair: Pair, options: Options) -> None:
    """A column with its list of words, as a table of its own."""
    writer.line()
    writer.note(evidence(pair))
    writer.line(f"[{kind}.columns.{pair.column}]")
    sources = pair.source.names
    writer.line(f"from = {quoted(sources[0]) if len(sources) == 1 else '[' + ', '.join(map(quoted, sources)) + ']'}")
    for name, value in _settings(kind, pair, options).items():
        if name != "values":
            writer.line(f"{name} = {value}")
    values = dict(pair.fit.settings.get("values") or {})  # type: ignore[call-overload]
    if values or pair.fit.unknown:
        writer.line(f"[{kind}.columns.{pair.column}.values]")
    for word, meaning in values.items():
        writer.line(f"{quoted(word)} = {quoted(meaning)}")
    if pair.fit.unknown_count:
        _unknown(writer, kind, pair)


def _unknown(writer: Writer, kind: str, pair: Pair) -> None:
    """Words that mean nothing here: a question, unless they are so rare that refusing their rows is no loss."""
    fit = pair.fit
    listed = word_list(kind, pair.column)
    means = ", ".join(words()[listed]) if listed else "yes, no"
    what = f"{pair.column}: {_count(fit.unknown_count, 'word')} not known here"
    if not fit.unknown:
        hidden = "not shown, since they stand in few rows and may be something else"
        more = f'. They are {hidden}. Add "WORD" = "..." for each, one of {means}'
    else:
        rest = fit.unknown_count - len(fit.unknown)
        more = f'. Write what each means ("" for nothing filled in): {means}'
        more += f". {rest} more stand in few rows and are not shown" if rest else ""
    answers = tuple(f'{quoted(word)} = ""' for word in fit.unknown)
    if fit.unknown_share > RARE:
        writer.ask(kind, what + more, answers)
    else:
        writer.note(f"{what}, in under {RARE:.0%} of the rows; without a meaning those rows are refused.")
        writer.lines += [f"# {answer}" for answer in answers]


def _count(many: int, what: str) -> str:
    return f"1 {what} in it is" if many == 1 else f"{many} {what}s in it are"


def entry(
    kind: str, pair: Pair, options: Options, settings: dict[str, object] | None = None, explicit: bool = False
) -> str:
    """The value of a column's line: its header alone, or with what must be said to read it."""
    sources = pair.source.names
    source = quoted(sources[0]) if len(sources) == 1 else "[" + ", ".join(map(quoted, sources)) + "]"
    more = _settings(kind, pair, options, settings, explicit)
    if not more and len(sources) == 1:
        return source
    return "{ " + ", ".join([f"from = {source}", *(f"{name} = {value}" for name, value in more.items())]) + " }"


def _settings(
    kind: str,
    pair: Pair,
    options: Options,
    settings: dict[str, object] | None = None,
    explicit: bool = False,
) -> dict[str, str]:
    """What must be said of a column, as TOML: what `[file]` says already is left out, unless it is asked about."""
    all_ = dict(pair.fit.settings) | (settings or {})
    usual: dict[str, object] = {
        "format": options.date if kind_type(kind, pair.column) == "date" else options.timestamp,
        "decimal": options.decimal,
    }
    found = {}
    for name, value in all_.items():
        asked = settings is not None and name in settings
        if name in usual and not asked and (value == usual[name] or (value == ISO and usual[name] is None)):
            continue
        if isinstance(value, dict):
            if value:
                found[name] = "{ " + ", ".join(f"{quoted(w)} = {quoted(m)}" for w, m in value.items()) + " }"
        elif isinstance(value, bool):
            found[name] = str(value).lower()
        else:
            found[name] = quoted(value)
    return found


def evidence(pair: Pair) -> str:
    """Why a pair is one, as a line for people."""
    percent = int(pair.likeness.score * 100)
    like = (
        f'header {percent} % like "{pair.likeness.term}"' if percent >= 40 else "told by its cells, not by its header"
    )
    filled = pair.source.profile.filled
    cells = f"of {filled} cells " if filled and pair.fit.says[:1].isdigit() and "%" in pair.fit.says[:7] else ""
    return f"{int(pair.confidence * 100)} %: {like}; {cells}{pair.fit.says}"


def key(name: str) -> str:
    """A name as a key of TOML."""
    return name if name.isascii() and name.replace("_", "").replace("-", "").isalnum() else quoted(name)


def as_json(table: Table, options: Options) -> dict[str, Any]:
    """The evidence of a table for machines."""
    of = table.of
    return {
        "files": list(of.names),
        "sheet": of.sheet,
        "kind": table.kind,
        "confidence": round(min(1.0, table.score), 3),
        "rows": of.raw.rows.height,
        "columns": [
            {
                "column": pair.column,
                "from": list(pair.source.names),
                "sure": pair.sure and not pair.fit.question and not pair.fit.unknown_count,
                "confidence": round(pair.confidence, 3),
                "header_likeness": round(pair.likeness.score, 3),
                "header_like": pair.likeness.term,
                "cells_fit": round(pair.fit.fit, 3),
                "margin": round(pair.margin, 3),
                "evidence": pair.fit.says,
                "settings": pair.fit.settings,
                "question": pair.fit.question or None,
            }
            for pair in _in_order(table)
        ],
        "canals": dict(table.each.words) if table.each else None,
        "split": {"from": table.split.source.names[0], "pattern": table.split.pattern} if table.split else None,
        "templates": table.templates,
        "lacking": table.lacking,
    }
