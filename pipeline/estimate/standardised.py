"""Directly standardised rates: what a group's rate would be with a stated mix of bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate.proportions import ImpossibleCounts, share_of


@dataclass(frozen=True)
class Standardised:
    """One rate a group with its limits; nan where a band that has weight has nobody to say something.

    Attributes:
        rate: Weighted mean of the rates of the bands.
        low, high: Its limits.
        method: `fay-feuer` or `stratified wilson`.
        confidence: For example 0.95.
    """

    rate: np.ndarray
    low: np.ndarray
    high: np.ndarray
    method: str
    confidence: float


def standardised_rate(
    events: np.ndarray, time: np.ndarray, standard: np.ndarray, confidence: float
) -> Standardised:
    """Events per person-time with the bands weighted as in the standard; gamma limits.

    With weights w of the bands' events, y the rate, v = Σ w² events its variance and m the largest w: the lower limit is
    that of a gamma distribution with mean y and variance v, the upper with mean y + m and variance v + m². With one
    band they are the exact Poisson limits (Fay & Feuer 1997, Stat Med 16:791). For person-time only: on shares of
    small groups the upper limit passes 1.

    Args:
        events: Whole numbers [..., band].
        time: Person-time, same shape.
        standard: The mix wanted, [band] or the shape of `events`, at least 0; need not sum to 1.
        confidence: Between 0 and 1.

    Raises:
        ImpossibleCounts: Something below 0, or events in no person-time.
    """
    from scipy.stats import gamma

    events, time = np.asarray(events, dtype=float), np.asarray(time, dtype=float)
    mix = _mix(events, time, standard)
    if ((events > 0) & (time == 0)).any():
        raise ImpossibleCounts(
            "Got events in no person-time. Expected time for each. Report it with the manifest."
        )
    weight = np.divide(mix, time, out=np.zeros(time.shape), where=time > 0)
    rate, variance, most = (weight * events).sum(-1), (weight**2 * events).sum(-1), weight.max(-1)
    tail = (1 - confidence) / 2
    low = np.zeros(rate.shape)
    some = rate > 0
    low[some] = gamma.ppf(tail, rate[some] ** 2 / variance[some], scale=variance[some] / rate[some])
    known = _known(mix, time) & (most > 0)
    mean, spread = np.where(known, rate + most, 1.0), np.where(known, variance + most**2, 1.0)
    high = gamma.ppf(1 - tail, mean**2 / spread, scale=spread / mean)
    return _where(known, rate, low, high, "fay-feuer", confidence)


def standardised_share(
    events: np.ndarray, cases: np.ndarray, standard: np.ndarray, confidence: float
) -> Standardised:
    """Share of cases with the event, the bands weighted as in the standard; limits within 0 and 1.

    Stratified Wilson interval (Yan & Su 2010, Stat Biopharm Res 2:329, weights given): the weighted mean of the bands'
    Wilson limits, taken at z · √Σ w² v / Σ w √v instead of z, v = p (1 - p) / n. With one band it is Wilson's
    interval. Where no band has a variance (no event at all, or nothing else) v = 1 / n stands for it: the limit of
    equal rates.

    Args:
        events, cases: Whole numbers [..., band], 0 ≤ events ≤ cases.
        standard: The mix wanted, [band] or the shape of `events`, at least 0; need not sum to 1.
        confidence: Between 0 and 1.

    Raises:
        ImpossibleCounts: Events outside 0 to cases, or a weight below 0.
    """
    from scipy.stats import norm

    events, cases = np.asarray(events, dtype=np.int64), np.asarray(cases, dtype=np.int64)
    mix = _mix(events, cases, standard)
    if (events > cases).any():
        raise ImpossibleCounts(
            "Got more events than cases. Expected at most as many. Report it with the manifest."
        )
    share = np.nan_to_num(share_of(events, cases))
    z = float(norm.ppf(0.5 + confidence / 2)) * _narrowing(mix, share, cases)[..., None]
    low, high = _wilson(share, cases, z)
    rate, low, high = ((mix * each).sum(-1) for each in (share, low, high))
    return _where(_known(mix, cases), rate, low, high, "stratified wilson", confidence)


def _mix(events: np.ndarray, size: np.ndarray, standard: np.ndarray) -> np.ndarray:
    """The standard as shares of 1, in the shape of the counts."""
    standard = np.broadcast_to(np.asarray(standard, dtype=float), events.shape)
    if (events < 0).any() or (size < 0).any() or (standard < 0).any():
        raise ImpossibleCounts("Got a count or weight below 0. Expected none. Report it with the manifest.")
    total = standard.sum(-1, keepdims=True)
    return np.divide(standard, total, out=np.zeros(events.shape), where=total > 0)


def _known(mix: np.ndarray, size: np.ndarray) -> np.ndarray:
    """bool: there is weight, and every band that has some has someone in it."""
    return np.asarray((mix > 0).any(-1) & ~((mix > 0) & (size == 0)).any(-1))


def _where(
    known: np.ndarray, rate: np.ndarray, low: np.ndarray, high: np.ndarray, method: str, confidence: float
) -> Standardised:
    """The rates that are known, nan elsewhere."""
    rate, low, high = (np.where(known, each, np.nan) for each in (rate, low, high))
    return Standardised(rate, low, high, method, confidence)


def _narrowing(mix: np.ndarray, share: np.ndarray, cases: np.ndarray) -> np.ndarray:
    """By how much the bands' intervals may be narrower than that of the whole: 1 for one band, less for more."""
    inverse = np.divide(1.0, cases, out=np.zeros(cases.shape), where=cases > 0)
    variance = share * (1 - share) * inverse
    nothing = (mix * variance).sum(-1, keepdims=True) == 0
    deviation = mix * np.sqrt(np.where(nothing, inverse, variance))
    sums = deviation.sum(-1)
    return np.divide(np.sqrt((deviation**2).sum(-1)), sums, out=np.ones(sums.shape), where=sums > 0)


def _wilson(share: np.ndarray, cases: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Wilson's limits at a z of each group's own; 0 to 1 without cases."""
    n, square = np.maximum(cases, 1), z**2
    middle = (share + square / (2 * n)) / (1 + square / n)
    half = z / (1 + square / n) * np.sqrt(share * (1 - share) / n + square / (4 * n**2))
    low, high = np.maximum(middle - half, 0.0), np.minimum(middle + half, 1.0)
    return np.where((share == 0) | (cases == 0), 0.0, low), np.where((share == 1) | (cases == 0), 1.0, high)
