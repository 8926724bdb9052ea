"""The schedule as Prefect flows: thin, paths in and out, all work done by `pipeline.nightly`.

A run derives what it may know from the time it was scheduled for, so that one that starts late gives what it would have
given in time, and one that runs twice gives the same.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from prefect import flow, get_client, runtime, serve, task
from prefect.artifacts import create_markdown_artifact, create_table_artifact
from prefect.client.schemas.filters import FlowRunFilter, FlowRunFilterState, FlowRunFilterStateType
from prefect.client.schemas.objects import State, StateType
from prefect.states import Completed, Crashed
from prefect.types.entrypoint import EntrypointType

from pipeline.editions import MANIFEST
from pipeline.errors import Away, CannotFinish, LimbauditError
from pipeline.nightly import (
    BACK_OFF,
    Place,
    TaskDone,
    ended,
    kept_from,
    noted,
    settings_of,
    task_done,
    waiting,
)
from pipeline.periods import last_complete
from pipeline.unattended.due import MONTHLY, NIGHTLY, Task
from pipeline.unattended.lock import held
from pipeline.unattended.memory import remembered

#: A task that takes longer is given up; the edition that stands stays.
LONGEST_SECONDS = 6 * 3600
#: How long one run waits for another on the same editions.
PATIENCE_SECONDS = 3 * 3600


def _is_transient(_task: Any, _run: Any, state: State) -> bool:
    """Only a share that is away or a disk that is full is tried again."""
    return isinstance(state.result(raise_on_failure=False), (OSError, Away))


@task(
    retries=len(BACK_OFF),
    retry_delay_seconds=list(BACK_OFF),
    retry_condition_fn=_is_transient,
    timeout_seconds=LONGEST_SECONDS,
    persist_result=False,
)
def work(kind: str, period: str, at: str, folders: dict[str, str]) -> dict[str, Any]:
    """One task of the schedule; what it says of itself comes back, never a table."""
    own, place = Task(datetime.fromisoformat(at), kind, period), _place(folders)
    try:
        with held(place.editions, f"{kind} {period}".strip(), _group(place), PATIENCE_SECONDS):
            done = task_done(own, place)
    except Away:
        raise
    except LimbauditError as problem:
        done = ended(own, problem.exit_code, str(problem))
    return {
        "exit_code": done.exit_code,
        "words": done.words,
        "reasons": list(done.reasons),
        "edition": done.edition,
    }


@flow(name="nightly validation", timeout_seconds=2 * LONGEST_SECONDS)
def nightly_validation(folders: dict[str, str]) -> State:
    """Validate what had come by the night this was scheduled for."""
    return _carried_out(NIGHTLY, "", _scheduled(folders), folders)


@flow(name="monthly audit", timeout_seconds=2 * LONGEST_SECONDS)
def monthly_audit(folders: dict[str, str]) -> State:
    """Make the edition of the period that was over on the day this was scheduled for."""
    at = _scheduled(folders)
    return _carried_out(MONTHLY, last_complete(_settings(folders).period, at.date()).name, at, folders)


@flow(name="audit on demand", timeout_seconds=2 * LONGEST_SECONDS)
def audit_on_demand(folders: dict[str, str], period: str, as_of: date) -> State:
    """Make the edition of a period with what had come by a day."""
    zone = ZoneInfo(_settings(folders).schedule.timezone)
    return _carried_out(MONTHLY, period, datetime.combine(as_of, time(), zone), folders)


def _carried_out(kind: str, period: str, at: datetime, folders: dict[str, str]) -> State:
    place, settings = _place(folders), _settings(folders)
    left = [each for each in waiting(remembered(place.state), settings) if each.kind == kind]
    finished = tuple(_done(each, folders) for each in (*left, Task(at, kind, period)))
    done, now = finished[-1], datetime.now(at.tzinfo)
    _shown(place, replace(done, reasons=(*done.reasons, *noted(place, settings, finished, now).words)))
    if done.exit_code > 1:
        raise CannotFinish(done.words)
    return Completed(message=done.words)


def _done(own: Task, folders: dict[str, str]) -> TaskDone:
    """How a task ended, also where a share stayed away through all tries."""
    try:
        told = work(own.kind, own.period, own.at.isoformat(), folders)
    except (OSError, Away) as fault:
        return kept_from(own, fault)
    return TaskDone(own, told["exit_code"], told["words"], tuple(told["reasons"]), told["edition"])


def _scheduled(folders: dict[str, str]) -> datetime:
    """When this run was due, in the schedule's time zone."""
    at = runtime.flow_run.scheduled_start_time
    return datetime.fromisoformat(str(at)).astimezone(ZoneInfo(_settings(folders).schedule.timezone))


