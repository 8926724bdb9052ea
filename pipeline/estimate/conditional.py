"""The exact odds ratio of one 2 × 2 table, given its margins."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

_TOLERANCE = 1e-13
_FARTHEST = 700.0  # log odds ratio; its exponential still fits a double


def conditional_odds_ratio(
    events_a: int, cases_a: int, events_b: int, cases_b: int, confidence: float
) -> tuple[float, float, float]:
    """Odds ratio, lower and upper limit; nan where the margins leave only one table, inf without a limit.

    Our own, because `scipy.stats.contingency.odds_ratio` takes seconds for one table of a hundred thousand cases;
    checked against it and against values of R.

    Given the margins, events in a follow Fisher's noncentral hypergeometric distribution. The estimate is the
    odds ratio whose mean is the number seen; each limit leaves half of 1 - confidence in a tail that includes it.

    Source: Fisher 1935 and Cornfield 1956, as stated in the manual of R's `fisher.test`.
    """
    events = events_a + events_b
    support = np.arange(max(0, events - cases_b), min(cases_a, events) + 1)
    if len(support) == 1:
        return math.nan, math.nan, math.nan
    weight = _log_weights(support, cases_a, events, cases_b)
    tail = (1 - confidence) / 2
    at = events_a - int(support[0])

    def mean_excess(log_odds: float) -> float:
        return float(_probabilities(weight, support, log_odds) @ support) - events_a

    def upper_tail_excess(log_odds: float) -> float:
        return float(_probabilities(weight, support, log_odds)[at:].sum()) - tail

    def lower_tail_shortfall(log_odds: float) -> float:
        return tail - float(_probabilities(weight, support, log_odds)[: at + 1].sum())

    lowest, highest = at == 0, at == len(support) - 1
    value = 0.0 if lowest else math.inf if highest else _root(mean_excess)
    low = 0.0 if lowest else _root(upper_tail_excess)
    high = math.inf if highest else _root(lower_tail_shortfall)
    return value, low, high


def _log_weights(support: np.ndarray, cases_a: int, events: int, cases_b: int) -> np.ndarray:
    """Log of the number of tables with so many events in a, up to a constant."""
    from scipy.special import gammaln

    in_b = events - support
    ways = (
        gammaln(support + 1)
        + gammaln(cases_a - support + 1)
        + gammaln(in_b + 1)
        + gammaln(cases_b - in_b + 1)
    )
    return np.asarray(-ways)


def _probabilities(weight: np.ndarray, support: np.ndarray, log_odds: float) -> np.ndarray:
    tilted = weight + log_odds * support
    likelihood = np.exp(tilted - tilted.max())
    return likelihood / likelihood.sum()


def _root(rising: Callable[[float], float]) -> float:
    """Exponential of the point where a rising function of the log odds ratio is 0."""
    from scipy.optimize import brentq

    reach = 1.0
    while reach < _FARTHEST and (rising(-reach) > 0 or rising(reach) < 0):
        reach *= 2
    return math.exp(brentq(rising, -reach, reach, xtol=_TOLERANCE, rtol=1e-14, maxiter=200))
