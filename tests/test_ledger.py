"""Every row read ends in exactly one place; one that does not stops the run."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.catalogue import Catalogue, Complication
from pipeline.errors import CannotFinish
from pipeline.findings import empty
from pipeline.handover import (
    AWAITING,
    CONFLICTING,
    COUNTED,
    DUPLICATE,
    KEPT,
    RECORD_TABLES,
    REFUTED,
    SUPERSEDED,
    WITHDRAWN,
    Accepted,
    Source,
    Validated,
)
from pipeline.ledger import PLACES, check_nothing_lost, ledger_of

DAY = date(2026, 11, 2)
FATES = {
    "operations": np.array([KEPT, SUPERSEDED, DUPLICATE, WITHDRAWN, CONFLICTING, KEPT]),
    "events": np.array([KEPT]),
}


def source(name: str, table: str, **counts: Any) -> Source:
    return Source("harbour", DAY, f"received/harbour/{DAY}/{name}", "", table, "00", **counts)


def located(*numbers: int) -> pa.Table:
    """Rows of the files of these numbers."""
    return pa.table({"source_number": pa.array(numbers, pa.int32())})


@pytest.fixture
def validated() -> Validated:
    """Two files: ten rows of operations, two of events; and one refused whole."""
    sources = (
        source("operations.csv", "operations", rows_read=10, non_data=1, not_selected=2),
        source("events.csv", "events", rows_read=2),
        source("old.csv", "operations", rows_read=7, refused=7, reason="file_truncated"),
    )
    return Validated(
        Accepted(sources, {"operations": located(*[0] * 6), "events": located(1)}),
        {"operations": located(0), "events": located(1)},
        empty(), empty(),
    )  # fmt: skip


def test_each_row_has_its_place(validated: Validated) -> None:
    ledger = ledger_of(validated, FATES).set_index("source_file")
    operations, events, old = (ledger.iloc[number] for number in range(3))
    assert {place: int(operations[place]) for place in PLACES} == {
        "accepted": 2, "quarantined": 2, "superseded": 1, "duplicate": 1, "withdrawn": 1, "non_data": 1,
        "not_selected": 2, "refused": 0, "removed": 0,
    }  # fmt: skip
    assert (events["accepted"], events["quarantined"]) == (1, 1)
    assert (old["refused"], old["reason"]) == (7, "file_truncated")


def without(frames: dict[str, pa.Table], name: str) -> dict[str, pa.Table]:
    return {**frames, name: frames[name].slice(1)}


@pytest.mark.parametrize("name", ["operations", "events"])
@pytest.mark.parametrize("place", ["accepted", "quarantined"])
def test_a_lost_row_stops_the_run_and_names_its_file(validated: Validated, name: str, place: str) -> None:
    fates = FATES
    if place == "accepted":
        tables = without(validated.accepted.tables, name)
        fates = {**FATES, name: FATES[name][1:]}
        validated = replace(validated, accepted=replace(validated.accepted, tables=tables))
    else:
        validated = replace(validated, quarantined=without(validated.quarantined, name))
    with pytest.raises(CannotFinish, match=rf"{name}\.csv: \d+ rows were read but \d+ are accounted for"):
        ledger_of(validated, fates)


def test_a_row_counted_twice_stops_the_run(validated: Validated) -> None:
    twice = {**validated.quarantined, "events": located(1, 1)}
    with pytest.raises(CannotFinish, match="2 rows were read but 3 are accounted for"):
        ledger_of(replace(validated, quarantined=twice), FATES)


def test_a_row_moved_to_another_file_stops_the_run(validated: Validated) -> None:
    moved = {**validated.quarantined, "events": located(0)}
    with pytest.raises(CannotFinish, match="Nothing was written"):
        ledger_of(replace(validated, quarantined=moved), FATES)


# --------------------------------------------------------------------------------- from facts to attribution

STANDING = {name: np.array([0, 2, 3]) for name in RECORD_TABLES}


def rows_of(*rows: int) -> pd.DataFrame:
    return pd.DataFrame({"row": np.array(rows, dtype=np.int64)})


def facts(**changed: pd.DataFrame) -> Any:
    return SimpleNamespace(**{**{name: rows_of(0, 2, 3) for name in RECORD_TABLES}, **changed})


CATALOGUE = Catalogue(
    procedures={}, joints={},
    complications={"crack": Complication("crack", "Crack"), "gone": Complication("gone", "Gone", in_any=False)},
)  # fmt: skip
CRACK, GONE, ANY = range(3)
COMPLICATIONS = [(0, CRACK, 0, COUNTED, 2), (1, GONE, 0, COUNTED, 1), (0, ANY, 0, COUNTED, 0)]
EVIDENCE = [(0, CRACK, 0), (0, CRACK, 0), (1, GONE, 0)]


def placed(
    records: dict[str, list[int]],
    unattributed: dict[str, list[int]],
    visits: list[int],
    cases: int = 3,
    complications: list[tuple[int, ...]] = COMPLICATIONS,
    evidence: list[tuple[int, ...]] = EVIDENCE,
) -> Any:
    """What link and classify hand on: three cases, one of them before the first date counted."""

    def listed(rows: dict[str, list[int]]) -> pd.DataFrame:
        pairs = [(table, row) for table, own in rows.items() for row in own]
        return pd.DataFrame(pairs, columns=["table", "row"])

    return SimpleNamespace(
        records=listed(records),
        unattributed=listed(unattributed),
        shared_visits=rows_of(*visits),
        flow=pd.DataFrame({"order": [20, 36, 40], "count": [9, 1, 2]}),
        cases=pd.DataFrame({"case": range(cases)}),
        complications=pd.DataFrame(complications, columns=["case", "category", "level", "status", "pieces"]),
        evidence=pd.DataFrame(evidence, columns=["case", "category", "level"]),
    )


def check(whole: Any, **changed: pd.DataFrame) -> None:
    check_nothing_lost(facts(**changed), STANDING, whole, CATALOGUE)


RECORDS = {"events": [0, 2], "followups": [0], "measurements": [0, 2, 3]}
LISTED = {"events": [3], "followups": [2]}


def test_every_record_in_its_place_is_sound() -> None:
    check(placed(RECORDS, LISTED, [3]))


def test_a_record_with_several_candidates_counts_once() -> None:
    waiting = {**RECORDS, "events": [0, 2, 2, 2]}
    check(placed(waiting, LISTED, [3]))


def test_a_baseline_is_a_record_and_listed_too() -> None:
    check(placed(RECORDS, {**LISTED, "measurements": [0]}, [3]))


@pytest.mark.parametrize("name", RECORD_TABLES)
@pytest.mark.parametrize(
    "rows", [(0, 2), (0, 2, 3, 3), (0, 2, 4)], ids=["one lost", "one twice", "one exchanged"]
)
def test_facts_must_be_the_rows_that_stand(name: str, rows: tuple[int, ...]) -> None:
    with pytest.raises(CannotFinish, match=rf"3 rows of {name} stand, but \d became facts"):
        check(placed(RECORDS, LISTED, [3]), **{name: rows_of(*rows)})


@pytest.mark.parametrize(
    ("records", "listed", "visits", "name"),
    [
        ({**RECORDS, "events": [0]}, LISTED, [3], "events"),
        (RECORDS, {**LISTED, "events": []}, [3], "events"),
        (RECORDS, {**LISTED, "followups": []}, [3], "followups"),
        (RECORDS, LISTED, [], "followups"),
        ({**RECORDS, "measurements": [0, 2]}, LISTED, [3], "measurements"),
        ({**RECORDS, "measurements": [0, 2, 3, 4]}, LISTED, [3], "measurements"),
    ],
    ids=["record", "listed event", "listed visit", "shared visit", "reading", "one too many"],
)
def test_a_record_lost_on_the_way_to_its_case_stops_the_run(
    records: dict[str, list[int]], listed: dict[str, list[int]], visits: list[int], name: str
) -> None:
    with pytest.raises(CannotFinish, match=rf"3 rows of {name} stand, but \d were attributed"):
        check(placed(records, listed, visits))


def test_a_shared_visit_is_no_place_for_an_event() -> None:
    with pytest.raises(CannotFinish, match="events"):
        check(placed({**RECORDS, "events": [0]}, LISTED, [2, 3]))


# ------------------------------------------------------------------------------ cases, evidence, complications


@pytest.mark.parametrize("cases", [2, 4])
def test_every_sitting_that_opened_a_case_is_one(cases: int) -> None:
    with pytest.raises(CannotFinish, match=f"3 sittings opened a case, but there are {cases} cases"):
        check(placed(RECORDS, LISTED, [3], cases=cases))


@pytest.mark.parametrize(
    "evidence",
    [EVIDENCE[1:], EVIDENCE[:-1], [*EVIDENCE, (1, GONE, 0)], [*EVIDENCE, (2, CRACK, 0)], []],
    ids=["one piece of two", "the only piece", "one too many", "of no complication", "all"],
)
def test_evidence_that_is_not_there_stops_the_run(evidence: list[tuple[int, ...]]) -> None:
    with pytest.raises(CannotFinish, match="rest on evidence"):
        check(placed(RECORDS, LISTED, [3], evidence=evidence))


def test_a_complication_with_its_evidence_lost_stops_the_run() -> None:
    with pytest.raises(CannotFinish, match="rest on evidence"):
        check(placed(RECORDS, LISTED, [3], complications=[COMPLICATIONS[0], COMPLICATIONS[2]]))


@pytest.mark.parametrize(
    "rows",
    [
        COMPLICATIONS[:2],
        [*COMPLICATIONS, (1, ANY, 0, COUNTED, 0)],
        [*COMPLICATIONS, (0, ANY, 0, AWAITING, 0)],
        [*COMPLICATIONS, (2, CRACK, 0, AWAITING, 0)],
    ],
    ids=["any is missing", "any without a member", "any of another status", "a member that awaits"],
)
def test_any_complication_is_where_a_main_level_is(rows: list[tuple[int, ...]]) -> None:
    with pytest.raises(CannotFinish, match="complication counted or awaiting"):
        check(placed(RECORDS, LISTED, [3], complications=rows))


def test_what_is_refuted_or_no_main_level_needs_no_any() -> None:
    rows = [*COMPLICATIONS, (2, CRACK, 0, REFUTED, 0), (1, CRACK, 1, COUNTED, 0)]
    check(placed(RECORDS, LISTED, [3], complications=rows))
