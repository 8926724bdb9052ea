"""Running charts case by case, and how their limits come about."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.counts import RISK_UNIT
from pipeline.estimate.monitoring import (
    BLOCK,
    chart,
    expected_false_alarms,
    heights,
    lattice_of,
    risk_mix,
    scores,
)
from pipeline.estimate.run_length import run_lengths


def one_by_one(sizes, limit):
    height, found = 0, []
    for step in sizes:
        height = max(0, height + step)
        found.append(height)
        if height >= limit:
            height = 0
    return found


@given(st.lists(st.integers(-6, 9), max_size=200), st.integers(1, 30))
def test_heights_are_those_of_going_one_by_one(sizes, limit):
    assert heights(np.array(sizes, np.int64), limit).tolist() == one_by_one(sizes, limit)


def test_heights_over_more_cases_than_are_taken_at_once():
    sizes = np.random.default_rng(9).choice([-1, 12], 2 * BLOCK + 77, p=[0.94, 0.06])
    assert heights(sizes, 40).tolist() == one_by_one(sizes.tolist(), 40)


def test_a_chart_by_hand():
    """Risk 10 % for all: score log 2 - log 1.1 = 0.5978 with event, -0.0953 without; in hundredths 69 - 10 and -10."""
    outcome = np.array([0, 1, 1, 0, 1, 1, 1, 1, 1, 0])
    found = chart(outcome, np.full(10, 1000), wanted=200)
    assert found.unit == 0.01
    below = [0, 59, 118, 108, 167]
    assert found.height[:5] * 100 == pytest.approx(below)
    assert found.limit > 2 * 0.69
    first = int(np.flatnonzero(found.asks)[0])
    assert found.height[first] >= found.limit
    assert found.height[first + 1] == pytest.approx(0.59 if outcome[first + 1] else 0)
    assert found.seen_less_expected == pytest.approx(np.cumsum(outcome) - 0.1 * np.arange(1, 11))


def test_the_limit_is_the_lowest_that_runs_long_enough():
    risk = np.tile([300, 800, 2000], 30)
    found = chart(np.zeros(90, int), risk, wanted=500)
    lattice = lattice_of(risk / RISK_UNIT)
    lengths = run_lengths(risk_mix(lattice, risk / RISK_UNIT), round(found.limit / found.unit))
    assert lengths[-1] == pytest.approx(found.run_length)
    assert lengths[-1] >= 500 > lengths[-2]


def test_a_longer_run_is_bought_by_later_discovery():
    risk = np.full(200, 800)
    short, long = (chart(np.zeros(200, int), risk, wanted=wanted) for wanted in (300, 3000))
    assert short.limit < long.limit
    assert short.run_length_if_real < long.run_length_if_real
    assert short.run_length_if_real < short.run_length / 3


def test_two_events_in_a_row_never_ask_for_a_check():
    """Even of patients who hardly ever have one, and however short a run would do."""
    found = chart(np.array([1, 1, 0, 1, 1, 1]), np.full(6, 5), wanted=1)
    assert found.asks.tolist() == [False, False, False, True, False, False]


def test_twice_the_odds_are_asked_about_sooner():
    draw = np.random.default_rng(5)
    risk = draw.integers(200, 2000, 4000)
    well = draw.random(4000) < risk / RISK_UNIT
    odds = 2 * risk / (RISK_UNIT - risk)
    ill = draw.random(4000) < odds / (1 + odds)
    assert chart(ill.astype(int), risk).asks.sum() > 4 * max(1, chart(well.astype(int), risk).asks.sum())


def test_cases_of_high_risk_move_the_chart_less():
    event, none = scores(np.array([0.02, 0.5]))
    assert event[0] > event[1]
    assert none[0] > none[1]
    found = chart(np.array([1, 1]), np.array([200, 5000]))
    assert found.height[0] > found.height[1] - found.height[0]


@pytest.mark.parametrize("risk", [0.3, 0.05, 0.029, 0.02, 0.0149, 0.009, 0.005, 0.002, 0.0005, 0.0001])
def test_rounding_never_lets_a_chart_climb_while_all_is_well(risk):
    lattice = lattice_of(np.array([risk]))
    steps = risk_mix(lattice, np.array([risk]))
    drift = (steps.size * steps.chance).sum() * lattice.unit
    truth = float(np.dot(np.ravel(scores(np.array([risk]))), [risk, 1 - risk]))
    assert truth < 0
    assert drift < 0
    if risk >= 0.005:
        assert drift == pytest.approx(truth, abs=0.8 * abs(truth))


def test_why_a_hundredth_is_too_coarse_for_rare_events():
    """1.49 % scores -0.0148 without event. As -0.01 a case would raise the chart on average."""
    risk = 0.0149
    assert risk * 0.69 - 0.01 > 0
    assert lattice_of(np.array([risk])).unit == 0.002


def test_no_cases_no_limit():
    found = chart(np.zeros(0, int), np.zeros(0, int))
    assert len(found.height) == len(found.asks) == 0
    assert np.isnan([found.limit, found.run_length, found.run_length_if_real]).all()


def test_cases_certain_of_an_event_tell_nothing():
    found = chart(np.ones(5, int), np.full(5, RISK_UNIT))
    assert np.isnan(found.limit)
    assert not found.asks.any()
    assert found.seen_less_expected.tolist() == [0] * 5


@pytest.mark.parametrize("outcome", [0, 1])
def test_no_events_and_all_events(outcome):
    found = chart(np.full(50, outcome), np.full(50, 500))
    assert found.asks.any() == bool(outcome)
    assert np.isfinite(found.height).all()
    assert found.height.max() == 0 or outcome == 1


def test_false_alarms_of_all_charts_together():
    assert expected_false_alarms([100, 50, 30], [1000, 200, float("nan")]) == pytest.approx(0.35)
    assert expected_false_alarms([], []) == 0
