"""How far a share may lie from what is expected by chance alone, at each number of cases: exact, in whole events."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

INNER, OUTER = 0.95, 0.998


@dataclass(frozen=True)
class ChanceSteps:
    """Limits by number of cases; all arrays of one length.

    Attributes:
        cases: Whole numbers, rising.
        low, high: The fewest and the most events that chance alone gives, as shares of the cases.
    """

    cases: np.ndarray
    low: np.ndarray
    high: np.ndarray


def chance_steps(share: float, cases: np.ndarray, confidence: float) -> ChanceSteps:
    """Quantiles of the binomial distribution, by the rule that the limits of single surgeons follow.

    The most events is the fewest whole number with a chance of no more of at least (1 + confidence) / 2, the fewest
    the same at (1 - confidence) / 2. Beyond either lies at most half of what the confidence leaves.

    Args:
        share: Expected in every case, from 0 to 1.
        cases: int, at least 1 each.
        confidence: Such as 0.95 and 0.998.
    """
    from scipy.stats import binom

    number = np.asarray(cases)
    if not 0 < share < 1:
        flat = np.full(number.shape, float(share))
        return ChanceSteps(number, flat, flat)
    low, high = (
        binom.ppf(chance, number, share) / number for chance in ((1 - confidence) / 2, (1 + confidence) / 2)
    )
    return ChanceSteps(number, low, high)
