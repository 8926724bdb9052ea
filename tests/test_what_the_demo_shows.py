"""What the demo shows on purpose: a surgeon outside the limits, a chart that asks for a check, ages that confound.

Everything expected is counted here once more from the demo's truth, in plain Python and without the program's code.
"""

from __future__ import annotations

import csv
from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

CUT = date(2026, 10, 31)
GRACE = {90: 60, 365: 90}
CATEGORIES = ("any_complication", "revision")
MAIN_LEVELS = {"stiffness": "persistent", "instability": "primary", "revision": "any_return"}
#: Evidence that settles a complication; codes and fields only make it probable.
SETTLES = ("return", "measurement", "decision")
OUTLIER = "harbour/HB-S4"
ANCHORED = ("labral_repair", "shoulder_stabilisation")
#: Months in which the story's surgeon used the new anchor.
ANCHOR_MONTHS = ("2024-09", "2025-04")

Key = tuple[str, str, str]


@dataclass(frozen=True)
class Case:
    """A case of the truth; `days` holds the first day of what is settled, by category, and of anything at all."""

    key: Key
    surgeon: str
    procedure: str
    performed: date
    age: int
    days: dict[str, int]
    any_day: int | None

    def closed(self, window: int) -> bool:
        return self.performed + timedelta(days=window + GRACE[window]) <= CUT

    def had(self, category: str, window: int) -> bool:
        return self.days.get(category, window + 1) <= window

    @property
    def place(self) -> tuple[str, str]:
        return self.procedure, self.key[0]


@pytest.fixture(scope="module")
def told(root: Path) -> list[Case]:
    """The cases of the truth in the order of operation and case, with what happened to them."""
    truth = root / "sample_exports" / "truth"
    without_surgeon = {row["record_id"] for row in _rows(truth / "faults.csv") if "no surgeon" in row["what"]}
    settled: dict[Key, dict[str, int]] = defaultdict(dict)
    happened: dict[Key, int] = {}
    for row in _rows(truth / "complications.csv"):
        main = MAIN_LEVELS.get(row["category"], "any")
        if row["expected_status"] != "counted" or row["level"] != main or row["category"] == "death":
            continue
        key, day = _key(row), int(row["day"])
        happened[key] = min(day, happened.get(key, day))
        if row["how"] in SETTLES:
            for category in {row["category"], "any_complication"}:
                settled[key][category] = min(day, settled[key].get(category, day))
    cases = [
        Case(
            _key(row),
            "unattributed"
            if row["operation_id"] in without_surgeon
            else f"{row['site']}/{row['surgeon_id']}",
            row["procedure"],
            date.fromisoformat(row["performed_on"]),
            int(row["age_years"]),
            settled[_key(row)],
            happened.get(_key(row)),
        )
        for row in _rows(truth / "cases.csv")
    ]
    return sorted(cases, key=lambda case: (case.performed, case.key))


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _key(row: dict[str, str]) -> Key:
    return row["site"], row["operation_id"], {"left": "L", "right": "R"}[row["side"]]


# ---------------------------------------------------------------- surgeons


@pytest.mark.parametrize("category", CATEGORIES)
@pytest.mark.parametrize("window", [90, 365])
def test_cases_and_events_of_surgeons_are_those_of_the_truth(
    demo: Any, told: list[Case], category: str, window: int
) -> None:
    table = demo.table("surgeon_outcomes")
    table = table[(table["category"] == category) & (table["window_days"] == window)]
    found = {row.surgeon: (row.cases, row.events) for row in table.itertuples()}
    cases = Counter(case.surgeon for case in told if case.closed(window))
    events = Counter(case.surgeon for case in told if case.closed(window) and case.had(category, window))
    assert len(found) == 13, "four surgeons a site, and the case without one"
    assert found == {surgeon: (number, events[surgeon]) for surgeon, number in cases.items()}


