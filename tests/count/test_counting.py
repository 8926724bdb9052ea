"""What counts as closed, followed, an event: DEFINITIONS of the project's design notes, by hand."""

from functools import reduce
from operator import add, attrgetter

import numpy as np
import pandas as pd
import pytest

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.count import added_histograms, counted, risk_histogram
from pipeline.counts import RISK_UNIT, Risks, added
from pipeline.errors import CannotFinish
from pipeline.handover import AWAITING, COUNTED, LEFT, NEVER, REFUTED, RIGHT, STRENGTHS, Cases

CRACK, TIGHTNESS, RETURN, ANY = range(4)
PROBABLE, DEFINITE, CONFIRMED = (STRENGTHS.index(word) for word in ("probable", "definite", "confirmed"))


@pytest.fixture
def total(cases_of, settings, catalogue, period):
    """Sum over all cells of one statistic of one category, level and window."""

    def read(courses, complications=(), category=CRACK, window=365, level=0, assessed=()):
        cases = cases_of(courses, complications, assessed)
        counts = counted(cases, settings, catalogue, period)
        outcomes = counts.outcomes
        here = (outcomes.category == category) & (outcomes.level == level) & (outcomes.window_days == window)
        return {name: int(array[:, here].sum()) for name, array in counts.cells.statistics.items()}

    return read


@pytest.mark.parametrize(
    ("known_until", "closed"),
    [(18_000 + 365 + 90, 1), (18_000 + 365 + 89, 0)],
    ids=["the day its grace ends", "a day before"],
)
def test_a_window_closes_when_its_grace_is_known(total, known_until, closed):
    assert total([{"known_until": known_until}])["cases"] == closed


@pytest.mark.parametrize(
    ("day", "event"),
    [(0, 1), (365, 1), (366, 0), (-1, 1)],
    ids=["day 0", "last day", "a day late", "unknown day counts in every window"],
)
def test_both_ends_of_a_window_belong_to_it(total, day, event):
    assert total([{}], [(0, CRACK, 0, day)])["events"] == event


@pytest.mark.parametrize("status", [REFUTED, AWAITING, 3, 4, 5, 6])
def test_only_the_status_counted_counts(total, status):
    assert total([{}], [(0, CRACK, 0, 10, status)])["events"] == 0


@pytest.mark.parametrize(
    ("category", "course", "followed"),
    [
        (TIGHTNESS, {"contact_until": 305}, 1),
        (TIGHTNESS, {"contact_until": 304}, 0),
        (TIGHTNESS, {"contact_until": 0, "records_until": 2000}, 0),
        (TIGHTNESS, {"contact_until": 0, "died": 365}, 1),
        (TIGHTNESS, {"contact_until": 0, "died": 366}, 0),
        (CRACK, {"contact_until": 0, "records_until": 305}, 1),
        (CRACK, {"contact_until": 0, "records_until": 304}, 0),
        (ANY, {"contact_until": 0, "records_until": 2000}, 0),
    ],
    ids=["contact at w - early", "a day short", "records do not stand in for a visit", "died by the end",
         "died after it", "records reach", "records a day short", "any is followed as a visit"],
)  # fmt: skip
def test_followed_is_judged_by_how_the_category_is_seen(total, category, course, followed):
    assert total([course], category=category)["followed"] == followed


def test_an_event_makes_a_lost_case_followed(total):
    found = total([{"contact_until": 0}], [(0, TIGHTNESS, 0, 200)], category=TIGHTNESS)
    assert (found["events"], found["followed"]) == (1, 1)


@pytest.mark.parametrize(
    ("died", "day", "deaths"),
    [(100, None, 1), (100, 50, 0), (100, 100, 0), (100, 150, 1), (100, -1, 0), (366, None, 0)],
    ids=[
        "no event",
        "event first",
        "same day",
        "event after death",
        "event of unknown day",
        "after the window",
    ],
)
def test_deaths_are_those_before_any_event(total, died, day, deaths):
    rows = [] if day is None else [(0, CRACK, 0, day)]
    assert total([{"died": died}], rows)["deaths"] == deaths


