"""What moved since the last signed edition, counted by hand.

The workspace of the twelve courses is signed for 2026-10 as of 2026-11-09, and a second receipt then brings, by hand:

- a visit of course 11 on day 361: no longer lost at any window it was lost at (late record);
- the crack of course 8 dated to day 81 instead of day 20: out of the window of 30 days, still in the others (correction);
- the broken patella of course 10 taken back: T loses its only complication (withdrawal);
- a coded wound infection of course 5 on day 8 (late record);
- a thirteenth operation (L, 2025-06-20) that nobody had sent, never seen afterwards (late record);
- a third reviewer of course 12, who says that the knee was stiff (decision).

Rates before are those of test_twelve_courses.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

COURSES = Path(__file__).parent / "twelve_courses"
L, U, T = "ligament_reconstruction", "tubercle_transfer", "soft_tissue_tightening"
BOTH = f"{L}+{U}"
ANY, FRACTURE, STIFF = "any_complication", "fixation_site_fracture", "stiffness"
ROLE = ("--role", "quality officer")
SECOND = "received/harbour/2026-11-20"
FIGURES = ["cases", "events", "lost"]
Limbaudit = Callable[..., Any]

OPERATIONS = """operation_id,patient_id,performed_on,procedure_code,side,surgeon_id,age_years,sex,anaesthesia
H13,P13,2025-06-20,KN-LIG,left,S1,24,female,general
"""
EVENTS = """event_id,patient_id,occurred_on,code,operation_id,side,joint,bone,through_fixation_site,source,record_status
E08,P08,2025-05-16,S82.101A,,right,,tibia,yes,radiology,
E10,P10,2025-07-24,S82.002A,,left,,patella,yes,radiology,withdrawn
E05,P05,2025-05-20,T81.41XA,H05,right,,,,clinic,
"""
VISITS = """followup_id,patient_id,seen_on,status,side,joint
F11c,P11,2026-03-20,seen,left,knee
"""
THIRD = """case_id,category,counts,reviewer,decided_on,reason
harbour.H12a.R,stiffness,yes,R3,2026-11-20,the letter of the physiotherapist says 70 degrees
"""


def put(workspace: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        path = workspace / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")


def department(edition: Path) -> Path:
    return edition / "department"


def table(edition: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(department(edition) / "tables" / f"{name}.parquet")


def newest(workspace: Path, period: str) -> Path:
    from pipeline.editions import current_edition

    found = current_edition(workspace / "editions", period)
    assert found is not None
    return found


def run(limbaudit: Limbaudit, workspace: Path, period: str, as_of: str) -> Path:
    done = limbaudit("run", workspace, "--period", period, "--as-of", as_of)
    assert done.exit_code in (0, 1), done.said
    return newest(workspace, period)


def sign(limbaudit: Limbaudit, workspace: Path, period: str) -> Path:
    done = limbaudit("sign", workspace, period, *ROLE)
    if done.exit_code == 2 and "--despite" in done.said:
        done = limbaudit("sign", workspace, period, *ROLE, "--despite", "made for a test")
    assert done.exit_code == 0, done.said
    return newest(workspace, period)


def add_up(earlier: Path, now: Path) -> None:
    """Every printed main figure of both editions, from their rates: the causes of its move make its move."""
    told = table(now, "changed_figures")
    assert set(told["because"]) & {"not_explained", "other_records"} == set()
    key = ["procedure", "category", "level", "window_days"]
    sums = told.groupby([*key, "figure"])["change"].sum()
    main = set(zip(told["category"], told["level"], strict=True))
    values = []
    for edition in (earlier, now):
        rates = table(edition, "rates")
        rates = rates[
            (rates["stratum"] == "none") & ((rates["procedure"] != "all") | rates["events"].notna())
        ]
        long = rates.melt(id_vars=key, value_vars=FIGURES, var_name="figure")
        values.append(long.dropna().set_index([*key, "figure"])["value"].astype("int64"))
    before, after = values[0].align(values[1], fill_value=0)
    moved = (after - before)[after != before]
    moved = moved[[(place[1], place[2]) in main or place[2] == "any" for place in moved.index]]
    assert len(moved) > 0
    pd.testing.assert_series_equal(
        sums[sums != 0].sort_index(), moved.sort_index(), check_names=False, check_dtype=False
    )
    for row in told.to_dict("records"):
        place = (*(row[name] for name in key), row["figure"])
        assert (row["before"], row["after"]) == (before[place], after[place])


@pytest.fixture(scope="module")
def again(limbaudit: Limbaudit, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Number 1 of October 2026, and the draft of number 2 that knows the second receipt."""
    workspace = tmp_path_factory.mktemp("changes") / "audit"
    shutil.copytree(COURSES, workspace)
    run(limbaudit, workspace, "2026-10", "2026-11-09")
    first = sign(limbaudit, workspace, "2026-10")
    put(
        workspace,
        {
            f"{SECOND}/operations.csv": OPERATIONS,
            f"{SECOND}/events.csv": EVENTS,
            f"{SECOND}/followups.csv": VISITS,
            "decisions/third/2026-11-20.csv": THIRD,
        },
    )
    return first, run(limbaudit, workspace, "2026-10", "2026-11-20")


