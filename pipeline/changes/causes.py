"""Why something differs: of all that is new about a case, the nearest to what differs.

What is new about a case are records, decisions, links and merges. Each kind of difference has an order in which they are
looked at; what none of them explains comes from another definition or another version of the program, if there is one,
else from other records of the patient.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.changes.records import record_changes

if TYPE_CHECKING:
    from pipeline.changes.told import Told

COLUMNS = ["case_id", "kind", "category", "because", "file", "line", "date"]
#: Kind of difference → kinds of news, the nearest first. `rules` stands for other definitions.
NEAREST = {
    "operation": ("operations", "link", "merge", "rules", "record"),
    "contact": ("record", "operations", "link", "merge", "rules"),
    "survival": ("patients", "followups", "operations", "merge", "record", "rules"),
    "complication": ("decision", "evidence", "operations", "link", "merge", "rules", "record"),
}
#: Of a row that a person wrote, what makes it another one.
_WRITTEN = ["kind", "case_id", "category", "site", "table", "record_id", "patient", "says", "reviewer", "decided_on",
            "occurred_on", "severity_grade", "primary_reason"]  # fmt: skip


def news_of(earlier: Told, then: Told, cases: pd.Index) -> pd.DataFrame:
    """All that is new about some cases: `COLUMNS`; `category` is empty where it does not speak of one."""
    if cases.empty:
        return pd.DataFrame(columns=COLUMNS, dtype=object)
    records = record_changes(earlier, then, list(cases))
    own = records.assign(
        kind=records["table"].where(records["table"].isin(["operations", "patients", "followups"]), "")
    )
    parts = [
        own[own["kind"] != ""].assign(category=""),
        records.assign(kind="record", category=""),
        _evidence(records, earlier, then, cases),
        _written(earlier, then),
    ]
    return pd.concat([part[COLUMNS] for part in parts], ignore_index=True)


def _evidence(records: pd.DataFrame, earlier: Told, then: Told, cases: pd.Index) -> pd.DataFrame:
    """News of records that speak for a category, or that a complication of it rests on, in either evaluation."""
    key = ["case_id", "table", "record_id"]
    spoken = pd.concat([told.rows_of_cases("evidence", cases) for told in (earlier, then)])
    spoken = spoken.assign(record_id=spoken["record_id"].fillna(""))[[*key, "category"]].drop_duplicates()
    rests = [
        records.merge(_rested_on(told, cases).rename(columns={"place": when}), on=["case_id", when])
        for told, when in ((earlier, "before"), (then, "after"))
    ]
    return pd.concat([records.merge(spoken, on=key), *rests]).assign(kind="evidence")


def _rested_on(told: Told, cases: pd.Index) -> pd.DataFrame:
    """`case_id, category, place` (file:line) of what complications rest on."""
    rows = told.complications
    own = rows[rows["case_id"].isin(cases) & rows["evidence"].notna()]
    places = own.assign(place=own["evidence"].str.split("; ")).explode("place")
    return places[["case_id", "category", "place"]].drop_duplicates()


def _written(earlier: Told, then: Told) -> pd.DataFrame:
    """Decisions, links and merges in force in only one of the two, for each case they concern."""
    rows = pd.concat([_only(then, earlier), _only(earlier, then)], ignore_index=True)
    named = rows.rename(columns={"source_file": "file", "source_line": "line", "kind": "because"})
    named = named.assign(kind=named["because"], date=pd.to_datetime(named["decided_on"]).dt.date)
    named["line"] = pd.to_numeric(named["line"])
    direct = named[named["case_id"] != ""]
    return pd.concat([direct, *_of_records(named, earlier, then)], ignore_index=True)


def _only(told: Told, other: Told) -> pd.DataFrame:
    """Rows in force in one of two, with the cases of a merge's patient."""
    own, others = (each.decisions for each in (told, other))
    # numbers of patients mean nothing elsewhere: of merges the place tells whether it is the same one
    keys = [
        frame.assign(
            patient="",
            place=(frame["source_file"] + ":" + frame["source_line"]).where(frame["kind"] == "merge", ""),
        )
        for frame in (own, others)
    ]
    named = [*_WRITTEN, "place"]
    known = pd.MultiIndex.from_frame(keys[1][named])
    new = own[~pd.MultiIndex.from_frame(keys[0][named]).isin(known)]
    merges = new[new["kind"] == "merge"]
    patients = told.cases[["patient"]].reset_index().astype({"patient": str})
    of_merges = merges.drop(columns="case_id").merge(patients, on="patient")
    return pd.concat([new[new["kind"] != "merge"], of_merges], ignore_index=True)


