"""What surgeons ask about their own cases, as questions for reviewers. It changes no count."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings
from pipeline.publish.coded import among
from pipeline.publish.lists import Lists
from pipeline.publish.waiting_list import NONE
from pipeline.reviewers import REQUESTED

if TYPE_CHECKING:
    from pipeline.people import People


def requested(lists: Lists, people: People) -> pd.DataFrame:
    """Open requests in the columns of `waiting_list`.

    One about a category is closed by the first decision on it of a later day, whatever it says.

    Args:
        people: With the requests known, identifiers masked in their words.
    """
    rows = people.requests[_named(lists, people.requests)]
    rows = rows.assign(category=rows["category"].fillna("").astype(object))
    rows = rows[~_answered(rows, people.decisions)]
    numbers = {key: at for at, key in enumerate(lists.labels.categories)}
    category = np.array([numbers.get(key, NONE) for key in rows["category"]], np.int64)
    own = pd.DataFrame(
        {
            "case": lists.cases_called(rows["case_id"]),
            "category": category,
            "meant": category,
            "place": np.full(len(rows), NONE),
            "why": (REQUESTED + rows["because"].astype(str).str.split().str.join(" ")).to_numpy(object),
        }
    )
    return own.assign(evidence=_evidence(own, lists)).drop_duplicates(ignore_index=True)


def requests_amiss(lists: Lists, people: People) -> pd.DataFrame:
    """Findings: requests that name no case or category of the edition."""
    if people.requests.empty:
        return findings.empty()
    wrong = people.requests[~_named(lists, people.requests)]
    known = set(wrong["case_id"][lists.cases_called(wrong["case_id"]) >= 0])
    return findings.frame(_complaints(wrong.to_dict("records"), known))


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
    return known & (lists.cases_called(rows["case_id"]) >= 0)


def _answered(rows: pd.DataFrame, decisions: pd.DataFrame) -> pd.Series:
    """bool: a reviewer has decided on the case and category since."""
    key = ["case_id", "category"]
    newest = decisions.groupby(key)["decided_on"].max()
    last = [newest.get(pair) for pair in rows[key].itertuples(index=False, name=None)]
    since = [day is not None and day > asked for day, asked in zip(last, rows["asked_on"], strict=True)]
    return pd.Series(since, index=rows.index, dtype=bool)


def _evidence(asked: pd.DataFrame, lists: Lists) -> np.ndarray:
    """Of a category the records its complication rests on, of a case its operation."""
    key = lists.keys(asked.assign(level=0))
    known = among(key, lists.keys(lists.complications)) if len(asked) else np.zeros(0, bool)
    rests = lists.rests_on(np.where(known, key, NONE)).fill_null("")
    first = lists.cases["row"].to_numpy()[asked["case"]]
    operation = lists.reference_texts(
        lists.place_numbers(pd.DataFrame({"table": "operations", "row": first}))
    )
    named = pa.array((asked["category"] != NONE).to_numpy())
    told: np.ndarray = pc.if_else(named, rests, operation).to_numpy(zero_copy_only=False)
    return told
