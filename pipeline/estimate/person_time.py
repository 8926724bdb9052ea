"""Events over person-time: exact limits, rates per 100 person-years, two rates set against each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.errors import WrongUse
from pipeline.estimate.proportions import (
    ImpossibleCounts,
    Interval,
    person_time_interval,
    proportion_interval,
    share_of,
)
from pipeline.estimate.two_arms import Estimate

DAYS_PER_YEAR = 365.25
METHODS = ("garwood", "byar")
_AS_LIKELY = 1 + 1e-7  # counts this much likelier than the one seen are still as likely: rounding of floats


@dataclass(frozen=True)
class PersonTimeRate:
    """Events per 100 person-years with limits, one per stratum; nan without person-time.

    Attributes:
        years: Person-years.
        rate, low, high: Per 100 person-years.
        method: `garwood` or `byar`.
        confidence: For example 0.95.
    """

    years: np.ndarray
    rate: np.ndarray
    low: np.ndarray
    high: np.ndarray
    method: str
    confidence: float


def poisson_interval(events: np.ndarray, time: np.ndarray, method: str, confidence: float) -> Interval:
    """Limits of events / time, in events per unit of time.

    With expected events as time, the limits of observed / expected.

    Args:
        events: Whole numbers from 0.
        time: Same shape, at least 0. Where it is 0 the limits are nan.
        method: `garwood` (exact: Garwood 1936, Biometrika 28:437) or `byar` (Breslow & Day 1987, Statistical
            Methods in Cancer Research II, p. 69: x(1 - 1/9x - z/3√x)³ and the same above with x + 1).
        confidence: Between 0 and 1.

    Raises:
        ImpossibleCounts: Events or time below 0.
        WrongUse: A method that does not exist.
    """
    if method not in METHODS:
        raise WrongUse(f"Got interval `{method}`. Expected one of {', '.join(METHODS)}.")
    exact = person_time_interval(events, time, confidence)
    return exact if method == "garwood" else _byar(events, time, confidence)


def _byar(events: np.ndarray, time: np.ndarray, confidence: float) -> Interval:
    from scipy.stats import norm

    events, time = np.asarray(events, dtype=float), np.asarray(time, dtype=float)
    z = float(norm.ppf(0.5 + confidence / 2))
    low = np.where(events > 0, _wilson_hilferty(np.maximum(events, 1), -z), 0.0)
    high = _wilson_hilferty(events + 1, z)
    return Interval(share_of(low, time), share_of(high, time), "byar", confidence)


def _wilson_hilferty(mean: np.ndarray, z: float) -> np.ndarray:
    """Where a Poisson tail lies, by the cube root that makes chi-square nearly normal; never below 0."""
    return np.asarray(mean * np.maximum(1 - 1 / (9 * mean) + z / (3 * np.sqrt(mean)), 0.0) ** 3)


def rate_per_100_years(
    events: np.ndarray, days: np.ndarray, confidence: float, method: str = "garwood"
) -> PersonTimeRate:
    """Events per 100 person-years.

    Without events the rate is 0 and the upper limit says what that is worth; without days nothing is estimable.

    Args:
        events: Whole numbers, only those that fell into the days.
        days: Whole days at risk, same shape.
        confidence: Between 0 and 1.
        method: As in `poisson_interval`.

    Raises:
        ImpossibleCounts: Events or days below 0, or events without any day.
    """
    events, days = np.asarray(events, dtype=np.int64), np.asarray(days, dtype=np.int64)
    if ((events > 0) & (days == 0)).any():
        raise ImpossibleCounts(
            "Got events in no person-time. Expected a day at risk for each. Report it with the manifest."
        )
    years = days / DAYS_PER_YEAR
    found = poisson_interval(events, years / 100, method, confidence)
    return PersonTimeRate(
        years, share_of(events, years / 100), found.low, found.high, found.method, confidence
    )


def rate_ratio(
    events_a: np.ndarray, time_a: np.ndarray, events_b: np.ndarray, time_b: np.ndarray, confidence: float
) -> Estimate:
    """Rate of a by rate of b, with the exact limits that hold whatever the common rate is.

    Given all events, those of a are binomial; the limits of that share (Clopper–Pearson) are turned into a ratio
    (Przyborowski & Wilenski 1940, Biometrika 31:313; as in R's `poisson.test`).

    Args:
        events_a, events_b: Whole numbers, same shape.
        time_a, time_b: Person-time in one unit.
        confidence: Between 0 and 1.

    Returns:
        nan without any event or where an arm has no time; an infinite ratio or limit is nan.
    """
    events_a, events_b = (np.asarray(each, dtype=np.int64) for each in (events_a, events_b))
    time_a, time_b = (np.asarray(each, dtype=float) for each in (time_a, time_b))
    share = proportion_interval(events_a, events_a + events_b, "clopper-pearson", confidence)
    scale = np.where(time_a > 0, share_of(time_b, time_a), np.nan)
    scale = np.where(time_b > 0, scale, np.nan)
    value, low, high = (
        _odds(each) * scale for each in (share_of(events_a, events_a + events_b), share.low, share.high)
    )
    return Estimate(value, low, high, "exact conditional")


def _odds(share: np.ndarray) -> np.ndarray:
    return np.divide(share, 1 - share, out=np.full(share.shape, np.nan), where=share < 1)


def rates_test(x: int, time_a: float, y: int, time_b: float) -> float:
    """Two-sided p of equal rates: all splits of the events as unlikely as the one seen, or more.

    Args:
        x, time_a: Events and person-time of a.
        y, time_b: Events and person-time of b, in the same unit.

    Returns:
        nan where an arm has no person-time; 1 without events.
    """
    from scipy.stats import binom

    if not time_a > 0 or not time_b > 0:
        return float("nan")
    chance = binom.pmf(np.arange(x + y + 1), x + y, time_a / (time_a + time_b))
    return min(1.0, float(chance[chance <= chance[x] * _AS_LIKELY].sum()))
