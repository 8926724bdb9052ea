"""Delimited text to cells: fast where lines and records reconcile, else row by row."""

from __future__ import annotations

from array import array
from contextlib import suppress
from dataclasses import replace
from itertools import islice

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from pipeline.intake.cut import Cut, LoggedStep, cells_of
from pipeline.intake.encoding import Text, decoded
from pipeline.intake.furniture import is_furniture
from pipeline.intake.header import OPENING_ROWS, Wanted, header_position, header_positions
from pipeline.intake.records import (
    LONGEST_LINE,
    MOST_COLUMNS,
    MOST_LINES,
    MOST_RAGGED,
    Breaks,
    QuoteNeverClosed,
    Record,
    cells_counted,
    counted_one_by_one,
    offset_of_line,
    overlong_line,
    read_records,
    record_breaks,
    record_shapes,
)
from pipeline.intake.refusal import Refusal, rows_counted

DELIMITERS = (",", ";", "\t", "|")
BLOCK_BYTES = 2 * LONGEST_LINE
ROWS_AT_ONCE = 50_000
#: Beyond this share of at least so many rows that do not fit it, the header is another file's.
LARGEST_RAGGED_SHARE, FEW_RAGGED = 0.1, 10_000


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
    return max((record.width for record in opening), default=0)


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
    _refuse_overlong(text.content, wanted.name)
    delimiter = found_delimiter(text.content, wanted, own)
    breaks = record_breaks(text.content, delimiter)
    records = len(breaks) if breaks is not None else counted_one_by_one(text.content, delimiter)
    with rows_counted(records - 1):
        if not text.content.strip():
            raise Refusal("file_empty", f"{wanted.name} is empty. Ask the sender whether the export failed.")
        opening = opening_records(text.content, delimiter, max(OPENING_ROWS, wanted.header_row or 0))
        at = _header_in(opening, wanted)
        cut = _cut(text.content, delimiter, at, opening[at], breaks, wanted.name)
        _refuse_broken_off(text.content, cut, wanted)
        if not wanted.delimiter and delimiter != own:
            _refuse_unfitting(cut, wanted)
    steps = _steps(text, delimiter, own, wanted, opening[at], at)
    doubt = (_doubtful(wanted),) if text.doubtful else ()
    return replace(cut, rows_read=records - 1, steps=steps, remarks=doubt)


def _doubtful(wanted: Wanted) -> tuple[str, str]:
    message = (
        f"{wanted.mapping} declares {wanted.encoding} for {wanted.name}, yet every byte of it fits UTF-8. "
        "It was read as declared; if letters look wrong, take `encoding` out."
    )
    return ("encoding_doubtful", message)


def _refuse_overlong(content: bytes, name: str) -> None:
    lines = content.count(b"\n")
    line = overlong_line(content)
    with rows_counted(lines - 1):
        if line:
            raise Refusal(
                "line_too_long",
                f"{name}, line {line}: the line is longer than {LONGEST_LINE >> 20} MiB. "
                "Send one record a line, as text.",
                line,
            )
        if lines > MOST_LINES:
            raise Refusal("file_too_large", f"{name} has more than {MOST_LINES} lines. Send it in parts.")


def _header_in(opening: list[Record], wanted: Wanted) -> int:
    if not opening:
        raise _never_closed(wanted.name, 1)
    at = header_position(opening, wanted)
    if opening[at].width > MOST_COLUMNS:
        raise Refusal(
            "columns_too_many",
            f"{wanted.name} has {opening[at].width} columns, at most {MOST_COLUMNS} are read. "
            "Send only those that are needed.",
            opening[at].line,
        )
    return at


def _cut(content: bytes, delimiter: str, at: int, header: Record, breaks: Breaks | None, name: str) -> Cut:
    quick = _quickly(content, delimiter, at, header, breaks, name) if breaks is not None else None
    if quick is not None:
        return quick
    try:
        shaped = _by_shapes(content, delimiter, at, header, name)
        return shaped or _row_by_row(content, delimiter, at, header)
    except QuoteNeverClosed as unclosed:
        raise _never_closed(name, unclosed.line) from None


def _quickly(
    content: bytes, delimiter: str, at: int, header: Record, breaks: Breaks, name: str
) -> Cut | None:
    """The cells by Arrow, or `None` if its rows and the records in the bytes do not reconcile."""
    blank = breaks.blank[at + 1 :]
    body = len(content) if blank.all() else breaks.start(at + 1)
    parsed = _parsed(content, body, header.width, delimiter, breaks.quoted)
    if parsed is None:
        return None
    cells, skipped = parsed
    is_ragged = np.zeros(len(blank), bool)
    if skipped:
        is_ragged = (cells_counted(content, breaks, delimiter)[at + 1 :] != header.width) & ~blank
    whole = ~blank & ~is_ragged
    if cells.num_rows != whole.sum() or skipped != is_ragged.sum():
        return None
    _refuse_unlike(is_ragged, breaks.lines[at + 1 :], name)
    rows = at + 1 + np.flatnonzero(is_ragged)
    ragged = tuple(_record(content, breaks, int(row), delimiter) for row in rows)
    return Cut(header.cells, cells, breaks.lines[at + 1 :][whole], 0, ragged, at + int(blank.sum()))