def test_awaiting_needs_an_undecided_row_within_the_window(total):
    courses = [{}] * 4
    rows = [(0, CRACK, 0, 300, AWAITING), (1, CRACK, 0, 366, AWAITING), (2, CRACK, 0, -1, AWAITING)]
    assert total(courses, rows)["awaiting"] == 2


def test_any_complication_awaits_what_an_earlier_member_awaits(total):
    rows = [(0, ANY, 0, 400), (0, CRACK, 0, 400), (0, RETURN, 0, 20, AWAITING)]
    assert total([{}], rows, category=ANY, window=90)["awaiting"] == 1
    assert total([{}], rows, category=ANY, window=730)["awaiting"] == 0


def test_assessed_is_a_reading_or_an_event_where_a_category_is_measured(total):
    courses = [{}] * 3 + [{"known_until": 18_000}]
    reading = [(0, TIGHTNESS), (1, TIGHTNESS), (3, TIGHTNESS)]
    found = total(courses, [(1, TIGHTNESS, 0, 200), (2, TIGHTNESS, 0, 210)], TIGHTNESS, assessed=reading)
    assert found["assessed"] == 3
    assert total(courses, category=CRACK, assessed=reading)["assessed"] == 0


@pytest.mark.parametrize(
    ("course", "day", "person_days", "person_events"),
    [
        ({}, None, 365, 0),
        ({}, 100, 100, 1),
        ({}, 0, 0, 1),
        ({}, -1, 0, 0),
        ({"died": 50}, None, 50, 0),
        ({"records_until": 80}, None, 80, 0),
        ({"records_until": 80}, 100, 80, 0),
        ({"known_until": 18_000}, 10, 0, 0),
    ],
    ids=["to the end", "to the event", "on day 0", "unknown day: left out", "to death", "to the last record",
         "event past observation", "not closed"],
)  # fmt: skip
def test_person_time_ends_with_the_first_of_event_death_observation_and_window(
    total, course, day, person_days, person_events
):
    found = total([course], [] if day is None else [(0, CRACK, 0, day)])
    assert (found["person_days"], found["person_events"]) == (person_days, person_events)


def test_both_sides_of_a_patient_in_one_group_are_paired(total):
    right = {"side": RIGHT}
    courses = [{"patient": 7}, {"patient": 7} | right, {"patient": 8}, {"patient": 8, "group": 1} | right, {}]
    assert total(courses)["paired"] == 2


def test_a_pair_needs_both_sides_closed(total):
    courses = [{"patient": 7}, {"patient": 7, "side": RIGHT, "known_until": 18_100}]
    assert total(courses)["paired"] == 0
    assert total(courses, window=30)["paired"] == 2


def test_windows_are_narrowed_by_the_catalogue(cases_of, settings, catalogue, period):
    from dataclasses import replace

    crack = replace(catalogue.complications["crack"], windows=(90,))
    narrowed = replace(catalogue, complications=catalogue.complications | {"crack": crack})
    outcomes = counted(cases_of([{}]), settings, narrowed, period).outcomes
    assert set(outcomes.window_days[outcomes.category == CRACK]) == {90}
    assert set(outcomes.window_days[outcomes.category == ANY]) == {30, 90, 365, 730}


def test_only_definite_events_are_laid_to_surgeons(cases_of, settings, catalogue, period):
    rows = [
        (0, RETURN, 0, 100), (0, ANY, 0, 100),
        (1, CRACK, 0, 50, COUNTED, PROBABLE), (1, ANY, 0, 50),
        (2, CRACK, 0, 60, COUNTED, CONFIRMED), (2, ANY, 0, 60),
    ]  # fmt: skip
    counts = counted(cases_of([{}, {}, {}], rows), settings, catalogue, period)
    here = (counts.surgeon_outcomes.category == ANY) & (counts.surgeon_outcomes.window_days == 365)
    assert counts.risk_cells["events"][:, here].sum() == 2
    assert counts.surgeons["events"][:, here].sum() == 3, "rates by surgeon pool to the rates of all"


