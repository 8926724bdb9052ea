"""The kills of tests/chaos are where its command says; they themselves have a command of their own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

KILLS = Path(__file__).parent / "chaos" / "kills.py"


@pytest.fixture(scope="module")
def kills():
    spec = importlib.util.spec_from_file_location("kills", KILLS)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["kills"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["kills"]


def test_two_hundred_kills_are_fifty_at_steps_and_many_in_each_stage(kills):
    found = kills.all_kills(200)
    stages = [kill.stage for kill in found if kill.stage]
    assert len(found) == 200
    assert len(found) - len(stages) == 50
    assert min(stages.count(name) for name in set(stages)) >= 18
    assert len({(kill.step, kill.after) for kill in found if not kill.stage}) == 2 * len(kills.STEPS)


def test_every_step_is_a_function_of_the_program(kills):
    assert all(callable(getattr(owner, name)) for owner, name in kills.STEPS)


def test_a_few_kills_are_of_both_kinds(kills):
    found = kills.all_kills(6)
    assert len(found) == 6
    assert sum(not kill.stage for kill in found) == 2
