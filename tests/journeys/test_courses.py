"""Courses counted by hand: courses.md as one hospital's exports, audited once, compared row by row.

What is expected stands in courses.md and was written down before the program was run. Where the program says otherwise
and the definitions do not, the row is marked below and keeps its expectation.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.journeys.course_exports import CUT, RECEIPT, Written, case_ids, on, record_id, write_workspace
from tests.journeys.course_tables import CATALOGUE, COLUMNS, LEVELS, OPEN, Course, UnknownWords, courses

COURSES = courses((Path(__file__).parent / "courses.md").read_text("utf-8"))
ANY = "any_complication"
#: How the program words why a record waits.
WHY = {
    "side not written": "side not given",
    "joint not written": "joint not given",
    "operations close together": "two operations at most 30 days apart",
    "day of the operation": "on the day of the operation, not from theatre",
    "operation never sent": "named operation was not sent",
    "another patient's operation": "named operation is another patient's",
    "disagrees": "side or joint disagrees with the named operation",
}
#: (what is compared, course) → why the program is thought wrong.
WRONG: dict[tuple[str, int], str] = {}


def each(what: str) -> Any:
    """One test a course, those of WRONG expected to fail."""
    marked = [
        pytest.param(
            course,
            id=str(course.number),
            marks=[pytest.mark.xfail(strict=True, reason=WRONG[what, course.number])]
            if (what, course.number) in WRONG
            else [],
        )
        for course in COURSES
    ]
    return pytest.mark.parametrize("course", marked)


@dataclass(frozen=True)
class Audited:
    """The edition of the workspace, and what was written into it."""

    edition: Any
    written: Written
    tables: dict[str, Any]

    def of(self, table: str, course: Course) -> list[dict[str, Any]]:
        """Rows of a table whose `case_id` is of the course."""
        rows = self.tables[table]
        own = rows["case_id"].str.fullmatch(rf"quay\.c{course.number}[abcd]\.[LRN]")
        return list(rows[own].to_dict("records"))


@pytest.fixture(scope="module")
def audited(audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Audited:
    place = tmp_path_factory.mktemp("courses") / "quay"
    written = write_workspace(place, COURSES)
    edition = audit(place, tmp_path_factory.mktemp("courses_out"), "--as-of", RECEIPT, expected_exit=None)
    tables = {name: edition.table(name) for name in ("cases", "complications")}
    tables |= {name: edition.csv(name) for name in ("review", "unattributed", "quarantine")}
    return Audited(edition, written, tables)


def test_there_are_courses_of_every_theme() -> None:
    assert len(COURSES) >= 48
    assert len({course.title for course in COURSES}) == len(COURSES)
    assert {what for what, number in WRONG} <= {
        "complications", "any", "cases", "chain", "unattributed", "review", "findings", "observed",
    }  # fmt: skip


@each("cases")
def test_cases(audited: Audited, course: Course) -> None:
    found = audited.of("cases", course)
    assert {row["case_id"] for row in found} == {case for case, _ in case_ids(course).values()}
    own = {row.cells["procedure_code"] for row in course.named("operations")}
    assert {row["procedure"] for row in found} <= own
    assert {row["isolated"] for row in found} <= {course.isolated}
    if course.group:
        assert {row["group"] for row in found} == {course.group}
    else:
        assert all(row["group"] == row["procedure"] for row in found)


@each("complications")
def test_complications(audited: Audited, course: Course) -> None:
    """Every category and level with its day, strength and status, and nothing else."""
    expected = {}
    for one in course.expected:
        case, day_0 = case_ids(course)[one.case]
        day = None if one.day is None else one.day - day_0
        expected[case, one.category, one.level] = (day, one.strength, one.status)
    found = {
        (row["case_id"], row["category"], row["level"]): (
            None if row["day"] != row["day"] or row["day"] is None else int(row["day"]),
            row["strength"],
            row["status"],
        )
        for row in _plain(audited.of("complications", course))
        if row["category"] != ANY
    }
    for which, (day, strength, status) in expected.items():
        if strength == OPEN and which in found:
            expected[which] = (day, found[which][1], status)
    assert found == expected, course.title


def _plain(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Missing days as None, whatever the frame calls them."""
    return [row | {"day": None if str(row["day"]) in ("<NA>", "nan", "None") else row["day"]} for row in rows]


@each("any")
def test_any_complication_is_the_earliest_of_the_main_ones(audited: Audited, course: Course) -> None:
    days: dict[str, list[int]] = {}
    for one in course.expected:
        case, day_0 = case_ids(course)[one.case]
        main = CATALOGUE[one.category].get("main_level", LEVELS[one.category][0])
        if one.status == "counted" and one.category != "death" and one.level == main:
            days.setdefault(case, []).append(-1 if one.day is None else one.day - day_0)
    found = {
        row["case_id"]: -1 if row["day"] is None else int(row["day"])
        for row in _plain(audited.of("complications", course))
        if row["category"] == ANY and row["status"] == "counted"
    }
    assert found == {case: min(own) for case, own in days.items()}


