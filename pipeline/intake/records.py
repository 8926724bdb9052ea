"""Records in the bytes of a delimited file: how many, where each begins, on which physical line.

Two ways, one for the other's check. `record_breaks` looks at the positions of line ends and quotation marks
and is exact where the quoting is regular (RFC 4180, section 2); it says nothing where it is not.
`read_records` is the standard library's reader, slower and right about every oddity.
"""

from __future__ import annotations

import csv
import io
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np

LONGEST_CELL = 2**31 - 1
NEWLINE, RETURN, QUOTE = 10, 13, 34
_END = "\x1eend\x1e"


@dataclass(frozen=True)
class Record:
    """One record as cut. `line` is its first physical line, from 1."""

    line: int
    cells: tuple[str, ...]


class QuoteNeverClosed(Exception):
    """The file ends inside a quoted cell that opened in the record at `line`, after `records` whole ones."""

    def __init__(self, line: int, records: int) -> None:
        super().__init__(line)
        self.line = line
        self.records = records


@dataclass(frozen=True)
class Breaks:
    """Where records lie in the bytes; arrays with one entry a record, blank ones included.

    `ends` are the positions of the line feeds (or of the end of the text); `lines` count from 1.
    `quotes` are the positions of all quotation marks, even ones opening.
    """

    starts: np.ndarray
    ends: np.ndarray
    lines: np.ndarray
    blank: np.ndarray
    quotes: np.ndarray

    def __len__(self) -> int:
        return len(self.starts)


def _are_quotes_regular(text: np.ndarray, quotes: np.ndarray, delimiter: int) -> bool:
    """Whether every opening mark begins a cell and every closing one ends it (or is doubled)."""
    if len(quotes) % 2:
        return False
    opening, closing = quotes[0::2], quotes[1::2]
    before = text[opening[opening > 0] - 1]
    after = text[closing[closing < len(text) - 1] + 1]
    return bool(
        _are_all(before, (delimiter, NEWLINE, QUOTE)) and _are_all(after, (delimiter, NEWLINE, RETURN, QUOTE))
    )


def _are_all(characters: np.ndarray, among: tuple[int, ...]) -> bool:
    allowed = np.zeros(256, bool)
    allowed[list(among)] = True
    return bool(allowed[characters].all())


def outside_quotes(positions: np.ndarray, quotes: np.ndarray) -> np.ndarray:
    """The positions that no pair of quotation marks encloses."""
    if not len(quotes):
        return positions
    return positions[np.searchsorted(quotes, positions) % 2 == 0]


def record_breaks(content: bytes, delimiter: str) -> Breaks | None:
    """Where the records lie, or `None` if quotation marks or line ends are irregular."""
    if b"\r" in content and content.count(b"\r") != content.count(b"\r\n"):
        return None
    text = np.frombuffer(content, dtype=np.uint8)
    quotes = np.flatnonzero(text == QUOTE) if b'"' in content else np.empty(0, np.int64)
    if not _are_quotes_regular(text, quotes, ord(delimiter)):
        return None
    feeds = np.flatnonzero(text == NEWLINE)
    ends = outside_quotes(feeds, quotes)
    if len(text) and (not len(ends) or ends[-1] != len(text) - 1):
        ends = np.append(ends, len(text))
    starts = np.concatenate([[0], ends[:-1] + 1])[: len(ends)].astype(np.int64)
    lines = 1 + (np.arange(len(starts)) if not len(quotes) else np.searchsorted(feeds, starts))
    lengths = ends - starts
    blank = lengths == 0
    lone = np.flatnonzero(lengths == 1)
    blank[lone] = text[starts[lone]] == RETURN
    return Breaks(starts, ends, lines.astype(np.int64), blank, quotes)


def _physical_lines(content: bytes) -> Iterator[str]:
    yield from io.TextIOWrapper(io.BytesIO(content), encoding="utf-8", newline="")
    yield _END


def _lines_and_cells(content: bytes, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    csv.field_size_limit(LONGEST_CELL)
    reader = csv.reader(_physical_lines(content), delimiter=delimiter)
    line, records = 1, 0
    for cells in reader:
        if cells and cells[-1].endswith(_END):
            if cells != [_END] or reader.line_num != line:
                raise QuoteNeverClosed(line, records)
            return
        yield line, cells
        line, records = reader.line_num + 1, records + 1


def read_records(content: bytes, delimiter: str) -> Iterator[Record]:
    """Every record, blank lines as records without cells.

    Raises:
        QuoteNeverClosed: After the last whole record, if the text ends inside a quoted cell.
    """
    return (Record(line, tuple(cells)) for line, cells in _lines_and_cells(content, delimiter))


@dataclass(frozen=True)
class Shapes:
    """First line and number of cells of each record (0: a blank line), and the ragged records themselves."""

    lines: np.ndarray
    widths: np.ndarray
    ragged: tuple[Record, ...]


def record_shapes(content: bytes, delimiter: str, first: int, width: int) -> Shapes:
    """The shapes of the records from position `first` on; ragged are those not of `width` cells.

    Raises:
        QuoteNeverClosed: The text ends inside a quoted cell.
    """
    lines, widths, ragged = array("q"), array("q"), []
    for line, cells in islice(_lines_and_cells(content, delimiter), first, None):
        lines.append(line)
        widths.append(len(cells))
        if len(cells) not in (0, width):
            ragged.append(Record(line, tuple(cells)))
    return Shapes(np.array(lines, np.int64), np.array(widths, np.int64), tuple(ragged))


def offset_of_line(content: bytes, line: int) -> int:
    """The byte at which a physical line begins, lines counted from 1."""
    return sum(len(each.encode()) for each in islice(_physical_lines(content), line - 1))


def counted_records(content: bytes, delimiter: str = ",") -> int:
    """How many records the bytes hold, blank ones and the header included; a cut one at the end counts."""
    breaks = record_breaks(content, delimiter)
    if breaks is not None:
        return len(breaks)
    try:
        return sum(1 for _ in _lines_and_cells(content, delimiter))
    except QuoteNeverClosed as unclosed:
        return unclosed.records + 1
