"""What is due when: nights that were missed, months, and nights on which the clocks change."""

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from pipeline.settings import Schedule, Settings
from pipeline.unattended.due import LONGEST_CATCH_UP_DAYS, next_due, tasks_due, times_between

DUBLIN = ZoneInfo("Europe/Dublin")
SETTINGS = Settings(schedule=Schedule("15 2 * * *", "0 6 3 * *", "Europe/Dublin"))


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=DUBLIN)


def told(tasks) -> list[str]:
    return [f"{task.at:%m-%d %H:%M} {task.kind} {task.period}".strip() for task in tasks]


def test_a_new_machine_does_the_last_of_each_kind():
    assert told(tasks_due(SETTINGS, None, at("2026-11-28 18:00"))) == [
        "11-03 06:00 monthly 2026-10",
        "11-28 02:15 nightly",
    ]


def test_missed_nights_are_due_in_order_with_the_month_between():
    due = tasks_due(SETTINGS, at("2026-11-01 12:00"), at("2026-11-04 03:00"))
    assert told(due) == [
        "11-02 02:15 nightly",
        "11-03 02:15 nightly",
        "11-03 06:00 monthly 2026-10",
        "11-04 02:15 nightly",
    ]


def test_a_task_knows_as_much_as_on_the_day_it_was_due():
    due = tasks_due(SETTINGS, at("2026-11-01 12:00"), at("2026-11-28 12:00"))
    month = next(task for task in due if task.kind == "monthly")
    assert month.as_of == date(2026, 11, 3)


def test_nothing_is_due_twice():
    now = at("2026-11-04 02:15")
    assert told(tasks_due(SETTINGS, at("2026-11-04 02:14"), now)) == ["11-04 02:15 nightly"]
    assert tasks_due(SETTINGS, now, now) == ()


def test_a_year_off_is_not_caught_up_night_by_night():
    due = tasks_due(SETTINGS, at("2025-11-01 12:00"), at("2026-11-28 12:00"))
    assert sum(task.kind == "nightly" for task in due) == LONGEST_CATCH_UP_DAYS


@pytest.mark.parametrize(("kind", "period"), [("month", "2026-12"), ("quarter", "2026-Q4"), ("year", "2026")])
def test_the_period_is_the_last_that_was_over(kind, period):
    due = tasks_due(replace(SETTINGS, period=kind), at("2027-01-02 12:00"), at("2027-01-03 12:00"))
    assert [task.period for task in due if task.kind == "monthly"] == [period]


def test_what_comes_next():
    nightly, monthly = next_due(SETTINGS, at("2026-12-31 23:00"))
    assert (nightly.at, monthly.at, monthly.period) == (
        at("2027-01-01 02:15"),
        at("2027-01-03 06:00"),
        "2026-12",
    )


# Clocks change in Europe/Dublin on 2026-03-29 (01:00 becomes 02:00) and 2026-10-25 (02:00 becomes 01:00): rules of the
# European Union's summer time, common knowledge.


def times(line: str, after: str, until: str) -> list[datetime]:
    return [found.astimezone(UTC) for found in times_between(line, at(after), at(until))]


def test_a_time_that_the_clocks_jump_over_is_due_once():
    found = times("30 1 * * *", "2026-03-28 12:00", "2026-03-30 00:00")
    assert len(found) == 1
    assert found[0] == datetime(2026, 3, 29, 1, 0, tzinfo=UTC)  # 02:00 summer time, right after the jump


def test_a_time_that_comes_twice_is_due_once():
    found = times("30 1 * * *", "2026-10-24 12:00", "2026-10-26 00:00")
    assert found == [datetime(2026, 10, 25, 0, 30, tzinfo=UTC)]


def test_a_night_stays_at_its_hour_when_the_clocks_change():
    summer = times("15 2 * * *", "2026-10-24 00:00", "2026-10-24 12:00")
    winter = times("15 2 * * *", "2026-10-26 00:00", "2026-10-26 12:00")
    assert (summer[0].hour, winter[0].hour) == (1, 2)


def test_every_night_of_a_year_once():
    found = list(times_between("15 2 * * *", at("2026-01-01 00:00"), at("2027-01-01 00:00")))
    assert len({each.date() for each in found}) == len(found) == 365


def test_a_clock_that_was_ahead_leaves_no_night_out():
    """Noted in a year that has not come: the last of each kind, as on a new machine; by a few minutes: nothing."""
    now = at("2026-11-28 18:00")
    assert told(tasks_due(SETTINGS, at("2027-11-28 02:15"), now)) == told(tasks_due(SETTINGS, None, now))
    assert tasks_due(SETTINGS, at("2026-11-28 18:05"), now) == ()


def test_a_clock_set_back_a_day_does_the_day_again():
    assert told(tasks_due(SETTINGS, at("2026-11-29 02:16"), at("2026-11-28 02:16"))) == [
        "11-03 06:00 monthly 2026-10",
        "11-28 02:15 nightly",
    ]


def test_editions_of_a_year_are_caught_up():
    due = tasks_due(SETTINGS, at("2026-08-20 12:00"), at("2026-11-28 12:00"))
    assert [task.period for task in due if task.kind == "monthly"] == ["2026-08", "2026-09", "2026-10"]


def test_of_the_hour_that_comes_twice_both_halves_are_in_order():
    """01:10 the second time is later than 01:30 the first time, though its hands stand earlier."""
    second = datetime(2026, 10, 25, 1, 10, tzinfo=UTC)  # 01:10, clocks gone back
    before = datetime(2026, 10, 24, 12, 0, tzinfo=UTC)
    settings = replace(SETTINGS, schedule=Schedule("30 1 * * *", "0 6 3 * *", "Europe/Dublin"))
    assert told(tasks_due(settings, before, second)) == ["10-25 01:30 nightly"]
    assert tasks_due(settings, second, second.replace(hour=12)) == ()
