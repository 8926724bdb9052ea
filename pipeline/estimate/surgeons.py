"""Each surgeon's events against what is expected of such patients, and against what chance alone gives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.counts import RISK_UNIT
from pipeline.estimate.funnel import Limits
from pipeline.estimate.poisson_binomial import Chances, chances
from pipeline.estimate.proportions import ImpossibleCounts, person_time_interval, share_of
from pipeline.estimate.steadied import steadied_ratios
from pipeline.estimate.two_arms import Estimate

FEWEST_CASES = 10
INNER, OUTER = 0.95, 0.998
TOO_FEW, INSIDE, OUTSIDE_95, OUTSIDE_998 = "too_few", "inside", "outside_95", "outside_998"


@dataclass(frozen=True)
class RiskHistogram:
    """Cases of each row by expected risk.

    Attributes:
        row: int [entry], from 0 to rows - 1; a row is a surgeon, an outcome and a window.
        risk: int [entry] in 1/10,000, from 1 to 10,000.
        cases: int [entry].
        rows: Number of rows.
    """

    row: np.ndarray
    risk: np.ndarray
    cases: np.ndarray
    rows: int


@dataclass(frozen=True)
class SurgeonFigures:
    """What the counts of each row say; arrays by row, nan with fewer than ten cases.

    Attributes:
        cases: Closed cases.
        expected: Sum of their risks.
        ratio: Events by expected; Garwood's limits of the events, by expected.
        steadied: See `steadied_ratios`; only where eight named surgeons have ten cases.
        without_own: As `against_limits`, all risks moved to what the others' cases had; None for the only surgeon.
        limits_95, limits_998: The fewest and most events, in whole numbers, that chance alone gives in 95 of 100,
            and in 998 of 1000.
        against_limits: `too_few`, `inside`, `outside_95` or `outside_998`, the last two beyond a limit, not on it.
        p_value: Twice the smaller mid-P tail.
        q_value: Adjusted for the number of named surgeons of the family (Benjamini & Hochberg 1995).
        as_many: Chance of so many events or more where more were seen than expected, else of so many or fewer.
        method: Of limits and chances: `Poisson-binomial`, or `normal` where the variance is above 100.
    """

    cases: np.ndarray
    expected: np.ndarray
    ratio: Estimate
    steadied: Estimate
    limits_95: Limits
    limits_998: Limits
    against_limits: np.ndarray
    without_own: np.ndarray
    p_value: np.ndarray
    q_value: np.ndarray
    as_many: np.ndarray
    method: np.ndarray


def surgeon_figures(
    histogram: RiskHistogram, events: np.ndarray, family: np.ndarray, named: np.ndarray, confidence: float
) -> SurgeonFigures:
    """Ratios, limits and p values of all rows.

    Args:
        histogram: The rows' cases by risk.
        events: int [row].
        family: int [row]: rows of one number are compared with one another: an outcome and window.
        named: bool [row]: a surgeon. Cases without one have figures, but no q value and no steadied ratio.
        confidence: Of ratio and steadied ratio.

    Raises:
        ImpossibleCounts: Fewer than no events, or more than cases.
    """
    by_chance = chances(histogram.row, histogram.risk / RISK_UNIT, histogram.cases, histogram.rows)
    if (events < 0).any() or (events > by_chance.cases).any():
        raise ImpossibleCounts(
            "Got events outside 0 to cases. Expected 0 <= events <= cases for every surgeon. Report it with the manifest."
        )
    enough = by_chance.cases >= FEWEST_CASES
    expected = np.where(enough, by_chance.mean, np.nan)
    p_value = np.where(enough, by_chance.mid_p(events), np.nan)
    more = events > by_chance.mean
    as_many = np.where(more, by_chance.at_least(events), by_chance.at_most(events))
    limits_95, limits_998 = (_limits(by_chance, enough, width) for width in (INNER, OUTER))
    return SurgeonFigures(
        cases=by_chance.cases,
        expected=expected,
        ratio=_ratio(events, np.where(enough, expected, 0.0), confidence),
        steadied=_steadied(events, expected, family, enough & named, confidence),
        limits_95=limits_95,
        limits_998=limits_998,
        against_limits=_against(events, enough, limits_95, limits_998),
        without_own=_without_own(histogram, events, by_chance.mean, family, enough),
        p_value=p_value,
        q_value=_q_values(p_value, family, named),
        as_many=np.where(enough, as_many, np.nan),
        method=by_chance.method,
    )


def _ratio(events: np.ndarray, expected: np.ndarray, confidence: float) -> Estimate:
    limits = person_time_interval(events, expected, confidence)
    return Estimate(share_of(events, expected), limits.low, limits.high, limits.method)


def _limits(by_chance: Chances, enough: np.ndarray, confidence: float) -> Limits:
    low, high = by_chance.limits(confidence)
    return Limits(np.where(enough, low, np.nan), np.where(enough, high, np.nan))


def _against(events: np.ndarray, enough: np.ndarray, inner: Limits, outer: Limits) -> np.ndarray:
    beyond = [(events < each.low) | (events > each.high) for each in (outer, inner)]
    return np.select([~enough, *beyond], [TOO_FEW, OUTSIDE_998, OUTSIDE_95], INSIDE)


def _without_own(
    histogram: RiskHistogram, events: np.ndarray, expected: np.ndarray, family: np.ndarray, enough: np.ndarray
) -> np.ndarray:
    """Against limits around what the others' cases had: risks times their events by their expected, at most 1.

    A surgeon with many of the cases, or with most of the events, else moves the limits they are held against.
    """
    size = int(family.max(initial=-1)) + 1
    seen = np.bincount(family, weights=events, minlength=size)[family] - events
    awaited = np.bincount(family, weights=expected, minlength=size)[family] - expected
    alone = np.bincount(family, minlength=size)[family] == 1
    factor = np.divide(seen, awaited, out=np.ones(seen.shape), where=~alone & (awaited > 0))
    moved = np.clip(np.rint(histogram.risk * factor[histogram.row]), 1, RISK_UNIT)
    by_chance = chances(histogram.row, moved / RISK_UNIT, histogram.cases, histogram.rows)
    found = _against(events, enough, *(_limits(by_chance, enough, width) for width in (INNER, OUTER)))
    told = found.astype(object)
    told[alone & enough] = None
    return told


def _q_values(p_value: np.ndarray, family: np.ndarray, named: np.ndarray) -> np.ndarray:
    found = np.full(p_value.shape, np.nan)
    for own in np.unique(family):
        here = named & (family == own)
        found[here] = adjusted(p_value[here])
    return found


def adjusted(p_value: np.ndarray) -> np.ndarray:
    """q values (Benjamini & Hochberg 1995, J R Stat Soc B 57:289); a nan stays one and does not count."""
    from scipy.stats import false_discovery_control

    some = ~np.isnan(p_value)
    found = np.full(p_value.shape, np.nan)
    if some.any():
        found[some] = false_discovery_control(p_value[some], method="bh")
    return found


def _steadied(
    events: np.ndarray, expected: np.ndarray, family: np.ndarray, chosen: np.ndarray, confidence: float
) -> Estimate:
    """Family by family."""
    found = [np.full(events.shape, np.nan) for _ in range(3)]
    for own in np.unique(family[chosen]):
        here = chosen & (family == own)
        steadied = steadied_ratios(events[here], expected[here], confidence)
        for values, each in zip(found, (steadied.value, steadied.low, steadied.high), strict=True):
            values[here] = each
    value, low, high = found
    return Estimate(value, low, high, "gamma-Poisson")
