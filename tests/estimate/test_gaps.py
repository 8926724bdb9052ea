"""Cases between events, by hand."""

import numpy as np
import pytest
from scipy.stats import geom

from pipeline.estimate.gaps import gap_limits, gaps


def test_by_hand():
    """Risks of one tenth: 2 without, event, event, 1 without, event, 3 without."""
    found = gaps(np.array([0, 0, 1, 1, 0, 1, 0, 0, 0]), np.full(9, 1000))
    assert found.length.tolist() == [2, 0, 1]
    assert found.as_short == pytest.approx([1 - 0.9**3, 0.1, 1 - 0.9**2])
    assert found.as_long == pytest.approx([0.9**2, 1, 0.9])
    assert found.since == 3
    assert found.as_long_since == pytest.approx(0.9**3)


def test_own_risks_count():
    found = gaps(np.array([0, 0, 1]), np.array([5000, 1000, 2000]))
    assert found.as_long == pytest.approx([0.5 * 0.9])
    assert found.as_short == pytest.approx([1 - 0.5 * 0.9 * 0.8])


def test_no_events():
    found = gaps(np.zeros(4, int), np.full(4, 1000))
    assert len(found.length) == len(found.as_short) == len(found.as_long) == 0
    assert (found.since, found.as_long_since) == (4, pytest.approx(0.9**4))


def test_no_cases():
    found = gaps(np.zeros(0, int), np.zeros(0, int))
    assert len(found.length) == 0
    assert (found.since, found.as_long_since) == (0, 1)


def test_all_events_and_certain_ones():
    found = gaps(np.ones(3, int), np.array([1000, 10_000, 1000]))
    assert found.length.tolist() == [0, 0, 0]
    assert found.as_short == pytest.approx([0.1, 1, 0.1])
    assert found.as_long.tolist() == [1, 1, 1]
    assert found.since == 0


def test_a_certain_event_that_did_not_happen():
    found = gaps(np.array([0, 0, 1]), np.array([1000, 10_000, 1000]))
    assert found.as_long.tolist() == [0]
    assert found.as_short.tolist() == [1]


@pytest.mark.parametrize(("share", "confidence"), [(0.2, 0.95), (0.02, 0.95), (0.01, 0.998), (0.0005, 0.998)])
def test_limits_are_those_of_the_geometric_distribution(share, confidence):
    found = gap_limits(share, confidence)
    tail = (1 - confidence) / 2
    assert geom.sf(found.high + 1, share) <= tail < geom.sf(found.high, share)
    if np.isnan(found.low):
        assert share > tail  # even an event at once is not rare
    else:
        assert geom.cdf(found.low, share) <= tail < geom.cdf(found.low + 1, share)
    assert found.middle == geom.median(share) - 1


def test_no_risk_no_limits_and_certainty():
    assert np.isnan([gap_limits(0, 0.95).low, gap_limits(0, 0.95).middle, gap_limits(0, 0.95).high]).all()
    certain = gap_limits(1, 0.95)
    assert np.isnan(certain.low)
    assert (certain.middle, certain.high) == (0, 0)
