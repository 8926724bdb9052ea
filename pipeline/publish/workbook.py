"""`workbook.xlsx`: the audit tables and the accounts an analyst sums up, a sheet each, with words about them.

The library makes everything but the rows: sheets, headers, formats, filters, notes. The rows are put into its file
afterwards (`sheet_rows`), because cell by cell they take longer than all the rest of an edition.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store
from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.publish.sheet_rows import column_letters, rows_as_xml
from pipeline.publish.workbook_words import Line, about_lines, columns_lines, note_on
from schemas.columns import Column, Table
from schemas.published import AUDIT_TABLES, PUBLISHED

if TYPE_CHECKING:
    import pyarrow as pa
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

MOST_ROWS = 50_000
#: Accounts that are summed up; those that list cases, records or single findings stay in files of their own.
ACCOUNTS_SHOWN = ("ledger", "quality", "quality_trend", "quality_volume", "quality_lag", "review")
SHOWN: tuple[Table, ...] = (*AUDIT_TABLES, *(PUBLISHED[name] for name in ACCOUNTS_SHOWN))
ABOUT, COLUMNS = "About", "Columns"
ACCENT, AMBER, WASH = "#14526A", "#7A5300", "#EEF3F4"

NARROWEST, WIDEST = 9, 48  # in signs
FILTER_ARROW = 3  # signs that the arrow of a filter takes in a header
LINE_HEIGHT = 15.0  # points
SIGNS_A_WIDTH = 1.1  # widths are told in figures; of running text a little more goes into them
ABOUT_WIDTHS = (26, 108, 12)
COLUMNS_WIDTHS = (20, 26, 78, 22, 30, 12, 56)
FITS_A_SHEET = 12  # columns; wider tables print on two larger sheets side by side
_FIXED = (1980, 1, 1, 0, 0, 0)  # the day of every part within the file: as early as the format can say

#: Expected events and what rests on a division by them.
RATIOS = (
    "expected", "ratio", "ratio_ci_low", "ratio_ci_high", "steadied_ratio", "steadied_low", "steadied_high",
)  # fmt: skip
TEXT = "@"  # a cell stays text when it is edited, whatever it begins with
#: Unit → how a fractional number shows.
_BY_UNIT = {"probability": "0.000", "ratio": "0.00", "days": "0.0", "weeks": "0.0", "years": "#,##0.0"}


@dataclass(frozen=True)
class Sheet:
    """A table as it goes into the workbook, or is left out for its length."""

    table: Table
    rows: pa.Table

    @property
    def left_out(self) -> bool:
        return len(self.rows) > MOST_ROWS


def write_workbook(path: Path, written: Mapping[str, pa.Table], context: Context) -> None:
    """The whole workbook.

    Args:
        written: Name → table as it was written to its own file: typed, sorted, null for nothing.
    """
    sheets = [Sheet(table, written[table.name]) for table in SHOWN if table.name in written]
    shown = [sheet for sheet in sheets if not sheet.left_out]
    frame = _frame(sheets, shown, context)
    first = 3  # after About and Columns
    rows = {f"xl/worksheets/sheet{first + place}.xml": sheet.rows for place, sheet in enumerate(shown)}
    store.write_bytes(_filled(frame, rows), path)


def number_format(column: Column) -> str:
    """How a column's cells show: shares in per cent, days whole, ratios with two places, text as text."""
    if column.kind in ("date", "moment"):
        return "yyyy-mm-dd" if column.kind == "date" else "yyyy-mm-dd hh:mm"
    if column.kind == "integer":
        return "#,##0" if column.display == "count" else "0"
    if column.kind != "number":
        return TEXT
    if column.unit == "fraction":
        return "+0.0 %;-0.0 %;0.0 %" if column.low is not None and column.low < 0 else "0.0 %"
    return _BY_UNIT.get(column.unit, "#,##0.00")


