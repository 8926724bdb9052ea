"""Columns that may not be sent. Invented headers and cells; words and patterns are our own (no source)."""

from __future__ import annotations

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
]


@pytest.mark.parametrize(("cells", "looks_like"), CONTENT)
def test_what_most_cells_of_a_column_look_like(cells, looks_like):
    assert in_content(pa.array(cells)) == looks_like


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
