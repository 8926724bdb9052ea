"""Two arms set against each other within strata, and what the strata say together (Mantel and Haenszel 1959).

All functions take `Arms` whose arrays are (comparisons, strata) and give arrays (comparisons,). Our own closed forms,
because `StratifiedTable` of statsmodels takes one comparison at a time, has no interval of the risk ratio or
difference, and gives nan for homogeneity as soon as one stratum has no event; checked against it and against R.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate import notes
from pipeline.estimate.proportions import check_counts
from pipeline.estimate.two_arms import Arms

#: Below this share of an arm's cases in shared strata, no adjusted figure is given.
ENOUGH_SHARED = 0.5
#: A variance that small is rounding of one that is 0.
_NO_VARIANCE = 1e-12

HARDLY_OVERLAP = "these groups hardly overlap in age"
NOTHING_VARIES = (
    "adjusted difference not estimable: within each shared age band all cases of an arm ended alike"
)
NO_EVENTS_IN_AN_ARM = "adjusted ratio not estimable: an arm has no events in shared age bands"
ALL_EVENTS = "adjusted ratio not estimable: in shared age bands all cases have events"
NO_ODDS = (
    "adjusted odds ratio not estimable: no shared age band sets an event of one arm against none of the other"
)
ONE_STRATUM = "homogeneity not estimable: fewer than two shared age bands with events"


@dataclass(frozen=True)
class Adjusted:
    """A measure over strata with its limits, one per comparison.

    Attributes:
        value, low, high: float64; all nan where it cannot be estimated.
        method: How.
        why: str; the reason where it cannot, else empty.
    """

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    method: str
    why: np.ndarray


@dataclass(frozen=True)
class Overlap:
    """How many cases stand in strata where both arms occur, int64; `enough`: at least half of either arm."""

    informative_a: np.ndarray
    informative_b: np.ndarray
    enough: np.ndarray


@dataclass(frozen=True)
class StrataTest:
    """A chi-square test over strata, one per comparison; nan where it cannot be done, then with the reason."""

    statistic: np.ndarray
    degrees: np.ndarray
    p: np.ndarray
    why: np.ndarray


@dataclass(frozen=True)
class WithinStrata:
    """All that strata say about comparisons; nothing where the arms hardly overlap."""

    difference: Adjusted
    ratio: Adjusted
    odds: Adjusted
    homogeneity: StrataTest
    overlap: Overlap


def within_strata(strata: Arms, confidence: float, usable: np.ndarray | None = None) -> WithinStrata:
    """Adjusted figures of comparisons, left out where the arms hardly overlap.

    Args:
        strata: (comparisons, strata).
        confidence: Between 0 and 1.
        usable: bool (strata,): False for cases whose stratum is not known. They count as cases that nothing of
            the other arm can be set against. Default: all usable.
    """
    overlap = overlap_of(strata, usable)
    known = _only(strata, usable)
    difference, ratio, odds = (
        _gated(measure(known, confidence), strata, overlap)
        for measure in (adjusted_risk_difference, adjusted_risk_ratio, adjusted_odds_ratio)
    )
    test = homogeneity(known)
    statistic, p = (np.where(overlap.enough, each, np.nan) for each in (test.statistic, test.p))
    tested = StrataTest(statistic, test.degrees, p, _reasons(strata, overlap, test.why))
    return WithinStrata(difference, ratio, odds, tested, overlap)


def overlap_of(strata: Arms, usable: np.ndarray | None = None) -> Overlap:
    """Cases in usable strata where both arms occur, and whether they are at least half of either arm."""
    shared = strata.both & (True if usable is None else usable)
    a, b = (np.where(shared, cases, 0).sum(axis=-1) for cases in (strata.cases_a, strata.cases_b))
    all_a, all_b = strata.cases_a.sum(axis=-1), strata.cases_b.sum(axis=-1)
    enough = (a > 0) & (a >= ENOUGH_SHARED * all_a) & (b >= ENOUGH_SHARED * all_b)
    return Overlap(a, b, enough)


def _only(strata: Arms, usable: np.ndarray | None) -> Arms:
    if usable is None:
        return strata
    cells = (strata.events_a, strata.cases_a, strata.events_b, strata.cases_b)
    return Arms(*(np.where(usable, each, 0) for each in cells))


def _gated(found: Adjusted, strata: Arms, overlap: Overlap) -> Adjusted:
    value, low, high = (
        np.where(overlap.enough, each, np.nan) for each in (found.value, found.low, found.high)
    )
    return Adjusted(value, low, high, found.method, _reasons(strata, overlap, found.why))


def _reasons(strata: Arms, overlap: Overlap, why: np.ndarray) -> np.ndarray:
    empty = (strata.cases_a.sum(axis=-1) == 0) | (strata.cases_b.sum(axis=-1) == 0)
    return np.select([empty, ~overlap.enough], [notes.NO_CASES, HARDLY_OVERLAP], why)


@dataclass(frozen=True)
class _Cells:
    """float64 (comparisons, strata): events and cases of either arm, `total` (1 where a stratum is not shared)."""

    x: np.ndarray
    m: np.ndarray
    y: np.ndarray
    n: np.ndarray
    total: np.ndarray

    @classmethod
    def of(cls, strata: Arms) -> _Cells:
        """Strata of one arm alone say nothing of a difference: their cells are 0. Impossible counts raise."""
        check_counts(strata.events_a, strata.cases_a)
        check_counts(strata.events_b, strata.cases_b)
        x, m, y, n = (
            np.where(strata.both, each, 0).astype(float)
            for each in (strata.events_a, strata.cases_a, strata.events_b, strata.cases_b)
        )
        return cls(x, m, y, n, np.where(strata.both, m + n, 1.0))


def adjusted_risk_difference(strata: Arms, confidence: float) -> Adjusted:
    """Rate of a less rate of b, each shared stratum weighted m n / (m + n).

    The variance holds for few large and for many small strata and exists when an arm has no event: with x of m
    against y of n, (D Σ P + Σ Q) / (Σ m n / N)², where P = (m² y - n² x + m n (n - m) / 2) / N² and
    Q = (x (n - y) + y (m - x)) / 2 N. Limits end at -1 and 1.

    Source: Sato, Greenland and Robins, Biometrics 1989;45:1323 (formula from memory; agrees with metafor of R).
    """
    cells = _Cells.of(strata)
    x, m, y, n, total = cells.x, cells.m, cells.y, cells.n, cells.total
    weight = (m * n / total).sum(axis=-1)
    value = _quotient(((x * n - y * m) / total).sum(axis=-1), weight)
    p = ((m**2 * y - n**2 * x + m * n * (n - m) / 2) / total**2).sum(axis=-1)
    q = ((x * (n - y) + y * (m - x)) / (2 * total)).sum(axis=-1)
    variance = _quotient(value * p + q, weight**2)
    estimable = (weight > 0) & (variance > _NO_VARIANCE)
    spread = _normal(confidence) * np.sqrt(np.where(estimable, variance, 0))
    why = np.select([weight == 0, ~estimable], [HARDLY_OVERLAP, NOTHING_VARIES], "")
    low, high = np.maximum(value - spread, -1), np.minimum(value + spread, 1)
    return _adjusted(value, low, high, estimable, "Mantel-Haenszel; Sato", why)


def adjusted_risk_ratio(strata: Arms, confidence: float) -> Adjusted:
    """Rate of a by rate of b over shared strata; not estimable where an arm has no event in them.

    (Σ x n / N) / (Σ y m / N); the variance of its log is Σ (m n (x + y) - x y N) / N² by the product of the sums.

    Source: Greenland and Robins, Biometrics 1985;41:55 (formula from memory; agrees with metafor of R).
    """
    cells = _Cells.of(strata)
    x, m, y, n, total = cells.x, cells.m, cells.y, cells.n, cells.total
    above, below = (x * n / total).sum(axis=-1), (y * m / total).sum(axis=-1)
    some = (above > 0) & (below > 0)
    variance = _quotient(((m * n * (x + y) - x * y * total) / total**2).sum(axis=-1), above * below)
    estimable = some & (variance > _NO_VARIANCE)
    shared = cells.m.sum(axis=-1) > 0
    why = np.select([~shared, ~some, ~estimable], [HARDLY_OVERLAP, NO_EVENTS_IN_AN_ARM, ALL_EVENTS], "")
    ratio = _quotient(above, below)
    low, high = _log_limits(ratio, variance, estimable, confidence)
    return _adjusted(ratio, low, high, estimable, "Mantel-Haenszel; Greenland-Robins", why)


def adjusted_odds_ratio(strata: Arms, confidence: float) -> Adjusted:
    """Odds of a by odds of b over shared strata; not estimable where either sum of the estimate is 0.

    R / S with R = Σ x (n - y) / N and S = Σ y (m - x) / N. The variance of its log is
    Σ P R / 2 R² + Σ (P S + Q R) / 2 R S + Σ Q S / 2 S², where P = (x + n - y) / N and Q = 1 - P.

    Source: Robins, Breslow and Greenland, Biometrics 1986;42:311.
    """
    r, s, alike, unlike = _odds_parts(_Cells.of(strata))
    above, below = r.sum(axis=-1), s.sum(axis=-1)
    estimable = (above > 0) & (below > 0)
    first = _quotient((alike * r).sum(axis=-1), above**2)
    middle = _quotient((alike * s + unlike * r).sum(axis=-1), above * below)
    last = _quotient((unlike * s).sum(axis=-1), below**2)
    ratio = _quotient(above, below)
    low, high = _log_limits(ratio, (first + middle + last) / 2, estimable, confidence)
    why = np.select([~strata.both.any(axis=-1), ~estimable], [HARDLY_OVERLAP, NO_ODDS], "")
    return _adjusted(ratio, low, high, estimable, "Mantel-Haenszel; Robins-Breslow-Greenland", why)


def _odds_parts(cells: _Cells) -> tuple[np.ndarray, ...]:
    """R, S, P and Q of every stratum, as `adjusted_odds_ratio` names them."""
    x, m, y, n, total = cells.x, cells.m, cells.y, cells.n, cells.total
    alike = (x + n - y) / total
    return x * (n - y) / total, y * (m - x) / total, alike, 1 - alike


def homogeneity(strata: Arms) -> StrataTest:
    """Whether the odds ratio differs between strata: Breslow and Day's test with Tarone's correction.

    Strata of one arm, without events or with nothing else say nothing of an odds ratio and are left out; what is
    left less one gives the degrees of freedom.

    Source: Breslow and Day 1980, Statistical Methods in Cancer Research I, 4.4; Tarone, Biometrika 1985;72:91
    (both from memory; agree with statsmodels and metafor of R).
    """
    breslow_day, degrees, shift = _breslow_day(strata)
    estimable = ~np.isnan(breslow_day) & (degrees >= 1)
    statistic = np.where(estimable, breslow_day - shift, np.nan)
    return _strata_test(statistic, degrees, np.where(estimable, "", ONE_STRATUM))


def _breslow_day(strata: Arms) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Breslow and Day's statistic, its degrees of freedom, and what Tarone's correction takes off."""
    cells = _Cells.of(strata)
    x, m, n, events = cells.x, cells.m, cells.n, cells.x + cells.y
    telling = strata.both & (events > 0) & (events < m + n)
    r, s, _, _ = _odds_parts(cells)
    above, below = r.sum(axis=-1, keepdims=True), s.sum(axis=-1, keepdims=True)
    odds = np.divide(above, below, out=np.full(above.shape, np.nan), where=(above > 0) & (below > 0))
    fitted = _fitted_events(odds, m, n, events)
    inside = [fitted, m - fitted, events - fitted, n - events + fitted]
    spread = 1 / sum(1 / np.where(telling, each, 1.0) for each in inside)
    away = np.where(telling, x - fitted, 0.0)
    statistic = (away**2 / spread).sum(axis=-1)
    shift = away.sum(axis=-1) ** 2 / np.where(telling, spread, 0.0).sum(axis=-1).clip(min=1e-300)
    return statistic, telling.sum(axis=-1) - 1, shift


