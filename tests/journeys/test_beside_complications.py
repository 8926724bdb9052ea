"""Four patients from their exports to the tables that stand beside complications, counted by hand."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

SETTINGS = """contract = 1

[sites.harbour]
name = "Harbour Hospital"
sends = "changes"

[primary]
a = "ligament_reconstruction"
b = "tubercle_transfer"
category = "any_complication"
window = 365

[nonoperative_weeks_expected]
ligament_reconstruction = 12
"""
OPERATIONS = """operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,urgency,nonoperative_weeks,sport_level
A1,P1,2024-03-04,KN-LIG,right,17,female,elective,14,recreational
A2,P2,2024-03-05,KN-LIG,left,19,male,elective,6,competitive
A3,P3,2024-04-08,KN-TUB,right,40,female,urgent,,none
A4,P4,2026-09-01,KN-LIG,left,31,male,elective,,recreational
"""
FOLLOWUPS = """followup_id,patient_id,seen_on,status,side,joint,return_to_sport,returned_on,not_returned_because
F1,P1,2025-03-04,seen,right,knee,same_or_higher,2024-09-30,
F2,P2,2025-03-05,remote,left,knee,none,,fear
F3,P3,2025-04-08,seen,right,knee,not_applicable,,
F4,P2,2025-06-05,did_not_attend,left,knee,same_or_higher,,
"""
MEASUREMENTS = """measurement_id,patient_id,measured_on,joint,measure,mode,value,unit,side
M1,P1,2024-03-01,knee,knee_score,none,50,points,right
M2,P1,2025-03-04,knee,knee_score,none,80.5,points,right
M3,P2,2024-03-01,knee,knee_score,none,40.25,points,left
M4,P2,2025-03-05,knee,knee_score,none,60.25,points,left
M5,P2,2025-03-05,knee,flexion,active,120,deg,left
"""
EVENTS = "event_id,patient_id,occurred_on,code,side,joint,source\nE1,P4,2026-09-20,M25.662,left,knee,clinic\n"


@pytest.fixture(scope="module")
def edition(root: Path, audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    place = tmp_path_factory.mktemp("beside")
    received = place / "audit" / "received" / "harbour" / "2026-11-02"
    received.mkdir(parents=True)
    shutil.copy(root / "tests/journeys/twelve_courses/catalogue.toml", place / "audit")
    (place / "audit" / "audit.toml").write_text(SETTINGS)
    tables = {
        "operations": OPERATIONS,
        "followups": FOLLOWUPS,
        "measurements": MEASUREMENTS,
        "events": EVENTS,
    }
    for name, text in tables.items():
        (received / f"{name}.csv").write_text(text)
    return audit(place / "audit", place / "out", "--period", "2026-10", expected_exit=None)


def rows_of(edition: Any, name: str, *columns: str) -> list[tuple]:
    return [tuple(row) for row in edition.table(name)[list(columns)].to_numpy().tolist()]


def test_volumes(edition: Any) -> None:
    assert rows_of(edition, "volumes", "period", "procedure", "age_band", "site", "cases") == [
        ("2024-03", "ligament_reconstruction", "0-24", "harbour", 2),
        ("2024-04", "tubercle_transfer", "35-44", "harbour", 1),
        ("2026-09", "ligament_reconstruction", "25-34", "harbour", 1),
    ]


def test_one_of_two_recorded_reached_the_weeks(edition: Any) -> None:
    columns = ("procedure", "elective", "recorded", "expected_weeks", "reached", "share")
    assert rows_of(edition, "nonoperative_care", *columns) == [("ligament_reconstruction", 3, 2, 12, 1, 0.5)]


def test_sport(edition: Any) -> None:
    """4 March to 30 September 2024 are 210 days. The fourth was operated on too lately, the third did no sport."""
    found = edition.table("return_to_sport")
    of_all = found[found["sport_level"] == "all"]
    told = of_all[["procedure", "cases", "asked", "any_return", "same_or_higher", "median_days"]]
    assert told.to_numpy().tolist() == [["ligament_reconstruction", 2, 2, 1, 1, 210]]
    assert sorted(found["sport_level"]) == ["all", "competitive", "recreational"]


def test_scores(edition: Any) -> None:
    """Changes of 30.5 and 20: mean 25.25, half their distance 5.25, t of one degree of freedom 12.706."""
    (row,) = edition.table("scores").to_dict("records")
    counts = [row[name] for name in ("measure", "before_n", "after_n", "paired_n")]
    assert counts == ["knee_score", 2, 2, 2]
    assert [row[name] for name in ("before_mean", "after_mean", "change")] == [45.125, 70.375, 25.25]
    assert row["ci_low"] == pytest.approx(25.25 - 12.706 * 5.25, abs=0.005)
    assert row["ci_high"] == pytest.approx(25.25 + 12.706 * 5.25, abs=0.005)


def test_benefit_and_harm(edition: Any) -> None:
    """The first and second against the third; the fourth is too early, and nobody of b did sport or was read twice."""
    columns = (
        "outcome",
        "detail",
        "counted_of",
        "events_a",
        "n_a",
        "unknown_a",
        "events_b",
        "n_b",
        "unknown_b",
    )
    found = edition.table("benefit_and_harm").astype(object).fillna("")
    assert [tuple(row) for row in found[list(columns)].to_numpy().tolist()] == [
        ("any_complication", "any", "closed", 0, 2, 0, 0, 1, 0),
        ("revision", "any_return", "closed", 0, 2, 0, 0, 1, 0),
        ("any_return", "", "asked", 1, 2, 0, 0, 0, 0),
        ("any_return", "", "did_sport", 1, 2, 0, 0, 0, 0),
        ("same_or_higher", "", "asked", 1, 2, 0, 0, 0, 0),
        ("same_or_higher", "", "did_sport", 1, 2, 0, 0, 0, 0),
        ("days_to_return", "", "told_a_day", "", 1, 0, "", 0, 0),
        ("not_back", "fear", "asked", 1, 2, 0, 0, 0, 0),
    ]
    assert found.loc[found["outcome"] == "days_to_return", "estimate_a"].tolist() == [210]
    assert found["verdict"].str.startswith("Nothing can be compared yet").sum() == 6


def test_nothing_that_is_no_number_is_printed(edition: Any) -> None:
    for name in ("volumes", "nonoperative_care", "return_to_sport", "scores", "benefit_and_harm"):
        cells = (edition.department / "tables" / f"{name}.csv").read_text().replace("\n", ",").split(",")
        assert not {"nan", "inf", "-inf"} & {cell.lower() for cell in cells}
