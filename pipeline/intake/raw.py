"""Records re-read from the export they came from, as they were sent."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

from pipeline.intake.encoding import decoded
from pipeline.intake.parquet import stored_parquet
from pipeline.intake.read import LARGEST_UNPACKED_BYTES, opened
from pipeline.intake.sheet_reading import cell_text, sheet_rows
from pipeline.intake.workbook import open_workbook

CELL_MARK = " | "


@dataclass(frozen=True)
class RawFile:
    """What one file or sheet holds: physical lines of text, or rows of a sheet or Parquet file as text."""

    lines: list[str]
    is_text: bool

    def record(self, line: int) -> str:
        """The record that begins at a physical line or row, from 1, the header included (Parquet: without).

        Raises:
            IndexError: There is no such line.
        """
        if line < 1:
            raise IndexError(line)
        record = self.lines[line - 1]
        for following in self.lines[line:] if self.is_text else ():
            if record.count('"') % 2 == 0:
                break
            record += "\n" + following
        return record


def raw_file(path: Path, sheet: str, encoding: str) -> RawFile:
    """A file as it was received.

    Args:
        path: The file received.
        sheet: Of a workbook, else empty.
        encoding: Declared by the site's mapping, or empty.

    Raises:
        Refusal: The file cannot be read any more.
    """
    file = opened(path.read_bytes(), path.name)
    if file.kind == "xlsx":
        workbook = open_workbook(file.content, path.name, LARGEST_UNPACKED_BYTES)
        rows = (map(cell_text, row) for row in sheet_rows(workbook, sheet))
        return RawFile([CELL_MARK.join(row) for row in rows], is_text=False)
    if file.kind == "parquet":
        stored, _ = stored_parquet(file.content, path.name)
        cells = (row.values() for row in stored.read().to_pylist())
        return RawFile(
            [CELL_MARK.join("" if cell is None else str(cell) for cell in row) for row in cells], False
        )
    text = decoded(file.content, encoding, path.name).content.decode()
    return RawFile(io.StringIO(text, newline=None).read().split("\n"), is_text=True)
