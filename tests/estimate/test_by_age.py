"""Comparisons within age bands: counts whose answer is seen at a glance, and what is said of them."""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.estimate import comparisons_table, notes, stratified
from pipeline.estimate.by_age import LOST_DECIDE, WITHIN_AGE, Adjusted, second_sentence, trend_said
from pipeline.estimate.two_arms import Arms
from pipeline.estimate.verdicts import Difference
from pipeline.settings import Compare

YOUNG, OLD, NOT_KNOWN = {"age_band": 0}, {"age_band": 1}, {"age_band": -1}
A, B = {"group": 0}, {"group": 1}
#: 20 in 100 of the young and 40 in 100 of the old, whichever operation; a has more of the old.
ALIKE = [
    A | YOUNG | {"cases": 10, "events": 2}, B | YOUNG | {"cases": 20, "events": 4},
    A | OLD | {"cases": 20, "events": 8}, B | OLD | {"cases": 10, "events": 4},
]  # fmt: skip


@pytest.fixture
def table(counts_of, settings, labels, catalogue):
    def of(rows, **changed):
        return comparisons_table(counts_of(rows), replace(settings, **changed), labels, catalogue)

    return of


def stated(frame, analysis="all_cases"):
    (row,) = frame[frame["primary"] & (frame["analysis"] == analysis)].to_dict("records")
    return row


def notes_of(row):
    return row["note"].split("; ")


def test_alike_within_bands_though_not_all_together(table):
    row = stated(table(ALIKE))
    assert row["risk_difference"] == pytest.approx(10 / 30 - 8 / 30)
    assert row["adjusted_for"] == "age_band"
    assert row["adj_risk_difference"] == pytest.approx(0, abs=1e-12)
    assert row["adj_risk_ratio"] == pytest.approx(1)
    assert row["adj_rd_low"] < 0 < row["adj_rd_high"]
    assert row["adj_rr_low"] < 1 < row["adj_rr_high"]
    assert (row["informative_a"], row["informative_b"]) == (30, 30)
    assert row["homogeneity_p"] == pytest.approx(1)


def test_band_rows_have_no_adjusted_figures(table):
    frame = table(ALIKE)
    banded = frame[frame["stratum_value"] != ""]
    assert len(banded) == 2
    assert banded[list(WITHIN_AGE)].isna().all(axis=None)
    assert (banded["adjusted_for"] == "").all()


def test_the_lost_are_counted_within_bands_as_all_together(table):
    """Five of a's ten young are lost. 2 of 5 followed; 7 of 10 if all of them had it."""
    rows = [ALIKE[0] | {"followed": 5}, *ALIKE[1:]]
    followed, worst = stated(table(rows), "followed"), stated(table(rows), "worst_for_a")
    weight = (5 * 20 / 25, 10 * 20 / 30, 20 * 10 / 30)
    assert followed["adj_risk_difference"] == pytest.approx(0.2 * weight[0] / (weight[0] + weight[2]))
    assert worst["adj_risk_difference"] == pytest.approx(0.5 * weight[1] / (weight[1] + weight[2]))


def test_unknown_ages_count_against_overlap(table):
    """30 of a's 70 cases can be set against a case of b: under half."""
    row = stated(table([*ALIKE, A | NOT_KNOWN | {"cases": 40, "events": 4}]))
    assert (row["informative_a"], row["informative_b"]) == (30, 30)
    assert np.isnan(row["adj_risk_difference"])
    assert row["adjusted_for"] == ""
    assert notes_of(row).count(stratified.HARDLY_OVERLAP) == 1
    assert row["verdict"].endswith("cannot be told apart.")
    just = stated(table([*ALIKE, A | NOT_KNOWN | {"cases": 30, "events": 4}]))
    assert just["adj_risk_difference"] == pytest.approx(0, abs=1e-12)


def test_only_the_stated_rows_have_homogeneity_and_power(table):
    frame = table(ALIKE, compare=(Compare("anchor_loop", "bone_shift", among="young"),))
    columns = ["homogeneity_p", "power", "detectable_difference"]
    primary = frame["primary"].astype(bool)
    assert frame.loc[primary, columns].notna().all(axis=None)
    assert frame.loc[~primary, columns].isna().all(axis=None)
    crude = frame["risk_difference"].notna() & (frame["stratum_value"] == "")
    assert frame.loc[crude, "adj_risk_difference"].notna().all()
    assert set(frame["among"]) == {"", "young"}


def test_power_is_that_of_the_worthwhile_difference(table):
    """Normal approximation: 140.1 in each arm find 0.05 against 0.15 with 80 %; the exact region needs a few more."""
    rows = [each | YOUNG | {"cases": 141, "events": 7} for each in (A, B)]
    row = stated(table(rows))
    assert row["power"] == pytest.approx(0.8, abs=0.03)
    assert row["detectable_difference"] == pytest.approx(0.1, abs=0.01)
    assert stated(table(rows, worthwhile_difference=0.2))["power"] > 0.99


