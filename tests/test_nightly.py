"""A night without a scheduler, on the twelve courses."""

import errno
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline import nightly as module
from pipeline.errors import CannotFinish, WrongUse
from pipeline.nightly import Place, night
from pipeline.status import lines_without_settings, status_lines
from pipeline.unattended.lock import held

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
AFTER = datetime(2026, 11, 6, 3, 0, tzinfo=UTC)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    shutil.copytree(COURSES, tmp_path / "audit")
    return Place.of(tmp_path / "audit", tmp_path / "editions", tmp_path / "state")


@pytest.fixture
def quick(monkeypatch):
    """Tasks that only say what they were asked for, or fail as told."""
    asked, faults = [], []

    def done(task, place):
        asked.append((task.kind, task.period, task.as_of.isoformat()))
        if faults:
            raise faults.pop(0)
        return module.ended(task, 0, "done")

    monkeypatch.setattr(module, "task_done", done)
    return asked, faults


def at(day: int, hour: int = 3) -> datetime:
    return datetime(2026, 11, day, hour, 0, tzinfo=UTC)


def test_a_first_night_validates_and_makes_the_edition(place):
    done = night(place, AFTER)
    assert [(each.task.kind, each.exit_code) for each in done.tasks] == [("monthly", 0), ("nightly", 0)]
    pointer = json.loads((place.editions / "2026-10" / "current.json").read_text())
    manifest = json.loads(
        (place.editions / "2026-10" / pointer["edition"] / "department" / "manifest.json").read_text()
    )
    assert (manifest["as_of"], manifest["period"]) == ("2026-11-03", "2026-10")
    assert (place.checks / "2026-11-06" / "ledger.csv").is_file()
    assert done.exit_code == 0


def test_a_second_call_has_nothing_to_do(place, quick):
    assert len(night(place, AFTER).tasks) == 2
    assert night(place, AFTER).tasks == ()


def test_missed_nights_are_done_in_order(place, quick):
    night(place, at(1))
    quick[0].clear()
    night(place, at(4))
    assert quick[0] == [
        ("nightly", "", "2026-11-02"),
        ("nightly", "", "2026-11-03"),
        ("monthly", "2026-10", "2026-11-03"),
        ("nightly", "", "2026-11-04"),
    ]


def test_a_share_that_comes_back_is_tried_again(place, quick):
    asked, faults = quick
    faults += [OSError(errno.EIO, "share away", "received"), OSError(errno.EIO, "share away", "received")]
    waits = []
    done = night(place, AFTER, waits.append)
    assert waits == list(module.BACK_OFF[:2])
    assert [each.exit_code for each in done.tasks] == [0, 0]
    assert asked.count(("monthly", "2026-10", "2026-11-03")) == 3


def test_a_share_that_stays_away_ends_the_task_and_not_the_night(place, quick):
    quick[1].extend([OSError(errno.EIO, "share away", "received")] * 4)
    done = night(place, AFTER, lambda seconds: None)
    assert [each.exit_code for each in done.tasks] == [3, 0]
    assert "share away" in done.tasks[0].reasons[0]
    assert done.exit_code == 3


def test_bad_data_is_never_tried_again(place, quick):
    quick[1].append(CannotFinish("No site sent anything usable."))
    waits = []
    done = night(place, AFTER, waits.append)
    assert waits == []
    assert done.tasks[0].exit_code == 3
    assert done.tasks[1].exit_code == 0


def test_one_night_at_a_time(place, quick):
    with held(place.editions, "limbaudit run"), pytest.raises(CannotFinish, match="Another run holds"):
        night(place, AFTER)
    assert quick[0] == []


def test_a_notice_goes_out_on_a_change_alone(place, quick, monkeypatch):
    told = []
    monkeypatch.setattr(
        module, "tell", lambda settings, name, state, before: told.append((state, before)) or ()
    )
    quick[1].append(CannotFinish("No site sent anything usable."))
    night(place, AFTER)
    night(place, at(7))
    assert told[0][0].exit_code == 3
    assert told[0][1] == {}
    assert told[1][0].exit_code == 3, "the edition has not been made since"
    assert told[1][1] == told[0][0].told


def test_without_its_memory_the_last_night_is_done_once_more(place, quick):
    night(place, AFTER)
    (place.state / "nights.json").write_text("{broken")
    assert len(night(place, AFTER).tasks) == 2


def test_old_checks_are_swept(place, quick):
    for day in range(1, 30):
        for month in ("08", "09", "10"):
            (place.checks / f"2026-{month}-{day:02}").mkdir(parents=True)
    night(place, AFTER)
    left = sorted(path.name for path in place.checks.iterdir())
    assert len(left) == module.MOST_CHECKS
    assert left[-1] == "2026-10-29"


def test_status_in_five_lines(place):
    before = status_lines(place, AFTER)
    assert len(before) == 5
    assert before[0] == "Ran last: no night yet; no edition yet."
    night(place, AFTER)
    after = status_lines(place, AFTER)
    assert after[0].startswith("Ran last: 2026-11-06T02:15+00:00 nightly: exit code 0")
    assert after[1] == (
        "Due: next night 2026-11-07 02:15, next edition 2026-11 on 2026-12-03 06:00 (Europe/Dublin)."
    )
    assert after[3] == "Wrong: nothing that the last night knew of."
    assert after[4] == "Can read the editions: their owner alone."