def told(edition: Path) -> dict[tuple[str, str], tuple[str, str, str, str, float]]:
    rows = table(edition, "changes").astype(object)
    rows = rows.where(rows.notna(), "")
    return {
        (row["case_id"], row["field"]): (
            row["before"],
            row["after"],
            row["because"],
            row["file"],
            row["line"],
        )
        for row in rows.to_dict("records")
    }


CHANGES = {
    ("harbour.H11.L", "contact_until"): ("60", "361", "late_record", f"{SECOND}/followups.csv", 2),
    ("harbour.H08.R", f"{FRACTURE}.any"):
        ("counted, day 20", "counted, day 81", "correction", f"{SECOND}/events.csv", 2),
    ("harbour.H08.R", f"{ANY}.any"):
        ("counted, day 20", "counted, day 81", "correction", f"{SECOND}/events.csv", 2),
    ("harbour.H10.L", "other.any"): ("counted, day 80", "", "withdrawal", f"{SECOND}/events.csv", 3),
    ("harbour.H10.L", f"{ANY}.any"): ("counted, day 80", "", "withdrawal", f"{SECOND}/events.csv", 3),
    ("harbour.H05.R", "infection.any"): ("", "counted, day 8", "late_record", f"{SECOND}/events.csv", 4),
    ("harbour.H05.R", f"{ANY}.any"): ("", "counted, day 8", "late_record", f"{SECOND}/events.csv", 4),
    ("harbour.H13.L", "case"): ("", L, "late_record", f"{SECOND}/operations.csv", 2),
    ("harbour.H12a.R", f"{STIFF}.persistent"):
        ("awaiting, day 130", "counted, day 130", "decision", "decisions/third/2026-11-20.csv", 2),
    ("harbour.H12a.R", f"{ANY}.any"):
        ("awaiting, day 130", "counted, day 130", "decision", "decisions/third/2026-11-20.csv", 2),
}  # fmt: skip


@pytest.mark.parametrize("place", CHANGES, ids=lambda place: " ".join(place))
def test_each_difference_has_its_cause_and_its_line(again: tuple[Path, Path], place: tuple[str, str]) -> None:
    assert told(again[1])[place] == CHANGES[place]


def test_nothing_else_differs(again: tuple[Path, Path]) -> None:
    """But levels beside the main ones of the same complications."""
    cases = {case for case, _ in CHANGES}
    others = {place for place in told(again[1]) if place not in CHANGES}
    assert {case for case, _ in others} <= cases
    assert {field.split(".")[0] for _, field in others} <= {FRACTURE, STIFF}


#: procedure, category, window, figure → before, after, and by which causes.
MOVES = {
    (U, FRACTURE, 30, "events"): (1, 0, {"correction": -1}),
    (U, ANY, 30, "events"): (1, 1, {"correction": -1, "late_record": 1}),
    (U, ANY, 90, "events"): (1, 2, {"late_record": 1}),
    (U, ANY, 365, "events"): (3, 4, {"late_record": 1}),
    (U, "infection", 30, "events"): (0, 1, {"late_record": 1}),
    (U, "infection", 90, "events"): (0, 1, {"late_record": 1}),
    (T, "other", 90, "events"): (1, 0, {"withdrawal": -1}),
    (T, "other", 365, "events"): (1, 0, {"withdrawal": -1}),
    (T, ANY, 365, "events"): (1, 0, {"withdrawal": -1}),
    (BOTH, STIFF, 365, "events"): (0, 1, {"decision": 1}),
    (BOTH, ANY, 365, "events"): (0, 1, {"decision": 1}),
    (L, ANY, 365, "cases"): (7, 8, {"late_record": 1}),
    (L, ANY, 365, "lost"): (1, 1, {"late_record": 0}),  # course 11 was seen after all, course 13 never was
    (L, ANY, 30, "lost"): (0, 1, {"late_record": 1}),  # course 11 was seen on day 60
    (L, STIFF, 365, "cases"): (7, 8, {"late_record": 1}),
    ("all", ANY, 365, "events"): (8, 9, {"late_record": 1, "withdrawal": -1, "decision": 1}),
    ("all", ANY, 365, "cases"): (13, 14, {"late_record": 1}),
}


