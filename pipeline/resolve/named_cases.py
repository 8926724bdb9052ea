"""Links and decisions: the case ids and record ids people wrote, as numbers.

Both tables are small (people write them), so they are read row by row.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Mapping
from datetime import date
from functools import cache
from typing import Any

import pandas as pd
import pyarrow as pa

from pipeline.columns import JOINER, joined
from pipeline.handover import NOT_NAMED, RECORD_TABLES, SIDE_LETTERS
from pipeline.resolve.facts import Numbers
from schemas.exports import ID_COLUMN

CASE_ID = re.compile(r"(?P<site>[A-Za-z0-9_-]+)\.(?P<operation>.+)\.(?P<side>[LRN])")
EPOCH = date(1970, 1, 1)
LINK_COLUMNS = ("table", "record", "operation", "side", "decided", "position")
DECISION_COLUMNS = ("operation", "side", "category", "counts", "reviewer", "decided", "occurred", "position")
Complaints = list[dict[str, object]]


def link_facts(links: pd.DataFrame, numbers: Numbers) -> tuple[pd.DataFrame, Complaints]:
    """Rows of `links` that name a record and a case (or `none`); the last decided of a record stands."""
    find_case = _case_finder(numbers)
    find_record = _record_finder(numbers)
    rows, complaints = [], []
    for position, link in enumerate(links.to_dict("records")):
        record = find_record(link["table"], link["site_id"], link["record_id"])
        case = (NOT_NAMED, -1) if link["case_id"] == "none" else find_case(link["case_id"])
        if record is None or case is None:
            complaints.append(
                _complaint(link, "links", "link_unknown_record", "case_id" if record else "record_id")
            )
            continue
        rows.append((RECORD_TABLES.index(link["table"]), record, *case, _day(link["decided_on"]), position))
    found = pd.DataFrame(rows, columns=list(LINK_COLUMNS)).astype("int64")
    last = found.sort_values("decided", kind="stable").drop_duplicates(["table", "record"], keep="last")
    return last.sort_values(["table", "record"], ignore_index=True), complaints


def decision_facts(decisions: pd.DataFrame, numbers: Numbers) -> tuple[pd.DataFrame, Complaints]:
    """One row a case, category and reviewer: the last decided. `position` is the row of the input."""
    find_case = _case_finder(numbers)
    reviewers = {name: number for number, name in enumerate(sorted({str(r) for r in decisions["reviewer"]}))}
    rows, complaints = [], []
    for position, decision in enumerate(decisions.to_dict("records")):
        case = find_case(decision["case_id"])
        category = numbers.look.category_position.get(decision["category"])
        if case is None or category is None:
            rule = "decision_unknown_case" if case is None else "decision_unknown_category"
            complaints.append(
                _complaint(decision, "decisions", rule, "case_id" if case is None else "category")
            )
            continue
        reviewer = reviewers[str(decision["reviewer"])]
        days = _day(decision["decided_on"]), _day(decision["occurred_on"])
        rows.append((*case, category, int(decision["counts"]), reviewer, *days, position))
    found = pd.DataFrame(rows, columns=list(DECISION_COLUMNS)).astype("int64")
    last = found.sort_values(["decided", "position"], kind="stable")
    key = ["operation", "side", "category", "reviewer"]
    return last.drop_duplicates(key, keep="last").sort_values(key, ignore_index=True), complaints


def _day(value: date | None) -> int:
    return (value - EPOCH).days if isinstance(value, date) else -(2**31)


def _case_finder(numbers: Numbers) -> Callable[[str], tuple[int, int] | None]:
    @cache
    def position() -> dict[str, int]:
        return {key: number for number, key in enumerate(numbers.operations.to_pylist())}

    def find(case_id: str) -> tuple[int, int] | None:
        parts = CASE_ID.fullmatch(case_id)
        operation = position().get(f"{parts['site']}{JOINER}{parts['operation']}") if parts else None
        return None if parts is None or operation is None else (operation, SIDE_LETTERS.index(parts["side"]))

    return find


def _record_finder(numbers: Numbers) -> Callable[[str, str, str], int | None]:
    known: dict[str, dict[str, int]] = {}

    def find(table: str, site: str, record_id: str) -> int | None:
        if table not in RECORD_TABLES:
            return None
        if table not in known:
            rows = numbers.table(table)
            keys: pa.ChunkedArray = joined(rows["site"], rows[ID_COLUMN[table]])
            known[table] = {key: number for number, key in enumerate(keys.to_pylist())}
        return known[table].get(f"{site}{JOINER}{record_id}")

    return find


def _complaint(row: Mapping[Hashable, Any], table: str, rule: str, column: str) -> dict[str, object]:
    where = f"{row['source_file']} line {row['source_line']}"
    return {
        "site": row.get("site_id") or "",
        "source_file": row["source_file"],
        "source_line": row["source_line"],
        "table": table,
        "column": column,
        "rule": rule,
        "value": row[column],
        "message": f"{where}: `{column}` is `{row[column]}`, which this edition does not have. Correct the row.",
    }
