"""R as a second engine for expected risks and surgeons: stats, MASS, brglm2, pROC and PoissonBinomial.

Skipped where R or a package is absent. Debian: r-base-core r-cran-mass r-cran-brglm2 r-cran-proc
r-cran-poissonbinomial. What R is asked is in surgeons.R.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.estimate.logistic import firth_fit, indicator_matrix, is_separated, logistic_fit
from pipeline.estimate.model_checks import calibration, concordance
from pipeline.estimate.poisson_binomial import chances
from pipeline.estimate.proportions import person_time_interval
from pipeline.estimate.steadied import steadied_ratios
from pipeline.estimate.surgeons import adjusted

SCRIPT = Path(__file__).with_name("surgeons.R")
PACKAGES = ("MASS", "brglm2", "pROC", "PoissonBinomial")
LEVELS = ["a", "b", "c"]


def asked_of_r(*arguments: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "TZ": "UTC", "LC_ALL": "C"}
    return subprocess.run(
        ["Rscript", *arguments], env=environment, text=True, capture_output=True, check=False
    )


def cells() -> pd.DataFrame:
    """Twelve tables of three covariates, one of them missing at times; an event rate of a third to a twentieth."""
    draw = np.random.default_rng(31)
    grid = np.stack(np.meshgrid([0, 1, 2], [-1, 0], [0, 1, 2, 3]), axis=-1).reshape(-1, 3)
    tables = []
    for number in range(12):
        line = -1 - number / 6 + draw.normal(0, 0.5, 3)[grid[:, 0]] + draw.normal(0, 0.5, 4)[grid[:, 2]]
        cases = draw.integers(5, 40, len(grid))
        events = draw.binomial(cases, 1 / (1 + np.exp(-line)))
        risk = np.round(1 / (1 + np.exp(-0.8 * line)), 2)
        own = pd.DataFrame(grid, columns=LEVELS).assign(events=events, cases=cases, risk=risk)
        tables.append(own.assign(table=number))
    return pd.concat(tables, ignore_index=True)


def risks() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Forty rows of one to fifteen risks, from rare to likely, with up to thirty cases each."""
    draw = np.random.default_rng(32)
    kinds = draw.integers(1, 16, 40)
    row = np.repeat(np.arange(40), kinds)
    risk = draw.integers(1, 10_001, len(row)) * draw.choice([0.1, 0.3, 1.0], 40)[row] / 10_000
    given = pd.DataFrame({"row": row, "risk": risk, "cases": draw.integers(1, 31, len(row))})
    events = np.bincount(row, weights=draw.binomial(given["cases"], risk)).astype(int)
    return given, pd.DataFrame({"row": np.arange(40), "events": events})


def units() -> pd.DataFrame:
    """Six families of eight to thirty units whose own ratios vary."""
    draw = np.random.default_rng(33)
    parts = []
    for family, size in enumerate((8, 10, 12, 20, 25, 30)):
        expected = draw.uniform(2, 12, size)
        events = draw.poisson(expected * draw.gamma(4, 1 / 4, size))
        own = {"family": family, "events": events, "expected": expected, "p": draw.uniform(size=size) ** 2}
        parts.append(pd.DataFrame(own))
    return pd.concat(parts, ignore_index=True)


@pytest.fixture(scope="module")
def by_r(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], pd.DataFrame]:
    if shutil.which("Rscript") is None:
        pytest.skip("R is not installed: no second engine for surgeons")
    if asked_of_r("-e", "; ".join(f"library({name})" for name in PACKAGES)).returncode:
        pytest.skip(f"R lacks one of {', '.join(PACKAGES)}")
    folder = tmp_path_factory.mktemp("r")
    given, events = risks()
    tables = {"cells": cells(), "risks": given, "events": events, "units": units()}
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False)
    done = asked_of_r(str(SCRIPT), str(folder))
    assert done.returncode == 0, done.stderr
    return lambda name: pd.read_csv(folder / f"{name}.csv")


def test_regressions(by_r):
    theirs = by_r("regressions")
    for number, table in cells().groupby("table"):
        events, cases = table["events"].to_numpy(), table["cases"].to_numpy()
        matrix = indicator_matrix(table[LEVELS].to_numpy(), cases)
        assert not is_separated(matrix, events, cases)
        own = theirs[theirs["table"] == number]
        usual, firth = (fit(matrix, events, cases) for fit in (logistic_fit, firth_fit))
        assert usual.converged
        assert firth.converged
        np.testing.assert_allclose(matrix @ usual.coefficients, own["usual"], atol=1e-8)
        np.testing.assert_allclose(matrix @ firth.coefficients, own["firth"], atol=1e-6)


def test_discrimination_and_calibration(by_r):
    theirs = by_r("discrimination")
    for number, table in cells().groupby("table"):
        risk, events, cases = (table[name].to_numpy() for name in ("risk", "events", "cases"))
        own = theirs[theirs["table"] == number].iloc[0]
        found = concordance(risk, events, cases, 0.95)
        assert [found.low, found.value, found.high] == pytest.approx(own[["low", "value", "high"]].tolist())
        fit = calibration(risk, events, cases)
        assert [fit.intercept, fit.slope] == pytest.approx(own[["intercept", "slope"]].tolist(), abs=1e-8)


def test_chances_among_unequal_risks(by_r):
    given, events = risks()
    found = chances(given["row"].to_numpy(), given["risk"].to_numpy(), given["cases"].to_numpy(), 40)
    theirs = by_r("chances").sort_values("row")
    assert found.exact.all()
    np.testing.assert_allclose(found.at_most(events["events"].to_numpy()), theirs["at_most"], atol=1e-10)
    for width, (low, high) in {0.95: ("low", "high"), 0.998: ("outer_low", "outer_high")}.items():
        ours = found.limits(width)
        assert ours[0].tolist() == theirs[low].tolist()
        assert ours[1].tolist() == theirs[high].tolist()


def test_ratios_and_adjusted_p_values(by_r):
    theirs = by_r("families")
    for number, table in units().groupby("family"):
        own = theirs[theirs["family"] == number]
        limits = person_time_interval(table["events"].to_numpy(), table["expected"].to_numpy(), 0.95)
        np.testing.assert_allclose(limits.low, own["low"], rtol=1e-9)
        np.testing.assert_allclose(limits.high, own["high"], rtol=1e-9)
        np.testing.assert_allclose(adjusted(table["p"].to_numpy()), own["q"], rtol=1e-12)


def test_spread_of_steadied_ratios(by_r):
    theirs = by_r("families")
    for number, table in units().groupby("family"):
        shape = theirs[theirs["family"] == number]["shape"].iloc[0]
        events, expected = table["events"].to_numpy(), table["expected"].to_numpy()
        found = steadied_ratios(events, expected, 0.95)
        assert found.spread == pytest.approx(shape**-0.5, rel=1e-5)
        np.testing.assert_allclose(found.value, (shape + events) / (shape + expected), rtol=1e-5)
