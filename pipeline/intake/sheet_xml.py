"""What a sheet's XML says before the sheet is read: how far it reaches, and cells that are not what they seem.

The XML is looked at as bytes, a few rows at a time: element names with or without a prefix, as ECMA-376 part 1,
section 18.3, writes them. What a spreadsheet never writes (comments, document types, `>` in an attribute, rows out
of order) is refused, so that nothing can be hidden from this look that the reader of the cells would see.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from pipeline.intake.refusal import Refusal

#: Cells of the rectangle from A1 to the last filled cell: all rows of a sheet with 32 columns.
MOST_CELLS = 1 << 25
MOST_ROWS, MOST_COLUMNS = 1_048_576, 16_384
LONGEST_ROW = 1 << 24

_TAG = rb"<(?:\w+:)?"
_IS = rb"\s*=\s*[\"']"
_ROW = re.compile(_TAG + rb"row\b(?:[^>]*?\sr" + _IS + rb"([^\"'>]*)[\"'])?[^>]*>")
_HIDDEN_ROW = re.compile(_TAG + rb"row\b[^>]*\shidden" + _IS + rb"(?:1|true)")
_HIDDEN_COLUMN = re.compile(_TAG + rb"col\b[^>]*\shidden" + _IS + rb"(?:1|true)")
_REFERENCE = re.compile(_TAG + rb"c\s[^>]*?\br" + _IS + rb"([^\"'>]*)[\"'](?=[^>]*[^/]>|>)")
_ROW_NUMBER, _REFERENCES = re.compile(rb"\d{1,7}"), re.compile(rb"(?:[A-Za-z]{1,3}\d{1,7}(?:,|\Z))*")
_CLOSED_CELL = re.compile(rb"</(?:\w+:)?c\s*>")
_FILLED = re.compile(_TAG + rb"(?:(?:v|t)(?:\s[^>]*)?>[^<]|f\b)")
_ERROR = re.compile(
    _TAG + rb"c\b([^>]*\bt" + _IS + rb"e[\"'][^>]*)>(?:(?!</(?:\w+:)?c\s*>).)*?" + _TAG + rb"v>([^<]*)<", re.S
)
_FORMULA = re.compile(
    _TAG + rb"c\b([^>]*)>\s*" + _TAG + rb"f\b[^>]*?(?:/>|>[^<]*</(?:\w+:)?f\s*>)\s*"
    rb"(" + _TAG + rb"v\b[^>]*/>|" + _TAG + rb"v\b[^>]*>\s*</(?:\w+:)?v\s*>)?\s*</(?:\w+:)?c\s*>"
)  # fmt: skip
_ERROR_MARK = re.compile(rb"\bt" + _IS + rb"e[\"']")
_FORMULA_MARK = re.compile(_TAG + rb"f\b")
_EMPTY_TEXT = re.compile(rb"\bt" + _IS + rb"str[\"']")
_MERGED = re.compile(_TAG + rb"mergeCell\b[^>]*?\bref" + _IS + rb"([A-Z]{1,3}\d{1,7}):([A-Z]{1,3}\d{1,7})")
_OPEN_ATTRIBUTE = re.compile(rb"=\s*(?:\"[^\"<>]*>|'[^'<>]*>)")
_OWN_REFERENCE = re.compile(rb"\br" + _IS + rb"([A-Za-z]{1,3}\d{1,10})")


@dataclass
class Cells:
    """Places of cells: sheet rows from 1, columns from 0."""

    rows: list[int] = field(default_factory=list)
    columns: list[int] = field(default_factory=list)

    def add(self, row: int, column: int) -> None:
        self.rows.append(row)
        self.columns.append(column)


@dataclass
class SheetLook:
    """What the look at one sheet yields; `last_row` is its last filled row (0: none), `width` how far cells reach."""

    name: str
    percent_styles: frozenset[bytes] = frozenset()
    last_row: int = 0
    width: int = 0
    without_value: Cells = field(default_factory=Cells)
    errors: Cells = field(default_factory=Cells)
    not_available: Cells = field(default_factory=Cells)
    percents: Cells = field(default_factory=Cells)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    hidden_rows: int = 0
    hidden_columns: int = 0
    _row: int = 0

    def strange(self, what: str) -> Refusal:
        return Refusal(
            "file_unreadable",
            f"{self.name} is not as a spreadsheet writes it ({what}). "
            "Open it in one, save it as XLSX or CSV and send that.",
        )

    def follow(self, pieces: Iterable[bytes]) -> SheetLook:
        """Look at a sheet that comes in pieces.

        Raises:
            Refusal: It reaches further than is read, or is not as a spreadsheet writes it.
        """
        rest = b""
        for piece in pieces:
            rest += piece
            last = max(rest.rfind(b"<row"), rest.rfind(b":row"))
            start = rest.rfind(b"<", 0, last + 1) if last > 0 else 0
            if len(rest) - start > LONGEST_ROW:
                raise self.strange("a row without end")
            self._take(rest[:start])
            rest = rest[start:]
        self._take(rest)
        if self.last_row * self.width > MOST_CELLS or self.width > MOST_COLUMNS:
            raise Refusal(
                "file_too_large",
                f"{self.name} reaches over {self.last_row} rows and {self.width} columns, at most {MOST_CELLS} "
                "cells are read. Delete what lies far outside the table, or send it as CSV.",
            )
        return self

    def _take(self, xml: bytes) -> None:
        """A piece of whole rows, with what stands before the first or after the last."""
        if b"<!" in xml or _OPEN_ATTRIBUTE.search(xml):
            raise self.strange("unusual XML")
        rows = list(_ROW.finditer(xml))
        self.hidden_columns += len(_HIDDEN_COLUMN.findall(xml)) if b"hidden" in xml else 0
        self.merged += [(*_place(first), *_place(last)) for first, last in _MERGED.findall(xml)]
        if not rows:
            return
        numbers = self._numbers(rows)
        self._reach(xml, rows, numbers)
        self.hidden_rows += len(_HIDDEN_ROW.findall(xml)) if b"hidden" in xml else 0
        _Odd(self, xml, [row.start() for row in rows], numbers).find()

    def _numbers(self, rows: list[re.Match[bytes]]) -> list[int]:
        numbers = []
        for row in rows:
            stated = row.group(1)
            if stated is not None and not _ROW_NUMBER.fullmatch(stated):
                raise self.strange("a row without a number")
            self._row, before = int(stated or self._row + 1), self._row
            if not before < self._row <= MOST_ROWS:
                raise self.strange("rows out of order, or a row twice")
            numbers.append(self._row)
        return numbers

    def _reach(self, xml: bytes, rows: list[re.Match[bytes]], numbers: list[int]) -> None:
        references = _REFERENCE.findall(xml)
        if not _REFERENCES.fullmatch(b",".join(references)):
            raise self.strange("a cell without a place")
        places, columns = _places(references)
        if not np.isin(np.unique(places), numbers).all():
            raise self.strange("a cell outside its row")
        cells = len(_CLOSED_CELL.findall(xml))
        unnamed = _widest(xml, rows) if cells > len(columns) else 0
        self.width = max(self.width, int(columns.max(initial=-1)) + 1 + unnamed)
        last = _last_filled(xml, rows)
        if last is not None:
            self.last_row = numbers[last]


def _widest(xml: bytes, rows: list[re.Match[bytes]]) -> int:
    """The most cells of a row."""
    ends = [row.start() for row in rows[1:]] + [len(xml)]
    return max(len(_CLOSED_CELL.findall(xml, row.end(), end)) for row, end in zip(rows, ends, strict=True))


def _last_filled(xml: bytes, rows: list[re.Match[bytes]]) -> int | None:
    """Position of the last row with a filled cell."""
    if not _FILLED.search(xml, rows[0].end()):
        return None
    ends = [row.start() for row in rows[1:]] + [len(xml)]
    filled = (at for at in range(len(rows) - 1, -1, -1) if _FILLED.search(xml, rows[at].end(), ends[at]))
    return next(filled, None)


def _places(references: list[bytes]) -> tuple[np.ndarray, np.ndarray]:
    """Rows from 1 and columns from 0 of references such as `AB12`."""
    if not references:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    signs = np.array(references, dtype="S13").view(np.uint8).reshape(len(references), 13).astype(np.int64)
    rows, columns = np.zeros(len(signs), np.int64), np.zeros(len(signs), np.int64)
    for sign in signs.T:
        is_letter, is_digit = sign >= 65, (sign >= 48) & (sign <= 57)
        columns = np.where(is_letter, columns * 26 + (sign & 31), columns)
        rows = np.where(is_digit, rows * 10 + sign - 48, rows)
    return rows, columns - 1


def _place(reference: bytes) -> tuple[int, int]:
    rows, columns = _places([reference])
    return int(rows[0]), int(columns[0])


@dataclass(frozen=True)
class _Odd:
    """Cells in a piece of XML that do not hold the value they seem to."""

    look: SheetLook
    xml: bytes
    starts: list[int]
    numbers: list[int]

    def find(self) -> None:
        for cell in _ERROR.finditer(self.xml) if _ERROR_MARK.search(self.xml) else ():
            is_missing = cell.group(2).strip() == b"#N/A"
            (self.look.not_available if is_missing else self.look.errors).add(*self._where(cell))
        for cell in _FORMULA.finditer(self.xml) if _FORMULA_MARK.search(self.xml) else ():
            if not (cell.group(2) and _EMPTY_TEXT.search(cell.group(1))):
                self.look.without_value.add(*self._where(cell))
        if self.look.percent_styles:
            styles = b"|".join(sorted(self.look.percent_styles))
            styled = re.compile(_TAG + rb"c\b([^>]*\bs" + _IS + rb"(?:" + styles + rb")[\"'](?:[^>]*[^/])?)>")
            for cell in styled.finditer(self.xml):
                self.look.percents.add(*self._where(cell))

    def _where(self, cell: re.Match[bytes]) -> tuple[int, int]:
        named = _OWN_REFERENCE.search(cell.group(1))
        if named:
            return _place(named.group(1))
        at = bisect_right(self.starts, cell.start()) - 1
        before = len(_CLOSED_CELL.findall(self.xml, self.starts[at], cell.start()))
        return self.numbers[at], before
