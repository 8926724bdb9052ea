"""Koopman's score limits of a risk ratio, over arrays of tables."""

from __future__ import annotations

import numpy as np

from pipeline.estimate.proportions import Interval

_FARTHEST = 60.0  # log ratio beyond which no limit is looked for


def koopman_limits(tables: np.ndarray, confidence: float) -> Interval:
    """The ratios of the risk of a to the risk of b whose score statistic does not pass the critical value.

    The roots are looked for in the statistic's closed form; `confint_proportions_2indep` of statsmodels gives wrong
    limits where b is all events.

    Args:
        tables: int64 (tables, 4): events and cases of a, events and cases of b; both arms with cases.
        confidence: Between 0 and 1.

    Returns:
        From 0 where a has no event, to inf where b has none.

    Source: Koopman 1984, Biometrics 40:513.
    """
    from scipy.stats import norm

    critical = float(norm.ppf(0.5 + confidence / 2)) ** 2
    x, m, y, n = (column.astype(float) for column in tables.T)
    low, high = np.zeros(len(tables)), np.full(len(tables), np.inf)
    best = np.full(len(tables), -_FARTHEST)  # where the statistic is 0
    best[y == 0] = _FARTHEST
    both = (x > 0) & (y > 0)
    best[both] = np.log(x[both] * n[both] / (m[both] * y[both]))
    low[x > 0] = _crossings(tables[x > 0], best[x > 0], -_FARTHEST, critical)
    high[y > 0] = _crossings(tables[y > 0], best[y > 0], _FARTHEST, critical)
    return Interval(low, high, "koopman", confidence)


def _crossings(tables: np.ndarray, inside: np.ndarray, outside: float, critical: float) -> np.ndarray:
    """Ratios at which the statistic passes the critical value between two log ratios."""
    from scipy.optimize import elementwise

    def excess(log_ratio: np.ndarray, *cells: np.ndarray) -> np.ndarray:
        return _score(np.exp(log_ratio), *cells) - critical

    if not len(tables):
        return np.zeros(0)
    cells = tuple(column.astype(float) for column in tables.T)
    return np.exp(elementwise.find_root(excess, (inside, np.full(len(tables), outside)), args=cells).x)


def _score(ratio: np.ndarray, x: np.ndarray, m: np.ndarray, y: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Pearson's statistic at the risks that fit best under the given ratio."""
    a, b, c = ratio * (m + n), ratio * (m + y) + x + n, x + y
    risk_b = 2 * c / (b + np.sqrt(np.maximum(b * b - 4 * a * c, 0.0)))
    return _misfit(x, m, ratio * risk_b) + _misfit(y, n, risk_b)


def _misfit(events: np.ndarray, cases: np.ndarray, risk: np.ndarray) -> np.ndarray:
    spread = cases * risk * (1 - risk)
    none = np.zeros(np.shape(spread))
    return np.divide((events - cases * risk) ** 2, spread, out=none, where=(risk > 0) & (risk < 1))
