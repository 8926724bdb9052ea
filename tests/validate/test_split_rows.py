"""Accepted, held back, refused: shapes and places. Expected values are counted by hand."""

from __future__ import annotations

from datetime import date

import pyarrow as pa
import pytest

from pipeline.findings import COLUMNS, REPAIR_COLUMNS, without_refused
from pipeline.handover import Reading
from pipeline.settings import Settings
from pipeline.validate import checked, combined, validated
from pipeline.validate.split import accepted_schema, quarantined_schema
from schemas.exports import EXPORTS

PLACES = ("shoulder", "knee")
SETTINGS = Settings()


def test_every_table_is_there_with_its_types_even_if_nothing_came(intake):
    result = validated(intake(), SETTINGS, PLACES)
    for name, table in EXPORTS.items():
        assert result.accepted.tables[name].schema == accepted_schema(table)
        assert result.quarantined[name].schema == quarantined_schema(table)
        assert result.accepted.tables[name].num_rows == 0
    assert list(result.findings) == list(COLUMNS)
    assert list(result.repairs) == list(REPAIR_COLUMNS)


def test_types_of_what_goes_on(export, intake):
    table = validated(intake(export("operations", {})), SETTINGS, PLACES).accepted.tables["operations"]
    types = {name: str(table.schema.field(name).type) for name in table.schema.names}
    assert types["performed_on"] == "date32[day]"
    assert types["age_years"] == "int64"
    assert types["smoker"] == "bool"
    assert types["bmi"] == "double"
    assert types["recorded_at"] == "timestamp[us]"
    assert (types["site"], types["source_number"], types["source_line"]) == ("string", "int32", "int64")


def test_tables_follow_the_order_of_the_exports_and_rows_know_their_source(export, intake):
    first = export("operations", {"operation_id": "b"}, {"side": "?!"})
    second = export("events", {})
    third = export("operations", {"operation_id": "a"}, receipt=date(2026, 12, 1))
    result = validated(intake(first, second, third), SETTINGS, PLACES)
    operations = result.accepted.tables["operations"]
    assert operations["operation_id"].to_pylist() == ["b", "a"]
    assert operations["source_number"].to_pylist() == [0, 2]
    assert operations["source_line"].to_pylist() == [2, 2]
    assert result.quarantined["operations"]["source_number"].to_pylist() == [0]
    assert result.quarantined["operations"]["source_line"].to_pylist() == [3]
    assert result.accepted.tables["events"]["source_number"].to_pylist() == [1]


def test_a_refused_file_changes_its_line_of_the_ledger_and_stops_nobody(export, intake):
    unclear = export("operations", {"performed_on": "03/04/2025"}, {"performed_on": "05/06/2025"})
    good = export("events", {})
    result = validated(intake(unclear, good), SETTINGS, PLACES)
    assert [(each.refused, each.reason) for each in result.accepted.sources] == [
        (2, "date_order_unclear"),
        (0, ""),
    ]
    assert result.accepted.tables["events"].num_rows == 1
    assert result.findings["source_line"].isna().tolist() == [True]


def test_rows_held_back_keep_their_text_without_identifiers(export):
    change = {
        "side": "RIGHT?", "performed_on": "03/03/2025", "age_years": " 17 ", "approach": "as Mrs Doe wished",
        "diagnosis_code": "m24411", "sex": "ring 087 123 4567", "surgeon_id": "1234567",
    }  # fmt: skip
    held = checked(export("operations", change), SETTINGS, PLACES).quarantined.to_pylist()[0]
    assert held["side"] == "RIGHT?"
    assert held["performed_on"] == "03/03/2025"
    assert held["age_years"] == " 17 "
    assert held["approach"] == "as [masked] wished"
    assert held["diagnosis_code"] == "m24411"
    assert held["sex"] == "ring [masked]"
    assert held["surgeon_id"] == "1234567"


def test_free_text_that_goes_on_is_masked_and_counted(export):
    note = "Mrs Doe, 087 123 4567, stiff"
    result = checked(export("events", {"note": note}, {"note": "stiff"}), SETTINGS, PLACES)
    assert result.accepted["note"].to_pylist() == ["[masked], [masked], stiff", "stiff"]
    assert result.findings[["source_line", "column", "rule", "value", "action"]].values.tolist() == [
        [2, "note", "identifier_masked", "", "warn"]
    ]


def test_findings_and_repairs_show_no_identifier(export):
    rows = [{"sex": "ask a@b.org"}, {"patient_id": "Mr Smith"}, {"note": "x", "joint": "0871234567"}]
    for table, row in zip(("operations", "operations", "events"), rows, strict=True):
        result = checked(export(table, row), SETTINGS, PLACES)
        said = result.findings.to_csv() + result.repairs.to_csv() + str(result.quarantined.to_pydict())
        for secret in ("a@b.org", "Smith", "0871234567"):
            assert secret not in said


