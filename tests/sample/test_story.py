"""The story holds what the demo promises: ages that explain a difference, a surgeon apart, words of the contract."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from schemas.exports import EXPORTS
from schemas.sample.people import CUT, LABRUM, OUTLYING, STABILISATION, START, TIGHTENING, index_cases
from schemas.sample.story import Story, told_story
from schemas.sample.truth import MAIN_LEVELS

CLOSED = CUT - np.timedelta64(365 + 90, "D")
DAYS = {
    "operations": "performed_on",
    "events": "occurred_on",
    "followups": "seen_on",
    "measurements": "measured_on",
}


@pytest.fixture(scope="module")
def story() -> Story:
    return told_story(1500, 7)


@pytest.fixture(scope="module")
def told_people() -> pd.DataFrame:
    return index_cases(1500, np.random.default_rng(7))


@pytest.fixture(scope="module")
def closed(story: Story) -> pd.DataFrame:
    """Cases whose first year is over, with whether anything went wrong in it."""
    days = story.tables["operations"].set_index("operation_id")["performed_on"]
    cases = story.cases.assign(performed_on=days.loc[story.cases["operation_id"]].to_numpy())
    first = story.complications
    first = first[(first["category"] == "any_complication") & (first["day"] <= 365)]
    keys = ["site", "operation_id", "side"]
    joined = cases.merge(first[[*keys, "day"]], on=keys, how="left", validate="one_to_one")
    return joined.assign(wrong=joined["day"].notna())[cases["performed_on"] <= CLOSED]


def test_the_number_of_cases_is_what_was_asked_for(story: Story) -> None:
    assert len(story.cases) == 1500
    assert not story.cases.duplicated(["site", "operation_id", "side"]).any()


@pytest.mark.parametrize("name", list(EXPORTS))
def test_words_and_numbers_are_those_of_the_contract(story: Story, name: str) -> None:
    rows, table = story.tables[name], EXPORTS[name]
    assert set(rows.columns) - {"site", "known_on"} <= set(table.names)
    for column in table.columns:
        if column.name not in rows:
            continue
        cells = rows[column.name]
        if column.vocabulary:
            assert set(cells) <= {*column.vocabulary, ""}, column.name
        if column.kind == "yes_no":
            assert set(cells) <= {"yes", "no", ""}, column.name
        if column.low is not None and column.high is not None:
            assert cells.dropna().between(column.low, column.high).all(), column.name
        if column.required:
            assert cells.notna().all(), column.name
            assert cells.ne("").all(), column.name


@pytest.mark.parametrize(("name", "day"), DAYS.items())
def test_nothing_happens_after_the_cut_or_is_known_before_it_happens(
    story: Story, name: str, day: str
) -> None:
    rows = story.tables[name]
    assert (rows[day] <= CUT).all()
    assert (rows["known_on"] >= rows[day]).all()
    assert (story.tables["operations"]["performed_on"] >= START).all()


def test_records_name_operations_and_patients_that_exist(story: Story) -> None:
    operations = story.tables["operations"]
    for name in ("events", "followups", "measurements"):
        named = set(story.tables[name]["operation_id"]) - {""}
        assert named <= set(operations["operation_id"])
    known = {*operations["patient_id"], *story.merges["patient_id"]}
    assert set(story.tables["events"]["patient_id"]) <= known


def test_the_truth_names_operations_of_the_export(story: Story) -> None:
    performed = story.tables["operations"].query("status == 'performed'")
    assert set(story.cases["operation_id"]) <= set(performed["operation_id"])
    case = story.cases[["site", "operation_id", "side"]].apply(tuple, axis=1)
    told = story.complications[["site", "operation_id", "side"]].apply(tuple, axis=1)
    assert set(told) <= set(case)


def test_any_complication_is_the_first_counted_one(story: Story) -> None:
    told = story.complications[story.complications["expected_status"] == "counted"]
    main = told["category"].map(MAIN_LEVELS).fillna("any")
    own = told[(told["level"] == main) & ~told["category"].isin(["any_complication", "death"])]
    keys = ["site", "operation_id", "side"]
    first = own.groupby(keys)["day"].min()
    listed = told[told["category"] == "any_complication"].set_index(keys)["day"]
    pd.testing.assert_series_equal(listed.sort_index(), first.sort_index(), check_names=False)


def test_age_explains_the_crude_difference(closed: pd.DataFrame) -> None:
    """Ligament patients are younger and worse off; among the young of both there is no difference to speak of."""
    arms = [closed[closed["procedure"] == key] for key in ("ligament_reconstruction", "tubercle_transfer")]
    crude = arms[0]["wrong"].mean() - arms[1]["wrong"].mean()
    young = [arm[arm["age_years"] < 25] for arm in arms]
    grown = [arm[arm["age_years"].between(25, 34)] for arm in arms]
    assert arms[1]["age_years"].min() >= 17
    assert crude > 0.10
    assert abs(young[0]["wrong"].mean() - young[1]["wrong"].mean()) < 0.05
    assert abs(grown[0]["wrong"].mean() - grown[1]["wrong"].mean()) < 0.10
    assert min(map(len, young)) >= 30


def test_one_surgeon_lies_far_outside(closed: pd.DataFrame) -> None:
    """Beyond three standard errors of what the operations' own shares lead to expect; nobody else is.

    Of anything that went wrong, probable or settled; tests/test_what_the_demo_shows.py looks at what is settled.
    """
    share = closed.groupby("procedure")["wrong"].transform("mean")
    spread = closed.assign(expected=share, variance=share * (1 - share)).groupby("surgeon_id")
    score = (spread["wrong"].sum() - spread["expected"].sum()) / spread["variance"].sum() ** 0.5
    assert score[OUTLYING] > 3.5
    assert score.drop(OUTLYING).max() < 3


def test_one_surgeon_alone_used_the_new_anchor(told_people: pd.DataFrame) -> None:
    """In the shoulders of eight months, where nearly everything goes wrong; elsewhere the risk is the colleagues'."""
    used = told_people[told_people["new_anchor"]]
    assert set(used["surgeon"]) == {OUTLYING}
    assert set(used["operation"]) == {STABILISATION, LABRUM}
    assert set(used["fixation"]) == {"anchor"}
    assert len(used) > 20
    rest = told_people[~told_people["new_anchor"] & (told_people["operation"] > TIGHTENING)]
    by_surgeon = rest[rest["risk"] > 0].groupby(["operation", "age"])["risk"].nunique()
    assert (by_surgeon == 1).all()
    assert used.loc[~used["plain"], "risk"].min() > rest["risk"].max()


