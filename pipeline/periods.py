"""Periods that name editions: `2026-10`, `2026-Q4`, `2026`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from pipeline.errors import WrongUse, did_you_mean

MONTHS_OF = {"month": 1, "quarter": 3, "year": 12}
_NAME = re.compile(r"(?P<year>[1-9]\d{3})(?:-(?:Q(?P<quarter>[1-4])|(?P<month>0[1-9]|1[0-2])))?")


@dataclass(frozen=True)
class Period:
    """A month, quarter or year, both days included."""

    name: str
    first_day: date
    last_day: date

    @property
    def kind(self) -> str:
        """`month`, `quarter` or `year`."""
        return "year" if "-" not in self.name else "quarter" if "Q" in self.name else "month"


def parse_period(name: str) -> Period:
    """The period with this name. Raises WrongUse if it is none."""
    found = _NAME.fullmatch(name)
    if not found:
        raise WrongUse(
            f"`{name}` is not a period. Write 2026-10 for a month, 2026-Q4 for a quarter, 2026 for a year."
        )
    year = int(found["year"])
    if found["month"]:
        return _starting(year, int(found["month"]), "month")
    if found["quarter"]:
        return _starting(year, 3 * int(found["quarter"]) - 2, "quarter")
    return _starting(year, 1, "year")


def period_of(kind: str, day: date) -> Period:
    """The period of this kind that holds the day. Raises WrongUse for another kind."""
    length = _length(kind)
    return _starting(day.year, (day.month - 1) // length * length + 1, kind)


def last_complete(kind: str, as_of: date) -> Period:
    """The last period of this kind that ends on or before `as_of`. Raises WrongUse for another kind."""
    current = period_of(kind, as_of)
    return current if current.last_day <= as_of else period_of(kind, current.first_day - timedelta(days=1))


def numbered_period(kind: str, number: int) -> Period:
    """The period of this kind with this number: how many such periods lie between it and the year 0."""
    months = number * _length(kind)
    return _starting(months // 12, months % 12 + 1, kind)


def _length(kind: str) -> int:
    if kind not in MONTHS_OF:
        hint = did_you_mean(kind, MONTHS_OF)
        raise WrongUse(f"`{kind}` is not a kind of period. Write month, quarter or year.{hint}")
    return MONTHS_OF[kind]


def _starting(year: int, month: int, kind: str) -> Period:
    names = {"month": f"{year}-{month:02}", "quarter": f"{year}-Q{(month + 2) // 3}", "year": f"{year}"}
    following = year * 12 + month - 1 + MONTHS_OF[kind]
    next_first = date(following // 12, following % 12 + 1, 1)
    return Period(names[kind], date(year, month, 1), next_first - timedelta(days=1))
