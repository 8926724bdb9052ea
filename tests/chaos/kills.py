"""Runs killed on their way, and what must hold afterwards.

A run is a child forked from a process that has everything imported and has made an edition before, so that it takes
seconds. The points are functions wrapped in the child alone: the program itself knows nothing of them.
"""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

from printing import with_print

from pipeline import editions, store
from pipeline.clock import Clock
from pipeline.errors import WrongUse
from pipeline.nightly import Place, night
from pipeline.pruning import pruned
from pipeline.run import STAGES, Asked, audited
from pipeline.signed import SIGNATURE
from pipeline.signing import signed
from pipeline.unattended.lock import held
from pipeline.verifying import looked_at

PERIOD, EARLIER, LATER = "2026-10", date(2026, 11, 2), date(2026, 11, 9)
NIGHT = datetime(2026, 11, 6, 3, tzinfo=UTC)
#: Between the last byte written and the pointer: (owner, function).
STEPS: tuple[tuple[Any, str], ...] = (
    (editions, "faults_of"),
    (store, "protect"),
    (store, "sync"),
    (store, "sync_folder"),
    (editions.Edition, "_swap_in"),
    (editions.Edition, "renew"),
    (store, "replace_text"),
    (os, "replace"),
)
#: The stage `publish` has two turns: tables are put together, then all is written; in the second one runs are killed.
TURNS = {"publish": 2}
#: The work that is killed; `run` at named points, the others at a random moment.
WORKS = ("run", "nightly", "sign", "prune")
#: Every so many kills one is of a whole edition, with pages, handout, workbook and outward edition.
WHOLE_EVERY = 5
MOST_SECONDS, TOO_LONG, FAILED = 120, 70, 71


@dataclass(frozen=True)
class Kill:
    """Where a piece of work is killed.

    Attributes:
        work: One of `WORKS`.
        stage: In this stage, after `part` of the seconds it usually takes, at its end at the latest.
        step: Position in `STEPS`; -1: at none.
        after: Just after the step, else just before it.
        part: 0 to 1: of a stage, or without stage and step of all the work.
        whole: The edition has its pages and pictures too.
    """

    work: str = "run"
    stage: str = ""
    step: int = -1
    after: bool = False
    part: float = 0.0
    whole: bool = False

    @property
    def name(self) -> str:
        if self.stage:
            return f"in {self.stage}, {self.part:.0%} of it"
        if self.step >= 0:
            return f"{'after' if self.after else 'before'} {STEPS[self.step][1]}"
        return f"{self.work}, at {self.part:.0%} of it"

    @property
    def where(self) -> str:
        """The group it is counted in."""
        place = f"in {self.stage}" if self.stage else "between write and pointer" if self.step >= 0 else ""
        return place or f"{self.work}, at random"


@dataclass(frozen=True)
class Scene:
    """What stands before a piece of work, and what it must come to.

    Attributes:
        do: The work, on a folder.
        before: The folder as it is before.
        allowed: Names of editions that may stand after a kill; the last one must stand in the end.
        wanted: File → SHA-256 of all editions in the end, from work that nobody disturbed.
        seconds: Stage → how long it takes; under "" all the work.
    """

    do: Callable[[Path], object]
    before: Path
    allowed: tuple[str, ...]
    wanted: dict[str, str]
    seconds: dict[str, float]


# ---------------------------------------------------------------- the works


def run(workspace: Path, as_of: date, place: Path) -> None:
    """An edition as `limbaudit run` makes it."""
    with held(place / "editions", "limbaudit run"):
        audited(Asked(workspace, PERIOD, as_of), place / "editions")


def whole_run(workspace: Path, as_of: date, place: Path) -> None:
    """The same, with all that is made for print."""
    with_print()
    run(workspace, as_of, place)


def nightly(workspace: Path, place: Path) -> None:
    done = night(Place.of(workspace, place / "editions", place / "state"), NIGHT, _no_waiting)
    if done.exit_code > 1:
        raise SystemExit(done.exit_code)


