"""Drawn cases against the exact run lengths and the promised limits; `python tests/bench/false_alarms.py` draws more."""

from __future__ import annotations

import pytest
from false_alarms import drawn_run_length, funnel_beyond, surgeons_beyond


@pytest.mark.parametrize("mean_risk", [0.12, 0.03])
@pytest.mark.parametrize("times", [1.0, 2.0])
def test_drawn_runs_are_as_long_as_worked_out(mean_risk: float, times: float) -> None:
    found = drawn_run_length(mean_risk, times, 300_000, 500)
    assert found.exact >= 500 or times == 2
    assert abs(found.drawn - found.exact) < 3.5 * found.error
    assert found.error < 0.06 * found.exact


def test_whole_limits_are_passed_no_more_often_than_promised() -> None:
    found = surgeons_beyond(20_000)
    assert 0.02 < found.at_95 <= 0.05
    assert 0.0003 < found.at_998 <= 0.002


def test_interpolated_limits_are_passed_about_as_often_as_promised() -> None:
    found = funnel_beyond(20_000)
    assert found.at_95 == pytest.approx(0.05, abs=0.012)
    assert found.at_998 == pytest.approx(0.002, abs=0.0012)
