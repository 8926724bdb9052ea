"""How far a share may stray by chance: exact binomial limits around what earlier exports showed.

The limits of a count of n rows are the 0.1 % and 99.9 % points of the binomial distribution (the central 99.8 %,
as funnel limits in Spiegelhalter 2005, Stat Med 24:1185). The share they are drawn around is itself only known
from earlier rows; so the lower limit is drawn around the lower end, the upper around the upper end, of its exact
95 % interval (Clopper and Pearson 1934, Biometrika 26:404). With few rows, earlier or now, nothing is outside.
"""

from __future__ import annotations

import numpy as np

CENTRAL = 0.998
CONFIDENCE = 0.95


def share_limits(failing: np.ndarray, earlier: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest share of `rows` that `failing` of `earlier` rows allow; 0 and 1 without earlier rows.

    Args:
        failing, earlier: (n,) whole numbers, earlier exports together.
        rows: (n,) rows of the export that is looked at; at least 1.
    """
    from scipy.special import betaincinv

    k, before, now = (np.asarray(each, dtype=float) for each in (failing, earlier, rows))
    tail = (1 - CONFIDENCE) / 2
    with np.errstate(invalid="ignore"):
        low = np.where(k > 0, betaincinv(np.maximum(k, 0.5), before - k + 1, tail), 0.0)
        high = np.where(k < before, betaincinv(k + 1, np.maximum(before - k, 0.5), 1 - tail), 1.0)
    edge = (1 - CENTRAL) / 2
    return quantile(edge, now, low) / now, quantile(1 - edge, now, high) / now


def quantile(point: float, rows: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Smallest k with P(X <= k) >= point for X binomial(rows, share)."""
    from scipy.special import bdtrik, betainc

    inside = np.clip(share, 1e-300, 1 - 1e-16)
    k = np.ceil(np.clip(bdtrik(point, rows, inside), 0, rows))
    below = np.maximum(k - 1, 0)
    k = np.where(betainc(rows - below, below + 1, 1 - inside) >= point, below, k)
    return np.where(share <= 0, 0.0, np.where(share >= 1, rows, k))
