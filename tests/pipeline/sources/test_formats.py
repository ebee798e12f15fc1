"""The same records in every format that is read give the same store, whatever carries them."""

from __future__ import annotations

import datetime as dt
import gzip
import json
import zipfile
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from xml.sax.saxutils import escape

import polars as pl
import pytest

from demo_data.generate import generate
from pipeline.errors import UserError
from pipeline.importing.ingest import ingest
from pipeline.mapping.apply import POLARS_TYPE
from pipeline.records import KINDS
from pipeline.settings import Settings, load_settings
from pipeline.sources.archive import Member
from pipeline.sources.pool import Pool
from pipeline.sources.read import expand, read
from pipeline.sources.table import Dialect
from pipeline.store.database import open_store

Write = Callable[[pl.DataFrame, str, Path], None]


def _text(encoding: str = "utf-8", delimiter: str = ",", name: str = "csv") -> Write:
    def write(cells: pl.DataFrame, kind: str, folder: Path) -> None:
        text = cells.write_csv(separator=delimiter, quote_style="necessary")
        (folder / f"{kind}.{name}").write_bytes(text.encode(encoding))

    return write


def _gzip(cells: pl.DataFrame, kind: str, folder: Path) -> None:
    (folder / f"{kind}.csv.gz").write_bytes(gzip.compress(cells.write_csv().encode()))


