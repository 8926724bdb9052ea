"""Links and decisions: the case ids and record ids people wrote, as numbers.

Both tables are small (people write them), so they are read row by row.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterable, Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings
from pipeline.columns import holds
from pipeline.handover import NOT_NAMED, RECORD_TABLES, SIDE_LETTERS
from pipeline.resolve.facts import Numbers
from pipeline.reviewers import persons
from schemas.exports import ID_COLUMN, SEVERITY_GRADES
from schemas.people import ASKED

CASE_ID = re.compile(r"(?P<site>[A-Za-z0-9_-]+)\.(?P<operation>.+)\.(?P<side>[LRN])")
EPOCH = date(1970, 1, 1)
LINK_COLUMNS = ("table", "record", "operation", "side", "decided", "position")
ROW = (
    "operation",
    "side",
    "category",
    "read",
    "counts",
    "reviewer",
    "decided",
    "occurred",
    "asked",
    "severity",
    "primary",
    "position",
)
#: What a reviewer answered: one case and category, or one reading of letters.
ANSWER = ["operation", "side", "category", "read", "reviewer"]
Complaints = list[dict[str, object]]


def link_facts(links: pd.DataFrame, numbers: Numbers) -> tuple[pd.DataFrame, Complaints]:
    """Rows of `links` that name a record and a case (or `none`); the last decided of a record stands."""
    find_case = _case_finder(numbers, links["case_id"])
    find_record = _record_finder(numbers, links)
    rows, complaints = [], []
    for position, link in enumerate(links.to_dict("records")):
        record = find_record(link["table"], link["site_id"], link["record_id"])
        case = (NOT_NAMED, -1) if link["case_id"] == "none" else find_case(link["case_id"])
        if record is None or case is None:
            complaints.append(
                _complaint(link, "links", "link_unknown_record", "record_id" if record is None else "case_id")
            )
            continue
        rows.append((RECORD_TABLES.index(link["table"]), record, *case, _day(link["decided_on"]), position))
    found = pd.DataFrame(rows, columns=list(LINK_COLUMNS)).astype("int64")
    found, split = _last_words(found, ["table", "record"], ["operation", "side"])
    complaints += [_contradiction(links, pair, "links", "link_contradicts", "case_id") for pair in split]
    return found.sort_values(["table", "record"], ignore_index=True), complaints


def decision_facts(
    decisions: pd.DataFrame, numbers: Numbers, cut_on: date
) -> tuple[pd.DataFrame, tuple[str, ...], Complaints]:
    """One row a case, category and reviewer: the last decided, with the first answer (`first`) and its day (`began`).

    `position` is the row of the input. A reading of letters that found nothing has category -1, and `read` tells
    the readings of a case apart. The second result names the reviewers behind the numbers.
    """
    find_case = _case_finder(numbers, decisions["case_id"])
    named = persons(str(reviewer) for reviewer in decisions["reviewer"])
    reviewers = sorted(set(named.values()))
    letters = {text: number for number, text in enumerate(sorted({str(e) for e in decisions["evidence"]}))}
    rows, complaints = [], []
    for position, decision in enumerate(decisions.to_dict("records")):
        case = find_case(decision["case_id"])
        category = numbers.look.category_position.get(decision["category"], -1)
        trouble = _trouble(decision, case, category, cut_on) or _no_such_reason(decision, numbers)
        if case is None or trouble:
            complaints.append(_complaint(decision, "decisions", *trouble))
            continue
        read = letters[str(decision["evidence"])] if category < 0 else -1
        reviewer = reviewers.index(named[str(decision["reviewer"])])
        days = _day(decision["decided_on"]), _day(decision["occurred_on"])
        asked = ASKED.index(decision["asked"]) if decision["asked"] else -1
        graded = _graded(decision, numbers)
        rows.append(
            (*case, category, read, int(decision["counts"]), reviewer, *days, asked, *graded, position)
        )
    found = pd.DataFrame(rows, columns=list(ROW)).astype("int64")
    last, split = _last_words(found, ANSWER, ["counts"])
    complaints += [
        _contradiction(decisions, pair, "decisions", "decision_contradicts", "counts") for pair in split
    ]
    return _with_first_words(last, found), tuple(reviewers), complaints


def _trouble(
    decision: Mapping[Hashable, Any], case: tuple[int, int] | None, category: int, cut_on: date
) -> tuple[str, ...]:
    """Rule and column of what keeps a decision from being used; empty if nothing does."""
    if case is None:
        return "decision_unknown_case", "case_id"
    if category < 0 and decision["category"]:
        return "decision_unknown_category", "category"
    if isinstance(decision["occurred_on"], date) and decision["occurred_on"] > cut_on:
        return "decision_after_the_cut", "occurred_on"
    return ()


def _no_such_reason(decision: Mapping[Hashable, Any], numbers: Numbers) -> tuple[str, ...]:
    reason = decision["primary_reason"]
    unknown = reason and reason not in numbers.look.category_position
    return ("decision_unknown_category", "primary_reason") if unknown else ()


def _graded(decision: Mapping[Hashable, Any], numbers: Numbers) -> tuple[int, int]:
    """Severity (position in SEVERITY_GRADES) and primary reason (category), -1 where not said."""
    grade = decision["severity_grade"]
    severity = SEVERITY_GRADES.index(grade) if grade else -1
    return severity, numbers.look.category_position.get(decision["primary_reason"] or "", -1)


def _last_words(
    found: pd.DataFrame, key: list[str], answer: list[str]
) -> tuple[pd.DataFrame, list[tuple[int, int]]]:
    """The last decided row of each key; and where the last day holds two answers, which leave none standing, their positions."""
    if found.empty:
        return found, []
    last_day = found.groupby(key)["decided"].transform("max")
    last = found[found["decided"] == last_day].sort_values("position", kind="stable")
    different = last.drop_duplicates([*key, *answer])
    split = different[different.duplicated(key, keep=False)]
    pairs = split.groupby(key)["position"].agg(["min", "max"])
    unclear = pd.MultiIndex.from_frame(last[key]).isin(pd.MultiIndex.from_frame(split[key]))
    standing = last[~unclear].drop_duplicates(key, keep="last")
    return standing, sorted(zip(pairs["min"], pairs["max"], strict=True))


def _with_first_words(last: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """`first` and `began` of each answer that stands, and `asked` also where only an earlier row of it says so."""
    days = found.groupby([*ANSWER, "decided"])["counts"].agg(["min", "max"]).reset_index()
    clear = days[days["min"] == days["max"]].sort_values([*ANSWER, "decided"]).drop_duplicates(ANSWER)
    clear = clear.rename(columns={"decided": "began", "min": "first"}).drop(columns="max")
    asked = found.groupby(ANSWER)["asked"].max().reset_index()
    whole = last.drop(columns="asked").merge(clear, on=ANSWER).merge(asked, on=ANSWER)
    return whole.sort_values(ANSWER, ignore_index=True).astype("int64")


def _contradiction(
    rows: pd.DataFrame, pair: tuple[int, int], table: str, rule: str, column: str
) -> dict[str, object]:
    """Two rows of one day that say different things; told at the later one."""
    one, other = (rows.iloc[position].to_dict() for position in pair)
    there = f"{one['source_file']} line {one['source_line']}"
    where = f"{other['source_file']} line {other['source_line']}"
    message = f"{where}: {there} of the same day says otherwise. Neither is used; add a row of a later day."
    return {**_complaint(other, table, rule, column), "value": "", "message": message}


def _day(value: date | None) -> int:
    return (value - EPOCH).days if isinstance(value, date) else -(2**31)


def _case_finder(numbers: Numbers, case_ids: Iterable[str]) -> Callable[[str], tuple[int, int] | None]:
    """What gives operation and side of any of the case ids; None where there is no such case."""
    written = {case_id: parts for case_id in case_ids if (parts := CASE_ID.fullmatch(case_id))}
    known = _records(numbers, "operations", {parts["operation"] for parts in written.values()})

    def find(case_id: str) -> tuple[int, int] | None:
        parts = written.get(case_id)
        operation = known.get((parts["site"], parts["operation"])) if parts else None
        return None if parts is None or operation is None else (operation, SIDE_LETTERS.index(parts["side"]))

    return find


def _record_finder(numbers: Numbers, links: pd.DataFrame) -> Callable[[str, str, str], int | None]:
    asked = links["record_id"].groupby(links["table"]).agg(set)
    known = {name: _records(numbers, name, asked[name]) for name in RECORD_TABLES if name in asked.index}

    def find(table: str, site: str, record_id: str) -> int | None:
        return known.get(table, {}).get((site, record_id))

    return find


def _records(numbers: Numbers, name: str, ids: Iterable[str]) -> dict[tuple[str, str], int]:
    """Site and id of the records that stand and have one of the ids, with their positions among those that stand."""
    wanted = pa.array(sorted(ids), pa.string())
    if not len(wanted):
        return {}
    table, column = numbers.standing[name], ID_COLUMN[name]
    of_ids = table.of(column, lambda texts: holds(texts, lambda chunk: pc.is_in(chunk, value_set=wanted)))
    found = np.flatnonzero(of_ids)
    taken = table.table.select(["site", column]).take(pa.array(table.rows[found]))
    return dict(
        zip(
            zip(*(taken[each].to_pylist() for each in ("site", column)), strict=True),
            found.tolist(),
            strict=True,
        )
    )


def _complaint(row: Mapping[Hashable, Any], table: str, rule: str, column: str) -> dict[str, object]:
    where = f"{row['source_file']} line {row['source_line']}"
    about = findings.CATALOGUE[rule]
    unknown = f"`{column}` is `{row[column]}`, which this edition does not have. Correct the row."
    told = unknown if "_unknown_" in rule else f"{about.cause} {about.remedy}"
    return findings.at_written_row(row, table, column, rule, f"{where}: {told}")
