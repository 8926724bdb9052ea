"""Volumes, care before the operation, sport and scores from counts; figures by hand or from printed tables."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate import benefit_tables
from schemas.exports import EXPORTS
from tests.estimate.conftest import benefit_of

LEVELS = EXPORTS["operations"]["sport_level"].vocabulary
RECREATIONAL, COMPETITIVE = LEVELS.index("recreational"), LEVELS.index("competitive")


@pytest.fixture
def tables(counts_of, settings, labels):
    def of(expected=(), **rows):
        own = replace(settings, nonoperative_weeks_expected=dict(expected))
        return benefit_tables(replace(counts_of([]), benefit=benefit_of(**rows)), own, labels)

    return of


def test_nothing_counted_nothing_told(tables):
    assert [len(frame) for frame in tables().values()] == [0, 0, 0, 0]


def test_volumes_have_names(tables):
    rows = [{"period": 24_240, "group": 1, "age_band": -1, "site": 1, "cases": 3}]
    found = tables(volumes=rows)["volumes"]
    assert found.to_numpy().tolist() == [["2020-01", "bone_shift", "unknown", "meadow", 3]]


def test_care_of_one_in_two_with_its_interval(tables):
    """Wilson by hand: z² = 3.8415, half = 1.95996 √(0.125 + 3.8415 / 16) / 2.92073 = 0.4055 around 0.5."""
    found = tables({"anchor_loop": 12}, care=[{"elective": 5, "recorded": 2, "reached": 1}])[
        "nonoperative_care"
    ]
    (row,) = found.to_dict("records")
    assert (row["procedure"], row["elective"], row["recorded"], row["expected_weeks"], row["reached"]) == (
        "anchor_loop", 5, 2, 12, 1,
    )  # fmt: skip
    assert (row["share"], row["ci_low"], row["ci_high"]) == pytest.approx((0.5, 0.0945, 0.9055), abs=5e-5)


def test_care_that_nobody_wrote_down_has_no_share(tables):
    found = tables({"anchor_loop": 12, "bone_shift": 6}, care=[{"elective": 5}])["nonoperative_care"]
    assert found["procedure"].tolist() == ["anchor_loop", "bone_shift"]
    assert found["elective"].tolist() == [5, 0]
    assert found[["share", "ci_low", "ci_high"]].isna().to_numpy().all()


def sport_rows():
    return [
        {"sport_level": RECREATIONAL, "among:young": 1, "cases": 4, "asked": 2, "any_return": 1, "same_or_higher": 1},
        {"sport_level": RECREATIONAL, "among:young": 0, "cases": 6, "asked": 4, "any_return": 3, "same_or_higher": 0},
        {"sport_level": COMPETITIVE, "among:young": 0, "cases": 2, "asked": 0},
    ]  # fmt: skip


def test_sport_of_all_of_levels_and_of_a_group(tables):
    days = [
        {"sport_level": RECREATIONAL, "among:young": 1, "day": 100, "cases": 1},
        {"sport_level": RECREATIONAL, "among:young": 0, "day": 200, "cases": 1},
        {"sport_level": RECREATIONAL, "among:young": 0, "day": 400, "cases": 2},
    ]
    found = tables(sport=sport_rows(), sport_days=days)["return_to_sport"]
    told = {
        (row["among"], row["sport_level"]): (
            row["cases"], row["asked"], row["any_return"], row["same_or_higher"], row["median_days"],
        )
        for row in found.replace({np.nan: None}).to_dict("records")
    }  # fmt: skip
    assert told == {
        (None, "recreational"): (10, 6, 4, 1, 300), (None, "competitive"): (2, 0, 0, 0, None),
        (None, "all"): (12, 6, 4, 1, 300),
        ("young", "recreational"): (4, 2, 1, 1, 100), ("young", "all"): (4, 2, 1, 1, 100),
    }  # fmt: skip


def test_shares_of_asked_and_of_all(tables):
    found = tables(sport=sport_rows())["return_to_sport"]
    row = found[found["among"].isna() & (found["sport_level"] == "all")].iloc[0]
    assert row["any_return_share_of_asked"] == pytest.approx(4 / 6)
    assert row["any_return_share_of_all"] == pytest.approx(4 / 12)
    assert row["same_or_higher_share_of_asked"] == pytest.approx(1 / 6)
    assert row["same_or_higher_share_of_all"] == pytest.approx(1 / 12)
    unasked = found[found["sport_level"] == "competitive"].iloc[0]
    assert np.isnan(unasked["any_return_share_of_asked_high"])
    assert unasked["any_return_share_of_all"] == unasked["any_return_share_of_all_low"] == 0


def test_a_change_with_students_interval(tables):
    """Changes of 10, 20 and 30: mean 20, s 10, t of two degrees of freedom 4.303 in any printed table."""
    rows = [
        {"before_n": 4, "before_sum": 20_000, "after_n": 3, "after_sum": 22_500, "paired_n": 3, "change_sum": 6000,
         "change_squares": 1000**2 + 2000**2 + 3000**2},
    ]  # fmt: skip
    (row,) = tables(scores=rows)["scores"].to_dict("records")
    assert (row["procedure"], row["measure"]) == ("anchor_loop", "bending")
    assert (row["before_mean"], row["after_mean"], row["change"]) == (50, 75, 20)
    reach = 4.303 * 10 / 3**0.5
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((20 - reach, 20 + reach), abs=0.005)


@pytest.mark.parametrize(
    ("paired", "change", "squares"),
    [(0, 0, 0), (1, 500, 250_000), (3, 1500, 750_000), (10**6, 10**11, 10**16)],
    ids=["none", "one", "three alike", "a million alike"],
)
def test_no_interval_without_spread(tables, paired, change, squares):
    rows = [{"before_n": 1, "paired_n": paired, "change_sum": change, "change_squares": squares}]
    (row,) = tables(scores=rows)["scores"].to_dict("records")
    assert np.isnan([row["ci_low"], row["ci_high"], row["after_mean"]]).all()
    assert np.isnan(row["change"]) == (paired == 0)
