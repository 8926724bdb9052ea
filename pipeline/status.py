"""How a workspace stands, in five lines."""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline.editions import POINTER
from pipeline.nightly import Place, settings_of
from pipeline.periods import last_complete
from pipeline.settings import Settings
from pipeline.sites import is_late
from pipeline.unattended.access_log import last_use
from pipeline.unattended.due import next_due, tasks_due
from pipeline.unattended.memory import Memory, remembered
from pipeline.unattended.notices import State
from pipeline.workspace import standing_edition


def status_lines(place: Place, now: datetime) -> tuple[str, ...]:
    """What ran last, what is due, what is late, what is wrong, and who can read the editions.

    Args:
        place: Where.
        now: With a time zone; what is late depends on it and on nothing else.

    Raises:
        WrongUse: Settings cannot be read.
    """
    settings, memory = settings_of(place.workspace), remembered(place.state)
    return (
        f"Ran last: {_last(memory, place.editions)}",
        f"Due: {_due(settings, memory, now)}",
        f"Late: {_late(settings, place.workspace, now)}",
        f"Wrong: {_wrong(memory)}",
        f"Can read the editions: {_readers(settings, place.editions)}{_used(place)}",
    )


def lines_without_settings(place: Place, problem: str) -> tuple[str, ...]:
    """The same five lines where the settings cannot be read: what they would say is not known.

    Args:
        place: Where.
        problem: Why they cannot be read.
    """
    unknown = "not known while the settings cannot be read."
    return (
        f"Ran last: {_last(remembered(place.state), place.editions)}",
        f"Due: {unknown}",
        f"Late: {unknown}",
        f"Wrong: {problem}",
        f"Can read the editions: {_doors(place.editions)}{_used(place)}",
    )


def _last(memory: Memory, editions: Path) -> str:
    return f"{memory.last[-1].rstrip('.') if memory.last else 'no night yet'}; {_stands(editions)}."


def _stands(editions: Path) -> str:
    if editions.exists() and not os.access(editions, os.R_OK | os.X_OK):
        return f"you may not read {editions}"
    edition = standing_edition(editions, "")
    if edition is None and any(editions.glob(f"*/{POINTER}")):
        return "which edition stands cannot be read (`limbaudit verify` says where)"
    return f"standing edition {edition.parent.name}/{edition.name}" if edition else "no edition yet"


def _due(settings: Settings, memory: Memory, now: datetime) -> str:
    missed = tasks_due(settings, memory.done_until, now)
    waiting = f"{len(missed)} not done yet, since {missed[0].at:%Y-%m-%d %H:%M}; " if missed else ""
    nightly, monthly = next_due(settings, now)
    return (
        f"{waiting}next night {nightly.at:%Y-%m-%d %H:%M}, next edition {monthly.period} on "
        f"{monthly.at:%Y-%m-%d %H:%M} ({settings.schedule.timezone})."
    )


def _late(settings: Settings, workspace: Path, now: datetime) -> str:
    """Hospitals whose due day has passed today without a receipt after the cut of the last whole period."""
    today = now.astimezone(ZoneInfo(settings.schedule.timezone)).date()
    cut_on = last_complete(settings.period, today).last_day
    late = [
        f"{name} (last receipt {newest or 'never'})"
        for name, site in sorted(settings.sites.items())
        for newest in [_newest_receipt(workspace / "received" / name)]
        if is_late(site, newest, cut_on, today)
    ]
    if late:
        return f"{', '.join(late)}."
    stated = any(site.due_day for site in settings.sites.values())
    return "no hospital." if stated else "nobody can be: no `due_day` is stated for any hospital."


def _newest_receipt(folder: Path) -> date | None:
    days = []
    for path in folder.glob("????-??-??"):
        with suppress(ValueError):  # a folder that is no day is told by `check`
            days.append(date.fromisoformat(path.name))
    return max(days, default=None)


def _wrong(memory: Memory) -> str:
    if not memory.ends:
        return "not known: no night has looked yet."
    states = [State.of(end) for end in memory.ends.values()]
    reasons = list(dict.fromkeys(text for state in states for text in state.reasons))
    more = f" and {len(reasons) - 1} more" if len(reasons) > 1 else ""
    return f"{reasons[0].rstrip('.')}{more}." if reasons else "nothing that the last night knew of."


def _readers(settings: Settings, editions: Path) -> str:
    if not editions.exists():
        return "nobody yet: there are none."
    who = (
        f"their owner and the group {settings.access_group}" if settings.access_group else "their owner alone"
    )
    return f"{who}{_wider(editions)}."


def _doors(editions: Path) -> str:
    """Who can read them by what the folder itself says."""
    if not editions.exists():
        return "nobody yet: there are none."
    mode = editions.stat().st_mode
    return (
        "everybody."
        if mode & 0o007
        else "their owner and one group."
        if mode & 0o070
        else "their owner alone."
    )


def _used(place: Place) -> str:
    """The newest line of the access log."""
    use = last_use(place.state)
    return f" Last use: {use.command} by {use.user} at {use.at}." if use else ""


def _wider(editions: Path) -> str:
    """Said where the folder lets in others than it should."""
    return "; but the folder itself is open to everybody" if editions.stat().st_mode & 0o007 else ""
