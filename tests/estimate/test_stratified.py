"""Comparisons within strata: corners, overlap, and what follows from the definitions. Values are in tests/external."""

import numpy as np
import pytest

from pipeline.estimate import notes, stratified
from pipeline.estimate.proportions import ImpossibleCounts
from pipeline.estimate.stratified import (
    adjusted_odds_ratio,
    adjusted_risk_difference,
    adjusted_risk_ratio,
    homogeneity,
    overlap_of,
    strata_chi_square,
    within_strata,
)
from pipeline.estimate.two_arms import Arms

MEASURES = (adjusted_risk_difference, adjusted_risk_ratio, adjusted_odds_ratio)


def strata(*tables):
    """One comparison from (x, m, y, n) of each stratum."""
    return Arms(*(np.array([column], np.int64) for column in zip(*tables, strict=True)))


def figures(found):
    return [found.value[0], found.low[0], found.high[0]]


def random_strata(comparisons=400, seed=1):
    draw = np.random.default_rng(seed)
    cases = draw.integers(0, 20, (2, comparisons, 4))
    events = draw.binomial(cases, draw.uniform(0, 0.7, (2, comparisons, 1)))
    return Arms(events[0], cases[0], events[1], cases[1])


def test_one_stratum_gives_the_crude_figures():
    """2 of 10 against 4 of 10: by hand -0.2, one half, and (2·6) / (4·8)."""
    told = strata((2, 10, 4, 10))
    assert adjusted_risk_difference(told, 0.95).value[0] == pytest.approx(-0.2)
    assert adjusted_risk_ratio(told, 0.95).value[0] == pytest.approx(0.5)
    assert adjusted_odds_ratio(told, 0.95).value[0] == pytest.approx(0.375)


def test_one_table_of_equal_arms_has_the_variance_of_two_binomials():
    """With m = n = 10 Sato's variance is p q / 10 of either arm: 0.2·0.8/10 + 0.4·0.6/10 = 0.04, so ± 1.959964·0.2."""
    assert figures(adjusted_risk_difference(strata((2, 10, 4, 10)), 0.95)) == pytest.approx(
        [-0.2, -0.2 - 0.3919928, -0.2 + 0.3919928], abs=1e-6
    )


def test_a_crude_difference_that_age_explains_away():
    """One tenth of the young and two fifths of the old in both arms; more of the old had a: 17/50 against 10/40."""
    told = strata((1, 10, 2, 20), (16, 40, 8, 20))
    assert [int(each.sum()) for each in (told.events_a, told.cases_a, told.events_b, told.cases_b)] == [
        17,
        50,
        10,
        40,
    ]
    found = within_strata(told, 0.95)
    assert found.difference.value[0] == pytest.approx(0)
    assert found.ratio.value[0] == pytest.approx(1)
    assert found.odds.value[0] == pytest.approx(1)
    assert found.difference.low[0] < 0 < found.difference.high[0]


def test_strata_weigh_by_how_many_stand_against_each_other():
    """Differences 0.5 (10 v 10, weight 5) and 0 (30 v 10, weight 7.5): 0.5·5/12.5 = 0.2."""
    found = adjusted_risk_difference(strata((6, 10, 1, 10), (9, 30, 3, 10)), 0.95)
    assert found.value[0] == pytest.approx(0.2)


def test_a_difference_exists_where_an_arm_has_no_event_and_a_ratio_does_not():
    """The invented example of the notes: 2 of 21 against 0 of 27."""
    found = within_strata(strata((1, 12, 0, 15), (1, 9, 0, 12)), 0.95)
    assert found.difference.low[0] < found.difference.value[0] < found.difference.high[0]
    for ratio, why in ((found.ratio, stratified.NO_EVENTS_IN_AN_ARM), (found.odds, stratified.NO_ODDS)):
        assert np.isnan(figures(ratio)).all()
        assert ratio.why[0] == why


CORNERS = {
    "no cases at all": ([(0, 0, 0, 0)], [notes.NO_CASES] * 3),
    "one arm empty": ([(1, 5, 0, 0), (0, 3, 0, 0)], [notes.NO_CASES] * 3),
    "never the same age": ([(1, 5, 0, 0), (0, 0, 2, 6)], [stratified.HARDLY_OVERLAP] * 3),
    "no events": (
        [(0, 5, 0, 6), (0, 4, 0, 3)],
        [stratified.NOTHING_VARIES, stratified.NO_EVENTS_IN_AN_ARM, stratified.NO_ODDS],
    ),
    "all events": (
        [(5, 5, 6, 6), (4, 4, 3, 3)],
        [stratified.NOTHING_VARIES, stratified.ALL_EVENTS, stratified.NO_ODDS],
    ),
    "all against none": (
        [(5, 5, 0, 6)],
        [stratified.NOTHING_VARIES, stratified.NO_EVENTS_IN_AN_ARM, stratified.NO_ODDS],
    ),
}