def _place(folders: dict[str, str]) -> Place:
    workspace, editions, state, checks = (
        Path(folders[name]) for name in ("workspace", "editions", "state", "checks")
    )
    return Place(workspace, editions, state, checks, folders["engine"], folders["scheduler"])


def _settings(folders: dict[str, str]) -> Any:
    return settings_of(_place(folders).workspace)


def _group(place: Place) -> str:
    return settings_of(place.workspace).access_group


# ---------------------------------------------------------------- what the scheduler's own pages show


def _shown(place: Place, done: TaskDone) -> None:
    """Scorecard and headline figures as artifacts: sites, counts and shares, no ids."""
    reasons = "".join(f"\n- {text}" for text in done.reasons) or "\n- nothing wants attention"
    create_markdown_artifact(f"{done.words}\n{reasons}\n", key=f"{done.task.kind}-result")
    if not done.edition:
        return
    department = (place.editions / done.edition / MANIFEST).parent
    sites = json.loads((department / "manifest.json").read_text("utf-8"))["sites"]
    shown = ("site", "data_until", "verdict", "late")
    create_table_artifact([{name: site.get(name) for name in shown} for site in sites], key="scorecard")
    create_table_artifact(_headline(department), key="headline")


def _headline(department: Path) -> list[dict[str, Any]]:
    """Any complication of all operations, window by window."""
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    names = ["window_days", "cases", "followed", "lost", "events", "rate", "ci_low", "ci_high"]
    keys = ["procedure", "stratum", "category"]
    rates = pq.read_table(department / "tables" / "rates.parquet", columns=[*keys, *names])
    wanted = {"procedure": "all", "stratum": "none", "category": "any_complication"}
    for name, value in wanted.items():
        rates = rates.filter(pc.equal(rates[name], value))
    return list(rates.select(names).to_pylist())


# ---------------------------------------------------------------- serving


def served(place: Place) -> None:
    """Serve both schedules, and audits on demand, until stopped; one run at a time.

    Raises:
        WrongUse: Settings cannot be read.
    """
    schedule = settings_of(place.workspace).schedule
    folders = {
        "workspace": str(place.workspace.resolve()),
        "editions": str(place.editions.resolve()),
        "state": str(place.state.resolve()),
        "checks": str(place.checks.resolve()),
        "engine": place.engine,
        "scheduler": place.scheduler,
    }
    sweep_stale()
    made: list[Any] = [
        own.to_deployment(
            name=place.state.name,
            schedule=_cron(line, schedule.timezone) if line else None,
            parameters={"folders": folders},
            entrypoint_type=EntrypointType.MODULE_PATH,
        )
        for own, line in (
            (nightly_validation, schedule.nightly),
            (monthly_audit, schedule.monthly),
            (audit_on_demand, ""),
        )
    ]
    serve(*made, limit=1, pause_on_shutdown=False, print_starting_message=False)


def _cron(line: str, timezone: str) -> Any:
    from prefect.schedules import Cron

    return Cron(line, timezone=timezone)


def sweep_stale() -> int:
    """Runs that a killed runner left as running are marked as crashed. Returns how many there were.

    Nothing of ours runs while this does: one runner serves a server of its own.
    """
    running = FlowRunFilter(
        state=FlowRunFilterState(type=FlowRunFilterStateType(any_=[StateType.RUNNING, StateType.PENDING]))
    )
    with get_client(sync_client=True) as client:
        stale = client.read_flow_runs(flow_run_filter=running)
        for run in stale:
            client.set_flow_run_state(run.id, Crashed(message="Its runner was gone."), force=True)
    return len(stale)
