"""The flows without a server: what a run does with what the scheduler tells it."""

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

pytest.importorskip("prefect", reason="Prefect is not installed (extra `schedule`): no flows to look at")

from pipeline import flows
from pipeline.errors import CannotFinish
from pipeline.nightly import Place, night

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
DUE = "2026-11-03T06:00:00+00:00"


@pytest.fixture
def folders(tmp_path: Path) -> dict[str, str]:
    shutil.copytree(COURSES, tmp_path / "audit")
    place = Place.of(tmp_path / "audit", tmp_path / "editions", tmp_path / "state")
    return {name: str(getattr(place, name)) for name in ("workspace", "editions", "state", "checks")}


def test_a_flow_gives_the_edition_that_the_night_gives(folders, tmp_path):
    """Same task, same bytes, whichever way it was called."""
    told = flows.work.fn("monthly", "2026-10", DUE, folders)
    assert told["exit_code"] == 0
    other = Place.of(Path(folders["workspace"]), tmp_path / "others", tmp_path / "state2")
    done = night(other, datetime(2026, 11, 3, 6, 0, tzinfo=UTC))
    (made,) = [each.edition for each in done.tasks if each.edition]
    assert made == told["edition"]
    manifests = [
        Path(root) / made / "department" / "manifest.json" for root in (folders["editions"], other.editions)
    ]
    one, two = (json.loads(path.read_text())["files"] for path in manifests)
    assert one == two


def test_a_fault_of_the_data_is_an_answer_and_not_an_exception(folders):
    shutil.rmtree(Path(folders["workspace"]) / "received")
    told = flows.work.fn("nightly", "", DUE, folders)
    assert told["exit_code"] == 3
    assert "holds no exports" in told["reasons"][0]


def test_only_faults_that_pass_are_tried_again():
    class Ended:
        def __init__(self, fault: Exception | None) -> None:
            self.fault = fault

        def result(self) -> None:
            if self.fault:
                raise self.fault

    found = [
        flows._is_transient(None, None, Ended(fault)) for fault in (OSError(5, "x"), CannotFinish("x"), None)
    ]
    assert found == [True, False, False]


def test_the_headline_is_any_complication_of_all(folders):
    """Of the thirteen cases six count before reviewers spoke on 9 November: courses 2, 3, 4, 7, 8 and 10."""
    told = flows.work.fn("monthly", "2026-10", DUE, folders)
    department = Path(folders["editions"]) / told["edition"] / "department"
    rows = flows._headline(department)
    year = next(row for row in rows if row["window_days"] == 365)
    assert year["cases"] == year["followed"] + year["lost"]
    assert (year["cases"], year["events"]) == (13, 6)
