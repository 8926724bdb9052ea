"""Workbooks as programs and attackers write them: cells that hold no value, sheets without end, sizes that lie.

The parts are written by hand as ECMA-376 has them, because no spreadsheet library writes such files.
"""

from __future__ import annotations

import io
import zipfile
from typing import Any

import pytest

from pipeline.intake import sheet_reading, workbook
from pipeline.intake.sheet_xml import SheetLook

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
HEAD = ("operation_id", "patient_id", "performed_on", "procedure_code", "side", "age_years", "sex")
#: Cell formats: 0 general, 1 a date, 2 a percentage (built-in 14 and 9).
STYLES = f'<styleSheet xmlns="{MAIN}"><cellXfs><xf numFmtId="0"/><xf numFmtId="14"/><xf numFmtId="9"/></cellXfs></styleSheet>'


def text(at: str, word: str) -> str:
    return f'<c r="{at}" t="inlineStr"><is><t>{word}</t></is></c>'


def row(number: int, attributes: str = "", **cells: str) -> str:
    """A whole operation; `cells` replaces some by letter. 46000 is 2025-12-09 (1900 system)."""
    usual = {
        "A": text(f"A{number}", f"o{number}"),
        "B": text(f"B{number}", "p1"),
        "C": f'<c r="C{number}" s="1"><v>46000</v></c>',
        "D": text(f"D{number}", "X1"),
        "E": text(f"E{number}", "left"),
        "F": f'<c r="F{number}"><v>20</v></c>',
        "G": text(f"G{number}", "male"),
    }
    return f'<row r="{number}" {attributes}>' + "".join({**usual, **cells}.values()) + "</row>"


def sheet(*rows: str, before: str = "", after: str = "") -> str:
    head = "".join(text(f"{letter}1", name) for letter, name in zip("ABCDEFG", HEAD, strict=True))
    body = f'<sheetData><row r="1">{head}</row>{"".join(rows)}</sheetData>'
    return f'<worksheet xmlns="{MAIN}">{before}{body}{after}</worksheet>'


def book(texts: str = "", workbook_properties: str = "", state: str = "", **sheets: str) -> bytes:
    relations = "".join(
        f'<Relationship Id="r{at}" Type="{OFFICE}/worksheet" Target="worksheets/{at}.xml"/>'
        for at in range(len(sheets))
    )
    relations += f'<Relationship Id="s" Type="{OFFICE}/styles" Target="styles.xml"/>'
    relations += (
        f'<Relationship Id="t" Type="{OFFICE}/sharedStrings" Target="sharedStrings.xml"/>' if texts else ""
    )
    listed = "".join(
        f'<sheet name="{name}" sheetId="{at + 1}" r:id="r{at}" {state}/>' for at, name in enumerate(sheets)
    )
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types"/>',
        "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships">'
        f'<Relationship Id="w" Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}">{workbook_properties}'
        f"<sheets>{listed}</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}/relationships">{relations}</Relationships>',
        "xl/styles.xml": STYLES,
        **({"xl/sharedStrings.xml": texts} if texts else {}),
        **{f"xl/worksheets/{at}.xml": xml for at, xml in enumerate(sheets.values())},
    }
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for part, xml in parts.items():
            archive.writestr(part, xml)
    return stream.getvalue()


def put(workspace: Any, *rows: str, **more: Any) -> Any:
    workspace.put("operations.xlsx", book(operations=sheet(*rows, **more)))
    return workspace


@pytest.mark.parametrize(
    ("cell", "rule"),
    [
        ('<c r="G2"><f>"ma"&amp;"le"</f></c>', "formula_without_value"),
        ('<c r="G2"><f>1</f><v></v></c>', "formula_without_value"),
        ('<c r="G2"><f t="shared" si="0"/><v/></c>', "formula_without_value"),
        ('<c r="G2" t="e"><v>#REF!</v></c>', "formula_error"),
        ('<c r="G2" t="e"><f>A9</f><v>#DIV/0!</v></c>', "formula_error"),
    ],
)
def test_a_used_cell_without_a_value_holds_its_row_back(workspace: Any, cell: str, rule: str) -> None:
    intake = put(workspace, row(2, G=cell), row(3)).received()
    export = intake.exports[0]
    assert export.rows["source_line"].to_pylist() == [3]
    assert export.broken.column("source_line").to_pylist() == [2]
    found = intake.findings[intake.findings["rule"] == rule]
    assert found[["source_line", "column", "action"]].values.tolist() == [[2, "sex", "quarantine"]]


