"""The median of few numbers with limits that assume nothing of how they are distributed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Median:
    """In the unit of the numbers; nan without any, limits nan where so few cannot bear them."""

    value: float
    low: float
    high: float


def median_of(values: np.ndarray, confidence: float) -> Median:
    """The middle number, or half-way between the two in the middle, from the r-th lowest to the r-th highest.

    How many of n numbers lie below the true median follows the binomial distribution of n and one half. r is the highest
    rank whose tail keeps within half of 1 - confidence; below six numbers there is none at 95 %.

    Source: Thompson 1936, Ann Math Stat 7:122 (from memory).
    """
    from scipy.special import bdtr

    n = len(values)
    if not n:
        return Median(np.nan, np.nan, np.nan)
    in_order = np.sort(values)
    value = float(in_order[(n - 1) // 2] + in_order[n // 2]) / 2
    rank = int((bdtr(np.arange(n // 2 + 1), n, 0.5) <= (1 - confidence) / 2).sum())
    if not rank:
        return Median(value, np.nan, np.nan)
    return Median(value, float(in_order[rank - 1]), float(in_order[n - rank]))
