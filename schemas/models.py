"""Pandera models of the tables, and their failures as tidy rows.

Frames are typed before they come here: pandas frames of Arrow types, as
`arrow_table.to_pandas(types_mapper=pandas.ArrowDtype)` or `typed` makes them. Whole numbers with gaps stay
whole, a gap is always null, and no cell is ever coerced. A wrong type concerns a whole column and is the
program's mistake, not the hospital's; it stops with `UnfitFrame`, as does a frame with other columns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache

import pandas as pd
import pandera.pandas as pa
import pyarrow
import pyarrow.compute as pc
from pandera.errors import SchemaError, SchemaErrorReason, SchemaErrors

from schemas.columns import ARROW_TYPES, Column, Kind, Table
from schemas.exports import EXPORTS
from schemas.people import PEOPLE
from schemas.published import PUBLISHED

MISSING = "value_missing"
OUT_OF_RANGE = "value_out_of_range"
UNKNOWN_WORD = "value_unknown_word"
UNPARSABLE = "value_unparsable"
REPEATED = "key_repeated"

FAILURE_COLUMNS = ("row", "column", "rule")
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
    _same_columns(table, frame)
    columns = {column.name: _arrow_column(table, column, frame[column.name]) for column in table.columns}
    return pd.DataFrame(columns, index=pd.RangeIndex(len(frame)))


def _arrow_column(table: Table, column: Column, cells: pd.Series) -> pd.Series:
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
    return pd.Series(pd.arrays.ArrowExtensionArray(array))


def _is_text(kind: pyarrow.DataType) -> bool:
    return bool(pyarrow.types.is_string(kind) or pyarrow.types.is_large_string(kind))


def _same_columns(table: Table, frame: pd.DataFrame) -> None:
    missing = [name for name in table.names if name not in frame.columns]
    extra = [str(name) for name in frame.columns if name not in table.names]
    if missing or extra or not frame.columns.is_unique:
        raise UnfitFrame(
            f"`{table.name}` should have its own columns once; missing {missing}, too much {extra}."
        )


@cache
def model(table: Table) -> pa.DataFrameSchema:
    """Pandera model of a table, for frames of Arrow types.

    A published table has exactly its columns in order, and its key occurs once. A table that comes in may
    lack optional columns and may carry others beside its own, such as `site` and `source_line`; its ids
    are compared across versions elsewhere.
    """
    published = PUBLISHED.get(table.name) == table
    return pa.DataFrameSchema(
        {column.name: _model_column(column, published) for column in table.columns},
        name=table.name,
        description=table.description,
        strict=published,
        ordered=published,
        unique=list(table.key) if published else None,
        coerce=False,
    )


@cache
def models() -> dict[str, pa.DataFrameSchema]:
    """Every model by the name of its table."""
    return {name: model(table) for name, table in (EXPORTS | PEOPLE | PUBLISHED).items()}


def _model_column(column: Column, published: bool) -> pa.Column:
    return pa.Column(
        pd.ArrowDtype(arrow_type(column)),
        checks=list(_checks(column, published)),
        nullable=column.nullable if published else not column.required,
        required=published or column.required,
        description=column.description,
        metadata={"unit": column.unit, "source": column.source, "display": column.display},
    )


def _checks(column: Column, published: bool) -> Iterator[pa.Check]:
    if column.kind == "number":
        yield _check(_is_number, UNPARSABLE)
    if column.low is not None or column.high is not None:
        yield _check(_within(column.low, column.high), OUT_OF_RANGE)
    if column.vocabulary:
        yield _check(_of_words(column), UNKNOWN_WORD)
    if column.required and column.kind in _TEXT_KINDS and not published:
        yield _check(_not_blank, MISSING)


def _check(holds: Callable[[pyarrow.ChunkedArray], pyarrow.ChunkedArray], rule: str) -> pa.Check:
    """A check over a whole Arrow column; nulls pass, because nullability is checked apart."""

    def passes(cells: pd.Series) -> pd.Series:
        answer = pc.fill_null(holds(_chunks(cells)), True)
        return pd.Series(answer.to_numpy(), index=cells.index, dtype=bool)

    return pa.Check(passes, name=rule, error=rule, ignore_na=False)


def _chunks(cells: pd.Series) -> pyarrow.ChunkedArray:
    array = pyarrow.array(cells)
    return array if isinstance(array, pyarrow.ChunkedArray) else pyarrow.chunked_array([array])


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


def model_failures(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    """What is wrong with a typed frame, without any cell's value.

    Args:
        table: What the frame should be.
        frame: Typed rows; the index is ignored and the frame left alone.

    Returns:
        One row a fault, sorted: `row` (int64, position in the frame), `column`, `rule`. A repeated key is
        one fault of each row that carries it, with the key's columns joined by `, `.

    Raises:
        UnfitFrame: Columns or types are not those of the table, so that no row can be named.
    """
    errors = _errors(table, frame.reset_index(drop=True))
    for reason, explain in _WHOLE_FRAME.items():
        for error in errors:
            if error.reason_code == reason:
                raise UnfitFrame(explain(table, frame, error))
    return _tidy([_faults(table, error) for error in errors])


def _errors(table: Table, frame: pd.DataFrame) -> list[SchemaError]:
    """Everything the model finds. They hold cell values: nothing but rows, columns and rules may leave here."""
    try:
        model(table).validate(frame, lazy=True, inplace=True)
    except SchemaErrors as failed:
        return list(failed.schema_errors)
    except SchemaError as failed:
        return [failed]
    return []


def _faults(table: Table, error: SchemaError) -> pd.DataFrame:
    """The rows of one failed check."""
    cases = error.failure_cases
    if not isinstance(cases, pd.DataFrame) or "index" not in cases or cases["index"].isna().any():
        code = error.reason_code.name if error.reason_code is not None else "no reason given"
        message = f"`{table.name}` cannot be checked row by row ({code}); this is a fault of the program."
        raise UnfitFrame(message)
    column, rule = _column_and_rule(table, error)
    return pd.DataFrame({"row": cases["index"].to_numpy("int64"), "column": column, "rule": rule})


def _column_and_rule(table: Table, error: SchemaError) -> tuple[str, str]:
    if error.reason_code == SchemaErrorReason.DUPLICATES:
        return ", ".join(table.key), REPEATED
    if error.reason_code == SchemaErrorReason.SERIES_CONTAINS_NULLS:
        return str(error.schema.name), MISSING
    return str(error.schema.name), str(error.check.error)


def _column_absent(table: Table, frame: pd.DataFrame, error: SchemaError) -> str:
    return f"`{table.name}` has no column `{error.failure_cases}`; give it, all null if nothing is known."


def _column_unknown(table: Table, frame: pd.DataFrame, error: SchemaError) -> str:
    return f"`{table.name}` has a column that the table does not know: `{error.failure_cases}`; leave it out."


def _columns_in_disorder(table: Table, frame: pd.DataFrame, error: SchemaError) -> str:
    return f"`{table.name}` has its columns in another order than {', '.join(table.names)}."


def _column_mistyped(table: Table, frame: pd.DataFrame, error: SchemaError) -> str:
    name = str(error.schema.name)
    expected = f"{arrow_type(table[name])}[pyarrow]"
    return f"`{table.name}.{name}` is of type {frame[name].dtype}, not {expected}; parse it before it is checked."


#: What no row can be blamed for, in the order in which it is told: names of columns and types only.
_WHOLE_FRAME: dict[SchemaErrorReason, Callable[[Table, pd.DataFrame, SchemaError], str]] = {
    SchemaErrorReason.COLUMN_NOT_IN_DATAFRAME: _column_absent,
    SchemaErrorReason.COLUMN_NOT_IN_SCHEMA: _column_unknown,
    SchemaErrorReason.COLUMN_NOT_ORDERED: _columns_in_disorder,
    SchemaErrorReason.WRONG_DATATYPE: _column_mistyped,
}


def _tidy(parts: list[pd.DataFrame]) -> pd.DataFrame:
    if not parts:
        empty = {
            "row": pd.Series(dtype="int64"),
            "column": pd.Series(dtype="str"),
            "rule": pd.Series(dtype="str"),
        }
        return pd.DataFrame(empty)
    joined = pd.concat(parts, ignore_index=True).drop_duplicates()
    return joined.sort_values(list(FAILURE_COLUMNS), kind="stable", ignore_index=True)
