"""Twelve patients' courses, typed in as files and counted by hand.

Nothing expected here was printed by the program. The days, categories and counts were written down from the
courses before the program existed. The intervals (Wilson 1927; Newcombe 1998, Stat Med 17:857 and 17:873) are the
values of the project design notes for the fractions shown, recomputed from the closed formulas by hand.

The workspace is `twelve_courses/`: one hospital, received 2026-11-02, audited for 2026-10.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
L, U, T = "ligament_reconstruction", "tubercle_transfer", "soft_tissue_tightening"
BOTH = f"{L}+{U}"
ANY = "any_complication"
FRACTURE = "fixation_site_fracture"

#: A day that the definitions leave open.
SOME_DAY = None


@dataclass(frozen=True)
class Course:
    """One case: what happened in words, and the complications that count with their day after the operation."""

    number: str
    case_id: str
    facts: str
    counted: dict[tuple[str, str], int | None] = field(default_factory=dict)
    otherwise: dict[tuple[str, str], str] = field(
        default_factory=dict
    )  # category, level → status, not counted


COURSES = [
    Course("1", "harbour.H01.R",
           "L right, aged 17: the LEFT kneecap dislocates on day 200; seen on day 380"),
    Course("2", "harbour.H02.L",
           "L left, 19: fall on day 41, patella broken through the lower tunnel, fixed on day 43; seen 400",
           {(FRACTURE, "any"): 41, (FRACTURE, "low_energy"): 41, ("revision", "any_return"): 43}),
    Course("3", "harbour.H03.R",
           "L right, 22: passive flexion 95° on day 100, 100° on day 190; manipulation on day 200; 135° on day 370",
           {("stiffness", "persistent"): 100, ("stiffness", "single_reading"): 100, ("stiffness", "treated"): 200,
            ("revision", "any_return"): 200}),
    Course("4", "harbour.H04.L",
           "U left, 29: sore screw heads, screws taken out on day 300, not planned; seen 390",
           {("hardware_problem", "any"): 300, ("revision", "any_return"): 300}),
    Course("5", "harbour.H05.R",
           "U right, 31: screws taken out on day 190 as agreed at the first operation; seen 400"),
    Course("6", "harbour.H06.R",
           "L right, 16: dislocates on day 150, puts it back himself, a reviewer confirms; seen 385",
           {("instability", "primary"): 150}),
    Course("7", "harbour.H07.L",
           "U left, 23: dislocates on days 95 and 240, put back under sedation; L on the same knee on day 260; seen 420",
           {("instability", "primary"): 95, ("instability", "strict"): 95, ("instability", "repeated"): 95,
            ("revision", "any_return"): 260, ("revision", "redone"): 260}),
    Course("8", "harbour.H08.R",
           "U right, 33: the shin cracks at the end of the cut on day 20, brace; seen 366",
           {(FRACTURE, "any"): 20}),
    Course("9 left", "harbour.H09.L",
           "L both sides, 18: stitch abscess on day 12, side not written, a reviewer says left; seen 372",
           {("infection", "any"): 12}),
    Course("9 right", "harbour.H09.R", "the other knee of the same sitting"),
    Course("10", "harbour.H10.L",
           "T left, 15: patella breaks on day 80, though the operation made no hole in it; seen 370",
           {("other", "any"): 80}, {(FRACTURE, "any"): "cannot_occur"}),
    Course("11", "harbour.H11.L", "L left, 20: last seen on day 60, did not attend after"),
    Course("12", "harbour.H12a.R",
           "L and U right together, 26: a letter says \"stiff knee\" on day 130 without numbers; reviewers split; seen 390",
           {}, {("stiffness", "persistent"): "awaiting"}),
]  # fmt: skip


@dataclass(frozen=True)
class Row:
    """A row of `rates`: procedure, category, level, window → cases, events, lost."""

    procedure: str
    category: str
    level: str
    window: int
    cases: int
    events: int
    lost: int
    awaiting: int = 0


RATES = [
    Row(L, ANY, "any", 365, 7, 4, 1),  # 2, 3, 6, 9 left; course 11 lost
    Row(L, "stiffness", "persistent", 365, 7, 1, 1),
    Row(L, "stiffness", "treated", 365, 7, 1, 1),
    Row(L, FRACTURE, "any", 365, 7, 1, 0),  # seen in records: course 11 is not lost
    Row(L, "instability", "primary", 365, 7, 1, 1),
    Row(L, "instability", "strict", 365, 7, 0, 1),
    Row(L, "revision", "any_return", 365, 7, 2, 0),
    Row(L, "revision", "redone", 365, 7, 0, 0),
    Row(L, "infection", "any", 30, 7, 1, 0),
    Row(L, "infection", "any", 90, 7, 1, 0),
    Row(L, ANY, "any", 90, 7, 2, 1),  # 2, 9 left; course 11 last seen on day 60, before 90 - 14
    Row(L, ANY, "any", 30, 7, 1, 0),  # 9 left
    Row(U, ANY, "any", 365, 4, 3, 0),  # 4, 7, 8
    Row(U, FRACTURE, "any", 365, 4, 1, 0),
    Row(U, "instability", "primary", 365, 4, 1, 0),
    Row(U, "instability", "strict", 365, 4, 1, 0),
    Row(U, "revision", "any_return", 365, 4, 2, 0),
    Row(U, "revision", "redone", 365, 4, 1, 0),
    Row(U, "hardware_problem", "any", 365, 4, 1, 0),
    Row(U, ANY, "any", 90, 4, 1, 0),  # 8
    Row(T, ANY, "any", 365, 1, 1, 0),
    Row(T, "other", "any", 365, 1, 1, 0),
    Row(BOTH, ANY, "any", 365, 1, 0, 0, awaiting=1),
    Row(BOTH, "stiffness", "persistent", 365, 1, 0, 0, awaiting=1),
    Row("all", ANY, "any", 365, 13, 8, 1, awaiting=1),
]

#: Before the conference of 2026-11-09 courses 6 and 9 wait for a reviewer.
RATES_BEFORE = [
    Row(L, ANY, "any", 365, 7, 2, 1, awaiting=2),  # 2, 3
    Row(L, "instability", "primary", 365, 7, 0, 1, awaiting=1),
    Row(L, "infection", "any", 30, 7, 0, 0, awaiting=1),
    Row(L, "infection", "any", 90, 7, 0, 0, awaiting=1),
    Row(U, ANY, "any", 365, 4, 3, 0),
]

#: Wilson intervals of the fractions, four decimals.
WILSON = {(4, 7): (0.2505, 0.8418), (3, 4): (0.3006, 0.9544)}
NEWCOMBE_A_MINUS_B = (-0.5591, 0.3458)


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("courses") / "twelve_courses"
    shutil.copytree(HERE / "twelve_courses", place)
    return place


@pytest.fixture(scope="module")
def after(workspace: Path, audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """As of the newest date in the workspace: the conference has decided."""
    return audit(workspace, tmp_path_factory.mktemp("after"))


@pytest.fixture(scope="module")
def before(workspace: Path, audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """As of the day of receipt: nobody has decided anything yet."""
    return audit(workspace, tmp_path_factory.mktemp("before"), "--as-of", "2026-11-02")


def counted(edition: Any, case_id: str) -> dict[tuple[str, str], int]:
    """Counted complications of a case, category and level → day, without the program's own sum."""
    rows = edition.table("complications")
    rows = rows[(rows["case_id"] == case_id) & (rows["status"] == "counted") & (rows["category"] != ANY)]
    return {(row.category, row.level): row.day for row in rows.itertuples()}


