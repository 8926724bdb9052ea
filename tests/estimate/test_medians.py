"""The median and the ranks of its limits."""

import numpy as np
import pytest

from pipeline.estimate.medians import median_of

#: n → rank of the limits at 95 %, counted from either end, as printed in tables of the sign test's interval.
RANKS = {6: 1, 8: 1, 9: 2, 10: 2, 12: 3, 15: 4, 20: 6, 25: 8, 30: 10}


@pytest.mark.parametrize("n", RANKS)
def test_ranks_of_the_limits(n):
    """The numbers 1 to n, in any order: a number is its rank."""
    found = median_of(np.random.default_rng(n).permutation(np.arange(1, n + 1)), 0.95)
    assert (found.value, found.low, found.high) == ((n + 1) / 2, RANKS[n], n + 1 - RANKS[n])


@pytest.mark.parametrize("n", [1, 2, 5])
def test_so_few_bear_no_limits(n):
    """All n on one side of the median: 2 × 0.5⁵ = 0.0625, above 0.05."""
    found = median_of(np.arange(1, n + 1), 0.95)
    assert found.value == (n + 1) / 2
    assert np.isnan([found.low, found.high]).all()


def test_nobody_has_no_median():
    found = median_of(np.zeros(0, np.int64), 0.95)
    assert np.isnan([found.value, found.low, found.high]).all()
