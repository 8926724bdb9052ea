"""Mean changes and their difference: a printed example, SciPy, and R's `t.test`."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipeline.estimate.changes import Sums, change_difference, mean_change

SCRIPT = Path(__file__).with_name("changes.R")
COMPARISONS = 200
#: Hours of sleep gained under two drugs, ten patients each (Student 1908, Biometrika 6:1; `sleep` of R).
SLEEP = (
    (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0),
    (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4),
)


def changes() -> list[tuple[np.ndarray, np.ndarray]]:
    """Two to 60 a side, whole numbers of hundredths, of other spreads in either arm."""
    draw = np.random.default_rng(8)
    sizes = draw.integers(2, 60, (COMPARISONS, 2))
    spreads = draw.uniform(0.5, 30, (COMPARISONS, 2))
    return [
        tuple(np.round(draw.normal(5, spread, size), 2) for size, spread in zip(*each, strict=True))
        for each in zip(sizes, spreads, strict=True)
    ]  # type: ignore[misc]


def sums(arms: list[np.ndarray]) -> Sums:
    hundredths = [np.rint(np.asarray(arm) * 100).astype(np.int64) for arm in arms]
    parts = ([len(arm), arm.sum(), (arm**2).sum()] for arm in hundredths)
    return Sums(*np.array(list(parts), np.int64).T)


def test_the_example_that_the_manual_prints():
    """`t.test(extra ~ group, data = sleep)` in the manual of R: -3.3654832 to 0.2054832, means 0.75 and 2.33."""
    a, b = (sums([np.array(arm)]) for arm in SLEEP)
    found = change_difference(a, b, 0.95)
    assert [each.value[0] for each in (mean_change(a, 0.95), mean_change(b, 0.95))] == pytest.approx(
        [0.75, 2.33]
    )
    assert (found.low[0], found.high[0]) == pytest.approx((-3.3654832, 0.2054832), abs=5e-8)


def test_scipy_says_the_same():
    told = changes()
    ours = change_difference(sums([a for a, _ in told]), sums([b for _, b in told]), 0.9)
    theirs = [stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.9) for a, b in told]
    np.testing.assert_allclose(ours.low, [each.low for each in theirs], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(ours.high, [each.high for each in theirs], rtol=1e-9, atol=1e-9)


@pytest.mark.skipif(not shutil.which("Rscript"), reason="Rscript is not installed (Debian: r-base-core)")
def test_r_says_the_same(tmp_path):
    told = changes()
    rows = [
        (number, arm, value)
        for number, arms in enumerate(told)
        for arm, values in enumerate(arms)
        for value in values
    ]
    pd.DataFrame(rows, columns=["comparison", "arm", "change"]).to_csv(tmp_path / "changes.csv", index=False)
    environment = {**os.environ, "TZ": "UTC", "LC_ALL": "C"}
    subprocess.run(["Rscript", str(SCRIPT), str(tmp_path)], env=environment, check=True, capture_output=True)
    theirs = pd.read_csv(tmp_path / "changes_by_r.csv").sort_values("comparison")
    assert len(theirs) == COMPARISONS
    a, b = sums([a for a, _ in told]), sums([b for _, b in told])
    ours, own = change_difference(a, b, 0.95), mean_change(a, 0.95)
    for found, column in (
        (ours.value, "value"), (ours.low, "low"), (ours.high, "high"), (own.low, "low_a"), (own.high, "high_a"),
    ):  # fmt: skip
        np.testing.assert_allclose(found, theirs[column], rtol=1e-9, atol=1e-9)
