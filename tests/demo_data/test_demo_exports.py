"""What is written: bytes, layouts, the committed small set, and the planted faults."""

from __future__ import annotations

import io
import re
import time
import tomllib
from pathlib import Path

import fastexcel
import polars as pl
import pytest

import demo_data
from demo_data import layouts, truth
from demo_data.faults import KEYS
from demo_data.generate import SMALL_SEED, SMALL_TREATMENTS, Made, Practice, generate
from pipeline.mapping.model import load_mapping
from pipeline.settings import load_settings

HERE = Path(demo_data.__file__).parent


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize("layout", ["demo", "canonical"])
def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path: Path, layout: str) -> None:
    once = generate(tmp_path / "a", 5, 80, layout=layout)
    generate(tmp_path / "b", 5, 80, layout=layout)
    generate(tmp_path / "c", 9, 80, layout=layout)
    first, again, other = (contents(tmp_path / name) for name in "abc")
    assert first == again
    for path in once.files.values():
        assert first[str(path.relative_to(tmp_path / "a"))] != other[str(path.relative_to(tmp_path / "a"))]


def test_the_small_set_is_what_the_generator_makes(tmp_path: Path) -> None:
    generate(tmp_path, SMALL_SEED, SMALL_TREATMENTS, layout="canonical")
    committed = contents(HERE / "small")
    assert committed == contents(tmp_path)
    assert sum(map(len, committed.values())) < 400_000
    assert set(committed) == {"canalwise.toml", *(f"{kind}.csv" for kind in layouts.COLUMNS)}


def test_the_demo_has_its_files_and_counts_its_rows(demo_exports: Made) -> None:
    assert set(contents(demo_exports.out)) == {
        "canalwise.toml",
        "frontdesk.toml",
        "recalls.xlsx",
        *(f"chairside/{kind}.csv" for kind in ("canals", "instrument_uses", "incidents", "contacts")),
        *(f"frontdesk/{name}.csv" for name in ("faelle", "termine", "bestand")),
    }
    for kind, path in demo_exports.files.items():
        if path.suffix == ".csv":
            encoding = "utf-8" if kind in layouts.CHAIRSIDE else "cp1252"
            assert len(path.read_bytes().decode(encoding).splitlines()) == demo_exports.rows[kind] + 1
    assert recalls(demo_exports).height == demo_exports.rows["follow_ups"]


def test_settings_and_mapping_are_valid_for_the_program(demo_exports: Made) -> None:
    settings = load_settings(demo_exports.out / "canalwise.toml")
    assert settings.practice == truth.PRACTICE
    assert [sequence.id for sequence in settings.sequences] == list(truth.SEQUENCES)
    mapping = load_mapping(demo_exports.out / "frontdesk.toml")
    assert set(mapping.kinds) == {"treatments", "visits", "instruments", "follow_ups"}
    for kind, path in demo_exports.files.items():
        if kind in layouts.FRONT_DESK:
            header = path.read_bytes().decode("cp1252").splitlines()[0].split(";")
            (table,) = mapping.kinds[kind]
            assert set(table.sources) <= set(header)


def front_desk(made: Made, kind: str) -> pl.DataFrame:
    text = made.files[kind].read_bytes().decode("cp1252")
    return pl.read_csv(io.StringIO(text.replace("\r\n", "\n")), separator=";", infer_schema=False)


def recalls(made: Made) -> pl.DataFrame:
    return fastexcel.read_excel(str(made.files["follow_ups"])).load_sheet(layouts.SHEET).to_polars()


def test_the_front_desk_writes_in_its_own_way(sound_exports: Made, demo_practice: Practice) -> None:
    cases, sittings, stock = (front_desk(sound_exports, kind) for kind in ("treatments", "visits", "instruments"))
    treatments = demo_practice.records["treatments"]
    assert cases["Fall"].to_list() == treatments["treatment_id"].to_list()
    assert set(cases["Zahn (1-32)"].drop_nulls()) <= {*map(str, range(1, 33)), *"ABCDEFGHIJKLMNOPQRST"}
    assert cases["Begonnen am"].str.to_date("%d.%m.%Y").to_list() == treatments["started_on"].to_list()
    assert set(cases["Stand"]) == {"läuft", "abgeschlossen", "abgebrochen", "überwiesen"}
    assert cases["Name, Vorname"].str.contains(r"^Muster, \S+ \d{4}$").all()
    assert (
        sittings["Platz genommen"].str.to_datetime("%d.%m.%Y %H:%M").to_list()
        == demo_practice.records["visits"]["seated_at"].to_list()
    )
    assert set(sittings["Kofferdam"].drop_nulls()) == {"ja", "nein"}
    assert stock["Konizität"].str.contains(r"^0,\d+$").all()
    assert set(stock["Antrieb"]) == {"von Hand", "rotierend", "hin und her"}