def _tail(cases: list[Case], others: list[Case], category: str) -> float:
    """Twice the smaller chance of so many events or more, so few or fewer.

    The risk of each case is the share of events after the same operation in the hands of the others; the chances of
    0, 1, 2 … events are built up case by case.
    """
    done = Counter(case.procedure for case in others)
    went_wrong = Counter(case.procedure for case in others if case.had(category, 365))
    chances = [1.0]
    for case in cases:
        risk = went_wrong[case.procedure] / done[case.procedure]
        stays = [chance * (1 - risk) for chance in [*chances, 0.0]]
        chances = [kept + moved * risk for kept, moved in zip(stays, [0.0, *chances], strict=True)]
    events = sum(case.had(category, 365) for case in cases)
    return 2 * min(sum(chances[events:]), sum(chances[: events + 1]))


@pytest.mark.parametrize("category", CATEGORIES)
def test_one_surgeon_is_outside_the_outer_limits_and_nobody_else(
    demo: Any, told: list[Case], category: str
) -> None:
    """By the truth against the colleagues' own shares; then as the edition says it."""
    closed = [case for case in told if case.closed(365) and case.surgeon != "unattributed"]
    chance = {
        surgeon: _tail(
            [case for case in closed if case.surgeon == surgeon],
            [case for case in closed if case.surgeon != surgeon],
            category,
        )
        for surgeon in {case.surgeon for case in closed}
    }
    assert {surgeon for surgeon, p in chance.items() if p < 0.002} == {OUTLIER}

    table = demo.table("surgeon_outcomes")
    table = table[(table["window_days"] == 365) & (table["category"] == category)].set_index("surgeon")
    assert table.loc[OUTLIER, "against_limits"] == "outside_998"
    assert table.loc[OUTLIER, "events"] / table.loc[OUTLIER, "cases"] > table.loc[OUTLIER, "limit_998_high"]
    rest = table.drop(OUTLIER)["against_limits"].value_counts()
    assert rest.get("outside_998", 0) == 0
    assert rest.get("outside_95", 0) <= 1


def test_it_was_the_anchor(told: list[Case]) -> None:
    """Without the shoulders of those months the same surgeon is like the others."""
    first, last = ANCHOR_MONTHS
    anchored = {
        case.key
        for case in told
        if case.surgeon == OUTLIER
        and case.procedure in ANCHORED
        and first <= f"{case.performed:%Y-%m}" <= last
    }
    closed = [case for case in told if case.closed(365)]
    own = [case for case in closed if case.surgeon == OUTLIER and case.key not in anchored]
    others = [case for case in closed if case.surgeon != OUTLIER]
    assert len(anchored) > 20
    for category in CATEGORIES:
        assert _tail(own, others, category) > 0.2


# ---------------------------------------------------------------- running charts


@pytest.mark.parametrize("category", CATEGORIES)
def test_the_running_charts_of_those_shoulders_ask_for_a_check(
    demo: Any, told: list[Case], category: str
) -> None:
    """Outcomes case by case are those of the truth; the charts of both operations ask once, in those months."""
    charts = demo.table("monitoring")
    charts = charts[(charts["category"] == category) & (charts["window_days"] == 365)]
    asking = charts[charts["asks_for_check"]]
    assert sorted(zip(asking["procedure"], asking["site"], strict=True)) == [
        (procedure, "harbour") for procedure in ANCHORED
    ]
    assert asking["period"].between(*ANCHOR_MONTHS).all()
    assert (asking["score"] >= asking["limit"]).all()
    for procedure in ANCHORED:
        own = charts[(charts["procedure"] == procedure) & (charts["site"] == "harbour")]
        outcomes = [
            case.had(category, 365)
            for case in told
            if case.place == (procedure, "harbour") and case.closed(365)
        ]
        assert own.sort_values("sequence")["outcome"].astype(bool).tolist() == outcomes


# ---------------------------------------------------------------- ages that confound


@dataclass(frozen=True)
class Band:
    """Events and cases of both arms among patients of one age band."""

    events_a: int
    cases_a: int
    events_b: int
    cases_b: int

    @property
    def difference(self) -> float:
        return self.events_a / self.cases_a - self.events_b / self.cases_b

    @property
    def weight(self) -> float:
        return self.cases_a * self.cases_b / (self.cases_a + self.cases_b)

    @property
    def variance(self) -> float:
        """Of the difference, arm by arm p (1 - p) / n."""
        arms = ((self.events_a, self.cases_a), (self.events_b, self.cases_b))
        return sum(x / n * (1 - x / n) / n for x, n in arms)


