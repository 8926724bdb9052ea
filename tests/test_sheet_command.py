"""`limbaudit sheet`, and the whole way of a surgeon's question: from the form to reviewers and back, without moving a count.

Of the twelve courses surgeon harbour/S1 did the ligament reconstructions and the tightening. What happened to them is counted
by hand in the table of courses: 2 (fracture 41, revision 43), 3 (stiffness 100, revision 200), 6 (instability, confirmed by a
reviewer), 9 left (infection), 10 (other).
"""

from __future__ import annotations

import csv
import hashlib
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pdfua
import pypdfium2
import pytest

TWELVE = Path(__file__).parent / "journeys" / "twelve_courses"
QUESTION = "Will the reviewers look again: the crack lies well above the tunnel. Phone 087 123 4567."


def text_of(place: Path) -> str:
    document = pypdfium2.PdfDocument(place)
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    document.close()
    return " ".join(text.replace("\u00a0", " ").split())


def rows_of(place: Path) -> list[dict[str, str]]:
    with place.open(encoding="utf-8-sig", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    shutil.copytree(TWELVE, tmp_path / "audit")
    return tmp_path / "audit"


def ask(workspace: Path, *rows: str) -> None:
    (workspace / "requests").mkdir(exist_ok=True)
    header = "case_id,category,surgeon,asked_on,because,answered_on\n"
    (workspace / "requests" / "asked.csv").write_text(header + "\n".join(rows) + "\n", "utf-8")


# ------------------------------------------------------------------------------------------------------ the page


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory, limbaudit: Callable[..., Any]) -> Any:
    """The page of harbour/S1 with fewer than ten cases: its folder, its text, what the command said."""
    folder = tmp_path_factory.mktemp("own")
    workspace = folder / "audit"
    shutil.copytree(TWELVE, workspace)
    assert limbaudit("run", workspace).exit_code == 0
    return workspace, limbaudit("sheet", workspace, "harbour/S1")


def test_both_files_lie_where_lists_for_reviewers_do_and_only_the_owner_reads_them(own: Any) -> None:
    workspace, finished = own
    assert finished.exit_code == 0
    folder = workspace / "to_review" / "harbour_S1"
    names = {path.name for path in folder.iterdir()}
    assert names == {"2026-10-harbour_S1.pdf", "2026-10-harbour_S1-requests-1.csv"}
    assert {path.stat().st_mode & 0o777 for path in folder.iterdir()} == {0o600}
    assert folder.stat().st_mode & 0o777 == 0o700
    assert all(name in finished.said for name in names)


def test_own_cases_with_what_they_rest_on_and_a_line_to_question_each(own: Any) -> None:
    text = text_of(own[0] / "to_review" / "harbour_S1" / "2026-10-harbour_S1.pdf")
    assert "8 cases up to the cut whose first operation was yours; 5 with a counted complication." in text
    listed = re.findall(r"harbour\.H\w+\.[LR]", text)
    assert listed == [
        "harbour.H02.L",
        "harbour.H03.R",
        "harbour.H09.L",
        "harbour.H10.L",
        "harbour.H06.R",
    ]  # by day
    assert text.count("I question this case because") == 5
    assert "Ligament reconstruction of the kneecap, left; operated on 10 February 2025" in text
    assert "day 41 (23 March 2025), probable, grade III." in text
    assert "day 100: flexion passive 95 deg – received/harbour/2026-11-02/measurements.csv:2" in text


def test_under_ten_cases_only_counts_and_no_picture(own: Any) -> None:
    """Definite or confirmed within 365 days: 2 (its return), 3, 6. Of 2, 3 with a return."""
    text = text_of(own[0] / "to_review" / "harbour_S1" / "2026-10-harbour_S1.pdf")
    assert (
        "Any complication within 365 days: 3 of 8 cases: counts only, fewer than 10 cases say nothing."
        in text
    )
    assert "Revision within 365 days: 2 of 8 cases: counts only" in text
    assert "expected of such patients" not in text
    assert "Where you stand" not in text


def test_it_says_what_is_not_among_the_own_figures(own: Any) -> None:
    text = text_of(own[0] / "to_review" / "harbour_S1" / "2026-10-harbour_S1.pdf")
    assert (
        "Infection: day 12 (10 May 2025), probable, grade II. Counts for the department; not in your figures"
        in text
    )
    assert (
        "Revision (any return): day 43 (25 March 2025), definite, grade III. Counts, also in your figures."
        in text
    )


