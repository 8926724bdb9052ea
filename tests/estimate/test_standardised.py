"""Corners and properties of standardised rates; values from outside are in tests/external."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import CannotFinish
from pipeline.estimate.proportions import person_time_interval, proportion_interval
from pipeline.estimate.standardised import standardised_rate, standardised_share

band = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n), st.integers(1, 9)))
bands = st.lists(band, min_size=1, max_size=6)


def numbers(found):
    return float(found.rate), float(found.low), float(found.high)


@given(bands)
def test_a_share_lies_within_its_limits_within_0_and_1(each):
    rate, low, high = numbers(standardised_share(*np.array(each).T, 0.95))
    assert 0 <= low <= rate <= high <= 1


@given(bands)
def test_events_and_non_events_mirror_each_other(each):
    events, cases, standard = np.array(each).T
    rate, low, high = numbers(standardised_share(events, cases, standard, 0.95))
    mirrored = numbers(standardised_share(cases - events, cases, standard, 0.95))
    np.testing.assert_allclose(mirrored, (1 - rate, 1 - high, 1 - low), atol=1e-12)


@given(bands)
@pytest.mark.parametrize("standardise", [standardised_share, standardised_rate])
def test_more_confidence_is_wider_and_holds_the_rate(standardise, each):
    narrow, wide = (numbers(standardise(*np.array(each).T, confidence)) for confidence in (0.8, 0.99))
    assert 0 <= wide[1] <= narrow[1] <= narrow[0] <= narrow[2] <= wide[2]


@given(band)
def test_one_band_is_the_plain_interval(each):
    events, cases, standard = (np.array([number]) for number in each)
    wilson = proportion_interval(events, cases, "wilson", 0.95)
    found = standardised_share(events, cases, standard, 0.95)
    np.testing.assert_allclose(numbers(found), (each[0] / each[1], wilson.low[0], wilson.high[0]), atol=1e-12)
    exact = person_time_interval(events, cases, 0.95)
    found = standardised_rate(events, cases, standard, 0.95)
    np.testing.assert_allclose(numbers(found), (each[0] / each[1], exact.low[0], exact.high[0]), atol=1e-12)


def test_the_mix_moves_the_rate():
    """Young 1 of 10, old 6 of 10: at three old to one young 0.25 · 0.1 + 0.75 · 0.6 = 0.475."""
    for standardise in (standardised_share, standardised_rate):
        assert standardise([1, 6], [10, 10], [1, 3], 0.95).rate == pytest.approx(0.475)
        assert standardise([1, 6], [10, 10], [10, 30], 0.95).rate == pytest.approx(0.475)


@pytest.mark.parametrize("standardise", [standardised_share, standardised_rate])
def test_a_band_with_weight_and_nobody_in_it_is_not_estimable(standardise):
    events, cases = np.array([[1, 0], [1, 0], [0, 0]]), np.array([[10, 0], [10, 5], [0, 0]])
    found = standardise(events, cases, [1, 1], 0.95)
    for values in (found.rate, found.low, found.high):
        assert np.isnan(values).tolist() == [True, False, True]
    assert np.isfinite(numbers(standardise([1, 0], [10, 0], [1, 0], 0.95))).all()
    assert np.isnan(numbers(standardise([1, 0], [10, 5], [0, 0], 0.95))).all()


@pytest.mark.parametrize("standardise", [standardised_share, standardised_rate])
def test_no_event_at_all_still_has_an_upper_limit(standardise):
    rate, low, high = numbers(standardise([0, 0], [20, 30], [2, 3], 0.95))
    assert (rate, low) == (0, 0)
    assert 0.05 < high < 0.2


def test_many_groups_are_each_their_own():
    draw = np.random.default_rng(3)
    cases = draw.integers(1, 40, (30, 4))
    events = draw.integers(0, cases + 1)
    for standardise in (standardised_share, standardised_rate):
        together = standardise(events, cases, [1, 2, 3, 4], 0.95)
        single = [numbers(standardise(events[at], cases[at], [1, 2, 3, 4], 0.95)) for at in range(30)]
        np.testing.assert_allclose(np.stack([together.rate, together.low, together.high], 1), single)


@pytest.mark.parametrize(
    ("standardise", "events", "size", "standard"),
    [
        (standardised_share, [3], [2], [1]),
        (standardised_share, [1], [2], [-1]),
        (standardised_rate, [1], [0], [1]),
        (standardised_rate, [-1], [2], [1]),
    ],
)
def test_what_cannot_be_is_refused(standardise, events, size, standard):
    with pytest.raises(CannotFinish, match="Got"):
        standardise(events, size, standard, 0.95)
