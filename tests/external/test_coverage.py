"""How often intervals hold the truth, summed over every outcome that can come: no drawing, no tolerance.

Shares stand in test_estimates.py. What is exact (Garwood's limits, the conditional limits of an odds ratio, the limits
around surgeons) must hold it at least as often as it says, whatever the truth; Newcombe's difference only on the whole
(Newcombe 1998, Stat Med 17:873 finds 0.96 on average: from memory).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import binom, nchypergeom_fisher, poisson

from pipeline.estimate.person_time import poisson_interval
from pipeline.estimate.surgeons import OUTSIDE_95, OUTSIDE_998, RiskHistogram, surgeon_figures
from pipeline.estimate.two_arms import Arms, odds_ratio, risk_difference

SIZES = ((10, 10), (21, 27), (20, 50), (100, 100))
RISKS = (0.02, 0.05, 0.10, 0.25, 0.50)


def every_outcome(m: int, n: int) -> Arms:
    x, y = (grid.ravel() for grid in np.meshgrid(np.arange(m + 1), np.arange(n + 1), indexing="ij"))
    return Arms(x, np.full_like(x, m), y, np.full_like(y, n))


def test_coverage_of_the_difference() -> None:
    covered = []
    for m, n in SIZES:
        arms = every_outcome(m, n)
        found = risk_difference(arms, 0.95)
        for p, q in itertools.product(RISKS, RISKS):
            chance = binom.pmf(arms.events_a, m, p) * binom.pmf(arms.events_b, n, q)
            holds = (found.low <= p - q + 1e-12) & (p - q - 1e-12 <= found.high)
            assert chance.sum() == pytest.approx(1)
            covered.append(chance[holds].sum())
    assert len(covered) == 100
    assert 0.95 <= np.mean(covered) <= 0.98
    assert min(covered) >= 0.93


@pytest.mark.parametrize("confidence", [0.90, 0.95, 0.99])
def test_coverage_of_counts_over_time(confidence: float) -> None:
    """Expected counts from 0.05 to 30; beyond 150 nothing that matters can come."""
    events = np.arange(150)
    found = poisson_interval(events, np.ones(150), "garwood", confidence)
    for mean in np.linspace(0.05, 30, 300):
        holds = (found.low <= mean) & (mean <= found.high)
        assert poisson.pmf(events, mean)[holds].sum() >= confidence


def test_coverage_of_odds_ratios_given_the_margins() -> None:
    """2 to 10 events in 21 against 27 cases: of every table with these margins, by Fisher's noncentral distribution."""
    for events, true in itertools.product(range(2, 11), (0.2, 1.0, 1.5, 6.0)):
        in_a = np.arange(max(0, events - 27), min(21, events) + 1)
        found = odds_ratio(Arms(in_a, np.full_like(in_a, 21), events - in_a, np.full_like(in_a, 27)), 0.95)
        high = np.where(np.isnan(found.high), np.inf, found.high)
        holds = (found.low <= true * (1 + 1e-9)) & (true * (1 - 1e-9) <= high)
        assert nchypergeom_fisher.pmf(in_a, 48, 21, events, true)[holds].sum() >= 0.95


@pytest.mark.parametrize(
    ("cases", "risk"), list(itertools.product((10, 25, 60, 200), (100, 500, 1500, 4000)))
)
def test_false_calls_of_surgeons_who_are_as_expected(cases: int, risk: int) -> None:
    """Beyond the limits in at most 5 of 100 and 2 of 1000, if every patient has the risk that is expected."""
    events = np.arange(cases + 1)
    rows = np.arange(cases + 1)
    histogram = RiskHistogram(rows, np.full(cases + 1, risk), np.full(cases + 1, cases), cases + 1)
    family, named = np.zeros(cases + 1, np.int64), np.ones(cases + 1, bool)
    found = surgeon_figures(histogram, events, family, named, 0.95)
    chance = binom.pmf(events, cases, risk / 10_000)
    outer = found.against_limits == OUTSIDE_998
    assert chance[outer].sum() <= 0.002
    assert chance[outer | (found.against_limits == OUTSIDE_95)].sum() <= 0.05