def test_a_finding_names_file_line_record_and_what_to_do(export):
    found = checked(
        export("operations", {}, {"operation_id": " o2 ", "age_years": "x"}), SETTINGS, PLACES
    ).findings
    assert found.to_dict("records") == [
        {
            "site": "harbour",
            "source_file": "received/harbour/2026-11-01/operations.csv",
            "source_line": 3,
            "table": "operations",
            "record_id": "o2",
            "column": "age_years",
            "rule": "value_unparsable",
            "value": "x",
            "message": "`age_years`: got a text that cannot be read, expected a whole number from 0 to 90. "
            "Correct it at the source, or translate it under `values.age_years` in mappings/harbour.toml.",
            "action": "quarantine",
        }
    ]


def test_a_workbooks_sheet_is_named_with_the_file(export):
    from dataclasses import replace

    one = export("operations", {"side": "?!"})
    one = replace(
        one, source=replace(one.source, source_file="received/harbour/2026-11-01/log.xlsx", sheet="Ops")
    )
    found = checked(one, SETTINGS, PLACES).findings
    assert found["source_file"].tolist() == ["received/harbour/2026-11-01/log.xlsx#Ops"]


def test_rows_that_were_never_cut_are_held_back_without_another_finding(export):
    broken = [
        {"operation_id": "o9", "patient_id": "p9", "approach": "Mr Smith", "site": "harbour"},
        {"site": None},
    ]
    result = checked(export("operations", {}, broken=broken), SETTINGS, PLACES)
    assert result.quarantined["operation_id"].to_pylist() == ["o9", None]
    assert result.quarantined["approach"].to_pylist() == ["[masked]", None]
    assert result.quarantined["site"].to_pylist() == ["harbour", "harbour"]
    assert result.quarantined["source_line"].to_pylist() == [3, 4]
    assert len(result.findings) == 0


def test_a_repair_names_file_line_and_record(export):
    reading = Reading(date_order="DMY")
    repairs = checked(
        export("operations", {"performed_on": "03/04/2025"}, reading=reading), SETTINGS, PLACES
    ).repairs
    assert repairs.to_dict("records") == [
        {
            "site": "harbour",
            "source_file": "received/harbour/2026-11-01/operations.csv",
            "source_line": 2,
            "table": "operations",
            "record_id": "o1",
            "column": "performed_on",
            "rule": "date_reread",
            "before": "03/04/2025",
            "after": "2025-04-03",
        }
    ]


def test_checks_made_earlier_give_the_same(export, intake):
    received = intake(export("operations", {}, {"side": "?!"}), export("events", {"note": "x"}))
    earlier = [checked(each, SETTINGS, PLACES) for each in received.exports]
    now, then = validated(received, SETTINGS, PLACES), combined(received, earlier)
    assert now.findings.equals(then.findings)
    assert all(now.accepted.tables[name].equals(then.accepted.tables[name]) for name in EXPORTS)


def test_the_export_is_left_as_it_was(export):
    one = export("events", {"note": "Mrs Doe"}, {"code": None})
    before = one.rows.to_pydict()
    checked(one, SETTINGS, PLACES)
    assert one.rows.to_pydict() == before


def test_an_export_without_rows(export):
    result = checked(export("operations"), SETTINGS, PLACES)
    assert (result.accepted.num_rows, result.quarantined.num_rows, len(result.findings)) == (0, 0, 0)


@pytest.mark.parametrize("chunks", [1, 2, 3])
def test_how_columns_are_stored_does_not_matter(export, chunks):
    from dataclasses import replace

    one = export("operations", {}, {"side": "?!"}, {"side": "L"})
    size = -(-3 // chunks)
    parts = [one.rows.slice(start, size) for start in range(0, 3, size)]
    result = checked(replace(one, rows=pa.concat_tables(parts)), SETTINGS, PLACES)
    assert result.accepted["side"].to_pylist() == ["left", "left"]
    assert result.quarantined["source_line"].to_pylist() == [3]


def test_what_intake_said_of_rows_of_a_refused_file_is_dropped(export, intake):
    from pipeline import findings

    refused, good = export("operations", {"performed_on": "03/04/2025"}), export("events", {})
    sources = validated(intake(refused, good), SETTINGS, PLACES).accepted.sources
    places = [(each.source_file, each.table) for each in sources]
    said = findings.frame(
        {"source_file": file, "table": table, "source_line": line, "rule": "row_ragged"}
        for file, table in places
        for line in (None, 2)
    )
    kept = without_refused(said, sources)
    assert kept[["table", "source_line"]].fillna(0).values.tolist() == [
        ["operations", 0],
        ["events", 0],
        ["events", 2],
    ]
