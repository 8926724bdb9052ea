"""What `limbaudit trace` must say of three of the twelve courses, and of ids that are no case.

The sentences were written from the courses and the files before the story was ever printed; days and dates were
counted by hand. They say what must be there, not how the whole looks.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from time import perf_counter
from typing import Any

import pytest

WORKSPACE = Path(__file__).parent / "twelve_courses"
RECEIVED = "received/harbour/2026-11-02"
CONFERENCE = "decisions/2026-11-09/conference.csv"

#: Course 3: operated 2025-04-07, known until the cut of 2026-10-31, which is day 572.
#: Windows close on day 60, 150, 455 and 850; day 850 is 2027-08-05.
STIFF_KNEE = {
    "harbour.H03.R",
    "right side",
    "2025-04-07",
    "day 100 (2025-07-16)",
    "day 190 (2025-10-14)",
    "day 200 (2025-10-24)",
    "day 370 (2026-04-12)",
    "unplanned return to theatre",
    f"{RECEIVED}/operations.csv:5",
    f"{RECEIVED}/operations.csv:6",
    f"{RECEIVED}/measurements.csv:2",
    f"{RECEIVED}/measurements.csv:3",
    f"{RECEIVED}/measurements.csv:4",
    f"{RECEIVED}/followups.csv:4",
    "M03b,P03,2025-10-14,knee,flexion,passive,100,deg,right",
    "Stiffness: counted from day 100 (2025-07-16), definite",
    "Revision: counted from day 200 (2025-10-24), definite",
    "Any complication: counted from day 100 (2025-07-16)",
    "within the limit",  # 135 degrees on day 370
    "too early: closes on day 850 (2027-08-05)",
    "day 572 (2026-10-31)",
    "isolated",
}
#: Course 12: two compared operations at one sitting on 2025-01-13, a letter on day 130, reviewers who differ.
BOTH_OPERATIONS = {
    "harbour.H12a.R",
    "H12b",
    "same sitting",
    "not isolated",
    "day 130 (2025-05-23)",
    "day 390 (2026-02-07)",
    "Stiffness: not counted, awaits review on day 130",
    "R1: yes",
    "R2: no",
    "reviewers differ",
    f"{CONFERENCE}:3",
    f"{CONFERENCE}:4",
    f"{RECEIVED}/events.csv:10",
    f"{RECEIVED}/operations.csv:18",
    f"{RECEIVED}/operations.csv:19",
    "Stiff knee, no numbers taken.",
    "Any complication: not counted, awaits review",
}
#: Course 9: both knees on 2025-04-28; an abscess on day 12 without a side, which a link gives to the left.
LEFT_OF_BOTH = {
    "harbour.H09.L",
    "harbour.H09.R",
    "both sides",
    "day 12 (2025-05-10)",
    "day 372 (2026-05-05)",
    "Infection: counted from day 12 (2025-05-10), probable",
    "R1 tied it to this case on 2026-11-09",
    "links/conference.csv:2",
    f"{RECEIVED}/events.csv:8",
    "all cases of the patient",
}
#: Course 1: the other kneecap dislocates on 2025-09-19; nothing counts.
OTHER_SIDE = {
    "harbour.H01.R",
    "no complication counted",
    "event E01",
    "the other side",
    "2025-09-19",
    f"{RECEIVED}/events.csv:2",
}
#: Course 11: last seen on day 60, so lost at the end of a year for what only a visit shows; needed from day 305.
LOST = {
    "harbour.H11.L",
    "lost: last contact on day 60, needed from day 305",
    "did not attend",
    "no contact",
}
#: Course 10: no hole in the kneecap.
CANNOT = {"cannot occur here", "Other: counted from day 80 (2025-07-24)", "counts as Other instead"}
#: Course 5: screws out as agreed, no return.
PLANNED = {"planned with H05", "no return", "no complication counted"}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The courses, audited once."""
    workspace = tmp_path_factory.mktemp("stories") / "twelve_courses"
    shutil.copytree(WORKSPACE, workspace)
    return workspace


@pytest.fixture(scope="module")
def tell(place: Path, limbaudit: Callable[..., Any]) -> Callable[[str], Any]:
    ran = limbaudit("run", place)
    assert ran.exit_code == 0, ran.err
    return lambda asked: limbaudit("trace", place, asked)


