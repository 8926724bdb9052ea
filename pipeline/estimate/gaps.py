"""Rare events: how many cases lie between one and the next (g-chart)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.counts import RISK_UNIT


@dataclass(frozen=True)
class Gaps:
    """Runs of cases without event, each ended by an event; arrays by event in order.

    Attributes:
        length: Cases without event before it, since the event before or the beginning.
        as_short: Chance that the next event comes as soon or sooner among these patients.
        as_long: Chance that it takes as long or longer.
        since: Cases without event since the last one, and …
        as_long_since: … the chance that it takes as long or longer; 1 if there are none.
    """

    length: np.ndarray
    as_short: np.ndarray
    as_long: np.ndarray
    since: int
    as_long_since: float


@dataclass(frozen=True)
class GapLimits:
    """For gaps among patients of one risk: `low` is nan where even no gap at all is not rare enough."""

    low: float
    middle: float
    high: float


def gaps(outcome: np.ndarray, risk: np.ndarray) -> Gaps:
    """Gaps with their chances by the patients' own risks: Π (1 - p) over the cases without event.

    Of equal risks they are those of the geometric distribution (Benneyan 2001, Health Care Manag Sci 4:305, from
    memory).

    Args:
        outcome: int [case], 0 or 1, in order.
        risk: int [case] in 1/10,000, from 1 to 10,000.
    """
    at = np.flatnonzero(outcome)
    begin = np.concatenate([[0], at[:-1] + 1]) if len(at) else at
    after = int(at[-1]) + 1 if len(at) else 0
    with np.errstate(divide="ignore"):
        free = np.concatenate([[0.0], np.log1p(-risk / RISK_UNIT)])
    certain = np.concatenate([[0], np.cumsum(risk == RISK_UNIT)])
    total = np.cumsum(np.where(np.isinf(free), 0.0, free))
    return Gaps(
        at - begin,
        1 - _spared(total, certain, begin, at + 1),
        _spared(total, certain, begin, at),
        len(outcome) - after,
        float(_spared(total, certain, np.array([after]), np.array([len(outcome)]))[0]),
    )


def _spared(total: np.ndarray, certain: np.ndarray, begin: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Chance that no case from `begin` to before `end` has an event."""
    return np.where(certain[end] > certain[begin], 0.0, np.exp(total[end] - total[begin]))


def gap_limits(share: float, confidence: float) -> GapLimits:
    """Limits of the geometric distribution: beyond each lies at most half of what the confidence leaves.

    Args:
        share: Risk of each case, from 0 to 1; all nan at 0.
        confidence: Between 0 and 1.

    Returns:
        Gaps below `low` or above `high` are outside; `middle` is the median.
    """
    from scipy.stats import nbinom

    if not share > 0:
        return GapLimits(float("nan"), float("nan"), float("nan"))
    tail = (1 - confidence) / 2
    low, middle, high = (float(nbinom.ppf(each, 1, share)) for each in (tail, 0.5, 1 - tail))
    return GapLimits(low if low > 0 else float("nan"), middle, high)
