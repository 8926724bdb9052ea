"""The tables of one edition, read as far as a story needs them."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import WrongUse

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.catalogue import Catalogue

Row = dict[str, Any]
#: A text that a spreadsheet would take for a formula was written with an apostrophe before one of these.
FORMULA_SIGNS = ("=", "+", "-", "@")


@dataclass(frozen=True)
class Edition:
    """An edition's folder; tables are lists of rows, missing cells None."""

    folder: Path

    @classmethod
    def at(cls, folder: Path) -> Edition:
        """The edition in a folder.

        Raises:
            WrongUse: It was made by a version that did not list records.
        """
        if not (folder / "department" / "records.parquet").is_file():
            raise WrongUse(
                f"{folder} was made by an earlier version, which did not list records. `limbaudit run WORKSPACE` makes "
                "it anew."
            )
        return cls(folder)

    @property
    def department(self) -> Path:
        return self.folder / "department"

    @property
    def name(self) -> str:
        return f"{self.folder.parent.name}/{self.folder.name}"

    @cached_property
    def manifest(self) -> dict[str, Any]:
        made: dict[str, Any] = json.loads((self.department / "manifest.json").read_text("utf-8"))
        return made

    @cached_property
    def catalogue(self) -> Catalogue:
        from pipeline.catalogue import load_catalogue

        return load_catalogue(self.department / "as_used" / "catalogue.toml")

    @property
    def windows(self) -> list[dict[str, int]]:
        """`days, early, grace` of each window, shortest first."""
        found: list[dict[str, int]] = self.manifest["settings"]["windows"]
        return sorted(found, key=lambda window: window["days"])

    def rows(self, name: str, /, **where: object) -> list[Row]:
        """Rows of a Parquet table in which each named column has a value, or one of several.

        Of each row group only those columns are read first, so that a large table costs little.
        """
        import pyarrow.parquet as pq

        path = self.department / f"{name}.parquet"
        found: list[Row] = []
        if path.is_file():
            with pq.ParquetFile(path) as file:
                for group in range(file.num_row_groups):
                    hit = _hit(file.read_row_group(group, columns=list(where)), where)
                    if hit.true_count:
                        found += file.read_row_group(group).filter(hit).to_pylist()
        return found

    def column(self, name: str, column: str) -> list[Any]:
        """One column of a Parquet table."""
        import pyarrow.parquet as pq

        values: list[Any] = (
            pq.read_table(self.department / f"{name}.parquet", columns=[column])[column].unique().to_pylist()
        )
        return values

    def listed(self, name: str, keep: Callable[[Row], bool]) -> list[Row]:
        """Rows of a CSV table, cells as text, missing ones None."""
        path = self.department / f"{name}.csv"
        if not path.is_file():
            return []
        csv.field_size_limit(1 << 24)
        with path.open(encoding="utf-8", newline="") as file:
            return [row for row in map(_as_received, csv.DictReader(file)) if keep(row)]


def _hit(keys: pa.Table, where: dict[str, object]) -> pa.BooleanArray:
    """Which rows have the values asked for."""
    import pyarrow as pa
    import pyarrow.compute as pc

    hit = pa.array([True] * len(keys), pa.bool_())
    for column, value in where.items():
        values = sorted(value) if isinstance(value, (set, list, tuple)) else [value]
        cells = keys[column].combine_chunks()
        hit = pc.and_(hit, pc.fill_null(pc.is_in(cells, pa.array(values, cells.type)), False))
    return hit


def _as_received(row: dict[str, str]) -> Row:
    return dict(_cells(row))


def _cells(row: dict[str, str]) -> Iterator[tuple[str, str | None]]:
    for name, cell in row.items():
        guarded = cell.startswith("'") and (cell[1:2] in FORMULA_SIGNS or cell[1:2] < " ") and len(cell) > 1
        yield name, (cell[1:] if guarded else cell) or None
