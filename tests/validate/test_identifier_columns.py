"""Columns that may not be sent. Invented headers and cells; words and patterns are our own (no source)."""

from __future__ import annotations

import dataclasses

import pyarrow as pa
import pytest

from pipeline.settings import Settings
from pipeline.validate import checked
from pipeline.validate.identifiers import in_content, in_header, suspects
from schemas.exports import EXPORTS

HEADERS = [
    ("Patient Name", "names"),
    ("Name", "names"),
    ("surname", "names"),
    ("FirstName", "names"),
    ("Surgeon name", "names"),
    ("DOB", "birth dates"),
    ("Date of Birth", "birth dates"),
    ("birth_date", "birth dates"),
    ("Geburtsdatum", "birth dates"),
    ("Mobile", "contact data"),
    ("Home Phone No", "contact data"),
    ("E-Mail", "contact data"),
    ("Address line 1", "addresses"),
    ("PostCode", "addresses"),
    ("zip", "addresses"),
    ("MRN", "record numbers"),
    ("Hospital No.", "record numbers"),
    ("NHS number", "record numbers"),
    ("Insurance ID", "record numbers"),
    ("SocialSecurityNumber", "record numbers"),
    ("patient_number", "record numbers"),
    ("Implant serial number", "device numbers"),
    ("UDI", "device numbers"),
    ("Number plate", "pictures, prints or plates"),
]


@pytest.mark.parametrize(("header", "looks_like"), HEADERS)
def test_a_header_that_speaks_of_identifiers(header, looks_like):
    assert in_header(header) == looks_like


HARMLESS = [
    "Procedure name", "implant_name", "Case No", "Op Date", "Pt age", "Laterality", "Birth weight", "year of birth",
    "plate", "IP joint flexion", "Hospital", "hospital_id", "insurance type", "record_status", "recorded_at", "id",
    "Surgeon ID", "test result", "contact type", "unit", "seen_on", "telling", "plate_number_of_screws", "Ward", "",
]  # fmt: skip


@pytest.mark.parametrize("header", HARMLESS)
def test_a_harmless_header(header):
    assert in_header(header) == ""


def test_headers_of_ids_are_exempt_from_the_record_number_rule_only():
    assert in_header("MRN", to_id=True) == ""
    assert in_header("Patient number", to_id=True) == ""
    assert in_header("Patient name", to_id=True) == "names"
    assert in_header("DOB", to_id=True) == "birth dates"


CONTENT = [
    (["a@b.org", "c@d.ie", "e@f.com", ""], "e-mail addresses"),
    (["+353 87 1234567", "087 123 4567", "(01) 234 5678"], "phone numbers"),
    (["M24 4AB", "D02 X285", "AB1 2CD"], "postcodes"),
    (["A65F4E2", "D02X285", "T12W8RN"], "postcodes"),
    (["123-45-6789"] * 3, "social security numbers"),
    (["Mr Smith", "Dr. Jones", "Mrs Doe", "x"], "names with a title"),
    (["Doe, Jane", "Roe, Richard", "Poe, Edgar A."], "names"),
    (["https://a.org/1", "www.b.org", "http://c.org"], "web addresses"),
    # under half of the filled cells
    (["a@b.org", "x", "y", ""], ""),
    # too few to tell
    (["a@b.org", "c@d.org"], ""),
    (["left", "right", "left"], ""),
    (["0012345678", "0012345679", "0012345680"], ""),
    (["2025-03-03", "2025-03-04", "2025-03-05"], ""),
    (["Superior, Anterior"] * 8, ""),
    (["Anna Fischer", "fischer, anna", "FISCHER ANNA"], "names"),
    (["Ruairi Quillfeather", "Sinead Marl", "MARL SINEAD", "Ms Marl"], "names"),
    (["Siobhán", "Jürgen", "Łukasz", "Zoë", "André", "Ingrid", "Fatima", "Kwame", "Priya"], "names"),
    (["06 12 34 56 78", "01.23.45.67.89", "0151 123 4567"], "phone numbers"),
    (["91 23 45 67", "612 345 678", "030-1234567"], "phone numbers"),
    (["089/1234567", "1-555-123-4567", "(555) 123-4567"], "phone numbers"),
    (["12 Oak Tree Road", "3b Mill Lane, Ashby", "40 Long Street"], "addresses"),
    (["Hauptstraße 5", "Am Mühlenweg 12", "Lange Straße 7a"], "addresses"),
    (["12 rue des Lilas", "Calle Mayor 4", "Via Roma 15"], "addresses"),
    (["80331 Kleinstadt", "1010 Neudorf", "28195 Altenau"], "addresses"),
    (
        ["(01)00844588003288(17)261120(10)7654", "(01)00844588003289(21)10", "+A123BJC5D6E71G"],
        "device numbers",
    ),
    (["SN 88213K", "S/N: 77120", "serial 4411-2"], "device numbers"),
    (["AB12 CDE", "12-D-12345", "B-AB 1234"], "numbers of plates"),
    (["img_001.jpg", "knee left.PNG", "a.dcm"], "file names of pictures"),
    (["203.0.113.7", "198.51.100.20", "2001:db8:0:1:1:1:1:1"], "addresses of machines"),
    (["QQ 12 34 56 C", "756.1234.5678.97", "AB123456C"], "national numbers"),
]


