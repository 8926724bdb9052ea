"""Surgeons set against what is expected of their patients."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, chi2

from pipeline.counts import RISK_UNIT
from pipeline.estimate.proportions import ImpossibleCounts, proportion_interval
from pipeline.estimate.risk_model import risk_model
from pipeline.estimate.surgeon_words import CHECK, NEITHER, surgeon_sentence
from pipeline.estimate.surgeons import (
    INSIDE,
    OUTSIDE_95,
    OUTSIDE_998,
    TOO_FEW,
    RiskHistogram,
    adjusted,
    surgeon_figures,
)


def figures(rows, events, *, family=None, named=None):
    """Each row: a list of (risk in 1/10,000, cases)."""
    listed = [(at, risk, cases) for at, own in enumerate(rows) for risk, cases in own]
    row, risk, cases = np.array(listed, np.int64).reshape(-1, 3).T
    return surgeon_figures(
        RiskHistogram(row, risk, cases, len(rows)),
        np.array(events, np.int64),
        np.zeros(len(rows), np.int64) if family is None else np.array(family),
        np.ones(len(rows), bool) if named is None else np.array(named),
        0.95,
    )


def test_equal_crude_rates_and_different_ages_give_different_ratios():
    """Both 6 of 40. The young have 10 of 200 in the department, the old 60 of 200: expected 2 and 12."""
    model = risk_model(np.array([[0, 0], [0, 1]]), 0, 1, np.array([10, 60]), np.array([200, 200]), 0.95)
    young, old = model.risk
    found = figures([[(young, 40)], [(old, 40)]], [6, 6])
    assert found.expected == pytest.approx([2, 12])
    assert found.ratio.value == pytest.approx([3, 0.5])
    assert found.against_limits.tolist() == [OUTSIDE_95, OUTSIDE_95]


def test_ratio_has_the_limits_of_the_events():
    found = figures([[(600, 14)]], [2])
    assert found.expected[0] == pytest.approx(0.84)
    assert found.ratio.low[0] == pytest.approx(chi2.ppf(0.025, 4) / 2 / 0.84)
    assert found.ratio.high[0] == pytest.approx(chi2.ppf(0.975, 6) / 2 / 0.84)
    assert [found.limits_95.low[0], found.limits_95.high[0]] == [0, 3]
    assert found.against_limits[0] == INSIDE


@pytest.mark.parametrize(
    ("events", "where"), [(0, INSIDE), (3, INSIDE), (4, OUTSIDE_95), (5, OUTSIDE_998), (14, OUTSIDE_998)]
)
def test_outside_is_beyond_a_limit(events, where):
    """Of 14 at 6 %: 3 is the limit at 95 % and 4 at 99.8 %, by the binomial distribution function."""
    assert binom.cdf(3, 14, 0.06) > 0.975 > binom.cdf(2, 14, 0.06)
    assert binom.cdf(4, 14, 0.06) > 0.999 > binom.cdf(3, 14, 0.06)
    assert figures([[(600, 14)]], [events]).against_limits[0] == where


def test_fewer_than_ten_cases_are_counts_only():
    found = figures([[(600, 9)], [(600, 10)]], [1, 1])
    assert found.cases.tolist() == [9, 10]
    assert found.against_limits.tolist() == [TOO_FEW, INSIDE]
    estimates = [
        found.expected, found.ratio.value, found.ratio.low, found.ratio.high, found.limits_95.low,
        found.limits_95.high, found.limits_998.low, found.limits_998.high, found.p_value, found.q_value, found.as_many,
    ]  # fmt: skip
    assert np.isnan([each[0] for each in estimates]).all()
    assert not np.isnan([each[1] for each in estimates]).any()


def test_limits_without_the_own_cases():
    """Expected 5 of 50 at 10 % each; 20 events and 2. Without the own cases the first is held against 4 % of 50: chance
    gives at most 5 or 7 there. The second against 40 %: 2 of 50 lie below what chance gives, though inside at 10 %."""
    assert binom.cdf(7, 50, 0.04) > 0.999
    assert binom.cdf(2, 50, 0.4) < 0.001
    assert binom.cdf(2, 50, 0.1) > 0.025
    found = figures([[(1000, 50)], [(1000, 50)]], [20, 2])
    assert found.against_limits.tolist() == [OUTSIDE_998, INSIDE]
    assert found.without_own.tolist() == [OUTSIDE_998, OUTSIDE_998]


def test_the_only_surgeon_cannot_be_held_against_others():
    found = figures([[(1000, 50)], [(1000, 5)]], [20, 1], family=[0, 1])
    assert found.without_own.tolist() == [None, TOO_FEW]


def test_others_without_an_event_leave_almost_no_chance():
    """Risks are whole ten-thousandths of at least 1, so one event in 50 still lies inside 99.8 %, three do not."""
    found = figures([[(1000, 50)], [(1000, 50)]], [3, 0])
    assert binom.cdf(1, 50, 1e-4) > 0.999
    assert found.without_own.tolist() == [OUTSIDE_998, INSIDE]


def test_a_surgeon_without_cases():
    assert figures([[(600, 0)]], [0]).against_limits.tolist() == [TOO_FEW]


def test_one_surgeon():
    found = figures([[(600, 50)]], [3])
    assert found.q_value[0] == pytest.approx(found.p_value[0])
    assert np.isnan(found.steadied.value[0])


@pytest.mark.parametrize("events", [0, 20])
def test_none_and_all(events):
    found = figures([[(600, 20)]], [events])
    assert found.ratio.value[0] == pytest.approx(events / 1.2)
    assert found.ratio.low[0] <= found.ratio.value[0] < found.ratio.high[0]
    assert 0 < found.p_value[0] <= 1 or events == 20
    assert (found.ratio.low[0] == 0) == (events == 0)


def test_more_events_than_cases_are_a_fault():
    with pytest.raises(ImpossibleCounts):
        figures([[(600, 14)]], [15])
    with pytest.raises(ImpossibleCounts):
        figures([[(600, 14)]], [-1])


def test_steadied_only_from_eight_surgeons_with_ten_cases():
    rows, events = [[(2000, 30)]] * 8, [1, 2, 4, 6, 6, 9, 12, 14]
    assert not np.isnan(figures(rows, events).steadied.value).any()
    assert np.isnan(figures(rows[:7], events[:7]).steadied.value).all()
    small = figures([*rows[:7], [(2000, 9)]], [*events[:7], 2])
    assert np.isnan(small.steadied.value).all()


def test_cases_without_a_surgeon_are_compared_with_nobody():
    rows, events = [[(2000, 30)]] * 9, [1, 2, 4, 6, 6, 9, 12, 14, 20]
    found = figures(rows, events, named=[True] * 8 + [False])
    assert found.against_limits[8] == OUTSIDE_998
    assert np.isnan([found.q_value[8], found.steadied.value[8]]).all()
    alone = figures(rows[:8], events[:8])
    assert found.q_value[:8] == pytest.approx(alone.q_value)
    assert found.steadied.value[:8] == pytest.approx(alone.steadied.value)


def test_families_do_not_mix():
    rows, events = [[(2000, 30)]] * 2, [14, 6]
    together = figures(rows * 2, events * 2, family=[0, 0, 1, 1])
    assert together.q_value == pytest.approx(np.tile(figures(rows, events).q_value, 2))
    assert together.q_value[0] == pytest.approx(2 * together.p_value[0])


def test_no_surgeons():
    assert len(figures([], []).cases) == 0
    assert np.isnan(adjusted(np.array([np.nan, np.nan]))).all()
    assert len(adjusted(np.zeros(0))) == 0


some_rows = st.lists(
    st.lists(st.tuples(st.integers(1, RISK_UNIT), st.integers(1, 60)), min_size=1, max_size=4),
    min_size=1,
    max_size=10,
)


@given(some_rows, st.randoms(use_true_random=False))
def test_figures_are_in_their_ranges(rows, draw):
    events = [draw.randint(0, sum(cases for _, cases in own)) for own in rows]
    found = figures(rows, events)
    some = found.cases >= 10
    assert (found.ratio.low[some] <= found.ratio.value[some]).all()
    assert (found.ratio.value[some] <= found.ratio.high[some]).all()
    assert (found.limits_998.low[some] <= found.limits_95.low[some]).all()
    assert (found.limits_95.high[some] <= found.limits_998.high[some]).all()
    assert (found.limits_95.low[some] <= found.expected[some] + 1).all()
    assert ((found.p_value[some] >= 0) & (found.p_value[some] <= 1)).all()
    assert (found.q_value[some] >= found.p_value[some] - 1e-12).all()
    assert (found.against_limits[~some] == TOO_FEW).all()


# The sentence.


def sentence(events, cases, risk=600):
    found = figures([[(risk, cases)]], [events])
    interval = proportion_interval([events], [cases], "wilson", 0.95)
    return surgeon_sentence(
        events=events,
        cases=cases,
        low=interval.low[0],
        high=interval.high[0],
        interval="Wilson",
        expected=found.expected[0],
        as_many=found.as_many[0],
        against_limits=found.against_limits[0],
    )


def test_the_sentence_of_the_definitions():
    """2 of 14 at a share of 6 %: 0.84 expected, about 20 of 100, Wilson 4.0-39.9 %."""
    assert sentence(2, 14) == (
        "2 of 14 cases (Wilson 4.0–39.9 %); 0.84 expected of such patients; chance alone gives 2 or more in about "
        "20 of 100. This shows neither a problem nor that there is none."
    )


def test_fewer_than_expected():
    """0.94^50 = 0.045; 0.94^14 = 0.42."""
    assert "chance alone gives none in about 42 of 100" in sentence(0, 14)
    assert "chance alone gives none in about 5 of 100" in sentence(0, 50)
    assert "chance alone gives 3 or fewer in" in sentence(3, 60)


def test_beyond_a_limit_it_asks_for_a_check_and_proves_nothing():
    assert sentence(4, 14).endswith(f"That is more than chance alone gives in 95 of 100. {CHECK}")
    assert sentence(6, 14).endswith(f"That is more than chance alone gives in 998 of 1000. {CHECK}")
    assert sentence(5, 100, risk=2000).endswith(
        f"That is fewer than chance alone gives in 998 of 1000. {CHECK}"
    )


def test_no_sentence_says_more_than_the_binomial_bears():
    """Equal risks: limits and chances are those of scipy's binomial, worked out here by its tails."""
    for cases, risk in itertools.product((10, 14, 40, 150), (100, 600, 2500)):
        for events in range(min(cases, 60) + 1):
            upper, lower = (
                float(binom.sf(events - 1, cases, risk / 10_000)),
                float(binom.cdf(events, cases, risk / 10_000)),
            )
            said = sentence(events, cases, risk)
            beyond = {
                "That is more than chance alone gives in 998 of 1000.": upper <= 0.001,
                "That is more than chance alone gives in 95 of 100.": 0.001 < upper <= 0.025,
                "That is fewer than chance alone gives in 998 of 1000.": lower <= 0.001,
                "That is fewer than chance alone gives in 95 of 100.": 0.001 < lower <= 0.025,
            }
            assert {words: words in said for words in beyond} == beyond, (events, cases, risk)
            assert said.endswith(CHECK) == any(beyond.values())
            assert said.endswith(NEITHER) == (not any(beyond.values()))
            more = events > cases * risk / 10_000
            assert (f"gives {events} or more in" in said) == more


