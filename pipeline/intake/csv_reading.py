"""Delimited text to cells: fast where lines and records reconcile, else row by row."""

from __future__ import annotations

from contextlib import suppress
from itertools import islice

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from pipeline.intake.cut import Cut, LoggedStep, cells_of
from pipeline.intake.encoding import decoded
from pipeline.intake.furniture import is_furniture
from pipeline.intake.header import OPENING_ROWS, Wanted, header_position, header_positions
from pipeline.intake.records import (
    Breaks,
    QuoteNeverClosed,
    Record,
    counted_records,
    offset_of_line,
    outside_quotes,
    read_records,
    record_breaks,
    record_shapes,
)
from pipeline.intake.refusal import Refusal, rows_counted

DELIMITERS = (",", ";", "\t", "|")
BLOCK_BYTES = 1 << 24


def opening_records(content: bytes, delimiter: str, rows: int = OPENING_ROWS) -> list[Record]:
    """The first records; an unclosed quotation mark ends the list."""
    opening: list[Record] = []
    with suppress(QuoteNeverClosed):
        opening.extend(islice(read_records(content, delimiter), rows))
    return opening


def found_delimiter(content: bytes, wanted: Wanted, own: str = ",") -> str:
    """The declared delimiter, else the one under which the header is found, else the one that cuts most."""
    if wanted.delimiter:
        return wanted.delimiter
    candidates = sorted(DELIMITERS, key=lambda each: each != own)
    rows = max(OPENING_ROWS, wanted.header_row or 0)
    openings = {each: opening_records(content, each, rows) for each in candidates}
    fitting = [each for each in candidates if header_positions(openings[each], wanted)]
    return max(fitting or candidates, key=lambda each: _widest(openings[each]))


def _widest(opening: list[Record]) -> int:
    return max((len(record.cells) for record in opening), default=0)


def read_delimited(raw: bytes, wanted: Wanted, own: str = ",") -> Cut:
    """The cells of a delimited file.

    Args:
        raw: The file's bytes, unpacked.
        wanted: Needed headers and what the mapping declares.
        own: The delimiter that the file's ending promises.

    Raises:
        Refusal: The file is undecodable, cut off, has no delimiter that fits every row, or lacks a header.
    """
    text = decoded(raw, wanted.encoding, wanted.name, wanted.mapping)
    delimiter = found_delimiter(text.content, wanted, own)
    breaks = record_breaks(text.content, delimiter)
    records = len(breaks) if breaks is not None else counted_records(text.content, delimiter)
    with rows_counted(records - 1):
        if not records:
            raise Refusal("file_empty", f"{wanted.name} is empty. Ask the sender whether the export failed.")
        opening = opening_records(text.content, delimiter, max(OPENING_ROWS, wanted.header_row or 0))
        header = _header_in(text.content, opening, wanted, delimiter)
        cut = _cut(text.content, delimiter, header, opening[header], wanted.name, breaks)
        _refuse_broken_off(text.content, cut, wanted)
        if not wanted.delimiter and delimiter != own:
            _refuse_unfitting(cut, wanted)
    return Cut(
        cut.headers,
        cut.cells,
        cut.lines,
        records - 1,
        cut.ragged,
        cut.non_data,
        _steps(text.mark, delimiter, own, wanted, opening[header], header),
    )


def _header_in(content: bytes, opening: list[Record], wanted: Wanted, delimiter: str) -> int:
    if not opening:
        raise _never_closed(wanted.name, 1)
    return header_position(opening, wanted)


def _cut(content: bytes, delimiter: str, at: int, header: Record, name: str, breaks: Breaks | None) -> Cut:
    quick = _quickly(content, delimiter, at, header, breaks) if breaks is not None else None
    if quick is not None:
        return quick
    try:
        return _by_shapes(content, delimiter, at, header) or _row_by_row(content, delimiter, at, header)
    except QuoteNeverClosed as unclosed:
        raise _never_closed(name, unclosed.line) from None


def _quickly(content: bytes, delimiter: str, at: int, header: Record, breaks: Breaks) -> Cut | None:
    """The cells by Arrow, or `None` if its rows and the records in the bytes do not reconcile."""
    width = len(header.cells)
    blank = breaks.blank[at + 1 :]
    body = len(content) if blank.all() else int(breaks.starts[at + 1])
    parsed = _parsed(content, body, width, delimiter, bool(len(breaks.quotes)))
    if parsed is None:
        return None
    cells, skipped = parsed
    is_ragged = (
        _ragged_rows(content, breaks, at + 1, width, delimiter) if skipped else np.zeros(len(blank), bool)
    )
    whole = ~blank & ~is_ragged
    if cells.num_rows != whole.sum() or skipped != is_ragged.sum():
        return None
    ragged = tuple(
        _record(content, breaks, at + 1 + int(row), delimiter) for row in np.flatnonzero(is_ragged)
    )
    non_data = at + int(blank.sum())
    return Cut(header.cells, cells, breaks.lines[at + 1 :][whole], 0, ragged, non_data)