def test_the_form_has_a_row_for_each_and_one_for_the_case(own: Any) -> None:
    rows = rows_of(own[0] / "to_review" / "harbour_S1" / "2026-10-harbour_S1-requests-1.csv")
    assert [(row["case_id"], row["category"]) for row in rows[:6]] == [
        ("harbour.H02.L", "fixation_site_fracture"), ("harbour.H02.L", "revision"), ("harbour.H02.L", ""),
        ("harbour.H03.R", "stiffness"), ("harbour.H03.R", "revision"), ("harbour.H03.R", ""),
    ]  # fmt: skip
    assert {row["surgeon"] for row in rows} == {"harbour/S1"}
    assert {row["because"] + row["asked_on"] for row in rows} == {""}


def test_own_point_among_the_others_without_their_names(
    demo: Any, sample_exports: Path, tmp_path: Path, limbaudit: Callable[..., Any]
) -> None:
    table = demo.table("surgeon_outcomes")
    row = table[(table["cases"] >= 10) & (table["surgeon"] != "unattributed")].iloc[0]
    page = tmp_path / "own.pdf"
    done = limbaudit(
        "sheet", sample_exports, row["surgeon"], "--editions", demo.edition.parents[1], "--out", page
    )
    assert done.exit_code == 0, done.said
    text = text_of(page)
    assert row["in_words"].replace("\u00a0", " ") in text, "the edition's own sentence"
    assert "Where you stand between the limits of chance" in text
    others = {name.rpartition("/")[2] for name in table["surgeon"]} - {
        row["surgeon"].rpartition("/")[2],
        "unattributed",
    }
    assert len(others) > 3
    assert {name for name in others if re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", text)} == set()
    assert list(pdfua.validate(page).findings) == []
    before = hashlib.sha256(page.read_bytes()).digest()
    limbaudit("sheet", sample_exports, row["surgeon"], "--editions", demo.edition.parents[1], "--out", page)
    assert hashlib.sha256(page.read_bytes()).digest() == before


@pytest.mark.parametrize(
    ("surgeon", "said"),
    [("S1", "Did you mean `harbour/S1`?"), ("harbour/S11", "Did you mean `harbour/S1`"), ("unattributed", "unattributed")],
)  # fmt: skip
def test_a_surgeon_nobody_knows(own: Any, limbaudit: Callable[..., Any], surgeon: str, said: str) -> None:
    finished = limbaudit("sheet", own[0], surgeon)
    assert finished.exit_code == 2
    assert said in finished.said
    assert "nothing was written" in finished.said


def test_no_page_of_a_surgeon_lies_among_the_editions(own: Any, limbaudit: Callable[..., Any]) -> None:
    place = next((own[0] / "editions").glob("2026-10/draft-*")) / "department" / "own.pdf"
    finished = limbaudit("sheet", own[0], "harbour/S1", "--out", place)
    assert finished.exit_code == 2
    assert not place.exists()


def test_a_form_with_questions_is_not_written_over(workspace: Path, limbaudit: Callable[..., Any]) -> None:
    limbaudit("sheet", workspace, "harbour/S1")
    form = workspace / "to_review" / "harbour_S1" / "2026-10-harbour_S1-requests-1.csv"
    form.write_text(
        form.read_text("utf-8").replace("Revision,,,", "Revision,not mine,2026-11-09,", 1), "utf-8"
    )
    limbaudit("run", workspace)
    again = limbaudit("sheet", workspace, "harbour/S1")
    assert again.exit_code == 2
    assert "not in requests/ yet" in again.said
    shutil.copytree(form.parent, workspace / "requests", ignore=shutil.ignore_patterns("*.pdf"))
    assert "requests-2.csv" in limbaudit("sheet", workspace, "harbour/S1").said


# ---------------------------------------------------------------------------------------------- the question back


def test_a_question_reaches_reviewers_and_moves_no_count(
    workspace: Path, tmp_path: Path, audit: Callable[..., Any], limbaudit: Callable[..., Any]
) -> None:
    before = audit(workspace, tmp_path / "before")
    ask(
        workspace,
        f'harbour.H02.L,fixation_site_fracture,harbour/S1,2026-11-09,"{QUESTION}",',
        "harbour.H03.R,,harbour/S1,2026-11-09,I did not do this operation,",
    )
    after = audit(workspace, tmp_path / "after")
    for name in ("rates", "comparisons", "surgeon_outcomes", "activity"):
        files = [edition.department / "tables" / f"{name}.csv" for edition in (before, after)]
        assert files[0].read_bytes() == files[1].read_bytes(), name
    new = [
        row
        for row in rows_of(after.department / "review.csv")
        if row["why"].startswith("questioned by the surgeon: ")
    ]
    assert [(row["case_id"], row["category"]) for row in new] == [
        ("harbour.H02.L", "fixation_site_fracture"), ("harbour.H03.R", ""),
    ]  # fmt: skip
    assert "the crack lies well above the tunnel" in new[0]["why"]
    assert "087" not in new[0]["why"]
    assert new[0]["would_move"] == "1 of 7 would become 0 of 7 (365 days)"
    assert new[0]["evidence"] == "received/harbour/2026-11-02/events.csv:3"
    assert new[1]["evidence"] == "received/harbour/2026-11-02/operations.csv:5"

    asked = limbaudit(
        "review", workspace, "--reviewer", "R3", "--editions", tmp_path / "after", "--out", tmp_path / "list"
    )
    assert asked.exit_code == 0
    listed = rows_of(next((tmp_path / "list").glob("*-decisions-1.csv")))
    assert "harbour.H02.L" in [row["case_id"] for row in listed]
    assert "harbour.H03.R" not in [row["case_id"] for row in listed], "of a whole case no reviewer can decide"
    limbaudit(
        "review",
        workspace,
        "--reviewer",
        "harbour/S1",
        "--editions",
        tmp_path / "after",
        "--out",
        tmp_path / "own",
    )
    assert not list((tmp_path / "own").glob("*")) or "harbour.H02.L" not in next(
        (tmp_path / "own").glob("*")
    ).read_text("utf-8")


def test_when_a_question_is_open(workspace: Path, tmp_path: Path, audit: Callable[..., Any]) -> None:
    """R1 decided on course 6 on 9 November, the day of knowledge."""
    ask(
        workspace,
        "harbour.H06.R,instability,harbour/S1,2026-11-08,answered by the decision,",
        "harbour.H06.R,instability,harbour/S1,2026-11-09,asked on the day of the decision,",
        "harbour.H06.R,instability,harbour/S1,2026-11-10,not known yet,",
        "harbour.H02.L,revision,harbour/S1,2026-11-01,closed by hand,2026-11-09",
        "harbour.H02.L,revision,harbour/S1,2026-11-01,closed a day later,2026-11-10",
    )
    edition = audit(workspace, tmp_path / "out", "--as-of", "2026-11-09")
    why = [row["why"] for row in rows_of(edition.department / "review.csv")]
    asked = "questioned by the surgeon: "
    assert {word.removeprefix(asked) for word in why if word.startswith(asked)} == {
        "asked on the day of the decision",
        "closed a day later",
    }


def test_a_question_about_nothing_is_a_finding(
    workspace: Path, tmp_path: Path, audit: Callable[..., Any]
) -> None:
    ask(
        workspace,
        "harbour.H99.R,stiffness,harbour/S1,2026-11-08,doubt,",
        "harbour.H02.L,stiffnes,harbour/S1,2026-11-08,doubt,",
        "harbour.H02.L,revision,harbour/S1,yesterday,doubt,",
        "harbour.H02.L,revision,harbour/S1,,,",
    )
    edition = audit(workspace, tmp_path / "out", expected_exit=None)
    found = [row for row in rows_of(edition.department / "quarantine.csv") if row["table"] == "requests"]
    assert sorted((row["source_line"], row["column"], row["rule"]) for row in found) == [
        ("2", "case_id", "request_without_case"), ("3", "category", "request_without_case"),
        ("4", "asked_on", "people_row_unusable"),
    ]  # fmt: skip


def test_the_page_of_questions_counts_them_as_one_kind(
    workspace: Path, tmp_path: Path, audit: Callable[..., Any]
) -> None:
    ask(
        workspace,
        "harbour.H02.L,revision,harbour/S1,2026-11-09,one reason,",
        "harbour.H03.R,revision,harbour/S1,2026-11-09,another reason,",
    )
    page = (audit(workspace, tmp_path / "out").department / "report" / "to_review.html").read_text("utf-8")
    kinds = page.partition('id="kinds"')[2].partition('id="questions"')[0]
    assert kinds.count("Questioned by the surgeon") == 1
    assert "one reason" not in kinds
    assert "one reason" in page


@pytest.mark.parametrize(
    ("surgeon", "name"),
    [
        ("harbour/S1", r"harbour_S1"),
        ("harbour/H-S1", r"harbour_H-S1"),
        ("sued/Müller", r"sued_Müller"),
        ("hill/جراح2", r"hill_جراح2"),
        ("nord/<i>S&0</i>", r"nord_i-S-0-i-[0-9a-f]{6}"),
        ("a_b/c", r"a-b_c-[0-9a-f]{6}"),
        ("a/b_c", r"a_b-c-[0-9a-f]{6}"),
        ("hill/..", r"hill-[0-9a-f]{6}"),
    ],
)
def test_a_folder_is_named_in_letters_digits_and_hyphens(surgeon: str, name: str) -> None:
    from pipeline.commands.sheet import _file_name

    assert re.fullmatch(name, _file_name(surgeon))


def test_no_two_surgeons_share_a_folder() -> None:
    from pipeline.commands.sheet import _file_name

    surgeons = ["a/b", "a/b?", "a/b!", "a/b_", "a_/b", "a/<b>", "a/&b", "a-b", "a_b"]
    assert len({_file_name(surgeon) for surgeon in surgeons}) == len(surgeons)
