"""May a site's figures be compared with others? One word a site, with the reasons.

The rule stands in docs/quality.md; it is our decision, without a published source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.findings import CATALOGUE
from pipeline.handover import Source
from pipeline.scorecard.counting import QUARANTINED_SHARE
from pipeline.scorecard.scores import OVER
from pipeline.scorecard.trend import worse
from pipeline.sites import Reach
from schemas.measures import FIT, MEASURES, NOT_FIT, RESERVED

if TYPE_CHECKING:
    import pandas as pd


#: Rule → what is odd about a column of the newest receipt.
_ODD = {
    "column_constant": "hardly varies in the newest receipt",
    "records_changed": "says otherwise for many records than when they were sent before",
}


@dataclass(frozen=True)
class Verdict:
    """`word`: one of `schemas.measures.VERDICTS`. `reasons`: sentences without a full stop; none where fit."""

    word: str
    reasons: tuple[str, ...] = ()


def verdicts(
    reached: Iterable[Reach],
    tables: Mapping[str, pd.DataFrame],
    found: pd.DataFrame,
    sources: Iterable[Source],
) -> dict[str, Verdict]:
    """Site → verdict.

    Args:
        reached: Every site, with how far its records reach.
        tables: The scorecard's tables.
        found: All findings, the scorecard's too.
        sources: The ledger.
    """
    lines = tuple(sources)
    return {reach.site.site_id: _verdict(reach, tables, found, lines) for reach in reached}


def _verdict(
    reach: Reach, tables: Mapping[str, pd.DataFrame], found: pd.DataFrame, sources: tuple[Source, ...]
) -> Verdict:
    site = reach.site.site_id
    own = {name: table[table["site"] == site] for name, table in tables.items()}
    heavy = tuple(dict.fromkeys(_against(reach, sources)))
    held = set(reach.over_tolerance)
    scores = _of_scores(own, reach.site.sends != "changes", held)
    light = (*_of_site(reach, sources), *scores, *_of_newest(own, found[found["site"] == site], held))
    if heavy:
        return Verdict(NOT_FIT, (*heavy, *dict.fromkeys(light)))
    return Verdict(RESERVED if light else FIT, tuple(dict.fromkeys(light)))


def _against(reach: Reach, sources: tuple[Source, ...]) -> Iterator[str]:
    """What makes a comparison misleading: required tables missing, set aside, or held back too much."""
    if reach.data_until is None:
        yield "nothing usable was sent"
    for table in reach.incomplete:
        yield f"{table} were never sent in a usable form"
    for source in _missed(reach.site.site_id, sources):
        if source.table in reach.site.required:
            yield f"the newest export of {source.table} is not used ({_title(source.reason)})"
    for table in reach.over_tolerance:
        if table in reach.site.required:
            yield f"more rows of {table} than tolerated are held back in the newest receipt"


def _of_site(reach: Reach, sources: tuple[Source, ...]) -> Iterator[str]:
    if reach.late:
        yield "its newest export is late"
    for table in reach.behind:
        yield f"nothing of {table} came after the cut, though other tables did"
    if reach.site.dates != "exact":
        yield "its days are shifted or numbered, so that order and season cannot be checked"
    for table in reach.over_tolerance:
        if table not in reach.site.required:
            yield f"more rows of {table} than tolerated are held back in the newest receipt"
    for source in _missed(reach.site.site_id, sources):
        if source.table not in reach.site.required:
            yield f"a file of {source.table or 'no known table'} is not used ({_title(source.reason)})"


def _missed(site: str, sources: tuple[Source, ...]) -> list[Source]:
    """Files that are not used and that no used file of the same table followed."""
    own = [source for source in sources if source.site == site]
    newest: dict[str, tuple[object, str]] = {}
    for source in own:
        if source.is_used:
            order = (source.receipt, source.source_file)
            newest[source.table] = max(newest.get(source.table, order), order)  # type: ignore[type-var]
    return [
        source
        for source in own
        if not source.is_used
        and (source.table not in newest or newest[source.table] < (source.receipt, source.source_file))
    ]


def _of_scores(own: Mapping[str, pd.DataFrame], repeats_all: bool, held: set[str]) -> Iterator[str]:
    """Rules over their tolerance; where each export holds the rows of the one before, only if the newest is too.

    `held`: tables of which it is said already that too many rows are held back.
    """
    over = own["quality"][own["quality"]["verdict"] == OVER]
    newest = own["quality_trend"].sort_values("receipt").groupby(["table", "column", "rule"])["share"].last()
    now = newest.to_dict() if repeats_all else {}
    for row in over.itertuples():
        said = row.rule == QUARANTINED_SHARE and row.table in held
        if said or now.get((row.table, row.column, row.rule), 1) <= row.tolerance:
            continue
        yield f"{_title(str(row.rule))} in {_where(row)}: {row.failing} of {row.rows}, more than tolerated"


def _of_newest(own: Mapping[str, pd.DataFrame], found: pd.DataFrame, held: set[str]) -> Iterator[str]:
    """What is odd about the newest receipt of a table, and records that went away. `held` as in `_of_scores`."""
    newest = own["quality_volume"].groupby("table")["receipt"].max().to_dict()
    outside = worse(own["quality_trend"])
    for row in outside[outside["receipt"] == outside["table"].map(newest)].itertuples():
        if row.rule == QUARANTINED_SHARE and row.table in held:
            continue
        yield f"{_title(str(row.rule))} in {_where(row)}: more often in the newest receipt than before"
    gone = found[found["rule"] == "records_vanished"].groupby("table").size()
    for table, number in gone.items():
        records = "record" if number == 1 else "records"
        yield f"{number} {records} of {table} sent before {'is' if number == 1 else 'are'} no longer sent"
    last = f"/{own['quality_volume']['receipt'].max()}/"
    if any(last in str(file) for file in found.loc[found["rule"] == "receipt_repeated", "source_file"]):
        yield "its newest receipt repeats earlier files, so nothing newer is known"
    for row in found[found["rule"].isin(list(_ODD))].itertuples():
        if f"/{newest.get(row.table)}/" in str(row.source_file):
            yield f"{row.column} of {row.table} {_ODD[str(row.rule)]}"


def _where(row: object) -> str:
    column, table = getattr(row, "column", ""), getattr(row, "table", "")
    return f"{column} of {table}" if column else str(table)


def _title(rule: str) -> str:
    """A rule in words, as it stands within a sentence."""
    known = MEASURES.get(rule) or CATALOGUE.get(rule)
    title = known.title if known else rule.replace("_", " ")
    return title[:1].lower() + title[1:]