@pytest.mark.parametrize(
    ("case_id", "said"),
    [
        ("harbour.H03.R", STIFF_KNEE),
        ("harbour.H12a.R", BOTH_OPERATIONS),
        ("harbour.H09.L", LEFT_OF_BOTH),
        ("harbour.H01.R", OTHER_SIDE),
        ("harbour.H11.L", LOST),
        ("harbour.H10.L", CANNOT),
        ("harbour.H05.R", PLANNED),
    ],
)
def test_the_story_says(tell: Callable[[str], Any], case_id: str, said: set[str]) -> None:
    story = tell(case_id)
    assert story.exit_code == 0, story.err
    assert sorted(words for words in said if words not in story.said) == []


@pytest.mark.parametrize("case_id", ["harbour.H03.R", "harbour.H12a.R", "harbour.H09.L"])
def test_days_come_in_order_and_lines_are_short(tell: Callable[[str], Any], case_id: str) -> None:
    """Everything but the raw lines, which are quoted as they were sent, fits into 100 characters of ASCII."""
    lines = tell(case_id).out.splitlines()
    own = [line for line in lines if not line.lstrip().startswith(">")]
    assert [line for line in own if len(line) > 100 or not line.isascii()] == []
    begin = next(number for number, line in enumerate(lines) if line == "Day by day")
    days = []
    for line in lines[begin + 1 :]:
        if line and not line.startswith(" "):
            break
        days += [int(found) for found in re.findall(r"^  day +(-?\d+) \(", line)]
    assert days == sorted(days)
    assert len(days) >= 3


def test_a_code_word_of_the_catalogue_reaches_nobody(tell: Callable[[str], Any]) -> None:
    """Names, not keys; raw lines and places aside."""
    for case_id in ("harbour.H02.L", "harbour.H07.L"):
        lines = [line for line in tell(case_id).out.splitlines() if not re.match(r" +(>|received/)", line)]
        assert [line for line in lines if re.search(r"[a-z]_[a-z]", line) and "/" not in line] == []


# ------------------------------------------------------------------------------------- ids that are no case


def test_an_operation_that_names_its_case_alone_is_enough(tell: Callable[[str], Any]) -> None:
    for asked in ("harbour.H03", "H03"):
        story = tell(asked)
        assert story.exit_code == 0, story.err
        assert "harbour.H03.R" in story.out.splitlines()[0] or "harbour.H03.R" in story.out.splitlines()[1]
        assert "Stiffness: counted from day 100" in story.said


def test_an_operation_on_both_sides_asks_which(tell: Callable[[str], Any]) -> None:
    story = tell("harbour.H09")
    assert story.exit_code == 2
    assert "harbour.H09.L" in story.err
    assert "harbour.H09.R" in story.err


@pytest.mark.parametrize(
    ("asked", "case_id"),
    [("E02", "harbour.H02.L"), ("harbour.M03a", "harbour.H03.R"), ("H12b", "harbour.H12a.R")],
)
def test_a_record_leads_to_its_case(tell: Callable[[str], Any], asked: str, case_id: str) -> None:
    story = tell(asked)
    assert story.exit_code == 0, story.err
    assert asked.rpartition(".")[2] in story.out.splitlines()[0]
    assert case_id in story.out.splitlines()[0]


def test_a_later_operation_is_no_case_and_says_whose_it_is(tell: Callable[[str], Any]) -> None:
    story = tell("harbour.H02b.L")
    assert story.exit_code == 0, story.err
    assert "harbour.H02b.L is no case" in story.said
    assert "unplanned return to theatre of harbour.H02.L" in story.said
    assert f"{RECEIVED}/operations.csv:4" in story.said


def test_a_record_of_no_case_says_why(tell: Callable[[str], Any]) -> None:
    story = tell("E01")
    assert story.exit_code == 0
    assert "the other side" in story.said
    assert "harbour.H01.R" in story.said, "the patient's case"


def test_an_unknown_id_suggests_the_nearest(tell: Callable[[str], Any]) -> None:
    story = tell("harbour.H77.L")
    assert story.exit_code == 2
    assert "Did you mean" in story.err