def test_the_recall_list_has_real_dates_numbers_and_boxes(sound_exports: Made, demo_practice: Practice) -> None:
    sheet, records = recalls(sound_exports), demo_practice.records["follow_ups"]
    assert (
        sheet.schema["Seen"].is_temporal()
        and sheet.schema["PAI"].is_numeric()
        and sheet.schema["Tooth there"] == pl.Boolean
    )
    assert sheet["Seen"].cast(pl.Date).to_list() == records["seen_on"].to_list()
    assert sheet["Lost on"].cast(pl.Date).to_list() == records["lost_on"].to_list()
    assert sheet["PAI"].cast(pl.Int64).to_list() == records["pai"].to_list()
    assert sheet["Tooth there"].to_list() == records["tooth_present"].to_list()
    assert set(sheet["Pain?"].drop_nulls()) == {"yes", "no"}


def test_half_to_two_in_a_hundred_rows_are_faulty_and_every_fault_occurs(demo_exports: Made) -> None:
    assert [p.fault for p in demo_exports.planted] == [
        f for kind in layouts.COLUMNS for f in truth.FAULTS if f.kind == kind
    ]
    assert len({f.name for f in truth.FAULTS}) == len(truth.FAULTS) > 35
    assert all(p.rows == len(p.keys) >= 1 for p in demo_exports.planted)
    faulty = sum(p.rows for p in demo_exports.planted)
    assert 0.005 <= faulty / sum(demo_exports.rows.values()) <= 0.02


def test_without_the_planted_rows_the_exports_are_the_sound_ones(demo_exports: Made, sound_exports: Made) -> None:
    """Faults are added, or in a cell or two of a good row: the truth of all others stays in the exports."""
    for kind, path in demo_exports.files.items():
        of_kind = [p for p in demo_exports.planted if p.fault.kind == kind]
        planted = sum(p.rows for p in of_kind if p.fault.caught != "cell")
        changed = sum(p.rows for p in of_kind if p.fault.caught == "cell")
        assert demo_exports.rows[kind] == sound_exports.rows[kind] + planted
        if path.suffix == ".csv":
            encoding = "utf-8" if kind in layouts.CHAIRSIDE else "cp1252"
            lines = path.read_bytes().decode(encoding).splitlines()
            written = set(lines)
            sound = sound_exports.files[kind].read_bytes().decode(encoding).splitlines()
            kept = [line for line in sound if line in written]
            assert len(sound) - len(kept) <= changed, kind
            rest = iter(lines)  # the sound rows come in their own order
            assert all(line in rest for line in kept), kind


@pytest.mark.parametrize("fault", truth.FAULTS, ids=lambda f: f.name)
def test_planted_keys_are_new_unless_they_are_meant_to_repeat(
    demo_exports: Made, demo_practice: Practice, fault: truth.PlantedFault
) -> None:
    planted = next(p for p in demo_exports.planted if p.fault == fault)
    good = set(demo_practice.records[fault.kind].select(pl.concat_str(KEYS[fault.kind], separator=" ")).to_series())
    assert (set(planted.keys) <= good) if fault.caught in ("repeat", "cell") else not (set(planted.keys) & good)
    assert len(set(planted.keys)) == planted.rows


def test_sequences_are_described_in_words_of_the_trade_only() -> None:
    """No names: every word of the catalogue, the descriptions and the ids is a plain one."""
    words = """hand path then in rotation reciprocation instruments instrument six five three two scouting to length
        coronal opening shaping apical size middle third full"""
    plain = set(words.split())
    catalogue = tomllib.loads((HERE / "canalwise.toml").read_text(encoding="utf-8"))["sequence"]
    text = " ".join(
        f"{sequence['id']} {sequence['title']} "
        + " ".join(f"{step['purpose']} {step['motion']}" for step in sequence["step"])
        for sequence in catalogue
    )
    text += " " + " ".join((pl.read_csv(HERE / "small" / "instruments.csv")["description"]).unique())
    assert set(re.findall(r"[a-z]+", text.lower())) <= plain


def test_it_is_quick(tmp_path: Path) -> None:
    began = time.perf_counter()
    generate(tmp_path)
    assert time.perf_counter() - began < 8