def _of_records(named: pd.DataFrame, *both: Told) -> list[pd.DataFrame]:
    """Links for every case that their record is or was looked at for."""
    key = ["site", "table", "record_id"]
    links = named[(named["kind"] == "link") & (named["record_id"] != "")].drop(columns="case_id")
    found = []
    for told in both:
        rows = told.rows_of_ids(links["record_id"])
        rows = rows[rows["case_id"].notna()][["case_id", *key]].drop_duplicates()
        found.append(links.merge(rows, on=key))
    return found


def rules_changed(earlier: Told, now: Told) -> str:
    """The first of catalogue, settings, mappings and program that is another one; empty if none is."""

    def of(told: Told, start: str) -> dict[str, str]:
        return {name: digest for name, digest in told.inputs.items() if name.startswith(start)}

    for because, start in (
        ("catalogue", "catalogue.toml"),
        ("settings", "audit.toml"),
        ("mapping", "mappings/"),
    ):
        if of(earlier, start) != of(now, start):
            return because
    return "" if dict(earlier.versions) == dict(now.versions) else "program_version"


def causes_of(asked: pd.DataFrame, news: pd.DataFrame, rules: str) -> pd.DataFrame:
    """The nearest news of each difference.

    Args:
        asked: `case_id`, `field`, `sort` (a key of NEAREST) and `category` (empty but of complications).
        news: As `news_of` gives it.
        rules: As `rules_changed` gives it.

    Returns:
        `because, file, line`, one row for each of `asked`, in its order.
    """
    numbered = asked.reset_index(drop=True).reset_index(names="number")
    pairs = numbered.merge(news, on="case_id", suffixes=("", "_of_news"))
    speaks = ~pairs["kind"].isin(["decision", "evidence"]) | (pairs["category"] == pairs["category_of_news"])
    pairs = pairs[speaks]
    if rules:
        own = numbered.assign(kind="rules", because=rules, file=None, line=None, date=None)
        pairs = pd.concat([pairs, own], ignore_index=True) if len(pairs) else own
    ranks = {(sort, kind): rank for sort, kinds in NEAREST.items() for rank, kind in enumerate(kinds)}
    order = [ranks.get(pair, -1) for pair in zip(pairs["sort"], pairs["kind"], strict=True)]
    pairs = pairs.assign(rank=order, latest=pd.to_datetime(pairs["date"], errors="coerce"))
    pairs = pairs[pairs["rank"] >= 0].sort_values(
        ["number", "rank", "latest", "file", "line"], ascending=[True, True, False, True, True], kind="stable"
    )
    nearest = pairs.drop_duplicates("number").set_index("number")[["because", "file", "line"]]
    found = nearest.reindex(range(len(numbered))).astype(object)
    found["because"] = found["because"].fillna("other_records")
    return found.where(found.notna(), None)


def with_members(asked: pd.DataFrame, causes: pd.DataFrame) -> pd.DataFrame:
    """Causes in which any complication has that of its members, where one of those moved: the first by category."""
    both = pd.concat([asked.reset_index(drop=True), causes], axis=1)
    members = both[(both["sort"] == "complication") & (both["category"] != ANY_COMPLICATION)]
    first = members.sort_values(["case_id", "field"]).drop_duplicates("case_id").set_index("case_id")
    whole = both["category"] == ANY_COMPLICATION
    for column in causes.columns:
        own = both["case_id"].map(first[column])
        both.loc[whole & both["case_id"].isin(first.index), column] = own
    return both[list(causes.columns)].where(both[list(causes.columns)].notna(), None)
