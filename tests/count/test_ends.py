"""When cases leave observation, by hand. Windows 30/0/30, 90/14/60, 365/60/90, 730/90/120 (days, early, grace)."""

from functools import reduce
from operator import add

import numpy as np
import pytest

from pipeline.count import counted
from pipeline.counts import WAYS, added
from pipeline.handover import AWAITING

CRACK, TIGHTNESS, RETURN, ANY = range(4)
VISIT, RECORDS = (WAYS.index(way) for way in ("visit", "records"))
#: Performed on day 18,000; with records complete to day 18,000 + 500 the window of 365 has closed, that of 730 has not.
A_YEAR = {"known_until": 18_500, "records_until": 500}


@pytest.fixture
def ends(cases_of, settings, catalogue, period):
    def read(courses, complications=()):
        return counted(cases_of(courses, complications), settings, catalogue, period).ends

    return read


def leaves(ends, way):
    """Rows (day, competing, censored) of one way of observing."""
    own = ends.base.where(ends.base.keys["way"].to_numpy() == way)
    columns = (own.keys["day"], own["competing"], own["censored"])
    return list(zip(*(column.tolist() for column in columns), strict=True))


def moves(ends, category, level=0):
    """Rows (day, event, competing, censored) of one outcome."""
    keys = ends.moved.keys
    own = ends.moved.where(((keys["category"] == category) & (keys["level"] == level)).to_numpy())
    columns = (own.keys["day"], own["event"], own["competing"], own["censored"])
    return list(zip(*(column.tolist() for column in columns), strict=True))


@pytest.mark.parametrize(
    ("contact", "day"),
    [(0, 30), (29, 30), (40, 40), (75, 75), (76, 90), (200, 200), (304, 304), (305, 365), (480, 365)],
)
def test_visits_reach_to_the_last_contact_within_the_closed_windows(ends, contact, day):
    """Day 30 takes a contact from 30 - 0 on, 90 from 76 on, 365 from 305 on; 730 has not closed."""
    expected = contact if contact < 30 else day
    assert leaves(ends([A_YEAR | {"contact_until": contact}]), VISIT) == [(expected, 0, 1)]


def test_no_closed_window_no_curve_of_visits_but_one_of_records(ends):
    young = {"known_until": 18_059, "records_until": 59, "contact_until": 45}
    found = ends([young], [(0, TIGHTNESS, 0, 40), (0, CRACK, 0, 40)])
    assert leaves(found, VISIT) == []
    assert moves(found, TIGHTNESS) == []
    assert leaves(found, RECORDS) == [(59, 0, 1)]
    assert moves(found, CRACK) == [(40, 1, 0, 0), (59, 0, 0, -1)]


@pytest.mark.parametrize(("records", "rows"), [(500, [(500, 0, 1)]), (2000, [(730, 0, 1)]), (-1, [])])
def test_records_reach_to_the_longest_window(ends, records, rows):
    assert leaves(ends([{"records_until": records}]), RECORDS) == rows


@pytest.mark.parametrize(
    ("died", "row"),
    [(200, (200, 1, 0)), (365, (365, 1, 0)), (366, (365, 0, 1))],
    ids=["within", "last day", "after"],
)
def test_death_competes_while_observed(ends, died, row):
    assert leaves(ends([A_YEAR | {"contact_until": 320, "died": died}]), VISIT) == [row]


@pytest.mark.parametrize(
    ("course", "day", "rows"),
    [
        ({}, 100, [(100, 1, 0, 0), (365, 0, 0, -1)]),
        ({}, 365, [(365, 1, 0, -1)]),
        ({}, 366, []),
        ({"died": 200}, 100, [(100, 1, 0, 0), (200, 0, -1, 0)]),
        ({"died": 200}, 200, [(200, 1, -1, 0)]),
        ({"died": 200}, 201, []),
        ({}, -1, [(365, 0, 0, -1)]),
        ({"contact_until": 100}, 150, []),
    ],
    ids=["event", "on the last day", "after it", "before death", "on its day", "after death", "no day", "unobserved"],
)  # fmt: skip
def test_an_event_moves_its_case(ends, course, day, rows):
    course = A_YEAR | {"contact_until": 400} | course
    assert moves(ends([course], [(0, TIGHTNESS, 0, day)]), TIGHTNESS) == rows


