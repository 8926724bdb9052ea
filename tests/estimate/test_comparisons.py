"""The published comparisons, from counts typed in by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.estimate import comparisons_table, notes
from pipeline.settings import Compare, Primary
from schemas.fit import typed
from schemas.models import model_failures
from schemas.published import COMPARISONS

A, B = {"group": 0}, {"group": 1}


@pytest.fixture
def table(counts_of, settings, labels, catalogue):
    def of(rows, defined=None, **changed):
        return comparisons_table(counts_of(rows, defined), replace(settings, **changed), labels, catalogue)

    return of


def the_row(
    frame, analysis="all_cases", isolated_only=True, category="any_complication", window=365, band=""
):
    chosen = frame[
        (frame["analysis"] == analysis) & (frame["isolated_only"] == isolated_only) & (frame["category"] == category)
        & (frame["window_days"] == window) & (frame["stratum_value"] == band)
    ]  # fmt: skip
    assert len(chosen) == 1
    return chosen.iloc[0]


COUNTED = ["events_a", "cases_a", "events_b", "cases_b"]
ROWS = [A | {"cases": 20, "events": 2, "followed": 14}, B | {"cases": 30, "events": 6, "followed": 25}]


@pytest.mark.parametrize(
    ("analysis", "counts"),
    [("all_cases", [2, 20, 6, 30]), ("followed", [2, 14, 6, 25]), ("worst_for_a", [8, 20, 6, 30]),
     ("worst_for_b", [2, 20, 11, 30])],
)  # fmt: skip
def test_how_the_lost_are_counted(table, analysis, counts):
    assert list(the_row(table(ROWS), analysis)[COUNTED]) == counts


def test_the_difference_is_a_less_b(table):
    """Newcombe's interval of 9/10 - 3/10 (1998, Stat Med 17:873, Table II) is 0.1705 to 0.8090."""
    row = the_row(table([A | {"cases": 10, "events": 9}, B | {"cases": 10, "events": 3}]))
    assert row["risk_difference"] == pytest.approx(0.6)
    assert (row["rd_ci_low"], row["rd_ci_high"]) == pytest.approx((0.1705, 0.8090), abs=5e-5)
    assert row["risk_ratio"] == pytest.approx(3)
    assert row["p_fisher"] == pytest.approx(0.0197666110978804)


def test_each_arm_has_its_share_and_interval(table):
    """Wilson's limits of 15/148 are 0.0624 to 0.1605, of 0/20 0 to 0.1611 (Newcombe 1998, Stat Med 17:861, Table I)."""
    row = the_row(table([A | {"cases": 148, "events": 15}, B | {"cases": 20, "events": 0}]))
    assert (row["rate_a"], row["rate_b"]) == (15 / 148, 0)
    assert (row["ra_ci_low"], row["ra_ci_high"]) == pytest.approx((0.0624, 0.1605), abs=5e-5)
    assert (row["rb_ci_low"], row["rb_ci_high"]) == pytest.approx((0, 0.1611), abs=5e-5)


def test_only_the_stated_comparison_is_tested_and_judged(table):
    frame = table(ROWS)
    stated = frame[frame["primary"]]
    assert set(stated["analysis"]) == {"all_cases", "followed", "worst_for_a", "worst_for_b"}
    assert (stated["category"] == "any_complication").all()
    assert (stated["window_days"] == 365).all()
    rest = frame[~frame["primary"]]
    assert rest[["p_fisher", "p_exact", "p_method", "verdict"]].isna().all(axis=None)
    assert stated["verdict"].notna().sum() == 1


def test_one_row_over_all_cases_is_the_stated_one(table):
    frame = table([*ROWS, A | {"cases": 5, "events": 5, "isolated": 0}, B | {"cases": 3, "age_band": 1}])
    stated = frame[frame["primary"] & (frame["analysis"] == "all_cases")]
    assert len(stated) == 1
    assert stated.iloc[0]["isolated_only"]
    assert stated.iloc[0]["stratum_value"] == ""
    assert pd.notna(stated.iloc[0]["verdict"])


def test_a_ratio_without_a_value_says_so(table):
    """All of a had it: the risks have a ratio, the odds have none."""
    row = the_row(table([A | {"cases": 10, "events": 10}, B | {"cases": 10, "events": 3}]))
    assert row["risk_ratio"] == pytest.approx(10 / 3)
    assert np.isnan(row["odds_ratio"])
    assert row["note"].split("; ").count(notes.NO_RATIO) == 1


def test_everything_else_is_described(table):
    frame = table(ROWS)
    described = frame[~frame["primary"] & (frame["category"] == "crack")]
    assert set(described["analysis"]) == {"all_cases", "followed"}
    assert set(described["isolated_only"]) == {True, False}
    assert set(described["window_days"]) == {90, 365}


def test_isolated_cases_and_all_cases_as_sensitivity(table):
    frame = table([*ROWS, A | {"cases": 5, "events": 5, "isolated": 0}])
    assert list(the_row(frame)[COUNTED]) == [2, 20, 6, 30]
    assert list(the_row(frame, isolated_only=False)[COUNTED]) == [7, 25, 6, 30]