def test_thirteen_cases_of_twelve_patients_and_no_others(after: Any) -> None:
    cases = after.table("cases")
    assert sorted(cases["case_id"]) == sorted(course.case_id for course in COURSES)
    assert cases["patient"].nunique() == 12


@pytest.mark.parametrize("course", COURSES, ids=lambda course: course.number)
def test_exactly_these_complications_are_counted(after: Any, course: Course) -> None:
    found = counted(after, course.case_id)
    assert set(found) == set(course.counted), course.facts
    stated = {which: day for which, day in course.counted.items() if day is not SOME_DAY}
    assert {which: found[which] for which in stated} == stated, course.facts


@pytest.mark.parametrize(
    "course", [course for course in COURSES if course.otherwise], ids=lambda course: course.number
)
def test_what_is_not_counted_says_why(after: Any, course: Course) -> None:
    rows = after.table("complications")
    rows = rows[rows["case_id"] == course.case_id]
    status = {(row.category, row.level): row.status for row in rows.itertuples()}
    assert {which: status.get(which) for which in course.otherwise} == course.otherwise, course.facts


@pytest.mark.parametrize("course", COURSES, ids=lambda course: course.number)
def test_any_complication_is_the_earliest_of_them(after: Any, course: Course) -> None:
    rows = after.table("complications")
    rows = rows[
        (rows["case_id"] == course.case_id) & (rows["category"] == ANY) & (rows["status"] == "counted")
    ]
    days = [day for day in course.counted.values() if day is not SOME_DAY]
    assert list(rows["day"]) == ([min(days)] if days else [])


