"""Runs killed at named points, and what must hold afterwards.

A run is a child that has everything imported already. The points are functions wrapped in the child
alone: the program itself knows nothing of them.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
import signal
import threading
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from pipeline import editions, store
from pipeline.clock import Clock
from pipeline.run import STAGES, Asked, audited

PERIOD, EARLIER, LATER = "2026-10", date(2026, 11, 2), date(2026, 11, 9)
#: Between the last byte written and the pointer: (owner, function, how often it is called on the way at least).
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
MOST_SECONDS, TOO_LONG = 60, 70


@dataclass(frozen=True)
class Kill:
    """Where a run is killed.

    Attributes:
        stage: In this stage, after `part` of the seconds it usually takes; empty: at a step.
        step: Position in `STEPS`.
        after: Just after the step, else just before it.
        part: 0 to 1.
    """

    stage: str = ""
    step: int = 0
    after: bool = False
    part: float = 0.0

    @property
    def name(self) -> str:
        if self.stage:
            return f"in {self.stage}, {self.part:.0%} of it"
        return f"{'after' if self.after else 'before'} {STEPS[self.step][1]}"


@dataclass(frozen=True)
class Scene:
    """An old edition that stands, and what the new one must come to.

    Attributes:
        workspace: The audit's inputs.
        old: Folder of editions with the old one alone.
        names: Of the old and of the new edition.
        wanted: File → SHA-256 of the new edition, from a run that nobody disturbed.
        seconds: Stage → how long it takes.
    """

    workspace: Path
    old: Path
    names: tuple[str, str]
    wanted: dict[str, str]
    seconds: dict[str, float]


def scene(workspace: Path, folder: Path) -> Scene:
    """Make both editions once, undisturbed."""
    old, new = folder / "old", folder / "new"
    first = audited(Asked(workspace, PERIOD, EARLIER), old)
    shutil.copytree(old, new)
    second = audited(Asked(workspace, PERIOD, LATER), new)
    told = json.loads((second.place / editions.RUN_RECORD).read_text())["seconds"]
    return Scene(workspace, old, (first.place.name, second.place.name), _hashes(second.place), told)


def _hashes(edition: Path) -> dict[str, str]:
    found = store.hashes_under(edition)
    found.pop(editions.RUN_RECORD, None)
    return found


def survived(kill: Kill, given: Scene, folder: Path) -> str:
    """Kill a run there, look, run again, look again. Returns what is wrong; empty if nothing is."""
    place = folder / "editions"
    shutil.copytree(given.old, place)
    try:
        died = _child(_killed, kill, given, place)
        return (
            _amiss_after_kill(given, place) or _amiss_after_next_run(given, place) or _not_killed(kill, died)
        )
    finally:
        shutil.rmtree(place)


def _not_killed(kill: Kill, ended: int) -> str:
    """A stage may be over before its time; at a step the run must have died."""
    return "" if kill.stage or ended == -signal.SIGKILL else f"the run was not killed: {ended}"


def _amiss_after_kill(given: Scene, place: Path) -> str:
    standing = editions.current_edition(place, PERIOD)
    if standing is None or standing.name not in given.names:
        return f"the pointer names {standing}"
    if faults := editions.faults_of(standing):
        return f"{standing.name} stands and does not verify: {faults[0]}"
    if standing.name == given.names[1] and _hashes(standing) != given.wanted:
        return "the new edition stands with other bytes"
    return ""


def _amiss_after_next_run(given: Scene, place: Path) -> str:
    ended = _child(_undisturbed, given, place)
    standing = editions.current_edition(place, PERIOD)
    if ended != 0 or standing is None or standing.name != given.names[1]:
        return f"the next run ended with {ended}, the pointer names {standing}"
    if _hashes(standing) != given.wanted:
        return "the next run gives other bytes"
    left = [path.name for path in place.glob(f"{editions.BUILDING}*")]
    return f"left lying: {left[0]}" if left else ""


# ---------------------------------------------------------------- in the child


def _child(work: Callable[..., object], *arguments: object) -> int:
    """How a child ended that did the work: 0, an exit code, or the signal with a minus.

    It is forked from a server that has imported the program and never started a thread.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["pipeline.audit", "pipeline.run", "pandas", "pyarrow.parquet", "kills"])
    child = context.Process(target=work, args=arguments)
    child.start()
    child.join(MOST_SECONDS)
    if child.is_alive():
        child.kill()
        child.join()
        return TOO_LONG
    return int(child.exitcode or 0)


def _undisturbed(given: Scene, place: Path) -> None:
    audited(Asked(given.workspace, PERIOD, LATER), place)


def _killed(kill: Kill, given: Scene, place: Path) -> None:
    if kill.stage:
        _kill_in_stage(kill, given)
    else:
        _kill_at_step(kill)
    audited(Asked(given.workspace, PERIOD, LATER), place)


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _kill_in_stage(kill: Kill, given: Scene) -> None:
    usual = Clock.stage

    @contextmanager
    def stage(self: Clock, name: str) -> Any:
        if name == kill.stage:
            threading.Timer(kill.part * given.seconds.get(name, 0.5), _die).start()
        with usual(self, name):
            yield

    Clock.stage = stage  # type: ignore[method-assign]


def _kill_at_step(kill: Kill) -> None:
    owner, name = STEPS[kill.step]
    usual = getattr(owner, name)

    def step(*arguments: Any, **named: Any) -> Any:
        if not kill.after:
            _die()
        answer = usual(*arguments, **named)
        _die()
        return answer

    setattr(owner, name, step)


def all_kills(number: int) -> list[Kill]:
    """So many kills: a quarter of them at the steps between write and pointer, the others spread over the stages."""
    steps = [Kill(step=step, after=after) for step in range(len(STEPS)) for after in (False, True)]
    stages = [*STAGES[:-1], "letters"]
    of_steps = -(-number // 4)
    rounds = -(-(number - of_steps) // len(stages))
    found = [Kill(stage=name, part=(turn + 0.5) / rounds) for turn in range(rounds) for name in stages]
    return [steps[turn * 5 % len(steps)] for turn in range(of_steps)] + found[: number - of_steps]
