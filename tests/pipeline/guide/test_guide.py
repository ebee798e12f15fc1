"""The guide is there offline, README leads to each of its pages, and what it says of the program is so."""

from __future__ import annotations

import pkgutil
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.guide import generated, page, tables, topics
from pipeline.mapping import model
from pipeline.measures import kinds
from pipeline.measures.catalogue import catalogue
from pipeline.records import KINDS, reference
from pipeline.settings import Settings
from pipeline.sources import read
from tests.answers.book import kept
from tests.tables import publish, write

ROOT = Path(__file__).resolve().parents[3]


def test_readme_leads_to_every_page_and_is_short() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"pipeline/guide/(\w+)\.md", readme)) == set(topics())
    assert 5000 <= len(readme) < 6000
    for path in re.findall(r"\]\(([\w/.]+)\)", readme):
        assert (ROOT / path).exists(), path


def text(topic: str) -> str:
    return (ROOT / "pipeline" / "guide" / f"{topic}.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("topic", sorted(topics()))
def test_generated_parts_are_as_the_program_has_them(topic: str) -> None:
    assert text(topic) == generated.filled(text(topic)), "python -m pipeline.guide.generated writes it anew"
    assert text(topic).count("<!-- end -->") == text(topic).count("<!--") / 2


def test_the_reference_of_columns_is_as_the_records_have_it() -> None:
    kept_text = (ROOT / "pipeline" / "records" / "reference.md").read_text(encoding="utf-8")
    assert kept_text == reference.text(), "python -m pipeline.records.reference writes it anew"


def test_every_command_and_option_is_told() -> None:
    told = text("commands")
    for name, command in generated._commands():
        assert f"## canalwise {name}\n" in told
        for flag in (flag for p in command.params for flag in p.opts if flag.startswith("--")):
            assert flag in told or flag == "--help", (name, flag)


@pytest.mark.parametrize("where", ["README", *sorted(topics())])
def test_commands_that_are_typed_exist_with_their_options(where: str) -> None:
    told = text(where) if where != "README" else (ROOT / "README.md").read_text(encoding="utf-8")
    commands = dict(generated._commands())
    blocks = re.findall(r"^```sh\n(.*?)^```$", told, re.M | re.S)
    spans = re.findall(r"`((?:canalwise )[^`]+)`", told)
    typed = [line.partition("#")[0] for block in blocks for line in block.splitlines()] + spans
    for line in typed:
        for call in re.findall(r"(?:^|/|\s)canalwise ([a-z].*)", line.split("&&")[-1]):
            words = call.split()
            name = " ".join(words[:2]) if " ".join(words[:2]) in commands else words[0]
            assert name in commands, line
            flags = {flag for p in commands[name].params for flag in p.opts} | {"--help"}
            assert {word for word in words if word.startswith("--")} <= flags, line


def test_every_table_of_validation_stands_on_its_page_once_and_is_whole(tmp_path: Path) -> None:
    assert sorted(re.findall(r"<!-- table (\w+) -->", text("validation"))) == tables.names()
    for name in tables.names():
        made = tables.read(name)
        assert made.rows and all(len(row) == len(made.columns) for row in made.rows), name
        assert re.fullmatch(r"20\d\d-\d\d-\d\d", made.made_on) and made.drawn and made.seeds
        write(name, made, tmp_path)
        kept_bytes = (ROOT / "pipeline" / "guide" / "validation" / f"{name}.json").read_bytes()
        assert (tmp_path / f"{name}.json").read_bytes() == kept_bytes, f"{name} is not as tests/tables.py writes it"


def test_a_table_is_printed_and_written_only_when_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("WRITE_TABLES", raising=False)
    publish("some", "Some", ("a|b", "c"), [(1, "x")], drawn="2 practices", seeds="seeds 0 to 1")
    assert "| a\\|b | c |\n| --- | --- |\n| 1 | x |\n" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setenv("WRITE_TABLES", str(tmp_path))
    publish("some", "Some", ("a|b", "c"), [(1, "x")], drawn="2 practices", seeds="seeds 0 to 1")
    assert [f.name for f in tmp_path.iterdir()] == ["some.json"]


def test_what_covers_too_little_or_too_much_is_told() -> None:
    """The figures at the top of the page are counted in the tables below, once more by hand."""
    wanted = re.search(
        r"Of (\d+) lines below .*?, (\d+) do, (\d+) lie above\s+and (\d+) below", text("validation"), re.S
    )
    assert wanted is not None
    full = [
        (float(cell.removesuffix(" %")), table.title)
        for table in map(tables.read, tables.names())
        if "should be" in table.columns
        for row in table.rows
        if row[table.columns.index("should be")] == "93 to 97 %"
        for column, cell in zip(table.columns, row, strict=True)
        if column.startswith(("covered", "SD"))
    ]
    above, below = sum(share > 97 for share, _ in full), sum(share < 93 for share, _ in full)
    assert tuple(map(int, wanted.groups())) == (len(full), len(full) - above - below, above, below)


def test_every_kind_of_measure_is_told_with_columns_that_it_has() -> None:
    (told,) = [held for kind, held in page("figures") if kind == "table"]
    said = {row["kind"]: row for row in told if isinstance(row, dict)}
    modules = {m.name for m in pkgutil.iter_modules(kinds.__path__) if not m.name.startswith("_")}
    assert set(said) == modules - {"list"} == {measure.kind for measure in catalogue().values()} - {"list"}
    columns: dict[str, set[str]] = {}
    for practice in ("small", "second"):
        for key, answer in kept(practice).items():
            kind = catalogue()[key.partition(" by ")[0]].kind
            columns.setdefault(kind, set()).update(c for row in answer.get("rows", []) for c in row)
    for line in re.findall(r"^\| (\w+) \|(.*)$", text("figures"), re.M):
        kind, cells = line
        if kind in said:
            named = set(re.findall(r"`(\w+)`", cells)) - {"sentence", "verdict"}  # made where rows are printed
            assert named <= columns[kind], (kind, named - columns[kind])


def test_every_entry_of_a_mapping_file_is_told() -> None:
    told = text("mapping")
    for part in (model.FileOptions, model.SourceColumn, model.KindMapping, model.Split):
        entries = {field.alias or name for name, field in part.model_fields.items()}
        assert not {e for e in entries if not re.search(rf"\b{e}\b", told)} - {"questions", "patients"}, part
    assert all(notation in told for notation in model.Notation.__args__)


def test_every_setting_stands_in_the_file_that_init_writes() -> None:
    written = (ROOT / "pipeline" / "canalwise.toml").read_text(encoding="utf-8")
    whole = re.sub(r"^# ?(?=\[|\w+ = )", "", written, flags=re.M)

    def entries(model: Any) -> set[str]:
        found = set()
        for name, field in model.model_fields.items():
            inner = [
                a for a in (field.annotation, *getattr(field.annotation, "__args__", ())) if hasattr(a, "model_fields")
            ]
            found |= {name}.union(*map(entries, inner))
        return found

    assert {name for name in entries(Settings) if not re.search(rf"^\W*{name}\b|\.{name}\]", whole, re.M)} == set()
    Settings.model_validate(tomllib.loads(whole))  # with all its examples
    own = Settings.model_validate(tomllib.loads(written))
    assert own.reporting == Settings().reporting, "the file says what holds without it"


def test_every_ending_that_is_read_is_told() -> None:
    told = text("files")
    names = {".csv": "text", ".tsv": "text", ".txt": "text", ".parquet": "Parquet", ".json": "JSON"}
    names |= {".ndjson": "NDJSON", ".jsonl": "NDJSON"}
    for ending in (*read.TEXT, *read.WORKBOOK, *read.PARQUET, *read.JSON, *read.ARCHIVE):
        assert names.get(ending, ending) in told, ending


def test_every_kind_of_records_is_told() -> None:
    assert all(f"## {kind}\n" in reference.text() for kind in KINDS)


def test_a_page_is_blocks() -> None:
    kinds = [kind for kind, _ in page("mapping")]
    assert kinds[0] == "heading" and {"text", "code"} <= set(kinds)
    (code,) = [held for kind, held in page("mapping") if kind == "code" and "[treatments.columns]" in held]
    assert "\x00" not in code and "\n\n" in code  # its empty lines are there
    with pytest.raises(KeyError):
        list(page("nothing"))


@pytest.mark.parametrize("topic", sorted(topics()))
def test_every_page_is_printed(topic: str, canalwise: Callable[..., Any]) -> None:
    done = canalwise("guide", topic)
    assert done.code == 0 and done.out.startswith(topics()[topic]) and "](" not in done.out
    assert canalwise("guide", topic, "--json").json["topic"] == topic


def test_another_topic_is_one_line(canalwise: Callable[..., Any]) -> None:
    done = canalwise("guide", "weather")
    assert done.code == 2 and "no page on weather" in done.err and "privacy" in done.err
