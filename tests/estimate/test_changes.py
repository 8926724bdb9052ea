"""Mean changes and their difference: by hand, and the corners."""

import numpy as np
import pytest
from scipy import stats

from pipeline.estimate.changes import Sums, change_difference, mean_change


def sums(*arms):
    """Of changes in whole units, an arm each."""
    hundredths = [[round(100 * each) for each in arm] for arm in arms]
    return Sums(
        np.array([len(arm) for arm in hundredths]),
        np.array([sum(arm) for arm in hundredths]),
        np.array([sum(each**2 for each in arm) for arm in hundredths]),
    )


def test_by_hand():
    """10, 20, 30 against 0, 2, 4, 6: means 20 and 3, variances 100 and 20/3.

    s²/m = 33.333, t²/n = 1.6667, together 35, root 5.91608; degrees of freedom 35² / (33.333²/2 + 1.6667²/3) =
    1225 / (555.556 + 0.926) = 2.20133. Student's t for 2.20133 lies between those of 2 (4.303) and 3 (3.182).
    """
    found = change_difference(sums([10, 20, 30]), sums([0, 2, 4, 6]), 0.95)
    assert found.value[0] == pytest.approx(17)
    reach = stats.t.ppf(0.975, 1225 / (555.5556 + 0.9259)) * 35**0.5
    assert 3.182 * 35**0.5 < reach < 4.303 * 35**0.5
    assert (found.low[0], found.high[0]) == pytest.approx((17 - reach, 17 + reach), rel=1e-6)


@pytest.mark.parametrize(
    ("a", "b"),
    [
        ([], [1, 2, 3]),
        ([5], [1, 2, 3]),
        ([5, 5, 5], [1, 2, 3]),
        ([5, 5], [3, 3]),
        ([], []),
    ],
    ids=["none", "one", "all alike", "alike in both", "nobody"],
)
def test_no_limits_without_spread_in_both(a, b):
    for first, second, sign in ((a, b, 1), (b, a, -1)):
        found = change_difference(sums(first), sums(second), 0.95)
        assert np.isnan([found.low[0], found.high[0]]).all()
        if a and b:
            assert found.value[0] == pytest.approx(sign * (np.mean(a) - np.mean(b)))
        else:
            assert np.isnan(found.value[0])


def test_the_difference_is_mirrored_and_wider_at_higher_confidence():
    a, b = sums([1, 4, 9.5, -3]), sums([2.25, 2.5])
    one, other, wider = (
        change_difference(a, b, 0.95), change_difference(b, a, 0.95), change_difference(a, b, 0.99),
    )  # fmt: skip
    assert (one.low[0], one.high[0]) == pytest.approx((-other.high[0], -other.low[0]))
    assert wider.low[0] < one.low[0] < one.value[0] < one.high[0] < wider.high[0]


def test_a_million_equal_changes_but_one_still_vary():
    """Whole numbers of any size: n Σx² - (Σx)² with n = 10⁶, all 10⁵ hundredths and one a hundredth more, is n - 1."""
    n, each = 10**6, 10**5
    almost = Sums(np.array([n]), np.array([n * each + 1]), np.array([(n - 1) * each**2 + (each + 1) ** 2]))
    assert almost.spread[0] == n - 1
    assert mean_change(almost, 0.95).high[0] > mean_change(almost, 0.95).low[0]
