"""Regressions on grouped counts: corners by hand, and that grouping changes nothing."""

import warnings

import numpy as np
import pytest
from scipy.special import logit

from pipeline.estimate.logistic import (
    TURNS,
    expit,
    firth_fit,
    indicator_matrix,
    is_separated,
    logistic_fit,
    with_all_expected,
)

TWO_GROUPS = np.array([[1.0, 0.0], [1.0, 1.0]])


def test_the_commonest_level_has_no_column_and_missing_has_one():
    levels = np.array([[-1, 0], [0, 0], [0, 1], [2, 1]])
    found = indicator_matrix(levels, np.array([5, 20, 20, 5]))
    # first covariate: 0 is commonest, so -1 and 2; second: 25 each, so the lower one is left out
    assert found.tolist() == [[1, 1, 0, 0], [1, 0, 0, 0], [1, 0, 0, 1], [1, 0, 1, 1]]


def test_a_level_without_cases_has_no_column():
    found = indicator_matrix(np.array([[0], [1], [2]]), np.array([5, 4, 0]))
    assert found.shape == (3, 2)
    assert found[:, 1].tolist() == [0, 1, 0]


def test_covariates_missing_together_are_told_once():
    levels = np.array([[0, 0], [1, 0], [0, 1], [-1, -1]])
    assert indicator_matrix(levels, np.full(4, 9)).shape == (4, 4)
    assert indicator_matrix(levels[:, :1], np.full(4, 9)).shape == (4, 3)


def test_one_group_is_the_log_odds_of_its_share():
    found = logistic_fit(np.ones((1, 1)), np.array([30]), np.array([120]))
    assert found.converged
    assert found.coefficients[0] == pytest.approx(logit(0.25))


def test_two_groups_by_hand():
    """Odds 10/30 and 20/20."""
    found = logistic_fit(TWO_GROUPS, np.array([10, 20]), np.array([40, 40]))
    assert found.coefficients == pytest.approx([np.log(1 / 3), np.log(3)])


@pytest.mark.parametrize("fit", [logistic_fit, firth_fit])
def test_grouping_changes_nothing(fit):
    draw = np.random.default_rng(3)
    cases = draw.integers(4, 12, 6)
    matrix = np.column_stack([np.ones(6), draw.integers(0, 2, (6, 2))]).astype(float)
    events = draw.integers(1, cases)
    ungrouped = np.concatenate([np.arange(n) < e for n, e in zip(cases, events, strict=True)]).astype(int)
    single = fit(np.repeat(matrix, cases, axis=0), ungrouped, np.ones(cases.sum(), int))
    assert fit(matrix, events, cases).coefficients == pytest.approx(single.coefficients, abs=1e-7)


@pytest.mark.parametrize(
    ("events", "cases"), [([0, 3], [20, 25]), ([7, 12], [7, 30]), ([0, 9], [12, 9]), ([4, 9], [12, 9])]
)
def test_firth_adds_half_to_each_cell_of_two_groups(events, cases):
    """Heinze & Schemper 2002: of a two-by-two table, the log odds with half a case added everywhere."""
    events, cases = np.array(events), np.array(cases)
    odds = np.log((events + 0.5) / (cases - events + 0.5))
    found = firth_fit(TWO_GROUPS, events, cases)
    assert found.converged
    assert found.coefficients == pytest.approx([odds[0], odds[1] - odds[0]], abs=1e-7)


def test_as_many_are_expected_as_were_seen_once_the_intercept_is_moved():
    matrix, events, cases = TWO_GROUPS, np.array([0, 3]), np.array([20, 25])
    own = firth_fit(matrix, events, cases)
    assert (cases * expit(matrix @ own.coefficients)).sum() == pytest.approx(20 * 0.5 / 21 + 25 * 3.5 / 26)
    moved = with_all_expected(own, matrix, events, cases)
    assert (cases * expit(matrix @ moved.coefficients)).sum() == pytest.approx(3)
    assert moved.coefficients[1] == own.coefficients[1]


def test_firth_says_when_it_does_not_come_to_rest(monkeypatch):
    assert TURNS > 50
    monkeypatch.setattr("pipeline.estimate.logistic.TURNS", 1)
    assert not firth_fit(TWO_GROUPS, np.array([0, 3]), np.array([20, 25])).converged


@pytest.mark.parametrize(
    ("events", "separated"),
    [
        ([5, 0], True),  # nothing in one group
        ([5, 10], True),  # nothing else in one group
        ([0, 10], True),  # wholly
        ([5, 5], False),
        ([1, 9], False),
    ],
)
def test_separated_two_groups(events, separated):
    assert is_separated(TWO_GROUPS, np.array(events), np.array([10, 10])) is separated


def test_separated_by_a_sum_of_two_covariates_only():
    """Each level has cases of both kinds, but whoever has both marks has the event, and nobody else."""
    matrix = np.array([[1, 0, 0], [1, 0, 1], [1, 1, 0], [1, 1, 1]], dtype=float)
    assert is_separated(matrix, np.array([0, 0, 0, 5]), np.full(4, 5))
    assert not is_separated(matrix, np.array([0, 5, 5, 0]), np.full(4, 5))
    assert not is_separated(matrix, np.array([1, 1, 0, 5]), np.full(4, 5))


def test_separation_is_what_makes_the_usual_fit_run_away():
    """A second opinion: on random small tables, the largest coefficient is beyond 15 exactly where separated."""
    draw = np.random.default_rng(8)
    matrix = np.array([[1, a, b] for a in (0, 1) for b in (0, 1)], dtype=float)
    kinds = set()
    for _ in range(60):
        cases = draw.integers(1, 6, 4)
        events = draw.binomial(cases, draw.uniform(0.05, 0.6))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit = logistic_fit(matrix, events, cases)
        runs_away = np.abs(fit.coefficients).max() > 15
        assert is_separated(matrix, events, cases) == runs_away
        kinds.add(bool(runs_away))
    assert kinds == {True, False}


def test_large_numbers_do_not_overflow():
    assert expit(np.array([-1000.0, 0.0, 1000.0])).tolist() == [0, 0.5, 1]
