"""What `count` hands to `estimate`: small tables of integers that add across hospitals and partitions.

Nothing here knows how a case is counted (see `pipeline.count`) or what is made of it (see `pipeline.estimate`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from pipeline.errors import CannotFinish

#: Risks are whole ten-thousandths, so that what is added up stays an integer.
RISK_UNIT = 10_000

#: Statistics of every joint cell and outcome, all whole numbers of cases but `person_days` (days).
STATISTICS = (
    "cases", "followed", "assessed", "events", "deaths", "awaiting", "person_days", "person_events", "paired",
)  # fmt: skip
#: Ways of observing a case; the key `way` is the position here.
WAYS = ("visit", "records")
#: Columns of cases that tell how two arms differed before the operation, in the order of their table.
BASELINE = (
    "age_band", "age_years", "sex", "asa_class", "prior_operation", "smoker", "diabetes", "site", "fixation",
)  # fmt: skip
#: What the expected risk may take into account: never the surgeon.
COVARIATES = ("age_band", "sex", "asa_class", "group", "prior_operation", "smoker", "diabetes")
ACTIVITY = ("cases", "complications_happened", "complications_learned", "awaiting", "windows_closed")


@dataclass(frozen=True)
class Outcomes:
    """What is counted: columns of every statistic. Equal-length int64 arrays.

    Attributes:
        category: Position in `Labels.categories`.
        level: Position in `Labels.levels[category]`; 0 is the main level.
        window_days: The last day counted.
    """

    category: np.ndarray
    level: np.ndarray
    window_days: np.ndarray

    def __len__(self) -> int:
        return len(self.category)

    def same_as(self, other: Outcomes) -> bool:
        names = ("category", "level", "window_days")
        return all(np.array_equal(getattr(self, name), getattr(other, name)) for name in names)


@dataclass(frozen=True)
class Cells:
    """Counts by joint cell.

    Attributes:
        keys: One row a cell, small integers (-1 is missing), sorted by all columns, no cell twice.
        statistics: Name → int64 array whose first axis is the cell, the second, if any, the outcome.
    """

    keys: pd.DataFrame
    statistics: dict[str, np.ndarray]

    def __add__(self, other: Cells) -> Cells:
        return added_cells([self, other])

    def __getitem__(self, name: str) -> np.ndarray:
        return self.statistics[name]

    def by(self, *columns: str) -> Cells:
        """The same counts, summed over all other key columns."""
        return summed(self.keys[list(columns)], self.statistics)

    def where(self, chosen: np.ndarray) -> Cells:
        """Only the cells of a boolean mask."""
        kept = {name: counts[chosen] for name, counts in self.statistics.items()}
        return Cells(self.keys[chosen].reset_index(drop=True), kept)


@dataclass(frozen=True)
class Ends:
    """How and when cases leave observation, which curves are made of; days of the case, up to the longest window.

    Attributes:
        base: As if nothing had happened to anybody: the keys of a cell, then `way`, `day`; statistics `competing`
            (died on that day), `censored` (last observed on that day).
        moved: What each outcome changes in it: the keys of a cell, then `category`, `level`, `day`; statistics
            `event`, and `competing`, `censored` taken back, below 0. Each case with the event adds 1 on its day
            and takes 1 from its end; one whose event has no day only takes 1: it is in no curve of this outcome.
    """

    base: Cells
    moved: Cells

    def __add__(self, other: Ends) -> Ends:
        return Ends(self.base + other.base, self.moved + other.moved)


@dataclass(frozen=True)
class Risks:
    """Expected risk of each covariate cell: `risk` is int64 [cell, outcome] in 1/10,000, never 0."""

    keys: pd.DataFrame
    risk: np.ndarray


@dataclass(frozen=True)
class Benefit:
    """How many cases, what was tried before, and what patients had of the operation.

    Attributes:
        volumes: Keys period, group, age_band, site; statistic cases.
        care: Keys group; statistics elective, recorded, reached.
        sport: Keys group, sport_level, `among:*`; statistics cases, asked, any_return, same_or_higher.
        sport_days: The same keys and day (of the return, of the case); statistic cases.
        scores: Keys group, measure; statistics before_n, before_sum, after_n, after_sum, paired_n, change_sum,
            change_squares. Sums are of whole hundredths, the last of their squares.
        arms: Isolated cases of the arms of each comparison. Keys comparison (as `compared.comparisons_of` orders
            them), arm (0 is a, 1 is b); statistics cases (whose records reach far enough to be told of sport), played
            (of these, did sport before), asked, any_return, same_or_higher.
        arm_days: The same keys and day (of the return, of the case); statistic cases.
        arm_reasons: The same keys and why (not back, -1 not said); statistic cases.
        arm_changes: The same keys and measure; statistics paired_n, change_sum, change_squares, of `arms`' cases.
    """

    volumes: Cells
    care: Cells
    sport: Cells
    sport_days: Cells
    scores: Cells
    arms: Cells
    arm_days: Cells
    arm_reasons: Cells
    arm_changes: Cells

    def __add__(self, other: Benefit) -> Benefit:
        return added_benefit([self, other])


def added_benefit(parts: Iterable[Benefit]) -> Benefit:
    """The sum of all partitions."""
    several = list(parts)
    names = [field.name for field in fields(Benefit)]
    return Benefit(**{name: added_cells([getattr(part, name) for part in several]) for name in names})


@dataclass(frozen=True)
class Counts:
    """Everything `estimate` knows about the cases of one or more partitions.

    Attributes:
        outcomes: Columns of `cells`: every category, level and window.
        surgeon_outcomes: Columns of `surgeons` and `risk_cells`: main levels of the settings' surgeon tables.
        defined: Groups × categories: 1 can occur, 0 cannot occur, -1 not defined for this joint.
        cells: Keys site, group, fixation, age_band, isolated, `among:*`, `by:*`; statistics `STATISTICS`.
        surgeons: Keys surgeon, group; `STATISTICS`.
        risk_cells: Keys of patient and operation without surgeon; statistics cases, events. Pass one of the
            expected risk: only what is laid to surgeons (`count.outcomes`), where the category can occur.
        activity: Keys site, group; statistics `ACTIVITY`, all in the period.
        severity: Keys group, category, grade; statistic cases, with a counted complication.
        returns: Keys first, to (procedures), reason, planned, day; statistic count, of later operations.
        ends: Of `outcomes`; keys of a cell are site, group, fixation, age_band.
        surgeon_ends: Of `surgeon_outcomes`; keys of a cell are surgeon, group.
        cohort_outcomes: Columns of `cohorts`: main levels.
        cohorts: Keys period (number of the operation's, as in `periods.numbered_period`), group; `STATISTICS`.
        cohort_ends: Of `cohort_outcomes`; keys of a cell as in `cohorts`.
        baseline: Keys arm (0 is a, 1 is b), characteristic (position in `BASELINE`), value (-1 is missing); statistic
            cases, isolated and closed ones of the stated comparison.
        benefit: What stands beside complications.
        arm_ends: Of `cohort_outcomes`, cases of the stated comparison, isolated ones whether closed or not; keys of
            a cell are arm (0 is a, 1 is b), age_band.
    """

    outcomes: Outcomes
    surgeon_outcomes: Outcomes
    defined: np.ndarray
    cells: Cells
    surgeons: Cells
    risk_cells: Cells
    activity: Cells
    severity: Cells
    returns: Cells
    ends: Ends
    surgeon_ends: Ends
    cohort_outcomes: Outcomes
    cohorts: Cells
    cohort_ends: Ends
    baseline: Cells
    benefit: Benefit
    arm_ends: Ends

    def __add__(self, other: Counts) -> Counts:
        return added([self, other])


def added(parts: Iterable[Counts]) -> Counts:
    """The sum of the counts of all partitions, the same for any number and order of partitions.

    Raises:
        CannotFinish: No part was given, or the parts were counted under different settings or catalogues.
    """
    partitions = list(parts)
    if not partitions:
        raise CannotFinish(
            "Got no counts to add. Expected at least one partition, an empty one if there are no cases."
        )
    first = partitions[0]
    for part in partitions[1:]:
        _check_same(first, part)
    return Counts(
        first.outcomes,
        first.surgeon_outcomes,
        first.defined,
        cells=added_cells([part.cells for part in partitions]),
        surgeons=added_cells([part.surgeons for part in partitions]),
        risk_cells=added_cells([part.risk_cells for part in partitions]),
        activity=added_cells([part.activity for part in partitions]),
        severity=added_cells([part.severity for part in partitions]),
        returns=added_cells([part.returns for part in partitions]),
        ends=added_ends([part.ends for part in partitions]),
        surgeon_ends=added_ends([part.surgeon_ends for part in partitions]),
        cohort_outcomes=first.cohort_outcomes,
        cohorts=added_cells([part.cohorts for part in partitions]),
        cohort_ends=added_ends([part.cohort_ends for part in partitions]),
        baseline=added_cells([part.baseline for part in partitions]),
        benefit=added_benefit([part.benefit for part in partitions]),
        arm_ends=added_ends([part.arm_ends for part in partitions]),
    )


def _check_same(one: Counts, other: Counts) -> None:
    same = (
        one.outcomes.same_as(other.outcomes)
        and one.surgeon_outcomes.same_as(other.surgeon_outcomes)
        and np.array_equal(one.defined, other.defined)
    )
    if not same:
        raise CannotFinish(
            "Two partitions were counted over different outcomes. Expected one catalogue and one audit.toml "
            "for the whole run. Run again from the beginning."
        )


def added_cells(parts: Iterable[Cells]) -> Cells:
    """Cells with the same keys summed; the first part gives the column order."""
    several = list(parts)
    if len(several) == 1:
        return several[0]
    keys = pd.concat([part.keys for part in several], ignore_index=True)
    names = several[0].statistics
    return summed(keys, {name: np.concatenate([part.statistics[name] for part in several]) for name in names})


def added_ends(parts: Iterable[Ends]) -> Ends:
    """The sum of several partitions."""
    several = list(parts)
    return Ends(added_cells([part.base for part in several]), added_cells([part.moved for part in several]))


def summed(keys: pd.DataFrame, statistics: dict[str, np.ndarray]) -> Cells:
    """Rows of equal keys summed, cells in sorted order."""
    cell, cells = joint_cells(keys)
    order = np.argsort(
        cell.astype(np.min_scalar_type(len(cells))), kind="stable"
    )  # two bytes are counted, not compared
    starts = np.cumsum(np.bincount(cell, minlength=len(cells))) if len(cells) else np.zeros(0, np.int64)
    starts = np.append(0, starts)[: len(cells)]
    return Cells(cells, {name: _sums(counts, order, starts) for name, counts in statistics.items()})


def summed_counts(keys: pd.DataFrame, statistics: dict[str, np.ndarray]) -> Cells:
    """The same of whole numbers, or of yes and no, one entry a row."""
    return summed(keys, {name: np.asarray(each).astype(np.int64) for name, each in statistics.items()})


def _sums(counts: np.ndarray, order: np.ndarray, starts: np.ndarray) -> np.ndarray:
    if len(starts) == 0:
        return counts[:0]
    return np.add.reduceat(counts[order], starts, axis=0)


def joint_cells(keys: pd.DataFrame) -> tuple[np.ndarray, pd.DataFrame]:
    """The cell of each row, and the cells in sorted order.

    Args:
        keys: Columns of integers from -1 up, or booleans.
    """
    code = np.zeros(len(keys), np.int64)
    size = 1
    for name in keys:
        column = keys[name].to_numpy(np.int64) + 1
        width = int(column.max(initial=0)) + 1
        if size * width >= 2**62:
            code = numbered(code)[0]
            size = int(code.max(initial=0)) + 1
        code = code * width + column
        size *= width
    cell, distinct = _numbered(code, size)
    some_row = np.zeros(len(distinct), np.int64)
    some_row[cell] = np.arange(len(keys))
    return cell, keys.take(some_row).reset_index(drop=True).astype(np.int64)


def numbered(code: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The rank of each number among the distinct ones, and these in order; sorts no more than the distinct ones."""
    place, distinct = pd.factorize(code)
    order = np.argsort(distinct)
    rank = np.empty(len(distinct), np.int64)
    rank[order] = np.arange(len(distinct))
    return rank[place], distinct[order]


def _numbered(code: np.ndarray, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Each code's rank among the distinct ones; without sorting where the codes are dense."""
    if size > max(4 * len(code), 1024):
        return numbered(code)
    present = np.zeros(size, bool)
    present[code] = True
    return (np.cumsum(present) - 1)[code], np.flatnonzero(present)
