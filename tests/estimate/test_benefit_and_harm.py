"""Lines of benefit and harm from counts made by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.catalogue import UNPLANNED_RETURN
from pipeline.estimate import benefit_and_harm_table, comparisons_table
from pipeline.settings import Compare, Primary
from schemas.exports import EXPORTS
from schemas.fit import failures, typed
from schemas.published import PUBLISHED
from tests.estimate.conftest import CATALOGUE, SETTINGS, benefit_of

A, B = 0, 1
YOUNG = Compare("anchor_loop", "bone_shift", among="young")
LIMB = EXPORTS["followups"]["not_returned_because"].vocabulary.index("operated_limb")
BENDING, POINTS = 0, 1
#: 20 against 10 cases, 2 of each not followed; 8 against 1 event.
CELLS = [
    {"group": A, "cases": 20, "followed": 18, "events": 8},
    {"group": B, "cases": 10, "followed": 8, "events": 1},
    {"group": A, "isolated": 0, "cases": 7, "events": 7},
]
#: 12 of 18 and 5 of 9 who did sport were asked.
ARMS = [
    {"arm": A, "cases": 19, "played": 18, "asked": 12, "any_return": 9, "same_or_higher": 3},
    {"arm": B, "cases": 10, "played": 9, "asked": 5, "any_return": 5, "same_or_higher": 0},
]
DAYS = [{"arm": A, "day": day, "cases": 2} for day in (100, 150, 200, 250)] + [
    {"arm": B, "day": 90, "cases": 1}
]
WHY = [{"arm": A, "why": LIMB, "cases": 2}, {"arm": A, "why": -1, "cases": 1}]
CHANGES = [
    # 10, 20, 30 against 0, 2, 4, 6
    {"arm": A, "measure": POINTS, "paired_n": 3, "change_sum": 6000, "change_squares": 14_000_000},
    {"arm": B, "measure": POINTS, "paired_n": 4, "change_sum": 1200, "change_squares": 560_000},
    {"arm": A, "measure": BENDING, "paired_n": 3, "change_sum": 600, "change_squares": 200_000},
]  # fmt: skip
BESIDE = {"arms": ARMS, "arm_days": DAYS, "arm_reasons": WHY, "arm_changes": CHANGES}


@pytest.fixture
def table(counts_of, labels):
    def made(cells=CELLS, beside=BESIDE, settings=SETTINGS, catalogue=CATALOGUE, defined=None):
        counts = replace(counts_of(cells, defined), benefit=benefit_of(**beside))
        compared = comparisons_table(counts, settings, labels, catalogue)
        found = benefit_and_harm_table(counts, settings, labels, catalogue, compared)
        described = PUBLISHED["benefit_and_harm"]
        assert not len(failures(described, typed(described, found)))
        return found, compared

    return made


def line_of(found, outcome, detail=None, counted_of=None):
    own = found[(found["outcome"] == outcome)]
    own = own if detail is None else own[own["detail"] == detail]
    own = own if counted_of is None else own[own["counted_of"] == counted_of]
    (row,) = own.to_dict("records")
    return row


def counts(row):
    return tuple(row[f"{name}_{arm}"] for arm in "ab" for name in ("events", "n", "unknown"))


def test_every_line_once_and_in_order(table):
    found, _ = table()
    assert found["line"].tolist() == list(range(1, 10))
    assert list(
        zip(found["kind"], found["outcome"], found["detail"].fillna(""), found["counted_of"], strict=True)
    ) == [
        ("harm", "any_complication", "any", "closed"),
        ("benefit", "any_return", "", "asked"),
        ("benefit", "any_return", "", "did_sport"),
        ("benefit", "same_or_higher", "", "asked"),
        ("benefit", "same_or_higher", "", "did_sport"),
        ("benefit", "days_to_return", "", "told_a_day"),
        ("benefit", "not_back", "operated_limb", "asked"),
        ("benefit", "not_back", "not_said", "asked"),
        ("benefit", "change", "points", "read_twice"),
    ]
    assert not [name for name in found.columns if name.startswith("p_") or "total" in name]


def test_harm_counts_isolated_cases_and_says_what_comparisons_say(table):
    found, compared = table()
    row = line_of(found, "any_complication")
    own = compared[compared["primary"] & (compared["analysis"] == "all_cases")].iloc[0]
    assert counts(row) == (8, 20, 2, 1, 10, 2)
    assert (row["from_day"], row["to_day"], row["better"], row["primary"]) == (0, 365, "lower", True)
    assert [row[name] for name in ("difference", "diff_ci_low", "diff_ci_high")] == [
        own["risk_difference"], own["rd_ci_low"], own["rd_ci_high"],
    ]  # fmt: skip
    assert row["verdict"] == own["verdict"]
    assert "Descriptive" not in row["verdict"]


def test_only_the_stated_comparison_is_more_than_descriptive(table):
    found, _ = table(settings=replace(SETTINGS, compare=(YOUNG,)))
    assert found["primary"].sum() == 1
    rest = found.loc[~found["primary"].astype(bool), "verdict"]
    openings = ("Descriptive, not tested.", "Set side by side only:", "Nothing can be compared yet:")
    assert all(verdict.startswith(openings) for verdict in rest)
    assert found["among"].isin(["", "young"]).all()


def test_sport_of_those_asked_and_of_all(table):
    """Of those asked 9/12 less 5/5; of all 9/18 less 5/9, of six and four not known."""
    found, _ = table()
    asked, all_of_them = (line_of(found, "any_return", counted_of=whole) for whole in ("asked", "did_sport"))
    assert counts(asked) == (9, 12, 6, 5, 5, 4)
    assert counts(all_of_them) == (9, 18, 6, 5, 9, 4)
    assert asked["difference"] == pytest.approx(9 / 12 - 1)
    assert all_of_them["difference"] == pytest.approx(9 / 18 - 5 / 9)
    assert (asked["better"], asked["from_day"], asked["to_day"]) == ("higher", 180, 730)


def test_the_interval_of_a_line_is_newcombes(table):
    """Newcombe 1998, Stat Med 17:873, table II, column 10: 9/10 and 3/10 give 0.1705 to 0.8090, 0/10 and 10/10 -1 to -0.6075."""
    arms = [
        {"arm": A, "cases": 10, "played": 10, "asked": 10, "any_return": 9, "same_or_higher": 0},
        {"arm": B, "cases": 10, "played": 10, "asked": 10, "any_return": 3, "same_or_higher": 10},
    ]
    found, _ = table(beside={"arms": arms})
    back, same = (line_of(found, outcome, counted_of="asked") for outcome in ("any_return", "same_or_higher"))
    assert (back["diff_ci_low"], back["diff_ci_high"]) == pytest.approx((0.1705, 0.8090), abs=5e-5)
    assert (same["diff_ci_low"], same["diff_ci_high"]) == pytest.approx((-1, -0.6075), abs=5e-5)
    assert back["verdict"] == (
        "Descriptive, not tested. More with anchor loop than with bone shift in these records: from 17.1 more to 80.9 more "
        "per 100 with anchor loop than with bone shift. Who was chosen for which operation may explain it."
    )


def test_the_unasked_may_decide(table):
    """10 of 10 asked against 2 of 10 asked; of 40 and 10 who did sport it is 10 against 2: neither is more."""
    arms = [
        {"arm": A, "cases": 40, "played": 40, "asked": 10, "any_return": 10},
        {"arm": B, "cases": 10, "played": 10, "asked": 10, "any_return": 2},
    ]
    found, _ = table(beside={"arms": arms})
    told = {line_of(found, "any_return", counted_of=whole)["verdict"] for whole in ("asked", "did_sport")}
    assert told == {
        "Descriptive, not tested. It depends on how the 30 unasked cases are counted: no verdict."
    }


def test_days_stand_side_by_side(table):
    """Twice each of 100, 150, 200, 250: the middle is 175; the first and the last of eight are the limits."""
    row = line_of(table()[0], "days_to_return")
    assert (row["estimate_a"], row["a_ci_low"], row["a_ci_high"]) == (175, 100, 250)
    assert (row["estimate_b"], row["n_b"], row["unknown_b"], row["unknown_a"]) == (90, 1, 4, 1)
    assert row["difference"] == 85
    assert np.isnan([row["b_ci_low"], row["diff_ci_low"], row["diff_ci_high"]]).all()
    assert row["verdict"].startswith("Set side by side only")


def test_why_not_back_is_of_those_asked(table):
    found, _ = table()
    assert counts(line_of(found, "not_back", "operated_limb")) == (2, 12, 6, 0, 5, 4)
    assert counts(line_of(found, "not_back", "not_said")) == (1, 12, 6, 0, 5, 4)


def test_a_change_only_where_both_arms_have_one(table):
    """Means 20 and 3; the interval as in test_changes: 17 ± t(2.20133) √35, t = 3.9467 by R's qt(0.975, 2.20133)."""
    row = line_of(table()[0], "change", "points")
    assert (row["n_a"], row["unknown_a"], row["n_b"], row["unknown_b"]) == (3, 16, 4, 6)
    assert (row["estimate_a"], row["estimate_b"], row["difference"]) == (20, 3, 17)
    assert row["better"] is None
    assert (row["diff_ci_low"], row["diff_ci_high"]) == pytest.approx(
        (17 - 3.9467 * 35**0.5, 17 + 3.9467 * 35**0.5), abs=0.001
    )
    assert "from 6.3 lower to 40.3 higher with anchor loop" in row["verdict"]


