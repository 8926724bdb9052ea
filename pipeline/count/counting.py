"""All counts of one partition of cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Protocol

import numpy as np
import pandas as pd

from pipeline.case_evidence import EvidenceRows, evidence_rows, laid_to_surgeons
from pipeline.catalogue import ANY_COMPLICATION, Catalogue, complication_of
from pipeline.count.baseline import baseline_cells
from pipeline.count.benefit import benefit_of
from pipeline.count.ends import arm_ends, end_cells
from pipeline.count.later import return_cells, severity_cells
from pipeline.count.outcomes import (
    all_outcomes,
    evidence_for_department,
    main_outcomes,
    readings,
    surgeon_outcomes,
)
from pipeline.count.risk import covariate_cells
from pipeline.count.windows import cell_statistics
from pipeline.counts import Cells, Counts, joint_cells
from pipeline.handover import AWAITING, COUNTED, NO_DAY, Cases
from pipeline.periods import MONTHS_OF
from pipeline.settings import Settings
from pipeline.watched import closed_cases, last_days

SURGEON_KEYS = ("surgeon", "group")
COURSE_KEYS = ("site", "group", "fixation", "age_band")
COHORT_KEYS = ("period", "group")
ACTIVITY_KEYS = ("site", "group")
_EPOCH_YEAR = 1970
_EPOCH = date(_EPOCH_YEAR, 1, 1).toordinal()


class Span(Protocol):
    """A period, its first and last calendar day."""

    @property
    def first_day(self) -> date: ...

    @property
    def last_day(self) -> date: ...


def joint_keys(cases: Cases) -> tuple[str, ...]:
    """Columns by which rates and comparisons may be split, surgeons apart."""
    among = tuple(f"among:{name}" for name in cases.labels.among)
    by = tuple(f"by:{name}" for name in cases.labels.by)
    return ("site", "group", "fixation", "age_band", "isolated", *among, *by)


def counted(cases: Cases, settings: Settings, catalogue: Catalogue, period: Span) -> Counts:
    """The additive statistics of one partition, or of all cases.

    Surgeons are counted in cells of their own and for few outcomes, so that the joint cells stay few however
    many surgeons there are.

    Args:
        cases: Index cases with their complications.
        settings: Windows and what is shown by surgeon.
        catalogue: How each category is observed.
        period: The period whose news is counted.

    Returns:
        Counts that add to those of other partitions of the same run.

    Raises:
        CannotFinish: A complication or reading belongs to no case of the partition.
    """
    labels = cases.labels
    rows = evidence_rows(cases)
    every, few = all_outcomes(labels, settings, catalogue), surgeon_outcomes(labels, settings, catalogue)
    evidence = evidence_for_department(rows, labels, catalogue)
    seen_in = [complication_of(catalogue, key).seen_in for key in labels.categories]
    windows = {window.days: window for window in settings.windows}
    common = (evidence, seen_in, readings(cases, catalogue), windows)
    dated = cases.cases.assign(period=_period_numbers(cases.cases, settings))
    main, until = main_outcomes(every), (evidence, seen_in, last_days(cases.cases, settings.windows))
    return Counts(
        outcomes=every,
        surgeon_outcomes=few,
        defined=cases.defined,
        cells=cell_statistics(cases.cases, joint_keys(cases), every, *common),
        surgeons=cell_statistics(cases.cases, SURGEON_KEYS, few, *common),
        risk_cells=covariate_cells(cases, few, laid_to_surgeons(rows, labels, catalogue), windows),
        activity=activity_cells(cases, rows, settings, period),
        severity=severity_cells(cases, rows),
        returns=return_cells(cases),
        ends=end_cells(dated, COURSE_KEYS, every, *until),
        surgeon_ends=end_cells(dated, SURGEON_KEYS, few, *until),
        cohort_outcomes=main,
        cohorts=cell_statistics(dated, COHORT_KEYS, main, *common),
        cohort_ends=end_cells(dated, COHORT_KEYS, main, *until),
        baseline=baseline_cells(cases, settings),
        benefit=benefit_of(replace(cases, cases=dated), settings),
        arm_ends=arm_ends(cases, settings, main, *until),
    )


def _period_numbers(cases: pd.DataFrame, settings: Settings) -> np.ndarray:
    """Which period each operation lies in, as `periods.numbered_period` counts them."""
    month = cases["performed"].to_numpy(np.int64).astype("datetime64[D]").astype("datetime64[M]")
    return np.asarray((month.astype(np.int64) + 12 * _EPOCH_YEAR) // MONTHS_OF[settings.period])


def activity_cells(cases: Cases, rows: EvidenceRows, settings: Settings, period: Span) -> Cells:
    """The period's own news by site and group.

    A complication happened in the period if its calendar day lies in it (unknown day: never), and was learned
    in it if it became known then, too late for the month in which it happened. Each is a counted row of a category's
    main level; the case-wide category would count them twice. `awaiting` is the same of what is not yet decided.
    """
    cell, keys = joint_cells(cases.cases[list(ACTIVITY_KEYS)])
    performed = cases.cases["performed"].to_numpy(np.int64)
    learned = _inside(cases.complications["learned"].to_numpy(np.int64), period)
    learned &= cases.complications["late"].to_numpy().astype(bool)
    own = (rows.level == 0) & (rows.category != cases.labels.categories.index(ANY_COMPLICATION))
    happened = _inside(np.where(rows.day >= 0, performed[rows.at] + rows.day, np.int64(NO_DAY)), period)
    counted_here, waits = own & (rows.status == COUNTED), own & (rows.status == AWAITING)
    listed = {
        "cases": cell[_inside(performed, period)],
        "complications_happened": cell[rows.at[counted_here & happened]],
        "complications_learned": cell[rows.at[counted_here & learned]],
        "awaiting": cell[rows.at[waits & (happened | learned)]],
        "windows_closed": cell[_closings(cases.cases, settings, period)],
    }
    sums = {name: np.bincount(at, minlength=len(keys)).astype(np.int64) for name, at in listed.items()}
    return Cells(keys, sums)


def _closings(cases: pd.DataFrame, settings: Settings, period: Span) -> np.ndarray:
    """Positions of the cases, once for each window that closed in the period."""
    performed = cases["performed"].to_numpy(np.int64)
    return np.concatenate(
        [
            np.flatnonzero(
                closed_cases(cases, window) & _inside(performed + window.days + window.grace, period)
            )
            for window in settings.windows
        ]
        or [np.zeros(0, np.int64)]
    )


def _inside(days: np.ndarray, period: Span) -> np.ndarray:
    return (days >= period.first_day.toordinal() - _EPOCH) & (days <= period.last_day.toordinal() - _EPOCH)
