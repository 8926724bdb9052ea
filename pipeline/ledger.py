"""Row accounting: every row that was read ends in exactly one place.

    rows_read = accepted + quarantined + superseded + duplicate + withdrawn + non_data + not_selected + refused + removed

The left side was counted from the bytes before anything was parsed; the right side is counted from the frames
that went on. A difference stops the run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.errors import CannotFinish
from pipeline.handover import (
    CONFLICTING,
    DUPLICATE,
    KEPT,
    RECORD_TABLES,
    SUPERSEDED,
    WITHDRAWN,
    Facts,
    Validated,
)

if TYPE_CHECKING:
    from pipeline.parts import Whole

PLACES = (
    "accepted",
    "quarantined",
    "superseded",
    "duplicate",
    "withdrawn",
    "non_data",
    "not_selected",
    "refused",
    "removed",
)
BY_FATE = {"accepted": KEPT, "superseded": SUPERSEDED, "duplicate": DUPLICATE, "withdrawn": WITHDRAWN}


def ledger_of(validated: Validated, fates: dict[str, np.ndarray]) -> pd.DataFrame:
    """One row a file, sheet and table, with where its rows are in this edition.

    Raises:
        CannotFinish: The rows of a file do not add up.
    """
    sources = validated.accepted.sources
    known = (
        "site",
        "receipt",
        "source_file",
        "sheet",
        "table",
        "sha256",
        "rows_read",
        "non_data",
        "not_selected",
    )
    ledger = pd.DataFrame({name: [getattr(source, name) for source in sources] for name in known})
    ledger["refused"] = [source.refused for source in sources]
    ledger["reason"] = [source.reason for source in sources]
    ledger["removed"] = 0
    for place, fate in BY_FATE.items():
        ledger[place] = _rows_with_fate(validated, fates, fate)
    ledger["quarantined"] = _rows_with_fate(validated, fates, CONFLICTING) + _held_back(validated)
    _check_identity(ledger)
    order = ["site", "receipt", "source_file", "sheet", "table", "sha256", "rows_read", *PLACES, "reason"]
    return ledger[order]


def _rows_with_fate(validated: Validated, fates: dict[str, np.ndarray], fate: int) -> np.ndarray:
    counted = np.zeros(len(validated.accepted.sources), dtype=np.int64)
    for name, table in validated.accepted.tables.items():
        source = table["source_number"].to_numpy()[fates[name] == fate]
        counted += np.bincount(source, minlength=len(counted)).astype(np.int64)
    return counted


def _held_back(validated: Validated) -> np.ndarray:
    counted = np.zeros(len(validated.accepted.sources), dtype=np.int64)
    for table in validated.quarantined.values():
        counted += np.bincount(table["source_number"].to_numpy(), minlength=len(counted)).astype(np.int64)
    return counted


def _check_identity(ledger: pd.DataFrame) -> None:
    total = ledger[list(PLACES)].sum(axis=1)
    wrong = ledger[total != ledger["rows_read"]]
    if len(wrong):
        first = wrong.iloc[0]
        raise CannotFinish(
            f"{first['source_file']}: {first['rows_read']} rows were read but {total[wrong.index[0]]} are accounted for. "
            "Nothing was written. This is a fault of the program, not of the export: keep the file and report it."
        )


def check_nothing_lost(facts: Facts, accepted_rows: dict[str, np.ndarray], whole: Whole) -> None:
    """Every record that stands is with a case, awaits a link, or is listed as unattributed; every case is counted.

    Args:
        accepted_rows: Table → rows that stand on the cut, counted before the facts were built.

    Raises:
        CannotFinish: A record is in none of these places, or a step of `flow` does not add up.
    """
    for name in RECORD_TABLES:
        _same_rows(name, accepted_rows[name], getattr(facts, name)["row"].to_numpy(), "became facts")
    for name in RECORD_TABLES[1:]:
        found = [part[part["table"] == name]["row"] for part in (whole.records, whole.unattributed)]
        shared = whole.shared_visits["row"] if name == "followups" else whole.shared_visits["row"].iloc[:0]
        _same_rows(
            name,
            getattr(facts, name)["row"].to_numpy(),
            np.unique(np.concatenate([*found, shared])),
            "were attributed",
        )


def _same_rows(name: str, expected: np.ndarray, found: np.ndarray, what: str) -> None:
    lost, added = np.setdiff1d(expected, found), np.setdiff1d(found, expected)
    if len(lost) or len(added) or len(found) != len(expected):
        raise CannotFinish(
            f"{len(expected)} rows of {name} stand, but {len(found)} {what}. Nothing was written. "
            "This is a fault of the program, not of the export: keep the files and report it."
        )
