"""What is due: cron lines, the night it is, and what was missed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from pipeline.periods import last_complete
from pipeline.settings import Schedule, Settings

NIGHTLY, MONTHLY = "nightly", "monthly"
#: Nights further back than this are not caught up: an edition made today knows what they brought.
LONGEST_CATCH_UP_DAYS = 62
#: Editions are: a year of them, and a month for good measure.
LONGEST_MONTHS_DAYS = 400
#: By so much a clock may go back without anything being done again.
A_LITTLE = timedelta(hours=1)


@dataclass(frozen=True, order=True)
class Task:
    """Something the schedule asked for.

    Attributes:
        at: When, in the schedule's time zone.
        kind: `nightly` (validate what came) or `monthly` (make an edition).
        period: Of a monthly one: the last that was over on that day.
    """

    at: datetime
    kind: str
    period: str = ""

    @property
    def as_of(self) -> date:
        """What the task may know: all that had come by that day. It depends on when it was due, not on when it is done."""
        return self.at.date()

    @property
    def told(self) -> tuple[str, str, str]:
        """As it is written down: when, kind, period."""
        return self.at.isoformat(), self.kind, self.period


def tasks_due(settings: Settings, since: datetime | None, now: datetime) -> tuple[Task, ...]:
    """All that was due after `since` and up to `now`, in order; without `since` the last of each kind.

    So too where `since` is later than `now`: the clock was ahead when it was noted, and nobody knows what was done since.

    Args:
        settings: `[schedule]` says when, `period` what an edition covers.
        since: Up to when all was done, with a time zone; None on a new machine.
        now: With a time zone.
    """
    zone = ZoneInfo(settings.schedule.timezone)
    local = now.astimezone(zone)
    known = since.astimezone(UTC) if since and not is_ahead(since, now) else None
    found: list[Task] = []
    for kind, days in ((NIGHTLY, LONGEST_CATCH_UP_DAYS), (MONTHLY, LONGEST_MONTHS_DAYS)):
        start = now.astimezone(UTC) - timedelta(days=days)
        begun = max(known, start) if known else start
        times = list(times_between(_line(settings.schedule, kind), begun.astimezone(zone), local))
        own = [Task(at, kind, _period(settings, kind, at)) for at in times]
        found += own if known else own[-1:]
    return tuple(sorted(found, key=lambda task: (task.at.astimezone(UTC), task.kind)))


def is_ahead(since: datetime, now: datetime) -> bool:
    """Whether `since` lies in the future by more than a clock is set right by every day."""
    return since.astimezone(UTC) - now.astimezone(UTC) > A_LITTLE


def next_due(settings: Settings, now: datetime) -> tuple[Task, Task]:
    """The next nightly and the next monthly task."""
    local = now.astimezone(ZoneInfo(settings.schedule.timezone))
    nights, months = (
        Task(at, kind, _period(settings, kind, at))
        for kind in (NIGHTLY, MONTHLY)
        for at in [next(_times(_line(settings.schedule, kind), local))]
    )
    return nights, months


def times_between(line: str, after: datetime, until: datetime) -> Iterator[datetime]:
    """When a cron line is due, later than `after` and not later than `until`; both with a time zone.

    Where clocks go forward over a time, it is due right after; where they go back over it, once.
    """
    for at in _times(line, after):
        if at.astimezone(UTC) > until.astimezone(UTC):
            return
        if at.astimezone(UTC) > after.astimezone(UTC):
            yield at


def _times(line: str, after: datetime) -> Iterator[datetime]:
    from cronsim import CronSim

    yield from CronSim(line, after)


def _line(schedule: Schedule, kind: str) -> str:
    return schedule.nightly if kind == NIGHTLY else schedule.monthly


def _period(settings: Settings, kind: str, at: datetime) -> str:
    return last_complete(settings.period, at.date()).name if kind == MONTHLY else ""
