"""Codes that the list of ICD-10-CM does not have: a warning a file and code, never more. Invented rows."""

from __future__ import annotations

from pipeline.settings import Settings
from pipeline.validate import checked


def told(export, *rows, table="events"):
    found = checked(export(table, *rows), Settings(), ("knee",))
    assert found.accepted.num_rows == len(rows)
    listed = found.findings[found.findings["rule"] == "code_not_in_list"]
    return listed[["column", "value", "source_line", "message"]].values.tolist()


def test_one_finding_a_code_with_the_number_of_rows(export):
    codes = ["T84.82XA", "M22.019", "m22019", "S83.004", "T84.82XA", "M22.019"]
    said = told(export, *({"event_id": f"e{n}", "code": code} for n, code in enumerate(codes)))
    assert [line[:3] for line in said] == [["code", "M22.019", 3], ["code", "S83.004", 5]]
    assert said[0][3].startswith("3 rows hold a code that ICD-10-CM, release April 2026 does not have.")
    assert said[1][3].startswith("1 row holds a heading or an unfinished code of ICD-10-CM")


def test_the_diagnosis_of_an_operation_is_looked_up_too(export):
    said = told(export, {"diagnosis_code": "Q99.99", "side": "left"}, table="operations")
    assert [line[:3] for line in said] == [["diagnosis_code", "Q99.99", 2]]


def test_codes_of_other_systems_are_not_looked_up(export):
    rows = [{"code": "ZZ9", "code_system": "local"}, {"code": "M22", "code_system": "ICD-10"}]
    assert told(export, *rows) == []


def test_many_unknown_codes_are_counted_together(export):
    said = told(export, *({"event_id": f"e{n}", "code": f"Y9{n:03d}"} for n in range(70)))
    assert len(said) == 51
    assert said[50][1:] == [
        "",
        52,
        "20 further codes in 20 rows are not complete codes of ICD-10-CM, release April 2026.",
    ]
