"""One night's work without a scheduler: validate what came, make the editions that are due, tell who has to know."""

from __future__ import annotations

import shutil
import time
import traceback
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from functools import reduce
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline import store
from pipeline.engine import LOCAL, engine_for
from pipeline.errors import Away, CannotFinish, LimbauditError, WrongUse
from pipeline.settings import Settings
from pipeline.unattended.due import MONTHLY, Task, is_ahead, tasks_due
from pipeline.unattended.local_disk import on_this_machine
from pipeline.unattended.lock import held
from pipeline.unattended.memory import Memory, place_of, remember, remembered
from pipeline.unattended.notices import State, tell

#: Seconds between tries of a task while a share is away.
BACK_OFF = (5.0, 30.0, 120.0)
#: Sentences, and folders of what `check` wrote, kept of past nights.
MOST_LINES, MOST_CHECKS = 30, 62
#: Beside the kinds of task: how the night itself began, and whether it could be written down.
NIGHT, MEMORY = "night", "memory"


@dataclass(frozen=True)
class Place:
    """Where a night works.

    Attributes:
        workspace: Its folder.
        editions: Where editions stand.
        state: Folder of this workspace on this machine.
        checks: Where what `check` writes lies, one folder a day of knowledge.
        engine, scheduler: Where editions are worked out, see `pipeline.engine.engine_for`.
    """

    workspace: Path
    editions: Path
    state: Path
    checks: Path
    engine: str = LOCAL
    scheduler: str = ""

    @property
    def kept(self) -> Path | None:
        """What runs checked and later ones may take over; nothing is kept over a network."""
        return on_this_machine(self.state / "kept")

    @classmethod
    def of(
        cls, workspace: Path, editions: Path, state_folder: Path, engine: str = LOCAL, scheduler: str = ""
    ) -> Place:
        own = place_of(state_folder, workspace)
        return cls(workspace, editions, own, own / "checks", engine, scheduler)


@dataclass(frozen=True)
class TaskDone:
    """How a task ended: `exit_code` as of the command, `words` one line, `reasons` why it is not 0.

    `waits`: a share or a disk kept it from being done, so it is done first next time.
    """

    task: Task
    exit_code: int
    words: str
    reasons: tuple[str, ...] = ()
    edition: str = ""
    waits: bool = False

    @property
    def state(self) -> State:
        return State(self.exit_code, self.edition, self.reasons)


