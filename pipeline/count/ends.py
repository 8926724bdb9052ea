"""How and when cases leave observation: the additive statistic that curves over time are made of.

Who leaves without an event is counted once for all categories that are observed in the same way; each outcome then
only touches the cases that had it. No case × outcome table is made.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from pipeline.case_evidence import Days
from pipeline.compared import arms_of
from pipeline.count.outcomes import Evidence
from pipeline.counts import WAYS, Cells, Ends, Outcomes, summed
from pipeline.handover import Cases
from pipeline.settings import Settings
from pipeline.watched import LastDays

ARM_KEYS = ("arm", "age_band")


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