@pytest.mark.parametrize(("cells", "looks_like"), CONTENT)
def test_what_most_cells_of_a_column_look_like(cells, looks_like):
    assert in_content(pa.array(cells)) == looks_like


NOT_OF_A_PERSON = {
    "approaches": ["Deltopectoral Approach", "Anterior Superior", "Henry Approach", "Medial Parapatellar", "Lateral"],
    "clinical terms": ["Rotator Cuff Tear", "Medial Meniscus", "Bony Bankart Lesion", "Hill Sachs Defect", "Loose Body"],
    "implants": ["Titan Lock 3", "Suture Button", "Hook Plate", "Biceps Anchor 4.5", "Headless Screw", "Swan Anchor"],
    "towns": ["Old Harbour", "New Mill", "Millfield", "North Gate", "Saint Hilda", "Old Harbour"] * 12,
    "pseudonyms of surgeons": ["Otter", "Heron", "Falcon", "Badger", "Stork"] * 9,
    "two words as pseudonyms": [f"{a} {b}" for a in ("Blue", "Red", "Dark", "Tall", "Calm", "Wet", "Old") for b in
                                ("Otter", "Heron", "Falcon", "Badger", "Stork", "Finch", "Vole")],
    "local codes": [f"KN-{n:03d}" for n in range(40)],
    "ICD-10-CM": ["M22.01", "S83.004A", "T84.82XA", "M24.411"],
    "SNOMED-like codes": ["387713003", "80146002", "397956004"] * 20,
    "short notes": ["Doing well", "Wound clean", "No pain today", "stiff knee", "Back to sport", "Pain on stairs"],
    "notes in capitals": ["DOING WELL", "WOUND CLEAN", "NO PAIN TODAY", "STIFF KNEE", "FULL RANGE", "SEEN LATE"],
    "readings": ["120", "95", "130", "0-120", "10 / 120"],
    "sums of money": [str(n) for n in range(1200000, 1200000 + 4000 * 40, 4000)],
    "seconds since 1970": [str(1761955200 + 97 * n) for n in range(40)],
    "stamps": [f"202511{n % 28 + 1:02d}{n % 24:02d}15" for n in range(40)],
    "days": [f"2025-{n % 12 + 1:02d}-{n % 28 + 1:02d}" for n in range(40)],
    "hashes": [f"{n * 2654435761 % 2**32:08x}{n * 40503 % 65536:04x}" for n in range(40)],
    "sports": ["Football", "Hurling", "Running", "Rugby Union", "Field Hockey", "None"],
    "screws": ["3.5 mm x 14", "3.5 mm x 16", "4.0 mm x 30"],
}  # fmt: skip


@pytest.mark.parametrize("kind", NOT_OF_A_PERSON)
def test_a_column_that_speaks_of_no_person(kind):
    cells = pa.array(NOT_OF_A_PERSON[kind])
    assert in_content(cells, numbers=True) == ""
    assert in_content(cells, pseudonyms=True) == ""


@pytest.mark.parametrize(
    "form", ["P{:06d}", "24-P-{:04d}", "K12{:04d}", "PT{:05d}", "H1-{:06d}", "{:04d}-{:02d}"]
)
def test_numbered_pseudonyms_are_what_a_column_of_ids_holds(form):
    cells = pa.array([form.format(number, number) for number in range(1, 60)])
    assert in_content(cells, pseudonyms=True) == ""


def test_long_numbers_of_one_length_are_record_numbers_where_they_lead_nowhere():
    numbers = pa.array([str(40718203 + 7919 * n) for n in range(30)])
    assert in_content(numbers, numbers=True) == "record numbers"
    assert in_content(numbers) == ""


def test_long_columns_of_names_are_found_without_a_known_given_name():
    syllables = ["Bra", "Cor", "Dem", "Fal", "Gor", "Hul"]
    names = [
        f"{a}{b.lower()}is {b}{c.lower()}{a.lower()}"
        for a in syllables
        for b in syllables
        for c in syllables[:2]
    ]
    assert in_content(pa.array(names)) == "names"


def sent_with(export, table, days, column="Col 7", **more):
    rows = [{**({column: day} if column in EXPORTS[table].names else {}), **more} for day in days]
    unmapped = None if column in EXPORTS[table].names else {column: days}
    found = suspects(export(table, *rows, unmapped=unmapped), EXPORTS[table])
    return [(suspect.header, suspect.looks_like) for suspect in found]


BIRTHS = ["1961-05-03", "1975-11-30", "1988-02-17", "1990-07-01"]


