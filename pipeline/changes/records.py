"""Which records of a case are other ones than in the signed edition, and in what way: the evidence for a cause."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Collection

    from pipeline.changes.told import Told

ID = ["site", "table", "record_id"]
PLACE = ["source_file", "source_line"]
PATIENTS = "patients"
#: Roles of records that do not stand; the row that says why comes before the ones it replaced.
ASIDE = ("withdrawn", "held_back", "after_cut", "superseded")


def record_changes(earlier: Told, then: Told, cases: Collection[str]) -> pd.DataFrame:
    """Records of some cases that came, went or changed.

    Records that only moved from one case to another, without being other ones, are not among them: a link, a merge or
    another record explains those.

    Returns:
        `case_id, site, table, record_id, because, file, line, date`, and `before`, `after`: the record's `file:line` in
        either evaluation.
    """
    before, after = _of_cases(earlier, cases), _of_cases(then, cases)
    key = ["case_id", *ID]
    both = before.merge(after, how="outer", on=key, suffixes=("_before", "_after"), indicator=True)
    same = (both["_merge"] == "both") & (both["source_file_before"] == both["source_file_after"])
    same &= both["source_line_before"] == both["source_line_after"]
    moved = both[~same].reset_index(drop=True)
    came = _arrived(moved[moved["_merge"] != "left_only"], earlier)
    went = _left(moved[moved["_merge"] == "left_only"], then)
    found = pd.concat([came, went], ignore_index=True)
    for when in ("before", "after"):
        line = pd.to_numeric(found[f"source_line_{when}"]).astype("Int64").astype("string")
        found[when] = (found[f"source_file_{when}"].astype("string") + ":" + line).astype(object)
    return found[[*key, "because", "file", "line", "date", "before", "after"]]


def _of_cases(told: Told, cases: Collection[str]) -> pd.DataFrame:
    """`case_id`, ID, PLACE and `date` of the records of cases, with deaths and moves of their patients."""
    own = told.rows_of_cases("records", cases)
    known = told.cases.loc[told.cases.index.isin(list(cases)), ["patient"]].reset_index()
    stated = told.rows_of_table(PATIENTS)
    stated = stated.drop(columns="case_id").merge(known, on="patient")
    rows = pd.concat([own, stated], ignore_index=True)
    rows = rows.assign(record_id=rows["record_id"].fillna(""))
    return rows[["case_id", *ID, *PLACE, "date"]].drop_duplicates(["case_id", *ID], ignore_index=True)


def _elsewhere(told: Told, moved: pd.DataFrame) -> pd.DataFrame:
    """Where else an evaluation has records of these ids: one row an id, those that stand before those that do not."""
    rows = told.rows_of_ids(moved["record_id"])
    aside = {role: rank for rank, role in enumerate(ASIDE, start=1)}
    rows = rows.assign(aside=rows["role"].astype(object).map(aside).fillna(0))
    rows = rows.sort_values([*ID, "aside", *PLACE], kind="stable")
    rows = rows.drop_duplicates(ID)[[*ID, *PLACE, "role"]]
    return moved[ID].merge(rows, how="left", on=ID)


def _arrived(moved: pd.DataFrame, earlier: Told) -> pd.DataFrame:
    """Records that a case did not have in this form."""
    known = _elsewhere(earlier, moved)
    file, line = moved["source_file_after"].to_numpy(), moved["source_line_after"].to_numpy()
    other_form = (moved["_merge"] == "both").to_numpy()
    there = known["source_file"].notna().to_numpy()
    same = there & (known["source_file"].to_numpy() == file) & (known["source_line"].to_numpy() == line)
    received = np.array([str(name).partition("#")[0] in earlier.inputs for name in file], dtype=bool)
    because = np.select(
        [other_form | (there & ~same), ~there & ~received], ["correction", "late_record"], default=""
    )
    told = moved.assign(because=because, file=file, line=line, date=moved["date_after"])
    return told[told["because"] != ""]


def _left(moved: pd.DataFrame, then: Told) -> pd.DataFrame:
    """Records that a case no longer has."""
    now = _elsewhere(then, moved)
    there = now["source_file"].notna().to_numpy()
    same = there & (now["source_file"].to_numpy() == moved["source_file_before"].to_numpy())
    same &= now["source_line"].to_numpy() == moved["source_line_before"].to_numpy()
    withdrawn = there & (now["role"] == "withdrawn").to_numpy()
    because = np.select(
        [withdrawn, ~there, ~same], ["withdrawal", "not_used_any_more", "correction"], default=""
    )
    told = moved.assign(
        because=because,
        file=np.where(there, now["source_file"], moved["source_file_before"]),
        line=np.where(there, now["source_line"], moved["source_line_before"]),
        date=moved["date_before"],
    )
    return told[told["because"] != ""]
