"""How a file is written: encoding, delimiter, quotation mark, where its header is, which lines are sums.

Here it may be guessed, since a person reads the draft before it is used; `ingest` never does. What cannot be told is a
question.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import UserError
from pipeline.mapping.draft.headers import likenesses
from pipeline.mapping.draft.profile import key, words
from pipeline.mapping.draft.text import toml
from pipeline.sources import read as sources
from pipeline.sources.table import Dialect
from pipeline.sources.text import ENCODINGS, decode, lines_of

if TYPE_CHECKING:
    from pipeline.sources.source import Source
    from pipeline.sources.table import File, RawTable

_LINES = 400  # are looked at for delimiters, a header and quotes
_MOST, _MANY = 0.9, 20  # share of lines that have one width, from so many lines on; else something is amiss
_OTHER_QUOTES = (
    ('"', ""),
    ("'", "so most lines have as many cells"),
    ("", "so most lines have as many cells"),
)
_HEADER_WITHIN = 30  # non-blank lines, as for reading
_TYPED = re.compile(
    r"[+-]?[\d.,]*\d[\d.,]*\s*%?"
    r"|\d{1,4}[./-]\d{1,2}[./-]\d{1,4}(?:[ T,]+\d{1,2}[:.h]\d{2}.*)?"
    r"|\d{1,2}[:h]\d{2}(?::\d{2})?"
)
_ODD_WORD = re.compile(rb"""[^\s,;|"'\t]*[\x80-\xff][^\s,;|"'\t]*""")

# The letters outside ASCII that each language writes with.
_LETTERS = {
    "German": "äöüßÄÖÜ",
    "French": "àâæçéèêëîïôœùûüÿÀÂÆÇÉÈÊËÎÏÔŒÙÛÜ",
    "Spanish": "áéíóúüñÁÉÍÓÚÜÑ¿¡",
    "Italian": "àèéìîòóùÀÈÉÌÒÙ",
    "Polish": "ąćęłńóśźżĄĆĘŁŃÓŚŹŻ",
}
_SIGNS = "€°µ–—’‘“”„…«»§²³½¼¾×·±™®©‰º\u00a0"


@dataclass(frozen=True)
class Written:
    """How a file (or a sheet of it) is written.

    `dialect` is complete enough to read it with. `says`: of an entry of `[file]`, its evidence. `questions`: what is
    open, each with the lines that would answer it. `headerless`: it has no header; `doubtful`: its first row may be
    one.
    """

    dialect: Dialect
    says: dict[str, str] = field(default_factory=dict)
    questions: tuple[tuple[str, tuple[str, ...]], ...] = ()
    notes: tuple[str, ...] = ()
    headerless: bool = False
    doubtful: bool = False
    encodings: tuple[str, ...] = ()  # of a file that is not UTF-8: those that read it as well as the one that is taken


def written(file: Source, sheet: str | None = None, encoding: str | None = None) -> tuple[Written, RawTable]:
    """How a file is written, and its table. `encoding` is known already, if given. UserError where it is unreadable."""
    if file.sheets:
        return _sheet(file, sheet)
    if not file.is_text:
        return Written(Dialect()), file.table(Dialect()).read()
    text, how = _decoded(file, encoding)
    lines, _ = lines_of(text, most=_LINES)
    how, rows = _delimited(how, lines)
    how = _headed(how, rows)
    how = _summed(how, text)
    return how, file.table(how.dialect).read()


def _sheet(file: Source, sheet: str | None) -> tuple[Written, RawTable]:
    bare = file.table(Dialect(header_row=0), sheet).read()
    rows = [(int(row[0]), [str(cell) for cell in row[1:]]) for row in bare.rows.head(_LINES).iter_rows()]
    how = _headed(Written(Dialect()), rows)
    everything = "\n".join("\t".join(map(str, row[1:])) for row in bare.rows.iter_rows())
    how = _summed(how, everything, "\t")
    return how, file.table(how.dialect, sheet).read()


# --- encoding ---


def _decoded(file: File, known: str | None) -> tuple[str, Written]:
    try:
        text, codec = decode(file, None)
    except UserError:
        names, says, question = _encoding(file)
        if not names:
            raise
        if known in names:
            text, _ = decode(file, known)
            return text, Written(Dialect(encoding=known), {"encoding": says}, encodings=(str(known),))
        text, _ = decode(file, names[0])
        questions = (question,) if question else ()
        return text, Written(Dialect(encoding=names[0]), {"encoding": says}, questions, encodings=names)
    # What has a mark of its own, or is UTF-8, need not be declared.
    return text, Written(Dialect(encoding=None), {"encoding": "" if codec == "utf-8" else f"it is {codec}"})


def _encoding(file: File) -> tuple[tuple[str, ...], str, tuple[str, tuple[str, ...]] | None]:
    """The likeliest 8-bit encodings, why, and a question where they do not read the file alike."""
    data = file.read_bytes()
    if not data or b"\0" in data or data[:2] in (b"\xff\xfe", b"\xfe\xff") or data.isascii():
        return (), "", None
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        return (), "", None
    counted = Counter(_ODD_WORD.findall(data)).most_common(5000)
    odd = [word for word, _ in counted]
    readings: dict[tuple[str, ...], list[str]] = {}
    for encoding in ENCODINGS:
        try:
            readings.setdefault(tuple(word.decode(encoding) for word in odd), []).append(encoding)
        except UnicodeDecodeError:
            continue
    scored = sorted(((_readable(found), -i, found) for i, found in enumerate(readings)), reverse=True)
    if not scored:
        return (), "", None
    score, _, best = scored[0]
    names = readings[best]
    others = [(readings[found], found) for s, _, found in scored[1:] if s >= score - 0.05]
    letters = _odd_letters(best)
    alike = f"; {' and '.join(names[1:])} would read the same" if len(names) > 1 else ""
    many = "1 word" if len(odd) == 1 else f"{len(odd)} words"
    says = f"{many} with {' '.join(letters[:8])} read as {_language(best)} in it{alike}"
    if score < 0.5 or others:
        ways = [(names, best), *others] if score >= 0.5 else [(n, found) for found, n in readings.items()]
        shown = "; ".join(f"{found[0]}: {' '.join(_odd_letters(words_)[:8])}" for found, words_ in ways)
        question = f"encoding: the letters outside ASCII read in more than one way ({shown}). Which is right?"
        every = tuple(dict.fromkeys(name for found, _ in ways for name in found))
        return every, says, (question, tuple(f'encoding = "{found[0]}"' for found, _ in ways))
    return tuple(names), says, None


def _odd_letters(texts: tuple[str, ...]) -> list[str]:
    return [letter for letter, _ in Counter(c for text in texts for c in text if ord(c) > 127).most_common()]


def _readable(texts: tuple[str, ...]) -> float:
    """How far the words of a reading are words: their odd letters are those of one language, then of any of the six."""
    return max((_share(texts, _LETTERS[language]) for language in _LETTERS), default=0.0) * 0.5 + 0.5 * _share(
        texts, "".join(_LETTERS.values())
    )


def _language(texts: tuple[str, ...]) -> str:
    return max(_LETTERS, key=lambda language: _share(texts, _LETTERS[language]))


def _share(texts: tuple[str, ...], letters: str) -> float:
    good = 0
    for text in texts:
        sound = True
        for before, character in zip(" " + text, text, strict=False):
            if ord(character) < 128:
                continue
            if character.isalpha():
                # A capital in the midst of a word is no word's.
                sound &= character in letters and not (character.isupper() and before.islower())
            else:
                sound &= character in _SIGNS and not (
                    before.isalpha() and text[-1].isalpha() and character not in "’–-·"
                )
        good += sound
    return good / len(texts) if texts else 1.0


# --- delimiter and quotation mark ---


def _delimited(how: Written, lines: list[str]) -> tuple[Written, list[tuple[int, list[str]]]]:
    """With the sign that parts its cells; and the records of its first lines, with the line each begins at."""
    named = re.fullmatch(r"""["']?sep=(.)["']?""", lines[0].strip(), re.IGNORECASE) if lines else None
    candidates = [named[1]] if named and named[1] in sources.DELIMITERS else list(sources.DELIMITERS)
    found = []
    for delimiter in candidates:
        likely = _quote(lines, delimiter)
        others = [way for way in _OTHER_QUOTES if way[0] != likely[0]]
        ways = [_one_width(lines, delimiter, quote, odd) for quote, odd in (likely, *others)]
        best = max((way for way in ways if way), key=lambda way: way[0], default=None)  # the likely one, if alike
        if best:
            share, width, quote, odd, rows = best
            found.append((share * (1 - 0.5 / width), share, width, delimiter, quote, odd, rows))
    if not found:
        one = [(number, [line]) for number, line in enumerate(lines, 1)]
        return replace(how, dialect=replace(how.dialect, delimiter=",")), one
    found.sort(key=lambda one: -one[0])
    if len(found) > 1 and found[1][0] > found[0][0] - 0.15:
        found[:2] = sorted(found[:2], key=lambda one: -_heading(one[6], one[2]))
    _, share, width, delimiter, quote, odd, rows = found[0]
    says = f"{_in_words(share)} of its lines have {width} cells by it"
    dialect = replace(how.dialect, delimiter=delimiter, quote=quote)
    said = how.says | {"delimiter": says}
    if quote != '"':
        said["quote"] = odd
    how = replace(how, dialect=dialect, says=said)
    if share < _MOST and len(rows) >= _MANY:
        question = f"delimiter: only {_in_words(share)} of its lines have {width} cells. Is it the right sign?"
        answers = (f"delimiter = {toml(delimiter)}  # yes: the other lines go to quarantine",)
        how = replace(how, questions=(*how.questions, (question, answers)))
    return how, rows


def _one_width(
    lines: list[str], delimiter: str, quote: str, odd: str
) -> tuple[float, int, str, str, list[tuple[int, list[str]]]] | None:
    """The share of records that have the usual width, and that width; None where that is one cell."""
    rows = _rows(lines, delimiter, quote)
    widths = Counter(len(cells) for _, cells in rows if any(cell.strip() for cell in cells))
    wide = {width: n for width, n in widths.items() if width > 1}
    if not wide:
        return None
    # Sums and preambles are few, records are many and all of one width.
    width, times = max(wide.items(), key=lambda item: (item[1], item[0]))
    return times / sum(widths.values()), width, quote, odd, rows


def _in_words(share: float) -> str:
    return "all" if share == 1 else f"{int(share * 100)} %"


def _heading(rows: list[tuple[int, list[str]]], width: int) -> float:
    """How like a header the first row of this width is."""
    first = next((cells for _, cells in rows if len(cells) == width), [])
    return _vocabulary(first)


def _vocabulary(cells: list[str]) -> float:
    """How like the cells are to words for columns, on average."""
    texts = [cell.strip() for cell in cells[:40] if cell.strip()]
    if not texts:
        return 0.0
    best = [0.0] * len(texts)
    for row in likenesses(texts).values():
        for i, likeness in enumerate(row):
            best[i] = max(best[i], likeness.score)
    return sum(best) / len(best)


def _rows(lines: list[str], delimiter: str, quote: str) -> list[tuple[int, list[str]]]:
    csv.field_size_limit(1 << 30)
    options: dict[str, object] = {"delimiter": delimiter}
    options |= {"quotechar": quote} if quote else {"quoting": csv.QUOTE_NONE}
    reader = csv.reader((line + "\n" for line in lines), **options)  # type: ignore[arg-type]
    rows, start = [], 1
    try:
        for cells in reader:
            rows.append((start, cells))
            start = reader.line_num + 1
    except csv.Error:
        pass
    return rows


def _quote(lines: list[str], delimiter: str) -> tuple[str, str]:
    """The quotation mark, and why it is not the usual one."""
    cells = [cell.strip() for line in lines for cell in line.split(delimiter)]
    double = sum(cell.startswith('"') for cell in cells)
    if not double and any('"' in cell for cell in cells):
        return "", "quotation marks stand inside cells and never around them"
    opened = sum(cell.startswith("'") for cell in cells)
    closed = sum(cell.endswith("'") for cell in cells)  # not always of the same piece: there may be delimiters within
    if not double and opened >= 5 and abs(opened - closed) <= 0.1 * opened and 10 * opened > len(cells):
        return "'", f"{opened} cells of the first lines stand in it"
    return '"', ""


# --- header ---


def _typed(cell: str) -> bool:
    return _TYPED.fullmatch(cell.strip()) is not None


def _headed(how: Written, rows: list[tuple[int, list[str]]]) -> Written:
    """With the row of the header: the first full one whose cells are words where those below are numbers and dates."""
    filled = [(number, cells) for number, cells in rows if any(cell.strip() for cell in cells)]
    if not filled:
        return how
    width = _usual_width([cells for _, cells in filled])
    for i, (number, cells) in enumerate(filled[:_HEADER_WITHIN]):
        if len(cells) != width and not (len(cells) > width // 2 and width > 3):
            continue
        there = [cell for cell in cells if cell.strip()]
        if 10 * len(there) < 7 * width and not (i + 1 < len(filled) and _group_row(filled, i, width)):
            continue
        return _judged(how, filled, i, width, number)
    return how


def _usual_width(rows: list[list[str]]) -> int:
    return Counter(len(cells) for cells in rows).most_common(1)[0][0]


def _group_row(filled: list[tuple[int, list[str]]], i: int, width: int) -> bool:
    """Is the row the upper one of two header rows, with merged cells over the names of the lower one?"""
    upper, lower = filled[i][1], filled[i + 1][1]
    if len(upper) != width or len(lower) != width or any(_typed(c) for c in (*upper, *lower)):
        return False
    names = [cell.strip() for cell in lower]
    return len([c for c in upper if c.strip()]) >= 2 and len(set(filter(None, names))) < len([n for n in names if n])


def _judged(how: Written, filled: list[tuple[int, list[str]]], i: int, width: int, number: int) -> Written:
    rows = [cells + [""] * (width - len(cells)) for _, cells in filled]
    first = 1 + _more_rows(rows, i, width)
    contrast, typed = _contrast(rows, i + first - 1, width, rows[i + first :])
    itself = sum(_typed(cell) for cell in rows[i] if cell.strip()) / max(1, sum(1 for cell in rows[i] if cell.strip()))
    above = sum(1 for n, _ in filled if n < number)
    stand = "1 line stands" if above == 1 else f"{above} lines stand"
    notes = (f"{stand} above the header: no record",) if above else ()
    if (typed and contrast >= 0.5) or (itself < 0.1 and _vocabulary(rows[i]) >= 0.6):
        dialect = replace(how.dialect, header_row=number, header_rows=first)
        says = {"header_rows": "the row below the first holds words as well"} if first > 1 else {}
        return replace(how, dialect=dialect, says=how.says | says, notes=how.notes + notes)
    headerless = replace(how.dialect, header_row=0)
    if itself >= 0.2 or (typed and contrast < 0.2):
        says = {"header_row": "the first row holds numbers and dates like those below it: there is no header"}
        return replace(how, dialect=headerless, says=how.says | says, headerless=True)
    question = "header_row: the first row may be a header or a record; it is not shown here. Which is it?"
    answers = ("header_row = 0  # a record: the columns are #1, #2, ...", f"header_row = {number}  # a header")
    said = replace(how, dialect=headerless, headerless=True, doubtful=True)
    return replace(said, questions=(*how.questions, (question, answers)))


def _more_rows(rows: list[list[str]], i: int, width: int) -> int:
    """How many rows after row i belong to the header."""
    more = 0
    while more < 3 and i + more + 2 < len(rows):
        below = rows[i + more + 1]
        contrast, typed = _contrast(rows, i + more + 1, width, rows[i + more + 2 :])
        there = [cell for cell in below if cell.strip()]
        if not (typed >= 2 and contrast >= 0.8 and there and not any(_typed(cell) for cell in there)):
            break
        more += 1
    return more


def _contrast(rows: list[list[str]], i: int, width: int, body: list[list[str]]) -> tuple[float, int]:
    """Of the columns whose cells below are numbers and dates: the share in which row i has a word; and how many."""
    body = [cells for cells in body[:100] if len(cells) == width]
    typed = words_ = 0
    for column in range(width):
        below = [cells[column] for cells in body if cells[column].strip()]
        if below and sum(map(_typed, below)) >= 0.8 * len(below):
            typed += 1
            cell = rows[i][column].strip()
            words_ += bool(cell) and not _typed(cell)
    return (words_ / typed if typed else 0.0), typed


# --- lines that are no records ---


def _summed(how: Written, text: str, delimiter: str | None = None) -> Written:
    """With patterns for lines of sums, which begin with a word for one and have few cells filled."""
    delimiter = delimiter or how.dialect.delimiter or ","
    known = {key(word) for word in words()["totals"]["words"]}
    lines, _ = lines_of(text)
    sign = f"\\x{{{ord(delimiter):x}}}"
    line = pl.col("line")
    filled = line.str.count_matches(rf"""[^{sign}\s"'][^{sign}]*""")
    sparse = (
        pl.DataFrame({"line": lines[(how.dialect.header_row or 0) :]}, schema={"line": pl.String})
        .filter(2 * filled <= line.str.count_matches(sign) + 2)
        .select(line.str.extract(r"""^[\s;,|"']*([^\W\d_][^;,|"\t:]{1,30})""").str.strip_chars())
        .drop_nulls()
        .group_by("line")
        .len("n")
        .sort("n", "line", descending=[True, False])
    )
    begins: dict[str, int] = {}
    for first, many in sparse.head(5000).iter_rows():
        word = first if key(first) in known else first.partition(" ")[0]
        if key(word) in known:
            begins[word] = begins.get(word, 0) + many
    if not begins or sum(begins.values()) > max(3, 0.2 * len(lines)):
        return how
    # What is no letter or figure is escaped, but no blanks: the readers' expressions do not know that.
    escaped = [re.sub(r"([^\w\s])", r"\\\1", word) for word in begins]
    patterns = tuple(rf"""^[\s;,|"']*{word}\b""" for word in escaped)
    many = sum(begins.values())
    matched = pl.Series(lines, dtype=pl.String).str.contains("|".join(patterns)).sum()
    if matched > many:
        question = (
            f"trailer: {many} lines of sums begin with {' or '.join(begins)}, but {matched - many} full lines do too"
        )
        answer = f"trailer = [{', '.join(map(toml, patterns))}]  # all of them are no records"
        return replace(how, questions=(*how.questions, (f"{question}. Are they no records?", (answer,))))
    says = f"{many} line{'s' if many > 1 else ''} with few cells begin{'' if many > 1 else 's'} so: no record"
    return replace(how, dialect=replace(how.dialect, trailer=patterns), says=how.says | {"trailer": says})