@pytest.mark.parametrize("corner", CORNERS)
def test_what_cannot_be_estimated_says_why(corner):
    tables, reasons = CORNERS[corner]
    found = within_strata(strata(*tables), 0.95)
    for measure, why in zip((found.difference, found.ratio, found.odds), reasons, strict=True):
        assert np.isnan(figures(measure)).all()
        assert measure.why[0] == why
    assert np.isnan(found.homogeneity.p[0])
    assert found.homogeneity.why[0]


@pytest.mark.parametrize("measure", MEASURES)
def test_strata_of_one_arm_alone_change_nothing(measure):
    told = [(2, 10, 4, 12), (3, 9, 1, 8)]
    alone = [(5, 9, 0, 0), (0, 0, 3, 4), (0, 0, 0, 0)]
    assert figures(measure(strata(*told, *alone), 0.95)) == pytest.approx(
        figures(measure(strata(*told), 0.95))
    )


def test_a_stratum_without_events_weighs_in_the_difference_alone():
    told, more = [(2, 10, 4, 12), (3, 9, 1, 8)], (0, 20, 0, 20)
    assert abs(adjusted_risk_difference(strata(*told, more), 0.95).value[0]) < abs(
        adjusted_risk_difference(strata(*told), 0.95).value[0]
    )
    for measure in (adjusted_risk_ratio, adjusted_odds_ratio):
        assert measure(strata(*told, more), 0.95).value[0] == pytest.approx(
            measure(strata(*told), 0.95).value[0]
        )
    assert homogeneity(strata(*told, more)).p[0] == pytest.approx(homogeneity(strata(*told)).p[0])


@pytest.mark.parametrize("measure", MEASURES)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_an_estimate_lies_within_finite_limits(measure, confidence):
    found = measure(random_strata(), confidence)
    told = found.why == ""
    assert told.sum() > 250
    assert np.isfinite([found.value[told], found.low[told], found.high[told]]).all()
    assert (found.low[told] < found.value[told]).all()
    assert (found.value[told] < found.high[told]).all()
    assert np.isnan([found.value[~told], found.low[~told], found.high[~told]]).all()


@pytest.mark.parametrize("measure", MEASURES)
def test_more_confidence_is_wider(measure):
    narrow, wide = (measure(random_strata(), confidence) for confidence in (0.8, 0.99))
    told = narrow.why == ""
    assert (wide.low[told] <= narrow.low[told]).all()
    assert (wide.high[told] >= narrow.high[told]).all()


def test_exchanging_the_arms_turns_figures_round():
    told = random_strata()
    turned = Arms(told.events_b, told.cases_b, told.events_a, told.cases_a)
    one, other = adjusted_risk_difference(told, 0.95), adjusted_risk_difference(turned, 0.95)
    np.testing.assert_allclose(one.low, -other.high, atol=1e-12)
    for measure in (adjusted_risk_ratio, adjusted_odds_ratio):
        one, other = measure(told, 0.95), measure(turned, 0.95)
        np.testing.assert_allclose(one.low * other.high, np.where(one.why == "", 1, np.nan), rtol=1e-9)
    np.testing.assert_allclose(
        homogeneity(told).statistic, homogeneity(turned).statistic, rtol=1e-6, atol=1e-9
    )


@pytest.mark.parametrize("measure", MEASURES)
def test_the_order_of_strata_does_not_matter(measure):
    told = random_strata()
    turned = Arms(*(each[:, ::-1] for each in (told.events_a, told.cases_a, told.events_b, told.cases_b)))
    np.testing.assert_allclose(measure(told, 0.95).high, measure(turned, 0.95).high, rtol=1e-9)