def test_age_bands_stand_beside_the_whole(table):
    frame = table([A | {"cases": 20, "events": 2}, B | {"cases": 30, "events": 6, "age_band": 1}])
    assert list(the_row(frame, band="0-24")[COUNTED]) == [2, 20, 0, 0]
    assert list(the_row(frame, band="25+")[COUNTED]) == [0, 0, 6, 30]
    assert the_row(frame, band="25+")["note"] == notes.NO_CASES


def test_both_together_is_outside_the_comparison(table):
    assert list(the_row(table([*ROWS, {"group": 2, "cases": 9, "events": 9}]))[COUNTED]) == [2, 20, 6, 30]


def test_among_a_group_only(table):
    among = Primary("anchor_loop", "bone_shift", "any_complication", 365, among="young")
    frame = table([*ROWS, A | {"cases": 9, "events": 9, "among:young": 0}], primary=among)
    assert list(the_row(frame)[COUNTED]) == [2, 20, 6, 30]
    assert set(frame["among"]) == {"young"}


def test_by_another_column_within_a_procedure(table):
    fixation = Compare("peg", "wire", by="fixation", within="anchor_loop")
    rows = [
        A | {"cases": 20, "events": 2},
        A | {"cases": 30, "events": 6, "by:fixation": 1},
        B | {"cases": 9},
    ]
    row = the_row(table(rows, primary=None, compare=(fixation,)))
    assert list(row[COUNTED]) == [2, 20, 6, 30]
    assert (row["by"], row["arm_a"], row["arm_b"], row["primary"]) == ("fixation", "peg", "wire", False)


def test_what_cannot_occur_in_an_arm_is_never_tested(table):
    defined = np.ones((3, 3), np.int8)
    defined[1, 0] = 0
    frame = table(ROWS, defined, primary=Primary("anchor_loop", "bone_shift", "crack", 365))
    row = the_row(frame, category="crack")
    assert (row["cases_a"], row["cases_b"], row["note"]) == (20, 30, notes.NOT_COMPARED)
    assert (
        row[["risk_difference", "risk_ratio", "odds_ratio", "p_fisher", "p_exact", "rate_a", "rb_ci_high"]]
        .isna()
        .all()
    )
    assert "cannot occur" in row["verdict"]


def test_an_empty_arm_gives_counts_and_no_figures(table):
    row = the_row(table([A | {"cases": 20, "events": 2}]))
    assert list(row[COUNTED]) == [2, 20, 0, 0]
    assert (
        row[["risk_difference", "rd_ci_low", "risk_ratio", "odds_ratio", "p_fisher", "rate_b", "rb_ci_low"]]
        .isna()
        .all()
    )
    assert row["rate_a"] == 0.1
    assert "no closed cases" in row["verdict"]


def test_more_than_five_percent_of_pairs_in_an_arm_is_clustered(table):
    frame = table([A | {"cases": 100, "events": 9, "paired": 6}, B | {"cases": 100, "events": 5}])
    assert notes.CLUSTERED_ARM in the_row(frame)["note"]
    assert notes.CLUSTERED_ARM not in the_row(table(ROWS))["note"]


VERDICTS = {
    "more in a": ([40, 100, 100], [10, 100, 100], "More with anchor loop"),
    "more in b": ([10, 100, 100], [40, 100, 100], "More with bone shift"),
    "interval holds none": ([10, 100, 100], [12, 100, 100], "cannot tell"),
    "lost decide": ([4, 40, 8], [0, 40, 40], "depends on how the 32 lost"),
}


@pytest.mark.parametrize("story", VERDICTS)
def test_what_may_be_said(table, story):
    a, b, said = VERDICTS[story]
    names = ("events", "cases", "followed")
    frame = table([A | dict(zip(names, a, strict=True)), B | dict(zip(names, b, strict=True))])
    verdict = the_row(frame)["verdict"]
    assert said in verdict
    assert "no difference" not in verdict


def test_borderline_is_held_against_the_confidence_of_the_settings(table):
    rows = [A | {"cases": 40, "events": 12}, B | {"cases": 40, "events": 4}]
    usual, strict = table(rows), table(rows, confidence=0.99)
    assert the_row(usual)["p_exact"] < 0.05
    assert "More with anchor loop" in the_row(usual)["verdict"]
    assert the_row(strict)["rd_ci_low"] < 0 < the_row(strict)["p_exact"] - 0.01
    assert "cannot tell" in the_row(strict)["verdict"]


def test_one_key_one_row_and_the_published_shape(table):
    again = Compare("anchor_loop", "bone_shift")
    frame = table([*ROWS, A | {"cases": 6, "events": 0, "isolated": 0, "age_band": -1}], compare=(again,))
    assert len(model_failures(COMPARISONS, typed(COMPARISONS, frame))) == 0
    assert frame["primary"].sum() == 4


def test_nothing_asked_nothing_compared(table):
    frame = table(ROWS, primary=None)
    assert len(frame) == 0
    assert list(frame.columns) == list(COMPARISONS.names)
