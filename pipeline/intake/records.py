"""Records in the bytes of a delimited file: how many, where each begins, on which physical line.

Two ways, one for the other's check. `record_breaks` looks at the positions of line ends and quotation marks
and is exact where the quoting is regular (RFC 4180, section 2); it says nothing where it is not.
`read_records` is the standard library's reader, slower and right about every oddity.
"""

from __future__ import annotations

import csv
import io
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

NEWLINE, RETURN, QUOTE = 10, 13, 34
#: A line or a cell longer than this is no record but a fault; 16 MiB are more than a thousand pages.
LONGEST_LINE = 1 << 24
#: A file with more lines is refused; ten times the largest hospital.
MOST_LINES = 50_000_000
#: Kept of rows that do not fit the header; a file with more of them is refused.
MOST_RAGGED = 100_000
#: As many columns as a spreadsheet has.
MOST_COLUMNS = 16_384
#: Looked at at once; bounds what positions need in memory.
BLOCK_BYTES = 1 << 24
_END = "\x1eend\x1e"
_NONE = np.empty(0, np.int64)


@dataclass(frozen=True)
class Record:
    """One record as cut. `line` is its first physical line, from 1; of its `width` cells the first 16,385 are kept.

    `why` is the rule under which it is held back if it is, `column` the position of the cell that is the reason.
    """

    line: int
    cells: tuple[str, ...]
    width: int = -1
    why: str = "row_ragged"
    column: int | None = None

    def __post_init__(self) -> None:
        if self.width < 0:
            object.__setattr__(self, "width", len(self.cells))

    @classmethod
    def of(cls, line: int, cells: Sequence[str]) -> Record:
        """A record of these cells."""
        return cls(line, tuple(cells[: MOST_COLUMNS + 1]), len(cells))

    def held_for(self, why: str, column: int) -> Record:
        """The same record held back by another rule, for a cell of a column."""
        return replace(self, why=why, column=column)


class QuoteNeverClosed(Exception):
    """The file ends inside a quoted cell that opened in the record at `line`, after `records` whole ones.

    Or the cell grew longer than the longest line, which comes of the same fault.
    """

    def __init__(self, line: int, records: int) -> None:
        super().__init__(line)
        self.line = line
        self.records = records


@dataclass(frozen=True)
class Breaks:
    """Where records lie in the bytes; arrays with one entry a record, blank ones included.

    `ends` are the positions of the line feeds (or of the end of the text); `lines` count from 1; `quoted` says
    whether any cell is in quotation marks.
    """

    ends: np.ndarray
    lines: np.ndarray
    blank: np.ndarray
    quoted: bool

    def __len__(self) -> int:
        return len(self.ends)

    @property
    def starts(self) -> np.ndarray:
        """Position of the first byte of each record."""
        return np.concatenate([[0], self.ends[:-1] + 1])[: len(self.ends)].astype(np.int64)

    def start(self, row: int) -> int:
        """Position of the first byte of one record."""
        return int(self.ends[row - 1]) + 1 if row else 0


@dataclass(frozen=True)
class _Block:
    """Line feeds and quotation marks of a piece of the text; `inside`: it begins within a quoted cell."""

    feeds: np.ndarray
    quotes: np.ndarray
    inside: bool

    def outside_quotes(self, positions: np.ndarray) -> np.ndarray:
        """Which of the positions no pair of quotation marks encloses."""
        if not len(self.quotes):
            return np.full(len(positions), not self.inside)
        return (np.searchsorted(self.quotes, positions) + self.inside) % 2 == 0


def _blocks(text: np.ndarray, quoted: bool) -> Iterator[tuple[int, np.ndarray, _Block]]:
    """The text in pieces: where each begins, its bytes, what lies in it."""
    inside = False
    for first in range(0, len(text), BLOCK_BYTES):
        piece = text[first : first + BLOCK_BYTES]
        quotes = first + np.flatnonzero(piece == QUOTE) if quoted else _NONE
        yield first, piece, _Block(first + np.flatnonzero(piece == NEWLINE), quotes, inside)
        inside ^= bool(len(quotes) % 2)


def _are_quotes_regular(text: np.ndarray, block: _Block, delimiter: int) -> bool:
    """Whether every opening mark begins a cell and every closing one ends it (or is doubled)."""
    opening, closing = block.quotes[int(block.inside) :: 2], block.quotes[1 - int(block.inside) :: 2]
    before = text[opening[opening > 0] - 1]
    after = text[closing[closing < len(text) - 1] + 1]
    return _are_all(before, (delimiter, NEWLINE, QUOTE)) and _are_all(
        after, (delimiter, NEWLINE, RETURN, QUOTE)
    )


def _are_all(characters: np.ndarray, among: tuple[int, ...]) -> bool:
    allowed = np.zeros(256, bool)
    allowed[list(among)] = True
    return bool(allowed[characters].all())


