"""Ratios drawn towards 1: by hand where the shape is known, and never beyond what the counts bear."""

import numpy as np
import pytest
from scipy.special import gammaln

from pipeline.estimate.steadied import FEWEST_UNITS, _shape, steadied_ratios

EXPECTED = np.full(10, 4.0)
APART = np.array([0, 1, 1, 2, 3, 4, 5, 6, 8, 10])  # mean 4, variance 10.0: more than Poisson's 4


def test_drawn_towards_one_and_in_order():
    found = steadied_ratios(APART, EXPECTED, 0.95)
    raw = APART / EXPECTED
    assert found.spread > 0
    assert (np.abs(found.value - 1) < np.abs(raw - 1))[raw != 1].all()
    assert (np.diff(found.value) >= 0).all()
    assert ((found.low < found.value) & (found.value < found.high)).all()


def test_the_shape_is_the_likeliest():
    """A grid of shapes: none makes the counts likelier (negative binomial, from its formula)."""

    def height(a):
        return (gammaln(a + APART) - gammaln(a) + a * np.log(a / (a + 4)) + APART * np.log(4 / (a + 4))).sum()

    grid = np.exp(np.linspace(-3, 6, 2001))
    best = grid[np.argmax([height(a) for a in grid])]
    found = steadied_ratios(APART, EXPECTED, 0.95)
    assert found.spread == pytest.approx(best**-0.5, rel=0.005)
    assert found.value == pytest.approx((best + APART) / (best + EXPECTED), rel=0.005)


def test_no_more_apart_than_by_chance():
    """All exactly as expected: no spread, every ratio 1, and no limits that would claim certainty."""
    found = steadied_ratios(np.full(10, 4), EXPECTED, 0.95)
    assert found.spread == 0
    assert (found.value == 1).all()
    assert np.isnan(np.concatenate([found.low, found.high])).all()


@pytest.mark.parametrize("units", [0, 1, FEWEST_UNITS - 1])
def test_too_few_units(units):
    found = steadied_ratios(APART[:units], EXPECTED[:units], 0.95)
    assert len(found.value) == units
    assert np.isnan(found.value).all()
    assert np.isnan(found.spread)


def test_no_events_anywhere():
    found = steadied_ratios(np.zeros(10, int), EXPECTED, 0.95)
    assert (found.value <= 1).all()
    assert (found.value >= 0).all()


def test_five_units_would_often_show_no_spread_at_all():
    """Project design notes: with five surgeons the likeliest spread is none in a third of samples, though there is one."""
    draw = np.random.default_rng(4)
    expected = np.full(5, 4.0)
    none = [np.isinf(_shape(draw.poisson(expected * draw.gamma(8, 1 / 8, 5)), expected)) for _ in range(200)]
    assert 0.2 < np.mean(none) < 0.6