def test_every_counted_complication_keeps_its_evidence(after: Any) -> None:
    rows = after.table("complications")
    rows = rows[rows["status"] == "counted"]
    assert len(rows) > 0
    assert (rows["evidence"].str.len() > 0).all()


@pytest.mark.parametrize(
    ("case_id", "category", "level", "lines"),
    [
        ("harbour.H02.L", FRACTURE, "any", {"events.csv:3"}),
        ("harbour.H02.L", "revision", "any_return", {"operations.csv:4"}),
        ("harbour.H03.R", "stiffness", "persistent", {"measurements.csv:2", "measurements.csv:3"}),
        ("harbour.H04.L", "hardware_problem", "any", {"operations.csv:8"}),
        ("harbour.H06.R", "instability", "primary", {"events.csv:4"}),
        ("harbour.H07.L", "instability", "strict", {"events.csv:5"}),
        ("harbour.H07.L", "revision", "redone", {"operations.csv:13"}),
        ("harbour.H09.L", "infection", "any", {"events.csv:8"}),
        ("harbour.H10.L", "other", "any", {"events.csv:9"}),
    ],
)
def test_evidence_names_file_and_line(
    after: Any, case_id: str, category: str, level: str, lines: set[str]
) -> None:
    rows = after.table("complications")
    rows = rows[(rows["case_id"] == case_id) & (rows["category"] == category) & (rows["level"] == level)]
    named = set(rows["evidence"].iloc[0].split("; "))
    assert {f"received/harbour/2026-11-02/{line}" for line in lines} <= named


@pytest.mark.parametrize(
    ("case_id", "category", "level", "strength"),
    [
        ("harbour.H02.L", FRACTURE, "any", "probable"),  # structured field; its fixation proves nothing
        ("harbour.H03.R", "stiffness", "persistent", "definite"),  # passive readings beyond the threshold
        ("harbour.H06.R", "instability", "primary", "confirmed"),  # the reviewer
        ("harbour.H07.L", "instability", "strict", "probable"),  # code and level
        ("harbour.H08.R", FRACTURE, "any", "probable"),  # structured field
        ("harbour.H09.L", "infection", "any", "probable"),  # specific code, as if it had named its side
    ],
)
def test_how_strongly_it_is_proven(
    after: Any, case_id: str, category: str, level: str, strength: str
) -> None:
    rows = after.table("complications")
    rows = rows[(rows["case_id"] == case_id) & (rows["category"] == category) & (rows["level"] == level)]
    assert list(rows["strength"]) == [strength]


def _check(edition: Any, row: Row) -> None:
    got = edition.rate(row.procedure, row.category, row.level, row.window)
    stated = {"cases": row.cases, "events": row.events, "lost": row.lost, "awaiting": row.awaiting}
    assert {name: got[name] for name in stated} == stated
    assert got["followed"] == row.cases - row.lost
    assert got["rate"] == pytest.approx(row.events / row.cases)
    assert got["rate_followed"] == pytest.approx(row.events / (row.cases - row.lost))
    assert got["worst_case"] == pytest.approx((row.events + row.lost) / row.cases)
    assert got["rate_with_awaiting"] == pytest.approx((row.events + row.awaiting) / row.cases)


@pytest.mark.parametrize(
    "row", RATES, ids=lambda row: f"{row.procedure}-{row.category}-{row.level}-{row.window}"
)
def test_rates(after: Any, row: Row) -> None:
    _check(after, row)


@pytest.mark.parametrize(
    "row", RATES_BEFORE, ids=lambda row: f"{row.procedure}-{row.category}-{row.level}-{row.window}"
)
def test_rates_before_anybody_decided(before: Any, row: Row) -> None:
    _check(before, row)


@pytest.mark.parametrize(("procedure", "fraction"), [(L, (4, 7)), (U, (3, 4))])
def test_intervals_of_the_rates(after: Any, procedure: str, fraction: tuple[int, int]) -> None:
    got = after.rate(procedure, ANY, "any", 365)
    assert (got["events"], got["cases"]) == fraction
    assert (got["ci_low"], got["ci_high"]) == pytest.approx(WILSON[fraction], abs=5e-5)
    assert "wilson" in got["method"].lower()


def test_a_fracture_that_cannot_occur_has_cases_and_no_rate(after: Any) -> None:
    got = after.rate(T, FRACTURE, "any", 365)
    assert got["cases"] == 1
    assert all(
        got[name] != got[name] for name in ("rate", "ci_low", "ci_high", "rate_followed", "worst_case")
    )
    assert "cannot occur" in got["note"].lower()


