"""How and when cases leave observation: the additive statistic that curves over time are made of.

Who leaves without an event is counted once for all categories that are observed in the same way; each outcome then
only touches the cases that had it. No case × outcome table is made.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.case_evidence import Days
from pipeline.compared import arms_of
from pipeline.count.outcomes import Evidence
from pipeline.counts import WAYS, Cells, Ends, Outcomes, summed
from pipeline.handover import Cases
from pipeline.settings import Settings, Window
from pipeline.watched import closed_cases

ARM_KEYS = ("arm", "age_band")


@dataclass(frozen=True)
class LastDays:
    """Until when each case is in the curves of one way of observing, if nothing happens; arrays over the cases.

    Attributes:
        kept: bool, it is in them at all.
        end: Day of death or last day observed, from 0 to the longest window's last day.
        died: bool, it ends with death.
    """

    kept: np.ndarray
    end: np.ndarray
    died: np.ndarray


def last_days(cases: pd.DataFrame, windows: Sequence[Window]) -> dict[str, LastDays]:
    """By way of observing.

    `visit`: up to the last contact, but not beyond the case's last closed window, or else those whom a complication
    brought back early would be in and those still well and not yet seen would be out. A contact that completes a window
    (`early`) stands for its last day. Cases without a closed window are not in these curves.
    `records`: as far as the site's records reach, for every case: nobody has to come for them.
    """
    longest = max((window.days for window in windows), default=0)
    contact = cases["contact_until"].to_numpy(np.int64)
    last_closed = np.full(len(cases), -1, np.int64)
    seen = np.zeros(len(cases), np.int64)
    for window in windows:
        closed = closed_cases(cases, window)
        last_closed = np.where(closed, np.maximum(last_closed, window.days), last_closed)
        seen = np.where(closed & (contact >= window.days - window.early), np.maximum(seen, window.days), seen)
    observed = {
        "visit": np.maximum(np.minimum(contact, last_closed), np.where(last_closed >= 0, seen, -1)),
        "records": np.minimum(cases["records_until"].to_numpy(np.int64), longest),
    }
    died = cases["died"].to_numpy(np.int64)
    return {way: _ending(until, died) for way, until in observed.items()}


def _ending(until: np.ndarray, died: np.ndarray) -> LastDays:
    return LastDays(until >= 0, np.maximum(np.minimum(until, died), 0), died <= until)


def end_cells(
    cases: pd.DataFrame,
    keys: Sequence[str],
    outcomes: Outcomes,
    evidence: Mapping[tuple[int, int], Evidence],
    seen_in: Sequence[str],
    until: Mapping[str, LastDays],
) -> Ends:
    """The statistic of all categories and levels among the outcomes, by cell.

    Args:
        cases: The frame of cases of one partition.
        keys: Its columns that make a cell.
        outcomes: Whose categories and levels are looked at; windows do not matter.
        evidence: By (category, level).
        seen_in: How each category is observed.
        until: By way of observing.
    """
    own = cases[list(keys)].astype(np.int64)
    base = [_base(own, number, until[way]) for number, way in enumerate(WAYS)]
    listed = dict.fromkeys(zip(outcomes.category.tolist(), outcomes.level.tolist(), strict=True))
    moved = [
        rows
        for category, level in listed
        for rows in _moved(own, category, level, evidence[category, level].counted, until[seen_in[category]])
    ]
    return Ends(
        _cells(base, own.assign(way=0, day=0), ("competing", "censored")),
        _cells(moved, own.assign(category=0, level=0, day=0), ("event", "competing", "censored")),
    )


def arm_ends(
    cases: Cases,
    settings: Settings,
    outcomes: Outcomes,
    evidence: Mapping[tuple[int, int], Evidence],
    seen_in: Sequence[str],
    until: Mapping[str, LastDays],
) -> Ends:
    """As `end_cells`, of the isolated cases that the stated comparison sets against each other, by arm and age band."""
    rows, stated = cases.cases, settings.primary
    arm = np.full(len(rows), -1, np.int64)
    if stated:
        isolated = rows["isolated"].to_numpy().astype(bool)
        for number, own in enumerate(arms_of(rows, stated, cases.labels)):
            arm[isolated & own] = number
    found = end_cells(rows.assign(arm=arm), ARM_KEYS, outcomes, evidence, seen_in, until)
    return Ends(*(cells.where((cells.keys["arm"] >= 0).to_numpy()) for cells in (found.base, found.moved)))


def _base(own: pd.DataFrame, way: int, until: LastDays) -> pd.DataFrame:
    rows = own.assign(way=way, day=until.end, competing=until.died, censored=~until.died)
    return rows[until.kept]


def _moved(
    own: pd.DataFrame, category: int, level: int, events: Days, until: LastDays
) -> Iterator[pd.DataFrame]:
    """What is taken from the ends of cases with an event, and given to its day if that is known."""
    kept = until.kept[events.at] & (events.day <= until.end[events.at])
    at, day = events.at[kept], events.day[kept]
    rows = own.iloc[at].assign(category=category, level=level)
    died = until.died[at].astype(np.int64)
    yield rows.assign(day=until.end[at], event=0, competing=-died, censored=died - 1)
    yield rows.assign(day=day, event=1, competing=0, censored=0)[day >= 0]


def _cells(rows: list[pd.DataFrame], form: pd.DataFrame, statistics: tuple[str, ...]) -> Cells:
    """Rows as cells; `form` has the key columns."""
    names = [*form.columns, *statistics]
    together = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=names)
    together = together.reindex(columns=names).astype(np.int64)
    return summed(together[list(form.columns)], {name: together[name].to_numpy() for name in statistics})
