"""Seconds of each stage, as run.json has them."""

from __future__ import annotations

from typing import Any

from pipeline.clock import Clock


def test_the_stage_under_way_is_counted_too(monkeypatch: Any) -> None:
    """A second each: 10 s of intake; publish has run for 3 s when it is asked, 5 s when it ends."""
    now = [0.0]
    monkeypatch.setattr("pipeline.clock.perf_counter", lambda: now[0])
    clock = Clock()
    with clock.stage("intake"):
        now[0] = 10.0
    with clock.stage("publish"):
        now[0] = 13.0
        assert clock.record()["seconds"] == {"intake": 10.0, "publish": 3.0}
        now[0] = 15.0
    assert clock.record()["seconds"] == {"intake": 10.0, "publish": 5.0}


def test_a_stage_that_comes_twice_is_one_sum_and_one_inside_another_is_in_both(monkeypatch: Any) -> None:
    now = [0.0]
    monkeypatch.setattr("pipeline.clock.perf_counter", lambda: now[0])
    told: list[str] = []
    clock = Clock(told.append)
    with clock.stage("publish"):
        now[0] = 1.0
        with clock.stage("resolve"):
            now[0] = 3.0
        with clock.stage("resolve"):
            now[0] = 4.0
    assert clock.seconds == {"publish": 4.0, "resolve": 3.0}
    assert told == ["publish", "resolve", "resolve"]
