"""The scorecard: of how many rows each rule was asked, and how many failed it.

Dimensions are those of Kahn et al. 2016, eGEMs 4(1):1244.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

import pyarrow as pa

from pipeline.findings import CATALOGUE
from pipeline.handover import Source
from schemas.exports import EXPORTS

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("site", "table", "column", "dimension", "rule", "rows", "failing", "share", "tolerance", "verdict")
QUARANTINED_SHARE = "quarantined_share"
WITHIN, OVER, NO_TOLERANCE = "within tolerance", "over tolerance", "no tolerance set"


def quality(
    accepted: Mapping[str, pa.Table],
    held_back: Mapping[str, pa.Table],
    found: pd.DataFrame,
    sources: Iterable[Source],
    tolerance: float,
) -> pd.DataFrame:
    """One row for each site, table, column and rule.

    There is a row for every required column (complete or not), one for the share of rows held back, and one
    for each rule that anything failed. `rows` and `failing` are int64; `share` = failing / rows. Repairs are
    no failures. A rule about a whole file counts the rows of the file.

    Args:
        accepted: Rows that go on, by table.
        held_back: Rows kept apart, by table.
        found: All findings, of intake too.
        sources: The ledger.
        tolerance: Share of rows held back that is tolerated.
    """
    import pandas as pd

    went_on, kept = _by_site(accepted), _by_site(held_back)
    rows = {key: went_on.get(key, 0) + kept.get(key, 0) for key in sorted({*went_on, *kept})}
    failing = _failing_rows(found)
    scores = [*_required(rows, failing), *_shares(rows, kept, tolerance)]
    scores += [*_others(rows, failing), *_files(tuple(sources))]
    frame = pd.DataFrame(scores, columns=list(COLUMNS))
    frame = frame.drop_duplicates(["site", "table", "column", "dimension", "rule"])
    texts = ["site", "table", "column", "dimension", "rule", "verdict"]
    frame = frame.astype({**dict.fromkeys(texts, "string"), "rows": "int64", "failing": "int64"})
    frame = frame.astype({"share": "float64", "tolerance": "float64"})
    return frame.sort_values(["site", "table", "column", "dimension", "rule"], ignore_index=True)


def _by_site(tables: Mapping[str, pa.Table]) -> dict[tuple[str, str], int]:
    """Rows by site and table."""
    counts: dict[tuple[str, str], int] = {}
    for name, table in tables.items():
        for one in table["site"].value_counts().to_pylist():
            counts[one["values"], name] = one["counts"]
    return counts


def _failing_rows(found: pd.DataFrame) -> dict[tuple[str, str, str, str], int]:
    """Findings about single rows by site, table, column and rule; repairs and whole files apart."""
    about_rows = found[found["source_line"].notna() & ~found["action"].isin(["repair", "refuse"])]
    counted = about_rows.groupby(["site", "table", "column", "rule"], sort=True).size()
    return {tuple(map(str, key)): int(count) for key, count in counted.items()}  # type: ignore[misc, call-overload]


def _score(
    site: str,
    table: str,
    column: str,
    rule: str,
    rows: int,
    failing: int,
    dimension: str = "",
    tolerance: float | None = None,
) -> dict[str, object]:
    share = failing / rows if rows else 0.0
    verdict = NO_TOLERANCE if tolerance is None else (WITHIN if share <= tolerance else OVER)
    return {
        "site": site,
        "table": table,
        "column": column,
        "dimension": dimension or CATALOGUE[rule].dimension,
        "rule": rule,
        "rows": rows,
        "failing": failing,
        "share": share,
        "tolerance": tolerance,
        "verdict": verdict,
    }


def _required(
    rows: Mapping[tuple[str, str], int], failing: Mapping[tuple[str, str, str, str], int]
) -> Iterator[dict[str, object]]:
    """Completeness of every required column, also where nothing is missing."""
    for (site, table), count in rows.items():
        for column in EXPORTS[table].required:
            missing = failing.get((site, table, column, "value_missing"), 0)
            yield _score(site, table, column, "value_missing", count, missing)


def _shares(
    rows: Mapping[tuple[str, str], int], kept: Mapping[tuple[str, str], int], tolerance: float
) -> Iterator[dict[str, object]]:
    for (site, table), count in rows.items():
        held = kept.get((site, table), 0)
        yield _score(site, table, "", QUARANTINED_SHARE, count, held, "conformance", tolerance)


def _others(
    rows: Mapping[tuple[str, str], int], failing: Mapping[tuple[str, str, str, str], int]
) -> Iterator[dict[str, object]]:
    for (site, table, column, rule), count in failing.items():
        asked = rows.get((site, table), 0)
        if asked:
            yield _score(site, table, column, rule, asked, min(count, asked))


def _files(sources: tuple[Source, ...]) -> Iterator[dict[str, object]]:
    """Files refused: their rows by site, table and reason, of all rows of such files and the rows that were read."""
    refused: dict[tuple[str, str, str], int] = {}
    read: dict[tuple[str, str], int] = {}
    for source in sources:
        read[source.site, source.table] = read.get((source.site, source.table), 0) + source.rows_read
        if source.table and source.refused and source.reason in CATALOGUE:
            key = (source.site, source.table, source.reason)
            refused[key] = refused.get(key, 0) + source.refused
    for (site, table, rule), count in refused.items():
        yield _score(site, table, "", rule, read[site, table], count)