def _frame(sheets: list[Sheet], shown: list[Sheet], context: Context) -> bytes:
    """The workbook with every sheet, header, format and note, and without the rows of tables."""
    from xlsxwriter import Workbook

    stream = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with Workbook(stream, options) as book:
        title = f"Complication audit, {words.period(context.period)}"
        created = datetime.combine(context.as_of, time())
        book.set_properties({"title": title, "subject": words.state(context), "created": created})
        _about(book, sheets, context)
        _columns(book, shown)
        for sheet in shown:
            _table_sheet(book, sheet, f"{words.state(context)} · {title}")
    return stream.getvalue()


def _about(book: Workbook, sheets: list[Sheet], context: Context) -> None:
    """The first sheet: the edition, its sites, cautions, what every sheet holds."""
    page = book.add_worksheet(ABOUT)
    page.hide_gridlines(2)
    for place, width in enumerate(ABOUT_WIDTHS):
        page.set_column(place, place, width)
    looks = _about_looks(book)
    counted = [(sheet.table, len(sheet.rows), sheet.left_out) for sheet in sheets]
    for row, line in enumerate(about_lines(counted, MOST_ROWS, context)):
        _about_line(page, row, line, looks)
    _printed(page, f"{words.state(context)} · {words.period(context.period)}", fits=True)


def _about_looks(book: Workbook) -> dict[str, Format]:
    top = {"valign": "top"}
    heading = {"bold": True, "font_size": 13, "font_color": ACCENT, "bottom": 1}
    return {
        "title": book.add_format({"bold": True, "font_size": 18, "font_color": ACCENT}),
        "draft": book.add_format({"bold": True, "font_color": AMBER}),
        "signed": book.add_format({"bold": True, "font_color": ACCENT}),
        "heading": book.add_format(heading),
        "last_heading": book.add_format({**heading, "align": "right"}),
        "name": book.add_format({"bold": True, "text_wrap": True, **top}),
        "text": book.add_format({"text_wrap": True, **top}),
        "number": book.add_format({"num_format": "#,##0", **top}),
        "link": book.add_format({"font_color": ACCENT, "underline": 1, **top}),
    }


def _about_line(page: Worksheet, row: int, line: Line, looks: Mapping[str, Format]) -> None:
    if line.look:
        page.write_string(row, 0, line.name, looks[line.look])
        if line.look == "heading":
            page.write_string(row, 1, line.text, looks["heading"])
            page.write_string(row, 2, line.last, looks["last_heading"])
        return
    page.set_row(row, _height((line.name, line.text), ABOUT_WIDTHS))
    if line.sheet:
        page.write_url(row, 0, f"internal:'{line.sheet}'!A1", looks["link"], line.name)
    else:
        page.write_string(row, 0, line.name, looks["name"])
    page.write_string(row, 1, line.text, looks["text"])
    if line.rows is not None:
        page.write_number(row, 2, line.rows, looks["number"])


def _height(cells: Sequence[str], widths: Sequence[int]) -> float:
    """Points that a row of wrapped cells needs."""
    lines = [
        math.ceil(len(cell) / (SIGNS_A_WIDTH * width)) for cell, width in zip(cells, widths, strict=False)
    ]
    return LINE_HEIGHT * max(1, *lines)


def _columns(book: Workbook, shown: list[Sheet]) -> None:
    """The second sheet: what each column of each sheet means."""
    page = book.add_worksheet(COLUMNS)
    header, plain = _header_look(book), book.add_format({"text_wrap": True, "valign": "top"})
    for place, width in enumerate(COLUMNS_WIDTHS):
        page.set_column(place, place, width)
    lines = list(columns_lines([sheet.table for sheet in shown]))
    for row, cells in enumerate(lines):
        page.set_row(row, _height(cells, COLUMNS_WIDTHS))
        for place, cell in enumerate(cells):
            page.write_string(row, place, cell, header if row == 0 else plain)
    page.freeze_panes(1, 2)
    page.autofilter(0, 0, len(lines) - 1, len(lines[0]) - 1)
    page.repeat_rows(0)
    _printed(page, "What the columns mean", fits=True)


