"""From a file's bytes to its text and its physical lines."""

from __future__ import annotations

import codecs
import re
import unicodedata
from collections.abc import Callable

from pipeline.errors import UserError
from pipeline.sources.table import File, text_codec

# In what programs write that do not write UTF-8. windows-1252 comes first: it is what most of them mean.
ENCODINGS = ("windows-1252", "windows-1250", "iso-8859-1", "iso-8859-15", "mac-roman")
# In these a delimiter and a line end are the bytes that they are in ASCII, and nothing else is.
PLAIN_CODECS = frozenset(("utf-8", *(text_codec(encoding) for encoding in ENCODINGS)))

_MARKS = (  # UTF-32's little-endian mark begins like that of UTF-16
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_OTHER_THINGS = (
    (b"PK\x03\x04", "a workbook or ZIP archive", "Name it .xlsx, .ods or .zip, as what it is"),
    (b"\x1f\x8b", "a gzip archive", "Name it .csv.gz"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old .xls workbook or one locked by a password", "Save it as .xlsx"),
    (b"PAR1", "a Parquet file", "Name it .parquet"),
    (b"%PDF-", "a PDF document", "Export it as CSV or XLSX"),
    (b"7z\xbc\xaf'\x1c", "a 7z archive", "Unpack it first"),
    (b"Rar!", "a RAR archive", "Unpack it first"),
)
_LINE_END = re.compile("(\r\n|\r|\n)")
_ODD_WORD = re.compile(rb"""[^\s,;|"']*[\x80-\xff][^\s,;|"']*""")
_WORDS_SHOWN, _LONGEST_WORD = 3, 20

# Of a text, the indices of the first line of its header and of the line after it; None where no line surely is one.
HeaderOf = Callable[[str], tuple[int, int] | None]


def decode(path: File, encoding: str | None, header_of: HeaderOf = lambda _: None) -> tuple[str, str]:
    """A file's text without its byte order mark, and the codec by which it was read.

    The file's own mark decides, then what was declared, else it is strict UTF-8. `header_of` tells which of the words
    that do not read as UTF-8 may be shown: data never are.
    """
    data = path.read_bytes()
    if not data:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    codec = _codec(path, data, encoding)
    try:
        text = data.decode(codec)
        if not codec.startswith(("utf-8", "utf-16", "utf-32")):
            text.encode("utf-8")  # some of Python's codecs make halves of characters
    except UnicodeDecodeError as e:
        raise _undecodable(path, data, codec, encoding, e, header_of) from None
    except UnicodeEncodeError:
        raise UserError(f"is not {encoding} text", where=str(path), do="Declare another encoding") from None
    if codec.startswith(("utf-16", "utf-32")) and "\0" in text:
        line = len(_LINE_END.findall(text, 0, text.index("\0"))) + 1
        raise _no_text(f"{path}, line {line}")
    return text.removeprefix("\ufeff"), codec


def plain_codec(path: File, begin: bytes, encoding: str | None) -> str | None:
    """The codec of a file that begins so, if it is one of `PLAIN_CODECS` and nothing there is wrong; else None."""
    try:
        codec = _codec(path, begin, encoding)
    except UserError:
        return None
    return codec if codec in PLAIN_CODECS else None


def lines_of(text: str, most: int = 0) -> tuple[list[str], list[str]]:
    """The physical lines and what ends each: LF, CR or CRLF, also mixed. `most`: no more lines than this, if not 0.

    What a text editor of another time took for a line end (VT, FF, U+2028) is text.
    """
    if most:
        parts = _LINE_END.split(text, maxsplit=most)
        lines, ends = parts[:-1:2], parts[1::2]
        if len(lines) < most:
            lines.append(parts[-1])
    elif "\r" not in text:
        lines = text.split("\n")
        ends = ["\n"] * (len(lines) - 1)
    elif "\n" not in text:
        lines = text.split("\r")
        ends = ["\r"] * (len(lines) - 1)
    elif text.count("\r\n") == text.count("\r") == text.count("\n"):
        lines = text.split("\r\n")
        ends = ["\r\n"] * (len(lines) - 1)
    else:
        # A cell may hold another kind of line end than the file (spreadsheets do that), and must keep it.
        parts = _LINE_END.split(text)
        lines, ends = parts[::2], parts[1::2]
    if lines[-1] == "" and len(lines) > 1:
        lines.pop()  # the newline that ends the last line
    return lines, [*ends, ""]


def _codec(path: File, data: bytes, encoding: str | None) -> str:
    try:
        codec = text_codec(encoding or "utf-8")
    except LookupError:
        raise UserError(f"no such encoding: {encoding}", where=str(path), do="Use e.g. utf-8 or windows-1252") from None
    marked = next((by for mark, by in _MARKS if data.startswith(mark)), None)
    if marked:
        return marked  # the file says so itself: no text in another encoding begins with such a mark
    if codec.startswith(("utf-16", "utf-32")):
        return codec
    for begins, thing, do in _OTHER_THINGS:
        sure = begins[0] < 32 or not begins.isascii() or begins == b"%PDF-"
        if data.startswith(begins) and (sure or b"\0" in data[:4096]):
            raise UserError(f"is not a text file but {thing}", where=str(path), do=do)
    if codec == "utf-8" and (unmarked := _utf16_without_mark(data)):
        return unmarked
    nul = data.find(b"\0")
    if nul >= 0:
        line = len(_LINE_END.findall(data[:nul].decode("latin-1"))) + 1
        raise _no_text(f"{path}, line {line}")
    return codec


def _utf16_without_mark(data: bytes) -> str | None:
    """The byte order of UTF-16 that every second byte betrays by being 0; no other text has such bytes."""
    head = data[:4096]
    for codec, low in (("utf-16-le", 0), ("utf-16-be", 1)):
        # A few letters may have a high byte (Polish has); none has a low byte of 0.
        if 3 * head[1 - low :: 2].count(0) > len(head) // 2 and not head[low::2].count(0):
            return codec
    return None


def _no_text(where: str) -> UserError:
    return UserError("is not a text file (it has a NUL byte)", where=where, do="Export it as CSV or XLSX")


def _undecodable(
    path: File, data: bytes, codec: str, declared: str | None, error: UnicodeDecodeError, header_of: HeaderOf
) -> UserError:
    """Which byte of which line does not read, and which encodings would read the file."""
    start = error.start
    before = data[:start]
    line = len(_LINE_END.findall(before.decode(codec, "replace"))) + 1
    marked = next((by for mark, by in _MARKS if data.startswith(mark)), None)
    name = "UTF-8" if codec == "utf-8" else declared or codec
    what = f"byte {start} is not {name} text"
    where = f"{path}, line {line}"
    if marked or codec.startswith(("utf-16", "utf-32")):
        if marked:
            what += f", though the file begins with a mark of {marked.upper()}"
        return UserError(what, where=where, do="Export it again: it is damaged or made of two files")
    if codec == "utf-8" and not before.isascii():
        what += ", while text before it is: has the file been put together from two encodings?"
    readings = _readings(data, header_of)
    if not readings:
        return UserError(what, where=where, do="Export it again as UTF-8")
    by_words: dict[str, list[str]] = {}
    for encoding, words in readings.items():
        by_words.setdefault(words, []).append(encoding)
    told = [", ".join(names) + (f" (header: {words})" if words else "") for words, names in by_words.items()]
    what = f"{what}. It can be read as {'; '.join(told)}".replace("?.", "?")
    example = next(iter(readings))
    return UserError(what, where=where, do=f'Declare the right one in a mapping file, e.g. encoding = "{example}"')


def _readings(data: bytes, header_of: HeaderOf) -> dict[str, str]:
    """The usual encodings in which every byte is a character, each with how the header's odd words read in it."""
    odd = bytes(set(data.translate(None, bytes(range(128)))))
    able = [encoding for encoding in ENCODINGS if _all_used(odd, encoding)]
    head = data[: 1 << 20]
    at = next((found for encoding in able if (found := header_of(head.decode(encoding)))), None)
    # Latin-1 makes every byte one character: cut there, a word is the same bytes for all.
    header = "\n".join(lines_of(head.decode("latin-1"), most=at[1])[0][slice(*at)]) if at else ""
    words = list(dict.fromkeys(_ODD_WORD.findall(header.encode("latin-1"))))[:_WORDS_SHOWN]
    return {encoding: ", ".join(word.decode(encoding)[:_LONGEST_WORD] for word in words) for encoding in able}


def _all_used(odd: bytes, encoding: str) -> bool:
    try:
        text = odd.decode(encoding)
    except UnicodeDecodeError:
        return False
    return all(unicodedata.category(character) not in ("Cc", "Co", "Cn") for character in text)
