"""Records re-read as they were sent."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import xlsxwriter

from pipeline.intake.raw import raw_file

TEXT = 'id,note\r\n1,plain\r\n2,"two\r\nlines, ""quoted"""\r\n3,last'


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_records_of_text_begin_at_their_first_line(tmp_path: Path, encoding: str) -> None:
    (tmp_path / "events.csv").write_bytes(TEXT.encode(encoding))
    file = raw_file(tmp_path / "events.csv", "", "")
    assert [file.record(line) for line in (1, 2, 3, 5)] == [
        "id,note", "1,plain", '2,"two\nlines, ""quoted"""', "3,last",
    ]  # fmt: skip


@pytest.mark.parametrize("line", [-1, 0, 6])
def test_a_line_that_is_not_there_is_an_error(tmp_path: Path, line: int) -> None:
    (tmp_path / "events.csv").write_text(TEXT)
    with pytest.raises(IndexError):
        raw_file(tmp_path / "events.csv", "", "").record(line)


def test_rows_of_a_sheet_and_of_a_parquet_file_are_their_cells(tmp_path: Path) -> None:
    book = xlsxwriter.Workbook(str(tmp_path / "a.xlsx"))
    sheet = book.add_worksheet("events")
    sheet.write_row(0, 0, ["id", "note"])
    sheet.write_row(1, 0, ["1", 'an odd " sign'])
    sheet.write_row(2, 0, ["2", "next"])
    book.close()
    assert raw_file(tmp_path / "a.xlsx", "events", "").record(2) == '1 | an odd " sign'
    pq.write_table(pa.table({"id": ["1", "2"], "n": [None, 7]}), tmp_path / "a.parquet")
    assert [raw_file(tmp_path / "a.parquet", "", "").record(row) for row in (1, 2)] == ["1 | ", "2 | 7"]
