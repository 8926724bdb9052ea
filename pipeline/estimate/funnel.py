"""Funnel limits: how far a share may lie from the target by chance, at each number of cases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FEWEST_UNITS = 10
WINSORISED = 0.1


@dataclass(frozen=True)
class Limits:
    """Lower and upper limit of each unit; nan where there is none."""

    low: np.ndarray
    high: np.ndarray


@dataclass(frozen=True)
class OverDispersion:
    """How far units lie apart beyond chance; all nan below ten units.

    Attributes:
        phi: Mean square of the distances in standard errors; 1 by chance alone.
        phi_winsorised: The same, the outermost tenth on each side drawn in to its edge.
        tau_squared: Variance between units to be added to each one's own; 0 unless `phi_winsorised` is above 1.
        p_value: Of the chi-square test that all lie on the target (degrees of freedom: units less one).
    """

    phi: float
    phi_winsorised: float
    tau_squared: float
    p_value: float


def interpolated_limit(target: np.ndarray, cases: np.ndarray, chance: float) -> np.ndarray:
    """The share below which `chance` of the binomial distribution lies, interpolated between whole events.

    (r - a) / n, where r is the fewest events with P(X <= r) >= chance and a = (P(X <= r) - chance) / P(X = r)
    (Spiegelhalter 2005, Stat Med 24:1185, appendix, from memory). Not cut: it may lie below 0.

    Args:
        target: Share, strictly between 0 and 1.
        cases: int, at least 1, same shape.
        chance: Such as 0.025 or 0.999.
    """
    from scipy.stats import binom

    events = binom.ppf(chance, cases, target)
    over = (binom.cdf(events, cases, target) - chance) / binom.pmf(events, cases, target)
    return np.asarray((events - over) / cases)


def funnel_limits(target: float, cases: np.ndarray, confidence: float) -> Limits:
    """Exact binomial limits with interpolation, cut to 0 and 1.

    Shares from 0 to 1, nan without cases.

    Args:
        target: Share of all, from 0 to 1; at 0 or 1 both limits are the target.
        cases: int array of any shape.
        confidence: 0.95 and 0.998 by custom.
    """
    low, high = (np.full(np.shape(cases), np.nan) for _ in range(2))
    some = np.asarray(cases) > 0
    if not 0 < target < 1:
        low[some] = high[some] = target
        return Limits(low, high)
    number = np.asarray(cases)[some]
    shares = np.full(number.shape, target)
    low[some] = np.clip(interpolated_limit(shares, number, (1 - confidence) / 2), 0, 1)
    high[some] = np.clip(interpolated_limit(shares, number, (1 + confidence) / 2), 0, 1)
    return Limits(low, high)


def widened_limits(target: float, variance: np.ndarray, tau_squared: float, confidence: float) -> Limits:
    """Normal limits with the variance between units added, cut at 0: target ± z √(variance + τ²).

    Args:
        target: Share, or 1 for ratios of observed to expected.
        variance: By chance alone, of each unit: target (1 - target) / cases, or the Poisson-binomial variance over
            the square of what is expected.
        tau_squared: Of `over_dispersion`.
        confidence: Between 0 and 1.
    """
    from scipy.stats import norm

    reach = norm.ppf((1 + confidence) / 2) * np.sqrt(variance + tau_squared)
    return Limits(np.maximum(target - reach, 0.0), target + reach)


def over_dispersion(value: np.ndarray, target: float, variance: np.ndarray) -> OverDispersion:
    """Over-dispersion φ and additive τ² (Spiegelhalter 2005, Stat Med 24:1185; Qual Saf Health Care 14:347).

    τ² = (I φ - (I - 1)) / (Σ w - Σ w² / Σ w), w = 1 / variance, with φ winsorised at quantiles of type 7.

    Args:
        value: float [unit]: shares, or ratios of observed to expected.
        target: What all would have.
        variance: float [unit] by chance alone, above 0.
    """
    from scipy.stats import chi2

    units = len(value)
    if units < FEWEST_UNITS:
        return OverDispersion(*[float("nan")] * 4)
    distance = (value - target) / np.sqrt(variance)
    edges = np.quantile(distance, [WINSORISED, 1 - WINSORISED])
    phi, drawn_in = (float(np.mean(each**2)) for each in (distance, np.clip(distance, *edges)))
    tau_squared = additive_variance(drawn_in, variance) if drawn_in > 1 else 0.0
    return OverDispersion(phi, drawn_in, tau_squared, float(chi2.sf(units * phi, units - 1)))


def additive_variance(phi: float, variance: np.ndarray) -> float:
    """τ² of a given φ by the method of moments (DerSimonian & Laird 1986); at least 0."""
    weight = 1 / variance
    room = weight.sum() - (weight**2).sum() / weight.sum()
    return max(0.0, float((len(variance) * phi - (len(variance) - 1)) / room))


def target_of_others(events: np.ndarray, cases: np.ndarray) -> np.ndarray:
    """Share of all other units' cases; nan for the only unit with cases."""
    others = (cases.sum() - cases).astype(float)
    return np.divide(events.sum() - events, others, out=np.full(others.shape, np.nan), where=others > 0)
