"""Run lengths against the whole system of equations, solved for one limit at a time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.run_length import CHARTS, lowest_limits, run_length, run_lengths, steps_of


def solved(size, chance, limit):
    """Mean cases until the limit from 0: (I - Q) L = 1, Q over the heights 0 to limit - 1."""
    moves = np.zeros((limit, limit))
    for height in range(limit):
        for step, own in zip(size, chance, strict=True):
            there = max(0, height + step)
            if there < limit:
                moves[height, there] += own
    return np.linalg.solve(np.eye(limit) - moves, np.ones(limit))[0]


def test_one_step_up_is_a_wait_for_one_event():
    assert run_lengths(steps_of(np.array([1, -1]), np.array([0.1, 0.9])), 1) == pytest.approx([10])


def test_a_fair_coin_by_hand():
    """Up or down one, held at 0: from 0 to a limit of n it takes n (n + 1) cases."""
    found = run_lengths(steps_of(np.array([1, -1]), np.array([0.5, 0.5])), 6)
    assert found == pytest.approx([2, 6, 12, 20, 30, 42])


kinds = st.lists(st.tuples(st.integers(-12, 9), st.floats(0.01, 1)), min_size=1, max_size=6)


@given(kinds, st.integers(1, 9), st.integers(1, 40))
def test_all_limits_at_once(rows, up, limit):
    size, chance = np.array([[*each] for each in [*rows, (up, 0.1)]]).T
    steps = steps_of(size.astype(int), chance / chance.sum())
    found = run_lengths(steps, limit)
    for at in range(1, limit + 1):
        known = solved(steps.size, steps.chance, at)
        if not 0 < known < 1e6:  # beyond, the equations are too near to singular for either
            return
        assert found[at - 1] == pytest.approx(known, rel=1e-8)
        assert run_length(steps, at) == pytest.approx(known, rel=1e-8)


def test_equal_steps_are_added_and_impossible_ones_dropped():
    found = steps_of(np.array([3, -1, 3, 7]), np.array([0.2, 0.6, 0.2, 0.0]))
    assert found.size.tolist() == [-1, 3]
    assert found.chance == pytest.approx([0.6, 0.4])


@pytest.mark.parametrize("size", [[-1], [0], [-2, 0]])
def test_a_chart_that_cannot_rise_never_asks(size):
    found = run_lengths(steps_of(np.array(size), np.full(len(size), 1 / len(size))), 3)
    assert np.isinf(found).all()
    assert len(found) == 3
    assert np.isinf(run_length(steps_of(np.array(size), np.full(len(size), 1 / len(size))), 3))


@pytest.mark.parametrize("limit", [1387, 1402, 2100])
def test_one_limit_alone_where_steps_up_are_long(limit):
    """Risks of 0.5 to 1.5 % on a lattice of 1/1000: steps of 678 to 688 up, 5 to 15 down, as charts of rare events have."""
    down = np.arange(5, 16)
    steps = steps_of(
        np.concatenate([693 - down, -down]), np.concatenate([down / 1000, 1 - down / 1000]) / len(down)
    )
    alone = run_length(steps, limit)
    assert alone == pytest.approx(run_lengths(steps, limit)[-1], rel=1e-9)
    assert alone == pytest.approx(solved(steps.size, steps.chance, limit), rel=1e-9)


def test_the_lowest_limit_where_the_run_is_long_enough():
    """A fair coin takes 2, 6, 12, 20, 30 cases to limits of 1 to 5; what cannot rise never asks, wherever it stands."""
    coin, falling = (
        steps_of(np.array([1, -1]), np.array([0.5, 0.5])),
        steps_of(np.array([-1]), np.array([1.0])),
    )
    assert lowest_limits([falling, coin, falling], 100, 12, 0) == [(100, np.inf), (3, 12.0), (100, np.inf)]
    assert lowest_limits([coin], 100, 12, 5) == [(5, 30.0)]
    assert lowest_limits([coin], 4, 1000, 0) == [(4, 20.0)]
    assert lowest_limits([], 4, 1000, 0) == []


def test_charts_treated_together_are_as_if_alone():
    """More than are treated at the same time, with steps of other lengths, ending at other limits: equal to the last bit."""
    draw = np.random.default_rng(4)
    several = []
    for _ in range(CHARTS + 9):
        down, risk = draw.integers(1, 9, 3), draw.uniform(0.05, 0.3, 3)
        several.append(
            steps_of(np.concatenate([20 - down, -down]), np.concatenate([risk, 1 - risk]) / len(down))
        )
    found = lowest_limits(several, 150, 60, 10)
    assert len({limit for limit, _ in found}) > 5
    for steps, (limit, length) in zip(several, found, strict=True):
        alone = run_lengths(steps, 150)
        enough = np.flatnonzero((alone >= 60) & (np.arange(1, 151) >= 10))
        assert (limit, length) == ((enough[0] + 1, alone[enough[0]]) if len(enough) else (150, alone[-1]))