@pytest.mark.parametrize(
    ("tables", "informative", "enough"),
    [
        ([(0, 10, 0, 10), (0, 10, 0, 0)], (10, 10), True),
        ([(0, 10, 0, 10), (0, 11, 0, 0)], (10, 10), False),
        ([(0, 9, 0, 4), (0, 0, 0, 5)], (9, 4), False),
        ([(0, 9, 0, 4), (0, 0, 0, 4)], (9, 4), True),
        ([(0, 3, 0, 0), (0, 0, 0, 4)], (0, 0), False),
        ([(0, 0, 0, 4)], (0, 0), False),
    ],
    ids=["half of a", "under half of a", "under half of b", "half of b", "none", "one arm empty"],
)
def test_who_stands_against_someone_of_the_same_age(tables, informative, enough):
    found = overlap_of(strata(*tables))
    assert (found.informative_a[0], found.informative_b[0]) == informative
    assert found.enough[0] == enough


def test_under_half_in_either_arm_gives_no_adjusted_figure():
    found = within_strata(strata((2, 10, 4, 10), (1, 11, 0, 0)), 0.95)
    for measure in (found.difference, found.ratio, found.odds):
        assert np.isnan(figures(measure)).all()
        assert measure.why[0] == "these groups hardly overlap in age"
    assert (found.overlap.informative_a[0], found.overlap.informative_b[0]) == (10, 10)


def test_those_whose_age_is_not_known_stand_against_nobody():
    """20 against 20 of known age, 5 against 6 of unknown: adjusted over the known, which are 20 of 25 and of 26."""
    told = strata((2, 10, 4, 10), (1, 10, 1, 10), (5, 5, 0, 6))
    found = within_strata(told, 0.95, usable=np.array([True, True, False]))
    known = within_strata(strata((2, 10, 4, 10), (1, 10, 1, 10)), 0.95)
    assert figures(found.difference) == pytest.approx(figures(known.difference))
    assert found.overlap.informative_a[0] == 20
    many = strata((2, 10, 4, 10), (5, 11, 0, 6))
    assert within_strata(many, 0.95, np.array([True, False])).difference.why[0] == stratified.HARDLY_OVERLAP


def test_the_same_odds_ratio_everywhere_is_homogeneous():
    """Odds ratio 4 in both: 4·8/(2·4) and 2·6/(1·3) = 4."""
    found = homogeneity(strata((4, 8, 2, 10), (2, 5, 1, 7)))
    assert found.statistic[0] == pytest.approx(0, abs=1e-9)
    assert found.p[0] == pytest.approx(1)
    assert found.degrees[0] == 1


def test_opposite_odds_ratios_are_not():
    assert homogeneity(strata((30, 40, 10, 40), (10, 40, 30, 40))).p[0] < 1e-6


def test_an_odds_ratio_of_exactly_one_has_fitted_counts_of_the_margins():
    """The quadratic is a line then: 10 fitted in each cell of both strata, variance 1 / (4 / 10) = 2.5, so twice 2² / 2.5."""
    found = homogeneity(strata((12, 20, 8, 20), (8, 20, 12, 20)))
    assert found.statistic[0] == pytest.approx(3.2)


@pytest.mark.parametrize(
    "tables", [[(2, 10, 4, 10)], [(2, 10, 4, 10), (0, 5, 0, 6)], [(2, 9, 0, 9), (1, 8, 0, 8)]]
)
def test_homogeneity_needs_two_strata_and_an_odds_ratio(tables):
    found = homogeneity(strata(*tables))
    assert np.isnan([found.statistic[0], found.p[0]]).all()
    assert found.why[0] == stratified.ONE_STRATUM


def test_a_chi_square_of_one_stratum_is_that_of_n_less_one():
    """(N - 1)(x n - y m)² / margins: 19·(2·10 - 4·10)²/(10·10·6·14) by hand."""
    found = strata_chi_square(strata((2, 10, 4, 10)))
    assert found.statistic[0] == pytest.approx(19 * 20**2 / (10 * 10 * 6 * 14))
    assert np.isnan(strata_chi_square(strata((0, 10, 0, 10))).p[0])


@pytest.mark.parametrize("table", [(-1, 5, 0, 5), (6, 5, 0, 5), (0, 5, 9, 5)], ids=str)
def test_impossible_counts_raise(table):
    for measure in MEASURES:
        with pytest.raises(ImpossibleCounts):
            measure(strata(table), 0.95)


def test_no_comparison_no_figure():
    empty = Arms(*(np.zeros((0, 3), np.int64) for _ in range(4)))
    assert within_strata(empty, 0.95).difference.value.shape == (0,)


def test_ten_thousand_comparisons_are_quick():
    import time

    told = random_strata(10_000)
    started = time.perf_counter()
    within_strata(told, 0.95)
    assert time.perf_counter() - started < 1.0
