"""Lists of cases, complications and records: integers become ids, words, days and places in files again."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import (
    AWAITING,
    COUNTED,
    HEARD,
    LETTER,
    PENDING,
    PRESENT,
    REFUTED,
    RETURNED,
    SIDE_LETTERS,
    STATUSES,
    STRENGTHS,
    UNATTRIBUTED,
    UNCERTAIN,
    Accepted,
    Labels,
)
from pipeline.publish.chains import last_operation_rows
from schemas.exports import DAY_COLUMN, ID_COLUMN, SEVERITY_GRADES


@dataclass(frozen=True)
class Lists:
    """What the lists are made of, over all cases: frames as Linked and Classified have them."""

    accepted: Accepted
    labels: Labels
    cases: pd.DataFrame
    complications: pd.DataFrame
    evidence: pd.DataFrame
    records: pd.DataFrame
    unattributed: pd.DataFrame
    unread: pd.DataFrame
    decided: pd.DataFrame
    heard: pd.DataFrame
    chain: pd.DataFrame
    returns: pd.DataFrame
    concomitant: pd.DataFrame

    @cached_property
    def case_ids(self) -> np.ndarray:
        """`<site>.<operation_id>.<L|R|N>` of every case."""
        told: np.ndarray = self.case_names.to_numpy(zero_copy_only=False)
        return told

    @cached_property
    def case_names(self) -> pa.Array:
        """The same in Arrow."""
        cases = self.cases
        sites = pa.array(self.labels.sites, pa.string()).take(pa.array(cases["site"].to_numpy()))
        rows = pa.array(cases["row"].to_numpy())
        operations = self.accepted.tables["operations"]["operation_id"].take(rows).cast(pa.string())
        letters = pa.array(list(SIDE_LETTERS), pa.string()).take(pa.array(cases["side"].to_numpy()))
        joined = pc.binary_join_element_wise(sites, operations, letters, ".")
        return joined.combine_chunks() if isinstance(joined, pa.ChunkedArray) else joined

    def cases_called(self, case_ids: pd.Series) -> np.ndarray:
        """int64: the cases with these ids, which are few; -1 where no case has it."""
        asked = pa.array(case_ids, pa.string())
        named = pc.is_in(self.case_names, asked).to_numpy(zero_copy_only=False)
        at = np.append(np.flatnonzero(named), -1)
        found = pc.index_in(asked, self.case_names.filter(pa.array(named)))
        return at[pc.fill_null(found, -1).to_numpy()]

    @cached_property
    def evidence_texts(self) -> pd.DataFrame:
        """`case, category, level, evidence`: the records each row rests on, in time order; of any complication, its members'."""
        key = ["case", "category", "level"]
        found = self.evidence.assign(reference=self.references(self.evidence))
        counted = self.complications[self.complications["status"] == COUNTED]
        any_category = len(self.labels.categories) - 1
        members = counted[(counted["level"] == 0) & (counted["category"] < any_category)][key]
        of_any = found.merge(members, on=key).assign(category=any_category, level=0)
        both = pd.concat([found, of_any]).sort_values([*key, "day", "reference"])
        both = both.drop_duplicates([*key, "reference"])
        first = ~both.duplicated(key).to_numpy()
        return both.loc[first, key].assign(evidence=_joined(both["reference"].to_numpy(dtype=object), first))

    def texts(self, table: str, column: str, rows: np.ndarray) -> np.ndarray:
        own = self.accepted.tables[table][column].take(pa.array(rows))
        told: np.ndarray = own.to_numpy().astype(object, copy=False)
        return told

    def places(self, table: str, rows: np.ndarray) -> pd.DataFrame:
        """`source_file` and `source_line` of accepted rows."""
        own = self.accepted.tables[table].select(["source_number", "source_line"]).take(pa.array(rows))
        files = np.array([source.source_file for source in self.accepted.sources], dtype=object)
        return pd.DataFrame(
            {
                "source_file": files[own["source_number"].to_numpy()],
                "source_line": own["source_line"].to_numpy(),
            }
        )

    def places_of(self, frame: pd.DataFrame) -> pd.DataFrame:
        """`source_file` and `source_line` of each row's record, for a frame with `table` and `row`."""
        told = pd.DataFrame({"source_file": "", "source_line": np.int64(0)}, index=np.arange(len(frame)))
        for table in frame["table"].unique():
            own = (frame["table"] == table).to_numpy()
            told.loc[own] = self.places(table, frame["row"].to_numpy()[own]).to_numpy()
        return told.astype({"source_line": "int64"})

    def references(self, frame: pd.DataFrame) -> np.ndarray:
        """`file:line` of each row's record, for a frame with `table` and `row`."""
        told = np.full(len(frame), "", dtype=object)
        for table in frame["table"].unique():
            own = (frame["table"] == table).to_numpy()
            place = self.places(table, frame["row"].to_numpy()[own])
            told[own] = (place["source_file"] + ":" + place["source_line"].astype(str)).to_numpy()
        return told

    def named(
        self, labels: tuple[str, ...], positions: np.ndarray | pd.Series, missing: str | None = "unknown"
    ) -> np.ndarray:
        return np.array([*labels, missing], dtype=object)[np.asarray(positions)]

    def worded(
        self, labels: tuple[str, ...], positions: np.ndarray | pd.Series, missing: str = "unknown"
    ) -> pd.Series:
        """The same of very many rows, as a column whose texts Python need not take in hand."""
        words = pa.array([*labels, missing], pa.string())
        return in_arrow(words.take(pa.array(np.asarray(positions) % len(words))))