def _no_waiting(_seconds: float) -> None:
    raise AssertionError("nothing is away")


def sign(workspace: Path, place: Path) -> None:
    standing = editions.current_edition(place / "editions", PERIOD)
    if standing is None or not standing.name.isdecimal():
        with suppress(WrongUse):  # it was signed, and the pointer was not written: the night puts that right
            signed(workspace, PERIOD, "quality officer", "", place / "editions")
            return
        run(workspace, LATER, place)


def prune(place: Path) -> None:
    from pipeline.publish import write_front_page

    pruned(place / "editions", 36, "", write_front_page)


# ---------------------------------------------------------------- scenes


def scenes(workspace: Path, folder: Path, whole: bool) -> dict[str, Scene]:
    """Every work once, undisturbed."""
    old, both = folder / "old", folder / "both"
    run(workspace, EARLIER, old)
    shutil.copytree(old, both)
    run(workspace, LATER, both)
    works = {
        "run": (partial(run, workspace, LATER), old),
        "nightly": (partial(nightly, workspace), old),
        "sign": (partial(sign, workspace), both),
        "prune": (prune, both),
    }
    if whole:
        works = {"run": (partial(whole_run, workspace, LATER), old)}
    return {name: _scene(*work, folder / name) for name, work in works.items()}


def _scene(do: Callable[[Path], object], before: Path, place: Path) -> Scene:
    shutil.copytree(before, place)
    seconds: dict[str, float] = {}
    with _timed(seconds):
        begun = time.monotonic()
        do(place)
        seconds[""] = time.monotonic() - begun
    stood, stands = _standing(before), _standing(place)
    return Scene(do, before, (stood, stands), _hashes(place), seconds)


@contextmanager
def _timed(seconds: dict[str, float]) -> Iterator[None]:
    """Stage → seconds, the longest of its turns."""
    usual = Clock.stage

    @contextmanager
    def stage(self: Clock, name: str) -> Iterator[None]:
        begun = time.monotonic()
        with usual(self, name):
            yield
        seconds[name] = max(seconds.get(name, 0.0), time.monotonic() - begun)

    Clock.stage = stage  # type: ignore[method-assign]
    yield
    Clock.stage = usual  # type: ignore[method-assign]


def _standing(place: Path) -> str:
    found = editions.current_edition(place / "editions", PERIOD)
    return found.name if found else ""


def _hashes(place: Path) -> dict[str, str]:
    """Every file of all editions but those that know the clock, and the list of editions."""
    found = store.hashes_under(place / "editions")
    clocks = (editions.RUN_RECORD, SIGNATURE, ".lock")
    return {name: digest for name, digest in found.items() if not name.endswith(clocks)}


# ---------------------------------------------------------------- a kill, and a look


def survived(kill: Kill, given: Scene, place: Path) -> tuple[bool, str]:
    """Kill the work there, look, do it again, look again. Whether it died, and what is wrong; empty if nothing is."""
    shutil.copytree(given.before, place)
    try:
        died = child(partial(_killed, kill, given), place, _random_moment(kill, given)) == -signal.SIGKILL
        wrong = _amiss_after_kill(given, place) or _amiss_after_next(given, place)
        return died, wrong or ("" if died or _is_random(kill) else "it was not killed")
    finally:
        shutil.rmtree(place)


def _is_random(kill: Kill) -> bool:
    return not kill.stage and kill.step < 0


def _random_moment(kill: Kill, given: Scene) -> float:
    return kill.part * given.seconds[""] if _is_random(kill) else 0.0


def _amiss_after_kill(given: Scene, place: Path) -> str:
    standing = _standing(place)
    if standing not in given.allowed:
        return f"the pointer names {standing or 'nothing'}"
    for look in looked_at(place):
        if look.faults:
            return f"{look.name} does not verify: {look.faults[0]}"
    return ""


