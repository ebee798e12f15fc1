"""Mapping files: read as written, and refused in one line that names the entry."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.mapping.model import KindMapping, Mapping, canonical, load_mapping, place
from pipeline.mapping.recognise import Recognised, knows, recognise
from pipeline.records import KINDS
from pipeline.sources.table import Dialect

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
        ("[file]\nquote = 'ab'\n" + CONTACTS, "file.quote: "),
        ("[file]\nquote = 'a'\n" + CONTACTS, "file.quote: must be a sign"),
        ("[file]\ndelimiter = ';'\nquote = ';'\n" + CONTACTS, "file: delimiter and quote are the same sign"),
        ("[file]\nheader_row = -1\n" + CONTACTS, "file.header_row: "),
        ("[file]\nheader_rows = 0\n" + CONTACTS, "file.header_rows: "),
        ("[file]\ntrailer = ['Total(']\n" + CONTACTS, "file.trailer: Total( is no regular expression"),
        ("[file]\ntime_zone = 'Mars'\n" + CONTACTS, "file.time_zone: Mars is no time zone name such as UTC"),
        (CONTACTS.replace('"Wann"', "[]"), "contacts.columns.contacted_at.from: which column of the export is it?"),
        (CONTACTS.replace('"Wann"', "{ join = '-' }"), "contacts.columns.contacted_at.from: which column"),
        (
            CONTACTS.replace('"Wann"', "{ from = 'Wann', format = 'DD.MM' }"),
            "contacts.columns.contacted_at.format: DD.MM is no format such as %d.%m.%Y",
        ),
        (
            CONTACTS.replace('"Wann"', "{ from = 'Wann', format = '%d.%m.%Y' }"),
            "contacts.columns.contacted_at.format: %d.%m.%Y is no format",
        ),
        (CONTACTS.replace('"Nr"', "{ from = 'Nr', format = '%d.%m.%Y' }"), "contact_id.format: only dates and times"),
        (CONTACTS.replace('"Nr"', "{ from = 'Nr', decimal = ',' }"), "contact_id.decimal: only numbers have one"),
        (CONTACTS.replace('"Nr"', "{ from = 'Nr', unit = 'mm' }"), "contact_id.unit: the column has none"),
        (CONTACTS.replace('"Nr"', "{ from = 'Nr', notation = 'fdi' }"), "contact_id.notation: only tooth has one"),
        (CONTACTS.replace('"Nr"', "{ from = 'Nr', synonyms = true }"), "contact_id.synonyms: only canals have them"),
        (
            CONTACTS.replace('"Nr"', "{ from = 'Nr', template = '{treatment_id}' }"),
            "contacts.columns.contact_id: a template stands alone",
        ),
        (
            CONTACTS.replace('"Nr"', "{ template = 'C1' }"),
            "contact_id.template: names no column, as {treatment_id} does",
        ),
        (CONTACTS.replace('"Nr"', "{ template = '{pain_score}' }"), "contact_id.template: nothing fills pain_score"),
        (
            CONTACTS.replace('"Nr"', "{ template = '{treatment_id}' }").replace(
                '{ from = "Fall" }', "{ template = '{contact_id}' }"
            ),
            "template: treatment_id is made from a template itself",
        ),
        (CONTACTS.replace('"Wann"', "{ template = '{contact_id}' }"), "contacted_at.template: only text"),
        (CONTACTS + "\n[contacts.each]\nkanal = ['MB']\n", "contacts has no column kanal"),
        (CONTACTS.replace("contacts", "[contacts]") + "\n", "not valid TOML"),
        ("[[contacts]]\nfiles = 3\n", "contacts (1).files: "),
        (CONTACTS + "questions = []\n", "contacts has no column questions"),
        ("[contacts]\nquestions = []\n", "contacts.questions: a question is a line that begins with #?"),
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


def test_entries_have_short_forms(tmp_path: Path) -> None:
    text = CONTACTS.replace('"Wann"', '["Tag", "Uhrzeit"]')
    (table,) = load_mapping(mapping(tmp_path, text)).kinds["contacts"]
    assert table.columns["contacted_at"].sources == ("Tag", "Uhrzeit")
    assert table.columns["contacted_at"].join == " "
    assert table.sources == ("Nr", "Fall", "Tag", "Uhrzeit")
    assert table.patient_sources == ()


def test_what_the_file_itself_tells_is_left_open(tmp_path: Path) -> None:
    options = load_mapping(mapping(tmp_path, CONTACTS)).file
    assert options.dialect == Dialect(None, None, '"', None, 1, ())
    text = "[file]\nencoding='cp1250'\nquote=''\nheader_row=3\nheader_rows=2\ntrailer=['^Sum']\ndelimiter='|'\n"
    options = load_mapping(mapping(tmp_path, text + CONTACTS)).file
    assert options.dialect == Dialect("cp1250", "|", "", 3, 2, ("^Sum",))


def test_the_columns_of_a_patients_id_are_known(tmp_path: Path) -> None:
    columns = {name: name for name in KINDS["treatments"].required} | {"patient_id": ["Name", "#3"]}
    table = KindMapping.model_validate({"columns": columns})
    assert table.patient_sources == ("Name", "#3")
    assert set(table.patient_sources) <= set(table.sources)
    columns["treatment_id"] = {"template": "{patient_id}"}  # type: ignore[assignment]
    with pytest.raises(ValueError, match="a patient's id would be kept in it"):
        Mapping.model_validate({"kinds": {"treatments": {"columns": columns}}})
    columns |= {"treatment_id": "Fall", "patient_id": {"template": "{treatment_id}"}}  # type: ignore[dict-item]
    with pytest.raises(ValueError, match="comes from columns of the export"):
        Mapping.model_validate({"kinds": {"treatments": {"columns": columns}}})


def test_a_mapping_survives_being_written_down(tmp_path: Path) -> None:
    """As the store keeps it with a batch, to type its refused rows again."""
    text = """
        [instrument_uses.each]
        canal = { MB = "mesial" }
        [instrument_uses.split]
        from = "{canal} files"
        separator = ";"
        pattern = "{size}/{taper}"
        [instrument_uses.columns]
        use_id = { template = "{treatment_id}/{step}" }
        treatment_id = "Fall"
        started_at = { from = ["A", "B"], format = "%d.%m.%Y %H:%M" }
        taper = { unit = "percent" }
        [instrument_uses.constants]
        motion = "hand"
        result = "intact"
    """
    read = load_mapping(mapping(tmp_path, text))
    (table,) = read.kinds["instrument_uses"]
    assert KindMapping.model_validate(table.model_dump(mode="json", by_alias=True)) == table
    assert Mapping.model_validate_json(read.model_dump_json(by_alias=True)) == read


def test_several_tables_of_a_kind(tmp_path: Path) -> None:
    text = CONTACTS.replace("[contacts.", "[[contacts]]\nfiles = 'phone*'\n[contacts.")
    text += CONTACTS.replace("[contacts.", "[[contacts]]\nfiles = 'desk*'\n[contacts.").replace("Wann", "When")
    read = load_mapping(mapping(tmp_path, text))
    assert [table.files for table in read.kinds["contacts"]] == ["phone*", "desk*"]
    with pytest.raises(UserError, match=r"contacts \(2\)\.columns\.pain_score\.decimal: "):
        load_mapping(mapping(tmp_path, text + "pain_score = { from = 'A', decimal = 'x' }\n"))


def test_the_questions_of_a_draft_belong_to_their_table(tmp_path: Path) -> None:
    text = """# A draft.
