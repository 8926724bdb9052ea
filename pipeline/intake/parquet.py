"""Parquet to cells: typed columns become the text they would be in a CSV file."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.intake.cut import Cut, text_table
from pipeline.intake.header import Wanted, header_position
from pipeline.intake.records import Record
from pipeline.intake.refusal import Refusal, rows_counted

#: Beyond it a float no longer holds every whole number.
LARGEST_WHOLE = 2.0**53


def read_parquet(raw: bytes, wanted: Wanted) -> Cut:
    """The cells of a Parquet file; rows count from 1.

    Raises:
        Refusal: Not Parquet, encrypted, nested columns, or a needed column is missing.
    """
    stored, rows_read = stored_parquet(raw, wanted.name)
    with rows_counted(rows_read):
        headers = _headers(stored, wanted.name)
        header_position([Record.of(1, headers)], wanted)
        try:
            table = stored.read()
        except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
            raise _unreadable(wanted.name, "is damaged") from error
        cells = [_as_text(table.column(at), headers[at], wanted.name) for at in range(len(headers))]
    return Cut(headers, text_table(cells), np.arange(1, table.num_rows + 1), rows_read)


def _headers(stored: pq.ParquetFile, name: str) -> tuple[str, ...]:
    try:
        return tuple(stored.schema_arrow.names)
    except (pa.ArrowException, UnicodeDecodeError) as error:
        raise _unreadable(name, "is damaged") from error


def stored_parquet(raw: bytes, name: str) -> tuple[pq.ParquetFile, int]:
    """The opened file and the number of rows its metadata state."""
    try:
        stored = pq.ParquetFile(pa.BufferReader(raw))
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise _unreadable(name, "is not Parquet, or locked") from error
    return stored, int(stored.metadata.num_rows)


def _unreadable(name: str, what: str) -> Refusal:
    return Refusal("file_unreadable", f"{name} {what}. Send it again as CSV, XLSX or Parquet.")


def _as_text(column: pa.ChunkedArray, header: str, name: str) -> pa.ChunkedArray:
    kind = column.type
    if pa.types.is_dictionary(kind):
        return _as_text(column.cast(kind.value_type), header, name)
    try:
        return _null_where_empty(_texts(column, kind))
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
        raise _unreadable(name, f"holds `{header}` as {kind}, which is no text, number or date") from error


def _texts(column: pa.ChunkedArray, kind: pa.DataType) -> pa.ChunkedArray:
    if pa.types.is_boolean(kind):
        return pc.if_else(column, "TRUE", "FALSE")
    if pa.types.is_floating(kind):
        return _numbers(column.cast(pa.float64()))
    if pa.types.is_timestamp(kind) or pa.types.is_date64(kind):
        return _moments(column)
    if pa.types.is_decimal(kind):
        return pc.replace_substring_regex(column.cast(pa.string()), r"\.0+$|(\.\d*[1-9])0+$", r"\1")
    if pa.types.is_list(kind) or pa.types.is_large_list(kind):
        return pc.binary_join(column.cast(pa.list_(pa.string())), ";")
    return column.cast(pa.string())


def _numbers(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Whole numbers without a point, others in their shortest form; not-a-number is empty."""
    finite = pc.if_else(pc.is_nan(column), pa.scalar(None, pa.float64()), column)
    is_whole = pc.and_(pc.equal(pc.floor(finite), finite), pc.less(pc.abs(finite), LARGEST_WHOLE))
    whole = pc.if_else(is_whole, finite, 0.0).cast(pa.int64(), safe=False).cast(pa.string())
    return pc.if_else(is_whole, whole, finite.cast(pa.string()))


def _moments(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """ISO dates where the time is midnight without a zone, else ISO date and time."""
    zone = getattr(column.type, "tz", None)
    micro = column.cast(pa.timestamp("us", tz=zone), safe=False)
    form = "%Y-%m-%dT%H:%M:%S" + ("%z" if zone else "")
    full = pc.replace_substring_regex(pc.strftime(micro, format=form), r"\.0{6}", "")
    if zone:
        return full
    days = micro.cast(pa.date32(), safe=False)
    is_midnight = pc.equal(days.cast(pa.timestamp("us")), micro)
    return pc.if_else(is_midnight, days.cast(pa.string()), full)


def _null_where_empty(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    return pc.if_else(pc.equal(cells, ""), pa.scalar(None, pa.string()), cells)
