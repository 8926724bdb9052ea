"""The list of records of the twelve courses: what each record is to which case was written down by hand.

The workspace and the courses are those of `test_twelve_courses`; line numbers are those of its files.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

WORKSPACE = Path(__file__).parent / "twelve_courses"
EARLIER = "2026-10-05"


@pytest.fixture(scope="module")
def edition(audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    return audit(WORKSPACE, tmp_path_factory.mktemp("records"))


@pytest.fixture(scope="module")
def records(edition: Any) -> pd.DataFrame:
    return edition.table("records")


def told(records: pd.DataFrame, case_id: str) -> list[tuple[int, str, str]]:
    """Day of the case, record and role of each record of a case, in the order of the list."""
    own = records[records["case_id"] == case_id]
    return [(int(row.day), row.record_id, row.role) for row in own.itertuples()]


@pytest.mark.parametrize(
    ("case_id", "expected"),
    [
        ("harbour.H01.R", [(0, "H01", "opens"), (380, "F01", "tied")]),
        (
            "harbour.H05.R",  # screws out as agreed
            [(0, "H05", "opens"), (190, "H05b", "planned"), (400, "F05", "tied")],
        ),
        (
            "harbour.H07.L",  # two dislocations, then redone
            [(0, "H07", "opens"), (95, "E07a", "tied"), (240, "E07b", "tied"), (260, "H07b", "return"), (420, "F07", "tied")],
        ),
        (
            "harbour.H09.L",  # both sides; the abscess is linked to the left; the visit named nothing
            [(0, "H09", "opens"), (12, "E09", "tied"), (372, "F09", "shared")],
        ),
        ("harbour.H09.R", [(0, "H09", "opens"), (372, "F09", "shared")]),
        ("harbour.H11.L", [(0, "H11", "opens"), (60, "F11a", "tied"), (365, "F11b", "shared")]),
        (
            "harbour.H12a.R",
            [(0, "H12a", "opens"), (0, "H12b", "same_sitting"), (130, "E12", "tied"), (390, "F12", "tied")],
        ),
    ],
)  # fmt: skip
def test_what_each_record_is_to_its_case(
    records: pd.DataFrame, case_id: str, expected: list[tuple[int, str, str]]
) -> None:
    assert told(records, case_id) == expected


def test_the_other_side_belongs_to_no_case_but_to_the_patient(records: pd.DataFrame) -> None:
    alone = records[records["case_id"] == ""]
    assert alone[["record_id", "role", "why", "side", "place"]].to_numpy().tolist() == [
        ["E01", "unattributed", "other_side", "left", "patellofemoral"]
    ]
    case = records[records["case_id"] == "harbour.H01.R"]
    assert set(alone["patient"]) == set(case["patient"])


@pytest.mark.parametrize(
    ("record_id", "what"),
    [
        ("M03a", "flexion passive 95 deg"),
        ("F12", "remote"),
        (
            "H05b",
            "implant_removal, planned with H05, planned as removal, planned on 2025-05-12, anaesthesia general",
        ),
        ("E02", "S82.002A, through fixation site yes, energy low, management theatre, source radiology"),
        ("E12", "management none, source letter"),  # its note stays in the export
    ],
)
def test_what_a_record_says(records: pd.DataFrame, record_id: str, what: str) -> None:
    assert records.loc[records["record_id"] == record_id, "what"].tolist() == [what]


def test_before_the_link_the_abscess_awaits_at_both_sides(audit: Callable[..., Any], tmp_path: Path) -> None:
    records = audit(WORKSPACE, tmp_path, "--as-of", "2026-11-02").table("records")
    own = records[records["record_id"] == "E09"]
    assert own[["case_id", "role", "why"]].to_numpy().tolist() == [
        ["harbour.H09.L", "awaits", "side not given"],
        ["harbour.H09.R", "awaits", "side not given"],
    ]


@pytest.fixture(scope="module")
def more(audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The courses with operations that open no case, a reading before an operation, and answers that changed."""
    place = tmp_path_factory.mktemp("more") / "audit"
    shutil.copytree(WORKSPACE, place)
    received = place / "received" / "harbour" / EARLIER
    received.mkdir(parents=True)
    (received / "operations.csv").write_text(
        "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,status\n"
        "X1,P01,2025-04-01,KN-LIG,right,17,female,booked\n"
        "X2,P01,2025-04-02,KN-LIG,right,17,female,abandoned\n"
        "X3,P01,2025-04-03,KN-UNHEARD,right,17,female,performed\n"
        "X4,P01,2025-01-03,KN-OUT,right,17,female,performed\n"
        "X6,P01,2025-01-32,KN-LIG,right,17,female,\n",
        "utf-8",
    )
    later = place / "received" / "harbour" / "2026-11-05"
    later.mkdir()
    (later / "operations.csv").write_text(
        "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex\n"
        "X5,P02,2026-11-03,KN-LIG,right,20,male\n"
    )
    (received / "patients.csv").write_text(
        "patient_id,died_on,moved_away_on\nP04,2026-03-01,\nP05,,2026-02-01\n"
    )
    (received / "measurements.csv").write_text(
        "measurement_id,patient_id,measured_on,joint,measure,mode,value,unit,side\n"
        "M01,P01,2025-02-01,knee,flexion,passive,140,deg,right\n"
    )
    (place / "decisions" / "second.csv").write_text(
        "case_id,category,counts,reviewer,decided_on\n"
        "harbour.H06.R,instability,no,R1,2026-11-01\n"
        "harbour.NOBODY.R,instability,no,R1,2026-11-01\n"
        "harbour.H02b.L,instability,no,R1,2026-11-01\n"  # a later operation is no case
        "harbour.H08.R,instability,no,R4,2026-11-02\n"
        "harbour.H08.R,instability,yes,R4,2026-11-02\n"
    )
    (place / "merges").mkdir()
    (place / "merges" / "office.csv").write_text(
        "site_id,patient_id,same_as,decided_on,undone_on,by\nharbour,P08,P11,2026-11-03,,office\n"
    )
    return audit(place, tmp_path_factory.mktemp("more_out"), "--period", "2026-10", expected_exit=None)