def _fitted_events(odds: np.ndarray, m: np.ndarray, n: np.ndarray, events: np.ndarray) -> np.ndarray:
    """Events of a that give the odds ratio under the margins: the root of a quadratic that lies within them."""
    a, b, c = 1 - odds, odds * (m + events) + n - events, -odds * m * events
    root = np.sqrt(np.maximum(b * b - 4 * a * c, 0))
    usual = _quotient(-2 * c, b + root)
    return np.where(b >= 0, usual, _quotient(root - b, 2 * a))


def strata_chi_square(strata: Arms, corrected: bool = False) -> StrataTest:
    """Cochran, Mantel and Haenszel's test that within strata events do not depend on the arm; one degree of freedom.

    Args:
        strata: (comparisons, strata).
        corrected: Take one half off the difference, as R does unless told otherwise.

    Source: Mantel and Haenszel 1959, J Natl Cancer Inst 22:719.
    """
    cells = _Cells.of(strata)
    x, m, n, total, events = cells.x, cells.m, cells.n, cells.total, cells.x + cells.y
    away = np.abs((x - m * events / total).sum(axis=-1))
    spread = (m * n * events * (total - events) / (total**2 * np.maximum(total - 1, 1))).sum(axis=-1)
    half = np.minimum(0.5, away) if corrected else 0.0
    statistic = np.where(spread > 0, _quotient((away - half) ** 2, spread), np.nan)
    return _strata_test(
        statistic, np.ones(statistic.shape, np.int64), np.where(spread > 0, "", NOTHING_VARIES)
    )


def _strata_test(statistic: np.ndarray, degrees: np.ndarray, why: np.ndarray) -> StrataTest:
    from scipy.special import chdtrc

    return StrataTest(statistic, degrees, chdtrc(np.maximum(degrees, 1), statistic), why)


def _quotient(above: np.ndarray, below: np.ndarray) -> np.ndarray:
    """above / below, nan where below is 0."""
    shape = np.broadcast_shapes(np.shape(above), np.shape(below))
    return np.divide(above, below, out=np.full(shape, np.nan), where=np.broadcast_to(below != 0, shape))


def _log_limits(
    value: np.ndarray, variance: np.ndarray, estimable: np.ndarray, confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    spread = _normal(confidence) * np.sqrt(np.where(estimable, variance, 0))
    return value * np.exp(-spread), value * np.exp(spread)


def _adjusted(
    value: np.ndarray, low: np.ndarray, high: np.ndarray, estimable: np.ndarray, method: str, why: np.ndarray
) -> Adjusted:
    value, low, high = (np.where(estimable, each, np.nan) for each in (value, low, high))
    return Adjusted(value, low, high, method, why)


def _normal(confidence: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(0.5 + confidence / 2))