def test_a_complication_after_the_first_return_is_not_laid_to_the_surgeon(
    cases_of, catalogue, settings, period
):
    from dataclasses import replace

    shown = replace(settings, surgeon_tables=replace(settings.surgeon_tables, categories=("crack",)))
    rows = [(0, RETURN, 0, 100), (0, CRACK, 0, 101), (1, RETURN, 0, 100), (1, CRACK, 0, 100)]
    counts = counted(cases_of([{}, {}], rows), shown, catalogue, period)
    here = counts.surgeon_outcomes.window_days == 365
    assert counts.risk_cells["events"][:, here].sum() == 1
    everyone = (counts.outcomes.category == CRACK) & (counts.outcomes.level == 0)
    assert counts.cells["events"][:, everyone & (counts.outcomes.window_days == 365)].sum() == 2


def test_activity_is_the_news_of_the_period(cases_of, settings, catalogue, period):
    courses = [{"performed": 18_270}, {"performed": 18_293}, {"performed": 18_262 - 60}]
    rows = [
        (0, CRACK, 0, 3, COUNTED, DEFINITE, 18_290), (0, CRACK, 1, 3, COUNTED, DEFINITE, 18_290),
        (0, ANY, 0, 3, COUNTED, DEFINITE, 18_290),
        (2, RETURN, 0, 61, COUNTED, DEFINITE, 18_300), (2, CRACK, 0, -1, COUNTED, DEFINITE, 18_262),
        (2, TIGHTNESS, 0, 9, COUNTED, DEFINITE, 18_270, False),
        (1, CRACK, 0, 3, AWAITING, 0, 18_280),
    ]  # fmt: skip
    activity = counted(cases_of(courses, rows), settings, catalogue, period).activity
    found = {name: int(array.sum()) for name, array in activity.statistics.items()}
    assert found == {
        "cases": 1, "complications_happened": 2, "complications_learned": 2, "awaiting": 1, "windows_closed": 1,
    }  # fmt: skip


def many_cases(cases_of, number=60, seed=20):
    draw = np.random.default_rng(seed)
    courses = [
        {
            "site": int(draw.integers(2)), "group": int(draw.integers(3)), "surgeon": int(draw.integers(-1, 3)),
            "patient": int(draw.integers(30)), "side": int(draw.choice([LEFT, RIGHT])),
            "fixation": int(draw.integers(-1, 2)), "age_band": int(draw.integers(-1, 3)),
            "isolated": bool(draw.integers(2)), "contact_until": int(draw.integers(800)),
            "known_until": int(18_000 + draw.integers(900)), "smoker": int(draw.integers(-1, 2)),
            "died": int(draw.choice([200, int(NEVER)])), "urgency": number % 2, "nonoperative_weeks": number % 20,
            "sport_level": number % 4,
        }
        for number in range(number)
    ]  # fmt: skip
    rows = [
        (case, CRACK, 0, int(draw.integers(-1, 700)), int(draw.integers(3))) for case in range(0, number, 3)
    ]
    rows += [(case, ANY, *row) for case, _, *row in rows]
    later = [
        (case, 0, int(draw.integers(2)), int(draw.integers(-1, 2)), case % 2, int(draw.integers(1, 700)))
        for case in range(0, number, 4)
    ]
    answers = [(case, day, (case + day) % 3, day - 10) for case in range(0, number, 2) for day in (200, 400)]
    readings = [(case, day, case % 2, case / 7) for case in range(number) for day in (-5, 365)]
    return cases_of(
        courses,
        rows,
        [(case, TIGHTNESS) for case in range(0, number, 2)],
        returns=later,
        answers=answers,
        readings=readings,
    )


def split(cases: Cases, parts: int) -> list[Cases]:
    """The cases of each partition; both sides of a patient stay together."""
    part_of = cases.cases.set_index("case")["patient"] % parts
    return [
        Cases(
            cases.labels,
            cases.cases[cases.cases["patient"] % parts == part],
            cases.complications[cases.complications["case"].map(part_of) == part],
            cases.assessed[cases.assessed["case"].map(part_of) == part],
            cases.defined,
            cases.returns[cases.returns["case"].map(part_of) == part],
            cases.answers[cases.answers["case"].map(part_of) == part],
            cases.readings[cases.readings["case"].map(part_of) == part],
        )
        for part in range(parts)
    ]


