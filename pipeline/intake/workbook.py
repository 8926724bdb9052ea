"""XLSX sheets to cells: every cell as the text a reader would copy out, without the display format."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import TypeAlias
from xml.etree import ElementTree

import numpy as np
import pyarrow as pa
from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum

from pipeline.intake.cut import Cut, LoggedStep, text_table
from pipeline.intake.header import OPENING_ROWS, Wanted, header_position
from pipeline.intake.records import Record
from pipeline.intake.refusal import Refusal, rows_counted

_ROW = re.compile(rb"<(?:\w+:)?row\b([^>]*)>")
_ROW_NUMBER = re.compile(rb'\br="(\d+)"')
_FILLED_CELL = re.compile(rb"<(?:\w+:)?(?:v|t)(?:\s[^>]*)?>[^<]")
Grid: TypeAlias = Sequence[Sequence[object]]

_OLE_MARK = b"\xd0\xcf\x11\xe0"


@dataclass(frozen=True)
class Workbook:
    """An opened workbook: its sheets in order, and each sheet's last filled row, counted in the XML."""

    name: str
    calamine: CalamineWorkbook
    rows: dict[str, int]

    @property
    def sheets(self) -> tuple[str, ...]:
        """Sheets that hold anything."""
        return tuple(sheet for sheet, rows in self.rows.items() if rows)


def open_workbook(raw: bytes, name: str, largest_bytes: int) -> Workbook:
    """The workbook in the bytes.

    Raises:
        Refusal: Locked, with macros, damaged, no workbook at all, or unpacking beyond `largest_bytes`.
    """
    if raw.startswith(_OLE_MARK):
        raise _unreadable(name, "is locked with a password or in the old XLS format")
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            _refuse_unsafe(archive, name, largest_bytes)
            calamine = CalamineWorkbook.from_filelike(io.BytesIO(raw))
            rows = _rows_by_sheet(archive)
    except (
        zipfile.BadZipFile,
        CalamineError,
        ElementTree.ParseError,
        KeyError,
        NotImplementedError,
    ) as error:
        raise _unreadable(name, "is not a workbook, or damaged") from error
    usable = [each.name for each in calamine.sheets_metadata if each.typ == SheetTypeEnum.WorkSheet]
    return Workbook(name, calamine, {sheet: rows[sheet] for sheet in usable if sheet in rows})


def _unreadable(name: str, what: str) -> Refusal:
    return Refusal("file_unreadable", f"{name} {what}. Send it unlocked and without macros as XLSX or CSV.")


def _refuse_unsafe(archive: zipfile.ZipFile, name: str, largest_bytes: int) -> None:
    entries = archive.infolist()
    if any(entry.flag_bits & 1 for entry in entries):
        raise _unreadable(name, "is locked with a password")
    if any(entry.filename.lower().endswith("vbaproject.bin") for entry in entries):
        raise _unreadable(name, "holds macros")
    if sum(entry.file_size for entry in entries) > largest_bytes:
        raise Refusal(
            "file_too_large", f"{name} unpacks to more than {largest_bytes} bytes. Send it in parts."
        )


def _rows_by_sheet(archive: zipfile.ZipFile) -> dict[str, int]:
    """Sheet name → number of its last row with a filled cell."""
    relations = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    targets = {each.get("Id"): each.get("Target", "") for each in relations.findall("{*}Relationship")}
    book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    found = {}
    for sheet in book.iterfind("{*}sheets/{*}sheet"):
        key = next((value for name, value in sheet.attrib.items() if name.endswith("}id")), "")
        target = targets.get(key, "")
        path = target.removeprefix("/") if target.startswith("/") else f"xl/{target}"
        if "worksheets/" in path:
            found[sheet.get("name", "")] = last_filled_row(archive.read(path))
    return found


def last_filled_row(xml: bytes) -> int:
    """Number of the last row of a sheet that has a filled cell, 0 if none."""
    rows = list(_ROW.finditer(xml))
    ends = [row.start() for row in rows[1:]] + [len(xml)]
    for at in range(len(rows) - 1, -1, -1):
        if _FILLED_CELL.search(xml, rows[at].end(), ends[at]):
            number = _ROW_NUMBER.search(rows[at].group(1))
            return int(number.group(1)) if number else at + 1
    return 0


def read_sheet(workbook: Workbook, sheet: str, wanted: Wanted) -> Cut:
    """The cells of a sheet; rows count as the sheet counts them.

    Raises:
        Refusal: The sheet is empty or lacks a needed header.
    """
    with rows_counted(workbook.rows[sheet] - 1):
        grid = _grid(workbook, sheet)
        if not grid:
            raise Refusal(
                "file_empty", f"{wanted.name} holds nothing. Ask the sender whether the export failed."
            )
        opening = _opening(grid, max(OPENING_ROWS, wanted.header_row or 0))
        at = header_position(opening, wanted)
        headers = opening[at].cells
    body = grid[at + 1 :]
    columns = list(zip(*body, strict=True)) if body else [()] * len(headers)
    cells = text_table(
        [pa.array([cell_text(cell) or None for cell in column], pa.string()) for column in columns]
    )
    lines = np.arange(at + 2, at + 2 + len(body), dtype=np.int64)
    above = at > 0 and wanted.header_row is None
    step = LoggedStep("header_below_preamble", "", f"header at row {at + 1}", at + 1)
    return Cut(headers, cells, lines, workbook.rows[sheet] - 1, (), at, (step,) if above else ())


def _grid(workbook: Workbook, sheet: str) -> Grid:
    """All rows from the first; empty ones below the last filled row are left out."""
    try:
        grid = workbook.calamine.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
    except CalamineError as error:
        raise _unreadable(workbook.name, "is damaged") from error
    below = grid[workbook.rows[sheet] :]
    return grid[: workbook.rows[sheet]] if all(cell == "" for row in below for cell in row) else grid


def _opening(grid: Grid, rows: int) -> list[Record]:
    return [Record(at + 1, tuple(cell_text(cell) for cell in row)) for at, row in enumerate(grid[:rows])]


def cell_text(cell: object) -> str:
    """A cell as text: ISO dates, whole numbers without a point, TRUE and FALSE."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 2**53 else repr(cell)
    if isinstance(cell, datetime):
        return cell.date().isoformat() if cell.time() == time(0) else cell.isoformat()
    return cell.isoformat() if isinstance(cell, date | time) else str(cell)