@pytest.mark.parametrize("place", MOVES, ids=lambda place: " ".join(map(str, place)))
def test_each_figure_moves_by_its_causes(again: tuple[Path, Path], place: tuple[str, str, int, str]) -> None:
    figures = table(again[1], "changed_figures")
    names = ["procedure", "category", "window_days", "figure"]
    rows = figures[(figures[names] == list(place)).all(axis=1)]
    before, after, causes = MOVES[place]
    assert dict(zip(rows["because"], rows["change"], strict=True)) == causes
    assert set(zip(rows["before"], rows["after"], strict=True)) == {(before, after)}


def test_a_figure_may_stand_still_while_cases_come_and_go(again: tuple[Path, Path]) -> None:
    figures = table(again[1], "changed_figures")
    row = figures[
        (figures["procedure"] == L) & (figures["category"] == ANY) & (figures["window_days"] == 365)
        & (figures["figure"] == "lost")
    ]  # fmt: skip
    assert row[["change", "came", "went"]].to_numpy().tolist() == [[0, 1, 1]]


def test_causes_of_all_figures_add_up(again: tuple[Path, Path]) -> None:
    add_up(*again)


def test_without_a_signed_edition_the_tables_are_empty(again: tuple[Path, Path]) -> None:
    for name in ("changes", "changed_figures"):
        assert len(table(again[0], name)) == 0
        assert len(table(again[0], name).columns) > 5


def test_an_edition_compared_with_itself_has_not_changed(again: tuple[Path, Path]) -> None:
    from pipeline.changes import change_tables
    from pipeline.changes.told import told_by_edition
    from pipeline.signed import manifest_of

    same = told_by_edition(again[0], manifest_of(again[0]))
    assert [len(found) for found in change_tables(same, same, same).values()] == [0, 0]


# ---------------------------------------------------------------- another period, other rules


def test_the_next_period_tells_time_from_late_knowledge(limbaudit: Limbaudit, tmp_path: Path) -> None:
    """October is signed on 11-09; on 12-05 the second receipt is known, and two operations more.

    H14 (U, 2025-08-10) was done before the cut of October: of its window of 365 days and 90 days of grace the last day is
    2026-11-08, so it closes in November; those of 30 and 90 days had closed before, unknown to anybody.
    Course 11 is not seen on day 361 here, but on 2026-11-10, after the cut of October.
    """
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    run(limbaudit, workspace, "2026-10", "2026-11-09")
    first = sign(limbaudit, workspace, "2026-10")
    later = OPERATIONS.splitlines()[0] + "\nH14,P14,2025-08-10,KN-TUB,left,S2,30,male,general\n"
    visits = "followup_id,patient_id,seen_on,status,side,joint\nF11c,P11,2026-11-10,seen,left,knee\n"
    place = "received/harbour/2026-12-02"
    put(
        workspace,
        {
            f"{place}/operations.csv": later,
            f"{place}/events.csv": EVENTS.splitlines()[0] + "\n",
            f"{place}/followups.csv": visits,
        },
    )
    november = run(limbaudit, workspace, "2026-11", "2026-12-05")
    figures = table(november, "changed_figures")

    def causes(procedure: str, window: int, figure: str) -> dict[str, int]:
        own = figures[
            (figures["procedure"] == procedure) & (figures["category"] == ANY)
            & (figures["window_days"] == window) & (figures["figure"] == figure)
        ]  # fmt: skip
        return dict(zip(own["because"], own["change"], strict=True))

    assert causes(U, 365, "cases") == {"window_closed": 1}
    assert causes(U, 90, "cases") == {"late_record": 1}
    assert causes(U, 365, "lost") == {"window_closed": 1}
    assert causes(L, 365, "lost") == {"since_the_cut": -1}
    assert told(november).keys() == {("harbour.H14.L", "case")}
    add_up(first, november)