def record_breaks(content: bytes, delimiter: str) -> Breaks | None:
    """Where the records lie, or `None` if quotation marks or line ends are irregular."""
    marks = content.count(b'"')
    if marks % 2 or (b"\r" in content and content.count(b"\r") != content.count(b"\r\n")):
        return None
    text = np.frombuffer(content, dtype=np.uint8)
    ends, following, feeds = [_NONE], [_NONE], 0
    for _, _, block in _blocks(text, marks > 0):
        if marks and not _are_quotes_regular(text, block, ord(delimiter)):
            return None
        outside = np.flatnonzero(block.outside_quotes(block.feeds))
        ends.append(block.feeds[outside])
        following.append(outside + feeds + 2)
        feeds += len(block.feeds)
    lines = np.concatenate([[1], *following])
    following.clear()
    return _with_blanks(text, np.concatenate(ends), lines, marks > 0)


def _with_blanks(text: np.ndarray, ends: np.ndarray, lines: np.ndarray, quoted: bool) -> Breaks:
    if len(text) and (not len(ends) or ends[-1] != len(text) - 1):
        ends = np.append(ends, len(text))
    lengths = np.diff(ends, prepend=-1) - 1
    blank = lengths == 0
    lone = np.flatnonzero(lengths == 1)
    blank[lone] = text[ends[lone] - 1] == RETURN
    return Breaks(ends, lines[: len(ends)], blank, quoted)


def cells_counted(content: bytes, breaks: Breaks, delimiter: str) -> np.ndarray:
    """How many cells each record has; 1 where blank."""
    text = np.frombuffer(content, dtype=np.uint8)
    counts = np.ones(len(breaks), np.int64)
    for first, piece, block in _blocks(text, breaks.quoted):
        delimiters = first + np.flatnonzero(piece == ord(delimiter))
        delimiters = delimiters[block.outside_quotes(delimiters)]
        records = np.searchsorted(breaks.ends, delimiters)
        here, many = np.unique(records, return_counts=True)
        counts[here] += many
    return counts


def overlong_line(content: bytes) -> int:
    """Number of the first physical line longer than the longest allowed, 0 if there is none."""
    start = 0
    while len(content) - start > LONGEST_LINE:
        window = (start, start + LONGEST_LINE)
        last = max(content.rfind(b"\n", *window), content.rfind(b"\r", *window))
        if last < 0:
            return 1 + content.count(b"\n", 0, start)
        start = last + 1
    return 0


def _physical_lines(content: bytes) -> Iterator[str]:
    yield from io.TextIOWrapper(io.BytesIO(content), encoding="utf-8", newline="")
    yield _END


def _lines_and_cells(content: bytes, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    csv.field_size_limit(LONGEST_LINE)
    reader = csv.reader(_physical_lines(content), delimiter=delimiter)
    line, records = 1, 0
    while (cells := _next_cells(reader, line, records)) is not None:
        if cells and cells[-1].endswith(_END):
            if cells != [_END] or reader.line_num != line:
                raise QuoteNeverClosed(line, records)
            return
        yield line, cells
        line, records = reader.line_num + 1, records + 1


def _next_cells(reader: Iterator[list[str]], line: int, records: int) -> list[str] | None:
    try:
        return next(reader, None)
    except csv.Error:  # a cell beyond the limit
        raise QuoteNeverClosed(line, records) from None


def read_records(content: bytes, delimiter: str) -> Iterator[Record]:
    """Every record, blank lines as records without cells.

    Raises:
        QuoteNeverClosed: After the last whole record, if the text ends inside a quoted cell.
    """
    return (Record.of(line, cells) for line, cells in _lines_and_cells(content, delimiter))


@dataclass(frozen=True)
class Shapes:
    """First line and number of cells of each record (0: a blank line), and the ragged records themselves."""

    lines: np.ndarray
    widths: np.ndarray
    ragged: tuple[Record, ...]


def record_shapes(content: bytes, delimiter: str, first: int, width: int) -> Shapes:
    """The shapes of the records from position `first` on; ragged are those not of `width` cells (not all if many).

    Raises:
        QuoteNeverClosed: The text ends inside a quoted cell.
    """
    lines, widths = array("q"), array("q")
    ragged: list[Record] = []
    for line, cells in islice(_lines_and_cells(content, delimiter), first, None):
        lines.append(line)
        widths.append(len(cells))
        if len(cells) not in (0, width) and len(ragged) < MOST_RAGGED:
            ragged.append(Record.of(line, cells))
    return Shapes(np.array(lines, np.int64), np.array(widths, np.int64), tuple(ragged))


def offset_of_line(content: bytes, line: int) -> int:
    """The byte at which a physical line begins, lines counted from 1."""
    return sum(len(each.encode()) for each in islice(_physical_lines(content), line - 1))


def counted_records(content: bytes, delimiter: str = ",") -> int:
    """How many records the bytes hold, blank ones and the header included; a cut one at the end counts."""
    breaks = record_breaks(content, delimiter)
    return len(breaks) if breaks is not None else counted_one_by_one(content, delimiter)


def counted_one_by_one(content: bytes, delimiter: str) -> int:
    """The same by the standard library's reader, where quoting or line ends are irregular."""
    try:
        return sum(1 for _ in _lines_and_cells(content, delimiter))
    except QuoteNeverClosed as unclosed:
        return unclosed.records + 1