def _refuse_unlike(is_ragged: np.ndarray, lines: np.ndarray, name: str) -> None:
    """A header that a large part of the rows does not fit."""
    count, rows = int(is_ragged.sum()), len(is_ragged)
    if count <= FEW_RAGGED or (count <= MOST_RAGGED and count <= LARGEST_RAGGED_SHARE * rows):
        return
    line = int(lines[np.argmax(is_ragged)])
    raise Refusal(
        "rows_unlike_header",
        f"{name}: {count} of {rows} rows, from line {line} on, have more or fewer cells than the header. "
        "Quote text that holds the delimiter, and send a header that fits.",
        line,
    )


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


def _record(content: bytes, breaks: Breaks, row: int, delimiter: str) -> Record:
    one = content[breaks.start(row) : breaks.ends[row]]
    cut = next(read_records(one, delimiter))
    return replace(cut, line=int(breaks.lines[row]))


def _by_shapes(content: bytes, delimiter: str, at: int, header: Record, name: str) -> Cut | None:
    """The cells by Arrow, lines by the standard reader, where quoting is irregular; `None` if they differ."""
    shapes = record_shapes(content, delimiter, at + 1, header.width)
    filled = np.flatnonzero(shapes.widths)
    whole = shapes.widths == header.width
    is_ragged = ~whole & (shapes.widths != 0)
    _refuse_unlike(is_ragged, shapes.lines, name)
    body = offset_of_line(content, int(shapes.lines[filled[0]])) if len(filled) else len(content)
    parsed = _parsed(content, body, header.width, delimiter, quoted=True)
    if parsed is None or parsed[0].num_rows != whole.sum() or parsed[1] != is_ragged.sum():
        return None
    blank = len(shapes.widths) - len(filled)
    return Cut(header.cells, parsed[0], shapes.lines[whole], 0, shapes.ragged, at + blank)


def _row_by_row(content: bytes, delimiter: str, at: int, header: Record) -> Cut:
    """All by the standard reader, a piece at a time."""
    body = islice(read_records(content, delimiter), at + 1, None)
    pieces, lines, blank = [cells_of([], header.width)], array("q"), 0
    ragged: list[Record] = []
    while rows := list(islice(body, ROWS_AT_ONCE)):
        whole = [record for record in rows if record.width == header.width]
        odd = [record for record in rows if record.width not in (0, header.width)]
        pieces.append(cells_of([record.cells for record in whole], header.width))
        lines.extend(record.line for record in whole)
        ragged += odd
        blank += len(rows) - len(whole) - len(odd)
    cells = pa.concat_tables(pieces)
    return Cut(header.cells, cells, np.array(lines, np.int64), 0, tuple(ragged), at + blank)


def _never_closed(name: str, line: int) -> Refusal:
    return Refusal(
        "file_truncated",
        f"{name}: a quotation mark opened in the row at line {line} is never closed"
        f" (or its cell is longer than {LONGEST_LINE >> 20} MiB). Ask the sender for the whole file.",
        line,
    )


def _refuse_broken_off(content: bytes, cut: Cut, wanted: Wanted) -> None:
    """A short last row without a line end is a file that breaks off."""
    if not cut.ragged or content.endswith((b"\n", b"\r")):
        return
    last = cut.ragged[-1]
    is_last = not len(cut.lines) or last.line > cut.lines[-1]
    if is_last and last.width < len(cut.headers) and not is_furniture(last.cells):
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
    text: Text, delimiter: str, own: str, wanted: Wanted, header: Record, above: int
) -> tuple[LoggedStep, ...]:
    found = {"\t": "tab"}.get(delimiter, delimiter)
    possible = (
        (bool(text.mark), LoggedStep("encoding_by_mark", text.mark, "utf-8")),
        (text.inner_mark > 0, LoggedStep("mark_inside", "", "", text.inner_mark or None)),
        (not wanted.delimiter and delimiter != own, LoggedStep("delimiter_found", own, found)),
        (
            above > 0 and wanted.header_row is None,
            LoggedStep("header_below_preamble", "", f"header at line {header.line}", header.line),
        ),
    )
    return tuple(step for applies, step in possible if applies)