@each("chain")
def test_where_later_operations_ended(audited: Audited, course: Course) -> None:
    found = {}
    for row in course.named("operations"):
        if row.name != "first":
            found[row.day] = _ending(audited, course, record_id(course, row))
    assert found == {day: _SEEN_AS.get(fate, fate) for day, (fate, _) in course.fates.items()}


#: Endings that no list tells apart from one another; `flow` does, below.
_SEEN_AS = dict.fromkeys(("planned", "no return", "not performed", "not in the catalogue"), "in no list")


def _ending(audited: Audited, course: Course, operation: str) -> str:
    place = audited.written.places["operations", operation]
    listed = audited.tables["unattributed"]
    listed = listed[(listed["table"] == "operations") & (listed["record_id"] == operation)]
    if len(listed):
        return str(listed["why"].iloc[0]).replace("_", " ")
    if any(row["operation_id"] == operation for row in audited.of("cases", course)):
        return "new case"
    proofs = [row for row in audited.of("complications", course) if place in row["evidence"].split("; ")]
    returns = {
        row["status"] for row in proofs if (row["category"], row["level"]) == ("revision", "any_return")
    }
    return {("counted",): "return", ("awaiting",): "awaits", (): "in no list"}[tuple(returns)]


@each("reasons")
def test_why_they_came_back_first(audited: Audited, course: Course) -> None:
    """The reason told in the chain is what the return follows from."""
    returns = [day for day, (fate, _) in sorted(course.fates.items()) if fate == "return"]
    found = {
        row["parent"]
        for row in audited.of("complications", course)
        if (row["category"], row["level"]) == ("revision", "any_return") and row["status"] == "counted"
    }
    assert bool(found) == bool(returns)
    reason = course.fates[returns[0]][1] if returns else OPEN
    assert reason == OPEN or found == {reason}


@each("unattributed")
def test_records_that_belong_to_no_case(audited: Audited, course: Course) -> None:
    listed = audited.tables["unattributed"]
    named = [
        (*audited.written.names[key[0], key[1]], key[2]) for key in _keys(listed, "table", "record_id", "why")
    ]
    found = {
        name: why.replace("_", " ")
        for number, name, why in named
        if number == course.number and name != "later"
    }
    assert found == course.unattributed


def _keys(frame: Any, *columns: str) -> list[tuple[str, ...]]:
    return [tuple(row) for row in frame[list(columns)].to_numpy().tolist()]


@each("review")
def test_what_waits_for_reviewers(audited: Audited, course: Course) -> None:
    """Records that wait stand in review once for each case they might belong to, with their reason.

    Each category that awaits stands there too, and no other.
    """
    found = audited.of("review", course)
    names = {place: audited.written.names[key][1] for key, place in audited.written.places.items()}
    waiting = {
        (row["case_id"], names[row["evidence"]], row["why"]) for row in found if row["why"] in WHY.values()
    }
    told = [*course.waits.items(), *(("later", why) for _, why in course.fates.values() if why in WHY)]
    cases = {case for case, _ in case_ids(course).values()}
    assert waiting == {(case, name, WHY[why]) for case in cases for name, why in told}
    asked = {row["category"] for row in found if row["category"]}
    assert asked == {one.category for one in course.expected if one.status == "awaiting"}


@each("findings")
def test_findings(audited: Audited, course: Course) -> None:
    found = audited.tables["quarantine"]
    own = {
        rule
        for file, line, rule in _keys(found, "source_file", "source_line", "rule")
        if line and audited.written.lines.get((file, int(line))) == course.number
    }
    assert own == course.findings


@each("observed")
def test_how_far_the_patient_was_observed(audited: Audited, course: Course) -> None:
    columns = {"contact until": "contact_until", "records until": "records_until", "died": "died"}
    for row in audited.of("cases", course):
        found = {name: int(row[columns[name]]) for name in course.observed}
        end = (CUT - on(course, 0)).days
        assert found == {name: end if day == "end" else day for name, day in course.observed.items()}


# ---------------------------------------------------------------- all courses together

#: Step of `flow` → endings of later operations that it counts.
FLOW = {
    "booked, cancelled or abandoned": ("not performed",),
    "code not in the catalogue": ("not in the catalogue",),
    "unplanned returns to theatre": ("return",),
    "planned stages and removals": ("planned",),
    "later operations without sedation": ("no return",),
    "received from elsewhere": ("elsewhere",),
    "without a case of ours": ("other side",),
}


