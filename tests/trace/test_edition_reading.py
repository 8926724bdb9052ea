"""Reading only what a story needs out of an edition's tables."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

from pipeline import store
from pipeline.errors import WrongUse
from pipeline.trace.edition import Edition

ROWS = store.ROW_GROUP_ROWS + 3


@pytest.fixture(scope="module")
def edition(tmp_path_factory: pytest.TempPathFactory) -> Edition:
    """A table of two row groups, and one CSV file as the audit writes them."""
    folder = tmp_path_factory.mktemp("edition") / "2026-10" / "draft-1"
    names = pa.DictionaryArray.from_arrays(
        pa.array([None if n % 3 == 0 else n % 3 for n in range(ROWS)], pa.int32()),
        pa.array(["", "odd", "even"]),
    )
    table = pa.table({"number": list(range(ROWS)), "name": names})
    store.write_parquet(table, folder / "department" / "records.parquet")
    store.write_csv(
        pa.table({"id": ["=1", "'quoted", "-", None, "plain"], "n": [1, 2, 3, 4, 5]}),
        folder / "department" / "list.csv",
    )
    return Edition.at(folder)


def test_rows_of_every_row_group_are_found(edition: Edition) -> None:
    last = ROWS - 1
    assert edition.rows("records", number={0, 1, last}) == [
        {"number": 0, "name": None},
        {"number": 1, "name": "odd"},
        {"number": last, "name": {0: None, 1: "odd", 2: "even"}[last % 3]},
    ]


def test_all_that_is_asked_must_hold(edition: Edition) -> None:
    assert edition.rows("records", number=2, name="even") == [{"number": 2, "name": "even"}]
    assert edition.rows("records", number=2, name="odd") == []
    assert len(edition.rows("records", name="odd")) == len([n for n in range(ROWS) if n % 3 == 1])


def test_a_table_that_is_not_there_has_no_rows(edition: Edition) -> None:
    assert edition.rows("letters", case_id="a") == []
    assert edition.listed("review", lambda row: True) == []


def test_cells_of_a_list_are_as_they_were_received(edition: Edition) -> None:
    """Spreadsheets see an apostrophe before a formula; an apostrophe of the cell's own stays."""
    assert [row["id"] for row in edition.listed("list", lambda row: row["n"] != "5")] == [
        "=1",
        "'quoted",
        "-",
        None,
    ]


def test_an_edition_of_an_earlier_version_is_refused(tmp_path: Path) -> None:
    (tmp_path / "department").mkdir()
    with pytest.raises(WrongUse, match="earlier version"):
        Edition.at(tmp_path)