def test_windows_that_are_not_defined_or_not_closed_give_no_rate(after: Any) -> None:
    rows = after.rates(category="stiffness")
    assert set(rows[rows["window_days"] == 365]["procedure"]) == {L, U, T, BOTH, "all"}
    early = rows[rows["window_days"].isin([30, 90])]
    assert early["rate"].isna().all()
    assert len(after.rates(window_days=730)) == 0, "no case was operated on 850 days before 2026-10-31"
    assert set(after.rates(category="infection")["window_days"]) == {30, 90}


def test_only_the_measured_case_is_assessed_for_stiffness(after: Any) -> None:
    assert after.rate(L, "stiffness", "persistent", 365)["assessed"] == 1
    assert after.rate(U, "stiffness", "persistent", 365)["assessed"] == 0


def test_ages_and_surgeons(after: Any) -> None:
    young = after.rate(U, ANY, "any", 365, stratum="age_band", stratum_value="0-24")
    older = after.rate(U, ANY, "any", 365, stratum="age_band", stratum_value="25-34")
    assert (young["events"], young["cases"]) == (1, 1)  # course 7
    assert (older["events"], older["cases"]) == (2, 3)  # courses 4, 8 of 4, 5, 8
    surgeon = after.rate(L, ANY, "any", 365, stratum="surgeon", stratum_value="harbour/S1")
    assert (surgeon["events"], surgeon["cases"]) == (4, 7)
    assert surgeon["rate"] != surgeon["rate"], "fewer than ten cases: counts only"
    assert surgeon["ci_low"] != surgeon["ci_low"]


#: The course of L, any complication: 9 left on day 12, 2 on 41, 3 on 100, 6 on 150; 11 last seen on 60; 1 and 9 right
#: are well at the end. Day, at risk, events, censored from then until before the next row, event-free share.
COURSE_OF_L = [
    (0, 7, 0, 0, 1),
    (12, 7, 1, 0, 6 / 7),
    (30, 6, 0, 0, 6 / 7),
    (41, 6, 1, 1, 5 / 7),
    (90, 4, 0, 0, 5 / 7),
    (100, 4, 1, 0, 5 / 7 * 3 / 4),
    (150, 3, 1, 0, 5 / 7 * 2 / 4),
    (365, 2, 0, 2, 5 / 14),
]


def test_the_course_over_time(after: Any) -> None:
    rows = after.table("event_free")
    rows = rows[(rows["procedure"] == L) & (rows["category"] == ANY)]
    columns = ["day", "at_risk", "events", "censored"]
    assert [tuple(row) for row in rows[columns].to_numpy()] == [row[:-1] for row in COURSE_OF_L]
    assert list(rows["event_free"]) == pytest.approx([row[-1] for row in COURSE_OF_L])
    assert list(rows["cumulative_incidence"]) == pytest.approx([1 - row[-1] for row in COURSE_OF_L])
    assert (rows["competing"] == 0).all(), "nobody died"


@pytest.mark.parametrize(
    ("procedure", "category", "window", "share"),
    [
        (L, ANY, 30, 1 / 7),
        (L, ANY, 90, 2 / 7),
        (L, ANY, 365, 9 / 14),  # course 11 left on day 60: of the four then left two more had one
        (L, "revision", 365, 2 / 7),  # records reach a year: course 11 is not lost
        (U, ANY, 365, 3 / 4),
        (BOTH, ANY, 365, 0),
    ],
)
def test_incidence_at_the_windows_end(
    after: Any, procedure: str, category: str, window: int, share: float
) -> None:
    got = after.rate(procedure, category, "any_return" if category == "revision" else "any", window)
    assert got["incidence"] == pytest.approx(share)
    assert got["incidence_low"] <= got["incidence"] <= got["incidence_high"]


def test_cohorts_are_by_month_of_operation(after: Any) -> None:
    """January 2025 holds course 4 (U, screws out on day 300) and course 12; all months up to June 2025 have closed."""
    rows = after.table("cohorts")
    own = rows[(rows["category"] == ANY) & (rows["window_days"] == 365) & (rows["procedure"] == "all")]
    found = {row.period: (row.cases, row.events, bool(row.closed)) for row in own.itertuples()}
    assert found == {
        "2025-01": (2, 1, True),  # 4, 12
        "2025-02": (2, 2, True),  # 2, 8
        "2025-03": (3, 1, True),  # 1, 7, 11
        "2025-04": (3, 2, True),  # 3, 9 left and right
        "2025-05": (2, 1, True),  # 5, 10
        "2025-06": (1, 1, True),  # 6
    }


