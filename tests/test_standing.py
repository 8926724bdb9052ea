"""Notes to the senders: what still stands, in the sender's own words, and nothing of any row."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HEAD = "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,record_status\n"
EVENTS = "event_id,patient_id,occurred_on,code,code_system\n"
OCTOBER, NOVEMBER = "received/harbour/2026-10-02/", "received/harbour/2026-11-02/"


def operation(number: int, side: str = "left", status: str = "") -> str:
    return f"PSEUDO{number},PERSON{number},2026-09-0{number},KN-LIG,{side},20,male,{status}\n"


Note = dict[str, str]
Notes = Callable[..., list[Note]]


@pytest.fixture
def notes(tmp_path: Path, limbaudit: Callable[..., Any]) -> Notes:
    """`notes({path: text}, sends="changes")` → the rows of the note to harbour."""

    def check(files: dict[str, str], sends: str = "changes") -> list[Note]:
        settings = (
            f'contract = 1\n[sites.harbour]\nname = "Harbour"\nsends = "{sends}"\nrequired = ["operations"]\n'
        )
        for name, text in {"audit.toml": settings, **files}.items():
            path = tmp_path / "audit" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, "utf-8")
        done = limbaudit("check", tmp_path / "audit", "--out", tmp_path / "out")
        assert done.exit_code in (0, 1), done.err
        text = (tmp_path / "out" / "for_the_sender" / "harbour.csv").read_text("utf-8")
        assert "PSEUDO" not in text
        assert "PERSON" not in text
        return list(csv.DictReader(text.splitlines()))

    return check


def places(rows: list[Note]) -> list[tuple[str, str, str]]:
    return [(row["source_file"].split("/")[2][5:7], row["source_line"], row["rule"]) for row in rows]


def test_a_record_sent_again_settles_what_was_said_of_it(notes: Notes) -> None:
    first = (
        HEAD + operation(1, "lefft") + operation(2, "lefft") + operation(3, "lefft") + operation(4, "lefft")
    )
    second = HEAD + operation(1) + operation(2, "lefft") + operation(3, "lefft", "withdrawn") + operation(5)
    told = notes({OCTOBER + "operations.csv": first, NOVEMBER + "operations.csv": second})
    # 1 was corrected; 2 is still wrong, so its newest line is named; 3 holds nobody up, but its word is still wrong;
    # 4 was never sent again and still waits.
    assert places(told) == [
        ("10", "5", "value_unknown_word"),
        ("11", "3", "value_unknown_word"),
        ("11", "4", "value_unknown_word"),
    ]


def test_a_record_taken_back_is_settled(notes: Notes) -> None:
    first = HEAD + operation(1, "lefft") + operation(2)
    second = HEAD + operation(1, "", "withdrawn") + operation(2)
    assert notes({OCTOBER + "operations.csv": first, NOVEMBER + "operations.csv": second}) == []


def test_a_file_that_broke_off_is_settled_by_a_whole_one(notes: Notes) -> None:
    broken = EVENTS + "PSEUDO1,PERSON1,2026-09-20,T84.82XA,ICD-10-CM\nPSEUDO2,PERSON2,2026-"
    whole = EVENTS + "PSEUDO1,PERSON1,2026-09-20,T84.82XA,ICD-10-CM\n"
    before = {OCTOBER + "operations.csv": HEAD + operation(1), OCTOBER + "events.csv": broken}
    told = notes(before)
    assert [(row["rule"], row["what_to_do"]) for row in told] == [
        ("file_truncated", "Send the whole file again.")
    ]
    again = {NOVEMBER + "operations.csv": HEAD + operation(1) + operation(2)}
    assert notes({**before, **again, NOVEMBER + "events.csv": whole}) == []


@pytest.mark.parametrize(("sends", "stands"), [("changes", True), ("everything", False)])
def test_a_row_without_an_id_is_settled_by_a_whole_export_only(
    notes: Notes, sends: str, stands: bool
) -> None:
    ragged = HEAD + operation(1) + operation(2).replace("left", "left, upper")
    whole = HEAD + operation(1) + operation(2)
    files = {OCTOBER + "operations.csv": ragged, NOVEMBER + "operations.csv": whole}
    assert places(notes(files, sends)) == [("10", "3", "row_ragged")] * stands


def test_columns_are_named_as_the_sender_names_them(notes: Notes) -> None:
    headers = "Case,Pt,Day,Op,Side of body,Age,Sex,State\n"
    mapping = (
        'contract = 1\n[[table]]\ntable = "operations"\nfile = "log*.csv"\ncolumns = { operation_id = "Case", '
        'patient_id = "Pt", performed_on = "Day", procedure_code = "Op", side = "Side of body", age_years = "Age", '
        'sex = "Sex" }\n'
    )
    told = notes(
        {
            "mappings/harbour.toml": mapping,
            OCTOBER + "log.csv": headers + operation(1, "lefft") + operation(2),
        }
    )
    assert [(row["column"], row["rule"]) for row in told] == [("Side of body", "value_unknown_word")]
    assert told[0]["what_to_do"].endswith("Expected: one of left, right, bilateral, none.")
    assert "lefft" not in told[0]["what_to_do"]


def test_what_the_department_has_to_settle_is_not_sent_to_the_hospital(notes: Notes) -> None:
    told = notes(
        {
            OCTOBER + "operations.csv": HEAD.replace("\n", ",Ward\n") + operation(1).replace("\n", ",W1\n"),
            OCTOBER + "letters.csv": "a,b\n1,2\n",
        }
    )
    assert told == []


def test_what_only_follows_from_an_operation_that_is_held_back_is_not_asked(notes: Notes) -> None:
    """Operation 1 came without a side: that is asked. Operation 9 never came: its event is asked for."""
    event = "event_id,patient_id,occurred_on,code,operation_id\n"
    told = notes(
        {
            OCTOBER + "operations.csv": HEAD + operation(1, "") + operation(2),
            OCTOBER + "events.csv": event
            + "PSEUDOA,PERSON1,2026-09-20,T84.82XA,PSEUDO1\nPSEUDOB,PERSON9,2026-09-20,T84.82XA,PSEUDO9\n",
        }
    )
    assert places(told) == [("10", "3", "operation_unknown"), ("10", "2", "value_missing")]
