"""What one evaluation tells of its cases, read from an edition or from tables about to be written: the same in both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.catalogue import ANY_COMPLICATION, Catalogue, complication_of, load_catalogue
from pipeline.settings import Window

if TYPE_CHECKING:
    from collections.abc import Iterable

#: Tables of which a case's story consists, and those of its figures.
OF_CASES = ("cases", "complications", "evidence", "records")


@dataclass(frozen=True)
class Rules:
    """What of settings and catalogue decides in which figures a case stands.

    Attributes:
        windows: In the order of the settings.
        seen_in: Category → `visit` or `records`.
        main: Category → its main level.
    """

    windows: tuple[Window, ...]
    seen_in: Mapping[str, str]
    main: Mapping[str, str]

    @classmethod
    def of(cls, windows: Iterable[Window], catalogue: Catalogue) -> Rules:
        keys = (*catalogue.complications, ANY_COMPLICATION)
        entries = {key: complication_of(catalogue, key) for key in keys}
        return cls(
            tuple(windows),
            {key: entry.seen_in for key, entry in entries.items()},
            {key: entry.main_level for key, entry in entries.items()},
        )


@dataclass(frozen=True)
class Told:
    """The published tables of one evaluation, and its rules.

    Attributes:
        tables: Those of `OF_CASES`, and of editions also `rates`.
        written: `decisions_used`, every cell as text.
        rules: In force for it.
        inputs: Path → SHA-256 of what it was made from.
        versions: Of program and libraries.
    """

    tables: Mapping[str, pa.Table]
    written: pd.DataFrame
    rules: Rules
    inputs: Mapping[str, str] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def cases(self) -> pd.DataFrame:
        """By case id."""
        return self.tables["cases"].to_pandas().set_index("case_id")

    @cached_property
    def complications(self) -> pd.DataFrame:
        return self.tables["complications"].to_pandas()

    @property
    def decisions(self) -> pd.DataFrame:
        """Those in force, every cell as text."""
        return self.written[self.written["standing"] == "in_force"].reset_index(drop=True)

    @cached_property
    def rates(self) -> pd.DataFrame:
        """Main levels over all strata."""
        rows = self.tables["rates"].to_pandas()
        main = rows["category"].map(self.rules.main) == rows["level"]
        return rows[(rows["stratum"] == "none") & main].reset_index(drop=True)

    def rows_of_cases(self, name: str, cases: Iterable[str]) -> pd.DataFrame:
        """Rows of a table that name one of some cases."""
        table = self.tables[name]
        return _frame(table.filter(_is_in(table["case_id"], cases)))

    def rows_of_ids(self, records: Iterable[str]) -> pd.DataFrame:
        """Rows of `records` whose id is one of some ids, whatever their case, site and table."""
        table = self.tables["records"]
        return _frame(table.filter(_is_in(table["record_id"], records)))

    def rows_of_table(self, name: str) -> pd.DataFrame:
        """Rows of `records` that stand in one table of the exports."""
        table = self.tables["records"]
        return _frame(table.filter(pc.equal(table["table"].cast(pa.string()), name)))


def _frame(rows: pa.Table) -> pd.DataFrame:
    """With texts as plain objects: pandas cannot join text columns of which both sides are empty."""
    frame = rows.to_pandas()
    texts = [field.name for field in rows.schema if not pa.types.is_integer(field.type)]
    return frame.astype(dict.fromkeys(texts, object))


def _is_in(column: pa.ChunkedArray, wanted: Iterable[str]) -> pa.ChunkedArray:
    asked = pa.array(sorted(set(wanted)), pa.string())
    texts = column.cast(pa.string())
    return pc.fill_null(pc.is_in(texts, asked), False)


def as_text(csv: Path | IO[str]) -> pd.DataFrame:
    """A CSV table with every cell as text; empty where there is nothing."""
    return pd.read_csv(csv, dtype=str, keep_default_na=False)


def told_by_edition(folder: Path, manifest: Mapping[str, Any]) -> Told:
    """What a signed edition tells, by its own settings and catalogue.

    Raises:
        OSError: A file lacks.
        ValueError: A file cannot be read.
        KeyError: The manifest lacks something.
    """
    import pyarrow.parquet as pq

    department = folder / "department"
    tables = {name: pq.read_table(department / f"{name}.parquet") for name in OF_CASES}
    tables["rates"] = pq.read_table(department / "tables" / "rates.parquet")
    windows = [Window(**each) for each in manifest["settings"]["windows"]]
    catalogue = load_catalogue(department / "as_used" / "catalogue.toml")
    return Told(
        tables,
        as_text(department / "decisions_used.csv"),
        Rules.of(windows, catalogue),
        {each["path"]: each["sha256"] for each in manifest["inputs"]},
        {"limbaudit": manifest["program"]["version"], **manifest["versions"]},
    )
