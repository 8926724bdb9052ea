"""What happens to servers, one small function each: (how often, what was amiss)."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from kills import EARLIER, LATER, PERIOD, child, run, whole_run
from serving import database_locked, schedule_killed, server_killed

from pipeline import editions, store
from pipeline import nightly as module
from pipeline.errors import LimbauditError
from pipeline.nightly import Place, night
from pipeline.settings import Schedule, Settings
from pipeline.unattended.due import tasks_due
from pipeline.verifying import looked_at

COURSES = Path(__file__).parents[1] / "journeys" / "twelve_courses"
Found = tuple[int, list[str]]


class Skipped(Exception):
    """It cannot be tried on this machine; the message says why."""


def _faults(place: Path) -> list[str]:
    return [f"{look.name}: {look.faults[0]}" for look in looked_at(place) if look.faults]


def _ends(work: Callable[[Path], object], place: Path) -> None:
    """Our errors and the system's end a child with 3, as they end the command."""
    try:
        work(place)
    except (OSError, LimbauditError):
        raise SystemExit(3) from None


def _old(place: Path) -> Path:
    run(COURSES, EARLIER, place)
    return place


# ---------------------------------------------------------------- several at once, disks, shares


def simultaneous_runs(folder: Path) -> Found:
    """Four at once: one works, the others say so, and what stands is whole."""
    place = _old(folder / "one")
    numbers = _forked(4, partial(_ends, partial(run, COURSES, LATER)), place)
    ended = [os.waitstatus_to_exitcode(os.waitpid(number, 0)[1]) for number in numbers]
    wrong = _faults(place)
    if 0 not in ended or set(ended) - {0, 3}:
        wrong.append(f"they ended with {ended}")
    return 4, wrong


def _forked(times: int, work: Callable[[Path], object], place: Path) -> list[int]:
    from kills import _work_and_leave

    numbers = []
    for _ in range(times):
        number = os.fork()
        if number == 0:
            _work_and_leave(work, place)
        numbers.append(number)
    return numbers