@pytest.fixture(scope="module")
def more(tmp_path_factory: pytest.TempPathFactory, limbaudit: Callable[..., Any]) -> Callable[[str], Any]:
    """The courses with operations that open no case, a correction, a reading too soon, and a decision of severity."""
    place = tmp_path_factory.mktemp("more_stories") / "audit"
    shutil.copytree(WORKSPACE, place)
    received = place / "received" / "harbour" / "2026-10-05"
    received.mkdir(parents=True)
    (received / "operations.csv").write_text(
        "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,status\n"
        "X1,P01,2025-04-01,KN-LIG,right,17,female,booked\n"
        "X3,P01,2025-04-03,KN-UNHEARD,right,17,female,performed\n"
        "X6,P01,2025-01-32,KN-LIG,right,17,female,performed\n"
    )
    (received / "followups.csv").write_text(
        "followup_id,patient_id,seen_on,status,side,joint\nF02,P02,2026-03-16,seen,left,knee\n"
    )
    (received / "measurements.csv").write_text(
        "measurement_id,patient_id,measured_on,joint,measure,mode,value,unit,side\n"
        "M30,P03,2025-05-18,knee,flexion,passive,80,deg,right\n"
        "M31,P03,2025-07-16,knee,flexion,active,80,deg,right\n"
    )
    (received / "patients.csv").write_text("patient_id,died_on,moved_away_on\nP11,,2025-07-01\n")
    (place / "decisions" / "R3.csv").write_text(
        "case_id,category,counts,reviewer,decided_on,severity_grade\n"
        "harbour.H02.L,fixation_site_fracture,yes,R3,2026-11-08,IIIb\n"
        "harbour.H06.R,instability,no,R1,2026-11-01,\n"
        "harbour.H04.L,hardware_problem,no,R3,2026-11-08,\n"
    )
    ran = limbaudit("run", place)
    assert ran.exit_code in (0, 1), ran.err
    return lambda asked: limbaudit("trace", place, asked)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("harbour.X1.R", {"harbour.X1.R is no case", "booked", "operations.csv:2"}),
        ("harbour.X3.R", {"harbour.X3.R is no case", "not in the catalogue", "operations.csv:3"}),
        ("harbour.X6.R", {"harbour.X6.R is no case", "held back", "operations.csv:4", "2025-01-32"}),
        (
            "harbour.H03.R",
            {
                "day 41 (2025-05-18)",
                "too soon, counts only from day 90",
                f"{RECEIVED.replace('11-02', '10-05')}/measurements.csv:2",
                "the limit speaks of passive readings, this one is active",
            },
        ),
        (
            "harbour.H02.L",  # the contact of 2026-03-16 was corrected to the 17th; a reviewer graded the fracture
            {
                "was replaced by",
                "received/harbour/2026-10-05/followups.csv:2",
                f"{RECEIVED}/followups.csv:3",
                "confirmed",
                "R3: yes",
                "severity IIIb",
                "decisions/R3.csv:2",
            },
        ),
        (
            "harbour.H04.L",  # the screws were no complication, says the reviewer
            {"Implant problem: not counted, refuted", "R3: no", "decisions/R3.csv:4"},
        ),
        (
            "harbour.H11.L",  # operated 2025-03-24; moved on day 99, long before day 305
            {
                "records reach day 99 (2025-07-01), the patient moved",
                "in records lost: records reach day 99, needed from day 305",
                "received/harbour/2026-10-05/patients.csv:2",
            },
        ),
        (
            "harbour.H06.R",
            {"answered later", "decisions/R3.csv:3", f"{CONFERENCE}:2", "Instability: counted"},
        ),
    ],
)
def test_what_else_the_story_says(more: Callable[[str], Any], asked: str, said: set[str]) -> None:
    story = more(asked)
    assert story.exit_code == 0, story.err
    assert sorted(words for words in said if words not in story.said) == []


def test_a_story_of_the_demo_takes_a_few_seconds(
    demo: Any, sample_exports: Path, limbaudit: Callable[..., Any]
) -> None:
    complications = demo.table("complications")
    busiest = complications.groupby("case_id").size().idxmax()
    started = perf_counter()
    story = limbaudit("trace", sample_exports, busiest, "--out", demo.edition.parent.parent)
    assert perf_counter() - started < 10
    assert story.exit_code == 0, story.err
    assert "Day by day" in story.out


def test_every_case_of_the_demo_can_be_told(demo: Any, sample_exports: Path) -> None:
    """Five of each site, and ten about whom something is not counted."""
    from pipeline.trace import story_of

    cases = demo.table("cases")
    chosen = cases.groupby("site").head(5)["case_id"].tolist()
    waiting = demo.table("complications")
    chosen += waiting.loc[waiting["status"] != "counted", "case_id"].drop_duplicates().tolist()[:10]
    for case_id in chosen:
        lines = list(story_of(sample_exports, demo.edition, case_id))
        assert case_id in lines[0]
        assert not any("no longer be read" in line for line in lines)