def test_status_looks_at_the_clock_for_what_is_late(place):
    settings = place.workspace / "audit.toml"
    settings.write_text(settings.read_text().replace('sends = "changes"', 'sends = "changes"\ndue_day = 5'))
    folder = sorted((place.workspace / "received" / "harbour").iterdir())[-1]
    assert status_lines(place, datetime(2026, 12, 5, 12, tzinfo=UTC))[2] == "Late: no hospital."
    late = status_lines(place, datetime(2026, 12, 6, 12, tzinfo=UTC))[2]
    assert late == f"Late: harbour (last receipt {folder.name})."


def broken(place: Place) -> None:
    (place.workspace / "audit.toml").write_text("contract = ", "utf-8")


def test_settings_that_cannot_be_read_are_told_once_where_the_last_notice_went(place, quick, monkeypatch):
    told = []
    monkeypatch.setattr(
        module,
        "tell",
        lambda settings, name, state, before: told.append((settings.notice_mail_to, state, before)) or (),
    )
    settings = place.workspace / "audit.toml"
    whole = settings.read_text("utf-8")
    settings.write_text(whole + '\n[notices]\nmail_to = "office@example.org"\n', "utf-8")
    night(place, AFTER)
    until = (place.state / "nights.json").read_text()
    broken(place)
    for _ in range(2):
        with pytest.raises(WrongUse, match=r"audit\.toml"):
            night(place, at(7))
    assert [address for address, _, _ in told] == ["office@example.org"] * 3
    assert told[1][1].exit_code == 2
    assert told[2][2] == told[2][1].told, "the second time it is known already"
    assert json.loads((place.state / "nights.json").read_text())["done_until"] in until, (
        "it is caught up once mended"
    )


def test_broken_settings_on_a_new_machine_leave_nothing(place):
    broken(place)
    with pytest.raises(WrongUse, match=r"audit\.toml"):
        night(place, AFTER)
    assert not place.state.exists()


def test_status_says_what_it_can_where_settings_are_broken(place):
    lines = lines_without_settings(place, "audit.toml line 1: no value.")
    assert [line.partition(":")[0] for line in lines] == [
        line.partition(":")[0] for line in status_lines(place, AFTER)
    ]
    assert lines[0] == "Ran last: no night yet; no edition yet."
    assert lines[3] == "Wrong: audit.toml line 1: no value."


def test_status_where_nobody_has_looked_or_the_pointer_is_damaged_or_a_folder_is_no_day(place):
    assert status_lines(place, AFTER)[3] == "Wrong: not known: no night has looked yet."
    (place.workspace / "received" / "harbour" / "9999-99-99").mkdir()
    (place.editions / "2026-10").mkdir(parents=True)
    (place.editions / "2026-10" / "current.json").write_text("{broken")
    assert "which edition stands cannot be read" in status_lines(place, AFTER)[0]


def test_status_where_the_editions_may_not_be_read(place, monkeypatch):
    place.editions.mkdir()
    monkeypatch.setattr("os.access", lambda *_: False)
    assert status_lines(place, AFTER)[0] == f"Ran last: no night yet; you may not read {place.editions}."


def test_status_ends_with_2_where_settings_are_broken(place, limbaudit):
    broken(place)
    told = limbaudit("status", place.workspace)
    assert told.exit_code == 2
    assert len(told.out.splitlines()) == 5


def test_what_a_share_kept_from_being_done_is_done_the_next_night(place, quick):
    """The edition, tried four times, and the validation after it, tried once: both come first the night after."""
    asked, faults = quick
    faults += [OSError(errno.EIO, "share away", "received")] * 5
    first = night(place, AFTER, lambda seconds: None)
    assert [each.exit_code for each in first.tasks] == [3, 3]
    asked.clear()
    second = night(place, at(7))
    assert [entry[2] for entry in asked] == ["2026-11-03", "2026-11-06", "2026-11-07"]
    assert second.exit_code == 0
    asked.clear()
    night(place, at(7))
    assert asked == []


def test_a_fault_of_the_program_in_one_task_does_not_stop_the_others(place, quick):
    quick[1].append(ValueError("P1042"))
    done = night(place, AFTER)
    assert [each.exit_code for each in done.tasks] == [3, 0]
    assert "ValueError in test_nightly.py line" in done.tasks[0].words
    assert "P1042" not in done.tasks[0].words


def test_exports_that_were_there_and_are_gone_are_a_share_that_is_away(place):
    night(place, AFTER)
    shutil.move(place.workspace / "received", place.workspace / "elsewhere")
    waits = []
    done = night(place, at(7), waits.append)
    assert done.exit_code == 3
    assert waits == list(module.BACK_OFF)
    assert "Is its share away?" in done.tasks[0].reasons[0]


def test_a_memory_that_cannot_be_written_loses_nothing_and_is_told(place, quick, monkeypatch):
    told = []
    monkeypatch.setattr(module, "tell", lambda settings, name, state, before: told.append(state) or ())
    monkeypatch.setattr(module, "remember", lambda *_: (_ for _ in ()).throw(OSError(errno.ENOSPC, "full")))
    done = night(place, AFTER)
    assert len(done.tasks) == 2
    assert done.exit_code == 1
    assert "cannot be written down" in told[0].reasons[0]


def test_a_night_that_cannot_begin_is_told_once_and_stays_due(place, quick, monkeypatch):
    told = []
    monkeypatch.setattr(
        module, "tell", lambda settings, name, state, before: told.append((state.exit_code, before)) or ()
    )
    with held(place.editions, "limbaudit run"), pytest.raises(CannotFinish, match="Another run holds"):
        night(place, AFTER)
    assert told == [(3, {})]
    assert len(night(place, AFTER).tasks) == 2
    assert told[1][0] == 0
