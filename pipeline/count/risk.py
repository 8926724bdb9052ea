"""The two passes behind expected risk: covariate cells for the model, then a histogram of its risks.

Pass one leaves the surgeon out, so the model cannot learn a surgeon. Pass two only needs each case's risk,
rounded to a whole ten-thousandth, so that it adds without rounding error.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.count.outcomes import Days, evidence_rows, laid_to_surgeons, surgeon_outcomes
from pipeline.count.windows import closed_cases
from pipeline.counts import Cells, Outcomes, Risks, joint_cells
from pipeline.errors import CannotFinish
from pipeline.handover import Cases
from pipeline.settings import Settings, Window

COVARIATES = ("age_band", "sex", "asa_class", "group", "prior_operation", "smoker", "diabetes")
HISTOGRAM_KEYS = ("surgeon", "category", "window_days", "risk")


def covariate_cells(
    cases: Cases, outcomes: Outcomes, laid: Mapping[int, Days], windows: Mapping[int, Window]
) -> Cells:
    """Pass one: closed cases and events of each outcome by covariate cell, missing being a level of its own."""
    cell, keys = joint_cells(cases.cases[list(COVARIATES)])
    statistics = {name: np.zeros((len(keys), len(outcomes)), np.int64) for name in ("cases", "events")}
    for column, (at_risk, event) in enumerate(_at_risk(cases, outcomes, laid, windows)):
        statistics["cases"][:, column] = np.bincount(cell[at_risk], minlength=len(keys))
        statistics["events"][:, column] = np.bincount(cell[event], minlength=len(keys))
    return Cells(keys, statistics)


def _at_risk(
    cases: Cases, outcomes: Outcomes, laid: Mapping[int, Days], windows: Mapping[int, Window]
) -> Iterable[tuple[np.ndarray, np.ndarray]]:
    """For each outcome: which cases are closed and can have it, and the positions of those that had it."""
    group = cases.cases["group"].to_numpy(np.int64)
    closed = {days: closed_cases(cases.cases, window) for days, window in windows.items()}
    for category, days in zip(outcomes.category.tolist(), outcomes.window_days.tolist(), strict=True):
        at_risk = closed[days] & (cases.defined[group, category] == 1)
        yield at_risk, laid[category].within(at_risk, days).at


def risk_histogram(cases: Cases, settings: Settings, catalogue: Catalogue, risks: Risks) -> pd.DataFrame:
    """Pass two: cases and events by surgeon, category, window and risk in 1/10,000.

    Raises:
        CannotFinish: A case has covariates that pass one did not see.
    """
    outcomes = surgeon_outcomes(cases.labels, settings, catalogue)
    laid = laid_to_surgeons(evidence_rows(cases), cases.labels, catalogue)
    windows = {window.days: window for window in settings.windows}
    cell = _cells_of(cases.cases, risks.keys)
    surgeon = cases.cases["surgeon"].to_numpy(np.int64)
    parts = []
    for column, (at_risk, event) in enumerate(_at_risk(cases, outcomes, laid, windows)):
        had = np.zeros(len(surgeon), np.int64)
        had[event] = 1
        rows = {
            "surgeon": surgeon[at_risk],
            "category": outcomes.category[column],
            "window_days": outcomes.window_days[column],
            "risk": risks.risk[cell[at_risk], column],
            "cases": 1,
            "events": had[at_risk],
        }
        parts.append(pd.DataFrame(rows))
    return added_histograms(parts)


def added_histograms(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Histograms of several partitions as one, sorted by their keys."""
    several = list(parts)
    if not several:
        return pd.DataFrame(
            {name: pd.Series(dtype=np.int64) for name in (*HISTOGRAM_KEYS, "cases", "events")}
        )
    together = pd.concat(several, ignore_index=True).astype(np.int64)
    return together.groupby(list(HISTOGRAM_KEYS), sort=True, as_index=False)[["cases", "events"]].sum()


def _cells_of(cases: pd.DataFrame, known: pd.DataFrame) -> np.ndarray:
    """Each case's covariate cell."""
    both = pd.concat([known, cases[list(COVARIATES)]], ignore_index=True)
    number, _ = joint_cells(both)
    place = np.full(int(number.max(initial=-1)) + 1, -1, np.int64)
    place[number[: len(known)]] = np.arange(len(known))
    cell = place[number[len(known) :]]
    if (cell < 0).any():
        raise CannotFinish(
            f"{int((cell < 0).sum())} cases have covariates that the expected risk was not worked out for. "
            "Expected the risks of the same cases. Work them out again from the counts of this run."
        )
    return cell