def in_arrow(texts: pa.Array | pa.ChunkedArray) -> pd.Series:
    return pd.Series(pd.arrays.ArrowExtensionArray(texts))


def days_or_none(days: np.ndarray) -> np.ndarray:
    known = days > -(2**29)
    return np.where(known, np.where(known, days, 0).astype("datetime64[D]"), np.datetime64("NaT", "D"))


def _joined(references: np.ndarray, first: np.ndarray) -> np.ndarray:
    """One text for each run of references; `first` marks where a run begins. Most have one reference alone."""
    starts = np.flatnonzero(first)
    ends = np.append(starts[1:], len(first))
    texts = references[starts]
    for run in np.flatnonzero(ends - starts > 1):
        texts[run] = "; ".join(references[starts[run] : ends[run]])
    return texts


def complications_list(lists: Lists) -> pd.DataFrame:
    """The published `complications`: counted before awaiting where any complication has both."""
    rows = lists.complications.drop_duplicates(["case", "category", "level"])
    key = ["case", "category", "level"]
    told = lists.evidence_texts
    texts = rows[key].merge(told, how="left", on=key)["evidence"].fillna("")
    day = rows["day"].to_numpy()
    return pd.DataFrame(
        {
            "case_id": lists.case_ids[rows["case"]] if len(rows) else [],
            "category": lists.named(lists.labels.categories, rows["category"]),
            "level": _level_names(lists.labels, rows),
            "day": pd.Series(day, dtype="Int64").mask(day < 0).array,
            "strength": lists.named(STRENGTHS, rows["strength"], None),
            "status": lists.named(STATUSES, rows["status"]),
            "evidence": texts.to_numpy(dtype=object),
            "severity_grade": lists.named(SEVERITY_GRADES, rows["grade"], None),
            "parent": lists.named(lists.labels.categories, rows["parent"], None),
            "last_operation": lists.texts(
                "operations", "operation_id", last_operation_rows(rows, lists.cases, lists.chain)
            ),
            "known_on": days_or_none(rows["learned"].to_numpy()),
            "known_late": rows["late"].to_numpy().astype(bool),
        }
    )


def _level_names(labels: Labels, rows: pd.DataFrame) -> list[str]:
    return [labels.levels[c][level] for c, level in zip(rows["category"], rows["level"], strict=True)]


