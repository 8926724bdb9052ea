"""Integers become ids, words, days and places in files again. Three cases, typed in by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.handover import (
    AWAITING,
    COUNTED,
    NEVER,
    PENDING,
    REFUTED,
    STATUSES,
    STRENGTHS,
    UNATTRIBUTED,
    Accepted,
    Labels,
    Source,
)
from pipeline.publish import cases_list as of_cases
from pipeline.publish import lists as made
from pipeline.publish.coded import in_words
from pipeline.publish.lists import Lists, unattributed_list
from pipeline.publish.markup import references, references_of_each
from pipeline.publish.waiting_list import review_table, waiting_list
from schemas.published import PUBLISHED

FOLDER = "received/harbour/2026-11-02"
CRACK, TIGHT, ANY = range(3)
POSSIBLE, PROBABLE = STRENGTHS.index("possible"), STRENGTHS.index("probable")
LABELS = Labels(
    sites=("harbour", "meadow"),
    groups=("sew", "plate", "sew+plate"),
    surgeons=("harbour/s1",),
    fixations=("peg;wire",),
    age_bands=("0-24", "25+"),
    categories=("crack", "tight", "any_complication"),
    levels=(("any", "mild"), ("lasting",), ("any",)),
)
CASES = pd.DataFrame(
    {
        "row": [2, 0, 1],
        "site": [0, 0, 1],
        "operation": [0, 1, 2],
        "side": [0, 1, 2],
        "patient": [5, 5, 7],
        "procedure": [0, 1, 0],
        "group": [2, 1, 0],
        "performed": [(date(2025, 3, 1) - date(1970, 1, 1)).days] * 3,
        "surgeon": [0, -1, 0],
        "fixation": [0, -1, 0],
        "age_band": [0, 1, -1],
        "sex": [0, 1, -1],
        "isolated": [True, False, True],
        "counted": [True, True, True],
        "known_until": [20_000, 20_000, -(2**30)],
        "contact_until": [0, 12, 40],
        "records_until": [300, 400, -9],
        "died": [int(NEVER), 0, 33],
    }
)


def table(id_column: str, ids: list[str], sites: list[str], file: int) -> pa.Table:
    return pa.table(
        {
            id_column: ids,
            "site": sites,
            "source_number": pa.array([file] * len(ids), pa.int32()),
            "source_line": pa.array(range(2, len(ids) + 2), pa.int64()),
        }
    )


def source(name: str) -> Source:
    return Source("harbour", date(2026, 11, 2), f"{FOLDER}/{name}.csv", "", name, name)


ACCEPTED = Accepted(
    (source("operations"), source("events"), source("followups")),
    {
        "operations": table("operation_id", ["o.9", "x1", "a-1"], ["harbour", "meadow", "harbour"], 0),
        "events": table("event_id", ["e1", "e2", "e3", "e4"], ["harbour"] * 4, 1),
        "followups": table("followup_id", ["f1"], ["meadow"], 2),
    },
)


def rows(columns: str, *found: tuple[Any, ...]) -> pd.DataFrame:
    names = columns.split()
    numbers = {name: "int64" for name in names if name not in ("table", "pending")}
    return pd.DataFrame(list(found), columns=names).astype(numbers)


def complications(*found: tuple[Any, ...]) -> pd.DataFrame:
    frame = rows("case category level day strength status", *found)
    return frame.assign(grade=-1, parent=-1, learned=(date(2026, 10, 5) - date(1970, 1, 1)).days, late=True)


def evidence(*found: tuple[Any, ...]) -> pd.DataFrame:
    frame = rows("case category level table row day pending", *found)
    return frame.assign(pending=frame["pending"].astype(bool), used=True, kind=0, strength=0)


def records(*found: tuple[Any, ...]) -> pd.DataFrame:
    frame = rows("table row case pending why", *found)
    return frame.assign(pending=frame["pending"].astype(bool))


def chain(*found: tuple[Any, ...]) -> pd.DataFrame:
    frame = rows("case day row pending", *found)
    return frame.assign(pending=frame["pending"].astype(bool))


def cases_list(lists: Lists) -> pd.DataFrame:
    return in_words(of_cases.cases_list(lists)).to_pandas()


def complications_list(lists: Lists) -> pd.DataFrame:
    return in_words(made.complications_list(lists)).to_pandas()


def review_list(lists: Lists) -> pd.DataFrame:
    """As published, but for what an answer would move."""
    table = in_words(review_table(waiting_list(lists), lists)).drop_columns("would_move")
    return table.to_pandas().astype(object).fillna("")


@pytest.fixture
def lists() -> Lists:
    """Nothing happened to anybody."""
    return Lists(
        ACCEPTED,
        LABELS,
        CASES,
        complications=complications(),
        evidence=evidence(),
        records=records(),
        unattributed=rows("table row why"),
        unread=rows("case table row"),
        heard=rows("case table row day category assertion side why pending"),
        decided=rows("case category"),
        chain=chain(),
        returns=rows("case role"),
        concomitant=rows("case procedure"),
    )


# ----------------------------------------------------------------------------------------------------- cases


def test_case_ids_are_site_operation_and_letter(lists: Lists) -> None:
    assert lists.case_ids.tolist() == ["harbour.a-1.L", "harbour.o.9.R", "meadow.x1.N"]


def test_cases_are_found_by_their_ids(lists: Lists) -> None:
    asked = pd.Series(["harbour.o.9.R", "", "meadow.x1.L", "harbour.a-1.L", "harbour.o.9.R"])
    assert lists.cases_called(asked).tolist() == [1, -1, -1, 0, 1]
    assert lists.cases_called(asked[:0]).tolist() == []


def test_a_case_in_words(lists: Lists) -> None:
    found = cases_list(lists)
    assert list(found.columns) == list(PUBLISHED["cases"].names)
    first = found.iloc[0]
    assert first[["site", "operation_id", "side", "procedure", "group"]].tolist() == [
        "harbour", "a-1", "left", "sew", "sew+plate",
    ]  # fmt: skip
    assert first[["surgeon", "fixation", "age_band", "sex"]].tolist() == [
        "harbour/s1", "peg;wire", "0-24", "female",
    ]  # fmt: skip
    assert pd.Timestamp(first["performed_on"]) == pd.Timestamp("2025-03-01")
    assert first[["source_file", "source_line"]].tolist() == [f"{FOLDER}/operations.csv", 4]


def test_what_is_not_known_says_so(lists: Lists) -> None:
    found = cases_list(lists)
    assert found["surgeon"].tolist()[1] == "unattributed"
    assert (
        found["fixation"].tolist()[1]
        == found["age_band"].tolist()[2]
        == found["sex"].tolist()[2]
        == "unknown"
    )
    assert pd.isna(found["died"].iloc[0])
    assert found["died"].tolist()[1:] == [0, 33]
    assert pd.isna(found["known_until"].iloc[2])
    assert found["records_until"].tolist() == [300, 400, 0]


def test_cases_before_the_first_date_counted_are_not_listed(lists: Lists) -> None:
    later = replace(lists, cases=CASES.assign(counted=[False, True, True]))
    assert cases_list(later)["case_id"].tolist() == ["harbour.o.9.R", "meadow.x1.N"]


# --------------------------------------------------------------------------------------------- complications


def test_a_complication_with_its_evidence_in_time_order(lists: Lists) -> None:
    found = complications_list(
        replace(
            lists,
            complications=complications(
                (1, CRACK, 1, 41, PROBABLE, COUNTED), (1, TIGHT, 0, -1, POSSIBLE, AWAITING)
            ),
            evidence=evidence(
                (1, CRACK, 1, "events", 0, 60, False),
                (1, CRACK, 1, "followups", 0, 41, False),
                (1, CRACK, 1, "events", 0, 60, False),
                (1, CRACK, 0, "events", 3, 10, False),
            ),
        )
    )
    assert list(found.columns) == list(PUBLISHED["complications"].names)
    crack, tight = (found.iloc[number] for number in range(2))
    assert crack[["case_id", "category", "level", "day", "strength", "status"]].tolist() == [
        "harbour.o.9.R", "crack", "mild", 41, "probable", "counted",
    ]  # fmt: skip
    assert crack["evidence"] == f"{FOLDER}/followups.csv:2; {FOLDER}/events.csv:2"
    assert crack["known_on"] == date(2026, 10, 5)
    assert pd.isna(tight["day"])
    assert pd.isna(tight["evidence"])


def test_any_complication_rests_on_what_its_counted_members_rest_on(lists: Lists) -> None:
    found = complications_list(
        replace(
            lists,
            complications=complications(
                (0, CRACK, 0, 41, PROBABLE, COUNTED),
                (0, TIGHT, 0, 9, POSSIBLE, AWAITING),
                (0, ANY, 0, 41, PROBABLE, COUNTED),
                (0, ANY, 0, 9, POSSIBLE, AWAITING),
            ),
            evidence=evidence((0, CRACK, 0, "events", 1, 41, False), (0, TIGHT, 0, "events", 2, 9, False)),
        )
    )
    anything = found[found["category"] == "any_complication"]
    assert anything[["day", "status", "evidence"]].to_numpy().tolist() == [
        [41, "counted", f"{FOLDER}/events.csv:3"]
    ]


@pytest.mark.parametrize("status", range(len(STATUSES)))
def test_every_status_has_its_word(lists: Lists, status: int) -> None:
    one = replace(lists, complications=complications((0, CRACK, 0, 5, POSSIBLE, status)))
    assert complications_list(one)["status"].tolist() == [STATUSES[status]]


# ---------------------------------------------------------------------------------------------- unattributed


def test_what_belongs_to_no_case_with_its_place(lists: Lists) -> None:
    why = [UNATTRIBUTED.index(word) for word in ("other_side", "before", "elsewhere")]
    found = unattributed_list(
        replace(
            lists,
            unattributed=rows(
                "table row why", ("events", 2, why[0]), ("followups", 0, why[1]), ("operations", 1, why[2])
            ),
        )
    )
    assert list(found.columns) == list(PUBLISHED["unattributed"].names)
    assert found.to_numpy().tolist() == [
        ["harbour", "events", "e3", "other_side", f"{FOLDER}/events.csv", 4],
        ["meadow", "followups", "f1", "before", f"{FOLDER}/followups.csv", 2],
        ["meadow", "operations", "x1", "elsewhere", f"{FOLDER}/operations.csv", 3],
    ]


# ---------------------------------------------------------------------------------------------------- review

WAITS = PENDING.index("side not given")


def test_weak_evidence_of_a_main_level_is_to_review(lists: Lists) -> None:
    found = review_list(
        replace(
            lists,
            complications=complications(
                (1, CRACK, 0, 41, POSSIBLE, AWAITING), (1, CRACK, 1, 41, POSSIBLE, AWAITING),
                (1, ANY, 0, 41, POSSIBLE, AWAITING), (0, CRACK, 0, 41, PROBABLE, COUNTED),
                (2, CRACK, 0, 41, PROBABLE, REFUTED),
            ),
            evidence=evidence((1, CRACK, 0, "events", 1, 41, False)),
        ),
    )  # fmt: skip
    assert found.to_numpy().tolist() == [
        ["harbour.o.9.R", "crack", "only possible evidence", f"{FOLDER}/events.csv:3"]
    ]


def test_reviewers_who_differ_are_said_to(lists: Lists) -> None:
    split = replace(
        lists,
        complications=complications((0, TIGHT, 0, -1, POSSIBLE, AWAITING)),
        decided=rows("case category", (0, TIGHT)),
    )
    assert review_list(split)[["category", "why", "evidence"]].to_numpy().tolist() == [
        ["tight", "reviewers differ", ""]
    ]


def test_a_record_that_waits_is_there_once_per_candidate_case(lists: Lists) -> None:
    """It awaits at the first candidate, and is no weak evidence beside."""
    waiting = replace(
        lists,
        complications=complications((0, CRACK, 0, 41, POSSIBLE, AWAITING)),
        evidence=evidence((0, CRACK, 0, "events", 3, 41, True)),
        records=records(
            ("events", 3, 0, True, WAITS), ("events", 3, 1, True, WAITS), ("events", 0, 0, False, -1)
        ),
    )
    assert review_list(waiting)[["case_id", "category", "why", "evidence"]].to_numpy().tolist() == [
        ["harbour.a-1.L", "crack", "side not given", f"{FOLDER}/events.csv:5"],
        ["harbour.o.9.R", "crack", "side not given", f"{FOLDER}/events.csv:5"],
    ]


def test_a_waiting_record_that_speaks_for_nothing_has_no_category(lists: Lists) -> None:
    waiting = replace(lists, records=records(("followups", 0, 2, True, WAITS)))
    assert review_list(waiting)[["case_id", "category"]].to_numpy().tolist() == [["meadow.x1.N", ""]]


def test_a_note_nobody_has_read_has_no_category(lists: Lists) -> None:
    unread = replace(lists, unread=rows("case table row", (1, "events", 0)))
    assert review_list(unread).to_numpy().tolist() == [
        ["harbour.o.9.R", "", "a note without a code, not understood", f"{FOLDER}/events.csv:2"]
    ]


def test_nothing_gives_empty_lists_of_the_right_shape(lists: Lists) -> None:
    none = replace(lists, cases=CASES.iloc[:0])
    found = {
        "cases": cases_list(none),
        "complications": complications_list(none),
        "unattributed": unattributed_list(none),
        "review": review_list(none),
    }
    for name, frame in found.items():
        assert len(frame) == 0, name
        assert set(frame.columns) <= set(PUBLISHED[name].names), name
    assert none.case_ids.tolist() == []


def test_lists_leave_their_frames_alone(lists: Lists) -> None:
    before = CASES.copy()
    cases_list(lists)
    review_list(lists)
    pd.testing.assert_frame_equal(lists.cases, before)
    assert np.array_equal(lists.case_ids, lists.case_ids)


@pytest.mark.parametrize(
    "told", ["", "received/a/b & c.csv:1", "received/a/d' e.csv:2; received/a/b & c.csv:1; x <y>.csv:3"]
)
def test_lines_of_very_many_are_marked_as_those_of_one(told: str) -> None:
    """A name may hold marks whose escapes end in `;`, and a blank behind them."""
    assert references_of_each(pa.array([told])).to_pylist() == [references(told)]