def test_only_what_counts_moves_a_case(ends):
    assert moves(ends([A_YEAR], [(0, CRACK, 0, 100, AWAITING)]), CRACK) == []


def test_parts_add_up_to_the_whole(cases_of, settings, catalogue, period):
    rng = np.random.default_rng(5)
    courses = [
        {"site": int(rng.integers(2)), "group": int(rng.integers(3)), "surgeon": int(rng.integers(-1, 3)),
         "performed": int(rng.integers(17_000, 19_500)), "contact_until": int(rng.integers(800)),
         "died": int(rng.integers(1, 3000))}
        for _ in range(120)
    ]  # fmt: skip
    rows = [
        (case, category, 0, int(rng.integers(-1, 800))) for case in range(120) for category in (CRACK, ANY)
    ]

    def of(chosen):
        number = {case: place for place, case in enumerate(chosen)}
        mine = [(number[case], *row) for case, *row in rows if case in number]
        patients = [courses[case] | {"patient": case} for case in chosen]
        return counted(cases_of(patients, mine), settings, catalogue, period)

    whole = of(range(120))
    parts = [of(range(start, 120, 7)) for start in range(7)]
    for together in (added(parts), reduce(add, parts[::-1])):
        for name in ("ends", "surgeon_ends", "cohort_ends"):
            for half in ("base", "moved"):
                one, other = getattr(getattr(whole, name), half), getattr(getattr(together, name), half)
                assert one.keys.equals(other.keys)
                assert len(one.keys) > 20
                for statistic, counts in one.statistics.items():
                    np.testing.assert_array_equal(counts, other[statistic])
        np.testing.assert_array_equal(whole.cohorts["events"], together.cohorts["events"])


@pytest.mark.parametrize(
    ("kind", "day", "number"),
    [("month", 18_292, 2020 * 12), ("month", 18_293, 2020 * 12 + 1), ("quarter", 18_293, 2020 * 4), ("year", 18_261, 2019)],
)  # fmt: skip
def test_cases_are_laid_to_the_period_of_their_operation(
    cases_of, settings, catalogue, period, kind, day, number
):
    """18,262 is 2020-01-01 and 18,292 the last day of that January."""
    from dataclasses import replace

    counts = counted(cases_of([{"performed": day}]), replace(settings, period=kind), catalogue, period)
    assert counts.cohorts.keys["period"].tolist() == [number]


def test_a_hundred_thousand_cases_take_a_moment(cases_of, settings, catalogue, period):
    """Ends are few rows however many cases: keys are small, days at most those of the longest window."""
    from time import perf_counter

    from pipeline.case_evidence import evidence_rows
    from pipeline.count.ends import end_cells
    from pipeline.count.outcomes import all_outcomes, evidence_for_department
    from pipeline.watched import last_days

    cases = cases_of([{}], [(0, CRACK, 0, 10)])
    evidence = evidence_for_department(evidence_rows(cases), cases.labels, catalogue)
    rng = np.random.default_rng(1)
    many = cases.cases.loc[cases.cases.index.repeat(100_000)].assign(
        contact_until=rng.integers(0, 900, 100_000), age_band=rng.integers(0, 3, 100_000)
    )
    outcomes = all_outcomes(cases.labels, settings, catalogue)
    seen_in = ["records", "visit", "records", "visit"]
    started = perf_counter()
    found = end_cells(
        many,
        ("site", "group", "fixation", "age_band"),
        outcomes,
        evidence,
        seen_in,
        last_days(many, settings.windows),
    )
    assert perf_counter() - started < 2
    assert found.base["censored"].sum() == 200_000
    assert len(found.base.keys) < 3 * 2 * 731
