"""Findings about what records leave unsaid: at each return, and once a file for motion that was never read passively."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import pandas as pd
import pyarrow as pa
import pytest

from pipeline.handover import RETURN, Accepted, Source
from pipeline.unsaid import left_unsaid


@pytest.fixture
def accepted() -> Accepted:
    """Four readings, two in each of two files, and two operations of the first file."""
    sources = tuple(
        Source(
            "harbour", date(2026, 11, day), f"received/harbour/2026-11-0{day}/m.csv", "", "measurements", ""
        )
        for day in (2, 3)
    )
    place = {"site": ["harbour"] * 4, "source_number": [1, 0, 0, 1], "source_line": [5, 9, 7, 2]}
    tables = {
        "measurements": pa.table({"measurement_id": ["m0", "m1", "m2", "m3"], **place}),
        "operations": pa.table({"operation_id": ["a", "b", "c", "d"], **place}),
    }
    return Accepted(sources, tables)


def whole(readings: list[int], returns: list[dict[str, object]]) -> SimpleNamespace:
    chain = pd.DataFrame(returns, columns=["row", "role", "anaesthesia", "pending"])
    lacking = pd.DataFrame({"case": range(len(readings)), "category": 0, "row": readings}, dtype="int64")
    return SimpleNamespace(chain=chain, unassessed=lacking)


def test_motion_never_read_passively_is_told_once_a_file(accepted: Accepted) -> None:
    found = left_unsaid(accepted, whole([0, 1, 2, 3], []))
    assert set(found["rule"]) == {"readings_not_passive"}
    assert found[["record_id", "source_line", "column"]].to_numpy().tolist() == [
        ["m2", 7, "mode"],
        ["m3", 2, "mode"],
    ]
    assert [message.split(":")[0] for message in found["message"]] == ["2 cases", "2 cases"]


def test_each_return_that_does_not_say_how_it_was_done_is_told(accepted: Accepted) -> None:
    silent = {"row": 1, "role": RETURN, "anaesthesia": -1, "pending": False}
    others = [{**silent, "row": 2, "pending": True}, {**silent, "row": 3, "anaesthesia": 0}]
    found = left_unsaid(accepted, whole([], [silent, *others]))
    assert found[["record_id", "source_line", "rule"]].to_numpy().tolist() == [
        ["b", 9, "return_without_anaesthesia"]
    ]


def test_nothing_left_unsaid(accepted: Accepted) -> None:
    assert len(left_unsaid(accepted, whole([], []))) == 0
