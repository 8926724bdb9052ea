"""`limbaudit review`, and the whole way from a list to the count. A small hospital, everything counted by hand.

All operations are of 2024-01-10, the cut is 2026-10-31, so every window is closed. Ligament reconstructions (L): a, b, d,
f, g, h and both knees of e, eight cases; one tubercle transfer (T): c. The stated comparison is L against T, any
complication within 365 days. Surgeon S2 took screws out of a on day 143, unplanned: a has any complication already, so
L stands at 1 of 8. Four knees (a, b, c, d) have an unspecific code of stiffness of day 200, which only asks; f has a
note without a code; the abscess of e says no side; g and h have notes that say nothing.
"""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

RECEIPT = "2026-11-02"
SETTINGS = """contract = 1
[sites.harbour]
sends = "changes"
[primary]
a = "ligament_reconstruction"
b = "tubercle_transfer"
category = "any_complication"
window = 365
"""
CATALOGUE = """[procedures.ligament_reconstruction]
codes.local = ["L"]
[procedures.tubercle_transfer]
codes.local = ["T"]
[procedures.implant_removal]
codes.local = ["OUT"]
"""
CASES = [
    ("a", "L", "left", "S1"), ("b", "L", "left", "S2"), ("c", "T", "left", "S3"), ("d", "L", "left", "S3"),
    ("e", "L", "bilateral", "S1"), ("f", "L", "right", "S4"), ("g", "L", "right", "S4"), ("h", "L", "right", "S4"),
]  # fmt: skip
OPERATIONS = (
    "operation_id,patient_id,performed_on,procedure_code,side,surgeon_id,age_years,sex,anaesthesia\n"
    + "".join(f"{o},p{o},2024-01-10,{code},{side},{s},20,female,general\n" for o, code, side, s in CASES)
    + "a2,pa,2024-06-01,OUT,left,S2,20,female,general\n"
)
EVENTS = (
    "event_id,patient_id,occurred_on,code,side,joint,source,note\n"
    + "".join(f"s{o},p{o},2024-07-28,M25.662,left,knee,clinic,\n" for o in "abcd")
    + "abscess,pe,2024-01-22,T81.41XA,,,clinic,\n"
    + "call,pf,2024-03-01,,right,knee,letter,Asked to bring the papers. Phone 087 123 4567.\n"
)
FOLLOWUPS = (
    "followup_id,patient_id,seen_on,status,side,joint,note\n"
    "vg,pg,2025-02-01,seen,right,knee,Back at her desk.\nvh,ph,2025-02-01,seen,right,knee,Back at his desk.\n"
)
OWN = "0 of 8 would become 1 of 8 (365 days)"
STATED = "the stated comparison: 1 of 8 would become 2 of 8 (365 days)"

Row = dict[str, str]


@pytest.fixture(scope="module")
def audited(tmp_path_factory: pytest.TempPathFactory, limbaudit: Callable[..., Any]) -> Path:
    """The workspace before anybody decided, with its edition."""
    place = tmp_path_factory.mktemp("audited") / "ws"
    receipt = place / "received" / "harbour" / RECEIPT
    receipt.mkdir(parents=True)
    (place / "audit.toml").write_text(SETTINGS, "utf-8")
    (place / "catalogue.toml").write_text(CATALOGUE, "utf-8")
    for name, rows in (("operations", OPERATIONS), ("events", EVENTS), ("followups", FOLLOWUPS)):
        (receipt / f"{name}.csv").write_text(rows, "utf-8")
    assert limbaudit("run", place, "--period", "2026-10").exit_code == 0
    return place


@pytest.fixture
def workspace(audited: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(audited, tmp_path / "ws"))


@pytest.fixture
def run(workspace: Path, limbaudit: Callable[..., Any]) -> Callable[[], Path]:
    """Run the audit → the department folder of the standing edition."""

    def audited() -> Path:
        done = limbaudit("run", workspace, "--period", "2026-10")
        assert done.exit_code == 0, done.said
        return Path(done.out.rpartition("edition to ")[2].split("\n")[0]) / "department"

    return audited


