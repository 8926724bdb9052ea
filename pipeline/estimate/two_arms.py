"""Two arms set against each other: difference, ratio and odds ratio with intervals, and tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate.conditional import conditional_odds_ratio
from pipeline.estimate.proportions import proportion_interval, share_of
from pipeline.estimate.score_ratio import koopman_limits

LARGEST_EXACT_ARM = 200


@dataclass(frozen=True)
class Estimate:
    """A measure and its limits, one per pair of arms; nan where it cannot be estimated."""

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    method: str


@dataclass(frozen=True)
class Tests:
    """Two-sided p values of one pair of arms; `name` is the method of `exact`. nan where an arm is empty."""

    fisher: float
    exact: float
    name: str


@dataclass(frozen=True)
class Arms:
    """Events and cases of two arms, int64 arrays of the same shape."""

    events_a: np.ndarray
    cases_a: np.ndarray
    events_b: np.ndarray
    cases_b: np.ndarray

    @property
    def both(self) -> np.ndarray:
        """bool: each arm has cases."""
        return (self.cases_a > 0) & (self.cases_b > 0)


def risk_difference(arms: Arms, confidence: float) -> Estimate:
    """Rate of a less rate of b; Newcombe's hybrid score interval (Newcombe 1998, Stat Med 17:873, method 10)."""
    rate_a, rate_b = share_of(arms.events_a, arms.cases_a), share_of(arms.events_b, arms.cases_b)
    a = proportion_interval(arms.events_a, arms.cases_a, "wilson", confidence)
    b = proportion_interval(arms.events_b, arms.cases_b, "wilson", confidence)
    value = rate_a - rate_b
    low = value - np.hypot(rate_a - a.low, b.high - rate_b)
    high = value + np.hypot(a.high - rate_a, rate_b - b.low)
    return Estimate(value, low, high, "newcombe")


def risk_ratio(arms: Arms, confidence: float) -> Estimate:
    """Rate of a by rate of b.

    Katz's log interval (Katz et al. 1978, Biometrics 34:469) where every cell has someone; Koopman's score
    interval (Koopman 1984, Biometrics 40:513) where one is empty. A limit that is infinite is nan, and so is
    the ratio where b has no event.
    """
    rate_a, rate_b = share_of(arms.events_a, arms.cases_a), share_of(arms.events_b, arms.cases_b)
    ratio = np.divide(rate_a, rate_b, out=np.full(rate_a.shape, np.nan), where=rate_b > 0)
    low, high = np.full(ratio.shape, np.nan), np.full(ratio.shape, np.nan)
    full = arms.both & (arms.events_a > 0) & (arms.events_b > 0)
    low[full], high[full] = _katz(arms, ratio, full, confidence)
    empty = (arms.events_a == arms.cases_a) | (arms.events_b == arms.cases_b)
    zero = arms.both & ((arms.events_a + arms.events_b) > 0) & (~full | empty)
    score = koopman_limits(_tables(arms)[zero.ravel()], confidence)
    low[zero], high[zero] = score.low, np.where(np.isinf(score.high), np.nan, score.high)
    return Estimate(ratio, low, high, "katz; koopman where a cell is empty")


def _cells(arms: Arms) -> tuple[np.ndarray, ...]:
    return arms.events_a, arms.cases_a, arms.events_b, arms.cases_b


def _tables(arms: Arms) -> np.ndarray:
    """One row a table: events and cases of a, events and cases of b."""
    return np.stack([np.ravel(each) for each in _cells(arms)], axis=1)


def _katz(
    arms: Arms, ratio: np.ndarray, full: np.ndarray, confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    events_a, cases_a, events_b, cases_b = (each[full].astype(float) for each in _cells(arms))
    spread = np.sqrt(1 / events_a - 1 / cases_a + 1 / events_b - 1 / cases_b) * _normal(confidence)
    return ratio[full] * np.exp(-spread), ratio[full] * np.exp(spread)


def _normal(confidence: float) -> float:
    from scipy.stats import norm

    return float(norm.ppf(0.5 + confidence / 2))


def odds_ratio(arms: Arms, confidence: float) -> Estimate:
    """Conditional maximum likelihood with exact limits.

    Each distinct table is worked out once. An infinite ratio or limit is nan; all three are where no event, or
    nothing else, is seen in both arms.
    """
    distinct, place = np.unique(_tables(arms), axis=0, return_inverse=True)
    found = conditional_odds_ratio(distinct, confidence)
    shape = np.shape(arms.events_a)
    value, low, high = (
        np.where(np.isinf(each), np.nan, each)[place].reshape(shape)
        for each in (found.value, found.low, found.high)
    )
    return Estimate(value, low, high, "conditional")


def tests_of(x: int, m: int, y: int, n: int) -> Tests:
    """Fisher's exact test and Boschloo's (above 200 in an arm: the N − 1 chi-square test), two-sided.

    Args:
        x, m: Events and cases of a.
        y, n: Events and cases of b.
    """
    from scipy.stats import boschloo_exact, chi2, fisher_exact

    if not m or not n:
        return Tests(np.nan, np.nan, "")
    table = [[x, y], [m - x, n - y]]  # groups are columns
    fisher = float(fisher_exact(table).pvalue)
    if max(m, n) <= LARGEST_EXACT_ARM:
        if x + y in (0, m + n):
            return Tests(fisher, 1.0, "Boschloo")
        return Tests(fisher, min(1.0, float(boschloo_exact(table).pvalue)), "Boschloo")
    total, events = m + n, x + y
    if events in (0, total):
        return Tests(fisher, 1.0, "N - 1 chi-square")
    statistic = (total - 1) * (x * (n - y) - y * (m - x)) ** 2 / (m * n * events * (total - events))
    return Tests(fisher, float(chi2.sf(statistic, 1)), "N - 1 chi-square")