@pytest.mark.parametrize(
    "written",
    [
        BIRTHS,
        ["03.05.1961", "30.11.1975", "17.02.1988", "01.07.1990"],
        ["5/3/61", "11/30/75", "2/17/88", "7/1/90"],
        ["19610503", "19751130", "19880217", "19900701"],
        ["3 May 1961", "30-NOV-1975", "17 Feb 1988", "July 1, 1990"],
        ["1961-05-03T00:00:00", "1975-11-30 00:00", "1988-02-17 00:00", "1990-07-01 00:00"],
    ],
)
def test_birth_dates_under_a_harmless_header(export, written):
    assert sent_with(export, "operations", written, age_years="") == [("Col 7", "birth dates")]
    assert sent_with(export, "followups", written) == [("Col 7", "birth dates")]


def test_birth_dates_in_a_day_of_the_contract(export):
    assert sent_with(export, "operations", BIRTHS, "onset_on") == [("onset_on", "birth dates")]
    assert sent_with(export, "followups", BIRTHS, "returned_on") == [("returned_on", "birth dates")]


def test_birth_dates_of_children_are_told_by_their_age(export):
    births = ["2010-05-03", "2009-11-30", "2008-02-17", "2007-07-01"]
    ages = [{"age_years": age} for age in ("14", "15", "17", "17")]
    sent = export("operations", *ages, unmapped={"Col 7": births})
    assert [suspect.looks_like for suspect in suspects(sent, EXPORTS["operations"])] == ["birth dates"]
    sent = export(
        "operations", *ages, unmapped={"Col 7": ["40301", "40147", "39495", "39264"]}
    )  # days of 1900
    assert [suspect.looks_like for suspect in suspects(sent, EXPORTS["operations"])] == ["birth dates"]


@pytest.mark.parametrize(
    "days",
    [
        ["2024-05-03", "2023-11-30", "2025-02-17", "2019-07-01"],
        ["1900-01-01"] * 3 + ["2025-01-07"],
        ["1970-01-01", "1970-01-01", "2025-02-01", "1970-01-01"],
        ["2012-05-03", "2016-11-30", "2011-02-17", "2009-07-01"],  # a first operation long ago
    ],
)
def test_other_days_are_no_birth_dates(export, days):
    assert sent_with(export, "operations", days) == []
    assert sent_with(export, "operations", days, "onset_on") == []


def test_only_headers_of_ids_may_speak_of_record_numbers(export):
    sent = export("operations", {}, headers=("MRN", "Hospital No"))
    said = {"MRN": ("patient_id",), "Hospital No": ("procedure_code",)}
    found = suspects(dataclasses.replace(sent, feeds=said), EXPORTS["operations"])
    assert [suspect.header for suspect in found] == ["Hospital No"]


@pytest.mark.parametrize(
    "names", [["Anna Fischer", "fischer, anna", "FISCHER ANNA"], ["anna.f@example.org"] * 3]
)
@pytest.mark.parametrize("column", ["patient_id", "surgeon_id", "note", "code"])
def test_names_and_addresses_in_any_column_refuse_the_file(export, names, column):
    table = "operations" if column == "surgeon_id" else "events"
    rows = [{column: name} for name in names]
    assert checked(export(table, *rows), Settings(), ()).source.reason == "identifiers_in_columns"


def test_a_column_of_ticks_is_harmless_whatever_its_header(export):
    unmapped = {"Phone": ["087 1", "x"], "Phone contact made": ["Y", "n"], "Email": ["", None]}
    sent = export("followups", {}, {}, headers=tuple(unmapped), unmapped=unmapped)
    found = suspects(sent, EXPORTS["followups"])
    assert [(suspect.header, suspect.looks_like) for suspect in found] == [
        ("Phone", "contact data"),
        ("Email", "contact data"),
    ]


def test_a_file_with_such_a_column_is_refused_whole_and_none_of_it_copied(export):
    secret = "0871234567"
    result = checked(
        export(
            "operations", {}, {}, {}, headers=("operation_id", "Mobile"), unmapped={"Mobile": [secret] * 3}
        ),
        Settings(),
        ("knee",),
    )
    assert (result.accepted.num_rows, result.quarantined.num_rows) == (0, 0)
    assert (result.source.refused, result.source.rows_read, result.source.non_data) == (3, 3, 0)
    assert result.source.reason == "identifiers_in_columns"
    assert result.findings[["column", "rule", "value", "action"]].values.tolist() == [
        ["Mobile", "identifiers_in_columns", "", "refuse"]
    ]
    assert secret not in result.findings.to_csv()


def test_a_pseudonym_column_full_of_names_refuses_the_file(export):
    rows = [{"patient_id": name} for name in ("Mr Smith", "Mrs Doe", "Dr Roe")]
    assert checked(export("operations", *rows), Settings(), ()).source.reason == "identifiers_in_columns"
