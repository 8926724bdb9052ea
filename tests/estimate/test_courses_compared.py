"""The stated comparison over time, counted by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.counts import WAYS
from pipeline.estimate import courses_compared_table
from pipeline.estimate.notes import HALF_NOT_REACHED, NOBODY_IN_AN_ARM, NOT_COMPARED, NOTHING_TO_TEST

KEYS = ("arm", "age_band")
CRACK, TIGHTNESS, ANY = range(3)


def last(arm: int, day: int, cases: int = 1, *, band: int = 0, died: int = 0) -> list[dict]:
    """Cases watched up to a day, if nothing happens."""
    row = {"arm": arm, "age_band": band, "day": day, "competing": died, "censored": cases - died}
    return [row | {"way": way} for way in range(len(WAYS))]


def had(arm: int, day: int, *, band: int = 0, until: int = 365) -> list[dict]:
    """One of those watched until a day had it earlier."""
    row = {"arm": arm, "age_band": band, "category": ANY, "level": 0}
    return [row | {"day": until, "censored": -1}, row | {"day": day, "event": 1}]


@pytest.fixture
def table(counts_of, leaving_of, settings, labels, catalogue):
    def made(base: list[list[dict]], moved: list[list[dict]] = (), defined: np.ndarray | None = None):
        ends = leaving_of(
            [row for rows in base for row in rows], [row for rows in moved for row in rows], KEYS
        )
        counts = replace(counts_of([{"cases": 4}], defined), arm_ends=ends)
        return courses_compared_table(counts, settings, labels, catalogue).set_index("category")

    return made


def test_arms_by_hand(table):
    """a: events on days 1 and 3 of three; b: event on day 3 of three. Day 1: 3 and 3 at risk, expected a 1/2, variance 1/4.
    Day 3: 2 and 3 at risk, two events: expected 4/5, variance 2·(2/5)·(3/5)·(3/4) = 9/25. (2 - 13/10)² / (61/100)."""
    base = [last(0, 365, 3), last(1, 365, 3)]
    row = table(base, [had(0, 1), had(0, 3), had(1, 3)]).loc["any_complication"]
    assert (row["cases_a"], row["events_a"], row["cases_b"], row["events_b"]) == (3, 2, 3, 1)
    assert (row["expected_a"], row["expected_b"]) == pytest.approx((1.3, 1.7))
    assert row["log_rank"] == pytest.approx(0.49 / 0.61)
    assert row["median_a"] == 3  # 2/3 free after day 1, 1/3 after day 3
    assert np.isnan(row["median_b"])
    assert row["note"] == HALF_NOT_REACHED
    assert bool(row["primary"])


def test_age_bands_that_explain_it(table):
    """In the young all have it on day 5, in the old nobody; a has more young. Crude: 3 of 4 against 1 of 4 at risk together,
    expected 2, variance 4·(1/4)·(4/7) = 4/7, (3 - 2)² / (4/7) = 1.75. Within bands expected is what was seen."""
    base = [
        last(0, 365, 3, band=0),
        last(0, 365, 1, band=1),
        last(1, 365, 1, band=0),
        last(1, 365, 3, band=1),
    ]
    moved = [*[had(0, 5, band=0)] * 3, had(1, 5, band=0)]
    row = table(base, moved).loc["any_complication"]
    assert row["log_rank"] == pytest.approx(1.75)
    assert np.isnan(row["log_rank_within_age"]) or row["log_rank_within_age"] == pytest.approx(0)


def test_only_the_stated_category_is_tested(table):
    rows = table([last(0, 365, 3), last(1, 365, 3)], [had(0, 1)])
    others = rows.drop("any_complication")
    assert others[["log_rank", "p_log_rank", "expected_a", "p_within_age"]].isna().all(axis=None)
    assert not others["primary"].astype(bool).any()


def test_death_is_no_event(table):
    row = table([last(0, 20, 2, died=1), last(1, 365, 2)]).loc["any_complication"]
    assert (row["cases_a"], row["events_a"], row["deaths_a"], row["deaths_b"]) == (2, 0, 1, 0)
    assert np.isnan(row["log_rank"])
    assert NOTHING_TO_TEST in row["note"]


def test_what_comes_after_the_last_window_is_not_seen(table):
    row = table([last(0, 800, 2), last(1, 365, 2)], [had(0, 500, until=800)]).loc["any_complication"]
    assert row["until_day"] == 365
    assert (row["cases_a"], row["events_a"]) == (2, 0)


def test_an_arm_without_cases(table):
    row = table([last(0, 365, 3)], [had(0, 1)]).loc["any_complication"]
    assert (row["cases_a"], row["cases_b"]) == (3, 0)
    assert np.isnan(row["log_rank"])
    assert row["note"] == NOBODY_IN_AN_ARM


def test_what_cannot_occur_in_an_arm_is_not_compared(table):
    state = np.ones((3, 3), np.int8)
    state[1, CRACK] = 0
    row = table([last(0, 365, 3), last(1, 365, 3)], defined=state).loc["crack"]
    assert np.isnan(row["cases_a"])
    assert row["note"] == NOT_COMPARED


def test_nothing_stated_nothing_compared(counts_of, settings, labels, catalogue):
    without = replace(settings, primary=None)
    assert courses_compared_table(counts_of([{"cases": 4}]), without, labels, catalogue).empty
