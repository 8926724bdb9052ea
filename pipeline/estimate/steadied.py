"""Ratios of observed to expected events, drawn towards 1 the more, the fewer events they rest on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FEWEST_UNITS = 8
#: log of the shape: from ratios that vary twelvefold to ones whose standard deviation is below 0.01
NARROWEST, WIDEST = 10.0, -5.0
GAIN = 1e-9


@dataclass(frozen=True)
class Steadied:
    """One ratio per unit, with limits that are too narrow since the spread is taken as known.

    Attributes:
        value, low, high: float [unit]; nan where it is not worked out.
        spread: Standard deviation of the units' own ratios; 0 if they differ no more than by chance, then every
            value is 1 and no limits are given; nan for fewer than eight units.
    """

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    spread: float


def steadied_ratios(events: np.ndarray, expected: np.ndarray, confidence: float) -> Steadied:
    """Empirical Bayes: events ~ Poisson(expected × θ), θ ~ gamma with mean 1; the shape by marginal likelihood.

    The mean is 1 because what is expected comes from the same cases. Value and limits are of the gamma
    distribution with shape a + events and rate a + expected (Clayton & Kaldor 1987, Biometrics 43:671).

    Args:
        events: int [unit].
        expected: float [unit], above 0.
        confidence: Between 0 and 1.
    """
    from scipy.stats import gamma

    nothing = np.full(events.shape, np.nan)
    if len(events) < FEWEST_UNITS:
        return Steadied(nothing, nothing, nothing, float("nan"))
    shape = _shape(events, expected)
    if np.isinf(shape):
        return Steadied(np.ones(events.shape), nothing, nothing, 0.0)
    posterior = gamma(shape + events, scale=1 / (shape + expected))
    low, high = (np.asarray(posterior.ppf((1 + side * confidence) / 2)) for side in (-1, 1))
    return Steadied((shape + events) / (shape + expected), low, high, float(1 / np.sqrt(shape)))


def _shape(events: np.ndarray, expected: np.ndarray) -> float:
    """The likeliest shape; infinite where no spread is likeliest."""
    from scipy.optimize import minimize_scalar
    from scipy.stats import nbinom, poisson

    def height(log_shape: float) -> float:
        shape = np.exp(log_shape)
        return float(nbinom.logpmf(events, shape, shape / (shape + expected)).sum())

    found = minimize_scalar(
        lambda at: -height(at), bounds=(WIDEST, NARROWEST), method="bounded", options={"xatol": 1e-10}
    )
    by_chance = float(poisson.logpmf(events, expected).sum())
    return float(np.exp(found.x)) if -found.fun > by_chance + GAIN else float("inf")
