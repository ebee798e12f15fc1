"""`canalwise mapping`, then `canalwise ingest` with the draft: the same store as from our own headers."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.importing.ingest import ingest
from pipeline.mapping.model import load_mapping
from pipeline.records import KINDS
from pipeline.settings import load_settings

ENCODINGS = {
    "en": "utf-8",
    "de": "windows-1252",
    "fr": "iso-8859-15",
    "es": "utf-8-sig",
    "it": "mac-roman",
    "pl": "windows-1250",
}


def records(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Everything in a store but where it came from."""
    with duckdb.connect(str(store), read_only=True) as connection:
        return {
            kind.name: sorted(
                connection.execute(f"select {', '.join(map(repr_, kind.names))} from {kind.name}").fetchall(), key=repr
            )
            for kind in KINDS.values()
        }


def repr_(name: str) -> str:
    return f'"{name}"'


@pytest.fixture
def canonical(filled: Path) -> dict[str, list[tuple[Any, ...]]]:
    """The small set, imported from our own headers."""
    found = records(filled)
    assert all(found.values())
    return found


BY_DEFAULT = {"de", "pl"}  # one that joins words, one whose letters need an encoding of their own; the others: slow


@pytest.mark.parametrize(
    "language", [pytest.param(one, marks=() if one in BY_DEFAULT else pytest.mark.slow) for one in ENCODINGS]
)
def test_exports_of_six_languages_through_their_draft_make_the_same_store(
    language: str,
    made: Callable[..., Any],
    canalwise: Callable[..., Any],
    canonical: dict[str, list[tuple[Any, ...]]],
    filled: Path,
    small: Path,
    tmp_path: Path,
) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    for kind in KINDS:
        export = made(kind, language, "known", 1, whole=True)
        text = export.text("," if language == "en" else ";")
        (exports / f"{kind}.csv").write_text(text, encoding=ENCODINGS[language], newline="")
    draft = tmp_path / "draft.toml"
    done = canalwise("mapping", exports, "--out", draft)
    assert (done.code, done.out) == (0, "")
    store = tmp_path / "other" / "canalwise.duckdb"
    store.parent.mkdir()
    shutil.copy(filled.with_suffix(".key"), store.with_suffix(".key"))  # for the same pseudonyms
    done = canalwise(
        "ingest", exports, "--mapping", draft, "--store", store, "--settings", small / "canalwise.toml", "--json"
    )
    assert done.code == 0, done.err
    assert all(file["read"] == file["loaded"] for file in done.json["files"])
    assert records(store) == canonical


def test_a_draft_of_our_own_headers_changes_nothing(
    canalwise: Callable[..., Any],
    canonical: dict[str, list[tuple[Any, ...]]],
    filled: Path,
    small: Path,
    tmp_path: Path,
) -> None:
    draft = tmp_path / "draft.toml"
    exports = sorted(small.glob("*.csv"))
    assert canalwise("mapping", *exports, "--out", draft).code == 0
    store = tmp_path / "canalwise.duckdb"
    shutil.copy(filled.with_suffix(".key"), store.with_suffix(".key"))
    list(ingest(store, exports, load_settings(small / "canalwise.toml"), mapping_file=draft))
    assert records(store) == canonical


def test_what_is_sure_is_imported_and_the_rest_refused_with_its_questions(
    canalwise: Callable[..., Any], export: Callable[..., Path], tmp_path: Path
) -> None:
    visits = {"Termin": "V1", "Fall": "F1", "Behandler": "D1", "Beginn": "13.03.2024 09:00", "Ende": "13.03.2024 10:00"}
    day = "01.02.2024"
    treatments = {"Fall": "F1", "Patient": "P1", "Zahn": "36", "Behandler": "D1", "Art": "Revision", "Beginn": day}
    export("Termine.csv", [visits | {"Termin": f"V{i}"} for i in range(5)])
    folder = export("Fälle.csv", [treatments | {"Fall": f"F{i}", "Status": "fertig"} for i in range(5)]).parent
    draft, store = tmp_path / "draft.toml", tmp_path / "canalwise.duckdb"
    done = canalwise("mapping", folder, "--out", draft)
    assert done.code == 1
    assert "1 question is open" in done.err
    done = canalwise("ingest", folder, "--mapping", draft, "--store", store)
    assert done.code == 2
    assert "started_on" in done.err
    assert {kind: len(found) for kind, found in records(store).items() if found} == {"visits": 5}
    # Answered as the draft says: one line loses its mark, the question goes.
    text = draft.read_text(encoding="utf-8")
    question = next(line for line in text.splitlines() if line.startswith("#? "))
    answer = next(line for line in text.splitlines() if line.startswith("# started_on") and "%d.%m.%Y" in line)
    draft.write_text(text.replace(question + "\n", "").replace(answer, answer[2:]), encoding="utf-8")
    assert load_mapping(draft).kinds["treatments"][0].questions == ()
    assert canalwise("ingest", folder, "--mapping", draft, "--store", store).code == 0
    assert {kind: len(found) for kind, found in records(store).items() if found} == {"visits": 5, "treatments": 5}