@pytest.mark.parametrize("step", FLOW)
def test_flow_counts_the_endings(audited: Audited, step: str) -> None:
    flow = audited.edition.table("flow")
    found = flow[(flow["procedure"] == "all") & (flow["step"] == step)]["removed"].sum()
    endings = Counter(
        course.fates[row.day][0]
        for course in COURSES
        for row in course.named("operations")
        for _side in range(1 + (row.cells["side"] == "bilateral"))
        if row.day in course.fates
    )
    assert found == sum(endings[fate] for fate in FLOW[step])


@pytest.mark.parametrize(("column", "status"), [("events", "counted"), ("awaiting", "awaiting")])
def test_rates_add_up_to_the_case_list(audited: Audited, column: str, status: str) -> None:
    """Each window of every category and level, over all operations: every case is closed for 365 days."""
    rates = audited.edition.rates(procedure="all")
    rates = rates[(rates["category"] != ANY) & (rates["window_days"] <= 365) & rates["rate"].notna()]
    listed = audited.tables["complications"]
    listed = listed[listed["status"] == status].assign(day=listed["day"].fillna(0))
    days = listed.groupby(["category", "level"])["day"].agg(list).to_dict()
    rows = _keys(rates, "category", "level", "window_days", column)
    assert len(rows) > 30
    assert {row[:3]: row[3] for row in rows} == {
        (category, level, window): sum(day <= window for day in days.get((category, level), []))
        for category, level, window, _ in rows
    }


def test_every_finding_is_of_a_course(audited: Audited) -> None:
    found = _keys(audited.tables["quarantine"], "source_file", "source_line", "rule")
    known = audited.written.lines
    others = [row for row in found if not row[1] or (row[0], int(row[1])) not in known]
    assert others == [("", "", "period_empty")], "nobody is operated on in the last month"


def _filled(audited: Audited, name: str) -> Any:
    path = audited.edition.department / "tables" / f"{name}.parquet"
    assert path.exists(), f"{name} is not written"
    return audited.edition.table(name)


def test_returns_by_first_and_later_operation(audited: Audited) -> None:
    expected: Counter[tuple[str, str, str]] = Counter()
    for course in COURSES:
        first = next((row for row in course.named("operations") if row.name == "first"), None)
        for row in course.named("operations"):
            fate = course.fates.get(row.day, ("", ""))[0]
            if row.name != "first" and first is not None and fate in ("return", "planned"):
                names = (str(first.cells["procedure_code"]), str(row.cells["procedure_code"]))
                expected[*names, "yes" if fate == "planned" else "no"] += 1 + (
                    row.cells["side"] == "bilateral"
                )
    found: Counter[tuple[str, str, str]] = Counter()
    for row in _filled(audited, "revisions").to_dict("records"):
        planned = {True: "yes", False: "no"}.get(row["planned"], row["planned"])
        found[row["first_operation"], row["to_operation"], planned] += row["count"]
    assert found == expected


def test_grades_of_the_operation_kept_for_them(audited: Audited) -> None:
    kept = "coracoclavicular_reconstruction"
    expected = Counter(
        (one.category, one.grade) for course in COURSES for one in course.expected if one.grade
    )
    rows = _filled(audited, "severity").to_dict("records")
    found = Counter(
        {
            (row["category"], row["grade"]): row["cases"]
            for row in rows
            if row["procedure"] == kept and row["category"] != ANY
        }
    )
    assert found == expected


# ---------------------------------------------------------------- the notation

GOOD = "| 1 | Well | L left | seen 400 | nothing | - | - |"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("L left", "X left"),
        ("L left", "L sinister"),
        ("seen 400", "glimpsed 400"),
        ("seen 400", "day 20 code T81.41XA left toe"),
        ("seen 400", "day 20 code T81.41XA left knee, very low energy"),
        ("seen 400", "day 20 washout left"),  # its end is not told
        ("seen 400", "day 20 passive extension 5 left knee"),
        ("seen 400", "day 400 reviewer A: infection perhaps"),
        ("nothing", "stiffness any day 20 probable counted"),
        ("nothing", "infection day 20 likely counted"),
        ("nothing", "infection day 20 probable"),
        ("| - | - |", "| day 20 return | - |"),
        ("| - | - |", "| - | event 1: lost |"),
        ("| - | - |", "| - |"),
        ("| 1 |", "| 2 |"),
    ],
)
def test_a_word_that_is_not_known_is_an_error(old: str, new: str) -> None:
    header = "| " + " | ".join(COLUMNS) + " |\n|" + "---|" * len(COLUMNS) + "\n"
    assert len(courses(header + GOOD)) == 1
    with pytest.raises(UnknownWords):
        courses(header + GOOD.replace(old, new, 1))
