"""What the screen says at the end of `check` and `run`: why, where, and what to do, in a few lines."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.known import is_new

if TYPE_CHECKING:
    import pandas as pd

#: Lines of each kind before the rest is only counted.
MOST_LINES = 8
#: Rules about what a cell holds; where they hold back every row of a file, and it has so many, its heads may be wrong.
_OF_CELLS, FEWEST_ROWS = "value_", 3
HEADS_ASKED = "So it is in every row of the file: see whether the column stands under its own head."
_KEPT_BACK = ("refuse", "set_aside", "quarantine")


@dataclass(frozen=True)
class Summary:
    """Findings in short.

    Attributes:
        count: How many there are, and how many of them are new; empty if there are none.
        files: File → why none of it is used.
        rows: A line for each cause that holds rows back where too many are.
    """

    count: str = ""
    files: Mapping[str, str] = field(default_factory=dict)
    rows: tuple[str, ...] = ()


def summary_of(
    found: pd.DataFrame, standing: pd.DataFrame, over: Collection[tuple[str, str]], ledger: pd.DataFrame
) -> Summary:
    """The findings in short.

    Args:
        found: All findings, marked.
        standing: Those that no later export has settled.
        over: (site, table) of which more rows are held back than is tolerated.
        ledger: As published; it knows how many rows each file has.
    """
    told = found[(found["action"] != "repair").to_numpy()]
    new = int(is_new(told).sum())
    count = (
        f"{len(told):,} finding{'s' * (len(told) != 1)}: {new:,} new, {len(told) - new:,} known"
        if len(told)
        else ""
    )
    causes = standing[standing["action"].isin(_KEPT_BACK).to_numpy() & is_new(standing)]
    whole = (causes["action"] != "quarantine").to_numpy()
    pairs = zip(causes["site"], causes["table"], strict=True)
    rows = causes[~whole & np.array([pair in over for pair in pairs], dtype=bool)]
    records = (ledger["rows_read"] - ledger["non_data"]).groupby(ledger["source_file"]).sum()
    return Summary(count, _of_files(causes[whole]), tuple(_of_rows(rows, records)))


def _of_files(causes: pd.DataFrame) -> dict[str, str]:
    """The first reason given for each file."""
    first = causes.drop_duplicates("source_file")
    pairs = zip(first["source_file"], first["message"], strict=True)
    return {file: f"Not used: {_named(file, message)}" for file, message in pairs}


def _named(file: str, message: str) -> str:
    """The message with the file's whole path, said once."""
    name = file.rpartition("/")[2].partition("#")[0]
    return f"{file}{message.removeprefix(name)}" if message.startswith(name) else f"{file}: {message}"


def _of_rows(causes: pd.DataFrame, records: pd.Series) -> list[str]:
    """One line for each file, rule and column, those of most rows first.

    Args:
        records: File → how many rows it has.
    """
    if causes.empty:
        return []
    grouped = causes.groupby(["source_file", "rule", "column"], sort=True)
    kinds = grouped.agg(times=("rule", "size"), line=("source_line", "min"), message=("message", "first"))
    ordered = kinds.reset_index().sort_values("times", ascending=False, kind="stable")
    return [
        f"Held back: {row['source_file']}, {_lines(row['times'], row['line'])}: {row['message']}"
        f"{_about_heads(row['rule'], row['times'], int(records.get(row['source_file'], 0)))}"
        for row in ordered.to_dict("records")
    ]


def _about_heads(rule: str, times: int, records: int) -> str:
    every = times >= max(records, FEWEST_ROWS) and records > 0
    return f" {HEADS_ASKED}" if every and rule.startswith(_OF_CELLS) else ""


def _lines(times: int, first: int) -> str:
    return f"line {first}" if times == 1 else f"{times:,} rows from line {first}"


def last_lines(warnings: Sequence[str], summary: Summary, place: Path) -> tuple[str, ...]:
    """What is said on a run that is not within tolerance.

    Args:
        warnings: Why it is not.
        summary: Its findings.
        place: Folder that holds `quarantine.csv` and the other tables.
    """
    others = [line for line in warnings if line.partition(" is not used")[0] not in summary.files]
    return (
        *_first(others),
        *_first(tuple(summary.files.values())),
        *_first(summary.rows),
        f"{summary.count or 'No findings'}. All of them: {place / 'quarantine.csv'}; every file: {place / 'ledger.csv'}; "
        f"notes that may be mailed: {place / 'for_the_sender'}.",
    )


def _first(lines: Sequence[str]) -> list[str]:
    more = len(lines) - MOST_LINES
    return [*lines[:MOST_LINES], *([f"… and {more:,} more like these."] if more > 0 else [])]