def test_an_unused_cell_without_a_value_holds_nothing_back(workspace: Any) -> None:
    more = '<c r="G2" t="inlineStr"><is><t>male</t></is></c><c r="H2"><f>1+1</f></c>'
    assert put(workspace, row(2, G=more), row(3)).only().rows.num_rows == 2


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ('<c r="G2" t="str"><f>IF(1,"","")</f><v></v></c>', None),
        ('<c r="G2" t="str"><f>A1</f><v>male</v></c>', "male"),
        ('<c r="G2" t="e"><v>#N/A</v></c>', "#N/A"),
        ('<c r="G2" t="b"><v>1</v></c>', "TRUE"),
        ('<c r="G2" s="2"><v>0.07</v></c>', "7%"),
        ('<c r="G2" s="2"><v>0.855</v></c>', "85.5%"),
        ('<c r="G2" s="1"><v>46000</v></c>', "2025-12-09"),
        ('<c r="G2"><v>46000</v></c>', "46000"),
        ('<c r="G2" t="inlineStr"><is><t>00417</t></is></c>', "00417"),
    ],
)
def test_text_of_cells(workspace: Any, cell: str, read: str | None) -> None:
    assert put(workspace, row(2, G=cell)).only().rows["sex"].to_pylist() == [read]


def test_days_count_from_1904_where_the_workbook_says_so(workspace: Any) -> None:
    """The systems lie 1,462 days apart (ECMA-376 part 1, 18.17.4.1): 46000 is 2029-12-10."""
    content = book(operations=sheet(row(2)), workbook_properties='<workbookPr date1904="1"/>')
    workspace.put("operations.xlsx", content)
    assert workspace.only().rows["performed_on"].to_pylist() == ["2029-12-10"]


def test_rows_under_a_merged_cell_are_held_back(workspace: Any) -> None:
    merged = '<mergeCells count="1"><mergeCell ref="A2:A3"/></mergeCells>'
    intake = put(workspace, row(2), row(3, A='<c r="A3"/>'), row(4), after=merged).received()
    assert intake.exports[0].rows["source_line"].to_pylist() == [2, 4]
    found = intake.findings[intake.findings["rule"] == "cells_merged"]
    assert found[["source_line", "column"]].values.tolist() == [[3, "operation_id"]]


def test_hidden_content_is_read_and_said(workspace: Any) -> None:
    xml = sheet(row(2, 'hidden="1"'), row(3), before='<cols><col min="2" max="2" hidden="1"/></cols>')
    workspace.put("operations.xlsx", book(operations=xml, state='state="hidden"'))
    intake = workspace.received()
    assert intake.exports[0].rows.num_rows == 2
    [said] = intake.findings[intake.findings["rule"] == "content_hidden"]["message"]
    assert "the sheet and 1 rows and 1 groups of columns hidden" in said


def test_two_sheets_of_one_table_are_both_read(workspace: Any) -> None:
    workspace.put("operations.xlsx", book(operations=sheet(row(2)), operations_2=sheet(row(2), row(3))))
    assert [(each.sheet, each.rows_read) for each in workspace.received().sources] == [
        ("operations", 1),
        ("operations_2", 2),
    ]


@pytest.mark.parametrize(
    ("xml", "rule"),
    [
        (sheet(row(2), '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'), "file_too_large"),
        (sheet(row(2), '<row r="1048577"><c r="A1048577"><v>1</v></c></row>'), "file_unreadable"),
        (sheet(row(2, G='<c r="XFD1048576"><v>1</v></c>')), "file_unreadable"),
        (sheet(row(2, G="<c r = 'G1048576'><v>1</v></c>")), "file_unreadable"),
        (sheet(row(2, G='<c x=">" r="XFD1048576"><v>1</v></c>')), "file_unreadable"),
        (sheet(row(2), row(2)), "file_unreadable"),
        (sheet(row(3), row(2)), "file_unreadable"),
        (sheet(row(2), '<!-- <row r="3"/> -->'), "file_unreadable"),
        ('<!DOCTYPE a [<!ENTITY b "c">]>' + sheet(row(2)), "file_unreadable"),
    ],
)
def test_sheets_no_spreadsheet_writes_are_refused_before_they_are_read(
    workspace: Any, xml: str, rule: str
) -> None:
    workspace.put("operations.xlsx", book(operations=xml))
    assert workspace.refused()[0] == rule


