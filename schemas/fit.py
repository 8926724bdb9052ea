"""Whether typed frames fit their tables, column by column in Arrow.

What a cell must hold is said here once; the pandera models (`schemas.models`) are made of the same rules and
are asked about the rows that break one. Most rows break none, and then the library is not even loaded.

Frames are typed before they come here: pandas frames of Arrow types, as
`arrow_table.to_pandas(types_mapper=pandas.ArrowDtype)` or `typed` makes them. Whole numbers with gaps stay
whole, a gap is always null, and no cell is ever coerced. A wrong type concerns a whole column and is the
program's mistake, not the hospital's; it stops with `UnfitFrame`, as does a frame with other columns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from threading import Lock
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow
import pyarrow.compute as pc

from schemas.columns import ARROW_TYPES, Column, Kind, Table
from schemas.order import order_of, ranks, rising
from schemas.published import PUBLISHED

#: Models are asked by one thread at a time: the library promises nothing else.
_ASKED = Lock()
MISSING = "value_missing"
OUT_OF_RANGE = "value_out_of_range"
UNKNOWN_WORD = "value_unknown_word"
UNPARSABLE = "value_unparsable"
REPEATED = "key_repeated"

WORD_SEPARATOR = ";"

_ARROW: dict[str, pyarrow.DataType] = {
    "string": pyarrow.string(),
    "date32[day]": pyarrow.date32(),
    "timestamp[us]": pyarrow.timestamp("us"),
    "int64": pyarrow.int64(),
    "double": pyarrow.float64(),
    "bool": pyarrow.bool_(),
}
_TEXT_KINDS: frozenset[Kind] = frozenset({"id", "text", "code", "word", "words", "note"})


class UnfitFrame(ValueError):
    """The frame cannot be checked row by row: other columns or types than its table has."""


def arrow_type(column: Column) -> pyarrow.DataType:
    """Arrow type of a column after parsing."""
    return _ARROW[ARROW_TYPES[column.kind]]


def arrow_schema(table: Table) -> pyarrow.Schema:
    """Arrow schema of a table, columns in the order they are written, without pandas metadata."""
    return pyarrow.schema([pyarrow.field(column.name, arrow_type(column)) for column in table.columns])


def typed(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    """The frame in the Arrow types of its table, rows numbered from 0; nothing is rounded or cut.

    Args:
        table: What the frame should be.
        frame: Exactly the table's columns, in any order and of any type that fits without loss.

    Raises:
        UnfitFrame: A column is missing or too much, or holds what its type cannot.
    """
    made = typed_arrow(table, frame)
    columns = {name: pd.Series(pd.arrays.ArrowExtensionArray(made[name])) for name in table.names}
    return pd.DataFrame(columns, index=pd.RangeIndex(len(frame)))


def typed_arrow(table: Table, frame: pd.DataFrame) -> pyarrow.Table:
    """The same in Arrow."""
    _same_columns(table, frame)
    columns = [_arrow_column(table, column, frame[column.name]) for column in table.columns]
    return pyarrow.table(columns, schema=arrow_schema(table))


def _arrow_column(table: Table, column: Column, cells: pd.Series) -> pyarrow.Array | pyarrow.ChunkedArray:
    try:
        array = pyarrow.Array.from_pandas(cells)
        if _is_text(array.type) != _is_text(arrow_type(column)) and array.null_count < len(array):
            raise pyarrow.ArrowTypeError("text and other values are not turned into each other")
        if not array.type.equals(arrow_type(column)):
            array = array.cast(arrow_type(column))
    except (pyarrow.ArrowInvalid, pyarrow.ArrowTypeError, pyarrow.ArrowNotImplementedError):
        wanted = f"{arrow_type(column)} without loss"
        message = f"`{table.name}.{column.name}` holds {cells.dtype}, which is not {wanted}."
        raise UnfitFrame(message) from None
    return array


def _is_text(kind: pyarrow.DataType) -> bool:
    return bool(pyarrow.types.is_string(kind) or pyarrow.types.is_large_string(kind))


def _same_columns(table: Table, frame: pd.DataFrame) -> None:
    missing = [name for name in table.names if name not in frame.columns]
    extra = [str(name) for name in frame.columns if name not in table.names]
    if missing or extra or not frame.columns.is_unique:
        raise UnfitFrame(
            f"`{table.name}` should have its own columns once; missing {missing}, too much {extra}."
        )


class CellRule(NamedTuple):
    """A rule of one column: its code, and which cells keep it. Nulls may give null; whether they may be is said apart."""

    code: str
    holds: Callable[[pyarrow.ChunkedArray], pyarrow.ChunkedArray]


def is_published(table: Table) -> bool:
    """Whether the program writes the table itself: then its columns, their order and its key are fixed."""
    return bool(PUBLISHED.get(table.name) == table)


def may_be_null(column: Column, published: bool) -> bool:
    """Whether the column may have gaps."""
    return column.nullable if published else not column.required


def cell_rules(column: Column, published: bool) -> Iterator[CellRule]:
    """What each cell of a column has to keep."""
    if column.kind == "number":
        yield CellRule(UNPARSABLE, _is_number)
    if column.low is not None or column.high is not None:
        yield CellRule(OUT_OF_RANGE, _within(column.low, column.high))
    if column.vocabulary:
        yield CellRule(UNKNOWN_WORD, _of_words(column))
    if column.required and column.kind in _TEXT_KINDS and not published:
        yield CellRule(MISSING, _not_blank)


def _is_number(cells: pyarrow.ChunkedArray) -> pyarrow.ChunkedArray:
    return pc.is_finite(cells) if pyarrow.types.is_floating(cells.type) else pc.is_valid(cells)


def _not_blank(cells: pyarrow.ChunkedArray) -> pyarrow.ChunkedArray:
    return pc.not_equal(pc.utf8_length(pc.utf8_trim_whitespace(cells)), 0)


def _within(low: float | None, high: float | None) -> Callable[[pyarrow.ChunkedArray], pyarrow.ChunkedArray]:
    """Both ends belong to the range; what is no finite number is left to its own check."""

    def holds(cells: pyarrow.ChunkedArray) -> pyarrow.ChunkedArray:
        too_low = pc.less(cells, low) if low is not None else pc.less(cells, cells)
        too_high = pc.greater(cells, high) if high is not None else pc.less(cells, cells)
        return pc.invert(pc.and_(pc.or_(too_low, too_high), _is_number(cells)))

    return holds


def _of_words(column: Column) -> Callable[[pyarrow.ChunkedArray], pyarrow.ChunkedArray]:
    words = pyarrow.array(column.vocabulary, pyarrow.string())

    def one_word(cells: pyarrow.ChunkedArray) -> pyarrow.ChunkedArray:
        return pc.or_kleene(pc.is_in(cells, words), pc.is_null(cells))

    def every_word(cells: pyarrow.ChunkedArray) -> pyarrow.ChunkedArray:
        distinct = pc.unique(cells).drop_null()
        unknown = [
            text
            for text in distinct.to_pylist()
            if not set(text.split(WORD_SEPARATOR)) <= set(column.vocabulary)
        ]
        return pc.invert(pc.is_in(cells, pyarrow.array(unknown, pyarrow.string())))

    return every_word if column.kind == "words" else one_word


def chunks_of(cells: pd.Series) -> pyarrow.ChunkedArray:
    array = pyarrow.array(cells)
    return array if isinstance(array, pyarrow.ChunkedArray) else pyarrow.chunked_array([array])


def failures(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    """What is wrong with a typed frame, without any cell's value: `row, column, rule`, as `model_failures` says it.

    Raises:
        UnfitFrame: Columns or types are not those of the table, so that no row can be named.
    """
    rows = faulty_rows(table, frame)
    if rows is not None and not rows.any():
        return no_failures()
    with _ASKED:
        from schemas.models import model_failures

        if rows is None or is_published(table):
            return model_failures(table, frame)
        places = np.flatnonzero(rows)
        found = model_failures(table, frame.iloc[places])
        return found.assign(row=places[found["row"].to_numpy()])


def is_sound(table: Table, made: pyarrow.Table) -> bool:
    """Whether every cell of a typed table keeps its rules, and no key of a published one is there twice."""
    published = is_published(table)
    for column in table.columns:
        cells = made[column.name]
        if cells.null_count and not may_be_null(column, published):
            return False
        kept = (
            pc.all(pc.fill_null(rule.holds(cells), True), min_count=0)
            for rule in cell_rules(column, published)
        )
        if not all(answer.as_py() for answer in kept):
            return False
    keys = [made[name] for name in table.key]
    return not published or rising(keys) or not order_of(keys)[1]


def faulty_rows(table: Table, frame: pd.DataFrame) -> np.ndarray | None:
    """bool: the row breaks a rule of the table; None where the frame's columns or types are not the table's."""
    published = is_published(table)
    if not _fits(table, frame, published):
        return None
    faulty = np.zeros(len(frame), dtype=bool)
    for column in table.columns:
        if column.name in frame.columns:
            cells = chunks_of(frame[column.name])
            if cells.null_count and not may_be_null(column, published):
                faulty |= cells.is_null().to_numpy()
            for rule in cell_rules(column, published):
                faulty |= ~pc.fill_null(rule.holds(cells), True).to_numpy()
    if published and len(frame) > 1:
        faulty |= _repeated([chunks_of(frame[name]) for name in table.key])
    return faulty


def _repeated(columns: Sequence[pyarrow.ChunkedArray]) -> np.ndarray:
    """bool: another row has the same cells; gaps are the same."""
    if rising(columns):
        return np.zeros(len(columns[0]), bool)
    numbers = ranks(columns)
    order = np.argsort(numbers, kind="stable")
    same = np.diff(numbers[order]) == 0
    repeated = np.zeros(len(numbers), bool)
    repeated[order] = np.r_[False, same] | np.r_[same, False]
    return repeated


def _fits(table: Table, frame: pd.DataFrame, published: bool) -> bool:
    if published and list(frame.columns) != list(table.names):
        return False
    if not frame.columns.is_unique or not set(table.required) <= set(frame.columns):
        return False
    own = [column for column in table.columns if column.name in frame.columns]
    return all(frame[column.name].dtype == pd.ArrowDtype(arrow_type(column)) for column in own)


def no_failures() -> pd.DataFrame:
    """The frame of failures without any."""
    kinds = {"row": "int64", "column": "str", "rule": "str"}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})