def assert_same(one, other):
    for name in (
        "cells", "surgeons", "risk_cells", "activity", "severity", "returns", "benefit.volumes", "benefit.care",
        "benefit.sport", "benefit.sport_days", "benefit.scores",
    ):  # fmt: skip
        left, right = attrgetter(name)(one), attrgetter(name)(other)
        pd.testing.assert_frame_equal(left.keys, right.keys)
        for statistic, array in left.statistics.items():
            assert array.dtype == np.int64
            np.testing.assert_array_equal(array, right.statistics[statistic], err_msg=f"{name} {statistic}")


@pytest.mark.parametrize("parts", [1, 2, 3, 7, 40])
def test_partitions_add_to_the_whole(cases_of, settings, catalogue, period, parts):
    cases = many_cases(cases_of)
    whole = counted(cases, settings, catalogue, period)
    pieces = [counted(piece, settings, catalogue, period) for piece in split(cases, parts)]
    assert_same(added(pieces), whole)
    assert_same(reduce(add, reversed(pieces)), whole)


def test_an_empty_partition_adds_nothing(cases_of, settings, catalogue, period):
    whole = counted(many_cases(cases_of), settings, catalogue, period)
    nothing = counted(cases_of([]), settings, catalogue, period)
    assert len(nothing.cells.keys) == 0
    assert_same(whole + nothing, whole)
    assert_same(nothing + whole, whole)


def test_counts_over_different_outcomes_do_not_add(cases_of, settings, catalogue, period):
    from dataclasses import replace

    fewer = replace(settings, windows=settings.windows[:2])
    one, other = (counted(cases_of([{}]), each, catalogue, period) for each in (settings, fewer))
    with pytest.raises(CannotFinish, match="different outcomes"):
        one + other


def test_a_complication_without_its_case_stops_the_run(cases_of, settings, catalogue, period):
    with pytest.raises(CannotFinish, match="not among the cases"):
        counted(cases_of([{}], [(5, CRACK, 0, 1)]), settings, catalogue, period)


def test_inputs_are_left_as_they_were(cases_of, settings, catalogue, period):
    cases = many_cases(cases_of)
    before = cases.cases.copy(deep=True), cases.complications.copy(deep=True)
    counted(cases, settings, catalogue, period)
    pd.testing.assert_frame_equal(cases.cases, before[0])
    pd.testing.assert_frame_equal(cases.complications, before[1])


def flat_risks(counts) -> Risks:
    shape = counts.risk_cells["cases"].shape
    return Risks(counts.risk_cells.keys, np.full(shape, RISK_UNIT // 20, np.int64))


@pytest.mark.parametrize("parts", [1, 3, 7])
def test_risk_histograms_of_partitions_add_to_the_whole(cases_of, settings, catalogue, period, parts):
    cases = many_cases(cases_of)
    counts = counted(cases, settings, catalogue, period)
    risks = flat_risks(counts)
    whole = risk_histogram(cases, settings, catalogue, risks)
    pieces = [risk_histogram(piece, settings, catalogue, risks) for piece in split(cases, parts)]
    pd.testing.assert_frame_equal(added_histograms(pieces), whole)
    assert whole["cases"].sum() == counts.risk_cells["cases"].sum()
    assert whole["events"].sum() == counts.risk_cells["events"].sum()


def test_a_case_unknown_to_the_risks_stops_the_run(cases_of, settings, catalogue, period):
    risks = flat_risks(counted(cases_of([{}]), settings, catalogue, period))
    with pytest.raises(CannotFinish, match="1 cases have covariates"):
        risk_histogram(cases_of([{"smoker": 1}]), settings, catalogue, risks)


def test_what_cannot_occur_is_left_out_of_the_expected_risk(cases_of, settings, catalogue, period):
    defined = np.ones((3, 4), np.int8)
    defined[0, RETURN] = 0
    counts = counted(cases_of([{}], defined=defined), settings, catalogue, period)
    assert counts.risk_cells["cases"][:, counts.surgeon_outcomes.category == RETURN].sum() == 0
    assert counts.risk_cells["cases"][:, counts.surgeon_outcomes.category == ANY].sum() == 2


def test_the_programs_own_category_has_its_key(cases_of):
    assert cases_of([{}]).labels.categories[ANY] == ANY_COMPLICATION