def test_operations_that_open_no_case_say_what_they_were(more: Any) -> None:
    records = more.table("records")
    own = records[records["record_id"].str.startswith("X")].sort_values("record_id")
    assert own[["record_id", "case_id", "role", "why"]].to_numpy().tolist() == [
        ["X1", "", "booked", ""],
        ["X2", "", "abandoned", ""],
        ["X3", "", "not_in_catalogue", ""],
        ["X4", "", "unattributed", "before"],
        ["X5", "", "after_cut", ""],
        ["X6", "", "held_back", ""],
    ]


def test_what_is_known_of_a_patient_has_no_id(more: Any) -> None:
    records = more.table("records")
    own = records[records["table"] == "patients"].sort_values("role")
    assert own[["role", "record_id"]].to_numpy().tolist() == [["died", ""], ["moved", ""]]
    assert [str(day)[:10] for day in own["date"]] == ["2026-03-01", "2026-02-01"]


def test_a_reading_before_the_operation_is_of_the_case(more: Any) -> None:
    assert told(more.table("records"), "harbour.H01.R")[0] == (-30, "M01", "before")


def test_what_people_wrote_and_whether_it_is_in_force(more: Any) -> None:
    rows = more.csv("decisions_used")
    found = rows[["kind", "case_id", "says", "standing", "source_file", "source_line"]].to_numpy().tolist()
    conference = "decisions/2026-11-09/conference.csv"
    assert found == [
        ["decision", "harbour.H06.R", "yes", "in_force", conference, "2"],
        ["decision", "harbour.H12a.R", "yes", "in_force", conference, "3"],
        ["decision", "harbour.H12a.R", "no", "in_force", conference, "4"],
        ["decision", "harbour.H06.R", "no", "answered_later", "decisions/second.csv", "2"],
        ["decision", "", "", "not_used", "decisions/second.csv", "3"],
        ["decision", "", "", "not_used", "decisions/second.csv", "4"],
        ["decision", "harbour.H08.R", "no", "not_used", "decisions/second.csv", "5"],
        ["decision", "harbour.H08.R", "yes", "not_used", "decisions/second.csv", "6"],
        ["link", "harbour.H09.L", "case", "in_force", "links/conference.csv", "2"],
        ["merge", "", "", "in_force", "merges/office.csv", "2"],
    ]


def test_a_merge_names_its_patient_by_number(more: Any) -> None:
    """Patients P08 and P11 are said to be one: right and left knee."""
    merged = more.csv("decisions_used").set_index("kind").loc["merge", "patient"]
    cases = more.table("cases").set_index("case_id")["patient"]
    assert int(merged) == cases["harbour.H08.R"] == cases["harbour.H11.L"]


# --------------------------------------------------------------------------------------- the whole demo


def test_every_record_of_the_demo_has_its_place(demo: Any) -> None:
    """Opening operations are the cases; the ledger's accepted rows are there unless they are dated after the cut."""
    records = demo.table("records")
    cases = demo.table("cases")
    opens = records[records["role"] == "opens"]
    assert sorted(opens["case_id"]) == sorted(cases["case_id"])
    assert dict(zip(opens["case_id"], opens["source_line"], strict=True)) == dict(
        zip(cases["case_id"], cases["source_line"], strict=True)
    )
    key = ["case_id", "site", "table", "record_id", "role", "source_file", "source_line"]
    assert not records.duplicated(key).any()
    ledger = demo.csv("ledger")
    for table in ("operations", "events", "followups", "measurements"):
        sums = ledger[ledger["table"] == table].set_index("table")[list(ASIDE.values())].astype(int).sum()
        own = records[records["table"] == table]
        assert {role: int((own["role"] == role).sum()) for role in ASIDE} == {
            role: sums[place] for role, place in ASIDE.items()
        }
        accepted = ledger.loc[ledger["table"] == table, "accepted"].astype(int).sum()
        there = own[~own["role"].isin(ASIDE)].drop_duplicates(["site", "record_id"])
        assert len(there) == accepted if table == "operations" else 0.95 * accepted < len(there) <= accepted


