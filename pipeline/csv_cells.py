r"""Cells of tables as they stand in CSV files, whole columns at a time: looked at as bytes, changed only where needed.

Commas between cells, `\n` after each line; quotes only where needed; empty for null; ISO days, yes and no. Numbers have
10 significant digits. A text cell that a spreadsheet would take for a formula (it begins with `= + - @` or a control
character) gets an apostrophe in front.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.store import SIGNIFICANT_DIGITS

#: Marks for which a cell is quoted.
MARKS = (b'"', b",", b"\r", b"\n")
#: bool by byte: a mark; a beginning of what a spreadsheet takes for a formula.
IS_MARK, IS_RISKY = np.zeros(256, bool), np.zeros(256, bool)
IS_MARK[[mark[0] for mark in MARKS]] = True
IS_RISKY[[*b"=+-@", *range(0x20), 0x7F]] = True
#: Sizes of numbers of at most 10 digits that `str` of Arrow writes as `%.10g` does; so it does zero.
PLAINLY = (1e-4, 1e10)


def cells_of(table: pa.Table) -> list[pa.Array]:
    """Every column as text without gaps, ready to stand between commas; numbers are rounded already."""
    alone = table.num_columns == 1
    columns = (
        pa.concat_arrays(each.chunks) if each.num_chunks else pa.array([], each.type)
        for each in table.columns
    )
    return [_cells(column, alone) for column in columns]


def cells_beside_others(column: pa.Array) -> pa.Array:
    """One of several columns in the same way."""
    return _cells(column, alone=False)


def lines_of(cells: Sequence[pa.Array]) -> memoryview:
    r"""Rows in UTF-8, each with `\n` behind it.

    Args:
        cells: Of each column, of one length and less than 2 GB together.
    """
    ended = pc.binary_join_element_wise(cells[-1], "", "\n")
    joined = pc.binary_join_element_wise(*cells[:-1], ended, ",") if len(cells) > 1 else ended
    return _bytes_of(joined)[0]


def header_of(names: Sequence[str]) -> bytes:
    """The first line."""
    return (",".join(names) + "\n").encode("utf-8")


def _bytes_of(texts: pa.Array) -> tuple[memoryview, np.ndarray]:
    """The texts one after the other in UTF-8, and where each begins and the last ends."""
    _, offsets, data = texts.buffers()
    if offsets is None or not len(texts):
        return memoryview(b""), np.zeros(1, np.int64)
    ends = np.frombuffer(offsets, np.int32)[texts.offset : texts.offset + len(texts) + 1].astype(np.int64)
    whole = memoryview(data) if data is not None else memoryview(b"")
    return whole[ends[0] : ends[-1]], ends - ends[0]


def _cells(column: pa.Array, alone: bool) -> pa.Array:
    kind = column.type
    if pa.types.is_string(kind):
        text = _quoted(_harmless(column))
    elif pa.types.is_boolean(kind):
        text = pc.if_else(column, "yes", "no")
    elif pa.types.is_floating(kind):
        text = _numbers(column)
    elif pa.types.is_timestamp(kind):
        text = pc.strftime(column.cast(pa.timestamp("s"), safe=False), format="%Y-%m-%dT%H:%M:%S")
    else:
        text = column.cast(pa.string())
    filled = pc.fill_null(text, "")
    return pc.if_else(pc.equal(filled, ""), '""', filled) if alone else filled


def _harmless(texts: pa.Array) -> pa.Array:
    """Without formulas."""
    content, ends = _bytes_of(texts)
    begins = ends[:-1][ends[1:] > ends[:-1]]
    if not IS_RISKY[np.frombuffer(content, np.uint8)[begins]].any():
        return texts
    risky = np.zeros(len(texts), bool)
    risky[ends[1:] > ends[:-1]] = IS_RISKY[np.frombuffer(content, np.uint8)[begins]]
    return pc.if_else(pa.array(risky), pc.binary_join_element_wise("'", texts, ""), texts)


def _quoted(texts: pa.Array) -> pa.Array:
    """Quotation marks where a cell holds a comma, a quotation mark or a line end."""
    content, ends = _bytes_of(texts)
    raw = bytes(content)
    if not any(mark in raw for mark in MARKS):
        return texts
    marks = np.flatnonzero(IS_MARK[np.frombuffer(raw, np.uint8)])
    needed = np.zeros(len(texts), bool)
    needed[np.searchsorted(ends, marks, side="right") - 1] = True
    own = texts.filter(pa.array(needed))
    marked = pc.binary_join_element_wise('"', pc.replace_substring(own, '"', '""'), '"', "")
    return pc.replace_with_mask(texts, pa.array(needed), marked)


def _numbers(numbers: pa.Array) -> pa.Array:
    """Short ones as Arrow writes them, very large and very small ones with an exponent."""
    size = np.abs(numbers.to_numpy(zero_copy_only=False))
    with np.errstate(invalid="ignore"):
        apart = ~((size >= PLAINLY[0]) & (size < PLAINLY[1])) & (size != 0) & ~np.isnan(size)
    text = numbers.cast(pa.string())
    if not apart.any():
        return text
    distinct = numbers.filter(pa.array(apart)).dictionary_encode()
    told = pa.array(
        [f"{cell:.{SIGNIFICANT_DIGITS}g}" for cell in distinct.dictionary.to_pylist()], pa.string()
    )
    return pc.replace_with_mask(text, pa.array(apart), told.take(distinct.indices))


# ---------------------------------------------------------------- ten digits

#: Powers of ten that floats hold exactly.
EXACT = 22
POWERS = 10.0 ** np.arange(EXACT + 1)
#: How near to the middle between two numbers of 10 digits a product may lie before its last digit is in doubt.
DOUBT = 1e-4


def rounded(values: np.ndarray) -> np.ndarray:
    """Float64 to 10 significant digits, each the float that its decimal is read as; minus zero is zero.

    A number of 10 digits is a whole number below 2⁵³ times or by an exact power of ten, so that one multiplication or
    division gives the very float that the decimal has. Where that cannot be said, the decimal is written and read.
    """
    size = np.abs(values)
    with np.errstate(divide="ignore", invalid="ignore"):
        places = SIGNIFICANT_DIGITS - 1 - np.floor(np.log10(size))
        usual = np.abs(places) <= EXACT
    places = np.where(usual, places, 0).astype(np.int64)
    up, down = POWERS[np.maximum(places, 0)], POWERS[np.maximum(-places, 0)]
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = size * up / down
        digits = np.rint(scaled)
        low, high = 10.0 ** (SIGNIFICANT_DIGITS - 1), 10.0**SIGNIFICANT_DIGITS
        sure = (
            usual
            & (np.abs(np.abs(scaled - digits) - 0.5) > DOUBT)
            & (digits >= low)
            & (digits <= high)
            & (scaled >= low)
        )
        found = np.copysign(digits * down / up, values)
    rest = ~sure & np.isfinite(values) & (values != 0)
    distinct, place = np.unique(values[rest], return_inverse=True)
    written = np.array([float(f"{value:.{SIGNIFICANT_DIGITS}g}") for value in distinct], "float64")
    found = np.where(sure, found, values)
    found[rest] = written[place] if len(written) else values[rest]
    result: np.ndarray = found + 0.0
    return result
