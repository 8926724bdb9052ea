"""Agreement of two reviewers: hand-worked tables, the published pair of equal agreement and unequal kappa, and the corners."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.count import agreement_counts
from pipeline.estimate import agreement_table
from pipeline.estimate.agreement import cohens_kappa
from pipeline.handover import Labels

LABELS = Labels(("h",), ("g",), (), (), (), ("crack", "tight", "any_complication"), (("any",),) * 3)


def row(both_yes: int, one_only: int, two_only: int, both_no: int) -> dict[str, object]:
    cells = {"both_yes": both_yes, "one_only": one_only, "two_only": two_only, "both_no": both_no}
    counts = pd.DataFrame([{"category": 1, "pairs": sum(cells.values()), **cells}])
    return agreement_table(counts, LABELS, 0.95).iloc[0].to_dict()


def test_pairs_are_counted_by_category() -> None:
    """crack: yes/yes, yes/no, no/yes, no/no twice, and one that only one reviewer answered; tight: yes/yes."""
    answers = [(0, 1, 1), (0, 1, 0), (0, 0, 1), (0, 0, 0), (0, 0, 0), (0, -1, -1), (1, 1, 1)]
    found = agreement_counts(pd.DataFrame(answers, columns=["category", "one", "two"]))
    columns = ["category", "pairs", "both_yes", "one_only", "two_only", "both_no"]
    assert found[columns].to_numpy().tolist() == [[0, 5, 1, 1, 1, 2], [1, 1, 1, 0, 0, 0]]


def test_no_pairs_give_no_rows() -> None:
    lone = pd.DataFrame({"category": [0], "one": [-1], "two": [-1]})
    assert len(agreement_table(agreement_counts(lone), LABELS, 0.95)) == 0


@pytest.mark.parametrize(
    ("cells", "kappa"), [((40, 9, 6, 45), 0.70), ((80, 10, 5, 5), 0.32)], ids=["balanced", "yes is common"]
)
def test_equal_agreement_and_unequal_kappa(cells: tuple[int, int, int, int], kappa: float) -> None:
    """The two tables of Feinstein and Cicchetti 1990, J Clin Epidemiol 43:543 (from memory): both agree in 85 of 100."""
    found = row(*cells)
    assert (found["raw"], found["pabak"]) == pytest.approx((0.85, 0.70))
    assert found["kappa"] == pytest.approx(kappa, abs=0.005)
    assert found["kappa_ci_low"] < found["kappa"] < found["kappa_ci_high"]


def test_positive_and_negative_agreement_by_hand() -> None:
    """8 both yes, 3 differ, 9 both no: 16 / 19 and 18 / 21."""
    found = row(8, 1, 2, 9)
    assert (found["positive"], found["negative"]) == pytest.approx((16 / 19, 18 / 21))
    assert (found["pairs"], found["discordant"]) == (20, 3)


@pytest.mark.parametrize(
    ("cells", "kappa", "limits"),
    [
        ((5, 0, 0, 5), 1.0, False),  # all agree: the variance is 0 and says nothing
        ((0, 0, 0, 9), np.nan, False),  # nobody ever says yes: chance alone agrees
        ((7, 0, 0, 0), np.nan, False),
        ((0, 1, 0, 9), 0.0, False),
        ((1, 0, 0, 0), np.nan, False),
        ((0, 3, 3, 0), -1.0, False),
        ((0, 0, 0, 0), np.nan, False),
        ((3, 1, 0, 7), 42 / 53, True),  # agreed 110/121; chance (4 x 3 + 7 x 8) / 121 = 68/121
    ],
)
def test_corners(cells: tuple[int, int, int, int], kappa: float, limits: bool) -> None:
    found = cohens_kappa(*(np.array([cell]) for cell in cells), 0.95)
    assert found.kappa[0] == pytest.approx(kappa, nan_ok=True)
    assert bool(np.isfinite(found.low[0])) is limits
    assert bool(np.isfinite(found.high[0])) is limits


def test_limits_stay_between_minus_one_and_one() -> None:
    found = cohens_kappa(np.array([3, 0]), np.array([1, 3]), np.array([0, 4]), np.array([7, 1]), 0.99)
    assert (found.low >= -1).all()
    assert (found.high <= 1).all()


def test_shares_that_are_undefined_are_left_empty() -> None:
    found = row(0, 0, 0, 4)
    assert (found["raw"], found["negative"], found["pabak"]) == (1, 1, 1)
    assert np.isnan([found["positive"], found["kappa"], found["kappa_ci_low"], found["kappa_ci_high"]]).all()