@pytest.fixture
def listed(workspace: Path, limbaudit: Callable[..., Any]) -> Callable[..., tuple[list[Row], list[Row], Any]]:
    """`listed("S2")` → rows of the decisions form, rows of the links form, what was said."""

    def write(reviewer: str, *options: object) -> tuple[list[Row], list[Row], Any]:
        done = limbaudit("review", workspace, "--reviewer", reviewer, *options)
        assert done.exit_code == 0, done.said
        names = [
            word.rstrip(".") for word in done.said.split() if word.startswith(str(workspace / "to_review"))
        ]
        return (
            read(next((Path(name) for name in names if "-decisions-" in name), None)),
            read(next((Path(name) for name in names if "-links-" in name), None)),
            done,
        )

    return write


def read(path: Path | None) -> list[Row]:
    if path is None:
        return []
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def hand_in(workspace: Path, reviewer: str, answers: dict[tuple[str, str], Row]) -> Path:
    """The reviewer's newest decisions form, filled in as a spreadsheet saves it and put into decisions/."""
    form = sorted((workspace / "to_review" / reviewer).glob("*-decisions-*.csv"))[-1]
    rows = [row | answers.get((row["case_id"], row["asked"]), {}) for row in read(form)]
    place = workspace / "decisions" / reviewer / form.name
    place.parent.mkdir(parents=True, exist_ok=True)
    with place.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\r\n")
        writer.writeheader()
        writer.writerows(rows)
    return place


def said(counts: str, category: str = "") -> Row:
    return {"counts": counts, "decided_on": "2026-11-09"} | ({"category": category} if category else {})


def cases(rows: list[Row]) -> set[str]:
    return {row["case_id"].split(".")[1] for row in rows}


def status(department: Path, case: str, category: str) -> str:
    import pandas as pd

    rows = pd.read_parquet(department / "complications.parquet")
    rows = rows[(rows["case_id"] == f"harbour.{case}") & (rows["category"] == category)]
    return str(rows["status"].iloc[0])


def table(department: Path, name: str) -> Any:
    import pandas as pd

    return pd.read_parquet(department / "tables" / f"{name}.parquet").set_index(
        {"agreement": "category", "missed_in_letters": "site"}[name]
    )


@pytest.mark.parametrize(
    ("reviewer", "left_out", "link"),
    [
        ("S1", {"a"}, False), ("S2", {"a", "b"}, True), ("s2", {"a", "b"}, True), ("harbour/S2", {"a", "b"}, True),
        ("S3", {"c", "d"}, True), ("S4", {"f"}, True), ("hill/S2", set(), True), ("r9", set(), True),
    ],
)  # fmt: skip
def test_own_cases_are_never_listed(
    listed: Callable[..., Any], reviewer: str, left_out: set[str], link: bool
) -> None:
    """S2 operated on a only later; S1 did both knees of e, to one of which the abscess belongs."""
    decisions, links, done = listed(reviewer)
    assert cases(decisions) == {"a", "b", "c", "d", "f"} - left_out
    assert [row["record_id"] for row in links] == ["abscess"] * link
    own = len(left_out) + (not link)
    assert (f"{own} more are about own cases" in done.said) == bool(own)


def test_most_consequential_first(listed: Callable[..., Any]) -> None:
    """c makes all of T's one case an event; b, d and f one of eight more; a moves the stated comparison no more."""
    decisions, links, _ = listed("r9")
    order = [row["case_id"].split(".")[1] for row in decisions]
    assert (order[0], set(order[1:4]), order[4]) == ("c", {"b", "d", "f"}, "a")
    told = {row["case_id"].split(".")[1]: row["would_move"] for row in decisions}
    assert told == {
        "a": OWN, "b": f"{OWN}; {STATED}", "d": f"{OWN}; {STATED}",
        "c": "0 of 1 would become 1 of 1 (365 days); the stated comparison likewise",
        "f": "any complication: 1 of 8 would become 2 of 8 (365 days); the stated comparison likewise",
    }  # fmt: skip
    assert links[0]["would_move"] == f"0 of 8 would become 1 of 8 (90 days); {STATED}"
    assert links[0]["candidates"].count("harbour.e.") == 2
    assert links[0]["candidates"].endswith("; none")


