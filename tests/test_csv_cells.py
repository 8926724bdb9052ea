"""Cells of CSV files made from whole columns, against Python's own reading and writing of numbers and rows."""

from __future__ import annotations

import csv
import io

import numpy as np
import pyarrow as pa
import pytest

from pipeline import store
from pipeline.csv_cells import rounded

draw = np.random.default_rng(5)
NUMBERS = {
    "shares": draw.random(20_000),
    "any size": draw.random(20_000) * 10.0 ** draw.integers(-30, 30, 20_000) * draw.choice([-1, 1], 20_000),
    "halves of the last digit": (draw.integers(10**9, 10**10, 20_000) + 0.5)
    * 10.0 ** draw.integers(-20, 8, 20_000),
    "next to powers of ten": 10.0 ** draw.integers(-25, 25, 999) * (1 + draw.integers(-3, 4, 999) * 2.0**-52),
    "odd ones": np.array(
        [0.0, -0.0, np.nan, np.inf, -np.inf, 5e-324, 1.7e308, 9999999999.5, 9.99999999995, 1e-4]
    ),
}


@pytest.mark.parametrize("numbers", NUMBERS.values(), ids=NUMBERS.keys())
def test_ten_digits_are_those_of_the_written_decimal(numbers: np.ndarray) -> None:
    expected = np.array([float(f"{number:.10g}") + 0.0 for number in numbers])
    found = rounded(numbers)
    assert np.array_equal(found, expected, equal_nan=True)
    assert not (np.signbit(found) & (found == 0)).any()


@pytest.mark.parametrize("numbers", NUMBERS.values(), ids=NUMBERS.keys())
def test_numbers_are_written_as_python_writes_them(numbers: np.ndarray) -> None:
    told = store.csv_text(pa.table({"number": numbers, "row": pa.array(range(len(numbers)))})).splitlines()[
        1:
    ]
    expected = ["" if np.isnan(number) else f"{number + 0.0:.10g}" for number in numbers]
    assert [line.split(",")[0] for line in told] == expected


def test_marks_and_formulas_anywhere_in_a_column_come_back_as_they_were() -> None:
    pieces = ["", "a", "ä–", '"', ",", "\n", "\r", "=", "-1", "x=", None]
    texts = [None if None in (one, two) else one + two for one in pieces for two in pieces]
    chunks = pa.chunked_array([texts[:7], texts[7:]], pa.string())
    sliced = pa.table({"text": chunks, "again": chunks}).slice(3)
    read = list(csv.reader(io.StringIO(store.csv_text(sliced), newline="")))[1:]
    begins = ("=", "-", "+", "@", "\n", "\r")
    expected = [("'" if (text or "").startswith(begins) else "") + (text or "") for text in texts[3:]]
    assert read == [[text, text] for text in expected]


def test_more_rows_than_are_written_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    table = pa.table({"a": [f"t{n}" for n in range(50)], "b": pa.array(range(50))})
    whole = store.csv_text(table)
    monkeypatch.setattr(store, "ROW_GROUP_ROWS", 7)
    assert store.csv_text(table) == whole == "a,b\n" + "".join(f"t{n},{n}\n" for n in range(50))
