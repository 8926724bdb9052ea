"""What patients told after an operation: one answer about sport a case, one change a case and measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.case_evidence import positions
from pipeline.counts import joint_cells
from pipeline.handover import NEVER, Cases
from schemas.defaults import HOW_IT_WENT, TOLD_OF_SPORT
from schemas.exports import EXPORTS

NO_SPORT = EXPORTS["operations"]["sport_level"].vocabulary.index("none")
SPORT = EXPORTS["followups"]["return_to_sport"].vocabulary
SAME, LOWER, NOT_BACK = SPORT.index("same_or_higher"), SPORT.index("lower"), SPORT.index("none")
NOT_SAID = -1
#: Readings are added up in whole hundredths, so that the sum is the same in any order.
PER_UNIT = 100


@dataclass(frozen=True)
class Sport:
    """Sport by the last answer that counts; arrays over the cases.

    Attributes:
        told: bool, the site's records reach far enough for an answer to have come.
        played: bool, told, and did sport before.
        asked, back, same, not_back: bool, of those who played: answered, at any sport, at the same level or higher, at none.
        returned: The earliest day of return told, of the case; NEVER without one.
        why: Why not back, by the last answer; -1 without a reason.
    """

    told: np.ndarray
    played: np.ndarray
    asked: np.ndarray
    back: np.ndarray
    same: np.ndarray
    not_back: np.ndarray
    returned: np.ndarray
    why: np.ndarray


@dataclass(frozen=True)
class Last:
    """One reading of each case and measure, in hundredths; 0 where none is known."""

    known: np.ndarray
    value: np.ndarray


@dataclass(frozen=True)
class Changes:
    """One row a case and measure that was read: `at` is the position of the case, `measure` that in Labels.measures."""

    at: np.ndarray
    measure: np.ndarray
    before: Last
    after: Last

    @property
    def paired(self) -> np.ndarray:
        return self.before.known & self.after.known

    @property
    def change(self) -> np.ndarray:
        """After less before, in hundredths; 0 where not both are known."""
        return np.where(self.paired, self.after.value - self.before.value, 0)


def sport_told(cases: Cases) -> Sport:
    """By the last answer in the days that count."""
    rows = cases.cases
    reach = rows["known_until"].to_numpy(np.int64) - rows["performed"].to_numpy(np.int64)
    told = reach >= TOLD_OF_SPORT
    played = told & (rows["sport_level"].to_numpy() > NO_SPORT)
    last, why, returned = _last_answers(cases)
    return Sport(
        told=told,
        played=played,
        asked=played & (last >= 0),
        back=played & np.isin(last, [SAME, LOWER]),
        same=played & (last == SAME),
        not_back=played & (last == NOT_BACK),
        returned=returned,
        why=why,
    )


def _last_answers(cases: Cases) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of each case its last answer, -1 without one, the reason it gives, and the earliest day of return, NEVER without one."""
    said = cases.answers
    at = positions(cases, said["case"].to_numpy())
    day, sport, returned, why = (
        said[name].to_numpy(np.int64) for name in ("day", "sport", "returned", "why")
    )
    counts = _in_range(day)
    last, reason = (np.full(len(cases.cases), NOT_SAID, np.int64) for _ in range(2))
    last[at[counts]] = sport[counts]  # rows are in order of days: the last one stays
    reason[at[counts]] = why[counts]
    earliest = np.full(len(cases.cases), int(NEVER), np.int64)
    told = counts & np.isin(sport, [SAME, LOWER]) & (returned >= 0) & (returned <= day)
    np.minimum.at(earliest, at[told], returned[told])
    return last, reason, earliest


def _in_range(day: np.ndarray) -> np.ndarray:
    first, until = HOW_IT_WENT
    return (day >= first) & (day <= until)


def changes_read(cases: Cases) -> Changes:
    """The last reading before the day of the operation, and the last in the range after it, by case and measure."""
    read = cases.readings
    hundredths = np.rint(read["value"].to_numpy(float) * PER_UNIT).astype(np.int64)
    keys = pd.DataFrame(
        {"at": positions(cases, read["case"].to_numpy()), "measure": read["measure"].to_numpy()}
    )
    cell, table = joint_cells(keys)
    day = read["day"].to_numpy(np.int64)
    before, after = (_last_of(cell, hundredths, some, len(table)) for some in (day < 0, _in_range(day)))
    return Changes(table["at"].to_numpy(), table["measure"].to_numpy(), before, after)


def _last_of(cell: np.ndarray, value: np.ndarray, some: np.ndarray, cells: int) -> Last:
    """The last row of each cell among some; rows are in order of days."""
    known, found = np.zeros(cells, bool), np.zeros(cells, np.int64)
    known[cell[some]] = True
    found[cell[some]] = value[some]
    return Last(known, found)
