"""Mapping files: read as written, and refused in one line that names the entry."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.mapping.model import canonical, load_mapping
from pipeline.mapping.recognise import Recognised, recognise
from pipeline.store.records import KINDS

CONTACTS = """
[contacts.columns]
contact_id = "Nr"
treatment_id = { from = "Fall" }
contacted_at = "Wann"
"""


def mapping(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "mapping.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_mapping_file_is_read_as_written(tmp_path: Path) -> None:
    text = '[file]\nencoding = "windows-1252"\ndelimiter = ";"\ndecimal = ","\ndate = "%d.%m.%Y"\n' + CONTACTS
    read = load_mapping(mapping(tmp_path, text))
    assert (read.file.encoding, read.file.delimiter, read.file.decimal) == ("windows-1252", ";", ",")
    (contacts,) = read.kinds["contacts"]
    assert contacts.columns["contact_id"].sources == ("Nr",)
    assert contacts.sources == ("Nr", "Fall", "Wann")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[bills.columns]\nno = 'Nr'\n", "there is no record kind bills; the kinds are treatments, visits"),
        (CONTACTS + 'telephone = "Tel"\n', "contacts has no column telephone; it has contact_id"),
        (CONTACTS.replace('contacted_at = "Wann"\n', ""), "contacts lacks the required columns contacted_at"),
        (CONTACTS + "\n[contacts.constants]\nmood = 'good'\n", "contacts has no column mood"),
        (CONTACTS + "\n[contacts.constants]\ncontact_id = '1'\n", "contacts.contact_id has both a column"),
        ("[file]\nencoding = 'utf-9'\n" + CONTACTS, "file.encoding: there is no encoding utf-9"),
        ("[file]\nencoding = 'base64'\n" + CONTACTS, "file.encoding: there is no encoding base64"),
        ("[file]\ndecimal = ';'\n" + CONTACTS, "file.decimal: "),
        ("[file]\ndelimiter = ''\n" + CONTACTS, "file.delimiter: "),
        ("[file]\ndelimiter = ', '\n" + CONTACTS, "file.delimiter: "),
        ("[file]\ndelimiter = '\"'\n" + CONTACTS, "file.delimiter: must be a sign such as , ; | or a tab"),
        ('[file]\ndelimiter = "\\n"\n' + CONTACTS, "file.delimiter: must be a sign"),
        ("[file]\ndelimiter = '¦'\n" + CONTACTS, "file.delimiter: must be a sign"),
        ("[file]\ndate = 'DD.MM.YYYY'\n" + CONTACTS, "file.date: DD.MM.YYYY is no format such as %d.%m.%Y"),
        ("[file]\ndate = '%d.%m.'\n" + CONTACTS, "file.date: "),
        ("[file]\ndate = '%H'\n" + CONTACTS, "file.date: "),
        ("[file]\ntimestamp = '%d.%m.%Y'\n" + CONTACTS, "file.timestamp: "),
        ("[file]\nlocale = 'de'\n" + CONTACTS, "file.locale: "),
        (CONTACTS.replace('{ from = "Fall" }', "{ form = 'Fall' }"), "contacts.columns.treatment_id"),
        (CONTACTS.replace('{ from = "Fall" }', "{ from = 'Fall', notation = 'roman' }"), ".notation: "),
        (CONTACTS.replace('"Wann"', "3"), "contacts.columns.contacted_at"),
        (
            CONTACTS.replace('"Wann"', '{ from = "Wann", values = { ja = "yes", JA = "no" } }'),
            "contacts.columns.contacted_at.values: JA is given two meanings",
        ),
        ("contacts = 3\n", "contacts"),
        ("[file]\n", "it maps no record kind"),
        ("", "it maps no record kind"),
        ("[contacts\n", "the mapping file is not valid TOML"),
        (b"# \xff\n" + CONTACTS.encode(), "the mapping file is not UTF-8 text (byte 2)"),
    ],
)
def test_a_faulty_mapping_file_is_one_line_that_names_the_entry(tmp_path: Path, text: str | bytes, says: str) -> None:
    path = mapping(tmp_path, text)
    with pytest.raises(UserError) as caught:
        load_mapping(path)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_mapping_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no such mapping file"):
        load_mapping(tmp_path / "none.toml")
    with pytest.raises(UserError, match="the mapping file cannot be read"):
        load_mapping(tmp_path)


def seen(*header: str, as_kind: str | None = None, by: Path | None = None) -> Recognised:
    (one,) = recognise(header, "export.csv", as_kind=as_kind, mapping=load_mapping(by) if by else None)
    return one


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_is_told_from_its_columns_in_any_order(kind: str) -> None:
    assert seen(*KINDS[kind].names).kind == kind
    assert seen(*reversed(KINDS[kind].names), "Bemerkung").kind == kind
    assert seen(*KINDS[kind].required).kind == kind


def test_our_headers_need_no_mapping_and_others_are_left_alone() -> None:
    found = seen("Telefon", "contacted_at", "treatment_id", "contact_id", "practice")
    assert set(found.mapping.columns) == {"contacted_at", "treatment_id", "contact_id", "practice"}
    assert canonical(("contact_id",), "contacts").sources == ("contact_id",)


@pytest.mark.parametrize(
    ("header", "as_kind", "says"),
    [
        (("visit_id", "treatment_id", "dentist", "seated_at"), None, "nearest is visits, which also needs left_at"),
        (("contact_id", "treatment_id"), "contacts", "lacks the columns contacted_at of contacts"),
        (("Fall", "Zahn"), None, "none of its 2 columns has a name of ours"),
        (("Fall;Zahn",), None, "its only column has no name of ours: is the delimiter another than ,?"),
        (("contact_id", "treatment_id", "contacted_at", "contact_id"), None, "contact_id stands in the header twice"),
    ],
)
def test_an_unknown_header_is_one_line(header: tuple[str, ...], as_kind: str | None, says: str) -> None:
    with pytest.raises(UserError) as caught:
        seen(*header, as_kind=as_kind)
    assert says in str(caught.value)
    assert str(caught.value).startswith("export.csv: ")


def test_a_column_that_is_not_read_may_stand_twice() -> None:
    assert seen("contact_id", "treatment_id", "contacted_at", "Notiz", "Notiz").kind == "contacts"


def test_a_file_without_a_header_is_refused_without_showing_its_first_row() -> None:
    """What stands there instead of a header is a patient."""
    with pytest.raises(UserError) as caught:
        seen("4711", "Anna Müller", "0660 1234567")
    assert "Anna" not in str(caught.value)


def test_a_mapping_tells_kinds_apart_by_the_columns_it_names(tmp_path: Path) -> None:
    text = CONTACTS + '\n[follow_ups.columns]\nfollow_up_id = "Nr"\ntreatment_id = "Fall"\nseen_on = "Wann"\n'
    path = mapping(tmp_path, text + 'tooth_present = "Zahn da"\n')
    assert seen("Nr", "Fall", "Wann", by=path).kind == "contacts"
    assert seen("Nr", "Fall", "Wann", "Zahn da", by=path).kind == "follow_ups"
    assert seen("Nr", "Fall", "Wann", "Zahn da", as_kind="contacts", by=path).kind == "contacts"
    with pytest.raises(UserError, match="nearest is contacts, which also needs Wann"):
        seen("Nr", "Fall", by=path)
    with pytest.raises(UserError, match=r"the mapping says nothing of visits; it covers contacts, follow_ups"):
        seen("Nr", "Fall", "Wann", as_kind="visits", by=path)
    with pytest.raises(UserError, match="the column Nr stands in the header twice"):
        seen("Nr", "Nr", "Fall", "Wann", by=path)
