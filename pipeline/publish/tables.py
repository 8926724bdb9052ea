"""Tables as files: typed and checked by their description, sorted by their whole key, written."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeAlias

from pipeline import store
from pipeline.errors import CannotFinish
from schemas.columns import Column, Table
from schemas.published import ACCOUNTS, PUBLISHED

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

#: Department, name of the table, the table.
Write: TypeAlias = "Callable[[Path, str, pa.Table], None]"
#: Rows of a table from which writing it takes long enough for a thread.
LARGE = 50_000
HELD_BACK = "quarantined/"
#: Accounts that are large and for programs; the others are CSV.
FOR_PROGRAMS = (
    "cases",
    "complications",
    "letters",
    "evidence",
    "records",
    "questions",
    "sampling_frame",
    "second_cases",
    "outward_basis",
)
#: What a sum of fractions may be off by, as a share.
LAST_DIGITS = 1e-12
#: Tables that no page shows.
NOT_PRINTED = ("evidence", "records", "decisions_used", "sampling_frame", "second_cases", "outward_basis")
#: Tables whose rows tell a story in the order given, within the columns named here.
KEEPS_ORDER = {"flow": ("site", "procedure"), "outward_flow": ("site",)}


def table_files(name: str) -> tuple[str, ...]:
    """Where a table's files stand under `department/`: accounts in the folder itself, audit tables in both forms."""
    if PUBLISHED[name] in ACCOUNTS:
        return (f"{name}.parquet",) if name in FOR_PROGRAMS else (f"{name}.csv",)
    return (f"tables/{name}.csv", f"tables/{name}.parquet")


def ready(frame: pd.DataFrame | pa.Table, table: Table) -> pa.Table:
    """The frame in the table's columns, types and row order, after it was checked against its description.

    Empty text in a column that may be empty becomes null, so that there is one way to say "nothing". A table made in
    Arrow is typed and in its order already; of such, which may be large, only the cells are checked.

    Raises:
        CannotFinish: The frame does not fit the description, which is a mistake of the program.
    """
    import pyarrow as pa

    from schemas.fit import UnfitFrame, failures, is_sound, typed, typed_arrow

    if isinstance(frame, pa.Table):
        return _as_made(frame, table)
    try:
        prepared = _on_limits(_without_categories(frame), table)
        plain = typed_arrow(table, prepared)
        if is_sound(table, plain):
            return _sorted(_one_nothing(plain, table), table)
        found = failures(table, typed(table, prepared))
    except UnfitFrame as problem:
        raise CannotFinish(_ours(table.name, str(problem))) from None
    broken = found["column"] + " breaks " + found["rule"]
    told = "; ".join(
        f"{what} in {number} rows" for what, number in broken.value_counts().sort_index().items()
    )
    raise CannotFinish(_ours(table.name, told))


def _as_made(made: pa.Table, table: Table) -> pa.Table:
    from schemas.fit import arrow_schema
    from schemas.order import kind_of_words

    fits = made.column_names == list(table.names) and all(
        kind_of_words(made[name].type).equals(wanted)
        for name, wanted in zip(table.names, arrow_schema(table).types, strict=True)
    )
    broken = [column.name for column in table.columns if fits and not _keeps_rules(made[column.name], column)]
    if broken or not fits:
        what = f"cells of {', '.join(broken)} break a rule" if fits else "other columns or types"
        raise CannotFinish(_ours(table.name, what))
    return made


def _keeps_rules(cells: pa.ChunkedArray, column: Column) -> bool:
    import pyarrow as pa
    import pyarrow.compute as pc

    from schemas.fit import cell_rules

    if cells.null_count and not column.nullable:
        return False
    rules = list(cell_rules(column, True))
    if rules and pa.types.is_dictionary(cells.type):
        words = [chunk.dictionary.take(pc.unique(chunk.indices).drop_null()) for chunk in cells.chunks]
        cells = pa.chunked_array(words, cells.type.value_type)
    kept = (pc.all(pc.fill_null(rule.holds(cells), True)).as_py() for rule in rules)
    return all(answer is not False for answer in kept)


def _without_categories(frame: pd.DataFrame) -> pd.DataFrame:
    sorted_ones = [str(name) for name, kind in frame.dtypes.items() if kind == "category"]
    return frame.astype(dict.fromkeys(sorted_ones, "string")) if sorted_ones else frame


