"""What groups of these sizes could find at all: for the one comparison that is tested.

Never worked out at the difference seen, which would only say the p value again (Hoenig and Heisey 2001, Am Stat
55:19, from memory): the difference is the one the settings call worthwhile, the risk is that of both arms together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipeline.estimate.proportions import check_counts
from pipeline.estimate.two_arms import LARGEST_EXACT_ARM

#: The chance that `detectable` asks for.
GOOD_CHANCE = 0.8

NO_CASES = "power not estimable: an arm has no closed cases"
RISK_TOO_HIGH = "power not estimable: the risk cannot be that much higher than it already is"
NOTHING_DETECTABLE = "no increase would be found with a chance of 80 %"

_STEPS = 60  # halvings: far below the ten digits that are written
#: Risks tried for the least favourable one: everywhere, then about the highest.
_RISKS, _CLOSE_RISKS = 1000, 20
_CLOSER = 4  # looks, each at a tenth of the last one's width
#: Counts whose chance is below about 1e-30 are left out of large arms.
_DEVIATIONS, _MORE = 12.0, 40.0


@dataclass(frozen=True)
class Power:
    """Attributes:
    chance: That the test finds the worthwhile difference; nan where it cannot be said.
    detectable: Smallest increase found with a chance of 80 %; nan where there is none.
    risk: Assumed in b.
    why: What is missing and why, or empty.
    """

    chance: float
    detectable: float
    risk: float
    why: str


@dataclass(frozen=True)
class Region:
    """For which counts the test rejects: for x events in a, up to `few[x]` or from `many[x]` events in b.

    Attributes:
        few, many: int64 (m + 1,); -1 and n + 1 where no count of b rejects.
        cases_b: n.
    """

    few: np.ndarray
    many: np.ndarray
    cases_b: int

    def chance(self, risk_a: float, risk_b: float) -> float:
        """That the test rejects under these risks: the sum over all counts of both arms."""
        return self.given(self.rejected(risk_b), risk_a)

    def rejected(self, risk_b: float) -> np.ndarray:
        """That the test rejects, by events in a, float64 (m + 1,)."""
        from scipy.stats import binom

        few, many = (binom.cdf(self.few, self.cases_b, risk_b), binom.sf(self.many - 1, self.cases_b, risk_b))
        return np.asarray(few + many)

    def given(self, rejected: np.ndarray, risk_a: float) -> float:
        """That the test rejects, where `rejected` is known under a risk of b."""
        from scipy.stats import binom

        m = len(self.few) - 1
        reach = _DEVIATIONS * np.sqrt(m * risk_a * (1 - risk_a)) + _MORE
        x = np.arange(max(0, int(m * risk_a - reach)), min(m, int(m * risk_a + reach)) + 1)
        return float(min(1.0, binom.pmf(x, m, risk_a) @ rejected[x]))


def power_of(
    events_a: int, cases_a: int, events_b: int, cases_b: int, worthwhile: float, alpha: float
) -> Power:
    """Chance of the test of `two_arms.tests_of` to find a worthwhile increase, and the smallest it finds well.

    Args:
        events_a, cases_a, events_b, cases_b: Only their sum tells the risk: how the arms differ never enters.
        worthwhile: Increase of the risk, a fraction.
        alpha: The test finds something where its p is below.

    Raises:
        ImpossibleCounts: Fewer than no events, or more events than cases.
    """
    check_counts(np.array([events_a, events_b]), np.array([cases_a, cases_b]))
    if not cases_a or not cases_b:
        return Power(np.nan, np.nan, np.nan, NO_CASES)
    risk = (events_a + events_b) / (cases_a + cases_b)
    region = rejection_region(cases_a, cases_b, alpha)
    detectable = _smallest_increase(region, risk)
    possible = risk + worthwhile <= 1 + 1e-12
    chance = region.chance(min(1.0, risk + worthwhile), risk) if possible else np.nan
    why = [RISK_TOO_HIGH] * (not possible) + [NOTHING_DETECTABLE] * bool(np.isnan(detectable))
    return Power(chance, detectable, risk, "; ".join(why))


def _smallest_increase(region: Region, risk: float) -> float:
    """By halving: from where it is found with a chance of 80 %, the chance only grows."""
    low, high, rejected = 0.0, 1 - risk, region.rejected(risk)
    if region.given(rejected, 1.0) < GOOD_CHANCE:
        return np.nan
    for _ in range(_STEPS):
        middle = (low + high) / 2
        low, high = (
            (low, middle)
            if region.given(rejected, min(1.0, risk + middle)) >= GOOD_CHANCE
            else (middle, high)
        )
    return high


@lru_cache(maxsize=64)
def rejection_region(m: int, n: int, alpha: float) -> Region:
    """Where the test that `two_arms.tests_of` would take for m against n cases has p below alpha."""
    if max(m, n) <= LARGEST_EXACT_ARM:
        return _boschloo_region(m, n, alpha)
    return _chi_square_region(m, n, alpha)


def _chi_square_region(m: int, n: int, alpha: float) -> Region:
    """The N - 1 chi-square test: (N - 1)(x n - y m)² above m n t (N - t) times the critical value, t = x + y.

    For given x a quadratic in y, whose two ends are where rejecting begins.
    """
    from scipy.special import chdtri

    total = m + n
    x = np.arange(m + 1, dtype=float)
    k = float(chdtri(1, alpha)) * m * n / (total - 1)
    a, half_b, c = (
        m * m + k,
        x * n * m + k * (total - 2 * x) / 2,
        (x * n) ** 2 - k * x * (total - x),
    )
    root = np.sqrt(np.maximum(half_b**2 - a * c, 0))
    low, high = (half_b - root) / a, (half_b + root) / a
    few = np.clip(np.ceil(low) - 1, -1, n).astype(np.int64)
    many = np.clip(np.floor(high) + 1, 0, n + 1).astype(np.int64)
    few[0], many[m] = -1, n + 1
    return Region(few, many, n)


def _boschloo_region(m: int, n: int, alpha: float) -> Region:
    """Boschloo's test, two-sided by doubling: each one-sided p below alpha / 2.

    One-sided, a table's p is the highest chance, over all risks that both arms may share, of a table whose
    one-sided Fisher p is no higher. It grows with Fisher's p, so that one threshold of the latter is looked for.

    The tables that reject are those with few events in b for the many in a, so that two counts of b for each of a
    say all.

    Source: Boschloo 1970, Stat Neerl 24:1, as stated in the manual of `scipy.stats.boschloo_exact`.
    """
    more_in_a = _one_sided(fisher_one_sided(m, n), alpha / 2)
    fewer_in_a = more_in_a[::-1, ::-1]  # the same of cases without event
    return Region(more_in_a.sum(axis=1) - 1, n + 1 - fewer_in_a.sum(axis=1), n)


def fisher_one_sided(m: int, n: int) -> np.ndarray:
    """Fisher's p that a has as many events as seen or more, float64 (m + 1, n + 1) by events of a and of b."""
    from scipy.stats import hypergeom

    x, y = np.arange(m + 1)[:, None], np.arange(n + 1)[None, :]
    return np.asarray(hypergeom.sf(x - 1, m + n, m, x + y))


