"""The DuckDB script as a program of its own, and our own counts in the same form.

`python tests/bench/floor.py WORKSPACE` prints what DuckDB counted, as JSON: [what, table, name, rows].
"""

from __future__ import annotations

import csv
import json
import sys
from collections import Counter
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.handover import Accepted, Resolved

SCRIPT = Path(__file__).with_name("floor.sql")
SIDES = Path(__file__).parents[2] / "schemas" / "icd10cm_sides.csv"
#: Last day of the last whole month on the day of the second receipt.
CUT_ON = date(2026, 10, 31)
#: What compares receipts by chance is left to our own engine; versions are compared as fates.
ABOUT_RECEIPTS = {"column_constant", "value_new", "records_changed", "share_outside_limits"}
ABOUT_VERSIONS = {"record_superseded", "record_duplicate", "record_withdrawn"}
FATES = ("accepted", "quarantined", "superseded", "duplicate")
WITHIN = 90

#: (`rule`, `fate`, `standing`, `tied` or `within 90 days`; table; name) → rows.
Counted = dict[tuple[str, str, str], int]


def counted(workspace: Path) -> Counted:
    """What DuckDB counts."""
    import duckdb

    with duckdb.connect() as connection:
        for name, value in (("workspace", workspace), ("sides", SIDES), ("cut_on", CUT_ON)):
            said = f"DATE '{value}'" if isinstance(value, date) else f"'{value}'"
            connection.execute(f"SET VARIABLE {name} = {said}")
        rows = connection.execute(SCRIPT.read_text("utf-8")).fetchall()
    return {(what, table, name): count for what, table, name, count in rows}


def of_rules(counted: Counted) -> Counted:
    """Without the marks that say whether a rule holds a row back; fates as they are, nothing else."""
    return {
        (what, table, name[2:] if what == "rule" else name): rows
        for (what, table, name), rows in counted.items()
        if what in ("rule", "fate")
    }


def told_in(folder: Path) -> Counted:
    """The same of what `limbaudit check` wrote: rows by fate, and by table, column and rule.

    A masked note is a finding and a repair; it counts once.
    """
    fates: Counter[tuple[str, str, str]] = Counter()
    for line in _lines(folder, "ledger"):
        for fate in FATES:
            fates["fate", line["table"], fate] += int(line[fate])
    findings, repairs = (
        Counter(
            ("rule", line["table"], f"{line['column']}__{line['rule']}")
            for line in _lines(folder, name)
            if line["rule"] not in ABOUT_RECEIPTS | ABOUT_VERSIONS
        )
        for name in ("quarantine", "repairs")
    )
    return {key: rows for key, rows in (fates | findings | repairs).items() if rows}


def _lines(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def tied_to(found: Resolved, accepted: Accepted) -> Counted:
    """Operations, records that name one of the same patient, and operations with an event within 90 days, by procedure."""
    import numpy as np

    facts = found.facts
    codes = accepted.tables["operations"]["procedure_code"].to_numpy()
    procedure = codes[facts.operations["row"].to_numpy()]
    operated = facts.operations["day"].to_numpy()
    ours: Counted = {}

    def put(what: str, table: str, operations: np.ndarray) -> None:
        names, rows = np.unique(procedure[operations].astype(str), return_counts=True)
        ours.update({(what, table, str(name)): int(count) for name, count in zip(names, rows, strict=True)})

    place = np.full(int(facts.operations["operation"].max()) + 1, -1)
    place[facts.operations["operation"].to_numpy()] = np.arange(len(operated))
    put("standing", "operations", np.arange(len(operated)))
    for table in ("events", "followups", "measurements"):
        frame = getattr(facts, table)
        named = frame["operation"].to_numpy()
        tied = place[named[named >= 0]]
        put("tied", table, tied)
        if table == "events":
            since = frame["day"].to_numpy()[named >= 0] - operated[tied]
            put(f"within {WITHIN} days", table, np.unique(tied[(since >= 0) & (since <= WITHIN)]))
    return ours


if __name__ == "__main__":
    print(json.dumps([[*key, rows] for key, rows in counted(Path(sys.argv[1])).items()]))
