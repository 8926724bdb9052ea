"""How arms differed before: against plain lists of cases, and corners."""

import math
import statistics
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.counts import BASELINE as CHARACTERISTICS
from pipeline.counts import summed
from pipeline.estimate.baseline import (
    Characteristic,
    baseline_rows,
    baseline_table,
    numbers_compared,
    shares_compared,
)
from schemas.fit import typed
from schemas.models import model_failures
from schemas.published import BASELINE


def counted(ages, values):
    return np.array([[ages.count(value) for value in values]])


def test_a_share_against_a_share():
    """30 of 100 against 50 of 100: -0.2 / √((0.21 + 0.25) / 2) by hand -0.41703."""
    found = shares_compared(np.array([30, 70]), np.array([50, 50]))
    assert list(found.share_a) == [0.3, 0.7]
    assert found.standardised == pytest.approx([-0.41703, 0.41703], abs=5e-6)


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [([0, 5], [0, 9], 0.0), ([5, 0], [9, 0], 0.0), ([5, 0], [0, 9], math.nan), ([0, 0], [4, 5], math.nan),
     ([0, 0], [0, 0], math.nan)],
    ids=["none in both", "all in both", "all against none", "nothing known of an arm", "nothing known"],
)  # fmt: skip
def test_corners_of_shares(a, b, expected):
    found = shares_compared(np.array(a), np.array(b)).standardised[0]
    assert found == pytest.approx(expected, nan_ok=True)


def test_shares_of_many_comparisons_at_once():
    a, b = np.array([[[30, 70]], [[1, 1]]]), np.array([[[50, 50]], [[1, 1]]])
    assert shares_compared(a, b).standardised.shape == (2, 1, 2)


@pytest.mark.parametrize(
    ("a", "b"),
    [([19, 22, 22, 31], [25, 40, 41]), ([15] * 5 + [16], [60, 61]), ([30, 30], [30, 31, 50, 50, 50])],
    ids=["even and odd", "ties", "no spread in one"],
)
def test_numbers_are_those_of_the_list_of_cases(a, b):
    """The standard library over one number a case."""
    values = np.array(sorted({*a, *b}))
    found = numbers_compared(values, counted(a, values), counted(b, values))
    assert (found.median_a[0], found.median_b[0]) == (statistics.median(a), statistics.median(b))
    assert (found.mean_a[0], found.mean_b[0]) == pytest.approx((statistics.mean(a), statistics.mean(b)))
    spread = math.sqrt((statistics.variance(a) + statistics.variance(b)) / 2)
    assert found.standardised[0] == pytest.approx((statistics.mean(a) - statistics.mean(b)) / spread)


@pytest.mark.parametrize(
    ("a", "b", "median", "standardised"),
    [([], [20, 30], math.nan, math.nan), ([25], [20, 30], 25, math.nan), ([25, 25], [25, 25], 25, 0.0),
     ([25, 25], [26, 26], 25, math.nan)],
    ids=["nothing known of an arm", "one case has no spread", "all alike", "alike within, not between"],
)  # fmt: skip
def test_corners_of_numbers(a, b, median, standardised):
    values = np.arange(20, 31)
    found = numbers_compared(values, counted(a, values), counted(b, values))
    assert found.median_a[0] == pytest.approx(median, nan_ok=True)
    assert found.standardised[0] == pytest.approx(standardised, nan_ok=True)


def test_a_number_that_nobody_told():
    found = numbers_compared(np.array([]), np.zeros((1, 0), np.int64), np.zeros((1, 0), np.int64))
    assert np.isnan([found.median_a[0], found.mean_b[0], found.standardised[0]]).all()


SEX = Characteristic("sex", ("female", "male", "other"), np.array([6, 4, 0]), np.array([5, 5, 0]), 1, 0)
AGE = Characteristic("age_years", np.array([20, 30, 40]), np.array([5, 5, 0]), np.array([0, 4, 6]), 1, 0)


def test_a_row_for_each_word_that_occurs_and_one_for_a_number():
    frame = baseline_rows("peg", "wire", [SEX, AGE])
    assert list(zip(frame["characteristic"], frame["value"], strict=True)) == [
        ("sex", "female"), ("sex", "male"), ("age_years", ""),
    ]  # fmt: skip
    assert frame["n_a"].tolist() == [6, 4, 10]
    assert frame["missing_a"].tolist() == [1, 1, 1]
    assert frame["share_a"].tolist()[:2] == [0.6, 0.4]
    assert frame["median_a"].iloc[2] == 25
    assert frame["median_b"].iloc[2] == 40


def test_the_published_shape():
    frame = baseline_rows("peg", "wire", [SEX, AGE])
    assert len(model_failures(BASELINE, typed(BASELINE, frame))) == 0
    assert list(baseline_rows("peg", "wire", []).columns) == list(BASELINE.names)


def test_a_characteristic_of_which_nothing_is_known_is_seen_to_be_missing():
    nothing = np.zeros(2, np.int64)
    frame = baseline_rows("peg", "wire", [Characteristic("smoker", ("no", "yes"), nothing, nothing, 7, 9)])
    (row,) = frame.to_dict("records")
    assert (row["value"], row["n_a"], row["missing_a"], row["missing_b"]) == ("", 0, 7, 9)
    assert frame[["share_a", "median_a", "standardised_difference"]].isna().all(axis=None)


def counts_with(counts_of, cells_of_baseline):
    """Counts of (arm, characteristic, value, cases), characteristics by name."""
    rows = [(arm, CHARACTERISTICS.index(name), value, cases) for arm, name, value, cases in cells_of_baseline]
    keys = pd.DataFrame([row[:3] for row in rows], columns=["arm", "characteristic", "value"]).astype("int64")
    return replace(
        counts_of([]), baseline=summed(keys, {"cases": np.array([row[3] for row in rows], np.int64)})
    )


def test_the_table_of_the_stated_comparison(counts_of, settings, labels):
    female, unknown = 0, 3
    counts = counts_with(counts_of, [
        (0, "sex", female, 6), (0, "sex", unknown, 2), (0, "sex", -1, 1), (1, "sex", female, 4),
        (0, "age_years", 19, 5), (0, "age_years", 21, 4), (1, "age_years", 30, 4),
        (0, "fixation", 1, 9), (1, "fixation", 0, 4), (1, "prior_operation", 1, 4), (0, "prior_operation", -1, 9),
    ])  # fmt: skip
    frame = baseline_table(counts, settings, labels).set_index(["characteristic", "value"])
    assert frame.loc[("sex", "female"), ["n_a", "n_b", "missing_a", "missing_b"]].tolist() == [6, 4, 3, 0]
    assert frame.loc[("sex", "female"), "share_a"] == 1
    assert ("sex", "unknown") not in frame.index
    assert frame.loc[("age_years", ""), ["n_a", "median_a", "median_b"]].tolist() == [9, 19, 30]
    assert frame.loc[("fixation", "peg;wire"), "n_a"] == 9
    assert frame.loc[("prior_operation_same_joint", "yes"), ["n_b", "missing_a"]].tolist() == [4, 9]
    assert frame.loc[("asa_class", ""), "n_a"] == 0
    assert len(model_failures(BASELINE, typed(BASELINE, frame.reset_index()))) == 0


def test_no_stated_comparison_or_no_case_no_table(counts_of, settings, labels):
    some = counts_with(counts_of, [(0, "smoker", 1, 3)])
    assert len(baseline_table(some, settings, labels)) > 0
    assert len(baseline_table(some, replace(settings, primary=None), labels)) == 0
    assert len(baseline_table(counts_of([]), settings, labels)) == 0