def test_what_a_sheet_states_of_itself_and_empty_styled_cells_do_not_count(workspace: Any) -> None:
    far = '<row r="1048576"><c r="XFD1048576" s="1"/></row>'
    stated = '<dimension ref="A1:XFD1048576"/>'
    assert put(workspace, row(2), far, before=stated).only().rows.num_rows == 1


def test_cells_and_rows_without_a_place_follow_each_other(workspace: Any) -> None:
    import re

    xml = re.sub(r'(<(?:row|c)) r="[A-Z]*\d+"', r"\1", sheet(row(2), row(3, G="<c><f>1</f></c>"), row(4)))
    workspace.put("operations.xlsx", book(operations=xml))
    intake = workspace.received()
    assert intake.exports[0].rows["source_line"].to_pylist() == [2, 4]
    held = intake.findings[intake.findings["rule"] == "formula_without_value"]
    assert held[["source_line", "column"]].values.tolist() == [[3, "sex"]]


def test_sizes_that_lie_are_found(workspace: Any) -> None:
    content = book(operations=sheet(row(2), row(3, G=text("G3", "x" * 100_000))))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        size = archive.getinfo("xl/worksheets/0.xml").file_size
    lying = content.replace(size.to_bytes(4, "little"), (1000).to_bytes(4, "little"))
    assert lying != content
    workspace.put("operations.xlsx", lying)
    assert workspace.refused()[0] == "file_unreadable"


def test_parts_that_unpack_too_far_are_not_unpacked(workspace: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "LARGEST_TEXTS_BYTES", 10_000)
    texts = f'<sst xmlns="{MAIN}">' + "<si><t>x</t></si>" * 1000 + "</sst>"
    workspace.put("operations.xlsx", book(texts=texts, operations=sheet(row(2))))
    assert workspace.refused()[0] == "file_too_large"


def test_one_long_text_in_many_cells_is_refused(workspace: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A text counts as often as it is pointed at."""
    monkeypatch.setattr(sheet_reading, "ROW_TEXT_BYTES", 40_000)
    texts = f'<sst xmlns="{MAIN}"><si><t>{"x" * 10_000}</t></si></sst>'
    workspace.put("operations.xlsx", book(texts=texts, operations=sheet(row(2))))
    assert workspace.refused()[0] == "file_too_large"
    monkeypatch.setattr(sheet_reading, "ROW_TEXT_BYTES", 1 << 28)
    monkeypatch.setattr(sheet_reading, "LARGEST_TEXT_BYTES", 25_000)
    pointing = [row(n, G=f'<c r="G{n}" t="s"><v>0</v></c>') for n in (2, 3, 4)]
    workspace.put("operations.xlsx", book(texts=texts, operations=sheet(*pointing)))
    assert workspace.refused()[0] == "file_too_large"


def test_a_look_in_small_pieces_is_the_same() -> None:
    xml = sheet(row(2), row(3, 'hidden="1"', G='<c r="G3"><f>1</f></c>'), row(7)).encode()
    whole = SheetLook("a.xlsx").follow([xml])
    pieces = SheetLook("a.xlsx").follow(xml[at : at + 11] for at in range(0, len(xml), 11))
    assert (whole.last_row, whole.width, whole.hidden_rows) == (7, 7, 1)
    assert pieces == whole


@pytest.mark.parametrize("name", ["operations.xlsx", "operations.xls"])
def test_locked_and_old_workbooks_say_what_to_do(workspace: Any, name: str) -> None:
    workspace.put(name, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    rule, message = workspace.refused()
    assert rule == "file_unreadable"
    assert "save it as XLSX" in message or "Save it as XLSX" in message


@pytest.mark.parametrize(
    ("number", "cell"),
    [
        ("999999999999", "A999999999999"),
        ("9" * 5000, "A3"),
        ("-3", "A-3"),
        ("3", "A99999999999"),
        ("3", "ABCDEF3"),
        ("", "A3"),
    ],
)
def test_a_row_or_cell_at_no_place_refuses_the_workbook(workspace, number, cell):
    """A reader that believed them would ask for more memory than there is."""
    far = f'<row r="{number}">{text(cell, "x")}</row>'
    assert put(workspace, row(2), far).refused()[0] == "file_unreadable"
