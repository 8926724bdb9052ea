"""Values in files: whatever is laid comes back equal, mapped or read, and nobody sees half of one."""

from __future__ import annotations

import mmap
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.errors import CannotFinish
from pipeline.memory import given_back, mapped
from pipeline.pieces import ALIGNED, fetched, lay, put
from pipeline.room import IN_MEMORY, InFiles, room_of


@dataclass(frozen=True)
class Piece:
    numbers: np.ndarray
    frame: pd.DataFrame
    empty: pd.DataFrame
    words: tuple[str, ...]


def piece() -> Piece:
    frame = pd.DataFrame(
        {
            "row": np.arange(1000),
            "day": np.arange(1000, dtype=np.int32) % 7,
            "value": np.linspace(0, 1, 1000),
            "pending": np.arange(1000) % 3 == 0,
            "table": pd.array(["events", None] * 500, dtype="str"),
        }
    )
    return Piece(np.arange(10, dtype=np.uint8)[::2], frame[frame["row"] > 17], frame.iloc[:0], ("a", "b"))


def assert_same(found: Piece, whole: Piece) -> None:
    np.testing.assert_array_equal(found.numbers, whole.numbers)
    pd.testing.assert_frame_equal(found.frame, whole.frame)
    pd.testing.assert_frame_equal(found.empty, whole.empty)
    assert found.words == whole.words


def test_a_value_comes_back_equal_mapped_or_read(tmp_path: Path) -> None:
    lay(piece(), tmp_path / "laid")
    assert_same(fetched(tmp_path / "laid"), piece())
    assert [path.stat().st_mode & 0o077 for path in tmp_path.iterdir()] == [0]
    assert_same(put(piece(), tmp_path / "put"), piece())


def test_what_is_mapped_lies_in_the_file_and_cannot_be_changed(tmp_path: Path) -> None:
    numbers = np.arange(5000)
    lay(numbers, tmp_path / "laid")
    assert numbers.tobytes() in (tmp_path / "laid").read_bytes()
    found = put(numbers, tmp_path / "numbers")
    assert not found.flags.writeable
    assert found.ctypes.data % ALIGNED == 0
    with pytest.raises(ValueError, match="read-only"):
        found[0] = 1


def test_what_is_mapped_is_not_written_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """8 bytes a number the first time; beside a copy of the frame's rows the second time, the numbers stay where they are."""
    sizes: list[int] = []

    def noted(path: Path) -> mmap.mmap:
        sizes.append(path.stat().st_size)
        return mapped(path)

    monkeypatch.setattr("pipeline.pieces.mapped", noted)
    numbers = put(np.arange(100_000), tmp_path / "numbers")
    frame = put(pd.DataFrame({"row": np.arange(100_000), "day": np.arange(100_000) % 7}), tmp_path / "frame")
    both = put((numbers, frame, frame.take([3, 1]), numbers[5:9]), tmp_path / "both")
    assert sizes[0] > 800_000
    assert sizes[1] > 1_600_000
    assert sizes[2] < 10_000
    assert both[0] is numbers
    pd.testing.assert_frame_equal(both[1], frame)
    assert (both[2]["row"].tolist(), both[3].tolist()) == ([3, 1], [5, 6, 7, 8])


def test_pages_that_were_dropped_are_read_again(tmp_path: Path) -> None:
    """The file has lost its name by then, so that nothing is left of a run that was killed."""
    found = put(piece(), tmp_path / "put")
    assert list(tmp_path.iterdir()) == []
    given_back()
    assert_same(found, piece())


def test_a_room_in_files_gives_the_same_table_and_of_a_slice_no_more_than_it_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = pa.table({"id": [f"O{number:07}" for number in range(50_000)], "day": list(range(50_000))})
    sizes: list[int] = []

    def noted(path: Path) -> mmap.mmap:
        sizes.append(path.stat().st_size)
        return mapped(path)

    monkeypatch.setattr("pipeline.room.mapped", noted)
    room = InFiles(lambda: tmp_path / "table")
    assert room.table(table).equals(table)
    assert room.table(table.slice(10, 5)).equals(table.slice(10, 5))
    assert sizes[0] > 50_000 * (8 + 8) > 100 * sizes[1]


def test_few_rows_have_no_room_of_their_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.room.MANY_ROWS", 10)
    assert room_of(9, lambda: tmp_path / "never") is IN_MEMORY
    assert isinstance(room_of(10, lambda: tmp_path / "here"), InFiles)


def test_a_disk_without_room_is_said_in_words(tmp_path: Path) -> None:
    """A file takes nothing into it."""
    (tmp_path / "file").write_text("no folder")
    room = InFiles(lambda: tmp_path / "file" / "1")
    with pytest.raises(
        CannotFinish, match=r"could not be written beside the editions .*Not a directory.*Make room"
    ):
        room.value(np.arange(3))
    with pytest.raises(CannotFinish, match="Nothing was written"):
        room.table(pa.table({"day": [1]}))
