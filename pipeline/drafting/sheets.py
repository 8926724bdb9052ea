"""The files a site has sent, each cut into headers and cells without any mapping."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.intake import read
from pipeline.intake.arrivals import Arrival, arrivals
from pipeline.intake.csv_reading import DELIMITERS, opening_records
from pipeline.intake.cut import Cut
from pipeline.intake.encoding import decoded
from pipeline.intake.furniture import without_furniture
from pipeline.intake.header import Wanted, plain
from pipeline.intake.records import Record
from pipeline.intake.refusal import Refusal
from pipeline.intake.sheet_reading import read_sheet
from pipeline.intake.workbook import open_workbook

#: So many rows of a file are looked at, evenly drawn.
MOST_ROWS = 20_000
#: Tried where a file is not UTF-8: the usual one of Western European systems (common practice, no source).
OTHER_ENCODING = "cp1252"
HEADER_WITHIN = 20
#: A header has at least so many of the cells of the fullest of the first rows.
FULL = 0.7
_HEADER_CELL = re.compile(r"[^\W\d_][^\n]{0,59}")
_DAY = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}")


@dataclass(frozen=True)
class Sheet:
    """One file, or one sheet of a workbook, as text.

    Attributes:
        file: Its name; `sheet` is empty but for workbooks.
        headers: As sent, trimmed.
        cells, lines: Text columns "0", "1", … and the line of each row; at most MOST_ROWS.
        rows: How many rows it has.
        header_line: Line of the header.
        encoding, delimiter: What it took to read it; empty where nothing has to be declared.
    """

    file: str
    sheet: str
    receipt: date
    headers: tuple[str, ...]
    cells: pa.Table
    lines: np.ndarray
    rows: int
    header_line: int
    encoding: str = ""
    delimiter: str = ""


@dataclass(frozen=True)
class Unread:
    """A file or sheet that could not be used, and why; `why` holds no cell value."""

    file: str
    sheet: str
    why: str


def sheets_of(workspace: Path, site: str) -> list[Sheet | Unread]:
    """Everything in the site's receipt folders, oldest first."""
    received = [each for each in arrivals(workspace, date.max).files if each.site == site]
    return [sheet for arrival in received for sheet in _of_file(arrival)]


def _of_file(arrival: Arrival) -> Iterator[Sheet | Unread]:
    name = arrival.path.name
    try:
        file = read.opened(read.stored_bytes(arrival), name)
        if file.kind == "xlsx":
            yield from _of_workbook(file.content, arrival)
        elif file.kind == "parquet":
            yield _sheet(partial(read.cut, file), arrival, "", 1)
        else:
            yield _of_text(file, arrival)
    except Refusal as refusal:
        yield Unread(name, "", refusal.message)


def _of_workbook(content: bytes, arrival: Arrival) -> Iterator[Sheet | Unread]:
    workbook = open_workbook(content, arrival.path.name, read.LARGEST_UNPACKED_BYTES)
    for sheet in workbook.sheets:
        try:
            reader = partial(read_sheet, workbook, sheet)
            first = reader(_wanted(arrival.path.name, 1))
            opening = [Record(1, first.headers), *_rows(first, HEADER_WITHIN)]
            yield _sheet(reader, arrival, sheet, header_line(opening))
        except Refusal as refusal:
            yield Unread(arrival.path.name, sheet, refusal.message)


def _rows(cut: Cut, count: int) -> list[Record]:
    head = cut.cells.slice(0, count).to_pylist()
    return [
        Record(int(line), tuple(cell or "" for cell in row.values()))
        for line, row in zip(cut.lines, head, strict=False)
    ]


def _of_text(file: read.Opened, arrival: Arrival) -> Sheet | Unread:
    encoding, own = "", read.OWN_DELIMITER[file.kind]
    try:
        text = decoded(file.content, "", arrival.path.name).content
    except Refusal as refusal:
        if refusal.rule != "file_undecodable":
            raise
        encoding = OTHER_ENCODING
        text = decoded(file.content, encoding, arrival.path.name).content
    openings = {
        each: opening_records(text, each) for each in sorted(DELIMITERS, key=lambda each: each != own)
    }
    delimiter = max(openings, key=lambda each: _usual_width(openings[each]))
    line = header_line(openings[delimiter])
    wanted = _wanted(arrival.path.name, line, encoding, delimiter)
    found = _sheet(lambda _: read.cut(file, wanted), arrival, "", line)
    if isinstance(found, Unread):
        return found
    return Sheet(**{**vars(found), "encoding": encoding, "delimiter": "" if delimiter == own else delimiter})


def _wanted(name: str, line: int, encoding: str = "", delimiter: str = "") -> Wanted:
    return Wanted(name, "the mapping", (), line, encoding, delimiter)


def _usual_width(opening: Sequence[Record]) -> int:
    """The number of cells that most of the first rows have; more than one row decides."""
    widths = [len(record.cells) for record in opening if record.cells]
    return max(widths, key=lambda width: (widths.count(width) if width > 1 else 0, width), default=0)


def header_line(opening: Sequence[Record]) -> int:
    """Line of the first of the fullest rows whose cells read like headers; 0 if there is none."""
    filled = [sum(bool(cell.strip()) for cell in record.cells) for record in opening]
    fullest = max(filled, default=0)
    for record, cells in zip(opening[:HEADER_WITHIN], filled, strict=False):
        if cells and cells >= FULL * fullest and _reads_like_headers(record.cells):
            return record.line
    return 0


def _reads_like_headers(cells: Sequence[str]) -> bool:
    """Nearly all filled cells begin with a letter, hold few digits and no day, and most differ."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    wordy = [
        cell
        for cell in filled
        if _HEADER_CELL.fullmatch(cell) and not _DAY.search(cell) and _few_digits(cell)
    ]
    return len(wordy) >= 0.8 * len(filled) and 2 * len({plain(cell) for cell in filled}) > len(filled)


def _few_digits(cell: str) -> bool:
    return sum(map(str.isdigit, cell)) <= max(2, 0.3 * len(cell))


def _sheet(reader: partial[Cut] | object, arrival: Arrival, sheet: str, line: int) -> Sheet | Unread:
    name = arrival.path.name
    if not line:
        return Unread(name, sheet, f"none of the first {HEADER_WITHIN} rows reads like a row of headers.")
    assert callable(reader)
    cut = without_furniture(reader(_wanted(name, line)))
    rows = cut.cells.num_rows
    if not rows:
        return Unread(name, sheet, "it holds a header and no rows.")
    headers = tuple(header.strip() for header in cut.headers)
    if _is_data(headers, cut.cells):
        return Unread(name, sheet, "its first row is data: it has no row of headers. Ask for one.")
    chosen = np.unique(np.linspace(0, rows - 1, min(rows, MOST_ROWS)).astype(np.int64))
    cells = cut.cells if rows <= MOST_ROWS else cut.cells.take(pa.array(chosen))
    return Sheet(name, sheet, arrival.receipt, headers, cells, cut.lines[chosen], rows, line)


def _is_data(headers: Sequence[str], cells: pa.Table) -> bool:
    """Whether what was taken for the header occurs again as a cell of its own column."""
    again = 0
    for at, header in enumerate(headers):
        if header:
            texts = {plain(text) for text in cells.column(at).unique().to_pylist() if text}
            again += plain(header) in texts
    return again > 0
