"""How the project describes a table: the words every other description is written in.

A `Table` is data. From it come the pandera model (`schemas.models`), the data dictionary, the notes in the
workbook, the ranges of the sample generator and the parser that turns text into typed columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

Kind = Literal["id", "text", "code", "word", "words", "note", "date", "moment", "integer", "number", "yes_no"]
Display = Literal["plain", "day", "count", "share", "interval", "decimal", "days", "hash"]

#: What each kind is in Arrow after parsing. Missing is always null.
ARROW_TYPES: dict[Kind, str] = {
    "id": "string",
    "text": "string",
    "code": "string",
    "word": "string",
    "words": "string",
    "note": "string",
    "date": "date32[day]",
    "moment": "timestamp[us]",
    "integer": "int64",
    "number": "double",
    "yes_no": "bool",
}


@dataclass(frozen=True)
class Column:
    """One column: what it means and what it may hold.

    Attributes:
        name: The contract's name, used in files, tables and messages.
        kind: How text becomes a value; `words` is a `;`-list, `note` is free text.
        description: One sentence for a reader who has never seen the table.
        required: An incoming row without it is held back.
        vocabulary: The words allowed for `word` and `words`; empty means any.
        low, high: Inclusive limits of a number.
        unit: Unit of the value, empty where it has none.
        source: Where the meaning comes from (a standard, a paper, "common practice, no source", our decision).
        display: How it is printed.
        nullable: A published column that may be empty. Incoming optional columns always may.
    """

    name: str
    kind: Kind
    description: str
    required: bool = False
    vocabulary: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    unit: str = ""
    source: str = ""
    display: Display = "plain"
    nullable: bool = True


@dataclass(frozen=True)
class Table:
    """A named set of columns, with the columns that identify a row.

    Attributes:
        name: File name without ending.
        description: What one row is.
        columns: In the order they are written.
        key: The columns that together occur once.
        filled: False for a table whose shape is agreed but which this version does not write.
    """

    name: str
    description: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    filled: bool = True

    def __getitem__(self, name: str) -> Column:
        return self.columns[self.names.index(name)]

    @cached_property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    @cached_property
    def required(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns if column.required)