#: Role of what does not stand → the column of the ledger that counts it.
ASIDE = {"held_back": "quarantined", "superseded": "superseded", "withdrawn": "withdrawn"}


def test_records_are_in_order(demo: Any) -> None:
    records = demo.table("records")
    owned = records[records["case_id"] != ""]
    assert owned["case_id"].is_monotonic_increasing
    assert (owned.groupby("case_id")["day"].diff().fillna(0) >= 0).all()
    assert (records["case_id"].to_numpy()[len(owned) :] == "").all()


def test_what_belongs_to_no_case_is_what_the_other_list_says(demo: Any) -> None:
    records = demo.table("records")
    other = demo.csv("unattributed")
    alone = records[records["role"] == "unattributed"]
    before = records[(records["role"] == "before") & (records["table"] != "operations")]
    listed = {*zip(other["site"], other["table"], other["record_id"], strict=True)}
    assert {*zip(alone["site"], alone["table"], alone["record_id"], strict=True)} <= listed
    both = pd.concat([alone, before[before["case_id"] != ""]])
    assert listed <= {*zip(both["site"], both["table"], both["record_id"], strict=True)}


# -------------------------------------------------------------------------------------------- evidence


@pytest.mark.parametrize(
    ("case_id", "expected"),
    [
        ("harbour.H01.R", []),
        (
            "harbour.H03.R",  # 95 and 100 degrees; the manipulation is a return and a treatment of it
            [
                ("revision", "H03b", 200, "definite", "used", "any_return"),
                ("stiffness", "M03a", 100, "definite", "used", "persistent;single_reading"),
                ("stiffness", "M03b", 190, "definite", "used", "persistent;single_reading"),
                ("stiffness", "H03b", 200, "definite", "used", "treated"),
            ],
        ),
        (
            "harbour.H10.L",  # no hole in the kneecap: it counts as another complication
            [
                ("fixation_site_fracture", "E10", 80, "probable", "cannot_occur", ""),
                ("other", "E10", 80, "probable", "used", "any"),
            ],
        ),
    ],
)
def test_what_each_record_speaks_for(edition: Any, case_id: str, expected: list[tuple[Any, ...]]) -> None:
    rows = edition.table("evidence")
    rows = rows[rows["case_id"] == case_id]
    columns = ["category", "record_id", "day", "strength", "use", "levels"]
    assert [tuple(row) for row in rows.sort_values(["category", "day"])[columns].to_numpy()] == expected


def test_a_reading_before_the_first_day_is_too_soon(audit: Callable[..., Any], tmp_path: Path) -> None:
    """One reading on day 41, counted from 2025-04-07; the category begins on day 90."""
    place = tmp_path / "audit"
    shutil.copytree(WORKSPACE, place)
    received = place / "received" / "harbour" / EARLIER
    received.mkdir(parents=True)
    (received / "measurements.csv").write_text(
        "measurement_id,patient_id,measured_on,joint,measure,mode,value,unit,side\n"
        "M30,P03,2025-05-18,knee,flexion,passive,80,deg,right\n"
    )
    rows = audit(place, tmp_path / "out").table("evidence")
    own = rows[rows["record_id"] == "M30"]
    assert own[["category", "day", "use", "levels"]].to_numpy().tolist() == [
        ["stiffness", 41, "too_soon", ""]
    ]


def test_rows_held_back_and_replaced_name_their_patient(audit: Callable[..., Any], tmp_path: Path) -> None:
    """A date that does not exist; a contact that a later export corrects."""
    place = tmp_path / "audit"
    shutil.copytree(WORKSPACE, place)
    received = place / "received" / "harbour" / EARLIER
    received.mkdir(parents=True)
    (received / "followups.csv").write_text(
        "followup_id,patient_id,seen_on,status,side,joint\n"
        "F02,P02,2026-03-16,seen,left,knee\n"
        "F92,P02,2026-02-30,seen,left,knee\n"
    )
    records = audit(place, tmp_path / "out", expected_exit=None).table("records")
    patient = records.loc[records["case_id"] == "harbour.H02.L", "patient"].iloc[0]
    own = records[records["role"].isin(["held_back", "superseded"])]
    assert own[["record_id", "role", "patient", "source_line"]].to_numpy().tolist() == [
        ["F02", "superseded", patient, 2],
        ["F92", "held_back", patient, 3],
    ]