def _one_sided(fisher: np.ndarray, alpha: float) -> np.ndarray:
    """bool: tables whose one-sided Boschloo p is below alpha."""
    m, n = fisher.shape[0] - 1, fisher.shape[1] - 1
    everywhere = _Chances.of(m, n, np.linspace(0, 1, _RISKS + 1))
    steps = np.unique(fisher)
    first, last = -1, len(steps)  # below alpha up to step `first`, no longer from `last`
    while last - first > 1:
        middle = (first + last) // 2
        below = highest_chance(_at_most(fisher, steps[middle]), everywhere) < alpha
        first, last = (middle, last) if below else (first, middle)
    return _at_most(fisher, steps[first]) if first >= 0 else np.zeros(fisher.shape, dtype=bool)


def _at_most(fisher: np.ndarray, step: float) -> np.ndarray:
    """Tables of the same p are one step, though rounding may set them apart."""
    return np.asarray(fisher <= step * (1 + 1e-10))


@dataclass(frozen=True)
class _Chances:
    """Of every count of either arm, (risks, m + 1) and (risks, n + 1), under risks that both share."""

    risks: np.ndarray
    a: np.ndarray
    b: np.ndarray

    @classmethod
    def of(cls, m: int, n: int, risks: np.ndarray) -> _Chances:
        from scipy.stats import binom

        return cls(risks, *(binom.pmf(np.arange(cases + 1), cases, risks[:, None]) for cases in (m, n)))

    def any_of(self, tables: np.ndarray) -> np.ndarray:
        """That any of the tables comes, by risk."""
        return np.asarray(((self.a @ tables.astype(float)) * self.b).sum(axis=1))


def highest_chance(tables: np.ndarray, everywhere: _Chances | None = None) -> float:
    """The highest chance of any of the tables over all risks that both arms may share.

    Args:
        tables: bool (m + 1, n + 1) by events of a and of b.
        everywhere: Chances over a grid from 0 to 1, to be worked out once for many tables.
    """
    m, n = tables.shape[0] - 1, tables.shape[1] - 1
    tried = everywhere or _Chances.of(m, n, np.linspace(0, 1, _RISKS + 1))
    best = 0.0
    for _ in range(_CLOSER):
        chances = tried.any_of(tables)
        at = int(chances.argmax())
        best = max(best, float(chances[at]))
        ends = tried.risks[max(0, at - 1)], tried.risks[min(len(chances) - 1, at + 1)]
        tried = _Chances.of(m, n, np.linspace(*ends, _CLOSE_RISKS + 1))
    return best
