"""What surgeons ask about their own cases, as questions for reviewers. It changes no count."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline import findings
from pipeline.publish.lists import Lists
from pipeline.reviewers import REQUESTED

if TYPE_CHECKING:
    from pipeline.people import People

ASKED = ["case_id", "category", "why", "evidence"]


def requested(lists: Lists, people: People, complications: pd.DataFrame) -> pd.DataFrame:
    """Open requests as rows of `review`: `case_id, category, why, evidence`.

    One about a category is closed by the first decision on it of a later day, whatever it says.

    Args:
        people: With the requests known, identifiers masked in their words.
        complications: As published: the records a category rests on.
    """
    rows = people.requests[_named(lists, people.requests)]
    category = rows["category"].fillna("").astype(object)
    answered = _answered(rows.assign(category=category), people.decisions)
    own = pd.DataFrame(
        {
            "case_id": rows["case_id"],
            "category": category,
            "why": REQUESTED + rows["because"].astype(str).str.split().str.join(" "),
        }
    )[~answered]
    return own.assign(evidence=_evidence(own, complications, lists)).drop_duplicates(ignore_index=True)[ASKED]


def requests_amiss(lists: Lists, people: People) -> pd.DataFrame:
    """Findings: requests that name no case or category of the edition."""
    if people.requests.empty:
        return findings.empty()
    wrong = people.requests[~_named(lists, people.requests)]
    return findings.frame(_complaints(wrong.to_dict("records"), set(lists.case_ids)))


def _complaints(rows: list[dict[Hashable, Any]], known: set[str]) -> Iterator[dict[str, object]]:
    for row in rows:
        column = "category" if row["case_id"] in known else "case_id"
        message = (
            f"{row['source_file']} line {row['source_line']}: `{column}` is no {column.removesuffix('_id')} of this edition. "
            "Correct the row; it asks nothing."
        )
        yield findings.at_written_row(row, "requests", column, "request_without_case", message)


def _named(lists: Lists, rows: pd.DataFrame) -> pd.Series:
    """bool: the case is one of the edition's, and the category empty or one of the catalogue's."""
    if rows.empty:
        return pd.Series(False, index=rows.index)
    known = rows["category"].isna() | rows["category"].isin(lists.labels.categories[:-1])
    return known & rows["case_id"].isin(lists.case_ids)


def _answered(rows: pd.DataFrame, decisions: pd.DataFrame) -> pd.Series:
    """bool: a reviewer has decided on the case and category since."""
    key = ["case_id", "category"]
    newest = decisions.groupby(key)["decided_on"].max()
    last = [newest.get(pair) for pair in rows[key].itertuples(index=False, name=None)]
    since = [day is not None and day > asked for day, asked in zip(last, rows["asked_on"], strict=True)]
    return pd.Series(since, index=rows.index, dtype=bool)


def _evidence(asked: pd.DataFrame, complications: pd.DataFrame, lists: Lists) -> list[str]:
    """Of a category the records it rests on, of a case its operation."""
    if asked.empty:
        return []
    main = {key: levels[0] for key, levels in zip(lists.labels.categories, lists.labels.levels, strict=True)}
    rows = complications[complications["level"] == complications["category"].map(main)]
    rests = rows.set_index(["case_id", "category"])["evidence"].to_dict()
    first = lists.references(pd.DataFrame({"table": "operations", "row": lists.cases["row"].to_numpy()}))
    operations = dict(zip(lists.case_ids, first, strict=True))
    return [
        rests.get((case_id, category), "") if category else operations[case_id]
        for case_id, category in asked[["case_id", "category"]].itertuples(index=False, name=None)
    ]