def _on_limits(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Numbers that the last digits of a sum carried past a limit are on it; ten digits are written, and no more compared."""
    import numpy as np

    put: dict[str, np.ndarray] = {}
    for column in table.columns:
        if column.kind != "number" or column.name not in frame or frame[column.name].dtype != "float64":
            continue
        for limit in (column.low, column.high):
            if limit is not None:
                cells = put.get(column.name, frame[column.name].to_numpy())
                near = (np.abs(cells - limit) <= LAST_DIGITS * max(abs(limit), 1)) & (cells != limit)
                put |= {column.name: np.where(near, limit, cells)} if near.any() else {}
    return frame.assign(**put) if put else frame


def _one_nothing(table: pa.Table, described: Table) -> pa.Table:
    import pyarrow as pa
    import pyarrow.compute as pc

    for place, column in enumerate(described.columns):
        if column.nullable and pa.types.is_string(table.schema.field(place).type):
            cells = table.column(place)
            filled = pc.if_else(pc.equal(cells, ""), pa.scalar(None, pa.string()), cells)
            table = table.set_column(place, column.name, filled)
    return table.replace_schema_metadata(None)


def _sorted(table: pa.Table, described: Table) -> pa.Table:
    """By the whole key, which no two rows of a published table share; text by its bytes, nulls last."""
    import pyarrow as pa

    from schemas.fit import is_published
    from schemas.order import order_of, rising

    if len(table) <= 1:
        return table
    further = () if is_published(described) else described.names
    by = KEEPS_ORDER.get(described.name) or tuple(dict.fromkeys([*described.key, *further]))
    columns = [table[name] for name in by]
    return table if rising(columns) else table.take(pa.array(order_of(columns)[0]))


def in_order(made: pa.Table, described: Table) -> pa.Table:
    """A table made in Arrow, whose rows stand anyhow, as it is published: without two rows of one key.

    Raises:
        CannotFinish: Two rows have one key, which is a mistake of the program.
    """
    import pyarrow as pa

    from schemas.order import order_of

    order, repeated = order_of([made[name] for name in described.key])
    if repeated:
        raise CannotFinish(_ours(described.name, f"{', '.join(described.key)} repeated"))
    return made.take(pa.array(order)) if (order[1:] < order[:-1]).any() else made


def _ours(name: str, told: str) -> str:
    return (
        f"The table `{name}` does not fit its description: {told.rstrip('.')}. This is a mistake in the program, not "
        "in your files. Nothing was published; please report it with this message."
    )


def ready_of(names: Iterable[str], tables: Mapping[str, pd.DataFrame | pa.Table]) -> dict[str, pa.Table]:
    """Those tables of these names that there are, as `write_tables` writes them."""
    return {name: ready(tables[name], PUBLISHED[name]) for name in names if name in tables}


def write_tables(
    department: Path,
    tables: Mapping[str, pd.DataFrame | pa.Table],
    already: Mapping[str, pa.Table] = MappingProxyType({}),
    write: Write | None = None,
) -> dict[str, pa.Table]:
    """Every table where it belongs; those of rows held back as they come, under `quarantined/`.

    Args:
        already: Of the described ones those that have been made ready.
        write: Writes one that is ready; by default `write_table`.

    Returns:
        The described tables as they were written: typed, sorted, with one way to say "nothing".

    Raises:
        CannotFinish: A table without a description, or one that does not fit it.
    """
    written = {}
    for name in sorted(tables):
        if name.startswith(HELD_BACK):
            store.write_csv(tables[name], department / f"{name}.csv")
        elif name in PUBLISHED:
            written[name] = already[name] if name in already else ready(tables[name], PUBLISHED[name])
            (write or write_table)(department, name, written[name])
        else:
            raise CannotFinish(_ours(name, "schemas/published.py does not describe it"))
    return written


def write_table(department: Path, name: str, table: pa.Table) -> None:
    for file in table_files(name):
        (store.write_csv if file.endswith(".csv") else store.write_parquet)(table, department / file)


@contextmanager
def large_ones_aside() -> Iterator[Write]:
    """Gives what writes tables as `write_table` does, large ones in a thread of their own while the block goes on; when it
    ends, all are written.
    """
    with ThreadPoolExecutor(1, "large tables") as aside:
        begun: list[Future[None]] = []

        def write(department: Path, name: str, table: pa.Table) -> None:
            if len(table) < LARGE:
                write_table(department, name, table)
            else:
                begun.append(aside.submit(write_table, department, name, table))

        yield write
        for each in begun:
            each.result()
