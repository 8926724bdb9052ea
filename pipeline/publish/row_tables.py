"""The tables about rows: ledger, held back, repairs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings as catalogue
from pipeline.handover import CONFLICTING, Validated
from pipeline.known import is_new
from pipeline.publish.versions_log import version_repairs
from schemas.exports import EXPORTS
from schemas.published import PUBLISHED


def row_tables(
    validated: Validated,
    fates: dict[str, np.ndarray],
    ledger: pd.DataFrame,
    found: pd.DataFrame,
    intake_repairs: pd.DataFrame,
) -> dict[str, pd.DataFrame]:
    """`ledger`, `quarantine`, `repairs` and one `quarantined/<table>` a table with rows held back."""
    versions = version_repairs(validated.accepted, fates)
    repairs = pd.concat([intake_repairs, validated.repairs, versions], ignore_index=True)
    tables = {
        "ledger": ledger,
        "quarantine": _quarantine(found),
        "repairs": repairs[list(catalogue.REPAIR_COLUMNS)].drop_duplicates(list(PUBLISHED["repairs"].key)),
    }
    return {**tables, **_held_back(validated, fates)}


def _quarantine(found: pd.DataFrame) -> pd.DataFrame:
    """A line a finding: rows held back, files refused, and warnings; repairs have a table of their own."""
    held = found.assign(new=is_new(found)).loc[
        found["action"] != "repair", list(PUBLISHED["quarantine"].names)
    ]
    return held.drop_duplicates(list(PUBLISHED["quarantine"].key), ignore_index=True)


def _held_back(validated: Validated, fates: dict[str, np.ndarray]) -> dict[str, pd.DataFrame]:
    """Contract columns as text, with site, file and line."""
    files = pa.array([source.source_file for source in validated.accepted.sources], pa.string())
    held = {}
    for name, table in validated.quarantined.items():
        conflicting = validated.accepted.tables[name].filter(pa.array(fates[name] == CONFLICTING))
        both = pa.concat_tables([table, _as_text(conflicting, name).select(table.column_names)])
        if both.num_rows:
            place = {"source_file": files.take(both["source_number"]), "source_line": both["source_line"]}
            columns = {
                "site": both["site"],
                **place,
                **{column: both[column] for column in EXPORTS[name].names},
            }
            order = pc.sort_indices(
                pa.table(place), [("source_file", "ascending"), ("source_line", "ascending")]
            )
            held[f"quarantined/{name}"] = _renamed(columns, name).take(order).to_pandas()
    return held


def _renamed(columns: dict[str, pa.ChunkedArray], name: str) -> pa.Table:
    return pa.table(list(columns.values()), names=list(columns))


def _as_text(table: pa.Table, name: str) -> pa.Table:
    """Typed contract columns as text again."""
    for column in EXPORTS[name].names:
        at = table.column_names.index(column)
        values = table[column]
        text = (
            pc.if_else(values, "yes", "no") if pa.types.is_boolean(values.type) else values.cast(pa.string())
        )
        table = table.set_column(at, column, text)
    return table
