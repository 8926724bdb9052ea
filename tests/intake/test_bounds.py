"""Limits of delimited files: refused with the line, before memory or time run out. Limits are lowered to keep this quick."""

from __future__ import annotations

import gzip
import tracemalloc
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake import csv_reading, records
from pipeline.intake.csv_reading import read_delimited
from pipeline.intake.header import Need, Wanted
from pipeline.intake.records import cells_counted, overlong_line, read_records, record_breaks

OPS = "operations.csv"
PIECES = st.sampled_from(["x", "é", ",", ",", '"x"', '"x,y"', '"x\ny"', '""', "\n", "\n", "\r\n"])
WANTED = Wanted("t.csv", "mappings/t.toml", (Need(("a",)), Need(("b",))), delimiter=",")


@pytest.fixture
def short_lines(monkeypatch: pytest.MonkeyPatch) -> int:
    for module in (records, csv_reading):
        monkeypatch.setattr(module, "LONGEST_LINE", 1000)
    return 1000


@pytest.mark.parametrize("filling", [b"x" * 5000, b'"' + b"x" * 5000 + b'"', b'"' + b"x" * 5000, b"," * 5000])
@pytest.mark.usefixtures("short_lines")
def test_a_line_beyond_the_limit(workspace: Any, header: str, row: str, filling: bytes) -> None:
    workspace.put(OPS, (header + row).encode() + filling + b"\n" + row.encode())
    rule, message = workspace.refused()
    assert (rule, "line 3" in message) == ("line_too_long", True)


@pytest.mark.usefixtures("short_lines")
def test_a_cell_beyond_the_limit_over_many_lines(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, header + row + 'o2,p2,"' + "note\n" * 500 + '5" x,y\n')
    rule, message = workspace.refused()
    assert (rule, "line 3" in message) == ("file_truncated", True)


@given(st.lists(st.integers(0, 30), max_size=20), st.sampled_from(["\n", "\r\n"]))
@settings(max_examples=200, deadline=None)
def test_overlong_lines_are_found_where_they_are(lengths: list[int], ending: str) -> None:
    text = "".join("x" * length + ending for length in lengths)
    limit, allowed = records.LONGEST_LINE, 16
    records.LONGEST_LINE = allowed
    try:
        found = overlong_line(text.encode())
    finally:
        records.LONGEST_LINE = limit
    beyond = [at + 1 for at, length in enumerate(lengths) if length > allowed]
    just = [at + 1 for at, length in enumerate(lengths) if length + len(ending) - 1 >= allowed]
    assert not beyond or 0 < found <= beyond[0]
    assert found == 0 or found in just


def test_too_many_lines(workspace: Any, header: str, row: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(csv_reading, "MOST_LINES", 5)
    workspace.put(OPS, header + "\n" * 10)
    assert workspace.refused()[0] == "file_too_large"


def test_more_columns_than_a_spreadsheet(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, header.strip() + "," * 20_000 + "\n" + row.strip() + "," * 20_000 + "\n")
    rule, message = workspace.refused()
    assert (rule, "20007 columns" in message) == ("columns_too_many", True)


@pytest.mark.parametrize("quoting", ["", ' 5" screw'], ids=["regular", "irregular"])
def test_a_header_that_most_rows_do_not_fit(
    workspace: Any, header: str, row: str, quoting: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(csv_reading, "FEW_RAGGED", 3)
    workspace.put(OPS, header + row.replace("male", "male" + quoting) + (row.strip() + ",\n") * 4)
    rule, message = workspace.refused()
    assert (rule, "4 of 5 rows, from line 3 on" in message) == ("rows_unlike_header", True)


def test_pieces_row_by_row_make_one_table(
    workspace: Any, header: str, row: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(csv_reading, "ROWS_AT_ONCE", 2)
    monkeypatch.setattr(csv_reading, "_parsed", lambda *_, **__: None)
    workspace.put(OPS, header + "".join(row.replace("o1", f"o{n}") for n in range(5)))
    export = workspace.only()
    assert export.rows["operation_id"].to_pylist() == ["o0", "o1", "o2", "o3", "o4"]
    assert export.rows["source_line"].to_pylist() == [2, 3, 4, 5, 6]


@given(st.lists(PIECES, max_size=30).map("".join), st.integers(1, 7))
@settings(max_examples=300, deadline=None)
def test_pieces_of_the_text_are_looked_at_as_one(body: str, block: int) -> None:
    """Ends, lines and widths in blocks of a few bytes, against the standard library's reader."""
    content = body.encode()
    whole, records.BLOCK_BYTES = records.BLOCK_BYTES, block
    try:
        breaks = record_breaks(content, ",")
        counts = None if breaks is None else cells_counted(content, breaks, ",")
    finally:
        records.BLOCK_BYTES = whole
    if breaks is None or counts is None:
        assert record_breaks(content, ",") is None
        return
    by_the_library = list(read_records(content, ","))
    assert breaks.lines.tolist() == [record.line for record in by_the_library]
    assert np.where(breaks.blank, 0, counts).tolist() == [record.width for record in by_the_library]


def test_positions_take_little_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """20 MB with a quoted cell in every row: what is kept is a few numbers a record, nothing the size of the text."""
    monkeypatch.setattr(records, "BLOCK_BYTES", 1 << 20)
    content = b"a,b\n" + b'"x, of some length, as notes have it",y\n' * 500_000
    tracemalloc.start()
    breaks = record_breaks(content, ",")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert breaks is not None
    assert len(breaks) == 500_001
    assert peak < 50 * len(breaks)


def test_packed_twice_is_not_text(workspace: Any, header: str, row: str) -> None:
    workspace.put("operations.csv.gz", gzip.compress(gzip.compress((header + row).encode())))
    assert workspace.refused()[0] == "file_unreadable"


@pytest.mark.parametrize("text", ["a,b\n1,2\n\x1a", "a,b\n1,2\n\x1a\n", "a,b\n1,2\n\x0c\n"])
def test_marks_of_old_systems_are_no_records(text: str) -> None:
    cut = read_delimited(text.encode(), WANTED)
    assert cut.cells.num_rows == 1


def test_a_packed_bomb_is_given_up_early(workspace: Any, header: str, row: str) -> None:
    """100 MB of line feeds pack to 100 kB: more than 64 MiB and two hundred times the size."""
    workspace.put("operations.csv.gz", gzip.compress((header + row).encode() + b"\n" * 100_000_000, 1))
    rule, message = workspace.refused()
    assert (rule, "times its size" in message) == ("file_too_large", True)
