"""Pandera models of the tables, and their failures as tidy rows.

Their rules are those of `schemas.fit`, which also says what a typed frame is.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pandas as pd
import pandera.pandas as pa
import pyarrow.compute as pc
from pandera.errors import SchemaError, SchemaErrorReason, SchemaErrors

from schemas.columns import Column, Table
from schemas.exports import EXPORTS
from schemas.fit import (
    MISSING,
    REPEATED,
    CellRule,
    UnfitFrame,
    arrow_type,
    cell_rules,
    chunks_of,
    is_published,
    may_be_null,
    no_failures,
)
from schemas.people import PEOPLE
from schemas.published import PUBLISHED

FAILURE_COLUMNS = ("row", "column", "rule")


@cache
def model(table: Table) -> pa.DataFrameSchema:
    """Pandera model of a table, for frames of Arrow types.

    A published table has exactly its columns in order, and its key occurs once. A table that comes in may
    lack optional columns and may carry others beside its own, such as `site` and `source_line`; its ids
    are compared across versions elsewhere.
    """
    published = is_published(table)
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
        checks=[_check(rule) for rule in cell_rules(column, published)],
        nullable=may_be_null(column, published),
        required=published or column.required,
        description=column.description,
        metadata={"unit": column.unit, "source": column.source, "display": column.display},
    )


def _check(rule: CellRule) -> pa.Check:
    """A check over a whole Arrow column; nulls pass, because nullability is checked apart."""

    def passes(cells: pd.Series) -> pd.Series:
        answer = pc.fill_null(rule.holds(chunks_of(cells)), True)
        return pd.Series(answer.to_numpy(), index=cells.index, dtype=bool)

    return pa.Check(passes, name=rule.code, error=rule.code, ignore_na=False)


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
        return no_failures()
    joined = pd.concat(parts, ignore_index=True).drop_duplicates()
    return joined.sort_values(list(FAILURE_COLUMNS), kind="stable", ignore_index=True)