def _amiss_after_next(given: Scene, place: Path) -> str:
    ended = child(given.do, place)
    if ended != 0 or _standing(place) != given.allowed[-1]:
        return f"the next one ended with {ended}, the pointer names {_standing(place) or 'nothing'}"
    found = _hashes(place)
    differ = sorted(
        name for name in found.keys() | given.wanted.keys() if found.get(name) != given.wanted.get(name)
    )
    if differ:
        return f"the next one gives other bytes: {differ[0]}"
    left = [path.name for path in (place / "editions").rglob(".*") if path.name != ".lock"]
    return f"left lying: {left[0]}" if left else ""


def child(work: Callable[[Path], object], place: Path, killed_after: float = 0.0) -> int:
    """How a forked child ended that did the work: 0, an exit code, or the signal with a minus."""
    number = os.fork()
    if number == 0:
        _work_and_leave(work, place)
    until = time.monotonic() + (killed_after or MOST_SECONDS)
    while time.monotonic() < until:
        found, status = os.waitpid(number, os.WNOHANG)
        if found:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.01)
    os.kill(number, signal.SIGKILL)
    ended = os.waitstatus_to_exitcode(os.waitpid(number, 0)[1])
    return ended if killed_after else TOO_LONG


def _work_and_leave(work: Callable[[Path], object], place: Path) -> None:
    """In the child: nothing of the parent's is flushed or torn down."""
    code = FAILED
    try:
        work(place)
        code = 0
    except SystemExit as ended:
        code = int(ended.code or 0)
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        os._exit(code)


# ---------------------------------------------------------------- in the child


def _killed(kill: Kill, given: Scene, place: Path) -> None:
    if kill.stage:
        _kill_in_stage(kill, given)
    elif kill.step >= 0:
        _kill_at_step(kill)
    given.do(place)


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _kill_in_stage(kill: Kill, given: Scene) -> None:
    usual = Clock.stage
    turns: list[str] = []

    @contextmanager
    def stage(self: Clock, name: str) -> Iterator[None]:
        turns.append(name)
        here = name == kill.stage and turns.count(name) == TURNS.get(name, 1)
        if here:
            threading.Timer(kill.part * given.seconds[name], _die).start()
        with usual(self, name):
            yield
            if here:
                _die()

    Clock.stage = stage  # type: ignore[method-assign]


def _kill_at_step(kill: Kill) -> None:
    owner, name = STEPS[kill.step]
    usual = getattr(owner, name)

    def step(*arguments: Any, **named: Any) -> Any:
        if name in ("replace_text", "replace") and _is_the_holder(arguments):
            return usual(*arguments, **named)
        if not kill.after:
            _die()
        answer = usual(*arguments, **named)
        _die()
        return answer

    setattr(owner, name, step)


def _is_the_holder(arguments: tuple[Any, ...]) -> bool:
    """Who holds the folder is written at the very beginning."""
    return any(".lock.json" in str(each) for each in arguments)


# ---------------------------------------------------------------- which kills


def all_kills(number: int, seed: int = 1) -> list[Kill]:
    """At least so many: a tenth of it in each stage, a quarter between write and pointer, some of the other works."""
    chance = Random(seed)
    in_stages = -(-number // 10)
    found = [
        Kill(stage=name, part=(turn + chance.random()) / in_stages)
        for turn in range(in_stages)
        for name in STAGES
    ]
    points = [Kill(step=step, after=after) for step in range(len(STEPS)) for after in (False, True)]
    found += [points[turn * 5 % len(points)] for turn in range(-(-number // 4))]
    found += [Kill(work, part=chance.random()) for work in WORKS for _ in range(-(-number // 25))]
    return [
        Kill(kill.work, kill.stage, kill.step, kill.after, kill.part, _whole(turn, kill))
        for turn, kill in enumerate(found)
    ]


def _whole(turn: int, kill: Kill) -> bool:
    return kill.work == "run" and turn % WHOLE_EVERY == 0