def test_a_site_that_was_late_reaches_further(limbaudit: Limbaudit, tmp_path: Path) -> None:
    """The first receipt is of 2026-10-15: windows close by it. H15 (2025-07-25) closes on 2026-10-23 at 365 days."""
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    (workspace / "received/harbour/2026-11-02").rename(workspace / "received/harbour/2026-10-15")
    operations = workspace / "received/harbour/2026-10-15/operations.csv"
    with operations.open("a") as more:
        more.write("H15,P15,2025-07-25,KN-TUB,left,S2,30,male,,,,,general\n")
    first_draft = run(limbaudit, workspace, "2026-10", "2026-11-01")
    assert first_draft.name.startswith("draft-")
    first = sign(limbaudit, workspace, "2026-10")
    headers = {
        name: (workspace / f"received/harbour/2026-10-15/{name}.csv").read_text("utf-8").splitlines()[0]
        + "\n"
        for name in ("operations", "events", "followups")
    }
    put(workspace, {f"received/harbour/2026-11-02/{name}.csv": text for name, text in headers.items()})
    second = run(limbaudit, workspace, "2026-10", "2026-11-02")
    figures = table(second, "changed_figures")
    closed = figures[
        (figures["procedure"] == U) & (figures["category"] == ANY) & (figures["figure"] == "cases")
    ]
    assert closed[["window_days", "before", "after", "because", "change"]].to_numpy().tolist() == [
        [365, 4, 5, "reach", 1]
    ]
    add_up(first, second)


def test_other_settings_and_another_catalogue_are_named(limbaudit: Limbaudit, tmp_path: Path) -> None:
    """Only what is definite counts: coded and ticked complications wait again, by no record and no decision."""
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    run(limbaudit, workspace, "2026-10", "2026-11-09")
    first = sign(limbaudit, workspace, "2026-10")
    with (workspace / "audit.toml").open("a") as settings:
        settings.write('\n[counting]\ncounted = ["definite"]\n')
    second = run(limbaudit, workspace, "2026-10", "2026-11-09")
    changes = table(second, "changes")
    assert ("harbour.H08.R", f"{FRACTURE}.any") in set(zip(changes["case_id"], changes["field"], strict=True))
    assert set(changes["because"]) == {"settings"}
    assert set(table(second, "changed_figures")["because"]) == {"settings"}
    add_up(first, second)


def test_a_merge_and_what_it_joins(limbaudit: Limbaudit, tmp_path: Path) -> None:
    """The visit on day 361 was sent under another pseudonym, which is then joined to course 11."""
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    with (workspace / "received/harbour/2026-11-02/followups.csv").open("a") as visits:
        visits.write("F99,P99,2026-03-20,seen,left,knee\n")
    run(limbaudit, workspace, "2026-10", "2026-11-09")
    first = sign(limbaudit, workspace, "2026-10")
    merge = "site_id,patient_id,same_as,decided_on,undone_on,by\nharbour,P99,P11,2026-11-10,,R1\n"
    put(workspace, {"merges/2026-11.csv": merge})
    second = run(limbaudit, workspace, "2026-10", "2026-11-10")
    assert told(second) == {
        ("harbour.H11.L", "contact_until"): ("60", "361", "merge", "merges/2026-11.csv", 2)
    }
    add_up(first, second)


def test_a_signed_edition_that_was_tampered_with_is_not_compared_with(
    limbaudit: Limbaudit, tmp_path: Path
) -> None:
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    run(limbaudit, workspace, "2026-10", "2026-11-05")
    first = sign(limbaudit, workspace, "2026-10")
    with (department(first) / "tables" / "rates.parquet").open("ab") as rates:
        rates.write(b"x")
    done = limbaudit("run", workspace, "--period", "2026-10", "--as-of", "2026-11-09")
    assert done.exit_code == 1
    assert (
        "What has changed since 2026-10/1 is not told: its tables/rates.parquet is not as it was signed"
        in done.said
    )
    assert len(table(newest(workspace, "2026-10"), "changes")) == 0
