"""How two arms differed before the operation: shares, medians and standardised differences, from counts.

A standardised difference does not grow with the number of cases, as a p value would. Source: Austin 2009, Stat Med
28:3083 (from memory): the difference of two means or shares by the root of the mean of the two arms' variances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.counts import BASELINE, Cells, Counts
from pipeline.estimate.proportions import share_of
from pipeline.handover import Labels
from pipeline.settings import Settings
from schemas.exports import EXPORTS

COLUMNS = (
    "arm_a", "arm_b", "characteristic", "value", "n_a", "n_b", "missing_a", "missing_b", "share_a", "share_b",
    "median_a", "median_b", "standardised_difference",
)  # fmt: skip
#: What the table calls a characteristic that has another name in the frame of cases.
_CALLED = {"prior_operation": "prior_operation_same_joint"}
_NUMBERS = ("age_years",)
_YES_NO = ("prior_operation", "smoker", "diabetes")
#: A word that says that it is not known.
_UNKNOWN = "unknown"


@dataclass(frozen=True)
class SharesCompared:
    """Shares of either arm by value, float64 of the shape of the counts; nan where nothing is known of an arm."""

    share_a: np.ndarray
    share_b: np.ndarray
    standardised: np.ndarray


@dataclass(frozen=True)
class NumbersCompared:
    """Medians and means of either arm, float64 (comparisons,); nan where nothing is known of an arm."""

    median_a: np.ndarray
    median_b: np.ndarray
    mean_a: np.ndarray
    mean_b: np.ndarray
    standardised: np.ndarray


@dataclass(frozen=True)
class Characteristic:
    """One thing known of the cases of both arms.

    Attributes:
        name: As in the table.
        values: Words, or numbers in rising order.
        a, b: int64 (values,), cases of each arm.
        missing_a, missing_b: Cases of which it is not known.
    """

    name: str
    values: tuple[str, ...] | np.ndarray
    a: np.ndarray
    b: np.ndarray
    missing_a: int
    missing_b: int


def shares_compared(a: np.ndarray, b: np.ndarray) -> SharesCompared:
    """Share of each value among the cases of which it is known, and the standardised difference of each.

    For every value (p - q) / √((p (1 - p) + q (1 - q)) / 2); 0 where both are 0 or both 1, nan where one is 0 and the
    other 1.

    Args:
        a, b: Whole numbers (…, values).
    """
    p, q = (share_of(each, np.broadcast_to(each.sum(axis=-1, keepdims=True), each.shape)) for each in (a, b))
    return SharesCompared(p, q, _standardised(p - q, p * (1 - p), q * (1 - q)))


def numbers_compared(values: np.ndarray, a: np.ndarray, b: np.ndarray) -> NumbersCompared:
    """Medians, means and the standardised difference of numbers told by how many cases have each.

    (mean of a - mean of b) / √((s² + t²) / 2) with the variances of samples, which an arm of one case does not have.

    Args:
        values: Numbers (values,) in rising order.
        a, b: Whole numbers (comparisons, values): cases with each value.
    """
    (mean_a, variance_a), (mean_b, variance_b) = (_moments(values, each) for each in (a, b))
    standardised = _standardised(mean_a - mean_b, variance_a, variance_b)
    return NumbersCompared(_median(values, a), _median(values, b), mean_a, mean_b, standardised)


def _moments(values: np.ndarray, cases: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean (nan without cases) and variance (nan with fewer than two)."""
    n = cases.sum(axis=1)
    mean = share_of((cases * values).sum(axis=1), n)
    away = np.where(cases > 0, (values - mean[:, None]) ** 2, 0.0)
    return mean, np.where(n > 1, share_of((cases * away).sum(axis=1), n - 1), np.nan)


