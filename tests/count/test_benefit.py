"""Volumes, care before the operation, sport and scores, counted by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.count import counted
from pipeline.counts import added
from schemas.exports import EXPORTS

SAME, LOWER, NONE = (
    EXPORTS["followups"]["return_to_sport"].vocabulary.index(word)
    for word in ("same_or_higher", "lower", "none")
)
ELECTIVE, URGENT = (
    EXPORTS["operations"]["urgency"].vocabulary.index(word) for word in ("elective", "urgent")
)
RECREATIONAL, COMPETITIVE = (
    EXPORTS["operations"]["sport_level"].vocabulary.index(word) for word in ("recreational", "competitive")
)
NO_SPORT, NOT_SAID = 0, -1
NOT_TOLD = 2**31 - 1


@pytest.fixture
def benefit(cases_of, settings, catalogue, period):
    def counted_of(courses, expected=(), **more):
        own = replace(settings, nonoperative_weeks_expected=dict(expected))
        return counted(cases_of(courses, **more), own, catalogue, period).benefit

    return counted_of


def told(cells):
    """Rows of a table of counts: keys, then statistics."""
    return list(cells.keys.assign(**cells.statistics).itertuples(index=False, name=None))


def test_volumes_by_period_of_the_operation(benefit):
    """Day 18,262 is 2020-01-01; the day before it lies in December: months 24,240 and 24,239 since the year 0."""
    courses = [
        {"performed": 18_261}, {"performed": 18_262}, {"performed": 18_292}, {"performed": 18_262, "age_band": -1},
        {"performed": 18_262, "site": 1}, {"performed": 18_262, "group": 1},
    ]  # fmt: skip
    assert told(benefit(courses).volumes) == [
        (24_239, 0, 0, 0, 1), (24_240, 0, -1, 0, 1), (24_240, 0, 0, 0, 2), (24_240, 0, 0, 1, 1), (24_240, 1, 0, 0, 1),
    ]  # fmt: skip


def test_care_counts_elective_cases_where_weeks_are_expected(benefit):
    courses = [
        {"urgency": ELECTIVE, "nonoperative_weeks": 12},
        {"urgency": ELECTIVE, "nonoperative_weeks": 11},
        {"urgency": ELECTIVE, "nonoperative_weeks": 0},
        {"urgency": ELECTIVE, "nonoperative_weeks": NOT_SAID},
        {"urgency": URGENT, "nonoperative_weeks": 20},
        {"urgency": NOT_SAID, "nonoperative_weeks": 20},
        {"urgency": ELECTIVE, "nonoperative_weeks": 20, "group": 1},
    ]
    assert told(benefit(courses, {"anchor_loop": 12}).care) == [(0, 4, 3, 1)]
    assert told(benefit(courses).care) == []


def test_the_last_answer_from_half_a_year_to_two_years_counts(benefit):
    courses = [{"sport_level": level} for level in (RECREATIONAL,) * 3 + (COMPETITIVE,) * 3]
    answers = [
        (0, 100, NONE, NOT_TOLD), (0, 200, LOWER, 150), (0, 400, SAME, 160),  # back; the earlier of two days
        (1, 179, SAME, 160),  # asked too early
        (2, 200, SAME, 190), (2, 730, NONE, NOT_TOLD),  # was back, is not any more
        (3, 180, LOWER, NOT_TOLD),  # back, nobody said when
        (4, 731, SAME, 300),  # asked too late
        (5, 200, SAME, 201),  # a day of return after the contact is not believed
    ]  # fmt: skip
    found = benefit(courses, answers=answers)
    young = 1
    assert told(found.sport) == [(0, RECREATIONAL, young, 3, 2, 1, 1), (0, COMPETITIVE, young, 3, 2, 2, 1)]
    assert told(found.sport_days) == [(0, RECREATIONAL, young, 150, 1)]


@pytest.mark.parametrize(
    ("course", "cases"),
    [
        ({"sport_level": RECREATIONAL, "known_until": 18_365}, 1),
        ({"sport_level": RECREATIONAL, "known_until": 18_364}, 0),
        ({"sport_level": NO_SPORT}, 0),
        ({"sport_level": NOT_SAID}, 0),
    ],
)
def test_who_did_sport_before_and_a_year_ago(benefit, course, cases):
    found = benefit([course], answers=[(0, 200, SAME, 190)])
    assert (
        found.sport["cases"].sum() == found.sport["asked"].sum() == found.sport_days["cases"].sum() == cases
    )


def test_scores_take_the_last_before_and_the_last_in_the_range(benefit):
    """60.5 before and 80.75 after are 6050 and 8075 hundredths: a change of 2025, squared 4,100,625."""
    readings = [
        (0, -30, 0, 50.25), (0, -2, 0, 60.5), (0, 0, 0, 99.0), (0, 90, 0, 70.0), (0, 365, 0, 80.75), (0, 731, 0, 10.0),
        (1, -1, 0, 40.0), (2, 180, 0, 70.0), (2, 730, 1, -3.5), (3, 20, 0, 55.0),
    ]  # fmt: skip
    found = benefit([{}] * 4, readings=readings).scores
    assert told(found) == [
        (0, 0, 2, 6050 + 4000, 2, 8075 + 7000, 1, 2025, 4_100_625),
        (0, 1, 0, 0, 1, -350, 0, 0, 0),
    ]
    assert all(statistic.dtype == np.int64 for statistic in found.statistics.values())


def test_parts_add_up(cases_of, settings, catalogue, period):
    own = replace(settings, nonoperative_weeks_expected={"anchor_loop": 12})
    courses = [
        {"nonoperative_weeks": weeks, "sport_level": RECREATIONAL, "urgency": ELECTIVE}
        for weeks in (12, 3, 30)
    ]

    def part(*numbers):
        return counted(
            cases_of(
                [courses[number] for number in numbers],
                answers=[(place, 200, SAME, 100 + number) for place, number in enumerate(numbers)],
                readings=[
                    (place, day, 0, number / 7) for place, number in enumerate(numbers) for day in (-1, 200)
                ],
            ),
            own, catalogue, period,
        )  # fmt: skip

    whole, pieces = part(0, 1, 2).benefit, added([part(2), part(0), part(), part(1)]).benefit
    for name in ("volumes", "care", "sport", "sport_days", "scores"):
        assert told(getattr(pieces, name)) == told(getattr(whole, name)) != []
