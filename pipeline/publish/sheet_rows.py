"""Rows of a worksheet as text of the file format, a column at a time.

Writing cell by cell takes seconds for the tables of one edition; whole columns are put together here in Arrow.
Numbers stand as they do in CSV, with ten significant digits; text is text, whatever it begins with.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from html import escape
from typing import TYPE_CHECKING

from pipeline import store

if TYPE_CHECKING:
    import pyarrow as pa

MOST_SIGNS = 32_767  # the file format holds no longer text in a cell
DAYS_TO_1970 = 25_569  # a spreadsheet counts days from 30 December 1899
SECONDS_A_DAY = 86_400
#: What XML cannot hold, and what would be read as a sign written by its number.
_UNTOLD = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")


def rows_as_xml(table: pa.Table, styles: Sequence[int]) -> str:
    """`<row>` after `<row>`, the first one in line 2.

    Args:
        table: Plain: text, numbers, days, moments, yes and no, null for nothing.
        styles: Number of the style of each column's cells.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    lines = pa.array([str(number) for number in range(2, len(table) + 2)], pa.string())
    columns = [
        _cells(column, column_letters(place), style, lines)
        for place, (column, style) in enumerate(zip(table.columns, styles, strict=True))
    ]
    opened = pc.binary_join_element_wise('<row r="', lines, '">', "")
    return "".join(pc.binary_join_element_wise(opened, *columns, "</row>", "").to_pylist())


def column_letters(place: int) -> str:
    """`A` for 0, `AA` for 26."""
    first, last = divmod(place, 26)
    return (column_letters(first - 1) if first else "") + chr(ord("A") + last)


def text_as_xml(text: str) -> str:
    """Escaped; signs that XML cannot hold are written by their number, as the file format asks for."""
    whole = _UNTOLD.sub(lambda sign: f"_x{ord(sign[0]):04X}_", text[:MOST_SIGNS])
    return escape(whole, quote=False)


def _cells(column: pa.ChunkedArray, letters: str, style: int, lines: pa.Array) -> pa.Array:
    """One column's `<c>` elements, each distinct value put in words once; nothing where the cell is empty."""
    import pyarrow as pa
    import pyarrow.compute as pc

    values, written, kind = _as_written(column)
    encoded = pc.dictionary_encode(values.combine_chunks())
    encoded = encoded.combine_chunks() if isinstance(encoded, pa.ChunkedArray) else encoded
    bodies = [f'" s="{style}"{kind(written(value))}</c>' for value in encoded.dictionary.to_pylist()]
    told = pa.array(bodies, pa.string()).take(encoded.indices)
    return pc.fill_null(pc.binary_join_element_wise(f'<c r="{letters}', lines, told, ""), "")


def _as_written(
    column: pa.ChunkedArray,
) -> tuple[pa.ChunkedArray, Callable[[object], str], Callable[[str], str]]:
    """The column's values, how one is put in words, and the element it stands in."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if pa.types.is_string(column.type):
        return column, lambda value: text_as_xml(str(value)), _text
    if pa.types.is_boolean(column.type):
        return column, lambda value: "yes" if value else "no", _text
    if pa.types.is_date(column.type):
        return pc.add(column.cast(pa.int32()), DAYS_TO_1970), str, _number
    if pa.types.is_timestamp(column.type):
        seconds = column.cast(pa.timestamp("s"), safe=False).cast(pa.int64()).cast(pa.float64())
        return pc.add(pc.divide(seconds, SECONDS_A_DAY), DAYS_TO_1970), repr, _number
    return column, lambda value: f"{value:.{store.SIGNIFICANT_DIGITS}g}", _number


def _text(written: str) -> str:
    kept = "" if written == " ".join(written.split()) else ' xml:space="preserve"'  # else blanks may be lost
    return f' t="inlineStr"><is><t{kept}>{written}</t></is>'


def _number(written: str) -> str:
    return f"><v>{written}</v>"
