"""What reading a file or sheet yields, whatever its format: headers and cells, all text."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.intake.records import Record


@dataclass(frozen=True)
class LoggedStep:
    """A repair of the whole file or of a row of it, without cell values."""

    rule: str
    before: str
    after: str
    line: int | None = None


@dataclass(frozen=True)
class Unread:
    """Cells whose value cannot be known: `rule` says why; lines and positions of columns, one entry a cell."""

    rule: str
    lines: np.ndarray
    columns: np.ndarray


@dataclass(frozen=True)
class Cut:
    """A file or sheet cut into cells.

    Attributes:
        headers: As sent.
        cells: Text columns named "0", "1", …, one a header; null where empty. Rows of the right width only.
        lines: Physical line (sheet row, Parquet row) of each row of `cells`.
        ragged: Rows with more or fewer cells than the header.
        rows_read: Records counted in the bytes before parsing, without the header.
        non_data: Records already known to hold no data: lines above the header, blank lines.
        steps: What was repaired on the way.
        unread: Cells that seem empty and are not.
        remarks: Rule and message of what a person should know of the whole file.
    """

    headers: tuple[str, ...]
    cells: pa.Table
    lines: np.ndarray
    rows_read: int
    ragged: tuple[Record, ...] = ()
    non_data: int = 0
    steps: tuple[LoggedStep, ...] = ()
    unread: tuple[Unread, ...] = ()
    remarks: tuple[tuple[str, str], ...] = ()


def text_table(columns: list[pa.Array | pa.ChunkedArray]) -> pa.Table:
    """Text columns under their positions as names."""
    names = [str(at) for at in range(len(columns))]
    return pa.table(columns, schema=pa.schema([(name, pa.string()) for name in names]))


def cells_of(records: list[tuple[str, ...]], width: int) -> pa.Table:
    """Rows of text as a table of `width` columns; shorter rows are filled with nulls, longer ones cut."""
    padded = [(*cells[:width], *[""] * (width - len(cells))) for cells in records]
    columns = zip(*padded, strict=True) if padded else ((),) * width
    return text_table([pa.array([cell or None for cell in column], pa.string()) for column in columns])
