"""Versions of a record: which one stands. The fates expected follow from the contract, by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.handover import CONFLICTING, DUPLICATE, KEPT, SUPERSEDED, WITHDRAWN, Source
from pipeline.resolve.versions import Versions, versions_of

OCTOBER, NOVEMBER, DECEMBER = date(2026, 10, 5), date(2026, 11, 2), date(2026, 12, 1)

Fates = Callable[..., list[int]]


def versions(table: pa.Table, sources: tuple[Source, ...]) -> Versions:
    return versions_of(table, "event_id", "occurred_on", sources)


@pytest.fixture
def fates(table: Callable[..., pa.Table], file: Callable[..., Source]) -> Fates:
    """`fates({…}, {…})`: fate of each version of the event e1, one file each in October, November, December."""

    def found(*rows: dict[str, Any], receipts: tuple[date, ...] = (OCTOBER, NOVEMBER, DECEMBER)) -> list[int]:
        sources = tuple(file(day, name=f"{number}.csv") for number, day in enumerate(receipts))
        sent = [{"event_id": "e1", "file": number, **row} for number, row in enumerate(rows)]
        return versions(table("events", sent), sources).fate.tolist()

    return found


def test_the_newest_receipt_stands(fates: Fates) -> None:
    assert fates({"note": "a"}, {"note": "b"}, {"note": "c"}) == [SUPERSEDED, SUPERSEDED, KEPT]


def test_receipt_decides_whatever_the_order_of_rows(fates: Fates) -> None:
    assert fates({"note": "a", "file": 1}, {"note": "b", "file": 0}) == [KEPT, SUPERSEDED]


def test_recorded_at_comes_before_receipt_where_all_carry_it(fates: Fates) -> None:
    early, late = datetime(2026, 9, 1, 8, 0), datetime(2026, 9, 1, 8, 1)
    assert fates({"note": "a", "recorded_at": late}, {"note": "b", "recorded_at": early}) == [
        KEPT,
        SUPERSEDED,
    ]


def test_recorded_at_says_nothing_where_one_version_lacks_it(fates: Fates) -> None:
    assert fates({"note": "a", "recorded_at": datetime(2026, 9, 2)}, {"note": "b"}) == [SUPERSEDED, KEPT]


def test_recorded_at_of_another_record_is_not_asked_for(table: Callable[..., pa.Table], file: Any) -> None:
    rows = [
        {"event_id": "e1", "file": 0, "note": "a", "recorded_at": datetime(2026, 9, 2)},
        {"event_id": "e1", "file": 1, "note": "b", "recorded_at": datetime(2026, 9, 1)},
        {"event_id": "e2", "file": 1},
    ]
    found = versions(table("events", rows), (file(OCTOBER), file(NOVEMBER)))
    assert found.fate.tolist() == [KEPT, SUPERSEDED, KEPT]


def test_an_equal_version_is_a_duplicate_of_the_first(fates: Fates) -> None:
    assert fates({"note": "a"}, {"note": "a"}) == [KEPT, DUPLICATE]
    assert fates({"note": "a"}, {"note": "b"}, {"note": "b"}) == [SUPERSEDED, KEPT, DUPLICATE]


def test_a_change_taken_back_is_a_version_and_no_duplicate(fates: Fates) -> None:
    assert fates({"note": "a"}, {"note": "b"}, {"note": "a"}) == [SUPERSEDED, SUPERSEDED, KEPT]


def test_an_empty_cell_equals_an_empty_cell_only(fates: Fates) -> None:
    assert fates({"note": None}, {"note": None}) == [KEPT, DUPLICATE]
    assert fates({"note": None}, {"note": "a"}) == [SUPERSEDED, KEPT]


def test_a_file_sent_again_counts_with_its_first_receipt(table: Any, file: Any) -> None:
    """October's file comes again in December, after November's correction: the correction stands."""
    sources = (file(OCTOBER, "same"), file(NOVEMBER, "other"), file(DECEMBER, "same"))
    rows = [{"event_id": "e1", "file": n, "note": note} for n, note in enumerate("aba")]
    assert versions(table("events", rows), sources).fate.tolist() == [SUPERSEDED, KEPT, DUPLICATE]


def test_the_same_bytes_at_another_site_are_another_file(table: Any, file: Any) -> None:
    sources = (file(OCTOBER, "same", site="meadow"), file(NOVEMBER, "other"), file(DECEMBER, "same"))
    rows = [{"event_id": "e1", "file": n, "note": note} for n, note in ((1, "b"), (2, "a"))]
    assert versions(table("events", rows), sources).fate.tolist() == [SUPERSEDED, KEPT]


def test_two_that_differ_in_one_receipt_are_held_back_and_the_older_stays(fates: Fates) -> None:
    receipts = (OCTOBER, NOVEMBER, NOVEMBER, NOVEMBER)
    rows = ({"note": "a"}, {"note": "b"}, {"note": "c"})
    assert fates(*rows, receipts=receipts) == [KEPT, CONFLICTING, CONFLICTING]
    assert fates(*rows[1:], receipts=receipts[1:]) == [CONFLICTING, CONFLICTING]


def test_recorded_at_settles_two_that_differ_in_one_receipt(fates: Fates) -> None:
    rows = (
        {"note": "a", "recorded_at": datetime(2026, 9, 2)},
        {"note": "b", "recorded_at": datetime(2026, 9, 1)},
    )
    assert fates(*rows, receipts=(NOVEMBER, NOVEMBER)) == [KEPT, SUPERSEDED]


def test_two_equal_in_one_receipt_are_no_conflict(fates: Fates) -> None:
    assert fates({"note": "a"}, {"note": "a"}, receipts=(NOVEMBER, NOVEMBER)) == [KEPT, DUPLICATE]


def test_a_later_receipt_ends_the_conflict_for_those_after_it(fates: Fates) -> None:
    found = fates({"note": "a"}, {"note": "b"}, {"note": "c"}, receipts=(NOVEMBER, NOVEMBER, DECEMBER))
    assert found == [CONFLICTING, CONFLICTING, KEPT]


def test_a_withdrawn_record_stands_for_nothing(fates: Fates) -> None:
    taken_back = {"record_status": "withdrawn"}
    assert fates({}, taken_back) == [SUPERSEDED, WITHDRAWN]
    assert fates(taken_back, taken_back) == [WITHDRAWN, DUPLICATE]
    assert fates(taken_back) == [WITHDRAWN]


def test_a_withdrawn_record_may_come_back(fates: Fates) -> None:
    assert fates({}, {"record_status": "withdrawn"}, {"record_status": "active"}) == [
        SUPERSEDED,
        SUPERSEDED,
        KEPT,
    ]


@pytest.mark.parametrize(
    ("days", "patient", "again"),
    [(366, "p2", True), (365, "p2", False), (366, "p1", False)],
    ids=["another patient, over a year", "another patient, a year", "the same patient"],
)
def test_an_id_used_again_for_another_patient_holds_both_back(
    table: Any, file: Any, days: int, patient: str, again: bool
) -> None:
    first = date(2024, 1, 1)
    rows = [
        {"event_id": "e1", "file": 0, "occurred_on": first},
        {"event_id": "e1", "file": 1, "occurred_on": first + timedelta(days), "patient_id": patient},
    ]
    found = versions(table("events", rows), (file(OCTOBER), file(NOVEMBER)))
    assert found.used_again.tolist() == [again, again]
    assert found.fate.tolist() == ([CONFLICTING, CONFLICTING] if again else [SUPERSEDED, KEPT])


def test_the_same_id_at_two_sites_is_two_records(table: Any, file: Any) -> None:
    rows = [{"event_id": "e1", "note": "a"}, {"event_id": "e1", "note": "b", "site": "meadow"}]
    assert versions(table("events", rows), (file(),)).fate.tolist() == [KEPT, KEPT]


def test_an_empty_table_has_no_versions(table: Any, file: Any) -> None:
    assert versions(table("events", []), (file(),)).fate.tolist() == []


def naive(rows: list[dict[str, Any]], receipts: list[date]) -> list[int]:
    """The contract read aloud: one record after another, one version after another."""
    fate: dict[int, int] = {}
    for record in {row["event_id"] for row in rows}:
        own = [n for n, row in enumerate(rows) if row["event_id"] == record]
        use_moment = all(rows[n]["recorded_at"] for n in own)

        def age(n: int, use_moment: bool = use_moment) -> tuple[Any, ...]:
            return (rows[n]["recorded_at"] if use_moment else None, receipts[rows[n]["source"]])

        own.sort(key=lambda n: (*([age(n)[0]] if use_moment else []), age(n)[1], rows[n]["source"], n))
        unclear = [
            n for n in own if any(age(m) == age(n) and rows[m]["note"] != rows[n]["note"] for m in own)
        ]
        standing = [n for n in own if n not in unclear]
        fate |= dict.fromkeys(unclear, CONFLICTING)
        before, newest = object(), None
        for n in standing:
            if rows[n]["note"] == before:
                fate[n] = DUPLICATE
                continue
            if newest is not None:
                fate[newest] = SUPERSEDED
            fate[n], newest, before = KEPT, n, rows[n]["note"]
    return [fate[n] for n in range(len(rows))]


moments = st.sampled_from([None, datetime(2026, 9, 1), datetime(2026, 9, 2)])
rows_of_two_records = st.lists(
    st.fixed_dictionaries(
        {
            "event_id": st.sampled_from(["e1", "e2"]),
            "source": st.integers(0, 2),
            "note": st.sampled_from(["a", "b"]),
            "moment": moments,
        }
    ),
    max_size=8,
)


@settings(max_examples=200, deadline=None)
@given(
    rows=rows_of_two_records, receipts=st.lists(st.sampled_from([OCTOBER, NOVEMBER]), min_size=3, max_size=3)
)
def test_versions_equal_a_naive_reading(rows: list[dict[str, Any]], receipts: list[date]) -> None:
    # content is note and moment; the moment is part of both, so that the loop compares one text
    content = [{**row, "recorded_at": row["moment"], "note": f"{row['note']}{row['moment']}"} for row in rows]
    columns = {
        "site": pa.array(["harbour"] * len(rows), pa.string()),
        "event_id": pa.array([row["event_id"] for row in content], pa.string()),
        "patient_id": pa.array(["p1"] * len(rows), pa.string()),
        "occurred_on": pa.array([OCTOBER] * len(rows), pa.date32()),
        "note": pa.array([row["note"] for row in content], pa.string()),
        "record_status": pa.nulls(len(rows), pa.string()),
        "recorded_at": pa.array([row["recorded_at"] for row in content], pa.timestamp("us")),
        "source_number": pa.array([row["source"] for row in content], pa.int32()),
        "source_line": pa.array(range(len(rows)), pa.int64()),
    }
    table = pa.table({name: pa.chunked_array([column]) for name, column in columns.items()})
    sources = tuple(
        Source("harbour", day, f"{n}.csv", "", "events", f"{n}") for n, day in enumerate(receipts)
    )
    assert versions(table, sources).fate.tolist() == naive(content, receipts)