@contextmanager
def _small_disk(place: Path, kilobytes: int) -> Iterator[Path]:
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(place)]
    try:
        subprocess.run(command, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        raise Skipped("no tmpfs can be mounted here") from None
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def disk_full(folder: Path) -> Found:
    """The disk of the editions fills up early, in the middle and late: exit 3, the old edition stands, nothing is left."""
    old, wrong = _old(folder / "old"), []
    used = sum(-(-path.stat().st_size // 4096) * 4 for path in old.rglob("*") if path.is_file())
    rooms = (8, 200, 900, 2000, 4000)
    for room in rooms:
        with _small_disk(folder / f"disk{room}", used + room) as disk:
            shutil.copytree(old / "editions", disk / "editions")
            ended = child(partial(_ends, partial(whole_run, COURSES, LATER)), disk)
            wrong += [f"{room} kB left: {fault}" for fault in _faults(disk)]
            if ended not in (0, 3):
                wrong.append(f"{room} kB left: ended with {ended}")
            if ended and editions.current_edition(disk / "editions", PERIOD) is None:
                wrong.append(f"{room} kB left: no pointer")
            wrong += [
                f"{room} kB left: {path.name} lies about" for path in (disk / "editions").glob(".[bi]*")
            ]
    return len(rooms), wrong


def output_read_only(folder: Path) -> Found:
    """A folder of editions that cannot be written: exit 3 and a sentence."""
    with _small_disk(folder / "disk", 40_000) as disk:
        _old(disk)
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        try:
            run(COURSES, LATER, disk)
        except LimbauditError as problem:
            said, code = str(problem), problem.exit_code
        wrong = _faults(disk)
    if code != 3 or "cannot be written: Read-only file system. Nothing was changed" not in said:
        wrong.append(f"{code}: {said}")
    return 1, wrong


def share_away(folder: Path) -> Found:
    """The exports go while a run reads them, and come back: the old or the new edition stands, the next run gives the new."""
    workspace, chance, wrong = folder / "audit", Random(1), []
    shutil.copytree(COURSES, workspace)
    wanted = store.hashes_under(_new(folder / "wanted"))
    for turn in range(5):
        place = folder / f"turn{turn}"
        (number,) = _forked(1, partial(_ends, partial(run, workspace, LATER)), place)
        time.sleep(chance.random() * 0.4)
        (workspace / "received").rename(workspace / "away")
        ended = os.waitstatus_to_exitcode(os.waitpid(number, 0)[1])
        (workspace / "away").rename(workspace / "received")
        if ended not in (0, 3):
            wrong.append(f"ended with {ended}")
        run(workspace, LATER, place)
        found = editions.current_edition(place / "editions", PERIOD)
        if found is None or _differ(store.hashes_under(found), wanted):
            wrong.append("the next run gives other bytes")
    return 5, wrong


def _new(place: Path) -> Path:
    run(COURSES, LATER, place)
    found = editions.current_edition(place / "editions", PERIOD)
    assert found is not None
    return found


def _differ(found: dict[str, str], wanted: dict[str, str]) -> bool:
    clock = {editions.RUN_RECORD: ""}
    return {**found, **clock} != {**wanted, **clock}


# ---------------------------------------------------------------- damaged pointers and editions

DAMAGE: dict[str, Callable[[Path], object]] = {
    "the pointer is empty": lambda period: (period / "current.json").write_text(""),
    "the pointer is no JSON": lambda period: (period / "current.json").write_bytes(b"\x00\xff{"),
    "the pointer is a list": lambda period: (period / "current.json").write_text("[]"),
    "the pointer leads nowhere": lambda period: (period / "current.json").write_text('{"edition": "draft-0"}'),
    "the pointer leads out": lambda period: (period / "current.json").write_text('{"edition": "../../x"}'),
    "the pointer is gone": lambda period: (period / "current.json").unlink(),
    "tables are gone": lambda period: [shutil.rmtree(path) for path in period.glob("draft-*/department/tables")],
    "manifests are gone": lambda period: [path.unlink() for path in period.glob("draft-*/*/manifest.json")],
}  # fmt: skip


def damaged_editions(folder: Path) -> Found:
    """Whatever befell the pointer or the standing draft: the next run puts it right, to the byte."""
    new, wrong = _new(folder / "new"), []
    wanted = store.hashes_under(new)
    for turn, (name, damage) in enumerate(DAMAGE.items()):
        place = folder / f"turn{turn}"
        shutil.copytree(folder / "new", place)
        damage(place / "editions" / PERIOD)
        ended = child(partial(run, COURSES, LATER), place)
        found = editions.current_edition(place / "editions", PERIOD)
        if ended or found is None or _differ(store.hashes_under(found), wanted) or _faults(place):
            wrong.append(f"{name}: ended with {ended}, {found and found.name} stands")
    return len(DAMAGE), wrong


# ---------------------------------------------------------------- clocks

SETTINGS = Settings(schedule=Schedule("15 2 * * *", "0 6 3 * *", "Europe/Dublin"))


def clock_jumps(folder: Path) -> Found:
    """Back a day, forward a year and back, three months off: every night and month that there is is done."""
    wrong = []
    noon = datetime(2026, 11, 10, 12, tzinfo=UTC)
    for name, since in (("back a day", timedelta(days=1)), ("a year ahead", timedelta(days=365))):
        again = [task.kind for task in tasks_due(SETTINGS, noon + since, noon)]
        if again != ["monthly", "nightly"]:
            wrong.append(f"{name}: {again}")
    off = tasks_due(SETTINGS, noon - timedelta(days=100), noon)
    months = [task.period for task in off if task.kind == "monthly"]
    if months != ["2026-07", "2026-08", "2026-09", "2026-10"][-len(months) :] or len(months) < 3:
        wrong.append(f"three months off: {months}")
    return 3, wrong


#: Nights on which clocks change: (zone, day before).
CHANGES = (
    ("Europe/Dublin", datetime(2026, 3, 28)),
    ("Europe/Dublin", datetime(2026, 10, 24)),
    ("Australia/Sydney", datetime(2026, 10, 3)),
    ("Australia/Sydney", datetime(2026, 4, 4)),
    ("America/Santiago", datetime(2026, 9, 5)),
)


def clocks_that_change(folder: Path) -> Found:
    """Called every seven minutes over three days: each night is done once, whenever it is due between 00:00 and 03:00."""
    wrong, times = [], 0
    for zone, before in CHANGES:
        for minute in range(0, 180, 15):
            line = f"{minute % 60} {minute // 60} * * *"
            days = _days_done(replace(SETTINGS, schedule=Schedule(line, "0 6 3 * *", zone)), before, zone)
            wanted = [before.date() + timedelta(days=day) for day in (0, 1, 2)]
            times += 1
            if days != wanted:
                wrong.append(f"{zone} {before.date()} `{line}`: {[str(day) for day in days]}")
    return times, wrong


def _days_done(settings: Settings, before: datetime, zone: str) -> list[object]:
    start = before.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC) - timedelta(minutes=30)
    moments = [start + timedelta(minutes=7 * step) for step in range(71 * 60 // 7)]
    return [
        task.as_of
        for since, now in pairwise(moments)
        for task in tasks_due(settings, since, now)
        if task.kind == "nightly"
    ]


# ---------------------------------------------------------------- what a machine remembers


def memory_lost(folder: Path) -> Found:
    """A state folder that cannot be written, is full, or holds rubbish: the edition is made, and somebody is told."""
    now, wrong = datetime(2026, 11, 6, 3, tzinfo=UTC), []
    with _small_disk(folder / "disk", 4) as disk:
        for name in ("full", "read-only"):
            place = Place.of(COURSES, folder / name, disk / name)
            if name == "read-only":
                subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
            done = night(place, now, lambda _seconds: None)
            if editions.current_edition(folder / name, PERIOD) is None or not done.noted.forgotten:
                wrong.append(f"{name}: {done}")
    place = Place.of(COURSES, folder / "rubbish", folder / "state")
    place.state.mkdir(parents=True)
    (place.state / "nights.json").write_text(json.dumps({"done_until": 7, "ends": [], "told": 0, "last": {}}))
    if night(place, now).exit_code:
        wrong.append("rubbish: the night is not done")
    return 3, wrong


def night_without_a_share(folder: Path) -> Found:
    """The exports are away all night: that is told, and the edition is made the night after, as of its day."""
    workspace, wrong = folder / "audit", []
    shutil.copytree(COURSES, workspace)
    place = Place.of(workspace, folder / "editions", folder / "state")
    night(place, datetime(2026, 11, 2, 20, tzinfo=UTC), lambda _seconds: None)
    (workspace / "received").rename(workspace / "away")
    (workspace / "received").mkdir()
    waits: list[float] = []
    first = night(place, datetime(2026, 11, 3, 12, tzinfo=UTC), waits.append)
    (workspace / "received").rmdir()
    (workspace / "away").rename(workspace / "received")
    second = night(place, datetime(2026, 11, 4, 12, tzinfo=UTC), waits.append)
    if first.exit_code != 3 or waits != list(module.BACK_OFF):
        wrong.append(f"away: exit code {first.exit_code}, waited {waits}")
    made = [each.words for each in second.tasks if each.edition]
    if len(made) != 1 or "2026-11-03" not in made[0]:
        wrong.append(f"back: {made}")
    return 2, wrong


#: Name → the function, and whether it is quick enough for every change.
SCENARIOS: dict[str, tuple[Callable[[Path], Found], bool]] = {
    "simultaneous_runs": (simultaneous_runs, True),
    "disk_full": (disk_full, False),
    "output_read_only": (output_read_only, True),
    "share_away": (share_away, False),
    "damaged_editions": (damaged_editions, False),
    "clock_jumps": (clock_jumps, True),
    "clocks_that_change": (clocks_that_change, True),
    "memory_lost": (memory_lost, False),
    "night_without_a_share": (night_without_a_share, False),
    "server_killed": (server_killed, False),
    "schedule_killed": (schedule_killed, False),
    "database_locked": (database_locked, False),
}
