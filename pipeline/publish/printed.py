"""Tables as pages read them. Of those with very many rows pages ask for few, so that no frame is made of all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.publish.coded import in_words
from pipeline.publish.tables import NOT_PRINTED

if TYPE_CHECKING:
    import pandas as pd

    Tables = Mapping[str, pd.DataFrame]
Made = TypeVar("Made")


class Printed(Mapping[str, "pd.DataFrame"]):
    """Each table as a frame, made when it is first asked for.

    Args:
        written: Tables as they were written.
    """

    def __init__(self, written: Mapping[str, pa.Table]) -> None:
        self.written = {name: table for name, table in written.items() if name not in NOT_PRINTED}
        self._frames: dict[str, pd.DataFrame] = {}
        self._known: dict[str, object] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        if name not in self._frames:
            self._frames[name] = in_words(self.written[name]).to_pandas()
        return self._frames[name]

    def __contains__(self, name: object) -> bool:
        return name in self.written

    def __iter__(self) -> Iterator[str]:
        return iter(self.written)

    def __len__(self) -> int:
        return len(self.written)

    def some(self, name: str, chosen: Callable[[pa.Table], np.ndarray]) -> pd.DataFrame:
        """Some rows of a table, chosen by a bool a row."""
        table = self.written[name]
        return in_words(table.filter(pa.array(chosen(table)))).to_pandas()

    def once(self, what: str, make: Callable[[], Made]) -> Made:
        """What several pages need, made once."""
        if what not in self._known:
            self._known[what] = make()
        return self._known[what]  # type: ignore[return-value]


def rows_with(tables: Tables, name: str, column: str, values: Iterable[str]) -> pd.DataFrame | None:
    """The rows of a table whose cell is one of some values; None where there is no such table."""
    if isinstance(tables, Printed) and name in tables:
        wanted = pa.array(list(values), pa.string())
        return tables.some(name, lambda table: is_one_of(table[column], wanted))
    frame = tables.get(name)
    return None if frame is None else frame[frame[column].isin(list(values))]


def is_one_of(cells: pa.ChunkedArray, wanted: pa.Array) -> np.ndarray:
    """bool: the cell is one of the wanted words, each of which is looked for once."""
    if not pa.types.is_dictionary(cells.type):
        found: np.ndarray = pc.is_in(cells, wanted).to_numpy()
        return found
    held = [
        np.append(pc.is_in(chunk.dictionary, wanted).to_numpy(zero_copy_only=False), False)[
            pc.fill_null(chunk.indices, len(chunk.dictionary)).to_numpy()
        ]
        for chunk in cells.chunks
    ]
    return np.concatenate([*held, np.zeros(0, bool)])


def written(tables: Tables, name: str) -> pa.Table:
    """A table in Arrow, without making a frame of it where tables are those of an edition."""
    return tables.written[name] if isinstance(tables, Printed) else pa.Table.from_pandas(tables[name])


def rows_of(tables: Tables, name: str) -> int:
    """How many rows a table has; 0 where there is no such table."""
    if isinstance(tables, Printed):
        return len(tables.written.get(name, ()))
    return len(tables.get(name, ()))


def once(tables: Tables, what: str, make: Callable[[], Made]) -> Made:
    """What several pages need, made once where tables are those of an edition."""
    return tables.once(what, make) if isinstance(tables, Printed) else make()