def test_a_list_is_made_without_an_edition_and_is_the_same_each_time(
    workspace: Path, listed: Callable[..., Any], run: Callable[[], Path]
) -> None:
    shutil.rmtree(workspace / "editions")
    listed("r9", "--sample", 5)
    once = {path.name: path.read_bytes() for path in (workspace / "to_review" / "r9").iterdir()}
    assert not (workspace / "editions").exists()
    run()
    listed("r9", "--sample", 5)
    again = {path.name: path.read_bytes() for path in (workspace / "to_review" / "r9").iterdir()}
    assert once == again
    assert set(once) == {"2026-10-r9-decisions-1.csv", "2026-10-r9-links-1.csv"}


def test_the_records_stand_there_masked_and_the_answer_is_left_open(listed: Callable[..., Any]) -> None:
    decisions, _, done = listed("r9")
    letter = next(row for row in decisions if row["asked"] == "letter")
    assert "call,pf,2024-03-01" in letter["records"]
    assert "087 123" not in letter["records"]
    assert "[masked]" in letter["records"]
    assert {(row["counts"], row["decided_on"], row["occurred_on"], row["reviewer"]) for row in decisions} == {
        ("", "", "", "r9")
    }
    assert "6 questions wait for r9, 1 of them for a link" in done.said
    assert "About 18 minutes at 3 a question" in done.said
    assert "since 2026-11-02: 0 days on 2026-11-02" in done.said


def test_cases_are_drawn_only_where_nothing_was_found_and_not_ones_own(listed: Callable[..., Any]) -> None:
    decisions, _, done = listed("r9", "--sample", 5)
    drawn = [row for row in decisions if row["asked"] == "sample"]
    assert cases(drawn) == {"g", "h"}
    assert "Only 2 cases could be drawn" in done.said
    assert "Back at" in drawn[0]["records"]
    assert cases([row for row in listed("S4", "--sample", 5)[0] if row["asked"] == "sample"]) == set()


def test_a_list_is_no_input(workspace: Path, listed: Callable[..., Any], run: Callable[[], Path]) -> None:
    (before,) = (workspace / "editions").glob("*/draft-*")
    listed("r9")
    assert run().parent == before


def test_answers_that_were_not_handed_in_are_not_written_over(
    workspace: Path, listed: Callable[..., Any], limbaudit: Callable[..., Any]
) -> None:
    listed("r9")
    form = workspace / "to_review" / "r9" / "2026-10-r9-decisions-1.csv"
    filled = form.read_text("utf-8-sig").replace(",,,,,,,", ",yes,2026-11-09,,,,,", 1)
    form.write_text(filled, "utf-8")
    refused = limbaudit("review", workspace, "--reviewer", "r9")
    assert (refused.exit_code, form.read_text("utf-8")) == (2, filled)
    assert "holds answers that are not in decisions/ yet" in refused.err
    (workspace / "decisions" / "r9").mkdir(parents=True)
    form.rename(workspace / "decisions" / "r9" / form.name)
    listed("r9")
    assert (form.parent / "2026-10-r9-decisions-2.csv").exists()


def test_a_copy_with_rows_left_open_ends_with_0(
    workspace: Path, listed: Callable[..., Any], run: Callable[[], Path]
) -> None:
    listed("r9")
    hand_in(workspace, "r9", {})
    (workspace / "links").mkdir()
    form = next((workspace / "to_review" / "r9").glob("*-links-*.csv"))
    form.rename(workspace / "links" / form.name)
    department = run()
    findings = (department / "quarantine.csv").read_text("utf-8")
    assert "decisions/" not in findings
    assert "links/" not in findings
    assert cases(listed("r9")[0]) == {"a", "b", "c", "d", "f"}, "asked again"


@pytest.mark.parametrize("name", ["../r9", "r 9", "", "a/b/c", ".r9"])
def test_a_reviewers_name_is_no_path(workspace: Path, limbaudit: Callable[..., Any], name: str) -> None:
    refused = limbaudit("review", workspace, "--reviewer", name)
    assert refused.exit_code == 2
    assert not (workspace / "to_review").exists()


