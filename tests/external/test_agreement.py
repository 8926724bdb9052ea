"""Kappa and its limits beside statsmodels (cohens_kappa, which has the variance of Fleiss, Cohen and Everitt 1969)."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimate.agreement import cohens_kappa

TABLES = [
    (20, 5, 10, 15),
    (1, 2, 3, 94),
    (40, 9, 6, 45),
    (80, 10, 5, 5),
    (3, 1, 2, 7),
    (12, 0, 3, 40),
    (2, 2, 2, 2),
]


@pytest.mark.parametrize("cells", TABLES, ids=str)
def test_kappa_and_limits_are_those_of_statsmodels(cells: tuple[int, int, int, int]) -> None:
    from statsmodels.stats.inter_rater import cohens_kappa as reference

    theirs = reference(np.array([cells[:2], cells[2:]]))
    ours = cohens_kappa(*(np.array([cell]) for cell in cells), 0.95)
    assert ours.kappa[0] == pytest.approx(theirs.kappa, abs=1e-9)
    limits = np.clip([theirs.kappa_low, theirs.kappa_upp], -1, 1)
    assert [ours.low[0], ours.high[0]] == pytest.approx(limits.tolist(), abs=1e-9)