def test_too_few_cases_say_nothing():
    assert sentence(1, 9) == "1 of 9 cases: counts only, fewer than 10 cases say nothing."
    assert sentence(0, 1) == "0 of 1 case: counts only, fewer than 10 cases say nothing."


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.0, "fewer than 1 of 1000"), (0.0004, "fewer than 1 of 1000"), (0.003, "about 3 of 1000"),
     (0.014, "about 1 of 100"), (0.5, "about 50 of 100"), (0.999, "more than 99 of 100"), (1.0, "more than 99 of 100")],
)  # fmt: skip
def test_rare_chances_in_words(chance, words):
    said = surgeon_sentence(
        events=1,
        cases=10,
        low=0,
        high=1,
        interval="Wilson",
        expected=0.004,
        as_many=chance,
        against_limits=INSIDE,
    )
    assert f"in {words}." in said
    assert "fewer than 0.01 expected" in said
    assert said.endswith(NEITHER)


@given(st.integers(10, 60), st.integers(1, 5000), st.randoms(use_true_random=False))
def test_the_sentence_is_never_given_for_counts_that_do_not_bear_it(cases, risk, draw):
    events = draw.randint(0, cases)
    found = figures([[(risk, cases)]], [events])
    said = sentence(events, cases, risk)
    assert (NEITHER in said) == (found.limits_95.low[0] <= events <= found.limits_95.high[0])
    assert "nan" not in said
    assert "inf" not in said