def _primary(edition: Any, analysis: str) -> Any:
    rows = edition.table("comparisons")
    rows = rows[(rows["arm_a"] == L) & (rows["arm_b"] == U) & (rows["category"] == ANY)]
    rows = rows[(rows["window_days"] == 365) & (rows["analysis"] == analysis) & (rows["stratum_value"] == "")]
    assert len(rows) >= 1
    return rows


@pytest.mark.parametrize(
    ("analysis", "counts"),
    [
        ("all_cases", (4, 7, 3, 4)),
        ("followed", (4, 6, 3, 4)),
        ("worst_for_a", (5, 7, 3, 4)),  # course 11 taken as ill
        ("worst_for_b", (4, 7, 3, 4)),  # nobody of U was lost
    ],
)
def test_the_comparison_counts(after: Any, analysis: str, counts: tuple[int, int, int, int]) -> None:
    rows = _primary(after, analysis)
    columns = ["events_a", "cases_a", "events_b", "cases_b"]
    assert [tuple(row) for row in rows[columns].to_numpy()] == [counts] * len(rows)


def test_the_comparison_difference_and_test(after: Any) -> None:
    rows = _primary(after, "all_cases")
    stated = rows[rows["primary"].astype(bool)]
    assert len(stated) == 1
    row = dict(stated.iloc[0])
    assert row["risk_difference"] == pytest.approx(4 / 7 - 3 / 4)
    assert (row["rd_ci_low"], row["rd_ci_high"]) == pytest.approx(NEWCOMBE_A_MINUS_B, abs=5e-5)
    assert row["p_fisher"] == pytest.approx(1.0)


def test_the_other_knee_is_listed_and_not_attributed(after: Any) -> None:
    rows = after.csv("unattributed")
    rows = rows[rows["table"] == "events"]
    columns = ["site", "record_id", "why", "source_file", "source_line"]
    assert rows[columns].to_numpy().tolist() == [
        ["harbour", "E01", "other_side", "received/harbour/2026-11-02/events.csv", "2"]
    ]


def test_a_record_without_side_waits_once_per_candidate(before: Any, after: Any) -> None:
    waiting = (
        before.table("review") if (before.department / "review.parquet").exists() else before.csv("review")
    )
    mine = waiting[waiting["case_id"].str.startswith("harbour.H09.")]
    assert sorted(mine["case_id"]) == ["harbour.H09.L", "harbour.H09.R"]
    assert counted(before, "harbour.H09.L") == {}
    decided = after.csv("review")
    assert not decided["case_id"].str.startswith("harbour.H09.").any()


def test_what_reviewers_disagree_on_stays_in_review(before: Any, after: Any) -> None:
    letter = before.csv("review")
    letter = letter[letter["case_id"] == "harbour.H12a.R"]
    assert list(letter["category"]) == ["stiffness"], "the letter proposes, nobody has decided"
    assert list(letter["why"]) == ["a letter says so"]
    split = after.csv("review")
    split = split[split["case_id"] == "harbour.H12a.R"]
    assert "stiffness" in set(split["category"])


def test_planned_removal_is_neither_case_nor_return(after: Any) -> None:
    assert "harbour.H05b.R" not in set(after.table("cases")["case_id"])
    rows = after.table("complications")
    assert not ((rows["case_id"] == "harbour.H05.R") & (rows["category"] == "revision")).any()


def test_every_row_is_accounted_for(after: Any) -> None:
    ledger = after.csv("ledger")
    read = dict(zip(ledger["table"], ledger["rows_read"].astype(int), strict=True))
    accepted = dict(zip(ledger["table"], ledger["accepted"].astype(int), strict=True))
    assert read == {"operations": 18, "events": 9, "followups": 13, "measurements": 3}
    assert accepted == read


@pytest.mark.parametrize(
    ("case_id", "line"),
    [
        ("harbour.H02.L", "E02,P02,2025-03-23,S82.002A,,left,,patella,yes,low,,,theatre,radiology,"),
        ("harbour.H03.R", "M03a,P03,2025-07-16,knee,flexion,passive,95,deg,right"),
        ("harbour.H04.L", "H04b,P04,2025-11-16,KN-OUT,left,S2,30,female,no,,,,general"),
    ],
)
def test_trace_prints_the_line_as_sent(
    workspace: Path, limbaudit: Callable[..., Any], case_id: str, line: str
) -> None:
    finished = limbaudit("trace", workspace, case_id)
    assert finished.exit_code == 0, finished.err
    assert line in finished.out
