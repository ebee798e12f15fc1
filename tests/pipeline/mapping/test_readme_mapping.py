"""The mapping file that the guide shows can be copied: it is read, and makes of such exports what it says."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import pytest

from pipeline.mapping.apply import Typed, apply
from pipeline.mapping.model import Mapping, load_mapping
from pipeline.mapping.recognise import recognise
from pipeline.sources.read import read
from pipeline.sources.table import Dialect

GUIDE = Path(__file__).resolve().parents[3] / "pipeline" / "guide" / "mapping.md"
EXPORTS = {
    "cases-2026.csv": """\
        Case;Surname;Born;Tooth No.;Dentist;Type;Lesion;Begun;Telephone
        7;Müller;01.02.1980;30;;Revision;0.45;03/31/2026;0660 1
        8;Weiß;;3;D2;first time;;04/01/2026;
        Total;2;;;;;;;
    """,
    "chair.csv": """\
        Case;Dentist;Date;In;Out;Booked
        7;D1;31.03.2026;09:00;10:05;1:15
    """,
    "canals.csv": """\
        Case;MB length;MB2 length;palatal length;MB taper;MB2 taper;palatal taper
        7;20,5;;21;4;;6 %
    """,
    "files.csv": """\
        Case;Canal;Files;Torque
        7;mesiobuccal;"25/,06 x2; 30/,04";200
        7;palatal;25/,06;200
    """,
}


@pytest.fixture
def mapping(tmp_path: Path) -> Mapping:
    (shown,) = re.findall(r"^```toml\n(.*?)^```$", GUIDE.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)
    path = tmp_path / "theirs.toml"
    path.write_text(shown, encoding="utf-8")
    return load_mapping(path)


def typed(mapping: Mapping, folder: Path, name: str) -> dict[str, Typed]:
    path = folder / name
    path.write_text(re.sub("^ +", "", EXPORTS[name], flags=re.MULTILINE), encoding="windows-1252")
    raw = read(path, mapping.file.dialect)
    found = recognise(raw.header, name, name=name, as_kind=None, mapping=mapping)
    return {how.kind: apply(raw, how.kind, how.mapping, how.options, "here", "Europe/Vienna") for how in found}


def shown(done: Typed, *columns: str) -> list[tuple[object, ...]]:
    assert done.faults.height == 0
    return done.records.select(columns).rows()


def test_the_mapping_of_the_readme_reads_such_exports(mapping: Mapping, tmp_path: Path) -> None:
    cases = typed(mapping, tmp_path, "cases-2026.csv")
    assert list(cases) == ["treatments"]
    columns = ("patient_id", "tooth", "dentist", "kind", "lesion_mm", "started_on", "status")
    assert shown(cases["treatments"], *columns) == [
        ("Müller 01.02.1980", 46, "D1", "retreatment", 4.5, dt.date(2026, 3, 31), "completed"),
        (None, 16, "D2", "primary", None, dt.date(2026, 4, 1), "completed"),
    ]
    visits = typed(mapping, tmp_path, "chair.csv")["visits"]
    assert shown(visits, "visit_id", "seated_at", "left_at", "booked_minutes") == [
        ("7/2026-03-31 09:00:00", dt.datetime(2026, 3, 31, 9, 0), dt.datetime(2026, 3, 31, 10, 5), 75.0)
    ]
    canals = typed(mapping, tmp_path, "canals.csv")["canals"]
    assert shown(canals, "canal", "working_length_mm", "final_taper") == [("MB", 20.5, 0.04), ("P", 21.0, 0.06)]
    uses = typed(mapping, tmp_path, "files.csv")["instrument_uses"]
    assert shown(uses, "use_id", "size", "taper") == [
        ("7/MB/1", 25, 0.06),
        ("7/MB/2", 25, 0.06),
        ("7/MB/3", 30, 0.04),
        ("7/P/1", 25, 0.06),
    ]
    # 200 g cm; standard gravity is 9.80665 m/s2 (3rd General Conference on Weights and Measures, 1901).
    assert uses.records["torque_ncm"].to_list() == pytest.approx([1.96133] * 4)


def test_what_the_readme_leaves_to_the_file_is_left_to_it(mapping: Mapping) -> None:
    assert mapping.file.dialect == Dialect("windows-1252", ";", trailer=("^Total", r"^Page \d+"))
