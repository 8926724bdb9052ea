"""Expected numbers of surgeons, the whole way: cases counted, risk worked out, laid back on each one's own cases."""

from datetime import date

import pandas as pd
import pytest

from pipeline.count import counted, risk_histogram
from pipeline.counts import RISK_UNIT
from pipeline.estimate import expected_risk
from tests.count.conftest import ANY, CATALOGUE, CRACK, SETTINGS, Month, built_cases

YOUNG, OLD = 0, 2
PERIOD = Month(date(2020, 1, 1), date(2020, 1, 31))


def courses(surgeon: int, age_band: int, cases: int) -> list[dict]:
    return [{"surgeon": surgeon, "age_band": age_band} for _ in range(cases)]


@pytest.fixture(scope="module")
def histogram() -> pd.DataFrame:
    """Surgeons 0 and 1 have 4 of 20 each; 0 operates on the young (6 of 60 in all), 1 on the old (24 of 60)."""
    rows = courses(0, YOUNG, 20) + courses(1, OLD, 20) + courses(2, YOUNG, 40) + courses(2, OLD, 40)
    ill = [*range(4), *range(20, 24), *range(40, 42), *range(80, 100)]
    cases = built_cases(rows, [(case, CRACK, 0, 10) for case in ill])
    counts = counted(cases, SETTINGS, CATALOGUE, PERIOD)
    return risk_histogram(cases, SETTINGS, CATALOGUE, expected_risk(counts, 0.95).risks)


def of_surgeon(histogram: pd.DataFrame, surgeon: int) -> tuple[int, int, float]:
    """Events, cases and expected events within a year."""
    asked = {"surgeon": surgeon, "category": ANY, "window_days": 365}
    own = histogram[(histogram[list(asked)] == pd.Series(asked)).all(axis=1)]
    expected = (own["risk"] * own["cases"]).sum() / RISK_UNIT
    return int(own["events"].sum()), int(own["cases"].sum()), float(expected)


def test_equal_crude_rates_and_different_ages_give_different_expected_numbers(histogram):
    """One covariate with two levels: the regression gives their rates, 6 of 60 young and 24 of 60 old."""
    assert of_surgeon(histogram, 0) == (4, 20, pytest.approx(20 * 0.1))
    assert of_surgeon(histogram, 1) == (4, 20, pytest.approx(20 * 0.4))


def test_all_that_is_expected_is_about_all_that_was_seen(histogram):
    assert sum(of_surgeon(histogram, surgeon)[2] for surgeon in range(3)) == pytest.approx(30, abs=0.05)


def test_what_was_never_seen_is_expected_a_little(histogram):
    """Nobody returned to theatre; the smoothed risk is small and never 0."""
    assert (histogram["category"] != ANY).any()
    assert (histogram["risk"] >= 1).all()


def test_no_cases_no_risk():
    counts = counted(built_cases([]), SETTINGS, CATALOGUE, PERIOD)
    assert len(expected_risk(counts, 0.95).risks.risk) == 0
