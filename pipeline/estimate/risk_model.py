"""Expected risk of one outcome by covariate cell: regression where the events bear it, else smoothed rates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.counts import RISK_UNIT
from pipeline.estimate.logistic import (
    Fit,
    expit,
    firth_fit,
    indicator_matrix,
    is_separated,
    logistic_fit,
    with_all_expected,
)
from pipeline.estimate.model_checks import Calibration, Concordance, calibration, concordance

FEWEST_EVENTS = 10
EVENTS_PER_PARAMETER = 10

LOGISTIC = "logistic regression"
FIRTH = "Firth's logistic regression"
RATES = "smoothed rates"


@dataclass(frozen=True)
class RiskModel:
    """Risks with how they came about.

    Attributes:
        risk: int64 [cell] in 1/10,000, from 1 to 10,000.
        method: `LOGISTIC`, `FIRTH` or `RATES`.
        why: Why this one, in words for print.
        cases, events: What it was fitted to.
        parameters: Coefficients beside the intercept that a regression has here, used or not.
        lacking: Cases that lack a covariate; they are counted, missing being a level.
        concordance, calibration: In the same cases, which flatters them.
    """

    risk: np.ndarray
    method: str
    why: str
    cases: int
    events: int
    parameters: int
    lacking: int
    concordance: Concordance
    calibration: Calibration


def risk_model(
    levels: np.ndarray,
    procedure: int,
    age_band: int,
    events: np.ndarray,
    cases: np.ndarray,
    confidence: float,
) -> RiskModel:
    """The risks of one outcome.

    Events per parameter count the rarer of events and cases without. At least ten of them per parameter: maximum
    likelihood; fewer: Firth's fit with its intercept moved until all is expected that was seen. Below ten in all,
    or where the first is separated or either does not come to rest: `smoothed_rates`.

    Args:
        levels: int [cell, covariate], -1 is missing. No covariate may tell the surgeon.
        procedure, age_band: Which covariates these two are.
        events, cases: int [cell]. A cell without cases gets the smoothed rate.
        confidence: Of the C statistic's interval.
    """
    smoothed = smoothed_rates(events, cases, levels[:, procedure], levels[:, [procedure, age_band]])
    some = cases > 0
    if not some.any():
        return _said(smoothed, RATES, "no cases", levels, events, cases, 0, confidence)
    matrix = indicator_matrix(levels, cases)
    method, why, fit = _fitted(matrix[some], events[some], cases[some])
    risk = smoothed if fit is None else np.where(some, expit(matrix @ fit.coefficients), smoothed)
    return _said(risk, method, why, levels, events, cases, matrix.shape[1] - 1, confidence)


def _fitted(matrix: np.ndarray, events: np.ndarray, cases: np.ndarray) -> tuple[str, str, Fit | None]:
    """Which of the three, why, and the fit; None stands for the rates."""
    parameters = matrix.shape[1] - 1
    rarer = int(min(events.sum(), (cases - events).sum()))
    counted = "events" if rarer == events.sum() else "cases without event"
    coefficients = "1 coefficient" if parameters == 1 else f"{parameters} coefficients"
    if rarer < FEWEST_EVENTS:
        return RATES, f"fewer than {FEWEST_EVENTS} {counted}", None
    if rarer < EVENTS_PER_PARAMETER * parameters:
        why = f"{rarer} {counted} for {coefficients}: fewer than {EVENTS_PER_PARAMETER} for each"
        fit = firth_fit(matrix, events, cases)
        if not fit.converged:
            return RATES, f"{why}; the search for them did not come to rest", None
        return FIRTH, why, with_all_expected(fit, matrix, events, cases)
    if is_separated(matrix, events, cases):
        return RATES, "separated: some levels have no events, or nothing else", None
    fit = logistic_fit(matrix, events, cases)
    if not fit.converged:
        return RATES, "the search for the coefficients did not come to rest", None
    return LOGISTIC, f"{rarer} {counted} for {coefficients}", fit


def _said(
    risk: np.ndarray,
    method: str,
    why: str,
    levels: np.ndarray,
    events: np.ndarray,
    cases: np.ndarray,
    parameters: int,
    confidence: float,
) -> RiskModel:
    whole = np.clip(np.rint(risk * RISK_UNIT), 1, RISK_UNIT).astype(np.int64)
    rounded = whole / RISK_UNIT
    return RiskModel(
        whole,
        method,
        why,
        int(cases.sum()),
        int(events.sum()),
        parameters,
        int(cases[(levels < 0).any(axis=1)].sum()),
        concordance(rounded, events, cases, confidence),
        calibration(rounded, events, cases),
    )


def smoothed_rates(events: np.ndarray, cases: np.ndarray, group: np.ndarray, part: np.ndarray) -> np.ndarray:
    """(events + prior) / (cases + 1) of each part, the prior being its group's own such rate; never 0 nor 1.

    A group's prior is (events + ½) / (cases + 1) of all.

    Args:
        events, cases: int [cell] or [cell, outcome].
        group: int [cell], such as the procedure.
        part: int [cell, key]: rows that are equal form a part of one group, such as procedure and age band.
    """
    events, cases = events.astype(float), cases.astype(float)
    overall = (events.sum(axis=0) + 0.5) / (cases.sum(axis=0) + 1)
    own = _smoothed(events, cases, group[:, None], np.broadcast_to(overall, events.shape))
    return _smoothed(events, cases, part, own)


def _smoothed(events: np.ndarray, cases: np.ndarray, part: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """(events + prior) / (cases + 1) of each part, laid back on its cells."""
    place = np.unique(part, axis=0, return_inverse=True)[1].ravel()
    summed = [np.zeros((int(place.max(initial=-1)) + 1, *events.shape[1:])) for _ in range(2)]
    for total, values in zip(summed, (events, cases), strict=True):
        np.add.at(total, place, values)
    return (summed[0][place] + prior) / (summed[1][place] + 1)