CORNERS = {
    "an arm is empty": (ALIKE[0::2], [notes.NO_CASES], []),
    "no events": (
        [each | {"events": 0} for each in ALIKE],
        [stratified.NOTHING_VARIES, stratified.NO_EVENTS_IN_AN_ARM, stratified.ONE_STRATUM], [],
    ),
    "all events": (
        [each | {"events": each["cases"]} for each in ALIKE],
        [stratified.NOTHING_VARIES, stratified.ALL_EVENTS, stratified.ONE_STRATUM], [],
    ),
    "one band": (ALIKE[:2], [stratified.ONE_STRATUM], ["adj_risk_difference", "adj_risk_ratio"]),
    "one arm without events": (
        [each | ({"events": 0} if each["group"] else {}) for each in ALIKE],
        [stratified.NO_EVENTS_IN_AN_ARM], ["adj_risk_difference"],
    ),
    "no age is known": ([each | NOT_KNOWN for each in ALIKE], [stratified.HARDLY_OVERLAP], []),
}  # fmt: skip


@pytest.mark.parametrize("corner", CORNERS)
def test_what_cannot_be_estimated_says_why_once(table, corner):
    rows, reasons, estimated = CORNERS[corner]
    frame = table(rows)
    row = stated(frame)
    assert [reason for reason in reasons if notes_of(row).count(reason) != 1] == []
    assert [
        name for name in ("adj_risk_difference", "adj_risk_ratio") if not np.isnan(row[name])
    ] == estimated
    assert not np.isinf(frame.select_dtypes("number").to_numpy(dtype=float)).any()
    said = " ".join(frame["note"].dropna()) + " " + " ".join(frame["verdict"].dropna())
    assert not {"nan", "inf"} & set(said.replace(",", " ").replace("(", " ").split())


def test_no_reason_where_there_is_no_crude_figure(table):
    frame = table(ALIKE[0::2])
    bare = frame[frame["risk_difference"].isna()]
    assert len(bare) > 0
    assert set(bare["note"]) == {notes.NO_CASES, notes.NOT_COMPARED}
    assert bare["informative_a"].isna().all()


STEPS = (-0.2, 0.0, 0.1)
INTERVALS = [Difference(low, high) for low, high in itertools.combinations_with_replacement(STEPS, 2)]


def test_within_age_a_direction_is_named_only_where_all_ways_of_counting_bear_it():
    for crude, all_ages, seen in itertools.product(INTERVALS, [*INTERVALS, None], [*INTERVALS, None]):
        sentence = second_sentence(("peg", "wire"), crude, crude, Adjusted(all_ages, ""), Adjusted(seen, ""))
        if all_ages is None:
            assert sentence == ""
        elif seen is None or all_ages.direction != seen.direction:
            assert sentence == LOST_DECIDE
        else:
            assert all_ages.words() in sentence


def test_nothing_is_added_where_the_lost_decide_but_that_ages_hardly_overlap():
    up, down = Difference(0.1, 0.2), Difference(-0.2, -0.1)
    fine, apart = Adjusted(up, ""), Adjusted(None, stratified.HARDLY_OVERLAP)
    names = ("peg", "wire")
    assert second_sentence(names, up, down, fine, fine) == second_sentence(names, up, None, fine, fine) == ""
    assert "hardly overlap" in second_sentence(names, up, down, apart, apart)


def test_the_trend_over_bands_stands_in_the_stated_row_alone(table):
    """Two bands: the odds ratio of the table, by hand (8 × 8) / (12 × 2) and (4 × 16) / (6 × 4)."""
    frame = table(ALIKE)
    told = [note for note in frame["note"].dropna() if "odds from one age band" in note]
    assert len(told) == 1
    assert "times 2.67 (" in told[0]
    assert told[0].count("times 2.67 (") == 2


@pytest.mark.parametrize(
    ("events", "said"),
    [([[0, 0, 3]], "trend not estimable: no case has an event"), ([[3, 5, 0]], "over 1000")],
    ids=["none in either arm of known age", "far from 1"],
)
def test_corners_of_the_trend(events, said):
    cases = np.array([[1_000_000, 6, 3]])
    arms = Arms(np.array(events), cases, np.array(events), cases)
    assert said in trend_said(arms, ("peg", "wire"), 0.95)


def test_descriptive_rows_are_as_many_as_before(table):
    """Adjusting adds columns, never rows: 8 outcomes by 2 kinds of cases by 2 analyses, and the stated ones' bands."""
    frame = table(ALIKE)
    assert len(frame) == 8 * 2 * 2 + 2 * 2 + 2
    assert isinstance(frame, pd.DataFrame)
