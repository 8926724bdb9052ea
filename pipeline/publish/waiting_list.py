"""What waits for people: complications with weak evidence, records without a case, notes nobody could sort."""

from __future__ import annotations

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
    STRENGTHS,
    UNCERTAIN,
)
from pipeline.publish.coded import among, begins, coded, one_nothing, repeated_words, rows_alike
from pipeline.publish.lists import Lists
from pipeline.publish.tables import in_order
from schemas.exports import DAY_COLUMN, ID_COLUMN
from schemas.published import PUBLISHED

NONE = -1
SPLIT = "reviewers differ"
SAID_IN_A_LETTER = "a letter says so"
UNSURE = "a letter is unsure: "  # and the category
OF_SEVERAL = "a letter says so of one of several operations"


def waiting_list(lists: Lists, findings: pd.DataFrame | None = None) -> pd.DataFrame:
    """A line a question: `case`, `category` (-1: none), `meant` (the category in question), `why`, `place`, `evidence`.

    `place` is the line of the one record it rests on, as in `Lists.place_numbers`; -1 where it may be several. Only then
    `evidence` tells them; `evidence_of` tells both.

    Args:
        findings: What was found about rows; a record whose day is not whole is a question.
    """
    parts = [_awaiting(lists), _waiting_records(lists), _unread_notes(lists)]
    parts += [_unsure_letters(lists), _letters_of_several(lists)]
    if findings is not None:
        parts.append(_undated(lists, findings))
    return pd.concat(parts, ignore_index=True)


def review_table(asked: pd.DataFrame, lists: Lists, would_move: pa.Array | None = None) -> pa.Table:
    """The published `review` of such lines, as it is written."""
    columns = {
        "case_id": lists.ids(asked["case"]),
        "category": coded(lists.labels.categories, asked["category"]),
        "why": repeated_words(asked["why"].to_numpy(object)),
        "would_move": pa.nulls(len(asked), pa.string()) if would_move is None else would_move,
        "evidence": one_nothing(evidence_of(asked, lists)),
    }
    return in_order(pa.table(columns), PUBLISHED["review"])


def evidence_of(asked: pd.DataFrame, lists: Lists) -> pa.Array:
    """The records that each question rests on, each `file:line`, joined; empty for none."""
    place = asked["place"].to_numpy(np.int64)
    told = pa.array(asked["evidence"].to_numpy(object), pa.string())
    return pc.if_else(pa.array(place != NONE), lists.reference_texts(np.maximum(place, 0)), told)


def _asked(
    case: object, category: object, meant: object, why: object, place: object, evidence: np.ndarray
) -> pd.DataFrame:
    many = len(evidence)
    numbers = {"case": (case, np.int32), "category": (category, np.int16), "meant": (meant, np.int16)}
    columns = {
        name: np.broadcast_to(np.asarray(each, kind), many)
        for name, (each, kind) in {**numbers, "place": (place, np.int64)}.items()
    }
    words = np.broadcast_to(np.asarray(why, object), many)
    return pd.DataFrame({**columns, "why": words, "evidence": evidence})


def _at_places(
    case: pd.Series, category: object, meant: object, why: object, place: np.ndarray
) -> pd.DataFrame:
    """Questions that rest on one record each, none twice."""
    nothing = np.full(len(place), "", object)
    asked = _asked(case.to_numpy(), category, meant, why, place, nothing)
    return asked[~asked[["case", "category", "meant", "why", "place"]].duplicated().to_numpy()]


