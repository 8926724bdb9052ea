"""A number is within its limits to ten digits; what sums of fractions carry past a limit is no fault, anything more is."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.errors import CannotFinish
from pipeline.publish.tables import ready
from schemas.columns import Column, Table

SHARES = Table("shares", "A share.", (Column("share", "number", "A share.", low=0.0, high=1.0),), key=())


@pytest.mark.parametrize(
    ("worked_out", "written"),
    [(1.0000000000000004, 1.0), (-5e-17, 0.0), (1.0, 1.0), (0.9999999, 0.9999999), (1e-9, 1e-9)],
)
def test_the_last_digits_are_put_on_the_limit(worked_out: float, written: float) -> None:
    assert ready(pd.DataFrame({"share": [worked_out]}), SHARES)["share"].to_pylist() == [written]


@pytest.mark.parametrize("worked_out", [1.000000001, -1e-9, 2.0])
def test_more_than_that_is_a_fault(worked_out: float) -> None:
    with pytest.raises(CannotFinish, match="share breaks value_out_of_range"):
        ready(pd.DataFrame({"share": [worked_out]}), SHARES)


def test_nothing_stays_nothing() -> None:
    assert ready(pd.DataFrame({"share": [float("nan"), 1.0]}), SHARES)["share"].to_pylist() == [1.0, None]
