"""The kills of tests/chaos are where its command says; they themselves have a command of their own."""

from __future__ import annotations

import importlib
from collections import Counter
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def kills():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(Path(__file__).parent / "chaos"))
        yield importlib.import_module("kills")


def test_two_hundred_kills_are_fifty_at_steps_and_twenty_in_each_stage(kills):
    found = kills.all_kills(200)
    assert len(found) >= 200
    assert Counter(kill.stage for kill in found if kill.stage) == dict.fromkeys(kills.STAGES, 20)
    steps = [(kill.step, kill.after) for kill in found if kill.step >= 0]
    assert len(steps) == 50
    assert len(set(steps)) == 2 * len(kills.STEPS)


def test_all_works_are_killed_at_random_moments_which_are_the_same_every_time(kills):
    at_random = [kill for kill in kills.all_kills(200) if not kill.stage and kill.step < 0]
    assert Counter(kill.work for kill in at_random) == dict.fromkeys(kills.WORKS, 8)
    assert kills.all_kills(200) == kills.all_kills(200)
    assert len({kill.part for kill in at_random}) == len(at_random)


def test_every_step_is_a_function_of_the_program(kills):
    assert all(callable(getattr(owner, name)) for owner, name in kills.STEPS)


def test_a_good_share_is_of_whole_editions(kills):
    found = kills.all_kills(200)
    assert sum(kill.whole for kill in found) >= 40
    assert {kill.work for kill in found if kill.whole} == {"run"}
