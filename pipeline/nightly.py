"""One night's work without a scheduler: validate what came, make the editions that are due, tell who has to know."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import reduce
from pathlib import Path

from pipeline import store
from pipeline.errors import LimbauditError, WrongUse
from pipeline.settings import Settings
from pipeline.unattended.due import MONTHLY, Task, tasks_due
from pipeline.unattended.lock import held
from pipeline.unattended.memory import Memory, place_of, remember, remembered
from pipeline.unattended.notices import State, tell

#: Seconds between tries of a task while a share is away.
BACK_OFF = (5.0, 30.0, 120.0)
#: Sentences, and folders of what `check` wrote, kept of past nights.
MOST_LINES, MOST_CHECKS = 30, 62


@dataclass(frozen=True)
class Place:
    """Where a night works.

    Attributes:
        workspace: Its folder.
        editions: Where editions stand.
        state: Folder of this workspace on this machine.
        checks: Where what `check` writes lies, one folder a day of knowledge.
    """

    workspace: Path
    editions: Path
    state: Path
    checks: Path

    @classmethod
    def of(cls, workspace: Path, editions: Path, state_folder: Path) -> Place:
        own = place_of(state_folder, workspace)
        return cls(workspace, editions, own, own / "checks")


@dataclass(frozen=True)
class TaskDone:
    """How a task ended: `exit_code` as of the command, `words` one line, `reasons` why it is not 0."""

    task: Task
    exit_code: int
    words: str
    reasons: tuple[str, ...] = ()
    edition: str = ""

    @property
    def state(self) -> State:
        return State(self.exit_code, self.edition, self.reasons)


@dataclass(frozen=True)
class NightDone:
    """All tasks of a night, and what could not be told to anybody."""

    tasks: tuple[TaskDone, ...]
    untold: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """The worst of the newest validation and the newest edition; what an older one said may be mended since."""
        newest = {done.task.kind: done.exit_code for done in self.tasks}
        return max(newest.values(), default=0)


def night(place: Place, now: datetime, wait: Callable[[float], None] = time.sleep) -> NightDone:
    """Do all that was due since the last time, in order, each as of the day it was due.

    Args:
        place: Where.
        now: The moment, with a time zone.
        wait: Between tries while a share is away.

    Raises:
        WrongUse: Settings cannot be read, so nobody knows what is due; those who were told last are told so, once.
        CannotFinish: Another run holds the editions.
    """
    try:
        settings = settings_of(place.workspace)
        store.group_id(settings.access_group)
    except WrongUse as problem:
        raise WrongUse(" ".join([str(problem), *_told_of_settings(place, str(problem))])) from None
    tasks = tasks_due(settings, remembered(place.state).done_until, now)
    with held(place.editions, "the nightly work", settings.access_group):
        finished = tuple(_tried(task, place, wait) for task in tasks)
    return NightDone(finished, noted(place, settings, finished, now))


def _told_of_settings(place: Place, problem: str) -> tuple[str, ...]:
    """Tell it where the last notice could have gone. Nothing else is remembered, so the night is caught up once mended."""
    memory = remembered(place.state)
    before = Settings(
        notice_webhook=memory.notices.get("webhook", ""), notice_mail_to=memory.notices.get("mail_to", "")
    )
    state = State(2, reasons=(problem,))
    untold = tell(before, place.workspace.resolve().name, state, memory.told)
    if memory.notices and not untold:
        remember(place.state, replace(memory, told=state.told))
    return untold


def noted(place: Place, settings: Settings, finished: tuple[TaskDone, ...], now: datetime) -> tuple[str, ...]:
    """Remember how tasks ended, and tell who has to know.

    Returns:
        What could not be told, and why.
    """
    memory = remembered(place.state)
    ends = {**memory.ends, **{done.task.kind: done.state.told for done in finished}}
    state = reduce(State.with_other, (State.of(ends[kind]) for kind in sorted(ends)), State(0))
    untold = tell(settings, place.workspace.resolve().name, state, memory.told)
    told = memory.told if untold else state.told
    lines = (*memory.last, *(done.words for done in finished))[-MOST_LINES:]
    addresses = {"webhook": settings.notice_webhook, "mail_to": settings.notice_mail_to}
    remember(place.state, Memory(now, ends, told, lines, addresses), settings.access_group)
    _sweep(place.checks)
    return untold


def settings_of(workspace: Path) -> Settings:
    """The settings alone.

    Raises:
        WrongUse: They cannot be used.
    """
    from pipeline.catalogue import load_catalogue
    from pipeline.settings import load_settings
    from schemas.exports import EXPORTS

    if not (workspace / "audit.toml").is_file():
        raise WrongUse(f"{workspace} has no audit.toml. `limbaudit new {workspace}` makes a workspace.")
    catalogue = load_catalogue(workspace / "catalogue.toml")
    return load_settings(workspace / "audit.toml", catalogue, EXPORTS["operations"].names)


def _tried(task: Task, place: Place, wait: Callable[[float], None]) -> TaskDone:
    """The task, again after a while where a share is away; bad data is never tried again."""
    for seconds in (*BACK_OFF, None):
        try:
            return task_done(task, place)
        except OSError as fault:
            if seconds is None:
                return ended(task, 3, f"{fault.strerror or type(fault).__name__}: {fault.filename or ''}")
            wait(seconds)
        except LimbauditError as problem:
            return ended(task, problem.exit_code, str(problem))
    raise AssertionError("the last try returns")


def task_done(task: Task, place: Place) -> TaskDone:
    """Do one task.

    Raises:
        OSError: A share is away, a disk is full: it may be tried again.
        LimbauditError: It cannot be done.
    """
    from pipeline.quiet_nights import checked_tonight
    from pipeline.run import Asked, audited

    if task.kind == MONTHLY:
        done = audited(Asked(place.workspace, period=task.period, as_of=task.as_of), place.editions)
        edition = f"{done.ground.period.name}/{done.place.name}"
        return replace(ended(task, done.exit_code, f"edition {edition}", done.warnings), edition=edition)
    done = checked_tonight(Asked(place.workspace, as_of=task.as_of), place.checks)
    return ended(task, done.exit_code, done.summary.count or "no findings", done.warnings)


def ended(task: Task, exit_code: int, said: str, reasons: tuple[str, ...] = ()) -> TaskDone:
    """How a task ended, with its line for people."""
    what = f"{task.kind} {task.period}".strip()
    words = f"{task.at.isoformat(timespec='minutes')} {what}: exit code {exit_code}; {said}"
    return TaskDone(task, exit_code, words, reasons or ((said,) if exit_code > 1 else ()))


def _sweep(checks: Path) -> None:
    """Only so many of the past nights' checks are kept."""
    for old in sorted(path for path in checks.glob("????-??-??") if path.is_dir())[:-MOST_CHECKS]:
        shutil.rmtree(old, ignore_errors=True)
