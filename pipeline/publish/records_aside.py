"""Records that do not stand: held back, replaced, taken back, or dated after the cut. Few, beside those that do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import CONFLICTING, KEPT, RECORD_TABLES, SUPERSEDED, WITHDRAWN, Accepted, Facts
from schemas.exports import DAY_COLUMN, ID_COLUMN

#: Role of a row by its fate; a row that is kept and stands nowhere is dated after the cut.
ROLES = {CONFLICTING: "held_back", SUPERSEDED: "superseded", WITHDRAWN: "withdrawn", KEPT: "after_cut"}
Columns = dict[str, pa.ChunkedArray | pa.Array]


@dataclass(frozen=True)
class Aside:
    """Rows that do not stand.

    Attributes:
        quarantined: Table → rows held back, contract columns as text.
        fates: Table → what became of each accepted row.
        standing: Table → accepted rows that stand on the cut.
    """

    quarantined: dict[str, pa.Table]
    fates: dict[str, np.ndarray]
    standing: dict[str, np.ndarray]


def rows_aside(aside: Aside, accepted: Accepted, facts: Facts) -> pa.Table:
    """`site, patient, table, record_id, date, role, source_file, source_line`; patient by operations that stand."""
    parts = [part for name in RECORD_TABLES for part in _of_table(aside, accepted, name)]
    found = pa.concat_tables(parts)
    files = pa.array([source.source_file for source in accepted.sources], pa.string())
    told = {
        "site": found["site"],
        "patient": pa.array(_patients(found, accepted, facts), pa.int64()),
        **{name: found[name] for name in ("table", "record_id", "date", "role")},
        "source_file": files.take(found["source_number"]),
        "source_line": found["source_line"],
    }
    table = pa.table(told)
    return table.sort_by([(name, "ascending") for name in ("patient", "source_file", "source_line")])


def _of_table(aside: Aside, accepted: Accepted, name: str) -> Iterator[pa.Table]:
    held = aside.quarantined[name]
    no_day = pa.nulls(len(held), pa.date32())
    yield _columns(held, name, no_day, pa.array(["held_back"] * len(held), pa.string()))
    fate = aside.fates[name]
    role = np.array([ROLES.get(number, "") for number in range(int(fate.max(initial=0)) + 1)], dtype=object)
    told = np.isin(fate, list(ROLES))
    told[aside.standing[name]] = False
    if (
        name != "operations"
    ):  # contacts and readings after the cut may be most of them, and say nothing of a case
        told &= fate != KEPT
    own = accepted.tables[name].filter(pa.array(told))
    yield _columns(own, name, own[DAY_COLUMN[name]], pa.array(role[fate[told]], pa.string()))


def _columns(rows: pa.Table, name: str, day: pa.ChunkedArray | pa.Array, role: pa.Array) -> pa.Table:
    columns: Columns = {
        "site": rows["site"],
        "patient_id": rows["patient_id"],
        "table": pa.array([name] * len(rows), pa.string()),
        "record_id": rows[ID_COLUMN[name]],
        "date": day,
        "role": role,
        "source_number": rows["source_number"],
        "source_line": rows["source_line"],
    }
    return pa.table(columns)


def _patients(found: pa.Table, accepted: Accepted, facts: Facts) -> list[int | None]:
    """Number of the patient each row names, where an operation of that patient stands."""
    frame = facts.operations
    own = accepted.tables["operations"].select(["site", "patient_id"]).take(pa.array(frame["row"]))
    wanted = pc.drop_null(pc.unique(found["patient_id"]))
    hit = pc.fill_null(pc.is_in(own["patient_id"], wanted), False)
    pairs = own.filter(hit).to_pandas().assign(patient=frame["patient"].to_numpy()[hit.to_numpy()])
    known = pairs.drop_duplicates(["site", "patient_id"])
    asked = pd.DataFrame({name: found[name].to_pandas() for name in ("site", "patient_id")})
    numbers = asked.merge(known, how="left", on=["site", "patient_id"])["patient"]
    return [None if number != number else int(number) for number in numbers]
