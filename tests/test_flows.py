"""The flows without a server: what a run does with what the scheduler tells it."""

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

pytest.importorskip("prefect", reason="Prefect is not installed (extra `schedule`): no flows to look at")

from pipeline import flows
from pipeline.errors import Away, CannotFinish
from pipeline.nightly import Place, night

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
DUE = "2026-11-03T06:00:00+00:00"


@pytest.fixture
def folders(tmp_path: Path) -> dict[str, str]:
    shutil.copytree(COURSES, tmp_path / "audit")
    place = Place.of(tmp_path / "audit", tmp_path / "editions", tmp_path / "state")
    return {
        name: str(getattr(place, name))
        for name in ("workspace", "editions", "state", "checks", "engine", "scheduler")
    }


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

        def result(self, raise_on_failure: bool = True) -> Exception | None:
            if self.fault and raise_on_failure:
                raise self.fault
            return self.fault

    faults = (OSError(5, "x"), Away("x"), CannotFinish("x"), ValueError("x"), None)
    found = [flows._is_transient(None, None, Ended(fault)) for fault in faults]
    assert found == [True, True, False, False, False]


def test_the_headline_is_any_complication_of_all(folders):
    """Of the thirteen cases six count before reviewers spoke on 9 November: courses 2, 3, 4, 7, 8 and 10."""
    told = flows.work.fn("monthly", "2026-10", DUE, folders)
    department = Path(folders["editions"]) / told["edition"] / "department"
    rows = flows._headline(department)
    year = next(row for row in rows if row["window_days"] == 365)
    assert year["cases"] == year["followed"] + year["lost"]
    assert (year["cases"], year["events"]) == (13, 6)


def test_each_flow_has_its_name_and_a_limit_and_only_the_work_is_tried_again():
    served = (flows.nightly_validation, flows.monthly_audit, flows.audit_on_demand)
    assert [own.name for own in served] == ["nightly validation", "monthly audit", "audit on demand"]
    assert all(own.retries == 0 and own.timeout_seconds == 12 * 3600 for own in served)
    assert flows.work.retries == 3
    assert flows.work.retry_delay_seconds == [5.0, 30.0, 120.0]
    assert flows.work.timeout_seconds == 6 * 3600


def test_both_schedules_are_served_and_an_audit_on_demand_without_one(folders, monkeypatch):
    served = []
    monkeypatch.setattr(flows, "sweep_stale", lambda: 0)
    monkeypatch.setattr(flows, "serve", lambda *made, **_: served.extend(made))
    flows.served(Place(**{name: Path(folder) for name, folder in folders.items()}))
    times = {own.flow_name: [each.schedule.cron for each in own.schedules] for own in served}
    assert times == {
        "nightly validation": ["15 2 * * *"],
        "monthly audit": ["0 6 3 * *"],
        "audit on demand": [],
    }
    assert all(own.parameters["folders"]["workspace"] == folders["workspace"] for own in served)


def test_what_a_run_shows_is_its_words_each_site_and_the_headline(folders, monkeypatch):
    shown = {}
    for kind in ("markdown", "table"):
        monkeypatch.setattr(flows, f"create_{kind}_artifact", lambda told, key: shown.update({key: told}))
    at = datetime.fromisoformat(DUE)
    told = flows.work.fn("monthly", "2026-10", DUE, folders)
    place = Place(**{name: Path(folder) for name, folder in folders.items()})
    flows._shown(place, flows.TaskDone(flows.Task(at, "monthly", "2026-10"), 0, "done", (), told["edition"]))
    assert set(shown) == {"monthly-result", "scorecard", "headline"}
    assert shown["monthly-result"] == "done\n\n- nothing wants attention\n"
    assert [site["site"] for site in shown["scorecard"]] == ["harbour"]
    assert {row["window_days"] for row in shown["headline"]} >= {365}
