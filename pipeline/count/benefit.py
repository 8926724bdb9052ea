"""What stands beside complications: how many cases, what was tried before, sport, scores. Whole numbers only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.count.outcomes import positions
from pipeline.counts import Benefit, Cells, joint_cells, summed
from pipeline.handover import NEVER, Cases
from pipeline.settings import Settings
from schemas.defaults import HOW_IT_WENT, TOLD_OF_SPORT
from schemas.exports import EXPORTS

VOLUME_KEYS = ("period", "group", "age_band", "site")
ELECTIVE = EXPORTS["operations"]["urgency"].vocabulary.index("elective")
NO_SPORT = EXPORTS["operations"]["sport_level"].vocabulary.index("none")
SPORT = EXPORTS["followups"]["return_to_sport"].vocabulary
SAME, LOWER = SPORT.index("same_or_higher"), SPORT.index("lower")
#: Readings are added up in whole hundredths, so that the sum is the same in any order.
PER_UNIT = 100


@dataclass(frozen=True)
class _Last:
    """One reading of each case and measure, in hundredths; 0 where none is known."""

    known: np.ndarray
    value: np.ndarray


def benefit_of(cases: Cases, settings: Settings) -> Benefit:
    """All of it for one partition.

    Args:
        cases: Its frame of cases has `period`, the number of the operation's period.
        settings: Which procedures are expected to be tried without an operation first, and for how long.
    """
    sport, days = _sport_cells(cases)
    return Benefit(
        volumes=_sums(cases.cases[list(VOLUME_KEYS)], {"cases": np.ones(len(cases.cases), np.int64)}),
        care=_care_cells(cases, settings),
        sport=sport,
        sport_days=days,
        scores=_score_cells(cases),
    )


def _sums(keys: pd.DataFrame, statistics: dict[str, np.ndarray]) -> Cells:
    return summed(keys, {name: np.asarray(each).astype(np.int64) for name, each in statistics.items()})


def _care_cells(cases: Cases, settings: Settings) -> Cells:
    """Elective cases of the procedures for which the settings state how many weeks are expected."""
    wanted = [settings.nonoperative_weeks_expected.get(group, -1) for group in cases.labels.groups]
    expected = np.array([*wanted, -1], np.int64)[cases.cases["group"].to_numpy(np.int64)]
    weeks = cases.cases["nonoperative_weeks"].to_numpy(np.int64)
    own = (expected >= 0) & (cases.cases["urgency"].to_numpy() == ELECTIVE)
    recorded = weeks >= 0
    told = {"elective": own, "recorded": recorded, "reached": recorded & (weeks >= expected)}
    return _sums(cases.cases.loc[own, ["group"]], {name: each[own] for name, each in told.items()})


def _sport_cells(cases: Cases) -> tuple[Cells, Cells]:
    """Cases with sport before whose records reach far enough, by their last answer; and days of return."""
    rows = cases.cases
    reach = rows["known_until"].to_numpy(np.int64) - rows["performed"].to_numpy(np.int64)
    own = (rows["sport_level"].to_numpy() > NO_SPORT) & (reach >= TOLD_OF_SPORT)
    last, returned = _last_answers(cases)
    back = own & np.isin(last, [SAME, LOWER])
    told = {"cases": own, "asked": last >= 0, "any_return": back, "same_or_higher": last == SAME}
    keys = ["group", "sport_level", *(f"among:{name}" for name in cases.labels.among)]
    dated = back & (returned < NEVER)
    days = rows.loc[dated, keys].assign(day=returned[dated])
    return (
        _sums(rows.loc[own, keys], {name: each[own] for name, each in told.items()}),
        _sums(days, {"cases": np.ones(len(days), np.int64)}),
    )


def _last_answers(cases: Cases) -> tuple[np.ndarray, np.ndarray]:
    """Of each case its last answer, -1 without one, and the earliest day of return it tells of, NEVER without one."""
    said = cases.answers
    at = positions(cases, said["case"].to_numpy())
    day, sport, returned = (said[name].to_numpy(np.int64) for name in ("day", "sport", "returned"))
    counts = _in_range(day)
    last = np.full(len(cases.cases), -1, np.int64)
    last[at[counts]] = sport[counts]  # rows are in order of days: the last one stays
    earliest = np.full(len(cases.cases), int(NEVER), np.int64)
    told = counts & np.isin(sport, [SAME, LOWER]) & (returned >= 0) & (returned <= day)
    np.minimum.at(earliest, at[told], returned[told])
    return last, earliest


def _in_range(day: np.ndarray) -> np.ndarray:
    first, until = HOW_IT_WENT
    return (day >= first) & (day <= until)


def _score_cells(cases: Cases) -> Cells:
    """The last reading before the day of the operation, and the last in the range after it, by case and measure."""
    read = cases.readings
    hundredths = np.rint(read["value"].to_numpy(float) * PER_UNIT).astype(np.int64)
    keys = pd.DataFrame(
        {"at": positions(cases, read["case"].to_numpy()), "measure": read["measure"].to_numpy()}
    )
    cell, table = joint_cells(keys)
    day = read["day"].to_numpy(np.int64)
    before, after = (_last_of(cell, hundredths, some, len(table)) for some in (day < 0, _in_range(day)))
    change = np.where(before.known & after.known, after.value - before.value, 0)
    group = cases.cases["group"].to_numpy(np.int64)[table["at"]]
    return _sums(
        pd.DataFrame({"group": group, "measure": table["measure"]}),
        {
            "before_n": before.known, "before_sum": before.value, "after_n": after.known, "after_sum": after.value,
            "paired_n": before.known & after.known, "change_sum": change, "change_squares": change**2,
        },
    )  # fmt: skip


def _last_of(cell: np.ndarray, value: np.ndarray, some: np.ndarray, cells: int) -> _Last:
    """The last row of each cell among some; rows are in order of days."""
    known, found = np.zeros(cells, bool), np.zeros(cells, np.int64)
    known[cell[some]] = True
    found[cell[some]] = value[some]
    return _Last(known, found)