def _awaiting(lists: Lists) -> pd.DataFrame:
    """What would count if confirmed, but for what only waits for a link; each category at the first such level."""
    rows = lists.complications
    own = rows[(rows["status"] == AWAITING) & (rows["category"] < len(lists.labels.categories) - 1)]
    waiting = lists.evidence[lists.evidence["pending"] & lists.evidence["used"]]
    own = own[~among(lists.keys(own), lists.keys(waiting))]
    own = own[~pd.Series(lists.pairs(own["case"], own["category"])).duplicated().to_numpy()]
    late = lists.evidence[(lists.evidence["kind"] == RETURNED) & (lists.evidence["strength"] == 0)]
    heard = lists.evidence[(lists.evidence["kind"] == LETTER) & lists.evidence["used"]]
    key = lists.keys(own)
    told = [
        _main_rows(own, lists.decided, lists),
        among(key, lists.keys(late)),
        among(key, lists.keys(heard)),
    ]
    reasons = [SPLIT, "planned only after the operation", SAID_IN_A_LETTER]
    weak = np.array([*(f"only {word} evidence" for word in STRENGTHS), "only  evidence"], object)
    why = np.select(told, reasons, weak[own["strength"].to_numpy()])
    category = own["category"].to_numpy()
    evidence = lists.rests_on(key).fill_null("").to_numpy(zero_copy_only=False)
    return _asked(own["case"].to_numpy(), category, category, why, NONE, evidence)


def _waiting_records(lists: Lists) -> pd.DataFrame:
    """Records that await a link, once for each case they might belong to and category they speak for."""
    own = lists.records[lists.records["pending"]]
    speaks = lists.evidence[lists.evidence["pending"]]
    number, theirs = lists.record_numbers(own), lists.record_numbers(speaks)
    order = np.lexsort((speaks["category"].to_numpy(), theirs))
    theirs, about = theirs[order], speaks["category"].to_numpy(np.int64)[order]
    new = begins(theirs) | begins(about)
    theirs, about = theirs[new], about[new]
    at, spoken = rows_alike(number, theirs)
    silent = np.ones(len(own), bool)
    silent[at] = False
    at = np.concatenate([np.flatnonzero(silent), at])
    category = np.append(np.full(int(silent.sum()), NONE), about[spoken])
    order = np.argsort(at, kind="stable")
    found, category = own.iloc[at[order]], category[order]
    why = np.array([*PENDING, "unknown"], object)[found["why"].to_numpy()]
    return _at_places(found["case"], category, category, why, lists.place_numbers(found))


def _unread_notes(lists: Lists) -> pd.DataFrame:
    why = "a note without a code, not understood"
    return _at_places(lists.unread["case"], NONE, NONE, why, lists.place_numbers(lists.unread))


def _main_rows(frame: pd.DataFrame, rows: pd.DataFrame, lists: Lists) -> np.ndarray:
    """bool over `frame`: its case and category are among `rows`."""
    theirs, known = (lists.pairs(each["case"], each["category"]) for each in (frame, rows))
    return among(theirs, known)


def _unsure_letters(lists: Lists) -> pd.DataFrame:
    """Letters that are unsure of something nobody has settled: a question without a category, since none is claimed."""
    heard = lists.heard
    own = heard[(heard["assertion"] == UNCERTAIN) & (heard["why"] == HEARD)]
    rows = lists.complications
    known = rows[rows["status"].isin([COUNTED, REFUTED, AWAITING]) & (rows["level"] == 0)]
    own = own[~_main_rows(own, known, lists) & ~_main_rows(own, lists.decided, lists)]
    why = UNSURE + lists.named(lists.labels.categories, own["category"], "")
    return _at_places(own["case"], NONE, own["category"].to_numpy(), why, lists.place_numbers(own))


def _letters_of_several(lists: Lists) -> pd.DataFrame:
    """Letters of visits that name no operation, about one of several cases of the patient."""
    heard = lists.heard
    own = heard[(heard["assertion"] == PRESENT) & (heard["why"] == HEARD) & heard["pending"]]
    waiting = lists.records[lists.records["pending"]]
    own = own[~among(lists.record_numbers(own), lists.record_numbers(waiting))]
    rows = lists.complications
    own = own[~_main_rows(own, rows[(rows["status"] == COUNTED) & (rows["level"] == 0)], lists)]
    category = own["category"].to_numpy()
    return _at_places(own["case"], category, category, OF_SEVERAL, lists.place_numbers(own))


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
    texts = own["source_file"] + ":" + own["source_line"].astype("string")
    distinct = texts.drop_duplicates().to_numpy(object)
    return _asked(NONE, NONE, NONE, "the date lacks its day", NONE, distinct)
