"""R says the same: random tables over strata, trends and power, by packages that share no code with ours.

Debian: `r-base-core r-cran-metafor`. Without them the tests are skipped; `.ci/run` installs them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.estimate.power import rejection_region
from pipeline.estimate.stratified import (
    adjusted_odds_ratio,
    adjusted_risk_difference,
    adjusted_risk_ratio,
    homogeneity,
    strata_chi_square,
)
from pipeline.estimate.trend import trend
from pipeline.estimate.two_arms import Arms

SCRIPT = Path(__file__).with_name("adjusted.R")
CELLS = ("events_a", "cases_a", "events_b", "cases_b")
COMPARISONS, STRATA, TRENDS, BANDS = 150, 5, 60, 6
SIZES = pd.DataFrame(
    [(250, 180, 0.15, 0.05, 0.05), (201, 201, 0.10, 0.10, 0.05), (220, 30, 0.30, 0.10, 0.10)],
    columns=["m", "n", "risk_a", "risk_b", "alpha"],
)


def missing() -> str:
    """What of R is not there, or nothing."""
    if not shutil.which("Rscript"):
        return "Rscript is not installed (Debian: r-base-core)"
    asked = subprocess.run(["Rscript", "-e", "library(metafor)"], capture_output=True, check=False)
    return "" if asked.returncode == 0 else "R lacks metafor (Debian: r-cran-metafor)"


def strata() -> Arms:
    """Every arm of every stratum has cases, since metafor stops at an empty one; events are few or none."""
    draw = np.random.default_rng(11)
    cases = draw.integers(1, 40, (2, COMPARISONS, STRATA))
    events = draw.binomial(cases, draw.uniform(0, 0.35, (2, COMPARISONS, 1)))
    return Arms(events[0], cases[0], events[1], cases[1])


def bands() -> tuple[np.ndarray, np.ndarray]:
    draw = np.random.default_rng(12)
    cases = draw.integers(0, 60, (TRENDS, BANDS))
    return draw.binomial(cases, draw.uniform(0.05, 0.4, (TRENDS, 1))), cases


@pytest.fixture(scope="module")
def by_r(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    reason = missing()
    if reason:
        pytest.skip(reason)
    folder = tmp_path_factory.mktemp("r")
    told = strata()
    comparison = np.repeat(np.arange(COMPARISONS), STRATA)
    columns = {name: getattr(told, name).ravel() for name in CELLS}
    pd.DataFrame({"comparison": comparison, **columns}).to_csv(folder / "strata.csv", index=False)
    events, cases = bands()
    pd.DataFrame(
        {
            "trend": np.repeat(np.arange(TRENDS), BANDS), "score": np.tile(np.arange(BANDS), TRENDS),
            "events": events.ravel(), "cases": cases.ravel(),
        }
    ).to_csv(folder / "bands.csv", index=False)  # fmt: skip
    SIZES.to_csv(folder / "sizes.csv", index=False)
    environment = {**os.environ, "TZ": "UTC", "LC_ALL": "C"}
    subprocess.run(["Rscript", str(SCRIPT), str(folder)], env=environment, check=True, capture_output=True)
    names = ("strata", "bands", "sizes")
    read = {
        name: pd.read_csv(folder / f"{name}_by_r.csv", na_values=["NA", "NaN", " NA", "  NA"])
        for name in names
    }
    return {name: frame.apply(pd.to_numeric, errors="coerce") for name, frame in read.items()}


MEASURES = {
    "odds": adjusted_odds_ratio,
    "ratio": adjusted_risk_ratio,
    "difference": adjusted_risk_difference,
}


@pytest.mark.parametrize("name", MEASURES)
def test_over_strata(by_r, name):
    ours, theirs = MEASURES[name](strata(), 0.95), by_r["strata"]
    told = ours.why == ""
    assert told.sum() > 100
    for part, column in ((ours.value, name), (ours.low, f"{name}_low"), (ours.high, f"{name}_high")):
        np.testing.assert_allclose(part[told], theirs[column].to_numpy()[told], rtol=1e-8, atol=1e-12)


def test_homogeneity(by_r):
    """metafor leaves the same strata out: those without events or with nothing else."""
    ours, theirs = homogeneity(strata()), by_r["strata"]
    told = (ours.why == "") & theirs["tarone"].notna().to_numpy()
    assert told.sum() > 100
    np.testing.assert_allclose(ours.statistic[told], theirs["tarone"].to_numpy()[told], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(ours.p[told], theirs["tarone_p"].to_numpy()[told], rtol=1e-7, atol=1e-9)


def test_chi_square_over_strata(by_r):
    ours, theirs = strata_chi_square(strata()), by_r["strata"]["chi"].to_numpy()
    told = (ours.why == "") & ~np.isnan(theirs)
    assert told.sum() > 100
    np.testing.assert_allclose(ours.statistic[told], theirs[told], rtol=1e-8)


def test_trend(by_r):
    events, cases = bands()
    ours, theirs = trend(events, cases, 0.95), by_r["bands"]
    told = ours.why == ""
    assert told.sum() > 50
    slope, error = (theirs[name].to_numpy()[told] for name in ("slope", "error"))
    np.testing.assert_allclose(ours.slope[told], slope, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose((ours.high - ours.low)[told], 2 * 1.959963984540054 * error, rtol=1e-7)


def test_power(by_r):
    for row in by_r["sizes"].itertuples():
        region = rejection_region(int(row.m), int(row.n), float(row.alpha))
        assert region.chance(row.risk_a, row.risk_b) == pytest.approx(row.power, rel=1e-9)
