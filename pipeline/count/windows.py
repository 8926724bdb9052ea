"""The statistics of one outcome after another, by joint cell.

Cases are many, evidence is sparse: what all outcomes of a window share is summed over the cases once, and
each outcome then only touches its own evidence rows. No case × outcome table is ever made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.count.outcomes import Evidence
from pipeline.counts import STATISTICS, Cells, Outcomes, joint_cells
from pipeline.handover import LEFT, RIGHT
from pipeline.settings import Window
from pipeline.watched import OBSERVED_UNTIL, closed_cases, quiet_cases


@dataclass(frozen=True)
class Horizon:
    """All cases seen at the end of one window by one way of observing; arrays over the cases.

    Attributes:
        days: The window's last day.
        closed: The window's end and grace lie within what the site's records cover.
        paired: Closed, and the patient's other side is a closed case of the same group.
        died: Day of death.
        quiet: Closed and followed even without an event: died by the end, or observed up to it.
        end: Last day at risk if no event came: death, end of observation or of the window.
    """

    days: int
    closed: np.ndarray
    paired: np.ndarray
    died: np.ndarray
    quiet: np.ndarray
    end: np.ndarray


def horizon(cases: pd.DataFrame, window: Window, seen_in: str, pair: np.ndarray) -> Horizon:
    """The end of a window as far as no complication comes into it; `pair` numbers patient and group."""
    closed = closed_cases(cases, window)
    died = cases["died"].to_numpy(np.int64)
    observed = cases[OBSERVED_UNTIL[seen_in]].to_numpy(np.int64)
    quiet = quiet_cases(cases, window, seen_in)
    end = np.clip(np.minimum(died, observed), 0, window.days)
    return Horizon(window.days, closed, _paired(cases, closed, pair), died, quiet, end)


def pairs(cases: pd.DataFrame) -> np.ndarray:
    """A number for each patient and group."""
    return joint_cells(cases[["patient", "group"]])[0]


def _paired(cases: pd.DataFrame, closed: np.ndarray, pair: np.ndarray) -> np.ndarray:
    side = cases["side"].to_numpy()
    both = np.ones(int(pair.max(initial=-1)) + 1, bool)
    for one in (LEFT, RIGHT):
        present = np.zeros(len(both), bool)
        present[pair[closed & (side == one)]] = True
        both &= present
    return closed & both[pair]


@dataclass(frozen=True)
class _Shared:
    """Sums over all cases by cell, before any evidence."""

    cases: np.ndarray
    followed: np.ndarray
    deaths: np.ndarray
    person_days: np.ndarray
    paired: np.ndarray


def _number(cell: np.ndarray, cells: int) -> np.ndarray:
    return np.bincount(cell, minlength=cells).astype(np.int64)


def _days(cell: np.ndarray, days: np.ndarray, cells: int) -> np.ndarray:
    """Sums of whole days; exact, as they stay far below 2**53."""
    return np.rint(np.bincount(cell, weights=days, minlength=cells)).astype(np.int64)


def _shared(seen: Horizon, cell: np.ndarray, cells: int) -> _Shared:
    closed = seen.closed
    return _Shared(
        cases=_number(cell[closed], cells),
        followed=_number(cell[seen.quiet], cells),
        deaths=_number(cell[closed & (seen.died <= seen.days)], cells),
        person_days=_days(cell[closed], seen.end[closed], cells),
        paired=_number(cell[seen.paired], cells),
    )


def cell_statistics(
    cases: pd.DataFrame,
    keys: Sequence[str],
    outcomes: Outcomes,
    evidence: Mapping[tuple[int, int], Evidence],
    seen_in: Sequence[str],
    readings: Mapping[int, np.ndarray],
    windows: Mapping[int, Window],
) -> Cells:
    """All `STATISTICS` of all outcomes by joint cell.

    Args:
        cases: The frame of cases of one partition.
        keys: Its columns that make a joint cell.
        outcomes: What to count.
        evidence: By (category, level).
        seen_in: How each category is observed.
        readings: Category → positions of the cases with an admissible reading, for categories that have them.
        windows: By their days.

    Returns:
        Cells with int64 arrays [cell, outcome].
    """
    cell, table = joint_cells(cases[list(keys)])
    cells = len(table)
    statistics = {name: np.zeros((cells, len(outcomes)), np.int64) for name in STATISTICS}
    pair = pairs(cases)
    shared: dict[tuple[int, str], tuple[Horizon, _Shared]] = {}
    listed = zip(
        outcomes.category.tolist(), outcomes.level.tolist(), outcomes.window_days.tolist(), strict=True
    )
    for column, (category, level, days) in enumerate(listed):
        way = (days, seen_in[category])
        if way not in shared:
            seen = horizon(cases, windows[days], seen_in[category], pair)
            shared[way] = seen, _shared(seen, cell, cells)
        found = _outcome(*shared[way], evidence[category, level], readings.get(category), cell, cells)
        for name, counts in found.items():
            statistics[name][:, column] = counts
    return Cells(table, statistics)


def _outcome(
    seen: Horizon, shared: _Shared, evidence: Evidence, read: np.ndarray | None, cell: np.ndarray, cells: int
) -> dict[str, np.ndarray]:
    """One outcome: what all share, corrected by the cases that have evidence."""
    events = evidence.counted.within(seen.closed, seen.days)
    at, day = events.at, events.day
    end, died = seen.end[at], seen.died[at]
    before_death = (died <= seen.days) & (day <= died)
    # an event of unknown day cannot be placed in time: its case brings no days and no event
    placed = (day >= 0) & (day <= end)
    return {
        "cases": shared.cases,
        "followed": shared.followed + _number(cell[at[~seen.quiet[at]]], cells),
        "assessed": _assessed(seen, at, read, cell, cells),
        "events": _number(cell[at], cells),
        "deaths": shared.deaths - _number(cell[at[before_death]], cells),
        "awaiting": _awaiting(seen, at, evidence, cell, cells),
        "person_days": shared.person_days - _days(cell[at], end - np.clip(day, 0, end), cells),
        "person_events": _number(cell[at[placed]], cells),
        "paired": shared.paired,
    }


def _awaiting(
    seen: Horizon, events_at: np.ndarray, evidence: Evidence, cell: np.ndarray, cells: int
) -> np.ndarray:
    """Closed cases without a counted event by the end that have one under review."""
    waiting = evidence.awaiting.within(seen.closed, seen.days).at
    without = np.zeros(len(cell), bool)
    without[waiting], without[events_at] = True, False
    return _number(cell[without], cells)


def _assessed(
    seen: Horizon, events_at: np.ndarray, read: np.ndarray | None, cell: np.ndarray, cells: int
) -> np.ndarray:
    """Closed cases with an admissible reading or an event; none for categories that are not measured."""
    if read is None:
        return np.zeros(cells, np.int64)
    assessed = np.zeros(len(cell), bool)
    assessed[read], assessed[~seen.closed] = True, False
    assessed[events_at] = True
    return _number(cell[assessed], cells)
