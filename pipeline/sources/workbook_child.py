"""Reads a workbook in a process of its own: a script of workbook.py, not a module to import.

A workbook is the one format whose reader can be made to take all memory, or to end the process, by what a file holds.
Here that costs this process alone. The workbook comes through standard input; out goes a line of JSON, then the sheets
as Arrow streams, one after the other:

    {"error": why}, or {"sheets": [{"name", "error" or "bytes", "failed", "not_computed", "times"}, ...]}

The lists are places (row, column of the stream) whose cells fastexcel gives as empty, though they are not.
"""

from __future__ import annotations

import io
import json
import os
import re
import sys
import zipfile
from typing import Any
from xml.etree import ElementTree

_FORMULA_WITHOUT_VALUE = re.compile(
    rb"<(?:\w+:)?c\s([^>]*)>\s*<(?:\w+:)?f(?:\s[^>]*)?(?:/>|>[^<]*</(?:\w+:)?f>)\s*"
    rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
_FILLED_COLUMN = re.compile(rb'<(?:\w+:)?c\s[^>]*?r="([A-Z]+)[0-9]+"[^>]*[^/>]>|<(?:\w+:)?c\s[^>]*?r="([A-Z]+)[0-9]+">')
_REFERENCE = re.compile(rb'\br="([A-Z]+)([0-9]+)"')
_IS_TEXT = re.compile(rb'\bt="str"')
_DURATION = re.compile(r'DurationIso\("PT(\d+)H(\d+)M(\d+)(?:[.,](\d+))?S"\)')
_LONG_FRACTION = re.compile(rb"\.[0-9]{9}")
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_CALCEXT = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"
_MOST_REPEATED = 1 << 14  # columns of a sheet

Places = list[tuple[int, int]]
# Formulas of a sheet that were never computed, and those that failed and do not say so in their value.
Formulas = tuple[Places, Places]


def main() -> None:
    data = sys.stdin.buffer.read()
    # What a library prints must not stand among the answers.
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    sys.modules["numpy"] = None  # type: ignore[assignment]  # pyarrow would load it, which takes longer than all else
    import fastexcel
    import pyarrow  # noqa: F401  (before memory is limited)

    _limit_memory(int(sys.argv[1]))
    streams: list[bytes] = []
    try:
        book = fastexcel.read_excel(data)
        formulas = _formulas(data, len(book.sheet_names))
        sheets = [_sheet(book, i, name, formulas[i], streams) for i, name in enumerate(book.sheet_names)]
        answer: dict[str, Any] = {"sheets": sheets}
    except BaseException as e:  # a panic of Rust code is no Exception
        answer, streams = {"error": _why(e)}, []
    out.write(json.dumps(answer).encode() + b"\n")
    for stream in streams:
        out.write(stream)
    out.close()


def _limit_memory(megabytes: int) -> None:
    """So many megabytes more than the libraries have taken by now; only where the system can do that."""
    try:
        import resource
        from pathlib import Path

        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + (megabytes << 20)
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # what a crash would leave on the disk holds records
    except (ImportError, OSError, ValueError):
        return


def _why(error: BaseException) -> str:
    if isinstance(error, MemoryError):
        return "it takes too much memory"
    return str(error).partition("\n")[0] or type(error).__name__


def _sheet(book: Any, index: int, name: str, formulas: Formulas, streams: list[bytes]) -> dict[str, Any]:
    import pyarrow as pa

    try:
        # skip_rows=0 keeps empty rows at the top: row numbers are those that the person sees in the sheet.
        options = {"header_row": None, "skip_rows": 0, "skip_whitespace_tail_rows": True}
        batch, errors = book.load_sheet(index, dtypes="string", **options).to_arrow_with_errors()
        if _has_long_fractions(batch):
            batch = _with_long_fractions(batch, book.load_sheet(index, dtypes="float", **options))
        failed, times = [], []
        for error in errors.errors if errors else ():
            time = _DURATION.search(error.detail)
            if time:
                hours, minutes, seconds, part = time.groups()
                part = (part or "").rstrip("0")
                text = f"{int(hours):02}:{int(minutes):02}:{int(seconds):02}{'.' + part if part else ''}"
                times.append((*error.offset_position, text))
            else:
                failed.append(error.offset_position)
        sink = io.BytesIO()
        with pa.ipc.new_stream(sink, batch.schema) as writer:
            writer.write_batch(batch)
    except BaseException as e:
        return {"name": name, "error": _why(e)}
    streams.append(sink.getvalue())
    return {
        "name": name,
        "bytes": len(streams[-1]),
        "failed": failed + formulas[1],
        "not_computed": formulas[0],
        "times": times,
    }


def _has_long_fractions(batch: Any) -> bool:
    """Has any text nine decimals? (Also said of some texts that lie side by side and only together look so.)"""
    texts = (column.buffers()[2] for column in _texts(batch))
    return any(text is not None and _LONG_FRACTION.search(text) for text in texts)


def _texts(batch: Any) -> list[Any]:
    import pyarrow as pa

    return [column for column in batch.columns if pa.types.is_string(column.type)]


def _with_long_fractions(batch: Any, floats: Any) -> Any:
    """As text, fastexcel gives numbers nine decimals at most; those that have as many are taken from the numbers."""
    import pyarrow as pa
    import pyarrow.compute as pc

    numbers, _ = floats.to_arrow_with_errors()
    columns = []
    for text, number in zip(batch.columns, numbers.columns, strict=True):
        if pa.types.is_string(text.type) and pa.types.is_floating(number.type):
            long = pc.and_(pc.match_substring_regex(text, r"\.\d{9}$"), pc.is_valid(number))
            text = pc.if_else(pc.fill_null(long, False), pc.cast(number, pa.string()), text)
        columns.append(text)
    return pa.RecordBatch.from_arrays(columns, names=batch.schema.names)


def _formulas(data: bytes, sheets: int) -> list[Formulas]:
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        names = book.namelist()
        if "content.xml" in names:
            content = book.read("content.xml")
            return _ods_formulas(content, sheets) if b"formula" in content else [([], [])] * sheets
        parts = [_part(book, i) for i in range(sheets)]
        return [(_xlsx_formulas(book.read(part)) if part in names else [], []) for part in parts]


def _part(book: zipfile.ZipFile, index: int) -> str:
    """The part of an XLSX file (ECMA-376, part 1, 18.2.19) that holds the sheet of this place."""
    sheets = [e for e in ElementTree.fromstring(book.read("xl/workbook.xml")).iter() if e.tag.endswith("}sheet")]
    id_ = next((value for key, value in sheets[index].attrib.items() if key.endswith("}id")), "")
    for link in ElementTree.fromstring(book.read("xl/_rels/workbook.xml.rels")):
        if link.get("Id") == id_:
            target = link.get("Target", "")
            return target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    return ""


def _xlsx_formulas(xml: bytes) -> Places:
    """Places of formulas without a value; an empty text is a value."""
    if b"<f" not in xml and b":f" not in xml:
        return []
    bare = [m[1] for m in _FORMULA_WITHOUT_VALUE.finditer(xml) if not _IS_TEXT.search(m[1])]
    found = [(int(m[2]) - 1, _column(m[1])) for cell in bare if (m := _REFERENCE.search(cell))]
    if not found:
        return []
    # fastexcel's first column is the first that holds a value.
    rest = _FORMULA_WITHOUT_VALUE.sub(b"", xml)
    first = min((_column(m[1] or m[2]) for m in _FILLED_COLUMN.finditer(rest)), default=0)
    return [(row, column - first) for row, column in found]


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number - 1


def _ods_formulas(content: bytes, sheets: int) -> list[Formulas]:
    """Places of formulas of OpenDocument sheets (ISO/IEC 26300) without a value, or with one that is an error."""
    found: list[Formulas] = [([], []) for _ in range(sheets)]
    firsts = [_MOST_REPEATED] * sheets
    sheet, row = -1, 0
    for event, element in ElementTree.iterparse(io.BytesIO(content), ("start", "end")):
        if event == "start" and element.tag == f"{_TABLE}table":
            sheet, row = sheet + 1, 0
        if event == "start" or element.tag != f"{_TABLE}table-row" or not 0 <= sheet < sheets:
            continue
        column = 0
        for cell in element:
            many = int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
            if cell.get(f"{_TABLE}formula") is not None:
                places = [(row, column + i) for i in range(min(many, _MOST_REPEATED))]
                if cell.get(f"{_CALCEXT}value-type") == "error":
                    found[sheet][1].extend(places)
                elif cell.get(f"{_OFFICE}value-type") is None:
                    found[sheet][0].extend(places)
            if cell.get(f"{_OFFICE}value-type") is not None:
                firsts[sheet] = min(firsts[sheet], column)
            column += many
        row += int(element.get(f"{_TABLE}number-rows-repeated", "1"))
        element.clear()
    # fastexcel's first column is the first that holds a value.
    return [
        ([(row, column - first) for row, column in bare], [(row, column - first) for row, column in failed])
        for (bare, failed), first in zip(found, firsts, strict=True)
    ]


if __name__ == "__main__":
    main()