@pytest.mark.parametrize(
    ("paired", "total", "squares"), [(1, 500, 250_000), (3, 1500, 750_000)], ids=["one", "all alike"]
)
def test_a_change_without_spread_has_no_limits(table, paired, total, squares):
    changes = [
        {"arm": A, "measure": POINTS, "paired_n": paired, "change_sum": total, "change_squares": squares},
        CHANGES[1],
    ]
    row = line_of(table(beside={**BESIDE, "arm_changes": changes})[0], "change")
    assert (row["estimate_a"], row["difference"]) == (5, 2)
    assert np.isnan([row["a_ci_low"], row["diff_ci_low"], row["diff_ci_high"]]).all()
    assert row["verdict"].startswith("Nothing can be compared yet")


def test_nobody_asked_is_said(table):
    arms = [
        {"arm": A, "cases": 9, "played": 9, "asked": 4, "any_return": 4},
        {"arm": B, "cases": 5, "played": 5},
    ]
    found, _ = table(beside={"arms": arms})
    asked = line_of(found, "any_return", counted_of="asked")
    assert counts(asked) == (4, 4, 5, 0, 0, 5)
    assert np.isnan([asked["estimate_b"], asked["difference"]]).all()
    assert asked["verdict"] == "Nothing can be compared yet: in an arm nobody was asked."
    of_all = line_of(found, "any_return", counted_of="did_sport")
    assert (
        of_all["verdict"]
        == "Descriptive, not tested. It depends on how the 10 unasked cases are counted: no verdict."
    )


