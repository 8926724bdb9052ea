"""Sport and scores of the arms of comparisons, counted by hand."""

from dataclasses import replace

import pytest

from pipeline.count import counted
from pipeline.counts import added
from pipeline.settings import Compare, Primary
from schemas.exports import EXPORTS

SAME, LOWER, NONE = (
    EXPORTS["followups"]["return_to_sport"].vocabulary.index(word)
    for word in ("same_or_higher", "lower", "none")
)
LIMB, FEAR = (
    EXPORTS["followups"]["not_returned_because"].vocabulary.index(word) for word in ("operated_limb", "fear")
)
NOT_TOLD, NO_REASON = 2**31 - 1, -1
PLAYS = 1
STATED = Primary("anchor_loop", "bone_shift", "any_complication", 365)
WIRES = Compare("peg", "peg;wire", by="fixation", among="young")
A, B = 0, 1


@pytest.fixture
def benefit(cases_of, settings, catalogue, period):
    def counted_of(courses, primary=STATED, compare=(), **more):
        own = replace(settings, primary=primary, compare=tuple(compare))
        return counted(cases_of(courses, **more), own, catalogue, period).benefit

    return counted_of


def told(cells):
    """Rows of a table of counts: keys, then statistics."""
    return list(cells.keys.assign(**cells.statistics).itertuples(index=False, name=None))


COURSES = [
    {"group": 0, "sport_level": PLAYS},
    {"group": 0, "sport_level": PLAYS},
    {"group": 0, "sport_level": PLAYS},
    {"group": 0},  # did no sport: read, but not asked after sport
    {"group": 1, "sport_level": PLAYS},
    {"group": 1, "sport_level": PLAYS},
    {"group": 0, "sport_level": PLAYS, "isolated": False},  # with a further procedure
    {"group": 2, "sport_level": PLAYS},  # both operations together
    {"group": 1, "sport_level": PLAYS, "known_until": 18_364},  # records reach day 364
]
ANSWERS = [
    (0, 200, NONE, NOT_TOLD, FEAR), (0, 400, SAME, 300),  # back after all
    (1, 400, NONE, NOT_TOLD, LIMB),
    (4, 200, LOWER, 150), (4, 500, NONE, NOT_TOLD),  # back no more, nobody wrote why
    (5, 400, LOWER, 250, LIMB),  # back, though lower: no reason asked for
    (6, 400, SAME, 300), (7, 400, SAME, 300), (8, 300, SAME, 200),
]  # fmt: skip


def test_arms_of_the_stated_comparison(benefit):
    found = benefit(COURSES, answers=ANSWERS)
    assert told(found.arms) == [(0, A, 4, 3, 2, 1, 1), (0, B, 2, 2, 2, 1, 0)]
    assert told(found.arm_days) == [(0, A, 300, 1), (0, B, 250, 1)]
    assert told(found.arm_reasons) == [(0, A, LIMB, 1), (0, B, NO_REASON, 1)]


def test_changes_of_cases_read_twice(benefit):
    """Case 0 from 50 to 80.5: 3050 hundredths, squared 9,302,500. Case 3 from 40 to 30: -1000."""
    readings = [
        (0, -1, 0, 50.0), (0, 400, 0, 80.5), (1, 400, 0, 99.0), (3, -9, 0, 40.0), (3, 200, 0, 30.0),
        (4, -1, 1, 10.0), (4, 200, 1, 12.0), (6, -1, 0, 1.0), (6, 200, 0, 2.0), (8, -1, 0, 1.0), (8, 200, 0, 2.0),
    ]  # fmt: skip
    found = benefit(COURSES, readings=readings).arm_changes
    assert told(found) == [(0, A, 0, 2, 2050, 9_302_500 + 1_000_000), (0, B, 1, 1, 200, 40_000)]


def test_a_case_may_be_in_several_comparisons(benefit):
    courses = [
        {"sport_level": PLAYS, "by:fixation": 0},
        {"sport_level": PLAYS, "by:fixation": 1},
        {"sport_level": PLAYS, "by:fixation": 1, "among:young": False},
    ]
    answers = [(case, 400, SAME, 100 + case) for case in range(3)]
    found = benefit(courses, compare=[WIRES], answers=answers)
    assert told(found.arms) == [(0, A, 3, 3, 3, 3, 3), (1, A, 1, 1, 1, 1, 1), (1, B, 1, 1, 1, 1, 1)]
    assert told(found.arm_days) == [
        (0, A, 100, 1),
        (0, A, 101, 1),
        (0, A, 102, 1),
        (1, A, 100, 1),
        (1, B, 101, 1),
    ]
    without = benefit(courses, primary=None, compare=[WIRES], answers=answers)
    assert told(without.arms) == [(0, A, 1, 1, 1, 1, 1), (0, B, 1, 1, 1, 1, 1)]


def test_nothing_compared_nothing_counted(benefit):
    found = benefit(COURSES, primary=None, answers=ANSWERS)
    assert [told(each) for each in (found.arms, found.arm_days, found.arm_reasons, found.arm_changes)] == [
        []
    ] * 4


def test_parts_add_up(cases_of, settings, catalogue, period):
    own = replace(settings, primary=STATED, compare=(WIRES,))
    courses = [{"sport_level": PLAYS, "group": number % 2, "by:fixation": number % 2} for number in range(4)]

    def part(*numbers):
        return counted(
            cases_of(
                [courses[number] for number in numbers],
                answers=[
                    (place, 200, (SAME, SAME, NONE, NONE)[number], 100 + number, (-1, -1, LIMB, FEAR)[number])
                    for place, number in enumerate(numbers)
                ],
                readings=[
                    (place, day, 0, (number + day) / 7) for place, number in enumerate(numbers) for day in (-1, 200)
                ],
            ),
            own, catalogue, period,
        )  # fmt: skip

    whole, pieces = part(0, 1, 2, 3).benefit, added([part(2), part(0, 3), part(), part(1)]).benefit
    for name in ("arms", "arm_days", "arm_reasons", "arm_changes"):
        assert told(getattr(pieces, name)) == told(getattr(whole, name)) != []