def _median(values: np.ndarray, cases: np.ndarray) -> np.ndarray:
    """The middle value, or half-way between the two in the middle."""
    if not len(values):
        return np.full(len(cases), np.nan)
    n, so_far = cases.sum(axis=1), cases.cumsum(axis=1)
    middle = [(so_far < rank[:, None]).sum(axis=1) for rank in ((n + 1) // 2, n // 2 + 1)]
    lower, upper = (values[np.minimum(at, len(values) - 1)] for at in middle)
    return np.where(n > 0, (lower + upper) / 2, np.nan)


def _standardised(difference: np.ndarray, variance_a: np.ndarray, variance_b: np.ndarray) -> np.ndarray:
    spread = np.sqrt((variance_a + variance_b) / 2)
    found = np.divide(difference, spread, out=np.full(difference.shape, np.nan), where=spread > 0)
    return np.where((spread == 0) & (difference == 0), 0.0, found)


def baseline_table(counts: Counts, settings: Settings, labels: Labels) -> pd.DataFrame:
    """The published `baseline`: the arms of the stated comparison, its closed and isolated cases.

    No rows without a stated comparison, or without a case in either arm.
    """
    cells = counts.baseline
    if settings.primary is None or not len(cells.keys):
        return pd.DataFrame(columns=list(COLUMNS))
    told = [_characteristic(cells, number, labels) for number in range(len(BASELINE))]
    return baseline_rows(settings.primary.a, settings.primary.b, told)


def _characteristic(cells: Cells, number: int, labels: Labels) -> Characteristic:
    name = BASELINE[number]
    own = cells.where((cells.keys["characteristic"] == number).to_numpy())
    value, arm = own.keys["value"].to_numpy(), own.keys["arm"].to_numpy()
    highest = int(value.max(initial=-1))
    values = np.arange(highest + 1) if name in _NUMBERS else _words(name, highest, labels)
    told = np.zeros((2, len(values) + 1), np.int64)  # missing stands last
    told[arm, value] = own["cases"]
    missing = told[:, -1] + sum(told[:, at] for at, word in enumerate(values) if word == _UNKNOWN)
    known = [at for at, word in enumerate(values) if word != _UNKNOWN]
    kept = values if isinstance(values, np.ndarray) else tuple(values[at] for at in known)
    a, b = told[:, known]
    return Characteristic(_CALLED.get(name, name), kept, a, b, int(missing[0]), int(missing[1]))


def _words(name: str, highest: int, labels: Labels) -> tuple[str, ...]:
    """What each value of a characteristic is called."""
    if name in _YES_NO:
        return ("no", "yes")
    named = {
        "age_band": labels.age_bands,
        "sex": EXPORTS["operations"]["sex"].vocabulary,
        "site": labels.sites,
        "fixation": labels.fixations,
    }
    return named.get(name) or tuple(str(grade) for grade in range(highest + 1))


def baseline_rows(arm_a: str, arm_b: str, characteristics: Sequence[Characteristic]) -> pd.DataFrame:
    """The published `baseline` of two arms: a row for each word that occurs, one for each number.

    A characteristic of which nothing is known has one row too, so that it is seen to be missing.
    """
    frames = [
        (_of_words if isinstance(each.values, tuple) else _of_numbers)(each).assign(
            arm_a=arm_a,
            arm_b=arm_b,
            characteristic=each.name,
            missing_a=each.missing_a,
            missing_b=each.missing_b,
        )
        for each in characteristics
    ]
    if not frames:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat(frames, ignore_index=True)[list(COLUMNS)]


def _of_words(told: Characteristic) -> pd.DataFrame:
    if not (told.a + told.b).any():
        return _of_numbers(Characteristic(told.name, np.zeros(0), told.a[:0], told.b[:0], 0, 0))
    found = shares_compared(told.a, told.b)
    columns = {
        "value": np.array(told.values, dtype=object),
        "n_a": told.a,
        "n_b": told.b,
        "share_a": found.share_a,
        "share_b": found.share_b,
        "median_a": np.nan,
        "median_b": np.nan,
        "standardised_difference": found.standardised,
    }
    return pd.DataFrame(columns)[(told.a + told.b) > 0]


def _of_numbers(told: Characteristic) -> pd.DataFrame:
    found = numbers_compared(np.asarray(told.values), told.a[None, :], told.b[None, :])
    columns = {
        "value": "",
        "n_a": told.a.sum(),
        "n_b": told.b.sum(),
        "share_a": np.nan,
        "share_b": np.nan,
        "median_a": found.median_a,
        "median_b": found.median_b,
        "standardised_difference": found.standardised,
    }
    return pd.DataFrame(columns)