def _parsed(
    content: bytes, body: int, width: int, delimiter: str, quoted: bool
) -> tuple[pa.Table, int] | None:
    """The rows of the right width and the number of others."""
    if body == len(content):
        return cells_of([], width), 0
    names = [str(column) for column in range(width)]
    skipped = 0

    def skip(_: object) -> str:
        nonlocal skipped
        skipped += 1
        return "skip"

    try:
        cells = arrow_csv.read_csv(
            pa.BufferReader(pa.py_buffer(content).slice(body)),
            read_options=arrow_csv.ReadOptions(column_names=names, block_size=BLOCK_BYTES),
            parse_options=arrow_csv.ParseOptions(
                delimiter=delimiter, newlines_in_values=quoted, invalid_row_handler=skip
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types={name: pa.string() for name in names},
                null_values=[""],
                strings_can_be_null=True,
            ),
        )
    except pa.ArrowInvalid:  # for example a record longer than a block
        return None
    return cells, skipped


def _ragged_rows(content: bytes, breaks: Breaks, first: int, width: int, delimiter: str) -> np.ndarray:
    """Which records from `first` on have another number of cells than the header."""
    text = np.frombuffer(content, dtype=np.uint8)
    delimiters = outside_quotes(np.flatnonzero(text == ord(delimiter)), breaks.quotes)
    starts, ends = breaks.starts[first:], breaks.ends[first:]
    cells = 1 + np.searchsorted(delimiters, ends) - np.searchsorted(delimiters, starts)
    return (cells != width) & ~breaks.blank[first:]


def _record(content: bytes, breaks: Breaks, row: int, delimiter: str) -> Record:
    one = content[breaks.starts[row] : breaks.ends[row]]
    return Record(int(breaks.lines[row]), next(read_records(one, delimiter)).cells)


def _by_shapes(content: bytes, delimiter: str, at: int, header: Record) -> Cut | None:
    """The cells by Arrow, lines by the standard reader, where quoting is irregular; `None` if they differ."""
    width = len(header.cells)
    shapes = record_shapes(content, delimiter, at + 1, width)
    filled = np.flatnonzero(shapes.widths)
    body = offset_of_line(content, int(shapes.lines[filled[0]])) if len(filled) else len(content)
    parsed = _parsed(content, body, width, delimiter, quoted=True)
    whole = shapes.widths == width
    if parsed is None or parsed[0].num_rows != whole.sum() or parsed[1] != len(shapes.ragged):
        return None
    blank = len(shapes.widths) - len(filled)
    return Cut(header.cells, parsed[0], shapes.lines[whole], 0, shapes.ragged, at + blank)


def _row_by_row(content: bytes, delimiter: str, at: int, header: Record) -> Cut:
    width = len(header.cells)
    body = list(islice(read_records(content, delimiter), at + 1, None))
    whole = [record for record in body if len(record.cells) == width]
    ragged = tuple(record for record in body if len(record.cells) not in (0, width))
    lines = np.array([record.line for record in whole], dtype=np.int64)
    blank = len(body) - len(whole) - len(ragged)
    cells = cells_of([record.cells for record in whole], width)
    return Cut(header.cells, cells, lines, 0, ragged, at + blank)


def _never_closed(name: str, line: int) -> Refusal:
    return Refusal(
        "file_truncated",
        f"{name}: a quotation mark opened in the row at line {line} is never closed. Ask the sender for the whole file.",
        line,
    )


def _refuse_broken_off(content: bytes, cut: Cut, wanted: Wanted) -> None:
    """A short last row without a line end is a file that breaks off."""
    if not cut.ragged or content.endswith((b"\n", b"\r")):
        return
    last = cut.ragged[-1]
    is_last = not len(cut.lines) or last.line > cut.lines[-1]
    if is_last and len(last.cells) < len(cut.headers) and not is_furniture(last.cells):
        raise Refusal(
            "file_truncated",
            f"{wanted.name}: the last row, line {last.line}, is cut off. Ask the sender for the whole file.",
            last.line,
        )


def _refuse_unfitting(cut: Cut, wanted: Wanted) -> None:
    unfitting = next((record for record in cut.ragged if not is_furniture(record.cells)), None)
    if unfitting is not None:
        raise Refusal(
            "delimiter_unclear",
            f"{wanted.name}, line {unfitting.line}: no delimiter gives every row the header's "
            f"{len(cut.headers)} columns. Declare `delimiter` in {wanted.mapping}.",
            unfitting.line,
        )


def _steps(
    mark: str, delimiter: str, own: str, wanted: Wanted, header: Record, above: int
) -> tuple[LoggedStep, ...]:
    found = {"\t": "tab"}.get(delimiter, delimiter)
    possible = (
        (bool(mark), LoggedStep("encoding_by_mark", mark, "utf-8")),
        (not wanted.delimiter and delimiter != own, LoggedStep("delimiter_found", own, found)),
        (
            above > 0 and wanted.header_row is None,
            LoggedStep("header_below_preamble", "", f"header at line {header.line}", header.line),
        ),
    )
    return tuple(step for applies, step in possible if applies)