def test_the_draft_goes_to_stdout_and_says_what_to_do(
    canalwise: Callable[..., Any], made: Callable[..., Any], tmp_path: Path
) -> None:
    path = tmp_path / "Kanäle 2024.csv"
    path.write_text(made("canals", "de", "known", 1, whole=True).text(), encoding="windows-1252", newline="")
    done = canalwise("mapping", path)
    assert done.code == 0
    assert f"canalwise ingest '{path}' --mapping THIS_FILE" in done.out
    assert "[canals.columns]" in done.out
    assert "% like " in done.out
    (tmp_path / "x.toml").write_text(done.out, encoding="utf-8")
    assert list(load_mapping(tmp_path / "x.toml").kinds) == ["canals"]


def test_evidence_for_machines(canalwise: Callable[..., Any], made: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "canals.csv"
    export = made("canals", "fr", "known", 2, whole=True)
    path.write_text(export.text(), encoding="utf-8", newline="")
    found = canalwise("mapping", path, "--json").json
    (table,) = found["tables"]
    assert table["kind"] == "canals"
    assert table["rows"] == len(export.rows)
    assert {column["column"]: tuple(column["from"]) for column in table["columns"]} == export.truth
    assert all(0.8 <= column["confidence"] <= 1 and column["sure"] for column in table["columns"])
    assert found["questions"] == []
    assert found["mapping"].startswith("# A draft")


def test_an_existing_file_is_never_overwritten(canalwise: Callable[..., Any], small: Path, tmp_path: Path) -> None:
    out = tmp_path / "mine.toml"
    out.write_text("keep me", encoding="utf-8")
    done = canalwise("mapping", small / "visits.csv", "--out", out)
    assert done.code == 2
    assert "exists already" in done.err
    assert out.read_text(encoding="utf-8") == "keep me"


@pytest.mark.parametrize("name", ["nothing.csv", "empty.csv", "binary.csv", "prose.txt"])
def test_what_cannot_be_read_or_is_of_no_kind_is_one_line(
    name: str, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "binary.csv").write_bytes(b"Fall;Zahn\nF1;\0\n")
    (tmp_path / "prose.txt").write_text("Sehr geehrte Damen und Herren,\nanbei der Bericht.\n", encoding="utf-8")
    done = canalwise("mapping", tmp_path / name)
    assert done.code == 2
    assert done.out == ""
    assert done.err.strip().splitlines()[-1].startswith("canalwise: ")
    assert name in done.err


def test_a_file_that_cannot_be_read_among_others_is_said(
    canalwise: Callable[..., Any], small: Path, tmp_path: Path
) -> None:
    shutil.copy(small / "visits.csv", tmp_path)
    (tmp_path / "empty.csv").write_bytes(b"")
    done = canalwise("mapping", tmp_path)
    assert done.code == 1
    assert "# Not read: " in done.out and "empty.csv" in done.out


SECRETS = ("Xaverine", "Quittenbaum", "0171 9988776", "1931-12-24", "24.12.1931", "ZZ-4711", "allergisch gegen alles")


@pytest.mark.parametrize("header", [True, False], ids=["with header", "without"])
@pytest.mark.parametrize("how", ["text", "json"])
def test_no_cell_of_a_patient_stands_in_a_draft(
    header: bool, how: str, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    names = ["Fall", "Patient", "Nachname", "Vorname", "Telefon", "Geburtsdatum", "Zahn", "Behandler", "Kind", "Art"]
    names += ["Beginn", "Status", "Bemerkung", "Versorgung"]
    rows = []
    for i in range(30):
        person = SECRETS if i % 2 else ("Berta", "Abel", "030 1234567", "", "01.02.1950", f"P{i}", "ok")
        status = SECRETS[0] if i == 3 else "fertig" if i % 3 else "läuft"
        row = [f"F{i}", person[5], person[1], person[0], person[2], person[4], str(31 + i % 8), "D1", person[0]]
        rows.append([*row, "Revision", f"{1 + i % 28}.03.2024", status, person[6], SECRETS[1] if i % 3 else "Krone"])
    path = tmp_path / "Fälle.csv"
    lines = [";".join(row) for row in ([names] if header else []) + rows]
    path.write_text("\n".join(lines), encoding="utf-8")
    done = canalwise("mapping", path, *(["--json"] if how == "json" else []))
    assert done.code == 1
    assert len(done.out) > 500
    for secret in SECRETS:
        assert secret not in done.out + done.err
        assert json.dumps(secret) not in done.out


def test_only_the_command_itself_pays_for_its_libraries() -> None:
    code = (
        "import pipeline.cli, sys; print([m for m in ('rapidfuzz', 'scipy', 'pipeline.mapping') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