def _table_sheet(book: Workbook, sheet: Sheet, running: str) -> None:
    """One table's sheet, still without its rows."""
    page = book.add_worksheet(sheet.table.name)
    header = _header_look(book)
    for place, column in enumerate(sheet.table.columns):
        shows = number_format(column)
        look = book.add_format({"num_format": shows, "valign": "top", "indent": int(shows == TEXT)})
        page.set_column(place, place, _width(sheet.rows[column.name], column), look)
        page.write_string(0, place, column.name, header)
        page.write_comment(0, place, note_on(column), {"x_scale": 2.2, "y_scale": 1.3, "author": "limbaudit"})
    _dash_where_hardly_any(book, page, sheet)
    last = len(sheet.table.columns) - 1
    page.freeze_panes(1, 0)
    page.autofilter(0, 0, len(sheet.rows), last)
    page.ignore_errors({"number_stored_as_text": f"A1:{column_letters(last)}{len(sheet.rows) + 1}"})
    page.repeat_rows(0)
    _printed(page, f"{running} · {sheet.table.name}", fits=last < FITS_A_SHEET)


def _dash_where_hardly_any(book: Workbook, page: Worksheet, sheet: Sheet) -> None:
    """Expected events, and ratios to them, show as a dash where they are too few; the cells keep their numbers."""
    places = {column.name: place for place, column in enumerate(sheet.table.columns)}
    if "expected" not in places or "ratio" not in places:
        return
    few = f"${column_letters(places['expected'])}2<{words.HARDLY_ANY}"
    rule = {
        "type": "formula",
        "criteria": few,
        "format": book.add_format({"num_format": f'"{words.NOTHING}"'}),
    }
    for place in (places[name] for name in RATIOS if name in places):
        page.conditional_format(1, place, max(1, len(sheet.rows)), place, rule)


def _header_look(book: Workbook) -> Format:
    return book.add_format({"bold": True, "bg_color": WASH, "bottom": 1, "valign": "top", "indent": 1})


def _printed(page: Worksheet, running: str, *, fits: bool) -> None:
    page.set_landscape()
    page.set_paper(9 if fits else 8)  # A4, A3
    page.fit_to_pages(1 if fits else 2, 0)
    page.set_footer("&L" + running.replace("&", "&&") + "&R&P / &N")


def _width(cells: pa.ChunkedArray, column: Column) -> float:
    """Wide enough for the header and nearly all cells, within limits."""
    import pyarrow as pa
    import pyarrow.compute as pc

    head = len(column.name) + FILTER_ARROW
    longest = 11
    if pa.types.is_string(cells.type):
        longest = pc.max(pc.utf8_length(cells)).as_py() or 0
    return float(min(max(head, longest + 1, NARROWEST), WIDEST))


# ---------------------------------------------------------------- rows put into the file


def _filled(frame: bytes, rows: Mapping[str, pa.Table]) -> bytes:
    """The file again, with the rows in the sheets they belong to; parts in the same order, of no day."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(frame)) as given,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as made,
    ):
        for part in given.infolist():
            content = given.read(part)
            if part.filename in rows:
                content = _with_rows(content.decode("utf-8"), store.plain_table(rows[part.filename])).encode()
            made.writestr(zipfile.ZipInfo(part.filename, _FIXED), content, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def _with_rows(sheet: str, rows: pa.Table) -> str:
    """A sheet's text with the rows after its header."""
    last = f"{column_letters(rows.num_columns - 1)}{len(rows) + 1}"
    head, end, rest = sheet.partition("</sheetData>")
    head = re.sub(r'<dimension ref="[^"]*"/>', f'<dimension ref="A1:{last}"/>', head, count=1)
    return head + rows_as_xml(rows, _styles(head)) + end + rest


def _styles(sheet: str) -> list[int]:
    """The number of each column's style, from left to right."""
    spans = re.findall(r'<col min="(\d+)" max="(\d+)" [^>]*style="(\d+)"', sheet)
    return [int(style) for low, high, style in spans for _ in range(int(low), int(high) + 1)]
