"""How far each site's records reach, and what keeps a run from being within tolerance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from pipeline import findings
from pipeline.findings import CATALOGUE
from pipeline.handover import CONFLICTING, Accepted, Source, Validated
from pipeline.settings import Settings, Site

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class Reach:
    """One site in one edition.

    Attributes:
        site: Its settings.
        data_until: Day to which its records are taken as complete; None if it sent nothing usable.
        late: Its due day has passed and nothing newer than the cut was accepted.
        incomplete: Required tables it has never sent.
        over_tolerance: Tables of whose newest receipt too many rows were held back.
        set_aside: Exports that broke a stop limit and were not followed by an accepted one.
        behind: Required tables of which nothing newer than the cut came, though the site sent others.
    """

    site: Site
    data_until: date | None
    late: bool
    incomplete: tuple[str, ...]
    over_tolerance: tuple[str, ...]
    set_aside: tuple[Source, ...] = ()
    behind: tuple[str, ...] = ()


def reaches(
    validated: Validated, fates: dict[str, np.ndarray], settings: Settings, cut_on: date, as_of: date
) -> tuple[Reach, ...]:
    """Every site that is listed or sent something, in the order of ids."""
    newest = newest_receipts(validated.accepted)
    sent = {site for site, _ in newest}
    named = settings.sites if settings.sites_listed else {site: Site(site) for site in sent}
    held = _shares_held_back(validated, fates, newest)
    aside = [source for source in validated.accepted.sources if _is_aside(source, validated.accepted.sources)]
    missed = {
        (s.site, s.table) for s in validated.accepted.sources if _is_missed(s, validated.accepted.sources)
    }
    found = (_reach(named[name], newest, held, settings, cut_on, as_of) for name in sorted(named))
    return tuple(
        replace(
            reach,
            set_aside=tuple(source for source in aside if source.site == reach.site.site_id),
            behind=tuple(table for table in reach.behind if (reach.site.site_id, table) not in missed),
        )
        for reach in found
    )


def newest_receipts(accepted: Accepted) -> dict[tuple[str, str], date]:
    """(site, table) → receipt of the newest accepted export; the site is the one the rows name."""
    newest: dict[tuple[str, str], date] = {}
    for source in accepted.sources:
        if source.table in accepted.tables and _is_accepted(source):
            _keep_newest(newest, (source.site, source.table), source.receipt)
    for name, table in accepted.tables.items():
        pairs = table.select(["site", "source_number"]).group_by(["site", "source_number"]).aggregate([])
        for site, number in zip(pairs["site"].to_pylist(), pairs["source_number"].to_pylist(), strict=True):
            _keep_newest(newest, (site, name), accepted.sources[number].receipt)
    return newest


def _keep_newest(newest: dict[tuple[str, str], date], key: tuple[str, str], receipt: date) -> None:
    newest[key] = max(newest.get(key, receipt), receipt)


def _is_accepted(source: Source) -> bool:
    return not source.reason


def _is_aside(source: Source, sources: tuple[Source, ...]) -> bool:
    """The export broke a stop limit, and no accepted one of the table followed."""
    rule = CATALOGUE.get(source.reason)
    return rule is not None and rule.action == "set_aside" and _is_missed(source, sources)


def _reach(
    site: Site,
    newest: dict[tuple[str, str], date],
    held: dict[tuple[str, str], float],
    settings: Settings,
    cut_on: date,
    as_of: date,
) -> Reach:
    required = {table: newest.get((site.site_id, table)) for table in site.required}
    arrived = [receipt for receipt in required.values() if receipt is not None]
    reach = site.data_until or (min([cut_on, *arrived]) if arrived else None)
    received = [receipt for (name, _), receipt in newest.items() if name == site.site_id]
    awaited = (
        site.data_until is None and is_due(site, cut_on, as_of) and max(received, default=cut_on) > cut_on
    )
    old = tuple(table for table, receipt in required.items() if receipt is not None and receipt <= cut_on)
    return Reach(
        site=site,
        data_until=min(reach, cut_on) if reach else None,
        late=is_late(site, max(received, default=None), cut_on, as_of),
        incomplete=tuple(table for table, receipt in required.items() if receipt is None),
        over_tolerance=tuple(
            table
            for (name, table), share in sorted(held.items())
            if name == site.site_id and share > settings.tolerance.quarantined_share
        ),
        behind=old if awaited else (),
    )


def is_late(site: Site, newest: date | None, cut_on: date, as_of: date) -> bool:
    if site.due_day is None or as_of <= _due(site.due_day, cut_on):
        return False
    return newest is None or newest <= cut_on


def is_due(site: Site, cut_on: date, as_of: date) -> bool:
    """The due day has passed, or there is none."""
    return site.due_day is None or as_of > _due(site.due_day, cut_on)


def _due(day: int, cut_on: date) -> date:
    """The due day of the month after the cut."""
    year, month = divmod(cut_on.year * 12 + cut_on.month, 12)
    return date(year, month + 1, day)


def _shares_held_back(
    validated: Validated, fates: dict[str, np.ndarray], newest: dict[tuple[str, str], date]
) -> dict[tuple[str, str], float]:
    """(site, table) → share of the rows of its newest accepted receipt that are held back."""
    shares = {}
    for (site, name), receipt in newest.items():
        sources = enumerate(validated.accepted.sources)
        numbers = [n for n, s in sources if (s.table, s.receipt) == (name, receipt)]
        passed = _of_site(validated.accepted.tables[name], site, numbers)
        conflicting = int(np.count_nonzero(passed & (fates[name] == CONFLICTING)))
        held = int(np.count_nonzero(_of_site(_placed(validated, name, newest), site, numbers))) + conflicting
        total = held + int(np.count_nonzero(passed)) - conflicting
        shares[site, name] = held / total if total else 0.0
    return shares


def _placed(validated: Validated, name: str, newest: dict[tuple[str, str], date]) -> pa.Table:
    """Rows held back; those of a site nobody knows count for the folder they came in."""
    import pyarrow as pa

    table = validated.quarantined[name]
    known = {site for site, _ in newest}
    pairs = zip(table["site"].to_pylist(), table["source_number"].to_pylist(), strict=True)
    sites = [site if site in known else validated.accepted.sources[number].site for site, number in pairs]
    return table.set_column(table.column_names.index("site"), "site", pa.array(sites, pa.string()))


def _of_site(table: pa.Table, site: str, numbers: list[int]) -> np.ndarray:
    """bool over the rows: of the site and of one of the ledger lines."""
    import pyarrow.compute as pc

    own = pc.equal(table["site"], site).to_numpy()
    return own & np.isin(table["source_number"].to_numpy(), numbers)


def known_until(sites: tuple[str, ...], reached: tuple[Reach, ...], cut_on: date) -> np.ndarray:
    """(sites,) int32 calendar day to which each site's records are complete; a site without any: before all days."""
    until = {reach.site.site_id: (reach.data_until - EPOCH).days for reach in reached if reach.data_until}
    return np.array([until.get(site, -(2**30)) for site in sites], dtype=np.int32)


