"""Kappa and its limits beside statsmodels (cohens_kappa, which has the variance of Fleiss, Cohen and Everitt 1969).

The rows `kappa_vcd` of data/open_data.csv (README here) agree between R's vcd and statsmodels. The first is the example
of the help page of `epi.kappa` of R's epiR, salmon examined twice.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

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


with (Path(__file__).parent / "data" / "open_data.csv").open(newline="", encoding="utf-8") as file:
    ROWS = {row["id"]: row for row in csv.DictReader(file) if row["id"].startswith("kappa_vcd:")}


@pytest.mark.parametrize("name", ROWS)
def test_kappa_is_that_of_the_check_values(name: str) -> None:
    cells = json.loads(ROWS[name]["inputs"])["cells"]
    kappa, error, low, high = json.loads(ROWS[name]["expected"])
    found = cohens_kappa(*(np.array([cell]) for cell in cells), 0.95)
    tolerance = float(ROWS[name]["tolerance"])
    assert [found.kappa[0], found.low[0], found.high[0]] == pytest.approx([kappa, low, high], abs=tolerance)
    assert (found.high[0] - found.low[0]) / 2 / 1.959964 == pytest.approx(error, abs=tolerance)


@pytest.mark.parametrize("cells", TABLES, ids=str)
def test_kappa_and_limits_are_those_of_statsmodels(cells: tuple[int, int, int, int]) -> None:
    from statsmodels.stats.inter_rater import cohens_kappa as reference

    theirs = reference(np.array([cells[:2], cells[2:]]))
    ours = cohens_kappa(*(np.array([cell]) for cell in cells), 0.95)
    assert ours.kappa[0] == pytest.approx(theirs.kappa, abs=1e-9)
    limits = np.clip([theirs.kappa_low, theirs.kappa_upp], -1, 1)
    assert [ours.low[0], ours.high[0]] == pytest.approx(limits.tolist(), abs=1e-9)