def _band(told: list[Case], low: int, high: int) -> Band:
    """Everybody whose year is over, from `low` to `high` years of age: any complication in the first year."""
    counted = []
    for procedure in ("ligament_reconstruction", "tubercle_transfer"):
        arm = [case for case in told if case.procedure == procedure and case.closed(365)]
        arm = [case for case in arm if low <= case.age <= high]
        counted += [sum(case.any_day is not None and case.any_day <= 365 for case in arm), len(arm)]
    return Band(*counted)


def test_the_comparison_that_age_confounds_turns_as_the_story_says(demo: Any, told: list[Case]) -> None:
    """Crude the ligament does worse; like with like it does not, because its patients are younger.

    Both conclusions first from the truth with the simplest interval there is, then as the edition prints them.
    """
    whole = _band(told, 0, 200)
    bands = [
        _band(told, low, high) for low, high in ((0, 24), (25, 34), (35, 44), (45, 54), (55, 64), (65, 200))
    ]
    both = [band for band in bands if band.cases_a and band.cases_b]
    weights = sum(band.weight for band in both)
    stratified = sum(band.weight * band.difference for band in both) / weights
    spread = sum(band.weight**2 * band.variance for band in both) ** 0.5 / weights
    assert whole.difference - 1.96 * whole.variance**0.5 > 0.05, "crude: worse"
    assert stratified - 1.96 * spread < 0 < stratified + 1.96 * spread, "like with like: cannot be told apart"
    assert abs(stratified) < 0.05
    assert abs(both[0].difference) < 0.05, "under 25"

    rows = demo.table("comparisons")
    row = rows[rows["primary"] & (rows["analysis"] == "all_cases")].iloc[0]
    assert Band(*row[["events_a", "cases_a", "events_b", "cases_b"]].astype(int)) == whole
    assert row["risk_difference"] == pytest.approx(whole.difference)
    assert row["rd_ci_low"] > 0
    assert row["adj_risk_difference"] == pytest.approx(stratified)
    assert row["adj_rd_low"] < 0 < row["adj_rd_high"]
    assert "Age may explain the difference." in row["verdict"]
    same = ["category", "level", "window_days", "arm_a", "arm_b", "among"]
    own = rows[(rows[same] == row[same]).all(axis=1) & (rows["stratum_value"] != "")]
    printed = own.set_index("stratum_value")[["events_a", "cases_a", "events_b", "cases_b"]].astype(int)
    assert Band(*printed.loc["0-24"]) == bands[0]
    assert Band(*printed.loc["25-34"]) == bands[1]


def test_patients_of_the_ligament_are_younger(demo: Any, told: list[Case]) -> None:
    whole = _band(told, 0, 200)
    before = demo.table("baseline").set_index(["characteristic", "value"])
    assert before.loc[("age_years", ""), ["n_a", "n_b"]].tolist() == [whole.cases_a, whole.cases_b]
    assert before.loc[("age_years", ""), "median_a"] + 5 < before.loc[("age_years", ""), "median_b"]


# ---------------------------------------------------------------- sentences


def test_every_sentence_of_benefit_and_harm_is_borne_by_its_own_row(demo: Any) -> None:
    """More or higher only where the whole interval printed beside it lies on one side; the interval's words are its."""
    rows = demo.table("benefit_and_harm")
    rows = rows[rows["diff_ci_low"].notna()]
    named = 0
    for row in rows.itertuples():
        said = row.verdict.removeprefix("Descriptive, not tested. ")
        one_sided = row.diff_ci_low > 0 or row.diff_ci_high < 0
        if said.startswith(("More with", "Higher with")):
            named += 1
            assert one_sided, said
        if said.startswith("These"):
            assert not one_sided, said
        if not said.startswith("It depends"):
            unit = 1 if row.unit != "fraction" else 100
            for limit in (row.diff_ci_low, row.diff_ci_high):
                assert f"{abs(unit * limit):.1f}".removesuffix(".0") in said
    assert len(rows) > 20
    assert named >= 1
