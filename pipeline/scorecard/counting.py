"""Rows and failing rows by site, table, column, rule and receipt: the one frame all scores are made of."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.findings import CATALOGUE
from pipeline.handover import Source, Validated
from pipeline.scorecard.asked import ABOUT_THE_CATALOGUE, OF_FILES, REFUSALS, asked_rules, is_optional
from pipeline.scorecard.deliveries import UNIT, Deliveries
from schemas.exports import EXPORTS

if TYPE_CHECKING:
    import pandas as pd

KEY = ["site", "table", "column", "rule"]
COUNTED = [*KEY, "receipt", "rows", "failing"]
QUARANTINED_SHARE, VALUE_EMPTY, VANISHED = "quarantined_share", "value_empty", "records_vanished"


def filled_cells(validated: Validated, sent: Deliveries) -> pd.DataFrame:
    """`site, table, column, receipt, rows, filled` of used rows, for columns the site fills at least once."""
    import pandas as pd

    units = sent.units
    parts = []
    for name, table in validated.accepted.tables.items():
        used = sent.used[name]
        rows = sent.unit_of[name][used]
        own = np.flatnonzero((units["table"] == name) & (units["used"] > 0))
        for column in EXPORTS[name].names:
            filled = _filled(table[column], used, rows, units["used"].to_numpy(), len(units))
            if filled is not None:
                parts.append((own, np.full(len(own), column, dtype=object), filled[own]))
    if not parts:
        return pd.DataFrame(columns=[*UNIT, "column", "rows", "filled"])
    at, columns, filled = (np.concatenate(each) for each in zip(*parts, strict=True))
    cells = units.loc[at, UNIT].assign(column=columns, rows=units["used"].to_numpy()[at], filled=filled)
    cells = cells.reset_index(drop=True)
    return cells[cells.groupby(["site", "table", "column"])["filled"].transform("sum") > 0]


def _filled(
    cells: object, used: np.ndarray, unit: np.ndarray, whole: np.ndarray, units: int
) -> np.ndarray | None:
    """Filled cells by unit; None for a column without any."""
    if cells.null_count == len(cells):  # type: ignore[attr-defined, arg-type]
        return None
    if not cells.null_count:  # type: ignore[attr-defined]
        return whole
    return np.bincount(unit[cells.is_valid().to_numpy()[used]], minlength=units)  # type: ignore[attr-defined]


def failures(found: pd.DataFrame, sent: Deliveries) -> pd.DataFrame:
    """`site, table, column, rule, receipt, failing` of findings about single rows."""
    import pandas as pd

    about_rows = found["source_line"].notna() & found["table"].isin(EXPORTS)
    scored = ~found["action"].isin(["repair", "refuse"]) & ~found["rule"].isin(ABOUT_THE_CATALOGUE)
    counts = _counted_findings(found[about_rows & scored], sent)
    return counts.astype(dict.fromkeys(KEY, object)) if len(counts) else pd.DataFrame(
        columns=[*KEY, "receipt", "failing"], dtype=object
    )  # fmt: skip


def _counted_findings(found: pd.DataFrame, sent: Deliveries) -> pd.DataFrame:
    """Counted by file first: few names are looked up."""
    by_file = found.groupby([*KEY, "source_file"], sort=False).size().rename("failing").reset_index()
    by_file["receipt"] = by_file["source_file"].map(sent.receipt_of)
    known = by_file[by_file["receipt"].notna()]
    return known.groupby([*KEY, "receipt"], sort=False)["failing"].sum().reset_index()


def counted(
    validated: Validated, found: pd.DataFrame, sent: Deliveries, cells: pd.DataFrame, repeated: pd.DataFrame
) -> pd.DataFrame:
    """One row a site, table, column, rule and receipt; `rows` and `failing` int64.

    Args:
        found: All findings, of intake and of resolve too.
        cells: From `filled_cells`.
        repeated: `site, table, receipt, failing` of rows that were sent twice.
    """
    import pandas as pd

    units = sent.units
    shares = units.assign(column="", rule=QUARANTINED_SHARE, failing=units["held"])
    empties = _empties(cells)
    twice = units.assign(column="", rule="record_duplicate").merge(repeated, on=UNIT, how="left")
    parts = [_of_rows(failures(found, sent), units, cells), shares, empties, twice]
    parts += [
        _refusals(validated.accepted.sources),
        _files(validated.accepted.sources, found),
        _gone(found, sent),
    ]
    whole = pd.concat([part[COUNTED] for part in parts if len(part)] or [pd.DataFrame(columns=COUNTED)])
    whole = whole.assign(failing=whole["failing"].fillna(0)).astype({"rows": "int64", "failing": "int64"})
    whole["failing"] = whole[["rows", "failing"]].min(axis=1)
    return whole.sort_values([*KEY, "receipt"], ignore_index=True)


def _of_rows(failing: pd.DataFrame, units: pd.DataFrame, cells: pd.DataFrame) -> pd.DataFrame:
    """Every question asked of a column the site sends, and whatever failed beside these."""
    asked = asked_rules()
    sent = cells[["site", "table", "column"]].drop_duplicates()
    needed = asked["column"].eq("") | asked["rule"].eq("value_missing")
    sites = units[["site", "table"]].drop_duplicates()
    own = sites.merge(asked[needed], on="table")
    other = sent.merge(asked[~needed], on=["table", "column"])
    series = _union([own[KEY], other[KEY], failing[KEY]])
    rows = series.merge(units[[*UNIT, "rows"]], on=["site", "table"])
    return rows.merge(failing, on=[*KEY, "receipt"], how="left")


def _union(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    import pandas as pd

    return pd.concat([part.astype(object) for part in parts], ignore_index=True).drop_duplicates()


def _empties(cells: pd.DataFrame) -> pd.DataFrame:
    """Completeness of the columns a site may leave empty."""
    optional = [
        (name, column.name) for name, table in EXPORTS.items() for column in table.columns if is_optional(table, column)
    ]  # fmt: skip
    import pandas as pd

    own = cells.merge(
        pd.DataFrame(optional, columns=["table", "column"], dtype=object), on=["table", "column"]
    )
    return own.assign(rule=VALUE_EMPTY, failing=own["rows"] - own["filled"])


def _refusals(sources: Sequence[Source]) -> pd.DataFrame:
    """Rows of files refused whole, by reason, of all rows read; also where none was."""
    import pandas as pd

    frame = pd.DataFrame(
        [
            (s.site, s.table, s.receipt, s.rows_read, s.refused, s.reason)
            for s in sources
            if s.table in EXPORTS
        ],
        columns=[*UNIT, "rows", "refused", "reason"],
    )
    read = frame.groupby(UNIT)["rows"].sum().reset_index()
    refused = frame[frame["refused"] > 0].rename(columns={"reason": "rule"})
    failing = refused.groupby([*UNIT, "rule"])["refused"].sum().rename("failing").reset_index()
    rules = pd.DataFrame({"rule": sorted({*REFUSALS, *failing["rule"]} & CATALOGUE.keys())})
    return read.merge(rules, how="cross").merge(failing, on=[*UNIT, "rule"], how="left").assign(column="")


def _files(sources: Sequence[Source], found: pd.DataFrame) -> pd.DataFrame:
    """Rows of files that are used although something about the whole file is amiss."""
    import pandas as pd

    used = [
        (s.site, s.table, s.receipt, _place(s), s.rows_read)
        for s in sources
        if s.table in EXPORTS and s.is_used
    ]
    files = pd.DataFrame(used, columns=[*UNIT, "source_file", "rows"])
    whole = (
        found[found["rule"].isin(OF_FILES)][["source_file", "table", "rule"]].drop_duplicates().astype(object)
    )
    amiss = files.merge(whole, on=["source_file", "table"])
    failing = amiss.groupby([*UNIT, "rule"])["rows"].sum().rename("failing").reset_index()
    read = files.groupby(UNIT)["rows"].sum().reset_index()
    rules = pd.DataFrame({"rule": list(OF_FILES)})
    return read.merge(rules, how="cross").merge(failing, on=[*UNIT, "rule"], how="left").assign(column="")


def _gone(found: pd.DataFrame, sent: Deliveries) -> pd.DataFrame:
    """Records that are no longer sent, of all records in use, at the newest receipt that lacks them."""
    told = found[found["rule"] == VANISHED]
    keys = ["site", "table", "rule"]
    gone = told.groupby([*keys, "source_file"], sort=False).size().rename("failing").reset_index()
    receipt = gone["source_file"].map(sent.receipt_of)
    rows = sent.units.groupby(["site", "table"])["used"].sum().rename("rows").reset_index()
    return (
        gone.assign(receipt=receipt, column="").dropna(subset=["receipt"]).merge(rows, on=["site", "table"])
    )


def _place(source: Source) -> str:
    named = not source.sheet or source.source_file.endswith("#" + source.sheet)
    return source.source_file if named else f"{source.source_file}#{source.sheet}"
