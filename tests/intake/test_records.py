"""Counts and physical lines, against the standard library's reader on the same text."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.csv_reading import read_delimited
from pipeline.intake.header import Need, Wanted
from pipeline.intake.records import QuoteNeverClosed, counted_records, read_records, record_breaks
from pipeline.intake.refusal import Refusal

WANTED = Wanted("t.csv", "mappings/t.toml", (Need(("a",)), Need(("b",))), delimiter=",")
PIECES = st.sampled_from(["x", "é", " ", ",", ",", '"', '""', '"x"', '"x\ny"', "\n", "\n", "\r\n", "\r"])
TEXTS = st.lists(PIECES, max_size=30).map("".join)


def by_the_library(text: str) -> list[tuple[int, list[str]]]:
    """First physical line and cells of each record."""
    reader = csv.reader(io.StringIO(text, newline=""))
    found, line = [], 1
    for cells in reader:
        found.append((line, cells))
        line = reader.line_num + 1
    return found


def unclosed(text: str) -> bool:
    """Whether the text ends inside a quoted cell: a line added to it then belongs to its last record."""
    more = text if text.endswith(("\n", "\r")) or not text else text + "\n"
    return len(by_the_library(more + "end\n")) == len(by_the_library(text))


@given(TEXTS)
@settings(max_examples=400, deadline=None)
def test_records_begin_where_the_library_says(text: str) -> None:
    if unclosed(text):
        with pytest.raises(QuoteNeverClosed) as caught:
            list(read_records(text.encode(), ","))
        assert caught.value.line == by_the_library(text)[-1][0]
        return
    records = list(read_records(text.encode(), ","))
    assert [(record.line, list(record.cells)) for record in records] == by_the_library(text)


@given(TEXTS)
@settings(max_examples=400, deadline=None)
def test_breaks_in_the_bytes_agree_with_the_library(text: str) -> None:
    breaks = record_breaks(text.encode(), ",")
    if breaks is not None:
        library = by_the_library(text)
        assert list(breaks.lines) == [line for line, _ in library]
        assert list(breaks.blank) == [cells == [] for _, cells in library]
        assert counted_records(text.encode()) == len(library)


@given(TEXTS)
@settings(max_examples=400, deadline=None)
def test_every_record_is_read_with_its_line(body: str) -> None:
    text = "a,b\n" + body
    library = by_the_library(text)[1:]
    last_is_short = bool(library) and len(library[-1][1]) == 1 and bool(library[-1][1][0].strip())
    if unclosed(text) or (last_is_short and not text.endswith(("\n", "\r"))):
        with pytest.raises(Refusal) as caught:
            read_delimited(text.encode(), WANTED)
        assert caught.value.rule == "file_truncated"
        assert caught.value.rows_read == len(library)
        return
    cut = read_delimited(text.encode(), WANTED)
    whole = [(line, [cell or None for cell in cells]) for line, cells in library if len(cells) == 2]
    read = [list(row.values()) for row in cut.cells.to_pylist()]
    assert list(zip(cut.lines.tolist(), read, strict=True)) == whole
    assert [(record.line, list(record.cells)) for record in cut.ragged] == [
        (line, cells) for line, cells in library if len(cells) not in (0, 2)
    ]
    assert cut.rows_read == len(library)
    assert cut.non_data == sum(not cells for _, cells in library)


@pytest.mark.parametrize(
    ("text", "regular"),
    [
        ("a,b\n1,2\n", True),
        ('a,b\n"1\n1",2\n', True),
        ('"a""b",c\n', True),
        ('a,5" screw\n', False),
        ('"a"b,c\n', False),
        ('a,"b\n', False),
        ("a,b\r1,2\r", False),
    ],
)
def test_breaks_speak_of_regular_quoting_only(text: str, regular: bool) -> None:
    assert (record_breaks(text.encode(), ",") is not None) is regular


@pytest.mark.parametrize(
    ("text", "records"),
    [("", 0), ("a", 1), ("a\n", 1), ("a\n\n", 2), ('a\n"b\nc"', 2), ('a\n"b\nc', 2), ("a\rb\r", 2)],
)
def test_count_of_records(text: str, records: int) -> None:
    assert counted_records(text.encode()) == records
