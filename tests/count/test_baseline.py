"""What was known before the operation, counted for the arms of the stated comparison; every count by hand."""

from dataclasses import replace

import pytest

from pipeline.count import counted
from pipeline.counts import BASELINE, added
from pipeline.settings import Primary

A, B, BOTH = {"group": 0}, {"group": 1}, {"group": 2}
SMOKER, AGE, SITE = (BASELINE.index(name) for name in ("smoker", "age_years", "site"))


@pytest.fixture
def baseline(cases_of, settings, catalogue, period):
    """(arm, characteristic, value) → cases."""

    def of(courses, **stated):
        asked = replace(settings, primary=Primary("anchor_loop", "bone_shift", "crack", 365, **stated))
        cells = counted(cases_of(courses), asked, catalogue, period).baseline
        keys = cells.keys[["arm", "characteristic", "value"]].itertuples(index=False)
        return {tuple(key): int(count) for key, count in zip(keys, cells["cases"], strict=True)}

    return of


def test_cases_by_arm_characteristic_and_value(baseline):
    found = baseline([A | {"smoker": 1}, A | {"smoker": 1}, A | {"smoker": -1}, B, BOTH, BOTH])
    assert {key: count for key, count in found.items() if key[1] == SMOKER} == {
        (0, SMOKER, -1): 1, (0, SMOKER, 1): 2, (1, SMOKER, 0): 1,
    }  # fmt: skip
    assert sum(found.values()) == 4 * len(BASELINE)


def test_ages_are_a_histogram_in_years(baseline):
    found = baseline([A | {"age_years": 17}, A | {"age_years": 31}, A | {"age_years": 17}])
    assert {key: count for key, count in found.items() if key[1] == AGE} == {(0, AGE, 17): 2, (0, AGE, 31): 1}


@pytest.mark.parametrize(
    ("course", "cases"),
    [({}, 1), ({"known_until": 18_000 + 454}, 0), ({"isolated": False}, 0), ({"among:young": False}, 0)],
    ids=["counted", "window not closed", "something else done", "of another group"],
)
def test_only_cases_that_the_stated_comparison_sets_side_by_side(baseline, course, cases):
    assert sum(baseline([A | course], among="young").values()) == cases * len(BASELINE)


def test_without_a_stated_comparison_nothing(cases_of, settings, catalogue, period):
    cells = counted(cases_of([A, B]), settings, catalogue, period).baseline
    assert len(cells.keys) == 0
    assert list(cells.keys.columns) == ["arm", "characteristic", "value"]


def test_parts_add_up(cases_of, settings, catalogue, period):
    asked = replace(settings, primary=Primary("anchor_loop", "bone_shift", "crack", 365))
    courses = [A, A | {"site": 1}, B | {"site": 1}, B | {"smoker": 1}]
    one, other, whole = (
        counted(cases_of(part), asked, catalogue, period) for part in (courses[:2], courses[2:], courses)
    )
    together = added([one, other]).baseline
    assert together.keys.equals(whole.baseline.keys)
    assert together["cases"].tolist() == whole.baseline["cases"].tolist()
