"""Large tables come made in Arrow: they are checked and written a row group at a time."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline import store
from pipeline.errors import CannotFinish
from pipeline.publish.tables import LARGE, in_order, large_ones_aside, ready, write_table
from schemas.columns import Column, Table

WORDS = Table(
    "words",
    "A row.",
    (
        Column("word", "word", "One of two.", True, ("one", "two"), nullable=False),
        Column("number", "integer", "Counted.", low=0),
    ),
    key=("word", "number"),
)


def words(*found: str | None) -> pa.DictionaryArray:
    return pa.array(found, pa.string()).dictionary_encode()


def test_a_table_that_fits_goes_on_as_it_is() -> None:
    made = pa.table({"word": words("two", "one"), "number": pa.array([3, None], pa.int64())})
    assert ready(made, WORDS) is made


@pytest.mark.parametrize(
    "made",
    [
        pa.table({"word": words("two", None), "number": [1, 2]}),
        pa.table({"word": words("two", "three"), "number": [1, 2]}),
        pa.table({"word": words("two", "one"), "number": [1, -2]}),
        pa.table({"word": words("two", "one"), "number": ["1", "2"]}),
        pa.table({"number": [1, 2], "word": words("two", "one")}),
        pa.table({"word": words("two", "one")}),
    ],
    ids=["null", "word", "range", "type", "order", "missing"],
)
def test_a_table_that_does_not_fit_is_a_mistake_of_the_program(made: pa.Table) -> None:
    with pytest.raises(CannotFinish, match="words"):
        ready(made, WORDS)


def test_only_words_in_use_are_held_against_the_vocabulary() -> None:
    coded = pa.DictionaryArray.from_arrays(pa.array([1, 0], pa.int32()), ["one", "two", "unknown"])
    made = pa.table({"word": coded, "number": pa.array([1, 2], pa.int64())})
    assert ready(made, WORDS) is made


def test_rows_made_anyhow_are_put_in_order_and_no_key_may_be_there_twice() -> None:
    made = pa.table({"word": words("two", "one", "two"), "number": pa.array([2, 5, 1], pa.int64())})
    assert in_order(made, WORDS).to_pylist() == [
        {"word": "one", "number": 5}, {"word": "two", "number": 1}, {"word": "two", "number": 2},
    ]  # fmt: skip
    with pytest.raises(CannotFinish, match="repeated"):
        in_order(pa.concat_tables([made, made.slice(2)]), WORDS)


def test_what_is_written_is_plain_text_in_row_groups_of_fixed_size(tmp_path: Path) -> None:
    rows = 2 * store.ROW_GROUP_ROWS + 5
    made = pa.table({"word": words(*(["one", "two", None] * rows)[:rows]), "number": pa.array(range(rows))})
    plain = made.set_column(0, "word", made["word"].cast(pa.string()))
    store.write_parquet(made, tmp_path / "made.parquet")
    store.write_parquet(plain, tmp_path / "plain.parquet")
    read = pq.read_table(tmp_path / "made.parquet")
    assert read.equals(plain)
    assert (tmp_path / "made.parquet").read_bytes() == (tmp_path / "plain.parquet").read_bytes()
    with pq.ParquetFile(tmp_path / "made.parquet") as file:
        groups = [file.metadata.row_group(number).num_rows for number in range(file.num_row_groups)]
    assert groups == [store.ROW_GROUP_ROWS, store.ROW_GROUP_ROWS, 5]


def test_large_tables_are_written_when_the_block_ends_and_as_others_are(tmp_path: Path) -> None:
    large = pa.table({"number": range(LARGE)})
    with large_ones_aside() as write:
        write(tmp_path / "aside", "cases", large)
        write(tmp_path / "aside", "evidence", large[:3])
    write_table(tmp_path, "cases", large)
    assert (tmp_path / "aside" / "cases.parquet").read_bytes() == (tmp_path / "cases.parquet").read_bytes()
    assert pq.read_table(tmp_path / "aside" / "evidence.parquet").num_rows == 3


def test_a_large_table_that_cannot_be_written_stops_the_run(tmp_path: Path) -> None:
    (tmp_path / "department").write_text("a file where a folder belongs")
    with pytest.raises(OSError, match="department"), large_ones_aside() as write:
        write(tmp_path / "department", "cases", pa.table({"number": range(LARGE)}))
