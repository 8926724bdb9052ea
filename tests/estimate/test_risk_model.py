"""Which of the three ways expected risks come about, why, and what they are by hand."""

import numpy as np
import pytest

from pipeline.counts import RISK_UNIT
from pipeline.estimate.logistic import Fit
from pipeline.estimate.risk_model import FIRTH, LOGISTIC, RATES, risk_model

PROCEDURE, BAND, OTHER = range(3)
LARGE = np.array([[p, b, s] for p in (0, 1) for b in (0, 1) for s in (0, 1)])


def model(levels, events, cases):
    return risk_model(np.array(levels), PROCEDURE, BAND, np.array(events), np.array(cases), 0.95)


def risks(found):
    return found.risk / RISK_UNIT


def test_many_events_take_a_regression():
    """One covariate that matters, so its shares are the risks: 10 % and 30 %."""
    found = model([[0, 0], [0, 1]], [20, 60], [200, 200])
    assert found.method == LOGISTIC
    assert found.why == "80 events for 1 coefficient"
    assert risks(found).tolist() == [0.1, 0.3]
    assert (found.cases, found.events, found.parameters, found.lacking) == (400, 80, 1, 0)
    assert found.calibration.intercept == pytest.approx(0, abs=1e-6)
    assert found.calibration.slope == pytest.approx(1, abs=1e-6)
    # of 80 with and 320 without: (60·180 + (20·180 + 60·140)/2) / (80·320)
    assert found.concordance.value == pytest.approx((60 * 180 + (20 * 180 + 60 * 140) / 2) / (80 * 320))


def test_fewer_than_ten_events_take_the_rates():
    """(events + prior) / (cases + 1), by hand as in test_expected."""
    found = model([[0, 0], [0, 1]], [3, 0], [19, 20])
    procedure = (3 + 3.5 / 40) / 40
    assert found.method == RATES
    assert found.why == "fewer than 10 events"
    assert risks(found) == pytest.approx([(3 + procedure) / 20, procedure / 21], abs=0.5 / RISK_UNIT)


def test_fewer_than_ten_events_per_coefficient_take_firth():
    events, cases = [3, 2, 4, 1, 5, 2, 3, 2], [40] * 8
    found = model(LARGE, events, cases)
    assert found.method == FIRTH
    assert found.why == "22 events for 3 coefficients: fewer than 10 for each"
    assert (risks(found) * cases).sum() == pytest.approx(22, abs=320 * 0.5 / RISK_UNIT)


def test_firth_bears_a_level_without_events():
    found = model(LARGE, [4, 0, 5, 0, 6, 0, 3, 0], [40] * 8)
    assert found.method == FIRTH
    assert 0 < risks(found)[1] < 0.03
    assert (risks(found) * 40).sum() == pytest.approx(18, abs=320 * 0.5 / RISK_UNIT)


def test_the_usual_fit_gives_way_where_a_level_has_no_events():
    found = model([[0, 0], [0, 1]], [0, 60], [50, 200])
    assert found.method == RATES
    assert found.why.startswith("separated")
    assert risks(found)[0] == pytest.approx((60.5 / 251 + 60) / 251 / 51, abs=1 / RISK_UNIT)


def test_the_usual_fit_gives_way_where_it_does_not_come_to_rest(monkeypatch):
    monkeypatch.setattr("pipeline.estimate.risk_model.logistic_fit", lambda *_: Fit(np.zeros(2), False))
    found = model([[0, 0], [0, 1]], [20, 60], [200, 200])
    assert (found.method, found.why) == (RATES, "the search for the coefficients did not come to rest")


def test_firth_gives_way_where_it_does_not_come_to_rest(monkeypatch):
    monkeypatch.setattr("pipeline.estimate.risk_model.firth_fit", lambda *_: Fit(np.zeros(4), False))
    found = model(LARGE, [3, 2, 4, 1, 5, 2, 3, 2], [40] * 8)
    assert found.method == RATES
    assert found.why.endswith("the search for them did not come to rest")


@pytest.mark.parametrize(
    ("events", "why"),
    [([0, 0], "fewer than 10 events"), ([30, 20], "fewer than 10 cases without event")],
    ids=["no events", "all events"],
)
def test_nothing_or_all_happened(events, why):
    found = model([[0, 0], [0, 1]], events, [30, 20])
    assert (found.method, found.why) == (RATES, why)
    assert ((found.risk >= 1) & (found.risk <= RISK_UNIT)).all()
    assert np.isnan([found.concordance.value, found.calibration.intercept, found.calibration.slope]).all()


def test_never_an_expected_risk_of_none():
    found = model([[0, 0], [1, 0]], [0, 0], [1_000_000, 5])
    assert found.risk.min() == 1


def test_missing_is_a_level_and_is_counted():
    """Those whose third covariate is missing fare worse: 40 % against 10 %."""
    levels = [[0, 0, 0], [0, 0, -1], [0, -1, 0]]
    found = model(levels, [20, 40, 10], [200, 100, 100])
    assert found.method == LOGISTIC
    assert found.lacking == 200
    assert risks(found).tolist() == [0.1, 0.4, 0.1]


def test_cells_without_cases_are_given_the_rates_and_change_nothing():
    some = model([[0, 0], [0, 1]], [20, 60], [200, 200])
    more = model([[0, 0], [0, 1], [0, 3]], [20, 60, 0], [200, 200, 0])
    assert more.risk[:2].tolist() == some.risk.tolist()
    assert risks(more)[2] == pytest.approx((80 + 80.5 / 401) / 401, abs=1 / RISK_UNIT)


def test_no_cases():
    for levels in (np.zeros((0, 2), int), np.zeros((2, 2), int)):
        found = model(levels, np.zeros(len(levels), int), np.zeros(len(levels), int))
        assert (found.method, found.why, found.cases) == (RATES, "no cases", 0)


def test_only_one_kind_of_patient():
    found = model([[0, 0]], [20], [200])
    assert (found.method, found.parameters) == (LOGISTIC, 0)
    assert risks(found).tolist() == [0.1]
