"""Event-free curves and cumulative incidence, for many strata at once, from counts that add.

The additive statistic is how many cases leave observation on each day, and why: with the event, by the competing
event, or censored. Everyone enters on day 0, so the number at risk on a day is the number that leaves on that day
or later. Ties are read as usual: who is censored on a day was at risk on it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.estimate.proportions import ImpossibleCounts

CAUSES = ("event", "competing", "censored")


@dataclass(frozen=True)
class Leaving:
    """How many cases of each stratum leave observation on each day.

    Attributes:
        stratum: int64 [row], 0 to `strata` - 1, rising.
        day: int64 [row], from 0, rising within a stratum, no day of a stratum twice.
        event: int64 [row], cases whose first event is on that day.
        competing: int64 [row], cases that the competing event ended on that day, without an event up to it.
        censored: int64 [row], cases last observed on that day.
        strata: How many strata there are, also those without a case.
    """

    stratum: np.ndarray
    day: np.ndarray
    event: np.ndarray
    competing: np.ndarray
    censored: np.ndarray
    strata: int

    @property
    def leaving(self) -> np.ndarray:
        """int64 [row]: all who leave on that day."""
        return self.event + self.competing + self.censored

    @property
    def at_risk(self) -> np.ndarray:
        """int64 [row]: cases observed on that day, those leaving on it included."""
        gone = np.cumsum(self.leaving)
        return np.asarray(_by_end(self, gone)[self.stratum] - gone + self.leaving, dtype=np.int64)

    @property
    def cases(self) -> np.ndarray:
        """int64 [stratum]: all cases."""
        return np.diff(_by_end(self, np.cumsum(self.leaving)), prepend=0)

    def __add__(self, other: Leaving) -> Leaving:
        return added_leaving([self, other])


def _by_end(leaving: Leaving, running: np.ndarray) -> np.ndarray:
    """A running total over all rows, as it stands after the last row of each stratum."""
    ends = np.searchsorted(leaving.stratum, np.arange(leaving.strata), side="right")
    return np.asarray(np.concatenate([np.zeros(1, running.dtype), running])[ends])


def leaving(
    stratum: np.ndarray,
    day: np.ndarray,
    event: np.ndarray,
    competing: np.ndarray,
    censored: np.ndarray,
    strata: int,
) -> Leaving:
    """Rows in any order, also several of one day, as the statistic of the curves.

    A row may take back what another gives (counts below 0): who leaves without an event is counted once for all
    outcomes, and each outcome moves only the cases that had it.

    Args:
        stratum, day, event, competing, censored: Whole numbers of one length, as in `Leaving`.
        strata: How many strata there are.

    Raises:
        ImpossibleCounts: A day below 0, a stratum outside the range, or more taken back than was given.
    """
    stratum, day, *counts = (
        np.asarray(each, dtype=np.int64) for each in (stratum, day, event, competing, censored)
    )
    if (day < 0).any() or (stratum < 0).any() or (stratum >= strata).any():
        raise ImpossibleCounts(_OUTSIDE)
    key = stratum * (int(day.max(initial=0)) + 1) + day
    order = np.argsort(key, kind="stable")
    begins = np.flatnonzero(np.diff(key[order], prepend=-1))
    sums = np.stack([np.add.reduceat(each[order], begins) if len(begins) else each for each in counts])
    if (sums < 0).any():
        raise ImpossibleCounts(_OUTSIDE)
    some = sums.sum(axis=0) > 0
    chosen = order[begins[some]]
    event, competing, censored = sums[:, some]
    return Leaving(stratum[chosen], day[chosen], event, competing, censored, strata)


_OUTSIDE = "Got a day or count below 0, or a stratum outside the range. Expected neither. Report it with the manifest."


def added_leaving(parts: Iterable[Leaving]) -> Leaving:
    """The sum of partitions over the same strata, the same for any number and order of them."""
    several = list(parts)
    names = ("stratum", "day", *CAUSES)
    together = {name: np.concatenate([getattr(part, name) for part in several]) for name in names}
    return leaving(**together, strata=max(part.strata for part in several))


@dataclass(frozen=True)
class Curve:
    """A share by day, one value per row of `Leaving`.

    Attributes:
        share: Just after that day.
        variance: Of the share; nan nowhere.
        low, high: `0 <= low <= share <= high <= 1`.
    """

    share: np.ndarray
    variance: np.ndarray
    low: np.ndarray
    high: np.ndarray


@dataclass(frozen=True)
class Curves:
    """What has happened up to each day, that day included.

    Attributes:
        leaving: The counts they were made of.
        event_free: Neither event nor competing event: Kaplan–Meier.
        incidence: The event came first: Aalen–Johansen. Never 1 less Kaplan–Meier.
        competing_incidence: The competing event came first. The three shares sum to 1.
        confidence: For example 0.95.
    """

    leaving: Leaving
    event_free: Curve
    incidence: Curve
    competing_incidence: Curve
    confidence: float


def curves(counts: Leaving, confidence: float) -> Curves:
    """Event-free share and cumulative incidence of every stratum.

    Event-free: Kaplan & Meier 1958 (J Am Stat Assoc 53:457), the product of 1 - failures / at risk, with Greenwood's
    variance; limits on the scale of log(-log share) (Kalbfleisch & Prentice 1980).
    Incidence: Aalen & Johansen 1978 (Scand J Stat 5:141), the sum of event-free just before × events / at risk. Its
    variance is the Greenwood-type (multinomial) one (Andersen, Borgan, Gill & Keiding 1993, 4.4.20): that of R's
    survival and etm and of statsmodels, not the one of cmprsk (Aalen). Limits on the scale of log(-log(1 - share)),
    so that without competing events they are those of Kaplan–Meier.
    Where a curve has not left 0 or 1 yet, or has come to its end, those scales have no limits: see `_limits`.
    Papers from memory.

    Args:
        counts: Cases leaving by stratum and day.
        confidence: Between 0 and 1.
    """
    steps = _Steps.of(counts)
    event_free = np.asarray(steps.before * steps.stays)
    incidence, competing = (_summed(steps, cause) for cause in ("event", "competing"))
    greenwood = _running(counts.stratum, steps.greenwood)
    variances = (
        event_free**2 * greenwood,
        _incidence_variance(steps, greenwood, "event"),
        _incidence_variance(steps, greenwood, "competing"),
    )
    neither = _limits(steps, event_free, variances[0], ("event", "competing"), confidence)
    limits = [
        _limits(steps, event_free + other, variance, (cause,), confidence)
        for cause, other, variance in (
            ("event", competing, variances[1]),
            ("competing", incidence, variances[2]),
        )
    ]
    return Curves(
        counts,
        Curve(event_free, variances[0], neither[0], neither[1]),
        Curve(incidence, variances[1], 1 - limits[0][1], 1 - limits[0][0]),
        Curve(competing, variances[2], 1 - limits[1][1], 1 - limits[1][0]),
        confidence,
    )


@dataclass(frozen=True)
class _Steps:
    """What each row does to the curves; arrays by row.

    Attributes:
        at_risk: Cases at risk, float, at least 1.
        stays: Share of them that goes on without either event.
        before: Event-free share just before; above 0, as someone is at risk.
        greenwood: Failures / (at risk × those who stay), 0 where nobody stays.
        first: bool, the first row of its stratum.
    """

    counts: Leaving
    at_risk: np.ndarray
    stays: np.ndarray
    before: np.ndarray
    greenwood: np.ndarray
    first: np.ndarray

    @classmethod
    def of(cls, counts: Leaving) -> _Steps:
        at_risk = counts.at_risk.astype(float)
        failures = (counts.event + counts.competing).astype(float)
        staying = at_risk - failures
        stays = staying / at_risk
        first = np.diff(counts.stratum, prepend=-1) != 0
        after = pd.Series(stays).groupby(counts.stratum).cumprod().to_numpy()
        greenwood = np.divide(failures, at_risk * staying, out=np.zeros(len(stays)), where=staying > 0)
        return cls(counts, at_risk, stays, _just_before(after, first, 1.0), greenwood, first)

    def hazard(self, cause: str) -> np.ndarray:
        """Share of those at risk that leave by that cause."""
        return np.asarray(getattr(self.counts, cause) / self.at_risk)


def _running(stratum: np.ndarray, steps: np.ndarray) -> np.ndarray:
    """Running sums within each stratum."""
    return np.asarray(pd.Series(steps).groupby(stratum).cumsum().to_numpy())


def _summed(steps: _Steps, cause: str) -> np.ndarray:
    """Cumulative incidence of a cause. Where all have failed the sum of the steps may pass 1 in its last digit."""
    return np.minimum(_running(steps.counts.stratum, steps.before * steps.hazard(cause)), 1.0)


def _just_before(values: np.ndarray, first: np.ndarray, start: float) -> np.ndarray:
    """Each value moved to the row after it within its stratum; `start` on the first row."""
    moved = np.empty_like(values)
    moved[1:] = values[:-1]
    moved[first] = start
    return moved


def _incidence_variance(steps: _Steps, greenwood: np.ndarray, cause: str) -> np.ndarray:
    """Variance of a cumulative incidence, the recursion of the covariance with the event-free share solved for it.

    With S event-free just before, σ = var(S) / S² and γ = cov(S, F) / S just before, h the share of the n at risk
    that fails by the cause on the day: γ gains S h (σ - 1/n), the variance S h (2 γ + S (h σ + (1 - h) / n)).
    """
    stratum, hazard, inverse = steps.counts.stratum, steps.hazard(cause), 1 / steps.at_risk
    spread = _just_before(greenwood, steps.first, 0.0)
    weight = steps.before * hazard
    joint = _just_before(_running(stratum, weight * (spread - inverse)), steps.first, 0.0)
    gains = weight * (2 * joint + steps.before * (hazard * spread + (1 - hazard) * inverse))
    return np.maximum(_running(stratum, gains), 0.0)


def _limits(
    steps: _Steps, spared: np.ndarray, variance: np.ndarray, causes: tuple[str, ...], confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    """Limits of the share still spared from the causes.

    Before anyone failed by them: 1 down to the exact limit for none among those still at risk. Once nobody is spared:
    0 up to the upper limit of the row before, as the share cannot have grown; if it had not moved before that, up to
    the exact limit for all of those at risk.
    """
    failed = _running(
        steps.counts.stratum, np.sum([getattr(steps.counts, cause) for cause in causes], axis=0)
    )
    none, all_gone = failed == 0, spared == 0
    low, high = _log_log_limits(spared, variance, ~none & ~all_gone, confidence)
    tail = (1 - confidence) / 2
    low[none], high[none] = tail ** (1 / steps.at_risk[none]), 1.0
    earlier = _just_before(high, steps.first, 1.0)
    untouched = _just_before(failed, steps.first, 0.0) == 0
    low[all_gone] = 0.0
    high[all_gone] = np.where(untouched, 1 - tail ** (1 / steps.at_risk), earlier)[all_gone]
    return np.minimum(low, spared), np.maximum(high, spared)


def _log_log_limits(
    share: np.ndarray, variance: np.ndarray, chosen: np.ndarray, confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    """share ** exp(± z · deviation / (share · |log share|)) of the chosen rows; nan elsewhere.

    On most days cases leave and the curve stays level: what equals the row before is not worked out again.
    """
    from scipy.stats import norm

    inside, spread = share[chosen], variance[chosen]
    moved = (np.diff(inside, prepend=np.nan) != 0) | (np.diff(spread, prepend=np.nan) != 0)
    place = np.cumsum(moved) - 1
    inside, spread = inside[moved], spread[moved]
    width = norm.ppf(0.5 + confidence / 2) * np.sqrt(spread) / np.abs(inside * np.log(inside))
    low, high = np.full(share.shape, np.nan), np.full(share.shape, np.nan)
    low[chosen], high[chosen] = (inside ** np.exp(width))[place], (inside ** np.exp(-width))[place]
    return low, high
