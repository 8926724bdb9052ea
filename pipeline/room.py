"""Room for what is so large that memory counts: in files beside the editions, mapped into memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pipeline import store
from pipeline.errors import CannotFinish
from pipeline.memory import mapped
from pipeline.pieces import put

if TYPE_CHECKING:
    import pyarrow as pa

#: So many rows are written at a time; nothing is kept twice.
ROWS_AT_ONCE = 1 << 20
#: Rows of all tables from which they lie in files.
MANY_ROWS = 2_000_000


class Room(Protocol):
    """Where tables and frames are kept until they are needed."""

    def table(self, table: pa.Table) -> pa.Table:
        """The same table."""

    def value(self, value: Any) -> Any:
        """The same value of frames and arrays; nobody changes them."""


class InMemory:
    """Room that is nothing of its own."""

    def table(self, table: pa.Table) -> pa.Table:
        return table

    def value(self, value: Any) -> Any:
        return value


class InFiles:
    """Room in files, each made at a new path and mapped."""

    def __init__(self, place: Callable[[], Path]) -> None:
        self._place = place

    def table(self, table: pa.Table) -> pa.Table:
        with _said_by_name():
            return table_aside(table, self._place())

    def value(self, value: Any) -> Any:
        with _said_by_name():
            return put(value, self._place())


@contextmanager
def _said_by_name() -> Iterator[None]:
    """A file that cannot be written, in words.

    Raises:
        CannotFinish: The disk is full, or the folder cannot be written.
    """
    try:
        yield
    except OSError as fault:
        raise CannotFinish(
            f"What a large run lays aside could not be written beside the editions ({fault.strerror or fault}). Nothing was "
            "written. Make room on that disk, about ten times as much as the exports take, or name another folder with --out."
        ) from None


#: The room of whoever has no other.
IN_MEMORY = InMemory()


def in_memory(_rows: int) -> Room:
    """Memory for however many rows."""
    return IN_MEMORY


def room_of(rows: int, place: Callable[[], Path]) -> Room:
    """Files at new paths for many rows, memory for few."""
    return InFiles(place) if rows >= MANY_ROWS else IN_MEMORY


def table_aside(table: pa.Table, path: Path) -> pa.Table:
    """The same table, lying in a file; of slices only what they show."""
    import pyarrow as pa

    with (
        open(path, "wb", opener=store.opened_privately) as stream,
        pa.ipc.new_file(stream, table.schema) as writer,
    ):
        writer.write_table(table, max_chunksize=ROWS_AT_ONCE)
    return pa.ipc.open_file(pa.BufferReader(pa.py_buffer(mapped(path)))).read_all()
