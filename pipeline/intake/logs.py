"""What one table's intake has to say: findings as dictionaries, repairs as frames."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import pyarrow as pa

from pipeline.findings import REPAIR_COLUMNS
from pipeline.handover import Source
from pipeline.intake.contract_form import ContractForm, Translation
from pipeline.intake.cut import LoggedStep
from pipeline.intake.mapping import TableMapping
from schemas.exports import DAY_COLUMN, ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd

_REPAIR_SCHEMA = pa.schema(
    [(name, pa.int64() if name == "source_line" else pa.string()) for name in REPAIR_COLUMNS]
)


def said(source: Source, rule: str, message: str, **more: object) -> dict[str, object]:
    """A finding about a file or one of its rows."""
    place = {"site": source.site, "source_file": source.source_file, "table": source.table}
    return {**place, "rule": rule, "message": message, **more}


def _repairs(source: Source, columns: dict[str, pa.Array | pa.ChunkedArray | str], rows: int) -> pa.Table:
    """A repairs table; a text stands for a whole column of it, absent columns are empty."""
    place = {"site": source.site, "source_file": source.source_file, "table": source.table}
    given = {**dict.fromkeys(REPAIR_COLUMNS, ""), **place, **columns}
    arrays = [
        pa.repeat(pa.scalar(value), rows) if isinstance(value, str) else value
        for value in (given[name] for name in REPAIR_COLUMNS)
    ]
    return pa.table(arrays, schema=_REPAIR_SCHEMA)


def step_repairs(source: Source, steps: Iterable[LoggedStep]) -> pa.Table:
    """Repairs of the whole file and skipped rows."""
    listed = list(steps)
    columns: dict[str, pa.Array | pa.ChunkedArray | str] = {
        "source_line": pa.array([step.line for step in listed], pa.int64()),
        "rule": pa.array([step.rule for step in listed], pa.string()),
        "before": pa.array([step.before for step in listed], pa.string()),
        "after": pa.array([step.after for step in listed], pa.string()),
    }
    return _repairs(source, columns, len(listed))


def made_columns(source: Source, form: TableMapping) -> pa.Table:
    """One repair a file for each column that the mapping makes: from which headers, and what or how."""
    made = [(name, "", word) for name, word in form.constants.items()]
    made += [
        (name, f"{each.start} + {each.plus_days}", "day and days after it")
        for name, each in form.dates.items()
    ]
    own_id = ID_COLUMN[form.table]
    if form.id_from:
        made.append((own_id, " + ".join(form.id_from), "joined by -"))
    if form.unpivot:
        made.append((form.unpivot.column, " + ".join(form.unpivot.of), "a row for each of these columns"))
    if form.reading.id_scope and form.table in DAY_COLUMN:
        made.append((own_id, own_id, f"year of {DAY_COLUMN[form.table]} and -, before it"))
    if form.site_from:
        made.append(("site_id", form.site_from, "the site of each row"))
    columns: dict[str, pa.Array | pa.ChunkedArray | str] = {
        "source_line": pa.nulls(len(made), pa.int64()),
        "column": pa.array([column for column, _, _ in made], pa.string()),
        "rule": "column_made",
        "before": pa.array([before for _, before, _ in made], pa.string()),
        "after": pa.array([after for _, _, after in made], pa.string()),
    }
    return _repairs(source, columns, len(made))


def translation_repairs(source: Source, made: ContractForm) -> list[pa.Table]:
    """One repair for each cell that the mapping translated."""
    return [_translated(source, made.rows, each) for each in made.translations]


def _translated(source: Source, rows: pa.Table, change: Translation) -> pa.Table:
    at = pa.array(change.rows)
    id_column = ID_COLUMN[source.table]
    ids = rows[id_column].take(at) if id_column in rows.column_names else ""
    columns: dict[str, pa.Array | pa.ChunkedArray | str] = {
        "source_line": rows["source_line"].take(at),
        "record_id": ids if isinstance(ids, str) else ids.fill_null(""),
        "column": change.column,
        "rule": "word_translated",
        "before": change.before,
        "after": change.after.fill_null(""),
    }
    return _repairs(source, columns, len(change.rows))


def repairs_frame(tables: Iterable[pa.Table]) -> pd.DataFrame:
    """All repairs as one frame: text columns and a nullable line."""
    import pandas as pd

    types = {pa.string(): pd.StringDtype(), pa.int64(): pd.Int64Dtype()}
    together = pa.concat_tables([_REPAIR_SCHEMA.empty_table(), *tables])
    return together.to_pandas(types_mapper=types.get)
