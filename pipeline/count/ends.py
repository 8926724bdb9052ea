"""How and when cases leave observation: the additive statistic that curves over time are made of.

Who leaves without an event is counted once for all categories that are observed in the same way; each outcome then
only touches the cases that had it. No case × outcome table is made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

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
MOVED = ("day", "event", "competing", "censored")


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
    nothing = np.zeros((3 + len(MOVED), 0), np.int64)
    moved = [_moved(*outcome, evidence[outcome].counted, until[seen_in[outcome[0]]]) for outcome in listed]
    at, category, level, day, *counts = np.concatenate([nothing, *moved], axis=1)
    return Ends(
        _cells(base, own.assign(way=0, day=0), ("competing", "censored")),
        summed(
            own.iloc[at].assign(category=category, level=level, day=day),
            dict(zip(MOVED[1:], counts, strict=True)),
        ),
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


def _moved(category: int, level: int, events: Days, until: LastDays) -> np.ndarray:
    """What is taken from the ends of cases with an event, and given to its day if that is known.

    Returns:
        int64 [case, category, level and `MOVED`; taken and given].
    """
    kept = until.kept[events.at] & (events.day <= until.end[events.at])
    at, day = events.at[kept], events.day[kept]
    died = until.died[at].astype(np.int64)
    nought = np.zeros(len(at), np.int64)
    of = [at, nought + category, nought + level]
    taken = np.stack([*of, until.end[at], nought, -died, died - 1])
    given = np.stack([*of, day, nought + 1, nought, nought])
    return np.concatenate([taken, given[:, day >= 0]], axis=1).astype(np.int64)


def _cells(rows: list[pd.DataFrame], form: pd.DataFrame, statistics: tuple[str, ...]) -> Cells:
    """Rows as cells; `form` has the key columns."""
    names = [*form.columns, *statistics]
    together = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=names)
    together = together.reindex(columns=names).astype(np.int64)
    return summed(together[list(form.columns)], {name: together[name].to_numpy() for name in statistics})
