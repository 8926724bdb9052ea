"""XLSX sheets to cells: every cell as the text a reader would copy out, without the display format."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import date, datetime, time
from decimal import Decimal
from itertools import chain, islice

import numpy as np
import pyarrow as pa
from python_calamine import CalamineError

from pipeline.intake.cut import Cut, LoggedStep, Unread, text_table
from pipeline.intake.header import OPENING_ROWS, Wanted, header_position
from pipeline.intake.records import Record
from pipeline.intake.refusal import Refusal, rows_counted
from pipeline.intake.sheet_xml import MOST_CELLS, Cells, SheetLook
from pipeline.intake.workbook import Workbook, unreadable

CELLS_AT_ONCE = 1 << 18
#: The longest text times the columns of a sheet.
ROW_TEXT_BYTES = 1 << 28
#: All texts of a sheet together.
LARGEST_TEXT_BYTES = 1 << 30
NOT_AVAILABLE = "#N/A"


def read_sheet(workbook: Workbook, sheet: str, wanted: Wanted) -> Cut:
    """The cells of a sheet; rows count as the sheet counts them.

    Raises:
        Refusal: The sheet is empty, lacks a needed header, or holds more text than is read.
    """
    look = workbook.looks[sheet]
    with rows_counted(look.last_row - 1):
        if not look.last_row:
            raise Refusal(
                "file_empty", f"{wanted.name} holds nothing. Ask the sender whether the export failed."
            )
        rows = sheet_rows(workbook, sheet)
        opening_rows = list(islice(rows, max(OPENING_ROWS, wanted.header_row or 0)))
        opening = [
            Record.of(at + 1, [cell_text(cell) for cell in row]) for at, row in enumerate(opening_rows)
        ]
        at = header_position(opening, wanted)
        _refuse_too_much_text(workbook.longest_text, look.width, wanted.name)
        block = max(1, min(CELLS_AT_ONCE, ROW_TEXT_BYTES // 4 // workbook.longest_text) // look.width)
        blocks = chain([opening_rows[at + 1 :]], iter(lambda: list(islice(rows, block)), []))
        cells = _texts(blocks, look, at + 1, wanted.name)
        unread = _unread(look, wanted.name)
    lines = np.arange(at + 2, at + 2 + cells.num_rows, dtype=np.int64)
    above = at > 0 and wanted.header_row is None
    step = LoggedStep("header_below_preamble", "", f"header at row {at + 1}", at + 1)
    steps = (step,) if above else ()
    hidden = _hidden(workbook, sheet, wanted.name)
    return Cut(opening[at].cells, cells, lines, look.last_row - 1, (), at, steps, unread, hidden)


def sheet_rows(workbook: Workbook, sheet: str) -> Iterator[list[object]]:
    """The rows of a sheet from the first to its last filled one, all from column A on and of one width."""
    look = workbook.looks[sheet]
    try:
        grid = workbook.calamine.get_sheet_by_name(sheet)
    except CalamineError as error:
        raise unreadable(workbook.name, "is damaged") from error
    start, end = grid.start or (0, 0), grid.end or (0, 0)
    if end[1] >= look.width:
        raise unreadable(workbook.name, "holds more columns than its XML shows")
    left: list[object] = [""] * int(start[1])
    read = 0
    for row in grid.iter_rows():
        if read == look.last_row:
            if any(cell != "" for cell in row):
                raise unreadable(workbook.name, "holds more rows than its XML shows")
            continue
        read += 1
        yield [*left, *row, *[""] * (look.width - len(left) - len(row))]
    for _ in range(read, look.last_row):
        yield [""] * look.width


def _refuse_too_much_text(longest: int, width: int, name: str) -> None:
    if longest * width > ROW_TEXT_BYTES:
        raise Refusal("file_too_large", f"{name} may hold too much text in one row. Send it as CSV.")


def _texts(blocks: Iterable[list[list[object]]], look: SheetLook, above: int, name: str) -> pa.Table:
    """The rows below the header as text, a block at a time."""
    special = _special_texts(look)
    pieces = [text_table([pa.array([], pa.string())] * look.width)]
    taken, size = above, 0
    for rows in blocks:
        for at, row in enumerate(rows, start=taken + 1) if special else ():
            for column, to_text in special.get(at, ()):
                row[column] = to_text(row[column])
        columns = zip(*rows, strict=True) if rows else [()] * look.width
        pieces.append(text_table([pa.array(map(_text_or_null, each), pa.string()) for each in columns]))
        taken, size = taken + len(rows), size + pieces[-1].nbytes
        if size > LARGEST_TEXT_BYTES:
            limit = f"{LARGEST_TEXT_BYTES >> 30} GiB"
            raise Refusal("file_too_large", f"{name} holds more than {limit} of text. Send it as CSV.")
    return pa.concat_tables(pieces)


def _special_texts(look: SheetLook) -> dict[int, list[tuple[int, Callable[[object], object]]]]:
    """Row → columns whose text is not that of the bare value: percentages, and #N/A, a word for missing."""
    found: dict[int, list[tuple[int, Callable[[object], object]]]] = {}
    for cells, to_text in ((look.percents, _as_percentage), (look.not_available, _as_not_available)):
        for row, column in zip(cells.rows, cells.columns, strict=True):
            found.setdefault(row, []).append((column, to_text))
    return found


def _as_percentage(cell: object) -> object:
    return f"{(Decimal(repr(cell)) * 100).normalize():f}%" if isinstance(cell, float) else cell


def _as_not_available(_: object) -> object:
    return NOT_AVAILABLE


def _unread(look: SheetLook, name: str) -> tuple[Unread, ...]:
    """Cells that seem empty: formulas without a value, errors, all but the first of merged cells."""
    found = (
        _cells("formula_without_value", look.without_value),
        _cells("formula_error", look.errors),
        _merged(look, name),
    )
    return tuple(each for each in found if len(each.lines))


def _cells(rule: str, cells: Cells) -> Unread:
    return Unread(rule, np.array(cells.rows, np.int64), np.array(cells.columns, np.int64))


def _merged(look: SheetLook, name: str) -> Unread:
    areas = [(a, b, min(c, look.last_row), min(d, look.width - 1)) for a, b, c, d in look.merged]
    areas = [(a, b, c, d) for a, b, c, d in areas if a <= c and b <= d]
    if sum((c - a + 1) * (d - b + 1) for a, b, c, d in areas) > MOST_CELLS:
        raise unreadable(name, "merges cells over one another")
    lines, columns = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for top, left, bottom, right in areas:
        wide = right - left + 1
        lines.append(np.repeat(np.arange(top, bottom + 1), wide)[1:])
        columns.append(np.tile(np.arange(left, right + 1), bottom - top + 1)[1:])
    return Unread("cells_merged", np.concatenate(lines), np.concatenate(columns))


def _hidden(workbook: Workbook, sheet: str, name: str) -> tuple[tuple[str, str], ...]:
    look = workbook.looks[sheet]
    what = ["the sheet"] if sheet in workbook.hidden else []
    what += [f"{look.hidden_rows} rows"] if look.hidden_rows else []
    what += [f"{look.hidden_columns} groups of columns"] if look.hidden_columns else []
    if not what:
        return ()
    message = f"{name}: {' and '.join(what)} hidden; read all the same. Check that they belong to the export."
    return (("content_hidden", message),)


def _text_or_null(cell: object) -> str | None:
    return cell_text(cell) or None


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
