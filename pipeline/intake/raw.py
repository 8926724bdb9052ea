"""One record re-read from the export it came from, as it was sent."""

from __future__ import annotations

import io
from itertools import islice
from pathlib import Path

from pipeline.intake.encoding import decoded
from pipeline.intake.parquet import stored_parquet
from pipeline.intake.read import LARGEST_UNPACKED_BYTES, opened
from pipeline.intake.sheet_reading import cell_text, sheet_rows
from pipeline.intake.workbook import open_workbook

CELL_MARK = " | "


def raw_record(path: Path, sheet: str, line: int, encoding: str) -> str:
    """The record that begins at a physical line, sheet row or Parquet row.

    Args:
        path: The file received.
        sheet: Of a workbook, else empty.
        line: From 1, the header included (Parquet: without).
        encoding: Declared by the site's mapping, or empty.

    Raises:
        Refusal: The file cannot be read any more.
    """
    file = opened(path.read_bytes(), path.name)
    if file.kind == "xlsx":
        workbook = open_workbook(file.content, path.name, LARGEST_UNPACKED_BYTES)
        row = next(islice(sheet_rows(workbook, sheet), line - 1, None))
        return CELL_MARK.join(cell_text(cell) for cell in row)
    if file.kind == "parquet":
        stored, _ = stored_parquet(file.content, path.name)
        row = stored.read().slice(line - 1, 1).to_pylist()[0]
        return CELL_MARK.join("" if cell is None else str(cell) for cell in row.values())
    return _record_at(decoded(file.content, encoding, path.name).content.decode(), line)


def _record_at(text: str, line: int) -> str:
    """Physical lines from `line` on until every quotation mark is closed."""
    lines = io.StringIO(text, newline=None).read().split("\n")
    record = lines[line - 1]
    for following in lines[line:]:
        if record.count('"') % 2 == 0:
            break
        record += "\n" + following
    return record
