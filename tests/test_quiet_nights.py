"""A night on which nothing came writes what it would have written, and works nothing out."""

from __future__ import annotations

import json
import os
import shutil
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline import run
from pipeline.quiet_nights import RECORD, checked_tonight, fingerprint
from pipeline.run import Asked, Done, checked, ground_of

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
SITES = '\n[sites.harbour]\nname = "Harbour Hospital"\nsends = "changes"\ndue_day = 6\n'
KNOWN = "site,rule,record_id,until,reason,by\nharbour,side_conflict,,2026-11-12,paper record lost,office\n"
NIGHT = date(2026, 11, 14)


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """The twelve courses, the hospital due on the 6th, and a known finding that ends on the 12th."""
    place = tmp_path / "audit"
    shutil.copytree(COURSES, place)
    settings = (place / "audit.toml").read_text("utf-8")
    before, _, after = settings.partition("[sites.harbour]")
    rest = after.partition("\n[")
    (place / "audit.toml").write_text(before + SITES + rest[1] + rest[2], "utf-8")
    (place / "known_findings").mkdir(exist_ok=True)
    (place / "known_findings" / "office.csv").write_text(KNOWN, "utf-8")
    return place


@pytest.fixture
def worked(monkeypatch: Any) -> list[str]:
    """The days on which the work was done and not taken over."""
    days: list[str] = []
    real = run.checked

    def noted(asked: Asked, out: Path, *more: Any) -> Done:
        days.append(str(asked.as_of))
        return real(asked, out, *more)

    monkeypatch.setattr(run, "checked", noted)
    return days


def files(folder: Path) -> dict[str, bytes]:
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {name: path.read_bytes() for name, path in found.items()}


def tonight(workspace: Path, checks: Path, night: date = NIGHT) -> Done:
    return checked_tonight(Asked(workspace, as_of=night), checks)


def test_each_night_of_five_weeks_is_as_if_worked_out(
    workspace: Path, worked: list[str], tmp_path: Path
) -> None:
    """The exports come on 2 and 9 November; the due day, the end of the known finding and a new month lie between."""
    checks = tmp_path / "checks"
    numbers = (2, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 20, 29, 30, 31, 34, 35, 36, 37)
    nights = [date(2026, 11, 1) + timedelta(days=number) for number in numbers]
    taken_over = 0
    for night in nights:
        before = len(worked)
        done = tonight(workspace, checks, night)
        taken_over += len(worked) == before
        fresh = checked(Asked(workspace, as_of=night), tmp_path / "fresh")
        assert files(checks / night.isoformat()) == files(tmp_path / "fresh"), night
        assert (done.warnings, done.summary, done.exit_code) == (
            fresh.warnings,
            fresh.summary,
            fresh.exit_code,
        )
        shutil.rmtree(tmp_path / "fresh")
    assert taken_over >= 10


def changed_export(workspace: Path) -> None:
    folder = workspace / "received" / "harbour" / "2026-11-13"
    folder.mkdir()
    shutil.copy(workspace / "received" / "harbour" / "2026-11-02" / "events.csv", folder)


def changed_bytes(workspace: Path) -> None:
    path = workspace / "received" / "harbour" / "2026-11-02" / "events.csv"
    path.write_text(path.read_text("utf-8") + "\n", "utf-8")


def changed_settings(workspace: Path) -> None:
    path = workspace / "audit.toml"
    path.write_text(path.read_text("utf-8") + "\n[tolerance]\nquarantined_share = 0.5\n", "utf-8")


def removed_patient(workspace: Path) -> None:
    (workspace / "removals").mkdir(exist_ok=True)
    line = "site_id,patient_id,received_on,kind\nharbour,P01,2026-11-13,erasure\n"
    (workspace / "removals" / "requests.csv").write_text(line, "utf-8")


def new_mapping(workspace: Path) -> None:
    (workspace / "mappings").mkdir(exist_ok=True)
    (workspace / "mappings" / "harbour.toml").write_text(
        'contract = 1\n[[table]]\ntable = "events"\nfile = "events*.csv"\n', "utf-8"
    )


def stray_file(workspace: Path) -> None:
    (workspace / "received" / "harbour" / "lying about.csv").write_text("a\n", "utf-8")


def pipe(place: Path) -> None:
    os.mkfifo(place)


def dangling_link(place: Path) -> None:
    place.symlink_to("nowhere.csv")


def link_to_a_device(place: Path) -> None:
    place.symlink_to("/dev/zero")


