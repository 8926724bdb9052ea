"""Workbooks: sheets chosen, cells as text, rows counted in the XML."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime, time
from typing import Any

import pytest
import xlsxwriter

from pipeline.intake.sheet_reading import cell_text
from pipeline.intake.sheet_xml import SheetLook
from pipeline.intake.workbook import open_workbook

HEAD = ["operation_id", "patient_id", "performed_on", "procedure_code", "side", "age_years", "sex"]
FIRST = ["o1", "p1", datetime(2026, 10, 1), 12.0, "left", 20, True]


def workbook(**sheets: list[list[Any]]) -> bytes:
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"default_date_format": "dd/mm/yyyy"}) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for at, row in enumerate(rows):
                sheet.write_row(at, 0, row)
    return stream.getvalue()


def test_cells_become_text(workspace: Any) -> None:
    workspace.put("operations.xlsx", workbook(Blatt1=[HEAD, FIRST]))
    export = workspace.only()
    assert export.rows.to_pylist() == [
        {
            "operation_id": "o1",
            "patient_id": "p1",
            "performed_on": "2026-10-01",
            "procedure_code": "12",
            "side": "left",
            "age_years": "20",
            "sex": "TRUE",
            "site": "harbour",
            "source_line": 2,
        }
    ]
    assert export.source.source_file == "received/harbour/2026-11-02/operations.xlsx#Blatt1"
    assert export.source.sheet == "Blatt1"


def test_rows_count_as_the_sheet_counts_them(workspace: Any) -> None:
    grid = [[], ["Report"], HEAD, FIRST, [], FIRST, HEAD, ["Total", 2]]
    workspace.put("operations.xlsx", workbook(Log=grid))
    export = workspace.only()
    assert export.rows["source_line"].to_pylist() == [4, 6]
    assert (export.source.rows_read, export.source.non_data) == (7, 5)


def test_sheets_by_name_and_unclaimed_ones(workspace: Any, rules: Any) -> None:
    patients = [["patient_id"], ["p1"]]
    workspace.put(
        "export.xlsx",
        workbook(Operations_Oct=[HEAD, FIRST], notes=[["x"], ["y"]], empty=[], patients=patients),
    )
    intake = workspace.received()
    assert [(each.sheet, each.table, each.rows_read, each.refused) for each in intake.sources] == [
        ("Operations_Oct", "operations", 1, 0),
        ("notes", "", 1, 1),
        ("patients", "patients", 1, 0),
    ]
    assert rules(intake) == ["file_unmapped"]


@pytest.mark.parametrize(
    ("declared", "sheets", "expected"),
    [
        ("", ("a",), "a"),
        ("", ("a", "operations 2026"), "operations 2026"),
        ("", ("a", "b"), None),
        ("", ("operations 1", "operations 2"), None),
        ('sheet = "B "', ("a", "b"), "b"),
        ('sheet = "c"', ("a", "b"), None),
    ],
)
def test_which_sheet(workspace: Any, declared: str, sheets: tuple[str, ...], expected: str | None) -> None:
    workspace.map(f'[[table]]\ntable = "operations"\nfile = "log.xlsx"\n{declared}\n')
    workspace.put("log.xlsx", workbook(**{name: [HEAD, FIRST] for name in sheets}))
    intake = workspace.received()
    assert [export.source.sheet for export in intake.exports] == ([expected] if expected else [])
    refused = [source.reason for source in intake.sources if source.table and source.reason]
    assert refused == ([] if expected else ["sheet_unclear"])


def test_declared_header_row(workspace: Any) -> None:
    workspace.map('[[table]]\ntable = "operations"\nfile = "log.xlsx"\nheader_row = 3\n')
    workspace.put("log.xlsx", workbook(a=[HEAD, [*HEAD[:6], "SEX", "y"], [*HEAD, "z"], FIRST]))
    assert workspace.only().rows["source_line"].to_pylist() == [4]


def test_macros_are_refused(workspace: Any) -> None:
    stream = io.BytesIO(workbook(a=[HEAD, FIRST]))
    with zipfile.ZipFile(stream, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"macro")
    workspace.put("operations.xlsx", stream.getvalue())
    rule, message = workspace.refused()
    assert rule == "file_unreadable"
    assert "macros" in message


def test_header_only_and_empty_workbooks(workspace: Any) -> None:
    path = workspace.put("operations.xlsx", workbook(a=[HEAD]))
    assert workspace.refused()[0] == "file_empty"
    path.write_bytes(workbook(a=[]))
    assert workspace.refused()[0] == "sheet_unclear"


@pytest.mark.parametrize(
    ("xml", "row"),
    [
        (b"<sheetData/>", 0),
        (b'<row r="3"><c><v>1</v></c></row><row r="9"><c s="1"/></row>', 3),
        (b"<row><c><v>1</v></c></row><row><c><is><t>x</t></is></c></row>", 2),
        (b'<x:row r="5"><x:c><x:v>1</x:v></x:c></x:row>', 5),
        (b'<row r="2"><c><v></v></c></row>', 0),
    ],
)
def test_last_filled_row(xml: bytes, row: int) -> None:
    assert SheetLook("a.xlsx").follow([xml]).last_row == row


@pytest.mark.parametrize("last", [["", "  "], ["", None, 0], [False]])
def test_xml_and_grid_agree_on_the_last_row(last: list[Any]) -> None:
    book = open_workbook(workbook(a=[["x"], [], last, [""]]), "a.xlsx", 1 << 30)
    assert book.rows["a"] == 3


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (1.0, "1"),
        (0.1, "0.1"),
        (1e20, "1e+20"),
        (-3.0, "-3"),
        (False, "FALSE"),
        (date(2026, 10, 1), "2026-10-01"),
        (datetime(2026, 10, 1, 7, 30), "2026-10-01T07:30:00"),
        (time(7, 30), "07:30:00"),
        ("00417", "00417"),
    ],
)
def test_text_of_a_cell(cell: object, text: str) -> None:
    assert cell_text(cell) == text
