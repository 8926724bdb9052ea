"""Expected risk, by hand: (events + prior) / (cases + 1), the prior being the procedure's own such rate."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.counts import RISK_UNIT
from pipeline.estimate import expected_risk


def risk(counts_of, rows):
    found = expected_risk(counts_of(rows), 0.95).risks
    keys = found.keys[["group", "age_band"]].itertuples(index=False, name=None)
    return dict(zip(keys, found.risk[:, 0] / RISK_UNIT, strict=True))


def test_by_hand(counts_of):
    rows = [
        {"group": 0, "age_band": 0, "cases": 19, "events": 3},
        {"group": 0, "age_band": 1, "cases": 20, "events": 0},
    ]
    overall = 3.5 / 40
    procedure = (3 + overall) / 40
    found = risk(counts_of, rows)
    assert found[0, 0] == pytest.approx((3 + procedure) / 20, abs=0.5 / RISK_UNIT)
    assert found[0, 1] == pytest.approx(procedure / 21, abs=0.5 / RISK_UNIT)


cell = st.integers(0, 5_000).flatmap(
    lambda cases: st.fixed_dictionaries(
        {"cases": st.just(cases), "events": st.integers(0, cases), "group": st.integers(0, 2),
         "age_band": st.integers(-1, 1)}
    )
)  # fmt: skip


@given(st.lists(cell, max_size=6))
def test_never_none_and_never_more_than_certain(counts_of, rows):
    found = expected_risk(counts_of(rows), 0.95).risks.risk
    assert found.dtype == np.int64
    assert ((found >= 1) & (found <= RISK_UNIT)).all()


def test_an_age_with_more_events_has_more_risk(counts_of):
    rows = [{"age_band": 0, "cases": 100, "events": 2}, {"age_band": 1, "cases": 100, "events": 20}]
    found = risk(counts_of, rows)
    assert found[0, 1] > 5 * found[0, 0]
