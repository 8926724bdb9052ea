"""A slope over age bands: corners. Values are in tests/external."""

import numpy as np
import pytest

from pipeline.estimate import trend as trends
from pipeline.estimate.proportions import ImpossibleCounts
from pipeline.estimate.trend import trend


def of(events, cases, confidence=0.95, scores=None):
    found = trend(np.array([events]), np.array([cases]), confidence, scores)
    return found.slope[0], found.low[0], found.high[0], found.why[0]


CORNERS = {
    "no cases": ([0, 0, 0], [0, 0, 0], trends.ONE_BAND),
    "one band": ([0, 2, 0], [0, 9, 0], trends.ONE_BAND),
    "no events": ([0, 0, 0], [4, 9, 2], trends.NO_EVENTS),
    "all events": ([4, 9, 2], [4, 9, 2], trends.ALL_EVENTS),
    "only the oldest": ([0, 0, 2], [4, 9, 2], trends.SEPARATED),
    "some of the oldest": ([0, 0, 1], [4, 9, 2], trends.SEPARATED),
    "all of the youngest": ([4, 1, 0], [4, 9, 2], trends.SEPARATED),
    "one of two bands": ([0, 3], [10, 10], trends.SEPARATED),
}


@pytest.mark.parametrize("corner", CORNERS)
def test_what_has_no_slope_says_why(corner):
    events, cases, why = CORNERS[corner]
    *figures, said = of(events, cases)
    assert np.isnan(figures).all()
    assert said == why


def test_events_in_a_middle_band_alone_are_no_separation():
    slope, low, high, why = of([0, 3, 0], [10, 10, 10])
    assert (why, low < slope < high) == ("", True)
    assert slope == pytest.approx(0, abs=1e-8)


def test_two_bands_have_the_log_odds_ratio_as_slope():
    """1 of 10, then 4 of 10: (4·9)/(1·6) = 6."""
    assert of([1, 4], [10, 10])[0] == pytest.approx(np.log(6))


def test_a_step_twice_as_long_has_twice_the_slope():
    near, far = of([1, 2, 4], [10, 10, 10]), of([1, 2, 4], [10, 10, 10], scores=np.array([0.0, 2.0, 4.0]))
    assert np.array(near[:3]) == pytest.approx(2 * np.array(far[:3]))


def test_bands_without_cases_leave_a_gap():
    """From the first band to the third are two steps."""
    assert of([1, 0, 4], [10, 0, 10])[0] == pytest.approx(np.log(6) / 2)


def test_age_turned_round_turns_the_slope_round():
    slope, low, high, _ = of([1, 2, 5, 4], [12, 10, 15, 9])
    assert of([4, 5, 2, 1], [9, 15, 10, 12])[:3] == pytest.approx((-slope, -high, -low))


def test_more_confidence_is_wider():
    narrow, wide = (of([1, 2, 5], [12, 10, 15], confidence) for confidence in (0.8, 0.99))
    assert wide[1] < narrow[1] < narrow[2] < wide[2]


def test_many_rows_each_for_themselves():
    events, cases = np.array([[0, 0], [1, 4], [0, 3]]), np.full((3, 2), 10)
    found = trend(events, cases, 0.95)
    assert found.slope[1] == pytest.approx(np.log(6))
    assert list(found.why) == [trends.NO_EVENTS, "", trends.SEPARATED]


def test_impossible_counts_raise():
    with pytest.raises(ImpossibleCounts):
        trend(np.array([[3, 0]]), np.array([[2, 5]]), 0.95)
