"""Log-rank tests of two or more arms from their daily counts, many comparisons at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate.curves import Leaving

_RANK = 1e-10  # relative size below which a direction of the covariance is nothing


@dataclass(frozen=True)
class LogRank:
    """Log-rank tests, one per comparison.

    Attributes:
        observed: int64 [comparison, arm], failures.
        expected: float [comparison, arm], if on each day all arms had the same hazard.
        statistic: float [comparison], chi-square; nan where there is nothing to compare.
        degrees: int64 [comparison], arms that were at risk beside another when someone failed, less 1.
        p: float [comparison], two-sided; nan where there is nothing to compare.
    """

    observed: np.ndarray
    expected: np.ndarray
    statistic: np.ndarray
    degrees: np.ndarray
    p: np.ndarray


def log_rank(
    counts: Leaving,
    comparison: np.ndarray,
    arm: np.ndarray,
    causes: tuple[str, ...],
    band: np.ndarray | None = None,
) -> LogRank:
    """Observed against expected failures by day, with the hypergeometric variance (Mantel 1966; Peto & Peto 1972).

    With `("event",)` the competing event censors and the hazards of the event are compared; with
    `("event", "competing")` the event-free curves are.

    Args:
        counts: Cases leaving by stratum and day.
        comparison: int64 [stratum], from 0: which comparison the stratum belongs to, -1 for none.
        arm: int64 [stratum], from 0: which arm of it. Strata of one arm are added.
        causes: What counts as failure, of `event` and `competing`.
        band: int64 [stratum], from 0: arms are set against each other within bands only, and their sums tested
            (stratified log-rank, Mantel 1966). Default: one band.
    """
    comparison = np.asarray(comparison)
    band = np.zeros(len(comparison), np.int64) if band is None else np.asarray(band)
    bands = int(band.max(initial=0)) + 1
    inside = np.where(comparison >= 0, comparison * bands + band, -1)
    days = _Days.of(counts, inside, np.asarray(arm), causes, (int(comparison.max(initial=-1)) + 1) * bands)
    total, risk = days.failures.sum(axis=1), days.at_risk.sum(axis=1)
    share = days.at_risk / risk[:, None]
    factor = total * np.divide(risk - total, risk - 1, out=np.zeros(len(risk)), where=risk > 1)
    spread = factor[:, None, None] * (
        share[:, :, None] * np.eye(share.shape[1]) - share[:, :, None] * share[:, None, :]
    )
    observed, expected, covariance = (
        sums.reshape(-1, bands, *sums.shape[1:]).sum(axis=1)
        for sums in (days.summed(days.failures), days.summed(total[:, None] * share), days.summed(spread))
    )
    return _tested(observed, expected, covariance)


def _tested(observed: np.ndarray, expected: np.ndarray, covariance: np.ndarray) -> LogRank:
    from scipy.stats import chi2

    gap = observed - expected
    inverse = np.linalg.pinv(covariance, rcond=_RANK, hermitian=True)
    informed = np.diagonal(covariance, axis1=1, axis2=2) > 0
    degrees = np.maximum(informed.sum(axis=1) - 1, 0)
    statistic = np.where(degrees > 0, np.einsum("ca,cab,cb->c", gap, inverse, gap), np.nan)
    return LogRank(
        observed.astype(np.int64), expected, statistic, degrees, chi2.sf(statistic, np.maximum(degrees, 1))
    )


@dataclass(frozen=True)
class _Days:
    """One row a comparison and day on which someone leaves.

    Attributes:
        comparison: int64 [row], rising.
        at_risk, failures: int64 [row, arm].
        comparisons: How many there are.
    """

    comparison: np.ndarray
    at_risk: np.ndarray
    failures: np.ndarray
    comparisons: int

    @classmethod
    def of(
        cls,
        counts: Leaving,
        comparison: np.ndarray,
        arm: np.ndarray,
        causes: tuple[str, ...],
        comparisons: int,
    ) -> _Days:
        used = comparison[counts.stratum] >= 0
        stratum, span = counts.stratum[used], int(counts.day.max(initial=0)) + 1
        code, row = np.unique(comparison[stratum] * span + counts.day[used], return_inverse=True)
        shape = (len(code), int(arm.max(initial=0)) + 1)
        leaves, failures = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        np.add.at(leaves, (row, arm[stratum]), counts.leaving[used])
        np.add.at(failures, (row, arm[stratum]), sum(getattr(counts, cause) for cause in causes)[used])
        found = cls(code // span, leaves, failures, comparisons)
        gone = np.cumsum(leaves, axis=0)
        at_risk = found.summed(leaves).cumsum(axis=0)[found.comparison] - gone + leaves
        return cls(found.comparison, at_risk, failures, found.comparisons)

    def summed(self, rows: np.ndarray) -> np.ndarray:
        """Sums of the rows of each comparison; 0 where it has none."""
        sums = np.zeros((self.comparisons, *rows.shape[1:]), rows.dtype)
        present = np.unique(self.comparison)
        if len(present):
            sums[present] = np.add.reduceat(rows, np.searchsorted(self.comparison, present), axis=0)
        return sums