def test_an_arm_without_cases(table):
    found, _ = table(cells=CELLS[:1], beside={})
    assert counts(line_of(found, "any_complication")) == (8, 20, 2, 0, 0, 0)
    assert set(found["verdict"]) == {
        "Nothing can be compared yet: an arm has no closed cases.",
        "Nothing can be compared yet: in an arm nobody was asked.",
        "Nothing can be compared yet: in an arm nobody is known to have done sport before.",
    }
    assert np.isnan(found["difference"].astype(float)).all()


def test_all_events_in_both(table):
    """4 of 4 and 4 of 4: Wilson 0.5101 to 1, so the difference lies within ±0.4899."""
    cells = [{"group": arm, "cases": 4, "events": 4} for arm in (A, B)]
    row = line_of(table(cells=cells, beside={})[0], "any_complication")
    assert (row["difference"], row["diff_ci_low"], row["diff_ci_high"]) == pytest.approx(
        (0, -0.4899, 0.4899), abs=5e-5
    )
    assert (row["estimate_a"], row["a_ci_low"], row["a_ci_high"]) == pytest.approx((1, 0.5101, 1), abs=5e-5)


def test_an_unplanned_return_is_known_by_what_implies_it(table):
    entries = dict(CATALOGUE.complications)
    entries["crack"] = replace(entries["crack"], implied_by=(UNPLANNED_RETURN,))
    found, _ = table(catalogue=replace(CATALOGUE, complications=entries))
    assert found.loc[found["kind"] == "harm", "outcome"].tolist() == ["any_complication", "crack"]
    other = dict(CATALOGUE.complications)
    other["crack"] = replace(other["crack"], implied_by=("bone_shift",))
    found, _ = table(catalogue=replace(CATALOGUE, complications=other))
    assert found.loc[found["kind"] == "harm", "outcome"].tolist() == ["any_complication"]


def test_where_it_cannot_occur_there_is_no_figure(table):
    entries = dict(CATALOGUE.complications)
    entries["crack"] = replace(entries["crack"], implied_by=(UNPLANNED_RETURN,))
    defined = np.ones((3, 3), np.int8)
    defined[B, 0] = 0
    row = line_of(table(catalogue=replace(CATALOGUE, complications=entries), defined=defined)[0], "crack")
    assert np.isnan([row["estimate_a"], row["difference"]]).all()
    assert row["verdict"] == "Not compared: it cannot occur, or is not defined, in an arm."


def test_a_stated_level_comes_first_and_in_the_stated_window(table):
    stated = Primary("anchor_loop", "bone_shift", "tightness", 365, level="once")
    found, compared = table(settings=replace(SETTINGS, primary=stated))
    harm = found[found["kind"] == "harm"]
    assert list(zip(harm["outcome"], harm["detail"], harm["from_day"], harm["to_day"], strict=True)) == [
        ("tightness", "once", 90, 365), ("any_complication", "any", 0, 365),
    ]  # fmt: skip
    own = compared[compared["primary"] & (compared["analysis"] == "all_cases")].iloc[0]
    assert found["verdict"].iloc[0] == own["verdict"]
    assert found["primary"].tolist() == [True] + [False] * (len(found) - 1)


def test_nothing_asked_no_lines(table):
    assert len(table(settings=replace(SETTINGS, primary=None))[0]) == 0


def test_asked_twice_told_once(table):
    twice = Compare("anchor_loop", "bone_shift")
    found, _ = table(settings=replace(SETTINGS, compare=(twice,)))
    assert found["line"].tolist() == list(range(1, 10))
