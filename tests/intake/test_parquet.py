"""Parquet: typed columns as the text they would be in a CSV file."""

from __future__ import annotations

import decimal
import io
from datetime import date, datetime
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.intake.header import Wanted
from pipeline.intake.parquet import read_parquet
from pipeline.intake.refusal import Refusal

ANYTHING = Wanted("t.parquet", "mappings/t.toml", ())


def stored(**columns: pa.Array) -> bytes:
    stream = io.BytesIO()
    pq.write_table(pa.table(columns), stream)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("column", "texts"),
    [
        (pa.array(["00417", " x ", "", None]), ["00417", " x ", None, None]),
        (pa.array([1, None, -3]), ["1", None, "-3"]),
        (pa.array([1.0, 0.1, float("nan"), None, -2.0]), ["1", "0.1", None, None, "-2"]),
        (pa.array([1.5], pa.float32()), ["1.5"]),
        (pa.array([True, False, None]), ["TRUE", "FALSE", None]),
        (pa.array([date(2026, 10, 1), None]), ["2026-10-01", None]),
        (pa.array([datetime(2026, 10, 1), datetime(2026, 10, 1, 7, 30)]), ["2026-10-01", "2026-10-01T07:30:00"]),
        (pa.array([datetime(2026, 10, 1, 7)], pa.timestamp("ns", "UTC")), ["2026-10-01T07:00:00+0000"]),
        (pa.array([decimal.Decimal("1.50"), decimal.Decimal("2.00")]), ["1.5", "2"]),
        (pa.array(["a", "b"]).dictionary_encode(), ["a", "b"]),
        (pa.array([["a", "b"], []]), ["a;b", None]),
        (pa.nulls(2), [None, None]),
    ],
)  # fmt: skip
def test_texts(column: pa.Array, texts: list[str | None]) -> None:
    cut = read_parquet(stored(x=column), ANYTHING)
    assert cut.cells.column(0).to_pylist() == texts
    assert cut.lines.tolist() == list(range(1, len(texts) + 1))
    assert cut.rows_read == len(texts)


def test_nested_columns_are_refused() -> None:
    with pytest.raises(Refusal) as caught:
        read_parquet(stored(x=pa.array([{"a": 1}])), ANYTHING)
    assert caught.value.rule == "file_unreadable"
    assert caught.value.rows_read == 1


def test_whole_file(workspace: Any) -> None:
    workspace.put(
        "patients.parquet", stored(Patient_ID=pa.array(["p1"]), died_on=pa.array([date(2026, 1, 2)]))
    )
    assert workspace.only().rows.to_pylist() == [
        {"patient_id": "p1", "died_on": "2026-01-02", "site": "harbour", "source_line": 1}
    ]


def test_missing_column(workspace: Any) -> None:
    workspace.put("patients.parquet", stored(sex=pa.array(["male"]), pid=pa.array(["x"])))
    assert workspace.refused()[0] == "header_column_missing"