def test_a_quarter_of_tubercle_transfers_come_with_a_ligament(story: Story) -> None:
    counts = story.cases["procedure"].value_counts()
    both = counts["ligament_reconstruction+tubercle_transfer"]
    assert 0.18 <= both / (both + counts["tubercle_transfer"]) <= 0.32


@pytest.mark.parametrize(
    "category",
    ["stiffness", "fixation_site_fracture", "instability", "revision", "infection", "hardware_problem",
     "nerve_injury", "thromboembolism", "repair_failure", "non_union", "persistent_pain", "pain_syndrome",
     "wound_or_haematoma", "death", "other"],
)  # fmt: skip
def test_every_kind_of_complication_happens(story: Story, category: str) -> None:
    counted = story.complications[story.complications["expected_status"] == "counted"]
    assert category in set(counted["category"])


@pytest.mark.parametrize(
    "status", ["awaiting", "refuted", "too_soon", "pre_existing", "described", "cannot_occur"]
)
def test_every_way_of_not_counting_occurs(story: Story, status: str) -> None:
    assert status in set(story.complications["expected_status"])


def test_people_decide_on_some_cases(story: Story) -> None:
    answers = story.decisions.groupby(["case_id", "category"])["counts"].agg(set)
    assert {"yes", "no"} in answers.tolist()
    assert {"yes"} in answers.tolist()
    assert {"no"} in answers.tolist()
    assert "none" in set(story.links["case_id"])
    assert len(story.merges) >= 1


def test_patients_are_lost_and_operated_on_both_sides(story: Story) -> None:
    operations = story.tables["operations"]
    assert "bilateral" in set(operations["side"])
    assert "did_not_attend" in set(story.tables["followups"]["status"])
    last = story.tables["followups"].groupby("operation_id")["seen_on"].max()
    days = (last - operations.set_index("operation_id")["performed_on"].reindex(last.index)).dt.days
    assert days.lt(120).any()
