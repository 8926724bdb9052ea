"""Tables in files of Arrow, mapped into memory: a column is read when it is asked for, and the system may drop its pages."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store

if TYPE_CHECKING:
    import pyarrow as pa

#: So many rows are written at a time; nothing is kept twice.
ROWS_AT_ONCE = 1 << 20
#: Rows of all tables from which they lie in files.
MANY_ROWS = 6_000_000


def tables_aside(tables: dict[str, pa.Table], folder: Callable[[], Path]) -> dict[str, pa.Table]:
    """The same tables; where they hold many rows, in files of a new folder."""
    if sum(table.num_rows for table in tables.values()) < MANY_ROWS:
        return tables
    place = folder()
    place.mkdir(mode=0o700)
    return {name: table_aside(table, place / name) for name, table in tables.items()}


def table_aside(table: pa.Table, path: Path) -> pa.Table:
    """The same table, lying in a file. Removing the file leaves what is mapped where the system allows it."""
    import pyarrow as pa

    with (
        open(path, "wb", opener=store.opened_privately) as stream,
        pa.ipc.new_file(stream, table.schema) as writer,
    ):
        writer.write_table(table, max_chunksize=ROWS_AT_ONCE)
    return pa.ipc.open_file(pa.memory_map(str(path))).read_all()
