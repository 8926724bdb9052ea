"""Intervals of proportions and of person-time rates, over arrays of strata."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.errors import CannotFinish, WrongUse

METHODS = {"wilson": "wilson", "clopper-pearson": "beta"}


class ImpossibleCounts(CannotFinish, ValueError):
    """Counts that cannot have come from counting: a fault of the program."""


@dataclass(frozen=True)
class Interval:
    """Limits of one estimate per stratum; nan where there is nothing to estimate.

    Attributes:
        low, high: Same shape as the counts.
        method: `wilson`, `clopper-pearson` or `garwood`.
        confidence: For example 0.95.
    """

    low: np.ndarray
    high: np.ndarray
    method: str
    confidence: float


def proportion_interval(events: np.ndarray, cases: np.ndarray, method: str, confidence: float) -> Interval:
    """Interval of events / cases.

    Args:
        events, cases: Whole numbers of the same shape, 0 ≤ events ≤ cases. Without cases the limits are nan.
        method: `wilson` (Wilson 1927; Newcombe 1998, Stat Med 17:857, method 3) or `clopper-pearson` (1934).
        confidence: Between 0 and 1.

    Raises:
        ImpossibleCounts: Fewer than no events, or more events than cases.
        WrongUse: A method that does not exist.
    """
    from statsmodels.stats.proportion import proportion_confint

    events, cases = np.asarray(events, dtype=np.int64), np.asarray(cases, dtype=np.int64)
    check_counts(events, cases)
    if method not in METHODS:
        raise WrongUse(f"Got interval `{method}`. Expected one of {', '.join(METHODS)}. Change audit.toml.")
    some = cases > 0
    low, high = (np.full(cases.shape, np.nan) for _ in range(2))
    if some.any():
        ends = proportion_confint(events[some], cases[some], alpha=1 - confidence, method=METHODS[method])
        low[some], high[some] = (np.clip(np.asarray(end, dtype=float), 0, 1) for end in ends)
    low[some & (events == 0)] = 0.0
    high[some & (events == cases)] = 1.0
    return Interval(low, high, method, confidence)


def check_counts(events: np.ndarray, cases: np.ndarray) -> None:
    """Raises `ImpossibleCounts` for fewer than no events, or more events than cases."""
    if (np.asarray(events) < 0).any() or (np.asarray(events) > np.asarray(cases)).any():
        raise ImpossibleCounts(
            "Got events outside 0 to cases. Expected 0 <= events <= cases in every stratum. Report it with the manifest."
        )


def share_of(events: np.ndarray, cases: np.ndarray) -> np.ndarray:
    """events / cases, nan without cases."""
    cases = np.asarray(cases, dtype=float)
    return np.divide(events, cases, out=np.full(cases.shape, np.nan), where=cases > 0)


def person_time_interval(events: np.ndarray, time: np.ndarray, confidence: float) -> Interval:
    """Exact Poisson limits of events / time (Garwood 1936); nan without time.

    Args:
        events: Whole numbers from 0.
        time: In the unit of the rate, same shape.

    Raises:
        ImpossibleCounts: Events or time below 0.
    """
    from scipy.stats import chi2

    events, time = np.asarray(events, dtype=float), np.asarray(time, dtype=float)
    if (events < 0).any() or (time < 0).any():
        raise ImpossibleCounts(
            "Got events or person-time below 0. Expected neither. Report it with the manifest."
        )
    tail = (1 - confidence) / 2
    low = np.where(events > 0, chi2.ppf(tail, 2 * np.maximum(events, 1)) / 2, 0.0)
    high = chi2.ppf(1 - tail, 2 * events + 2) / 2
    some = time > 0
    none = np.full(time.shape, np.nan)
    low, high = (np.divide(end, time, out=none.copy(), where=some) for end in (low, high))
    return Interval(low, high, "garwood", confidence)