def test_from_the_list_to_the_count(
    workspace: Path, listed: Callable[..., Any], run: Callable[[], Path]
) -> None:
    """Two reviewers agree on c (yes) and b (no), differ on d; only r9 answers a, reads f's note and the drawn cases."""
    for reviewer in ("r8", "r9"):
        listed(reviewer, *(("--sample", 5) if reviewer == "r9" else ()))
    both = {("harbour.c.L", ""): said("yes"), ("harbour.b.L", ""): said("no")}
    hand_in(workspace, "r8", {**both, ("harbour.d.L", ""): said("no")})
    more = {
        ("harbour.d.L", ""): said("yes"),
        ("harbour.a.L", ""): said("yes"),
        ("harbour.f.R", "letter"): said("no"),
    }
    drawn = {("harbour.g.R", "sample"): said("no"), ("harbour.h.R", "sample"): said("yes", "infection")}
    hand_in(workspace, "r9", {**both, **more, **drawn})
    department = run()

    found = {case: status(department, f"{case}.L", "stiffness") for case in "abcd"}
    assert found == {"a": "counted", "b": "refuted", "c": "counted", "d": "awaiting"}
    assert status(department, "h.R", "infection") == "counted"
    with (department / "review.csv").open(encoding="utf-8", newline="") as file:
        waits = {(row["case_id"], row["why"]) for row in csv.DictReader(file)}
    assert waits == {
        ("harbour.d.L", "reviewers differ"),
        ("harbour.e.L", "side not given"),
        ("harbour.e.R", "side not given"),
    }

    # b no, no; c yes, yes; d no (r8), yes (r9). Agreed 2/3; chance 1/3 x 2/3 + 2/3 x 1/3 = 4/9; kappa (2/9) / (5/9).
    agreed = table(department, "agreement").loc["stiffness"]
    assert agreed[["pairs", "both_yes", "both_no", "discordant"]].tolist() == [3, 1, 1, 1]
    assert agreed[["raw", "positive", "negative", "kappa", "pabak"]].tolist() == pytest.approx(
        [2 / 3, 2 / 3, 2 / 3, 0.4, 1 / 3]
    )
    # Of g and h, read, h had something: 1 of 2; Wilson 1927 with z = 1.959964: (0.0945, 0.9055).
    read_of = table(department, "missed_in_letters").loc["all"]
    assert read_of[["cases", "read", "missed", "undecided"]].tolist() == [2, 2, 1, 0]
    assert read_of[["share", "ci_low", "ci_high"]].tolist() == pytest.approx([0.5, 0.0945, 0.9055], abs=5e-5)

    # A third is asked about d, and for a second opinion on a, f and what was found in h, without being told what was said.
    third = {row["case_id"].split(".")[1]: row for row in listed("r7")[0]}
    assert {case: row["why"] for case, row in third.items()} == {
        "d": "reviewers differ", "a": "only possible evidence", "f": "a note without a code, not understood",
        "h": "named by a reviewer",
    }  # fmt: skip
    assert "Back at his desk" in third["h"]["records"], "what r9 had read"
    # c counts now for T, a for L: stiffness of L stands at 1 of 8, but for a itself at none.
    assert third["a"]["would_move"] == OWN
    assert third["d"]["would_move"].startswith("1 of 8 would become 2 of 8 (365 days)")
    assert cases(listed("r8")[0]) == {"a", "f", "h"}
    assert "Nothing waits" not in listed("r9")[2].said, "the abscess still has no case"
    assert cases(listed("r9")[0]) == set()

    hand_in(workspace, "r7", {("harbour.d.L", ""): said("yes")})
    department = run()
    assert status(department, "d.L", "stiffness") == "counted"
    assert table(department, "agreement").loc["stiffness", "pairs"] == 3, "a third makes no further pair"


def test_a_link_handed_in_settles_its_record(
    workspace: Path, listed: Callable[..., Any], run: Callable[[], Path]
) -> None:
    listed("r9")
    form = next((workspace / "to_review" / "r9").glob("*-links-*.csv"))
    (row,) = read(form)
    filled = row | {"case_id": "harbour.e.R", "decided_on": "2026-11-09", "reason": "seen on the film"}
    place = workspace / "links" / form.name
    place.parent.mkdir()
    with place.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, list(filled))
        writer.writeheader()
        writer.writerow(filled)
    assert listed("r8")[1] == [], "known before the next run"
    assert status(run(), "e.R", "infection") == "counted"
