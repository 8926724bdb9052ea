"""Decisions, links and merges as people write them: read row by row, known from their day on."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from pipeline.people import newest_decision, people_known
from pipeline.written_days import written_day

AS_OF = date(2026, 11, 9)
DECISIONS = "case_id,category,counts,reviewer,decided_on,occurred_on,severity_grade,primary_reason,reason\n"
LINKS = "site_id,table,record_id,case_id,reviewer,decided_on,reason\n"
MERGES = "site_id,patient_id,same_as,decided_on,undone_on,by\n"
DECISION = "harbour.o1.L,crack,yes,r1,2026-11-09,2026-03-01,II,,\n"

Write = Callable[[str, str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def put(name: str, text: str) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())
        return path

    return put


def test_what_was_decided_by_the_day_is_known(write: Write, tmp_path: Path) -> None:
    write("decisions/2026-11-09/a.csv", DECISIONS + DECISION)
    write("links/a.csv", LINKS + "harbour,events,e1,none,r1,2026-11-09,other clinic\n")
    write("merges/a.csv", MERGES + "harbour,p1,p2,2026-11-09,,office\n")
    on_the_day, before = people_known(tmp_path, AS_OF), people_known(tmp_path, date(2026, 11, 8))
    for name in ("decisions", "links", "merges"):
        assert len(getattr(on_the_day, name)) == 1, name
        assert len(getattr(before, name)) == 0, name
    assert len(before.files) == len(on_the_day.files) == 3


def test_cells_become_days_and_answers(write: Write, tmp_path: Path) -> None:
    write("decisions/a.csv", DECISIONS + DECISION + "harbour.o1.R,crack,No,r2,2026-11-01,,,,\n")
    first, second = people_known(tmp_path, AS_OF).decisions.to_dict("records")
    assert (first["counts"], first["decided_on"], first["occurred_on"]) == (True, AS_OF, date(2026, 3, 1))
    assert (second["counts"], second["occurred_on"], second["severity_grade"]) == (False, None, None)
    assert (first["source_file"], first["source_line"], second["source_line"]) == ("decisions/a.csv", 2, 3)


def test_files_of_every_folder_below_decisions_are_read(write: Write, tmp_path: Path) -> None:
    write("decisions/a.csv", DECISIONS + DECISION)
    write("decisions/r2/2026/b.csv", DECISIONS + DECISION.replace("r1", "r2"))
    write("links/below/a.csv", LINKS + "harbour,events,e1,none,r1,2026-11-09,because\n")
    write("decisions/notes.txt", "not a table")
    found = people_known(tmp_path, AS_OF)
    assert sorted(found.decisions["reviewer"]) == ["r1", "r2"]
    assert len(found.links) == 0
    assert [path.relative_to(tmp_path).as_posix() for path in found.files] == [
        "decisions/a.csv", "decisions/r2/2026/b.csv", "links/below/a.csv",
    ]  # fmt: skip
    said = found.findings.iloc[0]
    assert (said["rule"], said["source_file"]) == ("people_file_unusable", "links/below/a.csv")
    assert "Move it up into links/." in said["message"]


def test_the_folder_names_the_reviewer_where_the_row_does_not(write: Write, tmp_path: Path) -> None:
    write("decisions/r7/a.csv", DECISIONS + DECISION.replace(",r1,", ",,"))
    write("decisions/r8/a.csv", "case_id,category,counts,decided_on\nharbour.o1.L,crack,no,2026-11-01\n")
    assert people_known(tmp_path, AS_OF).decisions["reviewer"].tolist() == ["r7", "r8"]


def test_spaces_blank_lines_and_a_byte_order_mark_do_no_harm(write: Write, tmp_path: Path) -> None:
    write(
        "merges/a.csv",
        "\ufeff site_id , patient_id,same_as,decided_on,by\n\n harbour , p1 ,p2, 2026-11-01 ,o\n,,,,\n",
    )
    found = people_known(tmp_path, AS_OF)
    row = found.merges.iloc[0]
    assert (row["site_id"], row["patient_id"], row["source_line"]) == ("harbour", "p1", 3)
    assert len(found.merges) == 1
    assert len(found.findings) == 0


@pytest.mark.parametrize(
    ("row", "column"),
    [
        (DECISION.replace("yes", "maybe"), "counts"),
        (DECISION.replace("yes", ""), "counts"),
        (DECISION.replace("2026-11-09", "09.11.2026"), "decided_on"),
        (DECISION.replace("2026-11-09", ""), "decided_on"),
        (DECISION.replace("2026-03-01", "2026-02-30"), "occurred_on"),
        (DECISION.replace("II", "VI"), "severity_grade"),
        (DECISION.replace("harbour.o1.L", ""), "case_id"),
    ],
    ids=[
        "no answer",
        "empty answer",
        "another form of date",
        "no date",
        "no such day",
        "no such grade",
        "no case",
    ],
)
def test_a_row_that_cannot_be_used_is_said_and_the_others_go_on(
    write: Write, tmp_path: Path, row: str, column: str
) -> None:
    write("decisions/a.csv", DECISIONS + row + DECISION)
    found = people_known(tmp_path, AS_OF)
    assert found.decisions["source_line"].tolist() == [3]
    said = found.findings.iloc[0]
    assert (said["rule"], said["table"], said["column"]) == ("people_row_unusable", "decisions", column)
    assert (said["source_file"], said["source_line"]) == ("decisions/a.csv", 2)
    assert len(found.findings) == 1


def test_a_link_names_a_table_of_records(write: Write, tmp_path: Path) -> None:
    write("links/a.csv", LINKS + "harbour,patients,p1,none,r1,2026-11-09,because\n")
    found = people_known(tmp_path, AS_OF)
    assert len(found.links) == 0
    assert found.findings["column"].tolist() == ["table"]


def test_a_file_without_a_column_is_not_used(write: Write, tmp_path: Path) -> None:
    write(
        "decisions/a.csv", "case,category,counts,reviewer,decided_on\nharbour.o1.L,crack,yes,r1,2026-11-01\n"
    )
    found = people_known(tmp_path, AS_OF)
    assert len(found.decisions) == 0
    said = str(found.findings["message"].iloc[0])
    assert "decisions/a.csv is not used" in said
    assert "no column `case_id`" in said
    assert "`case`" in said
    assert found.findings["rule"].tolist() == ["people_file_unusable"]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ((DECISIONS + DECISION).replace(",", ";").encode(), "not separated by commas"),
        ((DECISIONS + DECISION).replace(",", "\t").encode(), "not separated by commas"),
        ((DECISIONS + DECISION).encode("utf-16"), "not UTF-8"),
        (DECISION.encode(), "names none of the columns of decisions"),
        (b"", "names none of the columns of decisions"),
        ((DECISIONS + DECISION).encode() + b'"' + b"x" * 200_000, "cannot be cut into cells"),
    ],
    ids=["semicolons", "tabs", "UTF-16", "no header", "empty", "a cell without end"],
)
def test_a_file_in_another_form_is_not_used_and_loud(
    write: Write, tmp_path: Path, content: bytes, says: str
) -> None:
    write("decisions/a.csv", "")
    (tmp_path / "decisions" / "a.csv").write_bytes(content)
    found = people_known(tmp_path, AS_OF)
    assert len(found.decisions) == 0
    said = found.findings.to_dict("records")
    assert [row["rule"] for row in said] == ["people_file_unusable"]
    assert says in said[0]["message"]
    assert "o1" not in said[0]["message"]


@pytest.mark.parametrize("name", ["decisions/a.xlsx", "merges/a.ods", "links/a", "known_findings/a.tsv"])
def test_a_file_that_is_no_csv_is_not_passed_over(write: Write, tmp_path: Path, name: str) -> None:
    write(name, "anything")
    said = people_known(tmp_path, AS_OF).findings.to_dict("records")
    assert [(row["rule"], row["source_file"]) for row in said] == [("people_file_unusable", name)]


def test_capitals_in_a_files_ending_and_notes_beside_it_do_no_harm(write: Write, tmp_path: Path) -> None:
    write("decisions/A.CSV", DECISIONS + DECISION)
    write("decisions/readme.txt", "ours")
    write("decisions/.hidden.csv", "no table")
    write("decisions/~$a.csv", "lock")
    found = people_known(tmp_path, AS_OF)
    assert (len(found.decisions), len(found.findings)) == (1, 0)


def test_a_row_longer_than_the_header_is_not_cut_short(write: Write, tmp_path: Path) -> None:
    write("decisions/a.csv", DECISIONS + DECISION.replace("II,,", "II,,stiff, and sore") + DECISION)
    found = people_known(tmp_path, AS_OF)
    assert found.decisions["source_line"].tolist() == [3]
    assert "quotation marks" in found.findings["message"].iloc[0]


def test_no_message_repeats_what_a_cell_holds(write: Write, tmp_path: Path) -> None:
    write("decisions/a.csv", DECISIONS + DECISION.replace("2026-11-09", "Jane Doe").replace("yes", "perhaps"))
    write("links/a.csv", LINKS + "harbour,patients,p1,none,r1,2026-11-09,because\n")
    said = " ".join(people_known(tmp_path, AS_OF).findings["message"])
    assert not [cell for cell in ("Jane", "perhaps", "p1", "because") if cell in said]


def test_a_known_finding_names_a_rule_that_exists(write: Write, tmp_path: Path) -> None:
    head = "site,rule,record_id,until,reason,by\n"
    row = "harbour,value_missing,o1,2026-12-31,old system,r1\n"
    write("known_findings/a.csv", head + row.replace("missing", "mising") + row)
    found = people_known(tmp_path, AS_OF)
    assert found.known_findings["source_line"].tolist() == [3]
    said = found.findings.iloc[0]
    assert (said["rule"], said["column"], said["source_line"]) == ("people_row_unusable", "rule", 2)
    assert "Did you mean `value_missing`?" in said["message"]


def test_a_file_that_is_not_utf_8_is_not_used(write: Write, tmp_path: Path) -> None:
    write("decisions/a.csv", DECISIONS + DECISION)
    (tmp_path / "decisions" / "b.csv").write_bytes(
        (DECISIONS + DECISION).encode() + "Grüße".encode("latin-1")
    )
    found = people_known(tmp_path, AS_OF)
    assert len(found.decisions) == 1
    assert "UTF-8" in str(found.findings["message"].iloc[0])


def test_links_of_the_file_system_are_not_followed(write: Write, tmp_path: Path) -> None:
    real = write("elsewhere/a.csv", DECISIONS + DECISION)
    (tmp_path / "decisions").mkdir()
    (tmp_path / "decisions" / "a.csv").symlink_to(real)
    found = people_known(tmp_path, AS_OF)
    assert (len(found.decisions), found.files) == (0, ())
    assert found.findings["rule"].tolist() == ["people_file_unusable"]


def test_a_line_break_inside_a_cell_leaves_lines_right(write: Write, tmp_path: Path) -> None:
    broken = DECISION.replace("II,,\n", 'II,,"seen\ntwice"\n')
    write("decisions/a.csv", DECISIONS + broken + DECISION)
    assert people_known(tmp_path, AS_OF).decisions["source_line"].tolist() == [2, 4]


def test_the_newest_decision_of_any_kind(write: Write, tmp_path: Path) -> None:
    assert newest_decision(tmp_path) is None
    write("decisions/a.csv", DECISIONS + DECISION)
    assert newest_decision(tmp_path) == AS_OF
    write("merges/a.csv", MERGES + "harbour,p1,p2,2026-12-24,,office\n")
    assert newest_decision(tmp_path) == date(2026, 12, 24)


def test_an_empty_workspace_knows_nothing(tmp_path: Path) -> None:
    found = people_known(tmp_path, AS_OF)
    assert len(found.decisions) == len(found.links) == len(found.merges) == len(found.findings) == 0
    assert {"case_id", "source_file", "source_line"} <= set(found.decisions.columns)


UNANSWERED = "harbour.o1.L,crack,,r1,,,,,\n"


def test_a_row_of_a_list_that_nobody_filled_in_is_not_answered_yet(write: Write, tmp_path: Path) -> None:
    write("decisions/r1/a.csv", DECISIONS + UNANSWERED + DECISION + UNANSWERED)
    link = "harbour,events,e1,,r1,,\n"
    write("links/a.csv", LINKS + link + link.replace("e1,,r1,,", "e1,none,r1,2026-11-09,other clinic"))
    found = people_known(tmp_path, AS_OF)
    assert found.decisions["source_line"].tolist() == [3]
    assert found.links["source_line"].tolist() == [3]
    assert len(found.findings) == 0


@pytest.mark.parametrize("cell", ["2026-11-09,,,,", ",2026-11-09,,,", ",,II,,", ",,,crack,", ",,,,no film"])
def test_a_row_that_looks_decided_lacks_its_answer(write: Write, tmp_path: Path, cell: str) -> None:
    write("decisions/a.csv", DECISIONS + f"harbour.o1.L,crack,,r1,{cell}\n")
    found = people_known(tmp_path, AS_OF)
    assert found.findings[["rule", "column"]].to_numpy().tolist() == [["people_row_unusable", "counts"]]


def test_columns_that_only_explain_are_passed_over(write: Write, tmp_path: Path) -> None:
    write("decisions/a.csv", "\ufeffquestion,case_id,category,counts,reviewer,decided_on,records\n"
          'Is it there?,harbour.o1.L,crack,yes,r1,2026-11-09,"one line\nand another, with a comma"\n')  # fmt: skip
    found = people_known(tmp_path, AS_OF)
    assert (len(found.decisions), len(found.findings)) == (1, 0)
    assert "question" not in found.decisions.columns


def test_only_who_was_asked_to_read_may_find_nothing(write: Write, tmp_path: Path) -> None:
    head = "case_id,category,counts,reviewer,decided_on,asked,evidence\n"
    answers = ["no,sample,", "no,letter,a.csv:2", "no,,", "yes,sample,", "no,letter,"]
    rows = [f"harbour.o1.L,,{a.replace(',', ',r1,2026-11-09,', 1)}\n" for a in answers]
    write("decisions/a.csv", head + "".join(rows))
    found = people_known(tmp_path, AS_OF)
    assert found.decisions["asked"].tolist() == ["sample", "letter"]
    assert found.findings[["column", "source_line"]].to_numpy().tolist() == [
        ["category", 4], ["category", 5], ["evidence", 6],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2026-10-31", date(2026, 10, 31)),
        ("2026-10-31 00:00:00", date(2026, 10, 31)),
        ("31/10/2026", date(2026, 10, 31)),
        ("10/31/2026", date(2026, 10, 31)),
        ("31.10.2026", date(2026, 10, 31)),
        ("11/11/2026", date(2026, 11, 11)),
        ("9 Nov 2026", date(2026, 11, 9)),
        ("09-November-2026", date(2026, 11, 9)),
    ],
)
def test_days_as_spreadsheets_write_them(text: str, day: date) -> None:
    assert written_day(text) == (day, "")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("09/11/2026", "cannot be told apart"),
        ("9.11.2026", "cannot be told apart"),
        ("31/31/2026", "not a date"),
        ("30/02/2026", "not a date"),
        ("9 Nox 2026", "not a date"),
        ("09/11/26", "not a date"),
        ("soon", "not a date"),
    ],
)
def test_days_that_may_be_two_are_refused(text: str, says: str) -> None:
    day, trouble = written_day(text)
    assert day is None
    assert says in trouble