@pytest.mark.parametrize("odd", [pipe, dangling_link, link_to_a_device])
def test_what_nobody_opens_stops_no_night(
    workspace: Path, worked: list[str], tmp_path: Path, odd: Any
) -> None:
    """It is a finding, as `check` alone has it, and the next night takes that over."""
    odd(workspace / "received" / "harbour" / "2026-11-02" / "events_more.csv")
    done = tonight(workspace, tmp_path / "checks", NIGHT)
    assert done.exit_code == 1
    assert files(tmp_path / "checks" / NIGHT.isoformat())
    assert tonight(workspace, tmp_path / "checks", NIGHT + timedelta(days=1)).warnings == done.warnings
    assert worked == [str(NIGHT)]


@pytest.mark.parametrize(
    "change", [changed_export, changed_bytes, changed_settings, removed_patient, new_mapping, stray_file]
)
def test_whatever_came_is_worked_out(workspace: Path, worked: list[str], tmp_path: Path, change: Any) -> None:
    tonight(workspace, tmp_path / "checks", NIGHT)
    change(workspace)
    later = NIGHT + timedelta(days=1)
    tonight(workspace, tmp_path / "checks", later)
    assert worked == [str(NIGHT), str(later)]


def test_a_removal_takes_what_earlier_nights_held_back(workspace: Path, tmp_path: Path) -> None:
    checks = tmp_path / "checks"
    nights = [NIGHT + timedelta(days=number) for number in range(4)]
    tonight(workspace, checks, nights[0])
    tonight(workspace, checks, nights[1])
    removed_patient(workspace)
    tonight(workspace, checks, nights[2])
    assert [path.name for path in sorted(checks.glob("????-??-??"))] == [nights[2].isoformat()]
    tonight(workspace, checks, nights[3])
    assert len(list(checks.glob("????-??-??"))) == 2


def flipped(checks: Path) -> None:
    path = checks / NIGHT.isoformat() / "ledger.csv"
    content = bytearray(path.read_bytes())
    content[-2] ^= 1
    path.write_bytes(content)


def emptied(checks: Path) -> None:
    shutil.rmtree(checks / NIGHT.isoformat())
    (checks / NIGHT.isoformat()).mkdir()


def lost(checks: Path) -> None:
    (checks / RECORD).unlink()


def unreadable(checks: Path) -> None:
    (checks / RECORD).write_text('{"known": ', "utf-8")


def foreign(checks: Path) -> None:
    told = json.loads((checks / RECORD).read_text("utf-8"))
    (checks / RECORD).write_text(json.dumps({**told, "known": "0" * 64}), "utf-8")


def misleading(checks: Path) -> None:
    """A record that names a folder elsewhere."""
    told = json.loads((checks / RECORD).read_text("utf-8"))
    (checks / RECORD).write_text(json.dumps({**told, "folder": "../../audit/received"}), "utf-8")


@pytest.mark.parametrize("harm", [flipped, emptied, lost, unreadable, foreign, misleading])
def test_what_cannot_be_relied_on_is_worked_out_anew(
    workspace: Path, worked: list[str], tmp_path: Path, harm: Any
) -> None:
    checks, later = tmp_path / "checks", NIGHT + timedelta(days=1)
    tonight(workspace, checks)
    sound = files(checks / NIGHT.isoformat())
    harm(checks)
    tonight(workspace, checks, later)
    assert worked == [str(NIGHT), str(later)]
    assert files(checks / later.isoformat()) == sound


def test_a_night_done_twice_is_left_as_it_is(workspace: Path, worked: list[str], tmp_path: Path) -> None:
    tonight(workspace, tmp_path / "checks")
    place = tmp_path / "checks" / NIGHT.isoformat() / "ledger.csv"
    age = place.stat().st_mtime_ns
    tonight(workspace, tmp_path / "checks")
    assert (worked, place.stat().st_mtime_ns) == ([str(NIGHT)], age)


def test_copies_are_the_owners_alone(workspace: Path, worked: list[str], tmp_path: Path) -> None:
    checks, later = tmp_path / "checks", NIGHT + timedelta(days=1)
    tonight(workspace, checks)
    tonight(workspace, checks, later)
    assert worked == [str(NIGHT)]
    places = [checks / RECORD, *(checks / later.isoformat()).rglob("*")]
    assert {path.stat().st_mode & 0o077 for path in places} == {0}
    assert [name for name in os.listdir(checks) if name.startswith(".")] == []


def test_the_day_alone_changes_nothing_but_what_it_decides(workspace: Path) -> None:
    """12 November: the finding is known for the last day. 14 and 15 November: nothing happens."""
    of = {day: fingerprint(ground_of(Asked(workspace, as_of=date(2026, 11, day)))) for day in (12, 13, 14)}
    assert of[12] != of[13]
    assert of[13] == of[14]