def _zip(cells: pl.DataFrame, kind: str, folder: Path) -> None:
    with zipfile.ZipFile(folder / "all.zip", "a", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(f"exports/{kind}.csv", cells.write_csv())
        packed.writestr(f"__MACOSX/exports/._{kind}.csv", b"\0")
        packed.writestr(f"notes/{kind}.pdf", b"%PDF")


def _typed(cells: pl.DataFrame, kind: str) -> pl.DataFrame:
    """The cells in the types that a program which knows them would write."""
    empty_is_null = cells.with_columns(pl.all().replace("", None))
    casts = []
    for name in cells.columns:
        type_ = KINDS[kind].column(name).type if name in KINDS[kind].names else "text"
        column = pl.col(name)
        if type_ == "date":
            column = column.str.to_date("%Y-%m-%d")
        elif type_ == "timestamp":
            column = column.str.to_datetime("%Y-%m-%d %H:%M:%S")
        elif type_ == "bool":
            column = column == "true"
        else:
            column = column.cast(POLARS_TYPE[type_])
        casts.append(column)
    return empty_is_null.with_columns(casts)


def _parquet(cells: pl.DataFrame, kind: str, folder: Path) -> None:
    _typed(cells, kind).write_parquet(folder / f"{kind}.parquet")


def _xlsx(cells: pl.DataFrame, kind: str, folder: Path) -> None:
    _typed(cells, kind).write_excel(folder / f"{kind}.xlsx", dtype_formats={pl.Datetime: "yyyy-mm-dd hh:mm:ss"})


def _json_ready(cells: pl.DataFrame, kind: str) -> list[dict[str, object]]:
    dates = (pl.Date, pl.Datetime)
    typed = _typed(cells, kind)
    as_text = [pl.col(n).cast(pl.String).str.slice(0, 19) for n, t in typed.schema.items() if isinstance(t, dates)]
    return typed.with_columns(as_text).to_dicts()


def _ndjson(cells: pl.DataFrame, kind: str, folder: Path) -> None:
    lines = [json.dumps(row, ensure_ascii=False) for row in _json_ready(cells, kind)]
    (folder / f"{kind}.ndjson").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _array(cells: pl.DataFrame, kind: str, folder: Path) -> None:
    (folder / f"{kind}.json").write_text(json.dumps(_json_ready(cells, kind), indent=1), encoding="utf-8")


def _ods(cells: pl.DataFrame, kind: str, folder: Path) -> None:
    """The least that is an OpenDocument spreadsheet (ISO/IEC 26300), with text cells."""
    office = "urn:oasis:names:tc:opendocument:xmlns:"
    rows = [cells.columns, *cells.rows()]
    cell = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'
    body = "".join(
        "<table:table-row>" + "".join(cell.format(escape(str(v))) for v in row) + "</table:table-row>" for row in rows
    )
    content = (
        f'<office:document-content xmlns:office="{office}office:1.0" xmlns:table="{office}table:1.0" '
        f'xmlns:text="{office}text:1.0"><office:body><office:spreadsheet><table:table table:name="S">{body}'
        "</table:table></office:spreadsheet></office:body></office:document-content>"
    )
    with zipfile.ZipFile(folder / f"{kind}.ods", "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("content.xml", content)
        packed.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest xmlns:manifest="{office}manifest:1.0"><manifest:file-entry manifest:full-path="/" '
            'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/></manifest:manifest>',
        )


FORMATS: dict[str, Write] = {
    "semicolons": _text(delimiter=";"),
    "tabs": _text(delimiter="\t", name="tsv"),
    "bars": _text(delimiter="|", name="txt"),
    "UTF-8 with mark": _text("utf-8-sig"),
    "UTF-16": _text("utf-16"),
    "gzip": _gzip,
    "zip": _zip,
    "Parquet": _parquet,
    "XLSX": _xlsx,
    "ODS": _ods,
    "NDJSON": _ndjson,
    "JSON array": _array,
}


def _records(store: Path) -> dict[str, list[tuple[object, ...]]]:
    with open_store(store) as connection:
        return {
            kind: connection.execute(
                f"select * exclude (source_file, source_row, record_no, loaded_at, batch_id) from {kind} order by all"
            ).fetchall()
            for kind in KINDS
        }


# The others are as these to all that comes after reading; the next test has them.
OFTEN = ("semicolons", "UTF-16", "zip", "Parquet", "XLSX", "NDJSON")


@pytest.mark.parametrize(
    "name", [name if name in OFTEN else pytest.param(name, marks=pytest.mark.slow) for name in FORMATS]
)
def test_every_format_gives_the_same_store(name: str, small: Path, filled: Path, tmp_path: Path) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    for kind in KINDS:
        cells = pl.read_csv(small / f"{kind}.csv", infer_schema=False, empty_string_is_null=False)
        FORMATS[name](cells, kind, exports)
    other = tmp_path / "other.duckdb"
    # The pseudonyms are keyed: the same key, so that stores can be compared.
    other.with_suffix(".key").write_bytes(filled.with_suffix(".key").read_bytes())
    done = list(ingest(other, [exports], load_settings(small / "canalwise.toml")))
    assert {d.kind: d.counts.quarantined for d in done} == dict.fromkeys(KINDS, 0)
    assert _records(other) == _records(filled)


CANALS = ("MB", "MB2", "DB", "P", "ML", "D", "DL", "B", "L", "M", "S")


@pytest.fixture(scope="module")
def two_thousand(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    """Canals of the invented practice, whole teeth only, 2,000 and a few."""
    made = generate(tmp_path_factory.mktemp("practice"), treatments=1300, layout="canonical")
    canals = pl.read_csv(made.files["canals"], infer_schema=False, empty_string_is_null=False)
    canals = canals.filter(pl.col("canal").is_in(CANALS))
    teeth = canals["treatment_id"].unique(maintain_order=True)[:1000]
    return canals.filter(pl.col("treatment_id").is_in(teeth.implode()))


def _wide(cells: pl.DataFrame, kind: str, folder: Path) -> None:
    """One row a tooth, and for each canal a group of columns: MB working_length_mm, MB final_size, ..."""
    own = [name for name in cells.columns if name not in ("treatment_id", "canal", "sequence")]
    wide = cells.with_columns(seen=pl.lit("x")).pivot(
        "canal", index=["treatment_id", "sequence"], values=["seen", *own], maintain_order=True
    )
    wide = wide.rename(
        {f"{name}_{canal}": f"{canal} {name}" for name in ("seen", *own) for canal in cells["canal"].unique()}
    )
    wide.write_csv(folder / "teeth.csv", separator=";")
    columns = "\n".join(f'{name} = "{{canal}} {name}"' for name in own)
    listed = ", ".join(f'"{canal}"' for canal in cells["canal"].unique(maintain_order=True))
    (folder.parent / "wide.toml").write_text(
        f"[canals.each]\ncanal = [{listed}]\n[canals.columns]\n"
        f'treatment_id = "treatment_id"\nsequence = "sequence"\n{columns}\n',
        encoding="utf-8",
    )


@pytest.mark.parametrize("name", ["CSV", *FORMATS, "wide"])
def test_two_thousand_records_are_the_same_in_every_form(
    name: str, two_thousand: pl.DataFrame, tmp_path: Path, store: Path
) -> None:
    assert 2000 <= two_thousand.height < 2600
    exports = tmp_path / "exports"
    exports.mkdir()
    {**FORMATS, "CSV": _text(), "wide": _wide}[name](two_thousand, "canals", exports)
    mapping = tmp_path / "wide.toml" if name == "wide" else None
    (done,) = ingest(store, [exports], Settings(practice="here"), mapping_file=mapping)
    assert (done.counts.read, done.counts.loaded) == (two_thousand.height, two_thousand.height)
    with open_store(store) as connection:
        found = connection.execute(
            f"select {', '.join(KINDS['canals'].names)} from canals order by treatment_id, canal"
        ).fetchall()
    assert found == _typed(two_thousand, "canals").sort("treatment_id", "canal").rows()


def test_members_are_named_by_their_archive(tmp_path: Path) -> None:
    _zip(pl.DataFrame({"a": ["1"]}), "visits", tmp_path)
    (found,) = expand([tmp_path])
    assert (found.name, found.suffix) == ("all.zip/exports/visits.csv", ".csv")
    assert str(found) == f"{tmp_path}/all.zip/exports/visits.csv"
    assert read(found, Dialect()).header == ("a",)


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.zip", b"PK\x03\x04 broken", "the archive is damaged"),
        ("a.csv.gz", b"not packed", "the archive is damaged"),
        ("a.csv.gz", gzip.compress(b"a,b\n1,2\n" * 100, mtime=0)[:-12], "the archive is damaged"),
        ("a.parquet", b"PAR1 broken PAR1", "is not a Parquet file"),
        ("a.json", b'[{"a": 1}, {"a": }]', "line 1: is not valid JSON"),
        ("a.json", b"", "the file is empty"),
        ("a.ndjson", b'{"a": "\xff"}\n', "byte 7 is not UTF-8 text"),
        ("a.json", b'{"a": 1,\n"b": 2}', "is one JSON object, not records"),
        ("a.json", b"[" * 100_000, "is not valid JSON"),
        ("a.ods", b"nothing", "is not an .xlsx or .ods workbook"),
    ],
)
def test_what_cannot_be_read_is_one_line(name: str, content: bytes, says: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(UserError) as caught:
        for file in expand([path]):
            read(file, Dialect())
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_archive_without_exports(tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("notes.pdf", b"%PDF")
    with pytest.raises(UserError, match=r"a\.zip/notes\.pdf: is a PDF document"):
        expand([path])
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr(".hidden", b"")
    with pytest.raises(UserError, match="the archive has no"):
        expand([path])


def test_a_small_archive_that_unpacks_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.sources import archive

    monkeypatch.setattr(archive, "_LARGEST", 1000)
    path = tmp_path / "a.csv.gz"
    path.write_bytes(gzip.compress(b"a,b\n" * 1000))
    with pytest.raises(UserError, match="unpacks to more than"):
        Member(Pool().file(path), None).read_bytes()


def test_every_line_of_ndjson_is_a_record_broken_or_blank(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    path.write_text('{"a": 1, "b.c": "x\\"y"}\n\nno json\n{"b.c": null, "d": true}\n[1]\n', encoding="utf-8")
    table = read(path, Dialect())
    assert table.header == ("a", "b.c", "d")
    assert table.rows.rows() == [(1, "1", 'x"y', ""), (4, "", "", "true")]
    assert [(b.source_row, b.raw) for b in table.broken] == [(3, "no json"), (5, "[1]")]
    assert table.blank_lines == 1


def test_a_moment_with_a_zone_is_no_clock_time(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    moments = pl.Series("t", ["2026-03-31 12:00"]).str.to_datetime("%Y-%m-%d %H:%M").dt.replace_time_zone("UTC")
    pl.DataFrame({"t": moments}).write_parquet(path)
    assert read(path, Dialect()).rows["c0"].to_list() == ["2026-03-31 12:00:00+0000"]


def test_any_key_of_a_json_record_is_a_column(tmp_path: Path) -> None:
    keys = ["", 'a"b', "a/b", "a~1b", "$.x", "0", "*", "it's", "a b", "ä", "a\\n"]
    path = tmp_path / "a.json"
    path.write_text(json.dumps([{key: f"<{key}>"} for key in keys] + [{"a": {"b": [1, "x"]}}]), encoding="utf-8")
    table = read(path, Dialect())
    assert table.header == (*keys, "a")
    assert [row[1 + i] for i, row in enumerate(table.rows.rows())] == [*(f"<{key}>" for key in keys), '{"b":[1,"x"]}']


def test_numbers_of_a_json_array_are_not_rounded_beyond_doubles(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text('[{"n": 0.10}, {"n": 1e400}, {"n": 12345678901234567890123}, {"n": 0.1234567890123456789}, 5]')
    table = read(path, Dialect())
    assert table.rows["c0"].to_list() == ["0.1", "1e400", "12345678901234567890123", "0.12345678901234568"]
    assert [(b.source_row, b.raw) for b in table.broken] == [(5, "5")]
    path.write_text(f"[{'1' * 5000}, x]")
    with pytest.raises(UserError, match="is not valid JSON"):
        read(path, Dialect())


def test_a_key_twice_in_a_json_record_is_not_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    path.write_bytes(b'{"a": 1, "a": 2}\r{"a": 3}\r')
    table = read(path, Dialect())
    assert [(b.source_row, b.rule) for b in table.broken] == [(1, "json_key_twice")]
    assert table.rows.rows() == [(2, "3")]


def test_json_with_more_keys_than_a_table_has_columns(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text(json.dumps([{f"k{i}": 1} for i in range(10_001)]))
    with pytest.raises(UserError, match="has 10,001 different keys"):
        read(path, Dialect())


def test_every_type_of_a_parquet_file(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    pl.DataFrame(
        {
            "bytes": [b"x", None],
            "day": [dt.date(2024, 3, 5), None],
            "clock": [dt.time(9, 30), None],
            "length": [dt.timedelta(hours=36, seconds=1.5), -dt.timedelta(seconds=90)],
            "decimal": [Decimal("1.50"), None],
            "word": pl.Series(["a", None], dtype=pl.Categorical),
            "nothing": [None, None],
            "list": [[1], [2]],
            "float": pl.Series([0.1, 25], dtype=pl.Float32),
        }
    ).write_parquet(path)
    table = read(path, Dialect())
    assert table.header == ("bytes", "day", "clock", "length", "decimal", "word", "nothing", "float")
    assert table.rows.rows() == [
        (1, "x", "2024-03-05", "09:30:00", "36:00:01.5", "1.50", "a", "", "0.1"),
        (2, "", "", "", "-00:01:30", "", "", "", "25.0"),
    ]
    pl.DataFrame({"bytes": [b"\xff"]}).write_parquet(path)
    with pytest.raises(UserError, match="is not a Parquet file of text and numbers"):
        read(path, Dialect())


def test_a_small_parquet_file_of_countless_equal_cells_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.sources.parquet._MOST_CELLS", 1_000_000)
    path = tmp_path / "a.parquet"
    ones = pl.DataFrame({"a": pl.repeat(1, 600_000, dtype=pl.Int8, eager=True)}).with_columns(b="a")
    ones.write_parquet(path)
    assert path.stat().st_size < 10_000
    with pytest.raises(UserError, match="holds 1,200,000 cells"):
        read(path, Dialect())