def unattributed_list(lists: Lists) -> pd.DataFrame:
    """The published `unattributed`."""
    parts = []
    for table, own in lists.unattributed.groupby("table"):
        rows = own["row"].to_numpy()
        listed = pd.DataFrame(
            {
                "site": lists.texts(str(table), "site", rows),
                "table": table,
                "record_id": lists.texts(str(table), ID_COLUMN[str(table)], rows),
                "why": lists.named(UNATTRIBUTED, own["why"]),
            }
        )
        parts.append(pd.concat([listed, lists.places(str(table), rows)], axis=1))
    columns = ["site", "table", "record_id", "why", "source_file", "source_line"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def review_list(lists: Lists, findings: pd.DataFrame | None = None) -> pd.DataFrame:
    """What waits for people: `case_id, category, why, evidence` of the published `review`.

    Args:
        findings: What was found about rows; a record whose day is not whole is a question.
    """
    parts = [_awaiting(lists), _waiting_records(lists), _unread_notes(lists)]
    parts += [_unsure_letters(lists), _letters_of_several(lists)]
    if findings is not None:
        parts.append(_undated(lists, findings))
    columns = ["case_id", "category", "why", "evidence"]
    return pd.concat(parts, ignore_index=True)[columns].drop_duplicates(ignore_index=True)


def _named_rows(lists: Lists, case: pd.Series, category: pd.Series) -> pd.DataFrame:
    """`case_id` and `category` of cases and categories (-1: not known)."""
    return pd.DataFrame(
        {
            "case_id": lists.case_ids[case] if len(case) else np.zeros(0, dtype=object),
            "category": lists.named(lists.labels.categories, category, ""),
        }
    )


def _awaiting(lists: Lists) -> pd.DataFrame:
    """What would count if confirmed, but for what only waits for a link; each category at the first such level."""
    rows = lists.complications
    own = rows[(rows["status"] == AWAITING) & (rows["category"] < len(lists.labels.categories) - 1)]
    key = ["case", "category", "level"]
    waiting = lists.evidence[lists.evidence["pending"] & lists.evidence["used"]]
    own = own[~pd.MultiIndex.from_frame(own[key]).isin(pd.MultiIndex.from_frame(waiting[key]))]
    own = own.drop_duplicates(key[:2])
    decided = pd.MultiIndex.from_frame(own[key[:2]]).isin(pd.MultiIndex.from_frame(lists.decided[key[:2]]))
    told = own[key].merge(lists.evidence_texts, how="left", on=key)["evidence"].fillna("")
    weak = "only " + lists.named(STRENGTHS, own["strength"], "") + " evidence"
    late = lists.evidence[(lists.evidence["kind"] == RETURNED) & (lists.evidence["strength"] == 0)]
    planned = pd.MultiIndex.from_frame(own[key]).isin(pd.MultiIndex.from_frame(late[key]))
    heard = lists.evidence[(lists.evidence["kind"] == LETTER) & lists.evidence["used"]]
    letter = pd.MultiIndex.from_frame(own[key]).isin(pd.MultiIndex.from_frame(heard[key]))
    reasons = [SPLIT, "planned only after the operation", SAID_IN_A_LETTER]
    why = np.select([decided, planned, letter], reasons, weak)
    return _named_rows(lists, own["case"], own["category"]).assign(
        why=why, evidence=told.to_numpy(dtype=object)
    )


SPLIT = "reviewers differ"
SAID_IN_A_LETTER = "a letter says so"
UNSURE = "a letter is unsure: "  # and the category
OF_SEVERAL = "a letter says so of one of several operations"


def _waiting_records(lists: Lists) -> pd.DataFrame:
    """Records that await a link, once for each case they might belong to and category they speak for."""
    speaks = lists.evidence[lists.evidence["pending"]][["table", "row", "category"]].drop_duplicates()
    own = lists.records[lists.records["pending"]].merge(speaks, how="left", on=["table", "row"])
    own["category"] = own["category"].fillna(-1).astype("int64")
    rows = _named_rows(lists, own["case"], own["category"])
    return rows.assign(why=lists.named(PENDING, own["why"]), evidence=lists.references(own))


def _unread_notes(lists: Lists) -> pd.DataFrame:
    own = lists.unread
    return pd.DataFrame(
        {
            "case_id": lists.case_ids[own["case"]] if len(own) else [],
            "category": "",
            "why": "a note without a code, not understood",
            "evidence": lists.references(own),
        }
    )


def _main_rows(frame: pd.DataFrame, rows: pd.DataFrame) -> np.ndarray:
    """bool over `frame`: its case and category are among `rows`."""
    key = ["case", "category"]
    return pd.MultiIndex.from_frame(frame[key]).isin(pd.MultiIndex.from_frame(rows[key]))


def _unsure_letters(lists: Lists) -> pd.DataFrame:
    """Letters that are unsure of something nobody has settled: a question without a category, since none is claimed."""
    heard = lists.heard
    own = heard[(heard["assertion"] == UNCERTAIN) & (heard["why"] == HEARD)]
    rows = lists.complications
    known = rows[rows["status"].isin([COUNTED, REFUTED, AWAITING]) & (rows["level"] == 0)]
    own = own[~_main_rows(own, known) & ~_main_rows(own, lists.decided)]
    named = _named_rows(lists, own["case"], own["category"])
    return named.assign(why=UNSURE + named["category"], category="", evidence=lists.references(own))


def _letters_of_several(lists: Lists) -> pd.DataFrame:
    """Letters of visits that name no operation, about one of several cases of the patient."""
    heard = lists.heard
    own = heard[(heard["assertion"] == PRESENT) & (heard["why"] == HEARD) & heard["pending"]]
    key = ["table", "row"]
    waiting = lists.records[lists.records["pending"]]
    own = own[~pd.MultiIndex.from_frame(own[key]).isin(pd.MultiIndex.from_frame(waiting[key]))]
    rows = lists.complications
    own = own[~_main_rows(own, rows[(rows["status"] == COUNTED) & (rows["level"] == 0)])]
    return _named_rows(lists, own["case"], own["category"]).assign(
        why=OF_SEVERAL, evidence=lists.references(own)
    )


def _undated(lists: Lists, findings: pd.DataFrame) -> pd.DataFrame:
    """Records other than operations that are held back because their date lacks its day, and were not sent right since."""
    own = findings[
        (findings["rule"] == "date_partial") & (findings["column"] == findings["table"].map(DAY_COLUMN))
    ]
    own = own[own["table"] != "operations"]
    sent_right = np.zeros(len(own), dtype=bool)
    for table in own["table"].unique():
        accepted = lists.accepted.tables[table]
        known = pd.MultiIndex.from_arrays(
            [accepted["site"].to_pandas(), accepted[ID_COLUMN[table]].to_pandas()]
        )
        here = (own["table"] == table).to_numpy()
        sent_right[here] = pd.MultiIndex.from_frame(own.loc[here, ["site", "record_id"]]).isin(known)
    own = own[~sent_right]
    return pd.DataFrame(
        {
            "case_id": "",
            "category": "",
            "why": "the date lacks its day",
            "evidence": (own["source_file"] + ":" + own["source_line"].astype("string")).to_numpy(
                dtype=object
            ),
        }
    )
