"""Days that make a level: visits apart, times apart, from and to; against a naive loop and by hand."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations, pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.catalogue import Complication, Level, Measured
from pipeline.classify.levels import in_time
from pipeline.handover import CODE, READING, RIGHT

Classify = Callable[..., Any]
MEASURED = (Measured("hinge", "bend"),)
Piece = tuple[int, int, int]  # case, day, kind


def apart_enough(days: set[int], many: int, apart: int) -> bool:
    """Some `many` of the days lie, one after another, at least `apart` days apart."""
    return any(
        all(later - earlier >= apart for earlier, later in pairwise(chosen))
        for chosen in combinations(sorted(days), many)
    )


def naive(level: Level, measured: bool, pieces: list[Piece]) -> list[bool]:
    """One piece of evidence after another."""
    told = []
    for case, day, kind in pieces:
        asked = kind == READING or not measured
        mine = [(d, k) for c, d, k in pieces if c == case and d >= 0]
        visits = {d for d, k in mine if k == READING or not measured}
        begun = level.from_day is None or day >= level.from_day
        ended = level.to_day is not None and day > level.to_day
        enough = not asked or day < 0 or (begun and not ended)
        if level.or_visits and asked and apart_enough(visits, level.or_visits, level.apart_days or 0):
            enough = True
        if level.times and not apart_enough({d for d, _ in mine}, level.times, level.apart_days or 0):
            enough = False
        told.append(enough)
    return told


maybe_days = st.none() | st.integers(1, 12)
levels = st.builds(
    Level,
    st.just("some"),
    from_day=maybe_days,
    to_day=maybe_days,
    or_visits=st.none() | st.integers(1, 3),
    times=st.none() | st.integers(1, 3),
    apart_days=st.integers(1, 6),
)
pieces = st.lists(
    st.tuples(st.integers(0, 1), st.integers(-1, 14), st.sampled_from([READING, CODE])), max_size=7
)


def found(level: Level, measured: bool, own: list[Piece]) -> list[bool]:
    entry = Complication("some", "Some", levels=(level,), measured=MEASURED if measured else ())
    frame = pd.DataFrame(own, columns=["case", "day", "kind"]).astype("int64")
    return [bool(each) for each in np.asarray(in_time(level, entry, frame))]


@settings(max_examples=400, deadline=None)
@given(level=levels, measured=st.booleans(), own=pieces.map(sorted))
def test_in_time_equals_a_naive_loop(level: Level, measured: bool, own: list[Piece]) -> None:
    assert found(level, measured, own) == naive(level, measured, own)


@pytest.mark.parametrize("level", [Level("some", times=2), Level("some", from_day=9, or_visits=2)])
def test_one_day_is_never_two(level: Level) -> None:
    assert found(level, False, [(0, 3, CODE)]) == [False]


@pytest.mark.parametrize(
    ("days", "levels_day"),
    [
        ([179], None),
        ([180], 180),
        ([100, 127], None),
        ([100, 128], 100),
        ([100, 110, 130], 100),
        ([60, 100], None),
        ([60, 100, 128], 100),
        ([100, 190], 100),
    ],
    ids=str,
)
def test_lasting_means_from_a_day_on_or_two_visits_apart(
    classify: Classify, days: list[int], levels_day: int | None
) -> None:
    """From day 180, or two visits from day 90 at least 28 days apart; the day is the earliest reading."""
    rows = classify(readings=[{"day": day} for day in days]).rows()
    status, _, day = rows.get(("tight", "lasting"), ("", "", -1))
    assert (day if status == "counted" else None) == levels_day


def test_two_readings_on_one_day_are_one_visit(classify: Classify) -> None:
    rows = classify(readings=[{"day": 100}, {"day": 100, "measure": "lag", "value": 9.0}]).rows()
    assert set(rows) == {("tight", "once")}


@pytest.mark.parametrize(
    ("days", "again"), [([40], False), ([40, 53], False), ([40, 54], True), ([40, 45, 54], True)], ids=str
)
def test_repeated_means_two_events_at_least_so_many_days_apart(
    classify: Classify, days: list[int], again: bool
) -> None:
    rows = classify(events=[{"instability_level": 2, "day": day} for day in days]).rows()
    assert (("slip", "again") in rows) == again
    assert rows[("slip", "primary")][2] == 40


def test_levels_that_are_no_event_do_not_repeat_one(classify: Classify) -> None:
    rows = classify(
        events=[{"instability_level": level, "day": day} for level, day in ((2, 40), (4, 60))]
    ).rows()
    assert set(rows) == {("slip", "primary"), ("slip", "shy")}


def test_a_treatment_is_its_level_on_any_day_and_proves_no_other(classify: Classify) -> None:
    rows = classify(later=[{"procedures": ("loosen",), "day": 20}]).rows()
    assert rows[("tight", "treated")] == ("counted", "definite", 20)
    assert ("tight", "lasting") not in rows


def test_energy_is_a_level(classify: Classify) -> None:
    def cracked(energy: Any) -> set[str]:
        rows = classify(events=[{"category": "crack", "bone": "upper", "energy": energy}]).rows()
        return {level for _, level in rows}

    assert cracked("low") == cracked("none") == {"any", "mild"}
    assert cracked("high") == cracked(-1) == {"any"}


def test_assessed_means_a_passive_reading_from_the_first_day_on(classify: Classify) -> None:
    def assessed(**reading: Any) -> list[int]:
        return classify(readings=[reading]).found.assessed["case"].tolist()

    assert assessed(day=90, value=140.0) == [0]
    assert assessed(day=89) == []
    assert assessed(mode="active") == []
    assert assessed(joint="ball") == []
    assert assessed(pending=True) == []


def test_a_visit_at_which_every_motion_is_nought_measured_nothing(classify: Classify) -> None:
    nought = [{"value": 0.0}, {"measure": "lag", "value": 0.0}]
    answer = classify(readings=nought)
    assert answer.rows() == {}
    assert len(answer.found.assessed) == 0
    assert len(classify(readings=[{"value": 0.0}, {"measure": "lag", "value": 10.0}]).found.assessed) == 1


def test_a_motion_that_the_operation_means_to_limit_is_not_judged(classify: Classify) -> None:
    found = classify(readings=[{}, {"measure": "lag", "value": 10.0}], cases=("check",))
    assert found.evidence_measures() == {"lag"}
    assert classify(readings=[{}], cases=("check",)).found.assessed["case"].tolist() == []


@pytest.mark.parametrize(("day", "judged"), [(199, False), (200, False), (201, True)])
def test_or_that_a_later_operation_of_the_case_means_to_limit(
    classify: Classify, day: int, judged: bool
) -> None:
    found = classify(readings=[{}], later=[{"procedures": ("check",), "day": day, "role": "planned"}])
    assert (("tight", "lasting") in found.rows()) is judged


@pytest.mark.parametrize(
    ("value", "other", "day", "stiff"),
    [
        (124.0, 150.0, 200, True),
        (125.0, 150.0, 200, False),
        (124.0, 150.0, -400, True),
        (124.0, 150.0, 201, False),
        (124.0, None, 200, False),
    ],
    ids=["26 less", "25 less", "compared with an old reading", "not with a later one", "no other side"],
)
def test_so_much_less_than_the_other_side(
    classify: Classify, value: float, other: float | None, day: int, stiff: bool
) -> None:
    """`bend` is judged below 120, or 25 less than the other side."""
    sound = [] if other is None else [{"value": other, "side": RIGHT, "case": 1, "day": day}]
    rows = classify(readings=[{"value": value}, *sound], cases=("sew", "socket")).rows()
    assert (("tight", "lasting") in rows) is stiff


def test_motion_read_only_actively_is_told(classify: Classify) -> None:
    told = classify(readings=[{"mode": "active"}, {"mode": "active", "day": 300}]).found.unassessed
    assert told[["case", "row"]].to_numpy().tolist() == [[0, 1]]
    assert len(classify(readings=[{"mode": "active"}, {"day": 95}]).found.unassessed) == 0
    assert len(classify(readings=[{"mode": "active", "day": 80}]).found.unassessed) == 0
