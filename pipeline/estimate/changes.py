"""Mean changes of scores, told by how many there are, their sum and the sum of their squares in whole hundredths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate.two_arms import Estimate

PER_UNIT = 100


@dataclass(frozen=True)
class Sums:
    """Whole numbers, int64 arrays of one shape: cases with both readings, Σ change, Σ change² in hundredths."""

    number: np.ndarray
    total: np.ndarray
    squares: np.ndarray

    @property
    def spread(self) -> np.ndarray:
        """n Σ change² - (Σ change)², worked out in whole numbers of any size: n (n - 1) times the variance."""
        number, total = self.number.astype(object), self.total.astype(object)
        return np.asarray(number * self.squares.astype(object) - total**2).astype(float)

    @property
    def varies(self) -> np.ndarray:
        """bool: two changes or more, and not all alike. A variance of 0 says nothing of how far they might differ."""
        return np.asarray((self.number > 1) & (self.spread > 0))


def mean_of(total: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Mean of hundredths, in units; nan without any."""
    out = np.full(number.shape, np.nan)
    return np.divide(total, PER_UNIT * number, out=out, where=number > 0)


def mean_change(sums: Sums, confidence: float) -> Estimate:
    """Student's t over the changes of cases with both readings: mean ± t s / √n, n - 1 degrees of freedom.

    No limits with fewer than two, or where all changed alike.
    """
    some = sums.varies
    n = np.where(some, sums.number, 2).astype(float)
    reach = _t(confidence, n - 1) * np.sqrt(np.where(some, sums.spread, 0) / (n - 1)) / n / PER_UNIT
    change, reach = mean_of(sums.total, sums.number), np.where(some, reach, np.nan)
    return Estimate(change, change - reach, change + reach, "student")


def change_difference(a: Sums, b: Sums, confidence: float) -> Estimate:
    """Mean change of a less that of b, without taking their variances for equal.

    Difference ± t √(s²/m + t²/n), with (s²/m + t²/n)² / ((s²/m)²/(m - 1) + (t²/n)²/(n - 1)) degrees of freedom. No
    limits where either arm has fewer than two changes, or all of them alike.

    Source: Welch 1947, Biometrika 34:28, in the form of Satterthwaite 1946, Biometrics Bull 2:110, as stated in the manual
    of SciPy's `ttest_ind`.
    """
    value = mean_of(a.total, a.number) - mean_of(b.total, b.number)
    some = a.varies & b.varies
    (var_a, free_a), (var_b, free_b) = (_variance_of_mean(each, some) for each in (a, b))
    together = var_a + var_b
    free = together**2 / (var_a**2 / free_a + var_b**2 / free_b)
    reach = np.where(some, _t(confidence, free) * np.sqrt(together), np.nan)
    return Estimate(value, value - reach, value + reach, "welch")


def _variance_of_mean(sums: Sums, some: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """s²/n and n - 1; ones where there is none."""
    n = np.where(some, sums.number, 2).astype(float)
    return np.where(some, sums.spread / (n * n * (n - 1)) / PER_UNIT**2, 1.0), n - 1


def _t(confidence: float, free: np.ndarray) -> np.ndarray:
    from scipy.special import stdtrit

    return np.asarray(stdtrit(free, 0.5 + confidence / 2))