[file]
decimal = ","

[[canals]]
files = "a.csv"
#? Which column is the canal?
[canals.columns]
treatment_id = "Fall"
# canal = "Wurzel"
  #?   canal = "Kanal" or "Wurzel"?

[[canals]]
files = "b.csv"
[canals.columns]
treatment_id = "Fall"
canal = "Kanal"

[visits.columns]
#? is "am" the day?
visit_id = "V"
#?not a question
"""
    read = load_mapping(mapping(tmp_path, text))
    first, second = read.kinds["canals"]
    assert [(q.line, q.text) for q in first.questions] == [
        (7, "Which column is the canal?"),
        (11, 'canal = "Kanal" or "Wurzel"?'),
    ]
    assert second.questions == ()
    assert [q.line for q in read.kinds["visits"][0].questions] == [20, 22]


def test_a_question_about_the_file_is_open_for_every_table(tmp_path: Path) -> None:
    read = load_mapping(mapping(tmp_path, "#? first of all\n[file]\n#? date = ?\n" + CONTACTS))
    assert [q.text for q in read.kinds["contacts"][0].questions] == ["first of all", "date = ?"]


def test_without_questions_required_columns_may_not_be_missing(tmp_path: Path) -> None:
    text = CONTACTS.replace('contact_id = "Nr"\n', "#? contact_id = ?\n")
    assert load_mapping(mapping(tmp_path, text)).kinds["contacts"][0].questions != ()
    with pytest.raises(UserError, match="contacts lacks the required columns contact_id"):
        load_mapping(mapping(tmp_path, text.replace("#?", "#")))


def test_letters_with_marks_are_the_same_as_one_character_or_two() -> None:
    assert place(("La\u0308nge", "Gr\u00f6\u00dfe"), "L\u00e4nge") == 0
    assert place(("La\u0308nge", "Gr\u00f6\u00dfe"), "Gro\u0308\u00dfe") == 1


@pytest.mark.parametrize(
    ("source", "at"),
    [("Nr", 0), ("Wann", 2), ("#1", 0), ("#3", 2), ("#4", 3), ("#2", 4), ("#6", None), ("#0", None), ("nr", None)],
)
def test_a_column_is_found_by_its_header_or_its_place(source: str, at: int | None) -> None:
    """ "#2" is a header of its own here."""
    assert place(("Nr", "", "Wann", "", "#2"), source) == at


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


def several(by: Path, *header: str, name: str = "export.csv", as_kind: str | None = None) -> list[str]:
    found = recognise(header, name, name=name, as_kind=as_kind, mapping=load_mapping(by))
    assert all(how.options == load_mapping(by).file for how in found)
    return [how.kind for how in found]


WIDE = """
[treatments.columns]
treatment_id = "Fall"
patient_id = "Patient"
tooth = { from = "Zahn", notation = "fdi" }
dentist = "Arzt"
started_on = "Tag"
[treatments.constants]
kind = "primary"
status = "completed"
[canals.each]
canal = ["MB", "P"]
[canals.columns]
treatment_id = "Fall"
working_length_mm = "{canal}_WL"
"""
HEADER = ("Fall", "Patient", "Zahn", "Arzt", "Tag")


def test_one_file_may_hold_several_kinds(tmp_path: Path) -> None:
    path = mapping(tmp_path, WIDE)
    assert several(path, *HEADER, "MB_WL", "P_WL") == ["treatments", "canals"]
    assert several(path, *HEADER) == ["treatments"]
    assert several(path, "Fall", "MB_WL", "P_WL") == ["canals"]
    assert several(path, *HEADER, "MB_WL", "P_WL", as_kind="canals") == ["canals"]
    with pytest.raises(UserError, match="nearest is canals, which also needs P_WL"):
        several(path, "Fall", "MB_WL")


def test_a_table_that_a_larger_one_explains_is_left_out_unless_it_names_its_files(tmp_path: Path) -> None:
    """A list of contacts is not also what the same columns mean in another export."""
    wide = WIDE + CONTACTS.replace("Nr", "Patient").replace("Wann", "Tag")
    assert several(mapping(tmp_path, wide), *HEADER) == ["treatments"]
    named = wide.replace("[contacts.columns]", "[contacts]\nfiles = '*.csv'\n[contacts.columns]")
    assert several(mapping(tmp_path, named), *HEADER) == ["treatments", "contacts"]
    assert several(mapping(tmp_path, named), *HEADER, name="export.txt") == ["treatments"]


def test_tables_of_the_same_columns_are_told_apart_by_files(tmp_path: Path) -> None:
    follow_ups = CONTACTS.replace("contacts", "follow_ups").replace("contact_id", "follow_up_id")
    follow_ups = follow_ups.replace("contacted_at", "seen_on") + "[follow_ups.constants]\ntooth_present = 'yes'\n"
    with pytest.raises(UserError, match="its columns fit contacts and follow_ups of the mapping alike") as caught:
        several(mapping(tmp_path, CONTACTS + follow_ups), "Nr", "Fall", "Wann")
    assert 'files = "..."' in str(caught.value)
    named = mapping(
        tmp_path,
        "contacts.files = 'Call*.csv'\nfollow_ups.files = '*recall*'\n" + CONTACTS + follow_ups,
    )
    assert several(named, "Nr", "Fall", "Wann", name="calls-2026.CSV") == ["contacts"]
    assert several(named, "Nr", "Fall", "Wann", name="Recalls.csv") == ["follow_ups"]
    with pytest.raises(
        UserError, match=r"no table of the mapping is for files of this name \(Call\*\.csv, \*recall\*\)"
    ):
        several(named, "Nr", "Fall", "Wann", name="visits.csv")


def test_a_table_that_names_no_column_fits_only_the_files_it_names(tmp_path: Path) -> None:
    draft = CONTACTS + "[visits]\nFILES\n#? what are its columns?\n"
    assert several(mapping(tmp_path, draft.replace("FILES", "")), "Nr", "Fall", "Wann") == ["contacts"]
    named = mapping(tmp_path, draft.replace("FILES", 'files = "stuhl.csv"'))
    assert several(named, "Wer", "Wo", name="stuhl.csv") == ["visits"]
    assert several(named, "Nr", "Fall", "Wann") == ["contacts"]


def test_repeated_headers_can_be_named_by_their_place(tmp_path: Path) -> None:
    path = mapping(tmp_path, CONTACTS)
    with pytest.raises(
        UserError, match=r'the column Wann stands in the header twice\. Name it by its place, e\.g\. "#4"'
    ):
        several(path, "Nr", "Fall", "Wann", "Wann")
    path = mapping(tmp_path, CONTACTS.replace("Wann", "#4"))
    assert several(path, "Nr", "Fall", "Wann", "Wann") == ["contacts"]
    with pytest.raises(UserError, match="nearest is contacts, which also needs #4"):
        several(path, "Nr", "Fall", "Wann")


def test_a_header_is_known_when_a_kind_could_be_read(tmp_path: Path) -> None:
    ours = KINDS["contacts"].required
    assert knows(ours, None, None)
    assert knows(("x", *ours), "contacts", None)
    assert not knows(ours, "visits", None)
    assert not knows(ours[:2], None, None)
    theirs = load_mapping(mapping(tmp_path, CONTACTS + "[visits]\n#? what are its columns?\n"))
    assert knows(("Wann", "Nr", "Fall"), None, theirs)
    assert not knows(("Wann", "Nr"), None, theirs)
    assert not knows(ours, None, theirs)
    assert not knows(("Wann", "Nr", "Fall"), "visits", theirs)
