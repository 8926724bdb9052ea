"""Exact limits, against scipy.stats and against sums of the binomial formula."""

from __future__ import annotations

from math import comb

import numpy as np
import pytest
from scipy.stats import beta, binom

from pipeline.scorecard.limits import quantile, share_limits


@pytest.mark.parametrize("rows", [1, 7, 40, 1000, 100_000])
@pytest.mark.parametrize("share", [0.0, 1e-6, 0.01, 0.3, 0.999, 1.0])
@pytest.mark.parametrize("point", [0.001, 0.5, 0.999])
def test_quantiles_are_those_of_scipy(rows: int, share: float, point: float) -> None:
    found = quantile(point, np.array([float(rows)]), np.array([share]))
    assert found.tolist() == [max(0.0, float(binom.ppf(point, rows, share)))]


def test_a_quantile_by_hand() -> None:
    """P(X <= k) of 10 trials at one half, summed from the formula: 0.999 is first reached at 9."""
    below = [sum(comb(10, j) for j in range(k + 1)) / 2**10 for k in range(11)]
    first = next(k for k in range(11) if below[k] >= 0.999)
    assert first == 9
    assert quantile(0.999, np.array([10.0]), np.array([0.5])).tolist() == [first]


def test_the_limits_lie_around_the_exact_interval_of_the_earlier_share() -> None:
    low, high = share_limits(np.array([40]), np.array([1000]), np.array([200]))
    assert low[0] == binom.ppf(0.001, 200, beta.ppf(0.025, 40, 961)) / 200
    assert high[0] == binom.ppf(0.999, 200, beta.ppf(0.975, 41, 960)) / 200


def test_few_rows_never_stand_out() -> None:
    """After ten rows without a fault, three in ten are still no wonder: the earlier share may be 31 %."""
    low, high = share_limits(np.array([0, 0, 0, 5]), np.array([10, 0, 3, 5]), np.array([10, 4, 20, 3]))
    assert high[0] >= 0.6
    assert (low[1], high[1]) == (0.0, 1.0)
    assert high[2] == 1.0 or high[2] > 0.9
    assert low[3] <= 0.34