def about_sites(reached: tuple[Reach, ...]) -> pd.DataFrame:
    """Late and incomplete sites, and tables left behind, as findings."""
    rows: list[dict[str, object]] = []
    behind = CATALOGUE["table_behind"]
    for reach in reached:
        site = reach.site.site_id
        if reach.late:
            message = f"{site} is late: its due day has passed. Ask the sender; its windows close by its last export."
            rows.append({"site": site, "rule": "site_late", "message": message})
        for table in reach.behind:
            message = (
                f"Nothing of {table} came from {site} after the cut, though other tables did. {behind.remedy}"
            )
            rows.append({"site": site, "table": table, "rule": behind.code, "message": message})
        for table in reach.incomplete:
            message = f"{site} has sent no usable export of {table}. Ask the sender, or change `required` in audit.toml."
            rows.append({"site": site, "table": table, "rule": "site_incomplete", "message": message})
    return findings.frame(rows)


def warnings(reached: tuple[Reach, ...], validated: Validated, found: pd.DataFrame) -> tuple[str, ...]:
    """Sentences for why a run ends with exit code 1; none if everything is within tolerance. They name sites as people do."""
    told = []
    for reach in reached:
        name = reach.site.name or reach.site.site_id
        told += [f"{name} is late: nothing was accepted after the cut."] * reach.late
        told += [f"{name} has sent no usable export of {', '.join(reach.incomplete)}."] * bool(
            reach.incomplete
        )
        told += [
            f"{name}: too many rows of {table} are held back in its newest receipt."
            for table in reach.over_tolerance
        ]
    told += [
        f"{site} has a folder but is not in audit.toml." for site in _sites_with(found, "site_not_listed")
    ]
    told += [
        f"The folder {site} is not used: its name is no site id."
        for site in _sites_with(found, "site_id_malformed")
    ]
    told += [
        _not_used(source)
        for source in validated.accepted.sources
        if _is_missed(source, validated.accepted.sources)
    ]
    told += list(found.loc[found["rule"] == "people_file_unusable", "message"])
    unread = (found["rule"] == "people_row_unusable") & (found["table"] == "removals")
    told += [
        f"A request to remove a patient is not followed: {message}"
        for message in found.loc[unread, "message"]
    ]
    return tuple(dict.fromkeys(told))


def _sites_with(found: pd.DataFrame, rule: str) -> list[str]:
    return sorted(set(found.loc[found["rule"] == rule, "site"]))


def _not_used(source: Source) -> str:
    title = CATALOGUE[source.reason].title
    return f"{source.source_file} is not used: {title[:1].lower()}{title[1:]}."


def _is_missed(source: Source, sources: tuple[Source, ...]) -> bool:
    """Refused or unclaimed, and no accepted export of the same table followed."""
    if _is_accepted(source) or source.reason == "site_not_listed":
        return False
    later = [s for s in sources if _is_accepted(s) and (s.site, s.table) == (source.site, source.table)]
    return not source.table or not any(_order(s) > _order(source) for s in later)


def _order(source: Source) -> tuple[date, str]:
    return source.receipt, source.source_file
