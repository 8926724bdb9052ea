"""How good expected risks are: do they tell cases apart, and are they as high as what happened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate.logistic import is_separated, logistic_fit

#: Risks nearer to 0 or 1 are taken as this near, so that their log odds exist.
NEAREST = 0.00005


@dataclass(frozen=True)
class Concordance:
    """Chance that of two cases, one with and one without event, the first had the higher risk (ties half).

    nan without a pair; limits are nan if they would have no width: fewer than two on a side, or all pairs alike.
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Calibration:
    """Fit of the outcome on the log odds of the risk; 0 and 1 are right, nan cannot be estimated.

    Attributes:
        intercept: With the slope held at 1: above 0, more happened than was expected.
        slope: Below 1, risks are too far apart.
    """

    intercept: float
    slope: float


def concordance(risk: np.ndarray, events: np.ndarray, cases: np.ndarray, confidence: float) -> Concordance:
    """C statistic with the interval of DeLong et al. 1988 (Biometrics 44:837), from counts by risk.

    Args:
        risk: float [cell]; cells of equal risk are taken together.
        events, cases: int [cell].
        confidence: Between 0 and 1; the interval is normal, cut at 0 and 1.
    """
    from scipy.stats import norm

    place = np.unique(risk, return_inverse=True)[1]
    having = np.bincount(place, weights=events)
    without = np.bincount(place, weights=cases - events)
    if not having.sum() or not without.sum():
        return Concordance(np.nan, np.nan, np.nan)
    below = (np.cumsum(without) - without / 2) / without.sum()  # of an event: share of those without it beats
    above = (
        1 - (np.cumsum(having) - having / 2) / having.sum()
    )  # of one without: share of the events above it
    value = float(having @ below / having.sum())
    spread = np.sqrt(_of_mean(having, below) + _of_mean(without, above))
    if not spread > 0:
        return Concordance(value, np.nan, np.nan)
    reach = norm.ppf(0.5 + confidence / 2) * spread
    return Concordance(value, float(max(0.0, value - reach)), float(min(1.0, value + reach)))


def _of_mean(weight: np.ndarray, value: np.ndarray) -> float:
    """Variance of the mean of values, each counted `weight` times; nan below two."""
    number = weight.sum()
    if number < 2:
        return float("nan")
    mean = weight @ value / number
    return float(weight @ (value - mean) ** 2 / (number - 1) / number)


def calibration(risk: np.ndarray, events: np.ndarray, cases: np.ndarray) -> Calibration:
    """Intercept and slope (Cox 1958, Biometrika 45:562), in the cases given.

    In the very cases a model was fitted to they flatter it: maximum likelihood gives 0 and 1 by construction.

    Args:
        risk: float [cell], between 0 and 1.
        events, cases: int [cell].
    """
    some = cases > 0
    events, cases = events[some], cases[some]
    near = np.clip(risk[some], NEAREST, 1 - NEAREST)
    odds = np.log(near / (1 - near))
    if not 0 < events.sum() < cases.sum():
        return Calibration(np.nan, np.nan)
    one = np.ones((len(odds), 1))
    line = np.column_stack([one, odds])
    intercept = logistic_fit(one, events, cases, offset=odds)
    if np.ptp(odds) == 0 or is_separated(line, events, cases):
        return Calibration(float(intercept.coefficients[0]), np.nan)
    return Calibration(
        float(intercept.coefficients[0]), float(logistic_fit(line, events, cases).coefficients[1])
    )