@dataclass(frozen=True)
class Noted:
    """What could not be told to anybody, and what could not be written down: sentences."""

    untold: tuple[str, ...] = ()
    forgotten: tuple[str, ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        return (*self.untold, *self.forgotten)


@dataclass(frozen=True)
class NightDone:
    """All tasks of a night, what became of the news, and a sentence where the clock went back."""

    tasks: tuple[TaskDone, ...]
    noted: Noted
    ahead: str = ""

    @property
    def exit_code(self) -> int:
        """The worst of the newest validation and the newest edition; what an older one said may be mended since."""
        newest = {done.task.kind: done.exit_code for done in self.tasks}
        return max([*newest.values(), int(bool(self.noted.forgotten or self.ahead))])


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
    with ExitStack() as stack:
        try:
            _hold(stack, place, settings, wait)
        except CannotFinish as problem:
            _tell_that_it_could_not_begin(place, settings, str(problem))
            raise
        memory = remembered(place.state)
        tasks = (*waiting(memory, settings), *tasks_due(settings, memory.done_until, now))
        finished = _in_order(tasks, place, wait)
        ahead = _ahead(memory, now)
        return NightDone(finished, noted(place, settings, finished, now), ahead)


def _hold(stack: ExitStack, place: Place, settings: Settings, wait: Callable[[float], None]) -> None:
    """Hold the editions until the stack ends; where they cannot be written, try again after a while."""
    for seconds in (*BACK_OFF, None):
        try:
            stack.enter_context(held(place.editions, "the nightly work", settings.access_group))
            return
        except Away:
            if seconds is None:
                raise
            wait(seconds)


def _in_order(tasks: tuple[Task, ...], place: Place, wait: Callable[[float], None]) -> tuple[TaskDone, ...]:
    """Each task's end. Once a share has stayed away, the tasks after it are tried once each."""
    finished: list[TaskDone] = []
    for task in tasks:
        away = bool(finished) and finished[-1].waits
        finished.append(_tried(task, place, wait, () if away else BACK_OFF))
    return tuple(finished)


def _ahead(memory: Memory, now: datetime) -> str:
    """A sentence where the clock is behind what was done last."""
    if memory.done_until is None or not is_ahead(memory.done_until, now):
        return ""
    return (
        f"The clock is behind the last night, which was done at {memory.done_until.isoformat(timespec='minutes')}: it was "
        "set back, or was ahead then. The last night and the last edition are done once more; look at editions made since."
    )


def waiting(memory: Memory, settings: Settings) -> tuple[Task, ...]:
    """Tasks that a share or a disk kept from being done."""
    zone = ZoneInfo(settings.schedule.timezone)
    return tuple(
        Task(datetime.fromisoformat(at).astimezone(zone), kind, period) for at, kind, period in memory.waiting
    )


def _tell_that_it_could_not_begin(place: Place, settings: Settings, problem: str) -> None:
    """Those who have to know are told; what was due stays due."""
    memory = remembered(place.state)
    ends = {**memory.ends, NIGHT: State(3, reasons=(problem,)).told}
    _told_and_kept(place, settings, replace(memory, ends=ends))


def _told_of_settings(place: Place, problem: str) -> tuple[str, ...]:
    """Tell it where the last notice could have gone. Nothing else is remembered, so the night is caught up once mended."""
    memory = remembered(place.state)
    before = Settings(
        notice_webhook=memory.notices.get("webhook", ""), notice_mail_to=memory.notices.get("mail_to", "")
    )
    state = State(2, reasons=(problem,))
    untold = tell(before, place.workspace.resolve().name, state, memory.told)
    if memory.notices and not untold:
        untold = _kept(place, replace(memory, told=state.told), "")
    return untold


def noted(place: Place, settings: Settings, finished: tuple[TaskDone, ...], now: datetime) -> Noted:
    """Remember how tasks ended, and tell who has to know."""
    memory = remembered(place.state)
    ends = {kind: end for kind, end in memory.ends.items() if kind not in (NIGHT, MEMORY)}
    ends |= {done.task.kind: done.state.told for done in finished}
    lines = (*memory.last, *(done.words for done in finished))[-MOST_LINES:]
    tried = {done.task.told for done in finished}
    left = (
        *(told for told in memory.waiting if told not in tried),
        *(done.task.told for done in finished if done.waits),
    )
    seen = tuple(sorted({*memory.seen, *_with_exports(place.workspace)}))
    addresses = {"webhook": settings.notice_webhook, "mail_to": settings.notice_mail_to}
    new = Memory(now, ends, memory.told, lines, addresses, left, seen)
    found = _told_and_kept(place, settings, new)
    _sweep(place.checks)
    return found


def _told_and_kept(place: Place, settings: Settings, memory: Memory) -> Noted:
    """Written down first without what is told, so that nobody is left untold if this is broken off."""
    forgotten = _kept(place, memory, settings.access_group)
    ends = {**memory.ends, MEMORY: State(1, reasons=forgotten).told} if forgotten else memory.ends
    state = reduce(State.with_other, (State.of(ends[kind]) for kind in sorted(ends)), State(0))
    untold = tell(settings, place.workspace.resolve().name, state, memory.told)
    if not untold and not forgotten:
        forgotten = _kept(place, replace(memory, told=state.told), settings.access_group)
    return Noted(untold, forgotten)


def _kept(place: Place, memory: Memory, group: str) -> tuple[str, ...]:
    """Nothing, or why it could not be written down: a night is not lost by that."""
    try:
        remember(place.state, memory, group)
    except OSError as fault:
        return (
            f"What was done cannot be written down in {place.state}: {fault.strerror or type(fault).__name__}. "
            "Until it can, each night does it once more.",
        )
    return ()


def _with_exports(workspace: Path) -> set[str]:
    """Hospitals that have a receipt."""
    return {path.parent.name for path in workspace.glob("received/*/????-??-??")}


def _check_none_is_gone(place: Place) -> None:
    """An empty folder where there were exports is a share that is not mounted; half the truth is not published.

    Raises:
        Away: It may be mounted later.
    """
    there, settings = _with_exports(place.workspace), settings_of(place.workspace)
    known = set(remembered(place.state).seen)
    gone = sorted(site for site in known - there if site in settings.sites or not there)
    if gone:
        raise Away(
            f"{place.workspace / 'received' / gone[0]} holds no exports, and there were some. Is its share away? "
            "If they are gone for good, take the hospital out of [sites] in audit.toml."
        )


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


def _tried(
    task: Task, place: Place, wait: Callable[[float], None], back_off: tuple[float, ...] = BACK_OFF
) -> TaskDone:
    """The task, again after a while where a share is away; bad data is never tried again."""
    for seconds in (*back_off, None):
        try:
            return task_done(task, place)
        except (OSError, Away) as fault:
            if seconds is None:
                return kept_from(task, fault)
            wait(seconds)
        except LimbauditError as problem:
            return ended(task, problem.exit_code, str(problem))
        except Exception as fault:  # the last door: a fault of the program must not stop the other tasks
            return ended(task, 3, _where(fault))
    raise AssertionError("the last try returns")


def kept_from(task: Task, fault: OSError | Away) -> TaskDone:
    """How a task ended that a share or a disk kept from being done: it waits for the next night."""
    said = str(fault)
    if isinstance(fault, OSError):
        said = f"{fault.strerror or type(fault).__name__}: {fault.filename or ''}"
    return replace(ended(task, 3, f"{said} It is tried again the next night."), waits=True)


def _where(fault: Exception) -> str:
    """Where the program failed, without the message, which may hold cell values."""
    place = traceback.extract_tb(fault.__traceback__)[-1]
    return (
        f"{type(fault).__name__} in {Path(place.filename).name} line {place.lineno}. This is a fault of the program: "
        "report this line; it holds no data."
    )


def task_done(task: Task, place: Place) -> TaskDone:
    """Do one task.

    Raises:
        OSError, Away: A share is away, a disk is full: it may be tried again.
        LimbauditError: It cannot be done.
    """
    from pipeline.quiet_nights import checked_tonight
    from pipeline.run import Asked, audited
    from pipeline.second import processes_here

    _check_none_is_gone(place)
    if task.kind == MONTHLY:
        asked = Asked(
            place.workspace, period=task.period, as_of=task.as_of, kept=place.kept, processes=processes_here()
        )
        with engine_for(place.engine, place.scheduler, 0, place.editions) as engine:
            done = audited(replace(asked, engine=engine), place.editions)
        edition = f"{done.ground.period.name}/{done.place.name}"
        return replace(ended(task, done.exit_code, f"edition {edition}", done.warnings), edition=edition)
    done = checked_tonight(Asked(place.workspace, as_of=task.as_of, kept=place.kept), place.checks)
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
