"""The exact odds ratio of 2 × 2 tables given their margins, over arrays of tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

_FARTHEST = 600.0  # log odds ratio beyond which no root is looked for; its exponential still fits a double
#: Counts farther from the one seen than so many standard deviations, and this many more, weigh nothing at any root.
_DEVIATIONS, _MORE = 12.0, 60.0
_LARGEST_BLOCK = 2_000_000  # tables × counts worked out at once, to bound memory


@dataclass(frozen=True)
class ConditionalLimits:
    """Odds ratios and limits, float64 arrays; nan where the margins leave one table, inf without a limit."""

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray


def conditional_odds_ratio(tables: np.ndarray, confidence: float) -> ConditionalLimits:
    """Conditional maximum likelihood and exact limits of every table.

    Our own, because `scipy.stats.contingency.odds_ratio` takes one table at a time (12 ms for a small one, seconds
    for a hundred thousand cases); checked against it and against values of R.

    Given the margins, events in a follow Fisher's noncentral hypergeometric distribution. The estimate is the
    odds ratio whose mean is the number seen; each limit leaves half of 1 - confidence in a tail that includes it.

    Args:
        tables: int64 (tables, 4): events and cases of a, events and cases of b.
        confidence: Between 0 and 1.

    Source: Fisher 1935 and Cornfield 1956, as stated in the manual of R's `fisher.test`.
    """
    found = np.full((3, len(tables)), np.nan)
    for block in _blocks(tables):
        found[:, block] = _limits(tables[block], confidence)
    return ConditionalLimits(*found)


def _limits(tables: np.ndarray, confidence: float) -> np.ndarray:
    """Value, low and high (3, tables) of tables that are worked out together."""
    seen, lowest, highest = tables[:, 0], _lowest(tables), _highest(tables)
    law = _Law.of(tables)
    tail = (1 - confidence) / 2
    found = np.stack([np.zeros(len(tables)), np.zeros(len(tables)), np.full(len(tables), np.inf)])
    found[0, seen == highest] = np.inf
    inside, above, below = (seen > lowest) & (seen < highest), seen > lowest, seen < highest
    found[0, inside] = _roots(law.mean_excess, inside)
    found[1, above] = _roots(lambda log_odds, at: law.upper_tail(log_odds, at) - tail, above)
    found[2, below] = _roots(lambda log_odds, at: tail - law.lower_tail(log_odds, at), below)
    found[:, lowest == highest] = np.nan
    return found


def _lowest(tables: np.ndarray) -> np.ndarray:
    return np.maximum(0, tables[:, 0] + tables[:, 2] - tables[:, 3])


def _highest(tables: np.ndarray) -> np.ndarray:
    return np.minimum(tables[:, 1], tables[:, 0] + tables[:, 2])


def _reach(tables: np.ndarray) -> np.ndarray:
    """How far from the count seen other counts still weigh something."""
    x, m, y, n = (column.astype(float) for column in tables.T)
    variance = 1 / (1 / (x + 1) + 1 / (m - x + 1) + 1 / (y + 1) + 1 / (n - y + 1))
    return np.ceil(_DEVIATIONS * np.sqrt(variance) + _MORE).astype(np.int64)


def _blocks(tables: np.ndarray) -> Iterator[np.ndarray]:
    """Positions of tables of about the same reach, few enough to be worked out together."""
    order = np.argsort(_reach(tables), kind="stable")
    widths = 2 * _reach(tables)[order] + 1
    start = 0
    while start < len(order):
        fit = np.arange(1, len(order) - start + 1) * widths[start:] <= _LARGEST_BLOCK
        end = start + max(1, int(fit.sum()))
        yield order[start:end]
        start = end


@dataclass(frozen=True)
class _Law:
    """Counts that events in a may take around the one seen: `away` [table, count] from it, log of their `weight`."""

    away: np.ndarray
    weight: np.ndarray

    @classmethod
    def of(cls, tables: np.ndarray) -> _Law:
        from scipy.special import gammaln

        x, m, y, n = (column[:, None] for column in tables.T)
        reach = int(_reach(tables).max(initial=0))
        away = np.arange(-reach, reach + 1)[None, :]
        cells = (x + away, m - x - away, y - away, n - y + away)
        possible = np.logical_and.reduce([cell >= 0 for cell in cells])
        ways = sum(gammaln(np.maximum(cell, 0) + 1.0) for cell in cells)
        return cls(away.astype(float), np.where(possible, -ways, -np.inf))

    def chances(self, log_odds: np.ndarray, at: np.ndarray) -> np.ndarray:
        tilted = self.weight[at] + log_odds[:, None] * self.away
        likelihood = np.exp(tilted - tilted.max(axis=1, keepdims=True))
        return np.asarray(likelihood / likelihood.sum(axis=1, keepdims=True))

    def mean_excess(self, log_odds: np.ndarray, at: np.ndarray) -> np.ndarray:
        return np.asarray((self.chances(log_odds, at) * self.away).sum(axis=1))

    def upper_tail(self, log_odds: np.ndarray, at: np.ndarray) -> np.ndarray:
        return np.asarray(self.chances(log_odds, at)[:, self.away[0] >= 0].sum(axis=1))

    def lower_tail(self, log_odds: np.ndarray, at: np.ndarray) -> np.ndarray:
        return np.asarray(self.chances(log_odds, at)[:, self.away[0] <= 0].sum(axis=1))


def _roots(rising: Callable[[np.ndarray, np.ndarray], np.ndarray], chosen: np.ndarray) -> np.ndarray:
    """Exponential of where a rising function of the log odds ratio is 0, for each chosen table."""
    from scipy.optimize import elementwise

    at = np.flatnonzero(chosen)
    if not len(at):
        return np.zeros(0)
    start = np.zeros(len(at))
    bracket = elementwise.bracket_root(
        rising, start - 1, start + 1, args=(at,), xmin=-_FARTHEST, xmax=_FARTHEST
    )
    return np.exp(elementwise.find_root(rising, bracket.bracket, args=(at,)).x)
