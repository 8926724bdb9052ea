"""Tables worked out together are worked out as alone, in however many blocks."""

import numpy as np
import pytest
from scipy.stats import nchypergeom_fisher

from pipeline.estimate import conditional
from pipeline.estimate.conditional import conditional_odds_ratio

TABLES = np.array(
    [(2, 21, 0, 27), (0, 0, 0, 9), (400, 5_000, 700, 9_700), (7, 7, 3, 9), (0, 40, 6, 38), (5, 56, 1, 29), (60, 400, 45, 380)]
)  # fmt: skip


def figures(tables):
    found = conditional_odds_ratio(tables, 0.95)
    return np.stack([found.value, found.low, found.high])


@pytest.mark.parametrize("largest", [1, 1_000, 2_000_000])
def test_blocks_change_nothing(monkeypatch, largest):
    monkeypatch.setattr(conditional, "_LARGEST_BLOCK", largest)
    alone = np.concatenate([figures(row[None, :]) for row in TABLES], axis=1)
    np.testing.assert_allclose(figures(TABLES), alone, rtol=1e-9)


def test_each_limit_leaves_its_tail_and_the_value_the_mean():
    """The definition, in the distribution of scipy: P(X ≥ x) at the lower, P(X ≤ x) at the upper limit are 0.025."""
    for (x, m, y, n), (value, low, high) in zip(TABLES.tolist(), figures(TABLES).T, strict=True):
        if 0 < low < high < np.inf:
            margins = (m + n, m, x + y)
            assert nchypergeom_fisher.sf(x - 1, *margins, low) == pytest.approx(0.025, rel=1e-6)
            assert nchypergeom_fisher.cdf(x, *margins, high) == pytest.approx(0.025, rel=1e-6)
            assert nchypergeom_fisher.mean(*margins, value) == pytest.approx(x, rel=1e-6)


def test_no_tables_no_figures():
    assert figures(np.empty((0, 4), np.int64)).shape == (3, 0)
