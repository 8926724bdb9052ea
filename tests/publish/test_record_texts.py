"""What a record says in words: one text a record, also where it says nothing."""

from __future__ import annotations

import pyarrow as pa

from pipeline.publish.record_texts import TOLD, what_of


def events(*rows: dict[str, str]) -> pa.Table:
    columns = TOLD["events"]
    return pa.table({name: pa.array([row.get(name) for row in rows], pa.string()) for name in columns})


def test_a_record_that_says_nothing_has_a_place_without_text() -> None:
    found = what_of(events({"code": "T81.41XA"}, {}, {"code": "S82.002A", "energy": "low"}), "events")
    assert found.to_pylist() == ["T81.41XA", None, "S82.002A, energy low"]


def test_nothing_but_such_records() -> None:
    assert what_of(events({}, {}), "events").to_pylist() == [None, None]
