"""Rates with everybody's ages, counted by hand."""

import numpy as np
import pytest

from pipeline.estimate import standardised_rates_table
from pipeline.estimate.notes import NO_CASE_OF_AN_AGE
from pipeline.estimate.proportions import proportion_interval

LOOP, SHIFT = 0, 1
YOUNG, OLD = 0, 1


@pytest.fixture
def table(counts_of, settings, labels, catalogue):
    def made(rows: list[dict], defined: np.ndarray | None = None):
        found = standardised_rates_table(counts_of(rows, defined), settings, labels, catalogue)
        return found.set_index(["procedure", "category", "window_days"])

    return made


def of(group: int, band: int, cases: int, events: int) -> dict:
    return {"group": group, "age_band": band, "cases": cases, "events": events}


def test_equal_rates_by_age_are_equal_once_ages_are(table):
    """Both 40 % of the young and 10 % of the old; 30 young and 10 old against 10 and 30. All: 40 and 40, so 25 %."""
    found = table(
        [of(LOOP, YOUNG, 30, 12), of(LOOP, OLD, 10, 1), of(SHIFT, YOUNG, 10, 4), of(SHIFT, OLD, 30, 3)]
    )
    a, b = (found.loc[(name, "any_complication", 365)] for name in ("anchor_loop", "bone_shift"))
    assert (a["rate"], b["rate"]) == pytest.approx((13 / 40, 7 / 40))
    assert (a["standardised_rate"], b["standardised_rate"]) == pytest.approx((0.25, 0.25))
    assert (a["ci_low"] < 0.25) & (a["ci_high"] > 0.25)
    assert a["covered"] == 1


def test_one_age_is_the_plain_interval(table):
    row = table([of(LOOP, YOUNG, 20, 2)]).loc[("anchor_loop", "any_complication", 365)]
    wilson = proportion_interval(np.array([2]), np.array([20]), "wilson", 0.95)
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((wilson.low[0], wilson.high[0]))


def test_an_age_without_cases_leaves_nothing_to_say(table):
    """30 of 40 cases are young: all that the second procedure covers."""
    row = table([of(LOOP, YOUNG, 20, 2), of(LOOP, OLD, 10, 1), of(SHIFT, YOUNG, 10, 1)]).loc[
        ("bone_shift", "any_complication", 365)
    ]
    assert np.isnan([row["standardised_rate"], row["ci_low"], row["ci_high"]]).all()
    assert row["covered"] == pytest.approx(0.75)
    assert row["note"] == NO_CASE_OF_AN_AGE


def test_only_where_it_can_occur_and_is_defined(table):
    state = np.ones((3, 3), np.int8)
    state[LOOP, 0] = 0
    found = table([of(LOOP, YOUNG, 20, 2), of(SHIFT, YOUNG, 10, 1)], state)
    assert ("anchor_loop", "crack", 365) not in found.index
    assert ("bone_shift", "crack", 365) in found.index
    assert ("bone_shift", "tightness", 90) not in found.index  # it begins on day 90
    assert ("bone_shift", "tightness", 365) in found.index


def test_no_cases_no_rows(table):
    assert table([of(LOOP, YOUNG, 0, 0)]).empty
